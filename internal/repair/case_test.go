package repair

import "testing"

func TestFibrillationBefore(t *testing.T) {
	for _, row := range []struct {
		reason string
		c      Case
		want   string
	}{
		{"nobody says anything", Case{Plan: &Plan{}, Operation: &Operation{}}, ""},
		{"neither plan nor operation", Case{}, ""},
		{"only the plan says it", Case{Plan: &Plan{FibrillationBefore: "persistent"}, Operation: &Operation{}}, "persistent"},
		{"the operation is later than the plan", Case{Plan: &Plan{FibrillationBefore: "paroxysmal"}, Operation: &Operation{FibrillationBefore: "persistent"}}, "persistent"},
		{"none is an answer too", Case{Plan: &Plan{FibrillationBefore: "paroxysmal"}, Operation: &Operation{FibrillationBefore: "none"}}, "none"},
	} {
		if got := row.c.FibrillationBefore(); got != row.want {
			t.Errorf("%s: %q, want %q", row.reason, got, row.want)
		}
	}
}

func TestClampless(t *testing.T) {
	for _, row := range []struct {
		reason string
		run    Run
		want   bool
	}{
		{"not recorded", Run{}, false},
		{"an arrested heart", Run{Protection: "cardioplegia", AorticOcclusion: "clamp"}, false},
		{"a balloon closes the aorta as a clamp does", Run{AorticOcclusion: "balloon"}, false},
		{"a fibrillating heart", Run{Protection: "fibrillating"}, true},
		{"a beating heart", Run{Protection: "beating"}, true},
		{"an aorta left open", Run{AorticOcclusion: "none"}, true},
	} {
		if got := row.run.Clampless(); got != row.want {
			t.Errorf("%s: %t, want %t", row.reason, got, row.want)
		}
	}
}
