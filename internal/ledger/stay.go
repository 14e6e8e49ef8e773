package ledger

import (
	"cmp"
	"slices"

	"trigone/internal/convert"
	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

const answerYes, answerNo = trigonev1.Answer_ANSWER_YES, trigonev1.Answer_ANSWER_NO

// daysOfReadmission is how long after discharge a readmission counts.
const daysOfReadmission = 30

// intention puts into the facts what was meant to be done, and what changed on the
// way to the heart.
func (r *reader) intention(out *trigonev1.FactSetting) {
	intended := r.operation.GetSetting().GetIntendedProcedure()
	if intended.GetKind() == 0 {
		intended = r.plan.GetSetting().GetIntendedProcedure()
	}
	out.IntendedProcedure, out.IntendedStatedBy = intended.GetKind(), intended.GetStatedBy()
	if d, ok := r.since(instant(intended.GetStatedTime())); ok {
		hours := -d.Hours()
		out.IntendedToIncisionHours = &hours
	}
	out.AdmittedOnDay = r.dayAfter(r.operation.GetAdmission().GetAdmittedOn())
	change := r.operation.GetApproachChange()
	out.ApproachChanged, out.ApproachBegunAs, out.ApproachChangeReason = change.GetChanged(), change.GetBegunAs(), change.GetReason()
}

// discharge gives the day of discharge after the operation and where to; none
// where entries do not agree.
func (r *reader) discharge() (day *int32, to trigonev1.DischargeDestination) {
	var days []int32
	destinations := map[trigonev1.DischargeDestination]bool{}
	for _, f := range r.followUps {
		if d := r.dayAfter(f.GetDischarge().GetDischargedOn()); d != nil {
			days = append(days, *d)
		}
		destinations[f.GetDischarge().GetDestination()] = true
	}
	if len(slices.Compact(days)) == 1 {
		day = &days[0]
	}
	if list := words(destinations); len(list) == 1 {
		to = list[0]
	}
	return day, to
}

// deathPlaces gives where the entries say that the patient died, each once.
func (r *reader) deathPlaces() []trigonev1.DeathPlace {
	set := map[trigonev1.DeathPlace]bool{}
	if r.operation.GetLeftTheatreAlive() == answerNo {
		set[trigonev1.DeathPlace_DEATH_PLACE_THEATRE] = true
	}
	for _, f := range r.followUps {
		set[f.GetDeathPlace()] = true
	}
	return words(set)
}

// stay puts into the facts how the stay ended and what followed it.
func (r *reader) stay(out *trigonev1.FactOutcome) {
	if places := r.deathPlaces(); len(places) == 1 {
		out.DeathPlace = places[0]
	}
	out.DischargedOnDay, out.DischargeDestination = r.discharge()
	out.ReturnedToTheatre = r.returned(out.DischargedOnDay)
	out.ReadmittedWithin_30Days = r.readmitted(out.DischargedOnDay, out.DiedOnDay)
}

// returned says whether the patient was taken back to theatre in the stay.
func (r *reader) returned(discharged *int32) trigonev1.Answer {
	known := trigonev1.Answer_ANSWER_UNSPECIFIED
	for _, f := range r.followUps {
		if len(f.GetReturnsToTheatre()) > 0 {
			return answerYes
		}
		day := r.dayAfter(f.GetStatusKnownOn())
		over := f.GetKind() == trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE || dead(f) || day != nil && discharged != nil && *day >= *discharged
		if over && f.GetReturnsToTheatreRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
			known = answerNo
		}
	}
	return known
}

// readmitted says whether the patient was readmitted, unplanned, within 30 days of
// discharge. It is no only where an entry knows of all readmissions up to then, or
// up to death.
func (r *reader) readmitted(discharged, died *int32) trigonev1.Answer {
	if discharged == nil {
		return trigonev1.Answer_ANSWER_UNSPECIFIED
	}
	until := *discharged + daysOfReadmission
	if died != nil {
		until = min(until, *died)
	}
	complete, open := false, false
	for _, f := range r.followUps {
		if day := r.dayAfter(f.GetStatusKnownOn()); day != nil && *day >= until && f.GetReadmissionsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
			complete = true
		}
		for _, m := range f.GetReadmissions() {
			day := r.dayAfter(m.GetAdmittedOn())
			if m.GetUnplanned() == answerNo || day != nil && *day > *discharged+daysOfReadmission {
				continue
			}
			if day != nil && m.GetUnplanned() == answerYes {
				return answerYes
			}
			open = true
		}
	}
	if complete && !open {
		return answerNo
	}
	return trigonev1.Answer_ANSWER_UNSPECIFIED
}

func dead(f *trigonev1.FollowUp) bool {
	return f.GetVitalStatus() == trigonev1.VitalStatus_VITAL_STATUS_DEAD || f.GetDiedOn() != ""
}

