package fhirmap_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// What the plan and what answers it must say. Sources: HL7 FHIR R4 4.0.1
// (ServiceRequest, DeviceRequest, Goal, DiagnosticReport, Provenance; bindings of
// their statuses; extension iso21090-uncertainty), the package's documentation for
// choices.
func TestPlanAndWhatAnswersIt(t *testing.T) {
	states := fhirtest.PlannedStates()
	at1 := transaction(t, fhirtest.Of("u", states[0]))
	at2 := transaction(t, fhirtest.Of("u", states[:2]...))
	planContradicts := fhirtest.PlannedStates()[0]
	planContradicts.Case.Evaluation.Findings = []*trigonev1.Finding{{
		Id: "4d4d4d4d4d4d4d4d", Rule: "invented-rule", Severity: trigonev1.Severity_SEVERITY_CONTRADICTION, Message: "invented", Occasion: "plan",
	}}
	contradicted := transaction(t, fhirtest.Of("u", planContradicts))
	at3 := transaction(t, fhirtest.Of("u", states[:3]...))
	at4 := transaction(t, fhirtest.Of("u", states[:4]...))
	const (
		width   = "value|resection_free_edge_width|operation|measured|ruler|step:s-resection"
		exit    = "value|mean_gradient|result/exit|measured|doppler"
		orifice = "value|regurgitant_orifice_area_by_flow_convergence|assessment/tte|derived"
	)
	rows := []struct {
		why    string
		bundle []byte
		key    string
		path   []any
		want   any
	}{
		{"a signed plan before the operation is active", at1, "plan/1", []any{"status"}, "active"},
		{"it is a plan, not an order", at1, "plan/1", []any{"intent"}, "plan"},
		{"signed then", at1, "plan/1", []any{"authoredOn"}, "2026-03-01T18:00:00Z"},
		{"for this disease", at1, "plan/1", []any{"reasonCode", 0, "coding", 0, "code"}, "aetiology-myxomatous"},
		{"its aim is pursued", at1, "plan/1/target/t-gradient", []any{"lifecycleStatus"}, "active"},
		{"the aim holds at leaving theatre where no stage is stated", at1, "plan/1/target/t-gradient", []any{"target", 0, "extension", 0, "valueCodeableConcept", "coding", 0, "code"}, "leaving-theatre"},
		{"and by its method", at1, "plan/1/target/t-gradient", []any{"target", 0, "extension", 1, "valueCodeableConcept", "coding", 0, "code"}, "doppler"},
		{"its end is written as it was sent", at1, "plan/1/target/t-gradient", []any{"target", 0, "detailRange", "high", "value"}, json.Number("4.5")},
		{"an open end stays open", at1, "plan/1/target/t-gradient", []any{"target", 0, "detailRange", "low"}, nil},
		{"measured by a public code", at1, "plan/1/target/t-gradient", []any{"target", 0, "measure", "coding", 0, "code"}, "80073-0"},
		{"the ring is asked for by its label", at1, "plan/1/ring/p-ring", []any{"parameter", 0, "valueRange", "low", "value"}, json.Number("30")},
		{"with its dimension", at1, "plan/1/ring/p-ring", []any{"parameter", 2, "valueQuantity", "value"}, json.Number("6.10")},
		{"what is only computed from the plan is no aim", at1, "plan/1/ring/p-ring", []any{"parameter", 3}, nil},
		{"a planned height stands at its station", at1, "plan/1/values/leaflet_height", []any{"target", 1, "extension", 0, "valueCodeableConcept", "coding", 0, "code"}, "p2-seam"},
		{"a disputed planned number says so", at1, "plan/1/dimensions/p-resection", []any{"target", 1, "detailQuantity", "extension", 0, "valueCode"}, "error"},
		{"and gives none", at1, "plan/1/dimensions/p-resection", []any{"target", 1, "detailQuantity", "value"}, nil},

		{"a second revision revokes the first", at2, "plan/1", []any{"status"}, "revoked"},
		{"with its steps", at2, "plan/1/step/p-ring", []any{"status"}, "revoked"},
		{"its ring", at2, "plan/1/ring/p-ring", []any{"status"}, "revoked"},
		{"and its aims", at2, "plan/1/target/t-gradient", []any{"lifecycleStatus"}, "cancelled"},
		{"which keep what they aimed at", at2, "plan/1/target/t-gradient", []any{"target", 0, "detailRange", "high", "value"}, json.Number("4.5")},
		{"the second is active", at2, "plan/2", []any{"status"}, "active"},
		{"a condition", at2, "plan/2/step/p-cleft", []any{"asNeededCodeableConcept", "coding", 0, "code"}, "step-condition-kind-open-indentation"},
		{"an alternative says that it is one", at2, "plan/2/step/p-chords", []any{"orderDetail", 0, "coding", 0, "code"}, "alternative-of-another-step"},
		{"how a step is to be done", at2, "plan/2/step/p-resection", []any{"orderDetail", 0, "coding", 0, "code"}, "resection-shape-triangular"},
		{"before the operation nothing is achieved or missed", at2, "plan/2/target/t-gradient", []any{"achievementStatus"}, nil},
		{"a slice that is not stated is the middle one", at2, "plan/2/target/t-contact", []any{"target", 0, "extension", 0, "valueCodeableConcept", "coding", 0, "code"}, "a2-p2"},
		{"a grade is not to be exceeded", at2, "plan/2/target/t-grade", []any{"target", 0, "measure", "coding", 0, "code"}, "regurgitation-grade-at-most"},
		{"this one", at2, "plan/2/target/t-grade", []any{"target", 0, "detailCodeableConcept", "coding", 1, "code"}, "five-step-2"},

		{"the plan in force ends with the operation", at3, "plan/2", []any{"status"}, "completed"},
		{"a step in place was done", at3, "plan/2/step/p-resection", []any{"status"}, "completed"},
		{"one left out was not", at3, "plan/2/step/p-cleft", []any{"status"}, "revoked"},
		{"of an alternative nothing is known", at3, "plan/2/step/p-chords", []any{"status"}, "unknown"},
		{"an aim missed", at3, "plan/2/target/t-gradient", []any{"achievementStatus", "coding", 0, "code"}, "not-achieved"},
		{"of one that could not be judged nothing is said", at3, "plan/2/target/t-contact", []any{"achievementStatus"}, nil},
		{"nor of one that no comparison speaks of", at3, "plan/2/target/t-grade", []any{"achievementStatus"}, nil},
		{"a dimension that differs", at3, "plan/2/dimensions/p-resection", []any{"achievementStatus", "coding", 0, "code"}, "not-achieved"},
		{"an older revision is judged by nothing", at3, "plan/1/target/t-gradient", []any{"achievementStatus"}, nil},
		{"a difference is an Observation", at3, "discrepancy|target_missed|t-gradient|mean_gradient|leaving_theatre", []any{"code", "coding", 0, "code"}, "target-missed"},
		{"it is present", at3, "discrepancy|target_missed|t-gradient|mean_gradient|leaving_theatre", []any{"valueCodeableConcept", "coding", 0, "code"}, "present"},
		{"by this much", at3, "discrepancy|target_missed|t-gradient|mean_gradient|leaving_theatre", []any{"component", 0, "valueQuantity", "value"}, json.Number("2.0")},
		{"a tolerance has no binary dust", at3, "discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width", []any{"component", 1, "valueQuantity", "value"}, json.Number("1.1")},
		{"it differs because the plan was revised", at3, "discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width", []any{"component", 3, "valueCodeableConcept", "coding", 0, "code"}, "plan-revised"},
		{"labels differ by a pure number", at3, "discrepancy|ring_size|p-ring|s-ring-2", []any{"component", 0, "valueQuantity", "code"}, "1"},
		{"a caution says high", at3, exit, []any{"interpretation", 0, "coding", 0, "code"}, "H"},
		{"above this limit", at3, exit, []any{"referenceRange", 0, "high", "value"}, json.Number("5")},
		{"of a rule", at3, exit, []any{"referenceRange", 0, "type", "coding", 0, "code"}, "range-of-rule"},
		{"with its owner and source", at3, exit, []any{"referenceRange", 0, "text"}, "Rule mean-gradient-high; the limit itself is within; limit of the site's policy; source: Invented et al. <2016>"},
		{"beside the aim", at3, exit, []any{"referenceRange", 1, "text"}, "Aim of the plan in force, revision 2"},
		{"of the other stage there is no aim", at3, "value|mean_gradient|result/off|measured|doppler", []any{"referenceRange"}, nil},
		{"the grade has an aim in words", at3, "grade|regurgitation_grade|result/exit", []any{"referenceRange", 0, "text"}, "Aim of the plan in force, revision 2: at most mild (five step scheme)"},
		{"a standard uncertainty", at3, "value|annulus_area|assessment/tte|measured|echo-3d", []any{"valueQuantity", "extension", 0, "valueDecimal"}, json.Number("0.9")},
		{"three figures of a computed one", at3, orifice, []any{"valueQuantity", "extension", 0, "valueDecimal"}, json.Number("0.0612")},
		{"an interval", at3, orifice, []any{"valueQuantity", "extension", 1, "valueRange", "high", "value"}, json.Number("0.55")},
		{"a band", at3, orifice, []any{"interpretation", 0, "coding", 0, "code"}, "severe"},
		{"a report concludes with the grade", at3, "report|result/exit", []any{"conclusionCode", 0, "text"}, "Mitral regurgitation: trace"},
		{"it is cardiac ultrasound", at3, "report|result/exit", []any{"category", 0, "coding", 0, "code"}, "CUS"},
		{"at its time", at3, "report|result/exit", []any{"effectiveDateTime"}, "2026-03-03T12:00:00Z"},
		{"a ring taken down was implanted", at3, "step/s-ring-1", []any{"focalDevice", 0, "action", "coding", 0, "code"}, "implanted"},
		{"and explanted", at3, "step/s-ring-1", []any{"focalDevice", 1, "action", "coding", 0, "code"}, "explanted"},
		{"its device says why", at3, "ring/s-ring-1", []any{"statusReason", 0, "coding", 0, "code"}, "taken-down-test-failed"},
		{"the other was implanted only", at3, "step/s-ring-2", []any{"focalDevice", 1}, nil},

		{"a revision signed after incision governs nothing", at4, "plan/3", []any{"status"}, "revoked"},
		{"the one in force stays", at4, "plan/2", []any{"status"}, "completed"},
	}
	for _, r := range rows {
		if got := at(byKey(t, r.bundle, r.key), r.path...); got != r.want {
			t.Errorf("%s: %s %v is %v, want %v", r.why, r.key, r.path, got, r.want)
		}
	}

	references := []struct {
		why     string
		bundle  []byte
		from    string
		element string
		to      []string
	}{
		{"a step belongs to its plan", at2, "plan/2/step/p-ring", "basedOn", []string{"plan/2"}},
		{"a ring to its step", at2, "plan/2/ring/p-ring", "basedOn", []string{"plan/2/step/p-ring"}},
		{"a revision replaces the one before", at2, "plan/2", "replaces", []string{"plan/1"}},
		{"so does a ring", at2, "plan/2/ring/p-ring", "priorRequest", []string{"plan/1/ring/p-ring"}},
		{"a plan rests on an echo", at2, "plan/2", "supportingInfo", []string{"report|assessment/tte"}},
		{"an aim belongs to the plan", at2, "plan/2/target/t-grade", "addresses", []string{"plan/2"}},
		{"dimensions to their step", at2, "plan/2/dimensions/p-resection", "addresses", []string{"plan/2/step/p-resection"}},
		{"the operation follows the plan in force", at3, "operation", "basedOn", []string{"plan/2"}},
		{"also when a later revision is the head", at4, "operation", "basedOn", []string{"plan/2"}},
		{"a step without a link answers the one planned step of its technique", at3, "step/s-resection", "basedOn", []string{"plan/2/step/p-resection"}},
		{"a link wins", at3, "step/s-ring-1", "basedOn", []string{"plan/2/step/p-ring"}},
		{"an unplanned step is based on nothing", at3, "step/s-sliding", "basedOn", nil},
		{"what was not done was planned", at3, "planned-step/p-cleft", "basedOn", []string{"plan/2/step/p-cleft"}},
		{"an aim names what answers it", at3, "plan/2/target/t-gradient", "outcomeReference", []string{exit}},
		{"also where it was not missed", at3, "plan/2/target/t-contact", "outcomeReference", []string{"value|coaptation_length|result/exit|measured|echo-2d|a2_p2"}},
		{"a grade", at3, "plan/2/target/t-grade", "outcomeReference", []string{"grade|regurgitation_grade|result/exit"}},
		{"a height in the field", at3, "plan/2/target/t-height", "outcomeReference", []string{"value|leaflet_height|operation/run1/after_ring|measured|ruler|p2/seam"}},
		{"a dimension", at3, "plan/2/dimensions/p-resection", "outcomeReference", []string{width}},
		{"a difference names the request", at3, "discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width", "basedOn", []string{"plan/2/step/p-resection"}},
		{"the step", at3, "discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width", "partOf", []string{"step/s-resection"}},
		{"and the value", at3, "discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width", "derivedFrom", []string{width}},
		{"a root has what stands under it", at3, "discrepancy|step_added|s-sliding", "hasMember", []string{"discrepancy|step_parameter|p-resection|s-resection|resection_free_edge_width"}},
		{"a contradiction of the plan names it", contradicted, "finding/4d4d4d4d4d4d4d4d", "implicated", []string{"plan/1"}},
		{"a caution names what it read", at4, "finding/3c3c3c3c3c3c3c3c", "implicated", []string{"value|mean_gradient|result/exit|measured|doppler"}},
		{"a step added was not asked for", at3, "discrepancy|step_added|s-sliding", "basedOn", nil},
		{"a report has the panel as its result", at3, "report|result/exit", "result", []string{"panel|result/exit"}},
	}
	for _, r := range references {
		keys := map[string]string{}
		for _, x := range resources(t, r.bundle) {
			_, key, _ := strings.Cut(identifier(x), "/")
			keys["urn:uuid:"+x["id"].(string)] = key
		}
		var got []string
		list, _ := byKey(t, r.bundle, r.from)[r.element].(array)
		for _, x := range list {
			got = append(got, keys[x.(object)["reference"].(string)])
		}
		slices.Sort(got)
		if !slices.Equal(got, r.to) {
			t.Errorf("%s: %s.%s is %v, want %v", r.why, r.from, r.element, got, r.to)
		}
	}

	for _, key := range []string{"|planned", "discrepancy|target_missed|t-contact", "planned-step/p-resection"} {
		if strings.Contains(string(at3), key) {
			t.Errorf("%s is in the bundle: a plan is no observation, and what was not judged sends nothing", key)
		}
	}
	for _, x := range []string{"plan/1", "plan/2", "plan/3"} {
		if a, b := at(byKey(t, at4, x), "requisition", "value"), at(byKey(t, at4, x+"/step/p-ring"), "requisition", "value"); a != b || a == nil {
			t.Errorf("%s and its step have requisitions %v and %v", x, a, b)
		}
	}
}

