package convert

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// eachField visits every field of the messages reachable from a case file, once
// for each path of types.
func eachField(visit func(fd protoreflect.FieldDescriptor)) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(md protoreflect.MessageDescriptor)
	walk = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] {
			return
		}
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			visit(fd)
			if fd.Message() != nil && strings.HasPrefix(string(fd.Message().FullName()), "trigone.") {
				walk(fd.Message())
			}
		}
	}
	walk((&trigonev1.CaseFile{}).ProtoReflect().Descriptor())
}

func isQuantity(fd protoreflect.FieldDescriptor) bool {
	if fd.Message() == nil {
		return false
	}
	_, ok := quantities[fd.Message().FullName()]
	return ok
}

// Absent is not zero: every number that is measured or counted has presence.
// The exceptions are named with the reason.
func TestNumbersHavePresence(t *testing.T) {
	always := map[protoreflect.FullName]string{
		"trigone.v1.PumpRun.number":            "it is the run's id and always given",
		"trigone.v1.SectionRevision.revision":  "an answer, always set",
		"trigone.v1.Evaluation.number":         "an answer; 0 says that it was not stored",
		"trigone.v1.PlanInForce.revision":      "an answer; 0 says that there is none",
		"trigone.v1.MetricValue.run":           "an answer; 0 says that there is none",
		"trigone.v1.Finding.run":               "an answer; 0 says that there is none",
		"trigone.v1.Discrepancy.run":           "an answer; 0 says that there is none",
		"trigone.v1.Comparison.run":            "an answer; 0 says that there is none",
		"trigone.v1.Comparison.formula_number": "an answer, always set",
		"trigone.v1.InputValue.value":          "an answer, always set",
		"trigone.v1.AppliedLimit.value":        "an answer, always set",
		"trigone.v1.AnnulusShape.contour_mm":   "a list",
		"trigone.v1.LeafletPoints.points_mm":   "a list",
		"trigone.v1.LeafletPoints.triangles":   "a list",
	}
	quantitiesSeen := map[protoreflect.FullName]bool{}
	eachField(func(fd protoreflect.FieldDescriptor) {
		switch fd.Kind() {
		case protoreflect.DoubleKind, protoreflect.Int32Kind, protoreflect.Int64Kind, protoreflect.FloatKind:
			if _, listed := always[fd.FullName()]; !fd.HasPresence() && !listed && !fd.IsList() {
				t.Errorf("%s has no presence: declare it optional", fd.FullName())
			}
		case protoreflect.BoolKind:
			if !strings.HasPrefix(string(fd.FullName()), "trigone.v1.Finding.") && !strings.HasPrefix(string(fd.FullName()), "trigone.v1.Discrepancy.") &&
				!strings.HasPrefix(string(fd.FullName()), "trigone.v1.Comparison.") &&
				!strings.HasPrefix(string(fd.FullName()), "trigone.v1.AppliedLimit.") && !strings.HasPrefix(string(fd.FullName()), "trigone.v1.FreedomRange.") {
				t.Errorf("%s is a bool: a fact that may be unknown is an Answer", fd.FullName())
			}
		}
		if isQuantity(fd) {
			quantitiesSeen[fd.Message().FullName()] = true
		}
	})
	for name := range quantities {
		if name != "trigone.v1.Ratio" && !quantitiesSeen[name] {
			t.Errorf("quantity %s is used by no field", name)
		}
	}
}

// A field of the contract that holds a quantity is a row of the leaves table, of
// the same kind, and every row is a field.
func TestFieldsAndLeavesAgree(t *testing.T) {
	fields := map[valve.ID]string{valve.BodyHeight: "BodyHeight", valve.BodyWeight: "BodyWeight"}
	eachField(func(fd protoreflect.FieldDescriptor) {
		if !isQuantity(fd) {
			return
		}
		id, kind := valve.ID(fd.Name()), string(fd.Message().Name())
		if other, have := fields[id]; have && other != kind {
			t.Errorf("%s is a %s here and a %s elsewhere", fd.FullName(), kind, other)
		}
		fields[id] = kind
		leaf, ok := metric.LeafByID(id)
		if !ok {
			t.Errorf("%s has no row in the leaves table", fd.FullName())
			return
		}
		if leaf.Unit.Kind() != kind {
			t.Errorf("%s is a %s, its leaf a %s", fd.FullName(), kind, leaf.Unit.Kind())
		}
	})
	for _, l := range metric.Leaves() {
		if _, ok := fields[l.ID]; !ok {
			t.Errorf("leaf %s is no field of the contract", l.ID)
		}
	}
}

