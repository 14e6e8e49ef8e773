package department

import (
	"strconv"
	"time"

	"trigone/internal/invent"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// What was done, what was found, and what became of the patient.

func round(v, grid float64) float64 { return units.Round(v, grid) }

// clock are the times of an operation.
type clock struct {
	bypass, clamp, unclamp, off, bypass2, clamp2, unclamp2, off2, end time.Time
}

func (w writer) clock() clock {
	t, minutes := &w.c.Theatre, func(n float64) time.Duration { return time.Duration(n) * time.Minute }
	var k clock
	k.bypass = w.c.Incision.Add(40 * time.Minute)
	k.clamp = k.bypass.Add(12 * time.Minute)
	k.unclamp = k.clamp.Add(minutes(t.ClampMin))
	k.off = k.bypass.Add(minutes(t.BypassMin))
	k.end = k.off.Add(65 * time.Minute)
	if t.FurtherRun != "" {
		k.bypass2 = k.off.Add(25 * time.Minute)
		k.clamp2 = k.bypass2.Add(6 * time.Minute)
		k.unclamp2 = k.clamp2.Add(minutes(t.SecondClampMin))
		k.off2 = k.bypass2.Add(minutes(t.SecondBypass))
		k.end = k.off2.Add(65 * time.Minute)
	}
	return k
}

func (w writer) operation() *trigonev1.Operation {
	t, d, v, k := &w.c.Theatre, &w.c.Repair, &w.c.Valve, w.clock()
	out := &trigonev1.Operation{
		IncisionTime: at(w.c.Incision), FirstLeafletCutTime: at(k.clamp.Add(8 * time.Minute)), EndTime: at(k.end), Setting: w.setting(false),
		RunsRecorded: complete, StepsRecorded: complete, TestsRecorded: complete, ConcomitantProceduresRecorded: complete, ComplicationsRecorded: complete,
		Neighbourhood: &trigonev1.Neighbourhood{
			SuturesNearAorticValve: yes, AorticValveChecked: yes, CircumflexFlowChecked: answer(!t.Unchecked), LateralWallChecked: yes, LateralWallNewlyAbnormal: no,
		},
		LeftTheatreAlive: answer(!t.DiedThere), Conversion: &trigonev1.Conversion{Converted: no},
		Admission: &trigonev1.Admission{AdmittedOn: day(w.c.Incision.AddDate(0, 0, -1))},
	}
	if d.Technique == invent.Chords && !v.Both || w.c.Reoperation > 0 {
		out.FirstLeafletCutTime = nil // no leaflet is cut
	}
	if w.c.Setting.Bypass {
		out.ConcomitantProcedures = []*trigonev1.ConcomitantProcedure{{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_CORONARY_BYPASS, Planned: yes}}
	}
	if t.Declined {
		out.DeclinedProcedures = []*trigonev1.DeclinedProcedure{{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_ABLATION, Reason: trigonev1.DeclineReason_DECLINE_REASON_RISK}}
	}
	if t.Ablated {
		out.ConcomitantProcedures = append(out.ConcomitantProcedures,
			&trigonev1.ConcomitantProcedure{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_ABLATION, Planned: yes},
			&trigonev1.ConcomitantProcedure{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_APPENDAGE_CLOSURE, Planned: yes})
	}
	run := func(number int32, bypass, off, clamp, unclamp time.Time) *trigonev1.PumpRun {
		return &trigonev1.PumpRun{
			Number: number, BypassStart: at(bypass), BypassEnd: at(off), ClampStart: at(clamp), ClampEnd: at(unclamp),
			StatedBypassMin: ptr(off.Sub(bypass).Minutes()), StatedClampMin: ptr(unclamp.Sub(clamp).Minutes()),
		}
	}
	out.Runs = []*trigonev1.PumpRun{run(1, k.bypass, k.off, k.clamp, k.unclamp)}
	if t.Slip == invent.SlipClamp {
		r := out.Runs[0]
		r.StatedBypassMin, r.StatedClampMin = r.StatedClampMin, r.StatedBypassMin
	}
	if t.FurtherRun != "" {
		again := run(2, k.bypass2, k.off2, k.clamp2, k.unclamp2)
		again.Reason, again.ForMitralValve = word[trigonev1.RunReason](t.FurtherRun), yes
		out.Runs = append(out.Runs, again)
	}
	w.performed(out)
	w.tests(out, k)
	return out
}

// performed fills in the steps, and what became of them.
func (w writer) performed(out *trigonev1.Operation) {
	t, d, p := &w.c.Theatre, &w.c.Repair, &w.c.Plan
	add := func(s step, answers string) *trigonev1.PerformedStep {
		done := &trigonev1.PerformedStep{
			Id: "s-" + s.id, Run: ptr(int32(1)), Order: ptr(int32(len(out.Steps) + 1)), Technique: s.technique, Fate: trigonev1.StepFate_STEP_FATE_IN_PLACE,
			PlannedStepId: answers, LesionIds: s.lesions,
		}
		out.Steps = append(out.Steps, done)
		return done
	}
	because := word[trigonev1.DeviationReason](d.Differs)
	for _, s := range w.steps(d.Technique, d.ResectionMM, d.StripMM, d.ChordMM, d.Pairs) {
		answers := "p-" + s.id
		if d.Technique != p.Technique && s.id != "chords-a2" || w.c.Received.Plan.IsZero() {
			answers = ""
		}
		done := add(s, answers)
		if d.Technique != p.Technique || d.Pairs != p.Pairs {
			done.Reason = because
		}
	}
	if d.Ring.Label > 0 {
		ring := annuloplasty(d.Ring)
		ring.ImplantedLabel = ptr(d.Ring.Label)
		ring.Sizers = []*trigonev1.SizerTrial{{Label: ptr(d.Ring.Label), Fit: trigonev1.SizerFit_SIZER_FIT_FITS}}
		ring.SutureCount = ptr(int32(13))
		if d.MeasuredRing {
			ring.RingInnerAnteroPosteriorDiameter = mm(d.RingAP)
			ring.RingInnerAnteroPosteriorDiameter.Context = &trigonev1.Context{Method: trigonev1.Method_METHOD_CALLIPER}
		}
		answers := "p-ring"
		if w.c.Received.Plan.IsZero() {
			answers = ""
		}
		done := add(step{id: "ring", technique: &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: ring}}}, answers)
		if d.Ring.Label != p.Ring.Label {
			done.Reason = because
		}
		out.Devices = []*trigonev1.Device{{
			Id: "d-ring", Kind: trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, StepId: "s-ring", Run: ptr(int32(1)), Fate: trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE,
			Maker: "Example Valve Works", Model: "Invented " + d.Ring.Family, Size: strconv.Itoa(int(d.Ring.Label)),
			LotNumber: "LOT-" + w.d.Name(w.c), SerialNumber: "SN-" + w.d.Name(w.c),
		}}
		out.DevicesRecorded = complete
	}
	switch {
	case t.Conversion != "":
		w.converted(out)
	case t.FurtherRun == "residual_regurgitation":
		s := add(step{id: "indentation", technique: &trigonev1.Technique{Kind: &trigonev1.Technique_CleftClosure{CleftClosure: &trigonev1.CleftClosure{
			Location: &trigonev1.Location{At: &trigonev1.Location_Boundary{Boundary: trigonev1.Boundary_BOUNDARY_P2_P3}}, ClosureLength: mm(6),
		}}}}, "")
		s.Run, s.Order, s.Reason = ptr(int32(2)), ptr(int32(1)), trigonev1.DeviationReason_DEVIATION_REASON_TEST_FAILED
	case t.FurtherRun == "anterior_motion":
		s := add(step{id: "lower", technique: &trigonev1.Technique{Kind: &trigonev1.Technique_HeightReduction{HeightReduction: &trigonev1.HeightReduction{
			Segments: []trigonev1.Segment{segment("p2")}, Form: trigonev1.HeightReductionForm_HEIGHT_REDUCTION_FORM_FOLDING, HeightRemoved: mm(3),
		}}}}, "")
		s.Run, s.Order, s.Reason = ptr(int32(2)), ptr(int32(1)), trigonev1.DeviationReason_DEVIATION_REASON_TEST_FAILED
	}
}

