package fhirtest

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/internal/metric"
	trigonev1 "trigone/proto/trigone/v1"
)

// Draw gives a random history of one to four states. States need not make clinical
// sense; they are such as the contract can hold and an evaluation can say.
func Draw(t *rapid.T) fhirmap.History { return Of(uid, DrawStates(t)...) }

// DrawStates gives one to four random states of one case, the first accepted.
func DrawStates(t *rapid.T) []fhirmap.Snapshot {
	n := rapid.IntRange(1, 4).Draw(t, "states")
	states := make([]fhirmap.Snapshot, n)
	for i := range states {
		states[i] = drawState(t, int64(i+1))
		if i > 0 && rapid.IntRange(0, 9).Draw(t, "retract") == 0 {
			states[i].Case.State = trigonev1.CaseState_CASE_STATE_RETRACTED
		}
	}
	return states
}

func drawEnum[E interface {
	~int32
	Descriptor() protoreflect.EnumDescriptor
}](t *rapid.T, name string) E {
	var zero E
	return E(rapid.IntRange(0, zero.Descriptor().Values().Len()-1).Draw(t, name))
}

func maybe(t *rapid.T, name string) bool { return rapid.Bool().Draw(t, name) }

func drawTime(t *rapid.T) *timestamppb.Timestamp {
	if !maybe(t, "time") {
		return nil
	}
	return &timestamppb.Timestamp{
		Seconds: rapid.Int64Range(0, 4e9).Draw(t, "seconds"), Nanos: rapid.Int32Range(0, 999_999_999).Draw(t, "nanos"),
	}
}

func drawLocation(t *rapid.T) *trigonev1.Location {
	switch rapid.IntRange(0, 4).Draw(t, "location") {
	case 0:
		return &trigonev1.Location{At: &trigonev1.Location_Segment{Segment: drawEnum[trigonev1.Segment](t, "segment")}}
	case 1:
		return &trigonev1.Location{At: &trigonev1.Location_Boundary{Boundary: drawEnum[trigonev1.Boundary](t, "boundary")}}
	case 2:
		return &trigonev1.Location{At: &trigonev1.Location_Commissure{Commissure: drawEnum[trigonev1.Commissure](t, "commissure")}}
	case 3:
		return &trigonev1.Location{At: &trigonev1.Location_Leaflet{Leaflet: drawEnum[trigonev1.Leaflet](t, "leaflet")}}
	}
	return nil
}

func drawTechnique(t *rapid.T) *trigonev1.Technique {
	x := &trigonev1.Technique{}
	switch rapid.IntRange(0, 11).Draw(t, "technique") {
	case 0:
		ring := &trigonev1.Annuloplasty{Kind: drawEnum[trigonev1.AnnuloplastyKind](t, "ring")}
		if maybe(t, "label") {
			ring.ImplantedLabel = proto.Float64(float64(rapid.IntRange(0, 5000).Draw(t, "tenths")) / 10)
			ring.PlannedLabelMin = proto.Float64(float64(rapid.IntRange(26, 34).Draw(t, "planned label")))
			ring.PlannedLabelMax = proto.Float64(30)
			ring.FamilyKey = "family-" + rapid.SampledFrom([]string{"a", "b"}).Draw(t, "family")
		}
		x.Kind = &trigonev1.Technique_Annuloplasty{Annuloplasty: ring}
	case 1:
		return chordsOf(drawEnum[trigonev1.Segment](t, "segment"))
	case 2:
		x.Kind = &trigonev1.Technique_ChordTransfer{ChordTransfer: &trigonev1.ChordTransfer{From: drawLocation(t), To: drawLocation(t)}}
	case 3:
		return cleftOf(drawEnum[trigonev1.Boundary](t, "boundary"))
	case 4:
		x.Kind = &trigonev1.Technique_CommissuralClosure{CommissuralClosure: &trigonev1.CommissuralClosure{Commissure: drawEnum[trigonev1.Commissure](t, "commissure")}}
	case 5:
		x.Kind = &trigonev1.Technique_EdgeToEdge{EdgeToEdge: &trigonev1.EdgeToEdge{Slice: drawEnum[trigonev1.Slice](t, "slice")}}
	case 6:
		x.Kind = &trigonev1.Technique_HeightReduction{HeightReduction: &trigonev1.HeightReduction{Segments: []trigonev1.Segment{drawEnum[trigonev1.Segment](t, "segment")}}}
	case 7:
		return resectionOf(drawEnum[trigonev1.Segment](t, "segment"), drawEnum[trigonev1.Segment](t, "segment"))
	case 8:
		x.Kind = &trigonev1.Technique_Plication{Plication: &trigonev1.Plication{Segments: []trigonev1.Segment{drawEnum[trigonev1.Segment](t, "segment")}}}
	case 9:
		return slidingOf()
	case 10:
		x.Kind = &trigonev1.Technique_FurtherTechnique{FurtherTechnique: &trigonev1.FurtherTechnique{
			Kind: drawEnum[trigonev1.FurtherTechniqueKind](t, "further"), Locations: []*trigonev1.Location{drawLocation(t)},
		}}
	}
	return x
}