// setAlone visits every field below a message: with the field set, and without
// it but with everything around it and the quantities beside it.
func setAlone(root protoreflect.MessageType, prefix string, visit func(path string, with, without proto.Message)) {
	var walk func(path []protoreflect.FieldDescriptor, md protoreflect.MessageDescriptor)
	walk = func(path []protoreflect.FieldDescriptor, md protoreflect.MessageDescriptor) {
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			next := append(slices.Clone(path), fd)
			if fd.Message() != nil && !isQuantity(fd) && fd.Message().FullName() != "google.protobuf.Timestamp" {
				switch fd.Message().FullName() {
				case "trigone.v1.Context", "trigone.v1.Evaluation", "trigone.v1.Identifier":
					continue
				}
				walk(next, fd.Message())
				continue
			}
			with, without := root.New(), root.New()
			set(with, next, true)
			set(without, next, false)
			visit(prefix+pathText(next), with.Interface(), without.Interface())
		}
	}
	walk(nil, root.Descriptor())
}

func pathText(path []protoreflect.FieldDescriptor) string {
	var names []string
	for _, fd := range path {
		names = append(names, string(fd.Name()))
	}
	return strings.Join(names, ".")
}

func set(m protoreflect.Message, path []protoreflect.FieldDescriptor, last bool) {
	fd := path[0]
	if len(path) > 1 {
		if fd.IsList() {
			set(m.Mutable(fd).List().AppendMutable().Message(), path[1:], last)
			return
		}
		set(m.Mutable(fd).Message(), path[1:], last)
		return
	}
	for i := range m.Descriptor().Fields().Len() {
		if beside := m.Descriptor().Fields().Get(i); beside != fd && isQuantity(beside) && !beside.IsList() {
			m.Set(beside, sample(m, beside))
		}
	}
	switch {
	case !last:
	case fd.IsPacked() && fd.Kind() != protoreflect.EnumKind:
		for range numbersOfPoint { // a point or a triangle is three numbers
			m.Mutable(fd).List().Append(sample(m, fd))
		}
	case fd.IsList():
		m.Mutable(fd).List().Append(sample(m, fd))
	default:
		m.Set(fd, sample(m, fd))
	}
}

const sampleNumber = 7

func sample(m protoreflect.Message, fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(fd.Enum().Values().Get(min(3, fd.Enum().Values().Len()-1)).Number())
	case protoreflect.StringKind:
		return protoreflect.ValueOfString("2026-01-01")
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(sampleNumber)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(7)
	case protoreflect.MessageKind:
		var q protoreflect.Message
		if fd.IsList() {
			q = m.NewField(fd).List().NewElement().Message()
		} else {
			q = m.NewField(fd).Message()
		}
		if name, ok := quantities[fd.Message().FullName()]; ok {
			q.Set(q.Descriptor().Fields().ByName(name), protoreflect.ValueOfFloat64(sampleNumber))
		} else {
			q.Set(q.Descriptor().Fields().ByName("seconds"), protoreflect.ValueOfInt64(1_770_000_000))
		}
		return protoreflect.ValueOfMessage(q)
	}
	return protoreflect.Value{}
}