// converted writes that the valve was replaced: before weaning in run 1, after it in
// run 2.
func (w writer) converted(out *trigonev1.Operation) {
	t := &w.c.Theatre
	inRun, point := int32(1), trigonev1.ConversionPoint_CONVERSION_POINT_BEFORE_WEANING
	if t.FurtherRun != "" {
		inRun, point = 2, trigonev1.ConversionPoint_CONVERSION_POINT_AFTER_WEANING
	}
	out.Conversion = &trigonev1.Conversion{
		Converted: yes, Point: point, Reason: word[trigonev1.ConversionReason](t.Conversion), Prosthesis: trigonev1.ProsthesisKind_PROSTHESIS_KIND_BIOLOGICAL, ProsthesisLabel: ptr(29.0), ChordsKept: trigonev1.ChordsKept_CHORDS_KEPT_POSTERIOR,
	}
	for _, s := range out.Steps {
		s.Fate, s.TakenDownInRun, s.Reason = trigonev1.StepFate_STEP_FATE_TAKEN_DOWN, ptr(inRun), trigonev1.DeviationReason_DEVIATION_REASON_TEST_FAILED
		out.Conversion.TriedStepIds = append(out.Conversion.TriedStepIds, s.Id)
	}
	for _, device := range out.Devices {
		device.Fate = trigonev1.DeviceFate_DEVICE_FATE_REMOVED
	}
	out.Devices = append(out.Devices, &trigonev1.Device{
		Id: "d-prosthesis", Kind: trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS, Run: ptr(inRun), Fate: trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE,
		Maker: "Example Valve Works", Model: "Invented prosthesis", Size: "29", LotNumber: "LOT-P-" + w.d.Name(w.c), SerialNumber: "SN-P-" + w.d.Name(w.c),
	})
	out.DevicesRecorded = complete
}