// complication gives a complication of a section as an event.
func (r *reader) complication(section string, c *trigonev1.Complication) *trigonev1.EventFacts {
	e := &trigonev1.EventFacts{
		Section: section, Kind: trigonev1.EventKind_EVENT_KIND_COMPLICATION, EventId: c.GetId(), Complication: c.GetKind(), Day: r.dayAfter(c.GetDate()),
		Grade: c.GetGrade(), NewDialysis: c.GetNewDialysis(), DialysisAtDischarge: c.GetDialysisAtDischarge(),
		PacemakerIndication: c.GetPacemakerIndication(), WoundSite: c.GetWoundSite(),
	}
	if d := c.GetDefinition(); d.GetKey() != "" {
		e.Definition, e.DefaultDefinition = d, answerNo
		if repair.DefaultDefinition(convert.Word(c.GetKind()), d.GetKey(), d.GetVersion()) {
			e.DefaultDefinition = answerYes
		}
	}
	return e
}

// after gives what an entry tells beside complications: reinterventions, returns to
// theatre, readmissions.
func (r *reader) after(f *trigonev1.FollowUp, discharged *int32) []*trigonev1.EventFacts {
	section := convert.SectionName(f)
	var list []*trigonev1.EventFacts
	for _, i := range f.GetReinterventions() {
		list = append(list, &trigonev1.EventFacts{
			Section: section, Kind: trigonev1.EventKind_EVENT_KIND_REINTERVENTION, EventId: i.GetId(), Reintervention: i.GetKind(),
			Mechanism: i.GetMechanism(), Day: r.dayAfter(i.GetOn()),
		})
	}
	for _, t := range f.GetReturnsToTheatre() {
		list = append(list, &trigonev1.EventFacts{
			Section: section, Kind: trigonev1.EventKind_EVENT_KIND_RETURN_TO_THEATRE, EventId: t.GetId(), ReturnReason: t.GetReason(), Day: r.dayAfter(t.GetDate()),
		})
	}
	for _, m := range f.GetReadmissions() {
		e := &trigonev1.EventFacts{
			Section: section, Kind: trigonev1.EventKind_EVENT_KIND_READMISSION, EventId: m.GetId(), ReadmissionCause: m.GetCause(), Unplanned: m.GetUnplanned(),
			Day: r.dayAfter(m.GetAdmittedOn()),
		}
		if e.Day != nil && discharged != nil {
			days := e.GetDay() - *discharged
			e.DaysSinceDischarge = &days
		}
		list = append(list, e)
	}
	return list
}

// identified adds to the devices that steps and conversion tell of what the labels
// say, and after them the devices that neither tells of. A device that was not put
// in, or that was there before, is never the one that a step tells of.
func (r *reader) identified(list []*trigonev1.DeviceFacts) []*trigonev1.DeviceFacts {
	devices := slices.SortedStableFunc(slices.Values(r.operation.GetDevices()), func(a, b *trigonev1.Device) int {
		return cmp.Compare(leftIn(a), leftIn(b))
	})
	for _, d := range devices {
		i := slices.IndexFunc(list, func(f *trigonev1.DeviceFacts) bool { return f.GetDeviceId() == "" && tells(f, d) })
		if i < 0 || leftIn(d) > outAgain {
			list = append(list, &trigonev1.DeviceFacts{Section: convert.SectionOperation, PerformedStepId: d.GetStepId(), Run: d.Run})
			i = len(list) - 1
		}
		f := list[i]
		f.DeviceId, f.DeviceKind, f.DeviceFate = d.GetId(), d.GetKind(), d.GetFate()
		f.Maker, f.Model, f.Size = d.GetMaker(), d.GetModel(), d.GetSize()
		if f.Run == nil {
			f.Run = d.Run
		}
	}
	return list
}

// outAgain is the order of a device that was put in and taken out again.
const outAgain = 2

// leftIn orders devices: those in place first, those that were never put in last.
func leftIn(d *trigonev1.Device) int {
	switch d.GetFate() {
	case trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE:
		return 0
	case trigonev1.DeviceFate_DEVICE_FATE_UNSPECIFIED:
		return 1
	case trigonev1.DeviceFate_DEVICE_FATE_REMOVED:
		return outAgain
	}
	return outAgain + 1
}

// tells says whether the facts of a step or of the conversion speak of the device.
func tells(f *trigonev1.DeviceFacts, d *trigonev1.Device) bool {
	switch d.GetKind() {
	case trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY:
		return f.GetPerformedStepId() != "" && f.GetPerformedStepId() == d.GetStepId()
	case trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS:
		return f.GetSection() == convert.SectionOperation && f.GetPerformedStepId() == "" && f.GetPlannedStepId() == ""
	}
	return false
}