// recordOnly are the facts of the contract that no formula, rule or comparison
// reads. They are stored and returned; the reason says why that is enough.
var recordOnly = map[string]string{
	"assessments.note":       "free text",
	"results.decision_text":  "free text",
	"follow_ups.note":        "free text",
	"follow_ups.death_cause": "for the audit of outcomes", "follow_ups.lost": "for the audit of outcomes",
	"follow_ups.functional_class":       "for the audit of outcomes",
	"follow_ups.complications_recorded": "for the audit of outcomes", "follow_ups.reinterventions_recorded": "for the audit of outcomes",
	"follow_ups.reinterventions.mechanism": "for the audit of outcomes",
	"plan.context":                         "said by the signer, judged by nobody",
	"plan.reference_segment":               "a technique's note",
	"plan.rationale":                       "free text", "plan.steps.rationale": "free text", "plan.steps.condition.text": "free text",
	"operation.note":             "free text",
	"operation.steps.advice_ids": "says what was read while operating; the advice itself is judged by nobody",
	"operation.runs.reason_text": "free text", "operation.steps.reason_text": "free text", "operation.conversion.reason_text": "free text",
	"operation.conversion.prosthesis": "for the record; a replacement is not judged", "operation.conversion.prosthesis_label": "for the record; a replacement is not judged",
	"operation.conversion.chords_kept":         "for the record; a replacement is not judged",
	"operation.conversion.paraprosthetic_leak": "for the record; a replacement is not judged",
	"operation.concomitant_procedures.planned": "for the record", "operation.complications_recorded": "for the audit of outcomes",
	"operation.saline_tests.not_done_reason": "for the record", "operation.ink_tests.not_done_reason": "for the record",
	"identity.height_on": "for FHIR", "identity.weight_on": "for FHIR",
	"plan.indication.text":                       "free text",
	"operation.concomitant_procedures.tricuspid": "for the note and the facts; that it was done is what is judged",
	"operation.concomitant_procedures.ablation":  "for the note and the facts; that it was done is what is judged",
	"operation.concomitant_procedures.appendage": "for the note and the facts; that it was done is what is judged",
	"operation.concomitant_procedures.coronary":  "for the note and the facts",
	"operation.declined_procedures.reason":       "any reason is an answer", "operation.declined_procedures.reason_text": "free text",
	"operation.accepted_lesions.reason_text": "free text", "operation.runs.protection.solution": "for the note",
	"operation.runs.protection.routes": "for the note", "operation.cannulation": "for the note and the facts",
	"operation.support": "for the note and the audit of outcomes", "operation.support_recorded": "for the note and the audit of outcomes",
	"operation.blood": "for the note and the audit of outcomes", "operation.report": "words of the surgeon for the note",
	"follow_ups.rhythm": "for the audit of outcomes", "follow_ups.paced": "for the audit of outcomes",
	"follow_ups.antithrombotics": "for the audit of outcomes", "follow_ups.antithrombotics_recorded": "for the audit of outcomes",
	"follow_ups.intensive_care": "for the audit of outcomes",
	"operation.admission":       "for the audit of outcomes", "operation.approach_change": "describes the operation; for the note and the audit's filters",
	"operation.devices": "which piece was implanted, for the note and recalls; its dimensions stand in the step", "operation.devices_recorded": "for the note and recalls",
	"follow_ups.death_place": "for the audit of outcomes", "follow_ups.discharge": "for the audit of outcomes",
	"follow_ups.returns_to_theatre": "for the audit of outcomes", "follow_ups.returns_to_theatre_recorded": "for the audit of outcomes",
	"follow_ups.readmissions.id": "for the audit of outcomes", "follow_ups.readmissions.unplanned": "for the audit of outcomes",
	"follow_ups.readmissions_recorded": "for the audit of outcomes",
	"follow_ups.reinterventions.id":    "names the event in the audit of outcomes",
}

// Of a complication only its kind and its day are reasoned about.
func init() {
	for _, list := range []string{"follow_ups.complications.", "operation.complications."} {
		for _, field := range []string{
			"id", "grade", "definition.key", "definition.version", "new_dialysis", "dialysis_at_discharge", "pacemaker_indication", "wound_site",
		} {
			recordOnly[list+field] = "for the audit of outcomes"
		}
	}
}

// recordOnlySetting are facts of the setting, of a plan and of an operation, that
// nothing reads.
var recordOnlySetting = map[string]string{
	"approach": "for the audit's filters", "urgency": "for the audit's filters", "previous_cardiac_surgery": "for the audit's filters",
	"previous_case": "for the audit's filters", "operators": "for the audit's filters", "coronary_dominance": "for the audit's filters",
	"complexity": "for the audit's filters", "expected_risks": "for the audit of outcomes", "risk_factors": "for the audit of outcomes",
	"previous_procedures": "for the note and the facts", "previous_procedures_recorded": "for the note and the facts",
	"intended_procedure.stated_by": "for the note and the audit's denominators", "intended_procedure.stated_time": "for the note and the audit's denominators",
}

