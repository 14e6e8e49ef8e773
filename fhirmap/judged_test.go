package fhirmap_test

import (
	"encoding/json"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/settings"
)

// A value after the repair carries the limit of the policy it was evaluated under,
// whether or not a rule broke; one before the repair does not, nor one that no
// limit bounds, nor one whose limit nobody read.
func TestPolicyLimitsAreReferenceRanges(t *testing.T) {
	const exit = "value|mean_gradient|result/exit|measured|doppler"
	policyRange := func(h fhirmap.History, key string) object {
		t.Helper()
		list, _ := byKey(t, transaction(t, h), key)["referenceRange"].(array)
		var found object
		for _, x := range list {
			r := x.(object)
			if at(r, "type", "coding", 0, "code") == "range-of-policy" {
				if found != nil {
					t.Errorf("%s has two ranges of the policy", key)
				}
				found = r
			}
		}
		return found
	}
	site := settings.BuiltIn("s", "1", "UTC").Thresholds
	limit := site[settings.GradientHigh]
	limit.Value, limit.Owner = 6, settings.Site
	site[settings.GradientHigh] = limit

	h := fhirtest.Complete()
	if r := policyRange(h, exit); r != nil {
		t.Errorf("a policy that is not known gives %v", r)
	}
	h.Current.Limits = site
	r := policyRange(h, exit)
	if at(r, "high", "value") != json.Number("6") || at(r, "high", "code") != "mm[Hg]" || r["low"] != nil {
		t.Errorf("the mean gradient has the range %v", r)
	}
	if text := at(r, "text"); text != "Limit mean_gradient_high; the limit itself is within; limit of the site's policy; source: "+citation(t, limit.Source) {
		t.Errorf("it says %v", text)
	}
	for _, fault := range fhirtest.Check(transaction(t, h)) {
		t.Error(fault)
	}
	for _, key := range []string{"value|annulus_area|assessment/tee|measured|echo-3d", "grade|regurgitation_grade|result/exit"} {
		if r := policyRange(h, key); r != nil {
			t.Errorf("%s has the range %v", key, r)
		}
	}

	limit.Source = settings.SourceMemory
	h.Current.Limits = map[string]settings.Threshold{settings.GradientHigh: limit}
	if r := policyRange(h, exit); r != nil {
		t.Errorf("a limit from memory gives %v", r)
	}
}

func citation(t *testing.T, id settings.SourceID) string {
	t.Helper()
	s, ok := settings.SourceByID(id)
	if !ok {
		t.Fatalf("no source %s", id)
	}
	return s.Citation
}