// What became of a plan, told apart by signature, operation and timing of the plan
// in force; sources as above, RequestStatus.
func TestStatusOfThePlan(t *testing.T) {
	rows := []struct {
		why    string
		state  int
		change func(c *trigonev1.Case)
		plan   string
		goal   string
	}{
		{"nobody signed it", 0, func(c *trigonev1.Case) { c.CaseFile.Plan.SignedTime = nil }, "draft", "proposed"},
		{"the operation goes on", 2, func(c *trigonev1.Case) {
			c.CaseFile.Operation.EndTime, c.CaseFile.Operation.LeftTheatreAlive, c.CaseFile.Results = nil, 0, nil
		}, "active", "active"},
		{"only signed after incision", 2, func(c *trigonev1.Case) {
			c.Evaluation.PlanInForce.Timing = trigonev1.PlanTiming_PLAN_TIMING_RETROSPECTIVE
		}, "revoked", "cancelled"},
		{"whether it was in force cannot be told", 2, func(c *trigonev1.Case) {
			c.Evaluation.PlanInForce.Timing = trigonev1.PlanTiming_PLAN_TIMING_NO_INCISION_TIME
		}, "unknown", "accepted"},
		{"never signed and operated on", 2, func(c *trigonev1.Case) {
			c.CaseFile.Plan.SignedTime, c.Evaluation.PlanInForce.Timing = nil, trigonev1.PlanTiming_PLAN_TIMING_UNSIGNED
		}, "draft", "proposed"},
		{"given up for a replacement", 2, func(c *trigonev1.Case) {
			c.CaseFile.Operation.Conversion = &trigonev1.Conversion{Converted: trigonev1.Answer_ANSWER_YES}
		}, "revoked", "cancelled"},
	}
	for _, r := range rows {
		s := fhirtest.PlannedStates()[r.state]
		r.change(s.Case)
		bundle := transaction(t, fhirmap.History{Site: "s", UID: "u", Current: s})
		revision := map[int]string{0: "plan/1", 2: "plan/2"}[r.state]
		if got := byKey(t, bundle, revision)["status"]; got != r.plan {
			t.Errorf("%s: status %v, want %s", r.why, got, r.plan)
		}
		if got := byKey(t, bundle, revision+"/target/t-gradient")["lifecycleStatus"]; got != r.goal {
			t.Errorf("%s: lifecycle status %v, want %s", r.why, got, r.goal)
		}
		if faults := fhirtest.Check(bundle); faults != nil {
			t.Errorf("%s: %v", r.why, faults)
		}
	}
}