var ids = rapid.SampledFrom([]string{"a", "b.1", "C_2", "d-3"})

func drawStudy(t *rapid.T) *trigonev1.Study {
	g := func() *trigonev1.Grade {
		return &trigonev1.Grade{Scheme: drawEnum[trigonev1.GradeScheme](t, "scheme"), Value: drawEnum[trigonev1.GradeValue](t, "grade")}
	}
	s := &trigonev1.Study{
		Time: drawTime(t), Context: &trigonev1.Context{CardiacPhase: drawEnum[trigonev1.CardiacPhase](t, "phase")},
		Regurgitation: &trigonev1.Regurgitation{Grade: g()},
		OtherValves:   &trigonev1.OtherValves{AorticRegurgitation: g()},
		Leaflets:      &trigonev1.Leaflets{Lesions: []*trigonev1.Lesion{{Id: ids.Draw(t, "lesion"), Location: drawLocation(t)}}},
		Annulus:       &trigonev1.Annulus{},
	}
	if maybe(t, "area") {
		s.Annulus.AnnulusArea = &trigonev1.Area{Context: &trigonev1.Context{CardiacPhase: drawEnum[trigonev1.CardiacPhase](t, "own phase")}}
	}
	return s
}

func drawState(t *rapid.T, n int64) fhirmap.Snapshot {
	file := &trigonev1.CaseFile{PatientIdentifier: patient(), Identity: &trigonev1.Identity{}}
	occasions := []string{"identity"}
	for _, id := range rapid.SliceOfNDistinct(ids, 0, 2, rapid.ID[string]).Draw(t, "assessments") {
		file.Assessments = append(file.Assessments, &trigonev1.Assessment{Id: id, Kind: drawEnum[trigonev1.AssessmentKind](t, "kind"), Study: drawStudy(t), Note: Leak})
		occasions = append(occasions, "assessment/"+id)
	}
	var planned []string
	if maybe(t, "plan") {
		file.Plan, planned = drawPlan(t)
		occasions = append(occasions, "plan")
	}
	var steps []string
	if maybe(t, "operation") {
		op := &trigonev1.Operation{
			IncisionTime: drawTime(t), EndTime: drawTime(t), LeftTheatreAlive: drawEnum[trigonev1.Answer](t, "alive"), Note: Leak,
			Heights: []*trigonev1.FieldHeights{{Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_AFTER_RING, Time: drawTime(t)}},
		}
		steps = rapid.SliceOfNDistinct(ids, 0, 4, rapid.ID[string]).Draw(t, "steps")
		for _, id := range steps {
			op.Steps = append(op.Steps, &trigonev1.PerformedStep{
				Id: id, Technique: drawTechnique(t), Fate: drawEnum[trigonev1.StepFate](t, "fate"),
				Reason: drawEnum[trigonev1.DeviationReason](t, "reason"), ReasonText: Leak,
				PlannedStepId: rapid.SampledFrom([]string{"", "", "a", "b.1"}).Draw(t, "link"),
			})
		}
		if maybe(t, "conversion") {
			op.Conversion = &trigonev1.Conversion{
				Converted: drawEnum[trigonev1.Answer](t, "converted"), Reason: drawEnum[trigonev1.ConversionReason](t, "why"),
				Prosthesis: drawEnum[trigonev1.ProsthesisKind](t, "prosthesis"), Point: drawEnum[trigonev1.ConversionPoint](t, "point"),
			}
		}
		drawTheatre(t, op, steps)
		file.Operation = op
		occasions = append(occasions, "operation", "operation/run1/after_ring", "operation/native")
	}
	for _, id := range rapid.SliceOfNDistinct(ids, 0, 2, rapid.ID[string]).Draw(t, "results") {
		file.Results = append(file.Results, &trigonev1.Result{Id: id, Stage: drawEnum[trigonev1.Stage](t, "stage"), Study: drawStudy(t)})
		occasions = append(occasions, "result/"+id)
	}
	if maybe(t, "follow up") {
		file.FollowUps = []*trigonev1.FollowUp{{
			Id: "later", Kind: trigonev1.FollowUpKind(rapid.Int32Range(0, 5).Draw(t, "kind of follow-up")), EchoOn: rapid.SampledFrom([]string{"", "2027-01-31"}).Draw(t, "echo"), Study: drawStudy(t),
		}}
		drawEvents(t, file.FollowUps[0])
		occasions = append(occasions, "follow_up/later")
	}
	ev := &trigonev1.Evaluation{
		PlanInForce: &trigonev1.PlanInForce{Revision: rapid.Int64Range(0, 2).Draw(t, "revision"), Timing: rapid.SampledFrom([]trigonev1.PlanTiming{
			trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE, trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL,
			trigonev1.PlanTiming_PLAN_TIMING_UNSIGNED, trigonev1.PlanTiming_PLAN_TIMING_NO_PLAN,
		}).Draw(t, "timing")},
		Metrics: drawValues(t, occasions, append(steps, planned...)),
	}
	for range rapid.IntRange(0, 3).Draw(t, "findings") {
		f := &trigonev1.Finding{
			Id: ids.Draw(t, "finding"), Rule: "perimeter-too-short-for-area", Severity: drawEnum[trigonev1.Severity](t, "severity"),
			Sections: []string{rapid.SampledFrom(occasions).Draw(t, "held by")},
			Message:  "invented: <a> & \"b\" ≥ 1 mm", Occasion: rapid.SampledFrom(occasions).Draw(t, "of"),
		}
		for _, v := range ev.Metrics {
			if maybe(t, "disputes") {
				f.Disputes = append(f.Disputes, inputOf(v))
			}
			f.Inputs = append(f.Inputs, inputOf(v))
		}
		for range rapid.IntRange(0, 2).Draw(t, "limits") {
			f.Limits = append(f.Limits, &trigonev1.AppliedLimit{
				Threshold: rapid.SampledFrom([]string{"mean_gradient_high", "coaptation_short", "leaflet_length_margin"}).Draw(t, "limit"),
				Value:     float64(rapid.IntRange(0, 40).Draw(t, "halves")) / 2, Inclusive: maybe(t, "inclusive"),
			})
		}
		ev.Findings = append(ev.Findings, f)
	}
	var roots []string // none stands under itself
	for range rapid.IntRange(0, 3).Draw(t, "discrepancies") {
		if n := len(ev.Discrepancies); n > 0 {
			roots = append(roots, fmt.Sprint("d", n-1))
		}
		ev.Discrepancies = append(ev.Discrepancies, &trigonev1.Discrepancy{
			Id: fmt.Sprint("d", len(ev.Discrepancies)), Class: rapid.SampledFrom([]string{"step_omitted", "conversion", "step_added", "target_missed", "ring_size", "unheard_of"}).Draw(t, "class"),
			Verdict: rapid.SampledFrom([]trigonev1.DiscrepancyVerdict{
				trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE,
			}).Draw(t, "verdict"),
			PlannedStepId: ids.Draw(t, "omitted"), PerformedStepId: rapid.SampledFrom([]string{"", "a", "b.1"}).Draw(t, "performed"),
			Occasion: rapid.SampledFrom(occasions).Draw(t, "found at"), JudgedBy: drawEnum[trigonev1.JudgedBy](t, "judged by"),
			Stage: drawEnum[trigonev1.Stage](t, "stage of difference"), Method: drawEnum[trigonev1.Method](t, "method of difference"),
			Reason: rapid.SampledFrom([]string{"", "anatomy", "DEVIATION_REASON_SUPPLY", "something else"}).Draw(t, "reason"),
			Parent: rapid.SampledFrom(append([]string{"", "d9"}, roots...)).Draw(t, "parent"), PlanRevised: maybe(t, "revised"),
		})
		if d := ev.Discrepancies[len(ev.Discrepancies)-1]; len(ev.Metrics) > 0 && maybe(t, "numbers") {
			v := rapid.SampledFrom(ev.Metrics).Draw(t, "compared")
			d.Metric, d.Place, d.Occasion, d.Unit = v.GetMetric(), v.GetPlace(), v.GetOccasion(), v.GetUnit()
			d.Difference, d.Tolerance = proto.Float64(1.5), proto.Float64(0.30000000000000004)
		}
	}
	s := snapshot(n, file, ev, map[string]int64{"plan": rapid.Int64Range(1, 2).Draw(t, "head")})
	ev.CatalogueVersion = rapid.SampledFrom([]string{"1", "1", "2"}).Draw(t, "catalogue")
	for _, status := range s.Case.Sections {
		if rapid.IntRange(0, 9).Draw(t, "retracted") == 0 && status.GetSection() != "identity" {
			status.State = trigonev1.SectionState_SECTION_STATE_RETRACTED
		}
	}
	return s
}

