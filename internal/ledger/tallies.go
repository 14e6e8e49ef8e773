package ledger

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/repair"
	"trigone/internal/storage"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// short gives of the facts of a case what figures over all cases read, and what groups
// are made of. A field that tallied or a group reads must be in it.
func short(f *trigonev1.CaseFacts) *trigonev1.CaseFacts {
	out := proto.CloneOf(f)
	out.CaseName = ""
	out.Queries, out.Concomitant, out.Findings = nil, nil, nil
	for _, finding := range f.GetFindings() {
		if finding.GetOpen() && finding.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION {
			out.Findings = append(out.Findings, &trigonev1.FindingFacts{Severity: finding.GetSeverity(), Open: true})
		}
	}
	if n := f.GetCounts(); n != nil {
		out.Counts = &trigonev1.FactCounts{
			ThingsPlanned: n.GetThingsPlanned(), AgreementsRecorded: n.GetAgreementsRecorded(), DisputedValueCount: n.GetDisputedValueCount(),
			DifferencesWithReasonCount: n.GetDifferencesWithReasonCount(), DifferencesWithoutReasonCount: n.GetDifferencesWithoutReasonCount(),
		}
	}
	if t := f.GetTheatre(); t != nil {
		out.Theatre = &trigonev1.FactTheatre{Support: t.GetSupport()}
	}
	out.Versions = &trigonev1.FactVersions{CalibrationId: f.GetVersions().GetCalibrationId()}
	for _, d := range out.GetDevices() {
		d.Section, d.DeviceId, d.Sizers, d.Maker, d.Model, d.Size = "", "", nil, "", "", ""
	}
	for _, e := range out.GetEchoes() {
		e.Section, e.TricuspidRegurgitation = "", nil
	}
	// The section of an event says which entry tells of it.
	telling := map[string]bool{convert.SectionOperation: true}
	for _, e := range out.GetEvents() {
		e.EventId = ""
		telling[e.GetSection()] = true
	}
	for _, s := range out.GetStatuses() {
		s.Antithrombotics, s.Blood = nil, nil
		if !telling[s.GetSection()] {
			s.Section = ""
		}
	}
	for _, r := range out.GetRuns() {
		r.Section = ""
	}
	return out
}

// tallyQuestion says which cases are walked.
type tallyQuestion struct {
	filter *trigonev1.AuditFilter
	basis  trigonev1.Basis
	// beside: another walk of the same call tells the access record of these cases.
	beside bool
	// strata are kinds of words by which figures are given apart: those that are made
	// when a case is read are added to it.
	strata []string
	// asOf is the last moment of an incision that counts; zero: now.
	asOf time.Time
}

// tallied is what a walk over the cases of a site came through.
type tallied struct {
	context *trigonev1.AuditContext
	asOf    time.Time
	// Cases that match and were operated on; retracted and undated ones are not among
	// them.
	cases, retracted, erased int
	undated                  []string
}

// tally walks the cases of a site that were operated on and match, oldest first, and
// tells the access record of them.
func (l *Ledger) tally(ctx context.Context, archive *casebook.Archive, site string, q tallyQuestion, onCase func(*audit.Case) error) (out tallied, err error) {
	f := storage.TallyFilter{Restated: restated(q.basis), Groups: storedGroups(q.filter.GetGroups()), IncisionFrom: instant(q.filter.GetIncisionFrom())}
	out.asOf, f.IncisionBefore = until(archive, q.filter, q.asOf)
	zone, err := archive.Zone(ctx)
	if err != nil {
		return out, err
	}
	n, err := archive.Store.Tallies(ctx, site, f, func(c storage.Tally) error {
		one, err := tallyOf(c)
		if err != nil {
			return err
		}
		one.Words = append(one.Words, made(q.strata, one, zone)...)
		out.cases++
		return onCase(one)
	})
	if err != nil {
		return out, notBuilt(err, q.basis)
	}
	if !q.beside {
		casebook.AccessOf(ctx).Cases(out.cases)
	}
	out.retracted, out.undated = n.RetractedCases, n.Undated
	if out.erased, err = archive.Store.Erased(ctx, site); err != nil {
		return out, err
	}
	invented, err := archive.Invented(ctx)
	if err != nil {
		return out, err
	}
	out.context = auditContext(archive, out.asOf, q.filter, q.basis, n.LastChange, invented)
	return out, nil
}

