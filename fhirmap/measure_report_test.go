package fhirmap_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/fhirmap"
	trigonev1 "trigone/proto/trigone/v1"
)

// figures are an invented answer: heights with limits and strata, labels of rings that are
// counted, and an aim of which there are too few.
func figures() *trigonev1.SummarizeAgreementResponse {
	figure := func(value, lower, upper float64) *trigonev1.Figure {
		return &trigonev1.Figure{Value: &value, Lower: &lower, Upper: &upper}
	}
	height := &trigonev1.Agreement{
		Kind: trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT, Metric: "leaflet_height", Place: "p2", Method: trigonev1.Method_METHOD_RULER, Unit: "mm",
		FormulaNumber: 1, MetricFormulaNumber: 1, Sentence: "Height of the posterior leaflet at P2 was 0.4 mm below plan on average (0.9 below to 0.1 above).", PatientCount: 41, PairCount: 38,
		Bias: figure(-0.4, -0.9, 0.1), Sd: figure(1.5, 1.22, 1.94), LowerLimit: figure(-3.34, -4.2, -2.5), UpperLimit: figure(2.54, 1.7, 3.4),
		WithinTolerance: &trigonev1.ShareFigure{Count: 33, Of: 38, Share: figure(33.0/38, 0.727, 0.942)},
	}
	ofFew := proto.CloneOf(height)
	ofFew.Stratum = &trigonev1.Stratum{Kind: "sex", Word: "female"}
	ofFew.PatientCount, ofFew.PairCount, ofFew.Bias = 14, 13, figure(-0.7, -1.8, 0.4)
	ofFew.Sd, ofFew.LowerLimit, ofFew.UpperLimit, ofFew.WithinTolerance = nil, nil, nil, nil
	label := &trigonev1.Agreement{
		Kind: trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL, Metric: "ring_label", FormulaNumber: 1, Sentence: "28 of 36 rings had the label planned.", PatientCount: 36, PairCount: 36,
		Exact: &trigonev1.ShareFigure{Count: 28, Of: 36, Share: figure(28.0/36, 0.62, 0.88)},
	}
	few := &trigonev1.Agreement{
		Kind: trigonev1.ComparisonKind_COMPARISON_KIND_AIM, Metric: "coaptation_length", Place: "a2_p2", Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, Unit: "mm",
		Sentence: "Coaptation length at A2-P2: 4 pairs, too few to say.", PatientCount: 4, PairCount: 4, Bias: &trigonev1.Figure{NotEvaluableBecause: "fewer than 10 pairs"},
	}
	return &trigonev1.SummarizeAgreementResponse{
		Context: &trigonev1.AuditContext{
			Parent: "sites/harbour", AsOf: timestamppb.New(time.Date(2026, 10, 1, 6, 0, 0, 0, time.UTC)), LastChange: 284, Invented: true, Caution: "Figures to review, not a verdict.",
			Filter: &trigonev1.AuditFilter{IncisionFrom: timestamppb.New(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))},
		},
		EligibleCaseCount: 52, ComparedCaseCount: 44, LeftOut: []*trigonev1.LeftOut{{Reason: "no_plan_in_force", Count: 8}},
		Agreements: []*trigonev1.Agreement{height, ofFew, label, few},
	}
}

func TestAgreementReport(t *testing.T) {
	r, err := fhirmap.Site{}.AgreementReport(figures())
	if err != nil {
		t.Fatal(err)
	}
	again, err := fhirmap.Site{}.AgreementReport(figures())
	if err != nil || !bytes.Equal(again.JSON, r.JSON) || r.Type != fhirmap.TypeMeasureReport {
		t.Errorf("the same figures are another report: %v", err)
	}
	report := decode(t, r.JSON)
	groups := map[string]object{}
	for _, g := range report["group"].(array) {
		first := at(g, "extension", 0, "valueCodeableConcept", "coding", 0, "code").(string)
		groups[first+" "+at(g, "code", "coding", 0, "code").(string)] = g.(object)
	}
	for _, row := range []struct {
		reason string
		got    any
		want   any
	}{
		{"it is a summary: no list of subjects leaves", report["type"], "summary"},
		{"of a measure that the terminology has", report["measure"], fhirmap.Base + "/Measure/agreement|1"},
		{"up to the moment that it is as of", at(report["period"], "end"), "2026-10-01T06:00:00Z"},
		{"from where it was asked", at(report["period"], "start"), "2026-01-01T00:00:00Z"},
		{"a figure is a score", at(groups["comparison-kind-height bias"], "measureScore", "value"), -0.4},
		{"with its interval", at(groups["comparison-kind-height bias"], "measureScore", "extension", 0, "valueRange", "high", "value"), 0.1},
		{"pairs are the measure population", at(groups["comparison-kind-height bias"], "population", 1, "count"), 38.0},
		{"a stratum stands in the group of the whole", at(groups["comparison-kind-height bias"], "stratifier", 0, "stratum", 0, "measureScore", "value"), -0.7},
		{"under its word", at(groups["comparison-kind-height bias"], "stratifier", 0, "stratum", 0, "value", "text"), "female"},
		{"a share has its denominator", at(groups["comparison-kind-ring-label label-as-planned"], "population", 1, "count"), 36.0},
		{"and its numerator", at(groups["comparison-kind-ring-label label-as-planned"], "population", 2, "count"), 28.0},
		{"what could not be told has no group", len(report["group"].(array)), 6},
	} {
		if fmt.Sprint(row.got) != fmt.Sprint(row.want) { // numbers are read as they were written
			t.Errorf("%s: %v, want %v", row.reason, row.got, row.want)
		}
	}
	said := at(report["text"], "div").(string)
	for _, want := range []string{"Invented cases", "Of 52 cases operated on, 44", "Left out: 8, no plan in force.", "4 pairs, too few to say", "not a verdict"} {
		if !strings.Contains(said, want) {
			t.Errorf("the narrative does not say %q: %s", want, said)
		}
	}

	const path = "testdata/agreement.ndjson"
	if *update {
		if err := os.WriteFile(path, append(r.JSON, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(want, append(r.JSON, '\n')) {
		t.Errorf("%s is not what is made (%v); with -update it is written anew", path, err)
	}
	own, err := fhirmap.Site{Base: "https://fhir.example.com/valves"}.AgreementReport(figures())
	if err != nil || bytes.Contains(own.JSON, []byte(fhirmap.Base)) || !bytes.Contains(own.JSON, []byte("https://fhir.example.com/valves/Measure/agreement|1")) {
		t.Errorf("under a base of the site's: %s, %v", own.JSON, err)
	}
}

// Of no case there is a report all the same, without a group.
func TestAgreementReportOfNothing(t *testing.T) {
	r, err := fhirmap.Site{}.AgreementReport(&trigonev1.SummarizeAgreementResponse{Context: &trigonev1.AuditContext{Parent: "sites/harbour", AsOf: timestamppb.New(time.Unix(0, 0))}})
	if err != nil || bytes.Contains(r.JSON, []byte(`"group"`)) || !bytes.Contains(r.JSON, []byte("Of 0 cases operated on, 0 have a comparison that counts.")) {
		t.Errorf("%s, %v", r.JSON, err)
	}
}