// drawPlan gives a plan of up to two steps and up to three aims, and its steps' ids.
func drawPlan(t *rapid.T) (*trigonev1.Plan, []string) {
	plan := &trigonev1.Plan{
		SignedTime: drawTime(t), Rationale: Leak, Indication: &trigonev1.Indication{Aetiology: drawEnum[trigonev1.Aetiology](t, "aetiology")},
		AssessmentIds: []string{ids.Draw(t, "rests on")},
	}
	steps := rapid.SliceOfNDistinct(ids, 0, 2, rapid.ID[string]).Draw(t, "planned")
	for _, id := range steps {
		plan.Steps = append(plan.Steps, &trigonev1.PlannedStep{
			Id: id, Technique: drawTechnique(t), Rationale: Leak, AlternativeOf: rapid.SampledFrom([]string{"", "a"}).Draw(t, "instead"),
			Condition:      &trigonev1.StepCondition{Kind: drawEnum[trigonev1.StepConditionKind](t, "condition"), Text: Leak},
			ExpectedEffect: drawEnum[trigonev1.ExpectedEffect](t, "effect"),
		})
	}
	end := func(name string) *float64 {
		if !maybe(t, name) {
			return nil
		}
		return proto.Float64(float64(rapid.IntRange(0, 60).Draw(t, "quarters")) / 4)
	}
	for _, id := range rapid.SliceOfNDistinct(ids, 0, 3, rapid.ID[string]).Draw(t, "aims") {
		x := &trigonev1.Target{Id: id, Stage: drawEnum[trigonev1.Stage](t, "judged at"), Method: drawEnum[trigonev1.Method](t, "judged by")}
		low, high := end("low"), end("high")
		switch rapid.IntRange(0, 4).Draw(t, "aim") {
		case 0:
			x.Aim = &trigonev1.Target_CoaptationLength{CoaptationLength: &trigonev1.CoaptationTarget{
				Slice: drawEnum[trigonev1.Slice](t, "slice"), Range: &trigonev1.LengthRange{MinMm: low, MaxMm: high},
			}}
		case 1:
			x.Aim = &trigonev1.Target_MeanGradient{MeanGradient: &trigonev1.PressureRange{MinMmhg: low, MaxMmhg: high}}
		case 2:
			x.Aim = &trigonev1.Target_RegurgitationGradeAtMost{RegurgitationGradeAtMost: &trigonev1.Grade{
				Scheme: drawEnum[trigonev1.GradeScheme](t, "scheme"), Value: drawEnum[trigonev1.GradeValue](t, "grade"),
			}}
		case 3:
			x.Aim = &trigonev1.Target_LeafletHeight{LeafletHeight: &trigonev1.HeightTarget{
				Segment: drawEnum[trigonev1.Segment](t, "segment"), Station: drawEnum[trigonev1.Station](t, "station"),
				Range: &trigonev1.LengthRange{MinMm: low, MaxMm: high},
			}}
		}
		plan.Targets = append(plan.Targets, x)
	}
	return plan, steps
}