// recordOnlyStudy are facts of a study that nothing reads, wherever it stands.
var recordOnlyStudy = map[string]string{
	"regurgitation.jets.wall_impinging": "describes the picture", "regurgitation.jets_recorded": "describes the picture",
	"regurgitation.pulmonary_vein_flow": "a sign, not graded alone", "regurgitation.envelope_density": "a sign, not graded alone",
	"regurgitation.envelope_shape": "a sign, not graded alone", "annulus.calcified_at": "the extent is judged, not the place",
	"anterior_motion.manoeuvres.time":   "for the record",
	"anterior_motion.manoeuvres.result": "for the record", "haemodynamics.paced": "conditions for the reader",
	"haemodynamics.vasopressor": "conditions for the reader", "haemodynamics.volume_state": "conditions for the reader",
	"haemodynamics.protamine": "conditions for the reader", "chambers.wall_motion": "only a new abnormality of the lateral wall is judged",
	"chambers.wall_motion_recorded": "only a new abnormality of the lateral wall is judged",
	"read_independently":            "for the note and the facts",
}

// recordOnlyStep are facts of a technique that nothing reads.
var recordOnlyStep = map[string]string{
	"annuloplasty.sizers.fit": "for the record", "annuloplasty.sizing_method": "for the record", "annuloplasty.orientation_deg": "for the record",
	"artificial_chord.length_basis": "for the record", "artificial_chord.reference_segment": "for the record",
	"artificial_chord.lengths.pair_count": "part of the step's pair_count, which is compared",
}

// listed gives the entry that lists a path as not reasoned about, or "".
func listed(path string) string {
	within := func(list map[string]string, prefix, path string) string {
		for entry := range list {
			if path == entry || strings.HasPrefix(path, entry+".") {
				return prefix + entry
			}
		}
		return ""
	}
	entry := within(recordOnly, "", path)
	if _, rest, ok := strings.Cut(path, "study."); ok && entry == "" {
		entry = within(recordOnlyStudy, "study.", rest)
	}
	if _, rest, ok := strings.Cut(path, "setting."); ok && entry == "" {
		entry = within(recordOnlySetting, "setting.", rest)
	}
	if _, rest, ok := strings.Cut(path, "technique."); ok && entry == "" {
		entry = within(recordOnlyStep, "technique.", rest)
	}
	return entry
}

// Every field of the contract, set alone, changes the case that is reasoned
// about, or is listed with the reason; nothing listed is converted after all.
func TestEveryFieldIsConvertedOrListed(t *testing.T) {
	used := map[string]bool{}
	check := func(path string, full, empty Record) {
		changes := !reflect.DeepEqual(Case(full), Case(empty))
		entry := listed(path)
		used[entry] = true
		if !changes && entry == "" {
			t.Errorf("%s is lost: convert it, or list it with the reason", path)
		}
		if changes && entry != "" {
			t.Errorf("%s is listed as not reasoned about, but converted", path)
		}
		leaf := valve.ID(path[strings.LastIndexByte(path, '.')+1:])
		if _, measured := metric.LeafByID(leaf); !measured {
			return
		}
		for k, m := range Case(full).Measured {
			if v, _ := m.Value.Get(); k.ID == leaf && v == sampleNumber {
				return
			}
		}
		t.Errorf("%s is no measurement", path)
	}
	setAlone((&trigonev1.Identity{}).ProtoReflect().Type(), "identity.", func(path string, with, without proto.Message) {
		check(path, Record{Identity: with.(*trigonev1.Identity)}, Record{Identity: without.(*trigonev1.Identity)})
	})
	setAlone((&trigonev1.Assessment{}).ProtoReflect().Type(), "assessments.", func(path string, with, without proto.Message) {
		check(path, Record{Assessments: []*trigonev1.Assessment{with.(*trigonev1.Assessment)}}, Record{Assessments: []*trigonev1.Assessment{without.(*trigonev1.Assessment)}})
	})
	setAlone((&trigonev1.Result{}).ProtoReflect().Type(), "results.", func(path string, with, without proto.Message) {
		check(path, Record{Results: []*trigonev1.Result{with.(*trigonev1.Result)}}, Record{Results: []*trigonev1.Result{without.(*trigonev1.Result)}})
	})
	setAlone((&trigonev1.FollowUp{}).ProtoReflect().Type(), "follow_ups.", func(path string, with, without proto.Message) {
		check(path, Record{FollowUps: []*trigonev1.FollowUp{with.(*trigonev1.FollowUp)}}, Record{FollowUps: []*trigonev1.FollowUp{without.(*trigonev1.FollowUp)}})
	})
	setAlone((&trigonev1.Plan{}).ProtoReflect().Type(), "plan.", func(path string, with, without proto.Message) {
		if strings.HasSuffix(path, ".expected_probability") {
			used[listed(path)] = true
			if len(Case(Record{Plan: with.(*trigonev1.Plan)}).Measured) != 0 {
				t.Errorf("%s became a measurement", path)
			}
			return
		}
		check(path, Record{Plan: with.(*trigonev1.Plan)}, Record{Plan: without.(*trigonev1.Plan)})
	})
	setAlone((&trigonev1.Operation{}).ProtoReflect().Type(), "operation.", func(path string, with, without proto.Message) {
		if strings.HasSuffix(path, ".expected_probability") {
			return // one message with the plan's
		}
		check(path, Record{Operation: with.(*trigonev1.Operation)}, Record{Operation: without.(*trigonev1.Operation)})
	})
	for prefix, list := range map[string]map[string]string{"": recordOnly, "study.": recordOnlyStudy, "setting.": recordOnlySetting, "technique.": recordOnlyStep} {
		for entry, reason := range list {
			if reason == "" {
				t.Errorf("%s%s is listed without a reason", prefix, entry)
			}
			if !used[prefix+entry] {
				t.Errorf("%s%s is listed and no field of the contract", prefix, entry)
			}
		}
	}
}