// What was done otherwise is not what was asked for: another technique in its place,
// a ring of another kind; the step done still names the one it answers.
func TestWhatWasDoneOtherwiseIsRevoked(t *testing.T) {
	s := fhirtest.PlannedStates()[2]
	s.Case.Evaluation.Discrepancies = []*trigonev1.Discrepancy{
		{
			Id: "step_substituted|p-resection|s-sliding", Class: "step_substituted", PlannedStepId: "p-resection", PerformedStepId: "s-sliding",
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT,
		},
		{
			Id: "ring_kind|p-ring|s-ring-2|ring_kind", Class: "ring_kind", Metric: "ring_kind", PlannedStepId: "p-ring", PerformedStepId: "s-ring-2",
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT,
		},
	}
	s.Case.CaseFile.Operation.Steps = s.Case.CaseFile.Operation.Steps[1:]
	bundle := transaction(t, fhirmap.History{Site: "s", UID: "u", Current: s})
	for key, want := range map[string]string{"plan/2": "completed", "plan/2/step/p-resection": "revoked", "plan/2/step/p-ring": "completed", "plan/2/ring/p-ring": "revoked"} {
		if got := byKey(t, bundle, key)["status"]; got != want {
			t.Errorf("%s has status %v, want %s", key, got, want)
		}
	}
	want := "urn:uuid:" + byKey(t, bundle, "plan/2/step/p-resection")["id"].(string)
	if got := at(byKey(t, bundle, "step/s-sliding"), "basedOn", 0, "reference"); got != want {
		t.Errorf("the step done instead is based on %v", got)
	}
}