// tests fills in heights in the field and the saline test.
func (w writer) tests(out *trigonev1.Operation, k clock) {
	d, v, t := &w.c.Repair, &w.c.Valve, &w.c.Theatre
	station := trigonev1.Station_STATION_SEGMENT_MID
	if v.Segment == "p2" && d.Technique != invent.Chords {
		station = trigonev1.Station_STATION_SEAM
	}
	out.Heights = []*trigonev1.FieldHeights{{
		Run: ptr(int32(1)), Stage: trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK, Time: at(k.unclamp.Add(-25 * time.Minute)),
		Context: &trigonev1.Context{Method: trigonev1.Method_METHOD_RULER, Load: trigonev1.Load_LOAD_ARRESTED, Path: trigonev1.MeasurementPath_MEASUREMENT_PATH_SURFACE},
		Heights: []*trigonev1.LeafletHeight{height("a2", trigonev1.Station_STATION_SEGMENT_MID, v.ReadA2), height("p2", station, d.ReadP2)},
	}}
	leak := trigonev1.SalineLeak_SALINE_LEAK_NONE
	if t.Conversion != "" && t.FurtherRun == "" {
		leak = trigonev1.SalineLeak_SALINE_LEAK_DIFFUSE
	}
	if t.FurtherRun == "residual_regurgitation" && t.LeakSeen {
		leak = trigonev1.SalineLeak_SALINE_LEAK_DISCRETE
	}
	out.SalineTests = []*trigonev1.SalineTest{{
		Id: "saline-1", Run: ptr(int32(1)), Stage: trigonev1.Stage_STAGE_AFTER_RING, Time: at(k.unclamp.Add(-12 * time.Minute)), Performed: yes,
		SalinePressure: mmhg(110), Leak: leak, ClosureLineSymmetric: answer(leak == trigonev1.SalineLeak_SALINE_LEAK_NONE),
	}}
}