// An advice and what it answered are kept, not reasoned about: neither is in a
// Record at all. What is skipped inside the sections is named here.
func TestWhatIsSkippedIsNamed(t *testing.T) {
	want := []protoreflect.FullName{"trigone.v1.Advice", "trigone.v1.Evaluation", "trigone.v1.ExpectedRisk"}
	if got := slices.Sorted(maps.Keys(notReasoned)); !slices.Equal(got, want) {
		t.Errorf("%v is not reasoned about, want %v", got, want)
	}
	if len(CheckFile(read(t, `{"advice":[{"id":"a","measuredSoFar":{"heights":[{"heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":-1}}]}]}}]}`))) != 1 {
		t.Error("what is not reasoned about is checked all the same")
	}
}

func TestStudiesAreInTheOrderOfTime(t *testing.T) {
	at := func(id, time string) string {
		if time != "" {
			time = `"time":"2026-03-` + time + `T08:00:00Z"`
		}
		return `{"id":"` + id + `","study":{` + time + `}}`
	}
	f := read(t, `{"assessments":[`+at("z", "")+`,`+at("b", "02")+`,`+at("a", "02")+`,{"id":"none"}],"results":[`+at("exit", "03")+`],"followUps":[`+at("clinic", "01")+`]}`)
	var got []string
	for _, s := range Case(record(f)).Studies {
		got = append(got, string(s.Occasion))
	}
	// By time, then by occasion; those without a time last.
	want := []string{"follow_up/clinic", "assessment/a", "assessment/b", "result/exit", "assessment/none", "assessment/z"}
	if !slices.Equal(got, want) {
		t.Errorf("studies %v, want %v", got, want)
	}
}

func TestPlanRevisionsKeepTheirOwnValues(t *testing.T) {
	height := func(mm string) *trigonev1.Plan {
		return read(t, `{"plan":{"signer":"s`+mm+`","plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":`+mm+`}}]}}`).Plan
	}
	first, head := height("12"), height("14")
	received := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	// Head and revision come from a store decoded apart.
	apart := proto.Clone(head).(*trigonev1.Plan)
	c := Case(Record{Plan: apart, PlanRevision: 2, Plans: []PlanRevision{{Revision: 1, Received: received, Plan: first}, {Revision: 2, Plan: head}}})
	k := valve.Key{ID: "leaflet_height", Place: "p2/segment_mid", Occasion: valve.AtPlan, Role: valve.Planned}
	for i, want := range []float64{12, 14} {
		if v, _ := c.Plans[i].Measured[k].Value.Get(); v != want {
			t.Errorf("revision %d plans %v mm, want %v", i+1, v, want)
		}
	}
	if v, _ := c.Measured[k].Value.Get(); v != 14 || c.Plan != c.Plans[1].Plan || c.PlanRevision != 2 || c.Plans[0].Plan.Signer != "s12" || !c.Plans[0].Received.Equal(received) {
		t.Errorf("the head plans %v mm; plans %+v", v, c.Plans)
	}
	// A plan whose every revision is retracted is none, whatever was measured.
	if none := Case(Record{Plans: nil}); none.Plan != nil || len(none.Measured) != 0 {
		t.Errorf("without a plan: %+v", none)
	}
}