// A plan that was retracted was never asked for; one that begins anew afterwards
// replaces nothing.
func TestRetractedPlanIsEnteredInError(t *testing.T) {
	states := fhirtest.PlannedStates()
	retracted := proto.Clone(states[1].Case).(*trigonev1.Case)
	retracted.CaseVersion = 3
	retracted.CaseFile.Plan = nil
	for _, s := range retracted.Sections {
		if s.GetSection() == "plan" {
			s.State = trigonev1.SectionState_SECTION_STATE_RETRACTED
		}
	}
	withdrawn := []fhirmap.Snapshot{states[0], states[1], {Case: retracted}}
	bundle := transaction(t, fhirtest.Of("u", withdrawn...))
	for _, key := range []string{"plan/1", "plan/2", "plan/2/step/p-ring", "plan/1/ring/p-ring", "plan/2/target/t-grade", "plan/1/values/leaflet_height"} {
		if got := fhirtest.Status(byKey(t, bundle, key)); got != "entered-in-error" {
			t.Errorf("%s has status %v", key, got)
		}
	}
	anew := fhirtest.PlannedStates()[3]
	bundle = transaction(t, fhirtest.Of("u", append(withdrawn, anew)...))
	if got := byKey(t, bundle, "plan/3")["replaces"]; got != nil {
		t.Errorf("a plan after a retraction replaces %v", got)
	}
	if got := byKey(t, bundle, "plan/2")["status"]; got != "entered-in-error" {
		t.Errorf("what was retracted has status %v once there is another plan", got)
	}
}