// drawValues gives values of leaves and metrics under distinct keys.
func drawValues(t *rapid.T, occasions, steps []string) []*trigonev1.MetricValue {
	places := []string{"", "p2", "p2/seam", "a2/segment_mid", "p1_p2", "lateral_commissure", "posterior", "a2_p2", "medial_side", "test:t1", "test:t1/p3", "lesion:a", "lesion:d-3"}
	for _, id := range steps {
		places = append(places, "step:"+id, "step:"+id+"/lateral_side")
	}
	leaves, metrics := metric.Leaves(), metric.Metrics()
	var values []*trigonev1.MetricValue
	for range rapid.IntRange(0, 25).Draw(t, "values") {
		v := &trigonev1.MetricValue{
			Occasion: rapid.SampledFrom(occasions).Draw(t, "occasion"), Place: rapid.SampledFrom(places).Draw(t, "place"),
			State: drawEnum[trigonev1.MetricState](t, "state"), Method: drawEnum[trigonev1.Method](t, "method"),
			Stage: drawEnum[trigonev1.Stage](t, "stage of value"), Run: rapid.Int32Range(0, 3).Draw(t, "run"),
			AbsentReason: drawEnum[trigonev1.AbsentReason](t, "absent"), Explanation: "invented",
		}
		grid := 0.0
		if maybe(t, "leaf") || len(metrics) == 0 {
			l := rapid.SampledFrom(leaves).Draw(t, "leaf id")
			v.Metric, v.Unit, grid = string(l.ID), l.Unit.UCUM(), l.Grid
			v.Role = rapid.SampledFrom([]trigonev1.MetricRole{measured, planned}).Draw(t, "leaf role")
			if v.Role == planned {
				v.Occasion = "plan"
			}
		} else {
			m := rapid.SampledFrom(metrics).Draw(t, "metric id")
			v.Metric, v.Unit, grid = string(m.ID), m.Unit.UCUM(), m.Grid
			v.Role = rapid.SampledFrom([]trigonev1.MetricRole{derived, fromPlan, fromExecution}).Draw(t, "metric role")
		}
		if v.State == trigonev1.MetricState_METRIC_STATE_VALUE || v.State == trigonev1.MetricState_METRIC_STATE_DISPUTED {
			x := float64(rapid.IntRange(-50, 5000).Draw(t, "steps")) * grid
			v.Value = proto.Float64(x)
			if maybe(t, "interval") {
				v.Lower, v.Upper = proto.Float64(x-3*grid), proto.Float64(x+7*grid)
				v.StandardUncertainty = proto.Float64(2.5 * grid)
			}
			v.Band = rapid.SampledFrom([]string{"", "severe", "of another catalogue"}).Draw(t, "band")
		}
		if slices.ContainsFunc(values, func(o *trigonev1.MetricValue) bool {
			return o.Metric == v.Metric && o.Place == v.Place && o.Occasion == v.Occasion && o.Role == v.Role
		}) {
			continue
		}
		for _, in := range values {
			if v.Role != measured && v.Role != planned && in.Role != v.Role && maybe(t, "input") {
				v.Inputs = append(v.Inputs, inputOf(in))
			}
		}
		values = append(values, v)
	}
	return values
}