// until gives the moment that an answer is as of, now where none is asked for, and the
// end of the incisions that count: an operation begun at that moment does.
func until(archive *casebook.Archive, filter *trigonev1.AuditFilter, asked time.Time) (asOf, before time.Time) {
	asOf, before = asked, instant(filter.GetIncisionBefore())
	if asOf.IsZero() {
		asOf = archive.Now().UTC()
	}
	if end := asOf.Add(1); before.IsZero() || end.Before(before) {
		before = end
	}
	return asOf, before
}

func tallyOf(c storage.Tally) (*audit.Case, error) {
	f := &trigonev1.CaseFacts{}
	if err := proto.Unmarshal(c.Short, f); err != nil {
		return nil, fmt.Errorf("the short facts of a case cannot be read: %w", err)
	}
	out := caseOf(f)
	out.UID, out.Patient, out.Incision, out.Timing = c.UID, c.Patient, c.IncisionTime, c.PlanTiming
	out.Later = out.Later || c.Later
	return out, nil
}

// caseOf gives the facts of a case as figures read them.
func caseOf(f *trigonev1.CaseFacts) *audit.Case {
	times, team, setting, done, became := f.GetTimes(), f.GetTeam(), f.GetSetting(), f.GetRepair(), f.GetOutcome()
	out := &audit.Case{
		PlanReceivedDays: maybe(times.PlanReceiptDays), OperationReceivedDays: maybe(times.OperationReceiptDays),
		SignedHoursBefore: maybe(times.SignatureToIncisionHours),
		Later:             setting.GetPreviousCase() != "", AsExecuted: done.GetAsExecuted() == trigonev1.Answer_ANSWER_YES,
		Signer: team.GetSigner(), FirstOperator: team.GetFirstOperator(), Supervisor: team.GetSupervisor(), Trainee: answer(team.GetTraineeFirst()),
		Intended: convert.Word(setting.GetIntendedProcedure()), IntendedHoursBefore: maybe(setting.IntendedToIncisionHours),
		Techniques: done.GetTechniquesDone(), Converted: answer(done.GetConverted()),
		ConversionPoint: convert.Word(done.GetConversionPoint()), ConversionReason: convert.Word(done.GetConversionReason()),
		Decision: convert.Word(done.GetDecision()), RunCount: whole(done.RunCount), MitralFurtherRuns: whole(done.MitralFurtherRunCount),
		LeftTheatreAlive: answer(became.GetLeftTheatreAlive()), DiedInHospital: answer(became.GetDiedInHospital()),
		DiedWithin30Days: answer(became.GetDiedWithin_30Days()), ReturnedToTheatre: answer(became.GetReturnedToTheatre()),
		ReadmittedWithin30Days: answer(became.GetReadmittedWithin_30Days()),
		DiedDay:                whole(became.DiedOnDay), StatusKnownUntilDay: whole(became.StatusKnownUntilDay), DischargedDay: whole(became.DischargedOnDay),
		Grade:              gradeOf(f.GetValve().GetGrade()),
		OpenContradictions: len(f.GetFindings()), DisputedValues: int(f.GetCounts().GetDisputedValueCount()),
		DifferencesWithoutReason: int(f.GetCounts().GetDifferencesWithoutReasonCount()), DifferencesWithReason: int(f.GetCounts().GetDifferencesWithReasonCount()),
		Calibration: f.GetVersions().GetCalibrationId(),
	}
	for _, g := range Groups(f) {
		out.Words = append(out.Words, audit.Group{Kind: g.Kind, Word: g.Word})
	}
	for _, r := range setting.GetExpectedRisks() {
		out.Risks = append(out.Risks, audit.Risk{
			Outcome: convert.Word(r.GetOutcome()), Horizon: convert.Word(r.GetHorizon()), Model: r.GetModel(), Version: r.GetVersion(),
			Percent: maybe(r.ProbabilityPercent), ReceivedDays: maybe(r.ReceiptDays),
		})
	}
	for _, r := range f.GetRuns() {
		out.Runs = append(out.Runs, audit.Run{
			Number: int(r.GetRun()), Reason: convert.Word(r.GetReason()), ForMitral: answer(r.GetForMitralValve()), ClampMin: maybe(r.ClampMin), BypassMin: maybe(r.BypassMin),
		})
	}
	for _, d := range f.GetDevices() {
		if d.GetKind() == 0 && d.GetFamilyKey() == "" {
			continue
		}
		out.Rings = append(out.Rings, audit.Ring{Kind: convert.Word(d.GetKind()), Family: d.GetFamilyKey(), Label: maybe(d.ImplantedLabel), Fate: convert.Word(d.GetFate())})
	}
	for _, e := range f.GetEchoes() {
		out.Echoes = append(out.Echoes, audit.Echo{
			Assessment: convert.Word(e.GetAssessmentKind()), FollowUp: convert.Word(e.GetFollowUpKind()), Stage: valve.Stage(convert.Word(e.GetStage())),
			Run: whole(e.Run), Day: whole(e.Day), Method: valve.Method(convert.Word(e.GetMethod())), Provocation: convert.Word(e.GetProvocation()),
			Grade: gradeOf(e.GetGrade()), Mechanisms: each(e.GetMechanisms()),
			AnteriorMotion: convert.Word(e.GetAnteriorMotion()), AnteriorMotionEnd: convert.Word(e.GetAnteriorMotionEnd()),
			MeanGradientMmHg: maybe(e.MeanGradientMmhg), HeartRatePerMin: maybe(e.HeartRatePerMin), Inotrope: answer(e.GetInotrope()),
			CoaptationLengthMm: maybe(e.CoaptationLengthMm), ReadIndependently: answer(e.GetReadIndependently()),
		})
	}
	known := map[string]*int32{}
	for _, s := range f.GetStatuses() {
		known[s.GetSection()] = s.Day
		out.Statuses = append(out.Statuses, audit.Status{
			FollowUp: convert.Word(s.GetKind()), Day: whole(s.Day), DiedDay: whole(s.DiedOnDay), Vital: convert.Word(s.GetVitalStatus()), Lost: answer(s.GetLost()),
			EchoNotDoneReason: convert.Word(s.GetEchoNotDoneReason()), ReinterventionsRecorded: convert.Word(s.GetReinterventionsRecorded()),
			ComplicationsRecorded: convert.Word(s.GetComplicationsRecorded()),
		})
	}
	for _, e := range f.GetEvents() {
		out.Events = append(out.Events, audit.Event{
			Kind: convert.Word(e.GetKind()), Complication: convert.Word(e.GetComplication()), Grade: convert.Word(e.GetGrade()),
			Definition: e.GetDefinition().GetKey(), DefaultDefinition: answer(e.GetDefaultDefinition()),
			Reintervention: convert.Word(e.GetReintervention()), Mechanism: convert.Word(e.GetMechanism()), ReturnReason: convert.Word(e.GetReturnReason()),
			NewDialysis: answer(e.GetNewDialysis()), Unplanned: answer(e.GetUnplanned()), Day: whole(e.Day), KnownDay: whole(known[e.GetSection()]), InTheatre: e.GetSection() == convert.SectionOperation,
		})
	}
	return out
}

func answer(a trigonev1.Answer) valve.Answer { return valve.Answer(convert.Word(a)) }

func gradeOf(g *trigonev1.Grade) repair.Grade {
	return repair.Grade{Scheme: convert.Word(g.GetScheme()), Value: convert.Word(g.GetValue())}
}

func whole(v *int32) units.Maybe[int] {
	if v == nil {
		return units.None[int]()
	}
	return units.Some(int(*v))
}