// Every resource but the software and the Provenances themselves stands in exactly
// one Provenance of its state; the revision's time, first or later, and its logical
// source are told (HL7 FHIR R4 4.0.1, Provenance).
func TestProvenance(t *testing.T) {
	states := fhirtest.PlannedStates()
	bundle := transaction(t, fhirtest.Of("u", states[:2]...))
	named := map[string]int{}
	bySource := map[string]object{}
	for _, r := range resources(t, bundle) {
		if r["resourceType"] != "Provenance" {
			continue
		}
		for _, x := range r["target"].(array) {
			named[x.(object)["reference"].(string)]++
		}
		for _, e := range r["entity"].(array) {
			_, source, _ := strings.Cut(at(e, "what", "identifier", "value").(string), "/section/")
			if len(r["entity"].(array)) == 1 {
				bySource[source] = r
			}
		}
	}
	for url, r := range resources(t, bundle) {
		if r["resourceType"] == "Provenance" || ofSoftware(r) {
			continue
		}
		if n := named["urn:uuid:"+r["id"].(string)]; n != 1 {
			t.Errorf("%s %s stands in %d Provenances", url, identifier(r), n)
		}
	}
	for _, row := range []struct {
		why, source string
		path        []any
		want        any
	}{
		{"the first revision is created", "plan/1", []any{"activity", "coding", 0, "code"}, "CREATE"},
		{"when it was received", "plan/1", []any{"recorded"}, "2026-03-01T18:00:00Z"},
		{"the second updates", "plan/2", []any{"activity", "coding", 0, "code"}, "UPDATE"},
		{"when that was received", "plan/2", []any{"recorded"}, "2026-03-03T07:00:00Z"},
		{"an echo is created too", "assessment/tte/1", []any{"activity", "coding", 0, "code"}, "CREATE"},
		{"put together by software", "assessment/tte/1", []any{"agent", 0, "type", "coding", 0, "code"}, "assembler"},
	} {
		if got := at(bySource[row.source], row.path...); got != row.want {
			t.Errorf("%s: %s %v is %v, want %v", row.why, row.source, row.path, got, row.want)
		}
	}

	// Computed again under another catalogue: the values keep their ids, and a second
	// Provenance, an update, stands beside the first.
	again := proto.Clone(states[1].Case).(*trigonev1.Case)
	again.CaseVersion, again.Evaluation.CatalogueVersion = 3, "2"
	recomputed := transaction(t, fhirtest.Of("u", states[0], states[1], fhirmap.Snapshot{Case: again}))
	const orifice = "value|regurgitant_orifice_area_by_flow_convergence|assessment/tte|derived"
	id := "urn:uuid:" + byKey(t, bundle, orifice)["id"].(string)
	if again := "urn:uuid:" + byKey(t, recomputed, orifice)["id"].(string); again != id {
		t.Errorf("the value computed again has another id")
	}
	var activities []string
	for _, r := range resources(t, recomputed) {
		if targets, _ := r["target"].(array); r["resourceType"] == "Provenance" && slices.ContainsFunc(targets, func(x any) bool { return at(x, "reference") == id }) {
			activities = append(activities, at(r, "activity", "coding", 0, "code").(string))
		}
	}
	slices.Sort(activities)
	if !slices.Equal(activities, []string{"CREATE", "UPDATE"}) {
		t.Errorf("activities %v", activities)
	}
	for key, status := range map[string]string{"software/0.1.0/1/1/": "inactive", "software/0.1.0/2/1/": "active"} {
		if got := byKey(t, recomputed, key)["status"]; got != status {
			t.Errorf("%s has status %v, want %s", key, got, status)
		}
	}
}

// In one state every resource but the software stands in exactly one Provenance.
func TestEveryResourceHasOneProvenance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, err := fhirmap.Transaction(fhirtest.Of("u", fhirtest.DrawStates(t)[0]))
		if err != nil {
			t.Fatal(err)
		}
		named := map[string]int{}
		for _, r := range resourcesOf(b) {
			if r["resourceType"] == "Provenance" {
				for _, x := range asArray(r["target"]) {
					named[at(x, "reference").(string)]++
				}
			}
		}
		for url, r := range resourcesOf(b) {
			if n := named["urn:uuid:"+r["id"].(string)]; r["resourceType"] != "Provenance" && !ofSoftware(r) && n != 1 {
				t.Fatalf("%s stands in %d Provenances", url, n)
			}
		}
	})
}

// A Provenance once sent stays in every later bundle.
func TestProvenanceIsOnlyEverAdded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		states := fhirtest.DrawStates(t)
		var before map[string]object
		for i := range states {
			b, err := fhirmap.Transaction(fhirtest.Of("u", states[:i+1]...))
			if err != nil {
				t.Fatal(err)
			}
			now := resourcesOf(b)
			for url, r := range before {
				if r["resourceType"] == "Provenance" && now[url] == nil {
					t.Fatalf("%s of state %d is not in the bundle of the next", url, i-1)
				}
			}
			before = now
		}
	})
}