func TestOperationKeepsItsReceipt(t *testing.T) {
	received := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	c := Case(Record{Operation: &trigonev1.Operation{}, OperationReceived: received})
	if !c.Operation.Received.Equal(received) {
		t.Errorf("received %v", c.Operation.Received)
	}
	if none := Case(Record{OperationReceived: received}); none.Operation != nil {
		t.Error("a time of receipt alone is no operation")
	}
}

// The targets' numbers are no measurements: each aim is judged at a leaf.
func TestTargets(t *testing.T) {
	tests := []struct {
		aim  string
		want repair.Target
	}{
		{`"coaptationLength":{"range":{"minMm":6,"maxMm":12}}`, repair.Target{Leaf: "coaptation_length", Place: "a2_p2", Low: units.Some(6.0), High: units.Some(12.0)}},
		{`"coaptationLength":{"slice":"SLICE_A1_P1","range":{"minMm":0}}`, repair.Target{Leaf: "coaptation_length", Place: "a1_p1", Low: units.Some(0.0)}},
		{`"meanGradient":{"maxMmhg":4}`, repair.Target{Leaf: "mean_gradient", High: units.Some(4.0)}},
		{`"regurgitationGradeAtMost":{"scheme":"GRADE_SCHEME_PLUS_SIGNS","value":"GRADE_VALUE_PLUS_1"}`, repair.Target{Grade: repair.Grade{Scheme: "plus_signs", Value: "plus_1"}}},
		{`"leafletHeight":{"segment":"SEGMENT_P2","station":"STATION_SEAM","range":{"maxMm":15}}`, repair.Target{Leaf: "leaflet_height", Place: "p2/seam", High: units.Some(15.0)}},
		{`"leafletHeight":{"segment":"SEGMENT_P2"}`, repair.Target{Leaf: "leaflet_height", Place: "p2/segment_mid"}},
		{`"anteriorClosureShare":{"minPercent":60}`, repair.Target{Leaf: "anterior_closure_share", Place: "a2_p2", Low: units.Some(60.0)}},
		{`"outflowTractGradient":{"maxMmhg":20}`, repair.Target{Leaf: "outflow_tract_gradient", High: units.Some(20.0)}},
		{`"planimetryOrificeArea":{"minCm2":2}`, repair.Target{Leaf: "planimetry_orifice_area", Low: units.Some(2.0)}},
	}
	for _, tt := range tests {
		c := Case(record(read(t, `{"plan":{"targets":[{"id":"t","method":"METHOD_ECHO_2D",`+tt.aim+`}]}}`)))
		// A target is judged on leaving theatre unless it says otherwise.
		tt.want.ID, tt.want.Stage, tt.want.Method = "t", valve.LeavingTheatre, valve.Echo2D
		if got := c.Plan.Targets; len(got) != 1 || !reflect.DeepEqual(got[0], tt.want) {
			t.Errorf("%s: %+v, want %+v", tt.aim, got, tt.want)
		}
		if _, known := metric.LeafByID(tt.want.Leaf); !known && tt.want.Leaf != "" {
			t.Errorf("%s is no leaf", tt.want.Leaf)
		}
		if len(c.Measured) != 0 {
			t.Errorf("%s became %v", tt.aim, c.Measured.Keys())
		}
	}
}

func TestContextIsInheritedFieldByField(t *testing.T) {
	c := Case(Record{Assessments: read(t, `{"assessments":[{"id":"a","study":{"studyId":"s","context":{"method":"METHOD_ECHO_2D","load":"LOAD_BEATING"},
		"annulus":{"annulusHeight":{"mm":7,"context":{"method":"METHOD_ECHO_3D","cardiacPhase":"CARDIAC_PHASE_END_SYSTOLE"}},"annulusPerimeter":{"mm":120}}}}]}`).Assessments})
	own := c.Measured[valve.Key{ID: "annulus_height", Occasion: "assessment/a", Role: valve.Measured}]
	if want := (valve.Context{Method: valve.Echo3D, Load: valve.Beating, Phase: valve.EndSystole}); own.Context != want || own.StudyID != "s" {
		t.Errorf("own context %+v of study %s", own.Context, own.StudyID)
	}
	inherited := c.Measured[valve.Key{ID: "annulus_perimeter", Occasion: "assessment/a", Role: valve.Measured}]
	if want := (valve.Context{Method: valve.Echo2D, Load: valve.Beating}); inherited.Context != want {
		t.Errorf("inherited context %+v", inherited.Context)
	}
}