// found is what an echo after the repair says.
type found struct {
	grade     string
	contact   float64 // 0: not told
	gradient  float64
	rate      float64
	motion    *trigonev1.AnteriorMotion
	mechanism string
	fraction  float64
}

func (w writer) study(when time.Time, observer string, f found) *trigonev1.Study {
	peak := round(2.3*f.gradient+0.4, 0.1)
	if w.c.Theatre.Slip == invent.SlipPeak && observer == "echo-2" {
		peak = round(0.6*f.gradient, 0.1)
	}
	s := &trigonev1.Study{
		Time: at(when), Context: echoContext(observer),
		Regurgitation: &trigonev1.Regurgitation{Grade: grade(f.grade)},
		Chambers: &trigonev1.Chambers{
			LeftVentricularEndDiastolicVolume: ml(round(0.87*w.c.Valve.EDV, 1)), LeftVentricularEndSystolicVolume: ml(round(0.87*w.c.Valve.EDV*(1-f.fraction/100), 1)),
			StatedLeftVentricularEjectionFraction: percent(f.fraction), WallMotionRecorded: complete,
		},
		Gradient:       &trigonev1.Gradient{MeanGradient: gradient(f.gradient), PeakGradient: gradient(peak), GradientHeartRate: rate(f.rate)},
		OtherValves:    &trigonev1.OtherValves{AorticRegurgitation: grade(invent.None), TricuspidRegurgitation: grade(w.c.Valve.TricuspidGrade)},
		AnteriorMotion: f.motion,
		Haemodynamics:  w.haemodynamics(116),
	}
	if f.mechanism != "" {
		s.Regurgitation.Mechanisms = []trigonev1.RegurgitationMechanism{word[trigonev1.RegurgitationMechanism](f.mechanism)}
		s.Regurgitation.MechanismsRecorded = complete
	}
	s.Haemodynamics.HeartRate = rate(f.rate)
	if f.contact > 0 {
		s.Leaflets = &trigonev1.Leaflets{Coaptation: []*trigonev1.Coaptation{{
			Slice: trigonev1.Slice_SLICE_A2_P2, CoaptationLength: mm(f.contact), CoaptationDepth: mm(w.c.Repair.Depth), AnteriorClosureShare: percent(w.c.Repair.ClosureShare),
		}}}
	}
	return s
}

func noMotion() *trigonev1.AnteriorMotion {
	return &trigonev1.AnteriorMotion{State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE, OutflowTractGradient: gradient(7)}
}

func (w writer) motion() *trigonev1.AnteriorMotion {
	if !w.c.Theatre.AnteriorMotion {
		return noMotion()
	}
	out := &trigonev1.AnteriorMotion{
		State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_LEAFLET_WITH_OBSTRUCTION, OutflowTractGradient: gradient(44), RegurgitationWithMotion: grade(invent.Moderate),
		Manoeuvres: []*trigonev1.Manoeuvre{
			{Kind: trigonev1.ManoeuvreKind_MANOEUVRE_KIND_VOLUME, Result: trigonev1.ManoeuvreResult_MANOEUVRE_RESULT_IMPROVED},
			{Kind: trigonev1.ManoeuvreKind_MANOEUVRE_KIND_VASOPRESSOR, Result: trigonev1.ManoeuvreResult_MANOEUVRE_RESULT_RESOLVED},
		},
		End: trigonev1.AnteriorMotionEnd_ANTERIOR_MOTION_END_RESOLVED,
	}
	if w.c.Theatre.FurtherRun != "" {
		out.Manoeuvres[1].Result, out.End = trigonev1.ManoeuvreResult_MANOEUVRE_RESULT_UNCHANGED, trigonev1.AnteriorMotionEnd_ANTERIOR_MOTION_END_RETURNED_TO_BYPASS
	}
	return out
}