// The sentences hold neither text of the record nor an identifier of the patient,
// the case or a person; what is in them is escaped (HL7 FHIR R4 4.0.1, Narrative).
func TestNarrative(t *testing.T) {
	for _, example := range fhirtest.Examples() {
		for url, r := range resources(t, transaction(t, example.History)) {
			if ofSoftware(r) {
				continue
			}
			div, _ := at(r, "text", "div").(string)
			if living := fhirtest.Status(r) != "entered-in-error" && r["resourceType"] != "Provenance"; living != (div != "") {
				t.Errorf("%s: %s has the narrative %q", example.Name, url, div)
			}
			for _, leak := range []string{fhirtest.Leak, "P-000", "C-0001", "surgeon-7", "2.999", "family-a", "s-ring", "p-ring"} {
				if strings.Contains(div, leak) {
					t.Errorf("%s: %s tells %s: %s", example.Name, url, leak, div)
				}
			}
		}
	}
	disputed := transaction(t, fhirtest.Disputed())
	if got := at(byKey(t, disputed, "finding/1f1f1f1f1f1f1f1f"), "text", "div"); !strings.Contains(got.(string), "&lt; what 35.0 mm allow") {
		t.Errorf("a sentence is not escaped: %v", got)
	}
	converted := transaction(t, fhirtest.Converted())
	want := `<div xmlns="http://www.w3.org/1999/xhtml">annuloplasty, Mitral annulus: Not Done, The repair was given up for a replacement: residual regurgitation</div>`
	if got := at(byKey(t, converted, "planned-step/p-ring"), "text", "div"); got != want {
		t.Errorf("the sentence is %v", got)
	}
}

// Every kind of aim that the contract knows becomes a Goal that measures something,
// within the catalogue's unit.
func TestEveryKindOfAimIsAGoal(t *testing.T) {
	kinds := (&trigonev1.Target{}).ProtoReflect().Descriptor().Oneofs().ByName("aim").Fields()
	for i := range kinds.Len() {
		f := kinds.Get(i)
		x := &trigonev1.Target{Id: "x"}
		setEnds(x.ProtoReflect().Mutable(f).Message())
		file := &trigonev1.CaseFile{Plan: &trigonev1.Plan{Targets: []*trigonev1.Target{x}}}
		bundle := transaction(t, historyOf(file, &trigonev1.Evaluation{}))
		if faults := fhirtest.Check(bundle); faults != nil {
			t.Errorf("%s: %v", f.Name(), faults)
		}
		target := at(byKey(t, bundle, "plan/1/target/x"), "target", 0)
		name := strings.ReplaceAll(string(f.Name()), "_", "-")
		if codes := at(target, "measure", "coding").(array); at(codes[len(codes)-1], "code") != name {
			t.Errorf("%s measures %v", f.Name(), codes)
		}
		if f.Message().FullName() == "trigone.v1.Grade" {
			if at(target, "detailCodeableConcept") == nil {
				t.Errorf("%s aims at no grade", f.Name())
			}
			continue
		}
		unit, _, _ := metric.Describe(valve.ID(f.Name()))
		low, high := at(target, "detailRange", "low"), at(target, "detailRange", "high")
		if at(low, "value") != json.Number("1") || at(high, "value") != json.Number("2") || at(low, "code") != unit.UCUM() {
			t.Errorf("%s aims at %v to %v, want 1 to 2 %s", f.Name(), low, high, unit.UCUM())
		}
	}
}

// An aim that no value can meet has no range: FHIR forbids one that is upside down
// (rng-2), and a range without its lower end would say something else.
func TestAimUpsideDownHasNoRange(t *testing.T) {
	s := fhirtest.PlannedStates()[1]
	plan := s.Case.CaseFile.Plan
	plan.Targets[1].GetCoaptationLength().Range.MinMm = proto.Float64(12)
	ring := plan.Steps[1].GetTechnique().GetAnnuloplasty()
	ring.PlannedLabelMin = proto.Float64(36)
	bundle := transaction(t, fhirmap.History{Site: "s", UID: "u", Current: s})
	if got := at(byKey(t, bundle, "plan/2/target/t-contact"), "target", 0, "detailRange"); got != nil {
		t.Errorf("12 to 11 mm is sent as %v", got)
	}
	if got := at(byKey(t, bundle, "plan/2/ring/p-ring"), "parameter", 0, "valueRange"); got != nil {
		t.Errorf("36 to 34 is sent as %v", got)
	}
	if faults := fhirtest.Check(bundle); faults != nil {
		t.Error(faults)
	}
}

// setEnds sets the first number of a message to 1, the second to 2, and every enum.
func setEnds(m protoreflect.Message) {
	next := 1.0
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		switch {
		case f.Kind() == protoreflect.EnumKind:
			m.Set(f, protoreflect.ValueOfEnum(1))
		case f.Kind() == protoreflect.DoubleKind:
			m.Set(f, protoreflect.ValueOfFloat64(next))
			next++
		case f.Message() != nil && !f.IsList():
			setEnds(m.Mutable(f).Message())
		}
	}
}

