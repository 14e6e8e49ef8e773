package trialplan

import (
	"fmt"
	"os"
	"testing"

	"trigone/internal/casebook"
	"trigone/internal/casefile"
	"trigone/internal/policy"
	"trigone/internal/render"
)

func TestLook(t *testing.T) {
	pol, err := policy.Load("../../testdata/policies/harbour-demo.yaml", nil)
	if err != nil { t.Fatal(err) }
	tr := Read(map[string][]string{"a2": {"25"}, "p2": {"22"}, "heights_read": {"echo_3d"}, "p2_aimed": {"15,5"}, "ring_ap": {"27"}, "contact_low": {"6"}, "contact_high":{"10"},
	"work": {"quadrangular"}, "cut_free_edge": {"14"}, "cut_base": {"12"}, "advance_lateral": {"6"}, "advance_medial": {"6"}, "segments": {"p2"}, "disease": {"billowing"}, "ring_transverse": {"34"},
	"heart_rate": {"75"}, "stroke_volume": {"70"}, "septum": {"15"}, "closure_to_septum": {"24"}, "gradient_most": {"5"}}, pol.Settings.Rings)
	fmt.Println(tr.Faults, tr.Remarks, tr.Refusals, len(pol.Settings.Rings))
	fmt.Println(casefile.Write(tr.CaseFile()))
	e, err := casebook.EvaluateFile(pol, tr.CaseFile(), "x")
	if err != nil { t.Fatal(err) }
	render.Evaluation(os.Stdout, e, render.EvaluationOptions{Metrics: true})
}