func mechanismOf(g string) string {
	if g == invent.None {
		return ""
	}
	return "central"
}

func (w writer) results() []*trigonev1.Result {
	t, d, k := &w.c.Theatre, &w.c.Repair, w.clock()
	fraction := w.c.Valve.EjectionFraction - 5
	var list []*trigonev1.Result
	accepted := trigonev1.ResultDecision_RESULT_DECISION_ACCEPTED
	if t.FirstGrade != "" && !t.DiedThere {
		f := found{
			grade: t.FirstGrade, contact: d.OffBypass, gradient: d.Gradient, rate: d.ExitRate + 4, motion: w.motion(), mechanism: mechanismOf(t.FirstGrade), fraction: fraction,
		}
		decision := accepted
		switch {
		case t.FurtherRun != "":
			decision, f.mechanism = trigonev1.ResultDecision_RESULT_DECISION_FURTHER_RUN, "prolapse"
			if t.FurtherRun == "anterior_motion" {
				f.mechanism = "anterior_motion"
			}
		case t.AnteriorMotion:
			decision, f.grade, f.mechanism = trigonev1.ResultDecision_RESULT_DECISION_MEDICAL_FIRST, invent.Moderate, "anterior_motion"
		}
		list = append(list, &trigonev1.Result{
			Id: "off-1", Run: ptr(int32(1)), Stage: trigonev1.Stage_STAGE_OFF_BYPASS, Study: w.study(k.off.Add(12*time.Minute), "echo-2", f), Decision: decision,
		})
	}
	if t.NoExitEcho || t.DiedThere {
		return list
	}
	last, when := int32(1), k.off.Add(50*time.Minute)
	if t.FurtherRun != "" {
		last, when = 2, k.off2.Add(40*time.Minute)
	}
	f := found{grade: t.ExitGrade, contact: d.Exit, gradient: d.ExitGradient, rate: d.ExitRate, motion: noMotion(), mechanism: mechanismOf(t.ExitGrade), fraction: fraction + 1}
	if t.Conversion != "" {
		f.contact = 0
	}
	return append(list, &trigonev1.Result{
		Id: "exit", Run: ptr(last), Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, Study: w.study(when, "echo-2", f), Decision: accepted,
	})
}