// Words of other rooms that the mapping codes: every one has its concept.
func TestWordsOfOtherRoomsHaveConcepts(t *testing.T) {
	concepts := map[string]map[string]bool{}
	for _, s := range fhirmap.CodeSystems() {
		name := s.URL[strings.LastIndex(s.URL, "/")+1:]
		concepts[name] = map[string]bool{}
		for _, c := range s.Concepts {
			concepts[name][c.Code] = true
		}
	}
	for _, class := range discrepancy.Classes() {
		if code := strings.ReplaceAll(string(class), "_", "-"); !concepts["discrepancy"][code] {
			t.Errorf("class %s has no concept", class)
		}
	}
	bands := 0
	for _, m := range metric.Metrics() {
		if m.Band == nil {
			continue
		}
		for _, x := range []float64{-3, -1.5, 0, 0.1, 0.25, 0.35, 0.5, 1, 1.5, 2, 3, 4, 5, 25, 35, 45, 55, 65, 90} {
			bands++
			code := strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(m.Band(x), ",", ""), " ", "-"))
			if !concepts["band"][code] {
				t.Errorf("%s: the band %q has no concept", m.ID, m.Band(x))
			}
		}
	}
	if bands == 0 {
		t.Error("no metric has a band: the walk does not see the catalogue")
	}
	for _, limit := range fhirmap.LimitSides() {
		unit, _, known := metric.Describe(valve.ID(limit.Leaf))
		x, ok := settings.BuiltIn("harbour", "1", "UTC").Thresholds[limit.Threshold]
		if !ok || !known || x.Unit != unit {
			t.Errorf("the limit %s is none of the leaf %s, or in another unit", limit.Threshold, limit.Leaf)
		}
		// The table of limits says in words on which side what is beyond lies.
		if !slices.ContainsFunc(limit.Words, func(w string) bool { return strings.Contains(x.Summary, w) }) {
			t.Errorf("%s: %q says none of %q", limit.Threshold, x.Summary, limit.Words)
		}
	}
}

// TestEveryMeasuredLeafIsFoundWithItsCircumstances sets every field of the contract
// that holds a quantity alone and finds it again in the decoded bundle: number, unit,
// place, occasion and pump run in its Observation, which is a member of a panel that
// says the same; a planned one in a Goal or a DeviceRequest.
func TestEveryMeasuredLeafIsFoundWithItsCircumstances(t *testing.T) {
	measured, planned := 0, 0
	for _, path := range quantityPaths((&trigonev1.CaseFile{}).ProtoReflect().Descriptor(), nil) {
		section, leaf := string(path[0].Name()), string(path[len(path)-1].Name())
		if reasonNotSent(section, leaf) != "" {
			continue
		}
		file := &trigonev1.CaseFile{}
		setAlone(file.ProtoReflect(), path)
		ev := convert.Evaluation(&evaluate.Evaluation{Metrics: metric.LeafValues(convert.Case(record(file)), nil)})
		bundle := transaction(t, historyOf(file, ev))
		for _, v := range ev.GetMetrics() {
			if v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE {
				continue
			}
			fault := ""
			if v.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PLANNED {
				fault = plannedFault(t, bundle, v)
				planned++
			} else {
				fault = measuredFault(t, bundle, v)
				measured++
			}
			if fault != "" {
				t.Errorf("%s: %s at %q of %s: %s", pathText(path), v.GetMetric(), v.GetPlace(), v.GetOccasion(), fault)
			}
		}
	}
	if measured < 100 || planned < 20 {
		t.Errorf("%d measured and %d planned values looked for: the walk does not see the contract", measured, planned)
	}
}

// onItsOwn gives the place of a value without the step, test or lesion it is of, as
// a code.
func onItsOwn(place string) string {
	for _, prefix := range []string{"step:", "test:", "lesion:"} {
		if strings.HasPrefix(place, prefix) {
			_, place, _ = strings.Cut(place, "/")
		}
	}
	return strings.NewReplacer("_", "-", "/", "-").Replace(place)
}

func is(number any, v *trigonev1.MetricValue) bool {
	n, ok := at(number, "value").(json.Number)
	if !ok {
		return false
	}
	x, err := n.Float64()
	return err == nil && x == v.GetValue() && at(number, "code") == v.GetUnit()
}

func measuredFault(t *testing.T, bundle []byte, v *trigonev1.MetricValue) string {
	t.Helper()
	all := resources(t, bundle)
	for _, r := range all {
		_, key, _ := strings.Cut(identifier(r), "/")
		if !strings.HasPrefix(key, "value|"+v.GetMetric()+"|"+v.GetOccasion()+"|measured") {
			continue
		}
		place, sites := "", asArray(at(r, "bodySite", "coding"))
		if len(sites) > 0 {
			place = at(sites[len(sites)-1], "code").(string)
		}
		if !is(r["valueQuantity"], v) || onItsOwn(v.GetPlace()) != "" && place != onItsOwn(v.GetPlace()) || r["component"] != nil {
			return "the number, its unit or its place is not in the Observation"
		}
		panel := byKey(t, bundle, "panel|"+v.GetOccasion())
		if !slices.ContainsFunc(asArray(panel["hasMember"]), func(m any) bool { return at(m, "reference") == "urn:uuid:"+r["id"].(string) }) {
			return "it is no member of its occasion's panel"
		}
		want := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(v.GetStage().String(), "STAGE_")), "_", "-")
		if v.GetStage() == 0 {
			section, _, _ := strings.Cut(v.GetOccasion(), "/")
			want = map[string]string{"identity": "patient", "assessment": "native", "operation": "operation", "follow_up": "discharge"}[section]
		}
		if got := occasionIn(r); got != want || occasionIn(panel) != got {
			return "the occasion is " + got + " instead of " + want + ", in the panel " + occasionIn(panel)
		}
		wanted := any(nil)
		if v.GetRun() > 0 {
			wanted = json.Number(strconv.Itoa(int(v.GetRun())))
		}
		// The panel of the steps is of all runs.
		if got, of := runIn(r), runIn(panel); got != wanted || of != nil && of != got {
			return fmt.Sprintf("the run is %v instead of %v, in the panel %v", got, wanted, of)
		}
		return ""
	}
	return "there is no such Observation"
}