var dates = rapid.SampledFrom([]string{"", "2027-01-31", "2027-02-28"})

func drawComplications(t *rapid.T) []*trigonev1.Complication {
	var list []*trigonev1.Complication
	for _, id := range rapid.SliceOfN(rapid.SampledFrom([]string{"", "", "c-1", "c-2"}), 0, 2).Draw(t, "complications") {
		list = append(list, &trigonev1.Complication{
			Id: id, Kind: drawEnum[trigonev1.ComplicationKind](t, "complication"), Date: dates.Draw(t, "happened"), Grade: drawEnum[trigonev1.ComplicationGrade](t, "grade of it"),
			Definition:  &trigonev1.OutcomeDefinition{Key: rapid.SampledFrom([]string{"", "own.rule", "stroke"}).Draw(t, "definition"), Version: rapid.SampledFrom([]string{"", "1", "v2"}).Draw(t, "its version")},
			NewDialysis: drawEnum[trigonev1.Answer](t, "dialysis"), PacemakerIndication: drawEnum[trigonev1.PacemakerIndication](t, "pacemaker"), WoundSite: drawEnum[trigonev1.WoundSite](t, "wound"),
		})
	}
	return list
}

// drawTheatre adds who operated, what was implanted and what was done beside the
// repair.
func drawTheatre(t *rapid.T, op *trigonev1.Operation, steps []string) {
	if !maybe(t, "theatre") {
		return
	}
	op.Setting = &trigonev1.CaseSetting{
		Urgency: drawEnum[trigonev1.Urgency](t, "urgency"), Approach: drawEnum[trigonev1.Approach](t, "approach"), Complexity: drawEnum[trigonev1.Complexity](t, "complexity"),
		Operators: []*trigonev1.Operator{{
			Pseudonym: rapid.SampledFrom([]string{"", "operator-9"}).Draw(t, "operator"), Role: drawEnum[trigonev1.OperatorRole](t, "role of operator"), StepIds: steps,
		}},
	}
	if maybe(t, "stay") {
		op.Admission = &trigonev1.Admission{EncounterIdentifier: &trigonev1.Identifier{System: "urn:oid:2.999.3", Value: "STAY-0002"}}
	}
	of := rapid.SampledFrom(append([]string{"", "z"}, steps...))
	for _, id := range rapid.SliceOfNDistinct(ids, 0, 3, rapid.ID[string]).Draw(t, "devices") {
		op.Devices = append(op.Devices, &trigonev1.Device{
			Id: id, Kind: drawEnum[trigonev1.DeviceKind](t, "device"), StepId: of.Draw(t, "of step"), Fate: drawEnum[trigonev1.DeviceFate](t, "fate of device"),
			Maker: rapid.SampledFrom([]string{"", "Invented Rings Ltd"}).Draw(t, "maker"), Size: rapid.SampledFrom([]string{"", "32", "medium-long"}).Draw(t, "size"),
			LotNumber: rapid.SampledFrom([]string{"", "LOT-77009"}).Draw(t, "lot"), SerialNumber: rapid.SampledFrom([]string{"", "SER-880009"}).Draw(t, "serial"),
			UniqueDeviceIdentification: rapid.SampledFrom([]string{"", "(01)00000000000024(21)SER-880009", "INVENTED-CARRIER-2"}).Draw(t, "carrier"), ExpiresOn: dates.Draw(t, "expires"),
		})
	}
	for range rapid.IntRange(0, 3).Draw(t, "concomitant") {
		op.ConcomitantProcedures = append(op.ConcomitantProcedures, &trigonev1.ConcomitantProcedure{
			Kind: drawEnum[trigonev1.ConcomitantKind](t, "beside"), Planned: drawEnum[trigonev1.Answer](t, "was planned"),
		})
	}
	for range rapid.IntRange(0, 2).Draw(t, "declined") {
		op.DeclinedProcedures = append(op.DeclinedProcedures, &trigonev1.DeclinedProcedure{
			Kind: drawEnum[trigonev1.ConcomitantKind](t, "not done"), Reason: drawEnum[trigonev1.DeclineReason](t, "why not"), ReasonText: Leak,
		})
	}
	op.Complications = drawComplications(t)
	op.ComplicationsRecorded = drawEnum[trigonev1.Recorded](t, "all of them")
}