func (w writer) discharge() *trigonev1.FollowUp {
	s := &w.c.Stay
	known := w.c.Incision.AddDate(0, 0, s.Days)
	out := &trigonev1.FollowUp{
		Id: "discharge", Kind: trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE, StatusKnownOn: day(known), Lost: no,
		ReinterventionsRecorded: complete, ComplicationsRecorded: complete, ReturnsToTheatreRecorded: complete,
	}
	for i, x := range s.Complications {
		k := word[trigonev1.ComplicationKind](x.Kind)
		n := &trigonev1.Complication{Kind: k, Grade: word[trigonev1.ComplicationGrade](x.Grade), Id: "c-" + strconv.Itoa(i+1), Date: day(w.c.Incision.AddDate(0, 0, x.Day))}
		switch k {
		case trigonev1.ComplicationKind_COMPLICATION_KIND_PACEMAKER:
			n.PacemakerIndication = trigonev1.PacemakerIndication_PACEMAKER_INDICATION_ATRIOVENTRICULAR_BLOCK
		case trigonev1.ComplicationKind_COMPLICATION_KIND_WOUND_INFECTION:
			n.WoundSite = trigonev1.WoundSite_WOUND_SITE_STERNUM
		case trigonev1.ComplicationKind_COMPLICATION_KIND_KIDNEY_INJURY:
			n.NewDialysis = answer(x.Grade == "stage_3")
		case trigonev1.ComplicationKind_COMPLICATION_KIND_BLEEDING:
			out.ReturnsToTheatre = append(out.ReturnsToTheatre, &trigonev1.ReturnToTheatre{Id: "rt-1", Date: n.Date, Reason: trigonev1.ReturnReason_RETURN_REASON_BLEEDING})
		}
		out.Complications = append(out.Complications, n)
	}
	if s.DiedInStay {
		out.VitalStatus, out.DiedOn, out.DeathCause = trigonev1.VitalStatus_VITAL_STATUS_DEAD, day(known), trigonev1.DeathCause_DEATH_CAUSE_CARDIAC
		out.DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_STAY
		if w.c.Theatre.DiedThere {
			out.DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_THEATRE
		}
		return out
	}
	out.VitalStatus = trigonev1.VitalStatus_VITAL_STATUS_ALIVE
	out.Discharge = &trigonev1.Discharge{DischargedOn: day(known), Destination: trigonev1.DischargeDestination_DISCHARGE_DESTINATION_HOME}
	if s.NoEcho {
		out.EchoNotDoneReason = trigonev1.EchoNotDoneReason_ECHO_NOT_DONE_REASON_NOT_SCHEDULED
		return out
	}
	out.EchoOn = day(known)
	out.Study = w.study(known.Add(2*time.Hour), "echo-1", found{
		grade: s.DischargeGrade, gradient: s.Gradient, rate: w.c.Valve.Rate + 6, mechanism: mechanismOf(s.DischargeGrade), fraction: w.c.Valve.EjectionFraction - 3,
		motion: &trigonev1.AnteriorMotion{State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE},
	})
	return out
}

func (w writer) entry(e *invent.Entry) *trigonev1.FollowUp {
	out := &trigonev1.FollowUp{
		Id: e.ID, Kind: word[trigonev1.FollowUpKind](e.Kind), StatusKnownOn: day(e.Known), Lost: answer(e.Lost),
		ReinterventionsRecorded: complete, ComplicationsRecorded: complete,
	}
	switch {
	case e.Lost:
		out.StatusKnownOn, out.ReinterventionsRecorded, out.ComplicationsRecorded = "", 0, 0
		return out
	case e.Dead:
		out.VitalStatus, out.DiedOn, out.DeathCause = trigonev1.VitalStatus_VITAL_STATUS_DEAD, day(e.DiedOn), word[trigonev1.DeathCause](e.Cause)
		out.DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE
		return out
	}
	out.VitalStatus, out.FunctionalClass = trigonev1.VitalStatus_VITAL_STATUS_ALIVE, word[trigonev1.FunctionalClass](e.FunctionalClass)
	if e.Reintervention != "" {
		out.Reinterventions = []*trigonev1.Reintervention{{
			Id: "ri-1", On: day(e.ReinterventionOn), Kind: word[trigonev1.ReinterventionKind](e.Reintervention), Mechanism: trigonev1.RegurgitationMechanism_REGURGITATION_MECHANISM_PROLAPSE,
		}}
	}
	if e.Grade == "" {
		out.EchoNotDoneReason = trigonev1.EchoNotDoneReason_ECHO_NOT_DONE_REASON_NOT_SCHEDULED
		return out
	}
	mechanism := mechanismOf(e.Grade)
	if e.Grade == invent.Moderate || e.Grade == invent.Severe {
		mechanism = "prolapse"
	}
	out.EchoOn = day(e.Known)
	out.Study = w.study(e.Known.Add(2*time.Hour), "echo-1", found{
		grade: e.Grade, gradient: e.Gradient, rate: w.c.Valve.Rate, mechanism: mechanism, fraction: w.c.Valve.EjectionFraction - 1,
		motion: &trigonev1.AnteriorMotion{State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE},
	})
	return out
}