// Heights and ink marks inherit from their set, the whole of which stands in one
// run and stage; steps belong to the operation as a whole.
func TestFieldSetsGiveContextRunAndStage(t *testing.T) {
	c := Case(record(read(t, `{"operation":{
		"heights":[{"run":2,"stage":"STAGE_AFTER_RING","context":{"method":"METHOD_RULER","load":"LOAD_ARRESTED","plane":"PLANE_EN_FACE"},
			"heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12,"sd":0.5,"context":{"load":"LOAD_SALINE","path":"MEASUREMENT_PATH_SURFACE"}}}]}],
		"inkTests":[{"id":"ink","run":1,"stage":"STAGE_AFTER_LEAFLET_WORK","context":{"method":"METHOD_CALLIPER"},"marks":[{"segment":"SEGMENT_A2","inkDepthBeyondLine":{"absentReason":"ABSENT_REASON_NOT_POSSIBLE"}}]}],
		"salineTests":[{"id":"saline","stage":"STAGE_AFTER_RING","salinePressure":{"mmhg":110}}],
		"steps":[{"id":"s","run":2,"technique":{"plication":{"plicationLength":{"mm":6}}}}]}}`)))
	want := map[valve.Key]valve.Measurement{
		{ID: "leaflet_height", Place: "p2/segment_mid", Occasion: "operation/run2/after_ring", Role: valve.Measured}: {
			Value: units.Some(12.0), SD: units.Some(0.5), Run: 2, Stage: valve.AfterRing, StudyID: "operation/run2/after_ring",
			Context: valve.Context{Method: valve.Ruler, Load: valve.Saline, Path: "surface", Plane: "en_face"},
		},
		{ID: "ink_depth_beyond_line", Place: "test:ink/a2", Occasion: "operation/run1/after_leaflet_work", Role: valve.Measured}: {
			Absent: valve.AbsentNotPossible, Run: 1, Stage: valve.AfterLeafletWork, StudyID: "operation/run1/after_leaflet_work",
			Context: valve.Context{Method: valve.Calliper},
		},
		{ID: "saline_pressure", Place: "test:saline", Occasion: "operation/after_ring", Role: valve.Measured}: {
			Value: units.Some(110.0), Stage: valve.AfterRing, StudyID: "operation/after_ring",
		},
		{ID: "plication_length", Place: "step:s", Occasion: "operation", Role: valve.Measured}: {Value: units.Some(6.0), Run: 2, StudyID: "operation"},
	}
	if !reflect.DeepEqual(c.Measured, valve.Measurements(want)) {
		t.Errorf("measured %+v,\nwant %+v", c.Measured, want)
	}
}

func TestPlaces(t *testing.T) {
	c := Case(Record{
		Plan: read(t, `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","station":"STATION_SEAM_LATERAL_EDGE","leafletHeight":{"mm":12}}]}}`).Plan,
		Operation: read(t, `{"operation":{"steps":[{"id":"slide","run":1,"technique":{"slidingPlasty":{"medial":{"slidingAdvance":{"mm":9}}}}}],
			"inkTests":[{"id":"ink","run":2,"stage":"STAGE_AFTER_RING","marks":[{"segment":"SEGMENT_A2","inkDepthBeyondLine":{"mm":8}}]}],
			"heights":[{"run":1,"stage":"STAGE_AFTER_LEAFLET_WORK","heights":[{"commissure":"COMMISSURE_MEDIAL","leafletHeight":{"mm":9}}]}]}}`).Operation,
	})
	for _, k := range []valve.Key{
		{ID: "leaflet_height", Place: "p2/seam_lateral_edge", Occasion: "plan", Role: valve.Planned},
		{ID: "sliding_advance", Place: "step:slide/medial_side", Occasion: "operation", Role: valve.Measured},
		{ID: "ink_depth_beyond_line", Place: "test:ink/a2", Occasion: "operation/run2/after_ring", Role: valve.Measured},
		{ID: "leaflet_height", Place: "medial_commissure", Occasion: "operation/run1/after_leaflet_work", Role: valve.Measured},
	} {
		if _, ok := c.Measured[k]; !ok {
			t.Errorf("no value %s (%s) in %v", k, k.Role, c.Measured.Keys())
		}
		if _, err := valve.ParsePlace(string(k.Place)); err != nil {
			t.Error(err)
		}
	}
	if len(c.Measured) != 4 {
		t.Errorf("%d values: %v", len(c.Measured), c.Measured.Keys())
	}
}