// occasionIn gives the code of the occasion of an Observation.
func occasionIn(r object) string {
	for _, c := range asArray(r["category"]) {
		if at(c, "coding", 0, "system") == fhirmap.Base+"/CodeSystem/occasion" {
			return at(c, "coding", 0, "code").(string)
		}
	}
	return ""
}

// runIn gives the pump run of an Observation.
func runIn(r object) any {
	for _, e := range asArray(r["extension"]) {
		if at(e, "url") == fhirmap.Base+"/StructureDefinition/pump-run" {
			return at(e, "valueInteger")
		}
	}
	return nil
}

func plannedFault(t *testing.T, bundle []byte, v *trigonev1.MetricValue) string {
	t.Helper()
	code := strings.ReplaceAll(v.GetMetric(), "_", "-")
	for _, r := range resources(t, bundle) {
		for _, x := range append(asArray(r["target"]), asArray(r["parameter"])...) {
			codes := append(asArray(at(x, "measure", "coding")), asArray(at(x, "code", "coding"))...)
			if len(codes) == 0 || at(codes[len(codes)-1], "code") != code {
				continue
			}
			place := ""
			for _, e := range asArray(at(x, "extension")) {
				if strings.HasSuffix(at(e, "url").(string), "/target-place") {
					place = at(e, "valueCodeableConcept", "coding", 0, "code").(string)
				}
			}
			if place != onItsOwn(v.GetPlace()) {
				return "it stands at " + place
			}
			if !is(at(x, "detailQuantity"), v) && !is(at(x, "valueQuantity"), v) {
				return "the number or its unit is another"
			}
			return ""
		}
	}
	return "no Goal and no DeviceRequest has it"
}

// What was sent before with another value, reason, time or place is amended and stays
// so; what only gained inputs, members or a caution is not (HL7 FHIR R4 4.0.1,
// ObservationStatus).
func TestAmendment(t *testing.T) {
	const key = "value|mean_gradient|result/exit|measured|doppler"
	gradient := func(c *trigonev1.Case) *trigonev1.MetricValue {
		for _, v := range c.GetEvaluation().GetMetrics() {
			if v.GetMetric() == "mean_gradient" && v.GetOccasion() == "result/exit" {
				return v
			}
		}
		t.Fatal("the case has no gradient")
		return nil
	}
	tests := []struct {
		why    string
		change func(c *trigonev1.Case)
		want   string
	}{
		{"nothing changed", func(*trigonev1.Case) {}, "final"},
		{"another number", func(c *trigonev1.Case) { gradient(c).Value = proto.Float64(7) }, "amended"},
		{"disputed now", func(c *trigonev1.Case) { gradient(c).State = trigonev1.MetricState_METRIC_STATE_DISPUTED }, "amended"},
		{"another time", func(c *trigonev1.Case) { c.CaseFile.Results[1].Study.Time.Seconds++ }, "amended"},
		{"the same number on the grid", func(c *trigonev1.Case) { gradient(c).Value = proto.Float64(6.5000001) }, "final"},
		{"the caution is gone", func(c *trigonev1.Case) { c.Evaluation.Findings = nil }, "final"},
		{"the uncertainty is another", func(c *trigonev1.Case) { gradient(c).StandardUncertainty = proto.Float64(2) }, "final"},
	}
	for _, tt := range tests {
		first, second, third := fhirtest.PlannedStates()[2], fhirtest.PlannedStates()[2], fhirtest.PlannedStates()[2]
		second.Case.CaseVersion, third.Case.CaseVersion = 4, 5
		tt.change(second.Case)
		tt.change(third.Case)
		h := fhirtest.Of("u", first, second, third)
		if got := byKey(t, transaction(t, h), key)["status"]; got != tt.want {
			t.Errorf("%s: status %v, want %s", tt.why, got, tt.want)
		}
	}
	states := fhirtest.PlannedStates()
	states[3].Case.CaseFile.Results[1].Study.Regurgitation.Grade.Value = trigonev1.GradeValue_GRADE_VALUE_MILD
	bundle := transaction(t, fhirtest.Of("u", states[:4]...))
	for key, want := range map[string]string{"report|result/exit": "amended", "grade|regurgitation_grade|result/exit": "amended", "report|result/off": "final", "panel|result/exit": "final"} {
		if got := byKey(t, bundle, key)["status"]; got != want {
			t.Errorf("%s has status %v, want %s", key, got, want)
		}
	}
}