// drawEvents adds what is known after leaving theatre.
func drawEvents(t *rapid.T, u *trigonev1.FollowUp) {
	if !maybe(t, "events") {
		return
	}
	u.StatusKnownOn, u.VitalStatus, u.Lost = dates.Draw(t, "known on"), drawEnum[trigonev1.VitalStatus](t, "alive then"), drawEnum[trigonev1.Answer](t, "lost")
	if u.GetVitalStatus() == trigonev1.VitalStatus_VITAL_STATUS_DEAD {
		u.DiedOn, u.DeathCause, u.DeathPlace = dates.Draw(t, "died"), drawEnum[trigonev1.DeathCause](t, "of"), drawEnum[trigonev1.DeathPlace](t, "where")
	}
	u.FunctionalClass, u.Rhythm = drawEnum[trigonev1.FunctionalClass](t, "class"), drawEnum[trigonev1.Rhythm](t, "rhythm")
	if maybe(t, "discharge") {
		u.Discharge = &trigonev1.Discharge{DischargedOn: dates.Draw(t, "left"), Destination: drawEnum[trigonev1.DischargeDestination](t, "to")}
	}
	u.Complications = drawComplications(t)
	for range rapid.IntRange(0, 2).Draw(t, "again") {
		u.Reinterventions = append(u.Reinterventions, &trigonev1.Reintervention{
			On: dates.Draw(t, "on"), Kind: drawEnum[trigonev1.ReinterventionKind](t, "reintervention"), Mechanism: drawEnum[trigonev1.RegurgitationMechanism](t, "for"),
		})
		u.ReturnsToTheatre = append(u.ReturnsToTheatre, &trigonev1.ReturnToTheatre{Date: dates.Draw(t, "returned"), Reason: drawEnum[trigonev1.ReturnReason](t, "returned for"), ReasonText: Leak})
		u.Readmissions = append(u.Readmissions, &trigonev1.Readmission{
			AdmittedOn: dates.Draw(t, "readmitted"), Unplanned: drawEnum[trigonev1.Answer](t, "unplanned"), Cause: drawEnum[trigonev1.ReadmissionCause](t, "because of"),
		})
	}
}
