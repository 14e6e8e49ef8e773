package rules

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// above is a predicate over one name; what is not there cannot be judged.
func above(name string, limit float64) func(map[string]any) (bool, error) {
	return func(read map[string]any) (bool, error) {
		v, ok := read[name].(float64)
		if !ok {
			return false, ErrMissing
		}
		return v > limit, nil
	}
}

func says(name, word string) func(map[string]any) (bool, error) {
	return func(read map[string]any) (bool, error) {
		if read[name] == nil {
			return false, ErrMissing
		}
		return read[name] == word, nil
	}
}

// A rule of a site speaks where it says, reads where it says, and is silent, a gap or a
// note, never more.
func TestSiteRules(t *testing.T) {
	value := func(id, place, from string) []SiteRead {
		return []SiteRead{{Name: "x", Value: valve.ID(id), Place: valve.Place(place), From: from}}
	}
	fact := func(name, from string) []SiteRead { return []SiteRead{{Name: "x", Fact: name, From: from}} }
	whole := func() *repair.Case {
		return repair.NewExample().Assess("early").Set(valve.MeanGradient, 9).Assess("tte").Set(valve.AnnulusAnteroPosteriorDiameter, 38).
			EditStudy(func(s *repair.Study) { s.Rhythm = "sinus" }).
			Plan().Operation().Result("off", 1, valve.OffBypass).Set(valve.MeanGradient, 6).
			Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Coaptation(7).Graded(repair.FiveStep, "moderate").
			FollowUp("year").Set(valve.MeanGradient, 5).Case()
	}
	for why, test := range map[string]struct {
		rule SiteRule
		want []string // occasion and message, or occasion and what is missing
	}{
		"fires at each result beyond": {SiteRule{At: "results", Reads: value("mean_gradient", "", ""), Message: "{x}.", Fires: above("x", 3)}, []string{"result/off: 6.0 mmHg.", "result/exit: 4.0 mmHg."}},
		"silent":                      {SiteRule{At: "leaving_theatre", Reads: value("mean_gradient", "", ""), Fires: above("x", 4)}, nil},
		"at a place":                  {SiteRule{At: "leaving_theatre", Reads: value("coaptation_length", "a2_p2", ""), Message: "{x}", Fires: above("x", 3)}, []string{"result/exit: 7.0 mm"}},
		"a place without a value":     {SiteRule{At: "leaving_theatre", Reads: value("coaptation_length", "a1_p1", ""), Fires: above("x", 3)}, []string{"result/exit: missing coaptation_length at a1_p1 of result/exit"}},
		"read before": {SiteRule{At: "leaving_theatre", Reads: value("annulus_antero_posterior_diameter", "", "before"), Message: "{x}", Fires: above("x", 37)},
			[]string{"result/exit: 38.0 mm"}},
		"not read where it stands": {SiteRule{At: "leaving_theatre", Reads: value("annulus_antero_posterior_diameter", "", ""), Fires: above("x", 37)},
			[]string{"result/exit: missing annulus_antero_posterior_diameter of result/exit"}},
		"a fact":                      {SiteRule{At: "leaving_theatre", Reads: fact("regurgitation_moderate_or_more", ""), Message: "{x}", Fires: says("x", "yes")}, []string{"result/exit: yes"}},
		"a fact of another study":     {SiteRule{At: "leaving_theatre", Reads: fact("rhythm", "before"), Message: "{x}", Fires: says("x", "sinus")}, []string{"result/exit: sinus"}},
		"a fact that is not recorded": {SiteRule{At: "follow_ups", Reads: fact("vital_status", ""), Fires: says("x", "dead")}, []string{"follow_up/year: missing vital_status of follow_up/year"}},
		"one that fails is a note": {SiteRule{At: "leaving_theatre", Severity: Caution, Reads: value("mean_gradient", "", ""), Fires: func(map[string]any) (bool, error) { return true, errors.New("too dear") }},
			[]string{"result/exit: A rule of this site could not be judged here: too dear."}},
		"one that breaks is a note": {SiteRule{At: "leaving_theatre", Severity: Caution, Reads: value("mean_gradient", "", ""), Fires: func(map[string]any) (bool, error) { panic("x") }},
			[]string{"result/exit: A rule of this site could not be judged here: the rule broke down."}},
		"nowhere": {SiteRule{At: "plan", Reads: value("mean_gradient", "", "plan"), Fires: above("x", 3)}, []string{"plan: missing mean_gradient of plan"}},
	} {
		test.rule.ID = "site/tried"
		if test.rule.Severity == "" {
			test.rule.Severity = Note
		}
		c := whole()
		s := settings.BuiltIn("", "", "UTC")
		findings, gaps := RunSite([]SiteRule{test.rule}, c, s, metric.Compute(c, s))
		var got []string
		for _, f := range findings {
			got = append(got, string(f.At.Occasion)+": "+f.Message)
			if f.Severity != Note || f.Rule != "site/tried" || f.ID == "" || len(f.Disputes) > 0 || len(f.Inputs)+len(f.Facts) == 0 {
				t.Errorf("%s: %+v", why, f)
			}
		}
		for _, g := range gaps {
			got = append(got, string(g.At.Occasion)+": missing "+strings.Join(g.Missing, ", "))
		}
		if !slices.Equal(got, test.want) {
			t.Errorf("%s: %q, want %q", why, got, test.want)
		}
	}
}

// What a case does not have at all is nowhere that a rule speaks.
func TestSiteRulesOfAnEmptyCase(t *testing.T) {
	for _, p := range SitePlaces() {
		c := repair.NewExample().Case()
		findings, gaps := RunSite([]SiteRule{{ID: "site/tried", At: p.Word, Fires: above("x", 1), Reads: []SiteRead{{Name: "x", Value: valve.MeanGradient}}}}, c, settings.BuiltIn("", "", "UTC"), nil)
		if len(findings)+len(gaps) > 0 {
			t.Errorf("%s: %v %v", p.Word, findings, gaps)
		}
	}
}

// A computed value is read like a measured one, with what it was computed from.
func TestSiteRulesReadMetrics(t *testing.T) {
	c := repair.NewExample().Assess("tte").Set(valve.AnnulusAnteroPosteriorDiameter, 38).Set(valve.AnnulusIntercommissuralDiameter, 40).Case()
	s := settings.BuiltIn("", "", "UTC")
	values := metric.Compute(c, s)
	i := slices.IndexFunc(values, func(v metric.Value) bool { return v.State == metric.HasValue && len(v.Inputs) > 0 })
	if i < 0 {
		t.Fatal("nothing is computed of the example")
	}
	v := values[i]
	findings, _ := RunSite([]SiteRule{{
		ID: "site/tried", At: "assessments", Severity: Note, Message: "{x}", Fires: above("x", -1),
		Reads: []SiteRead{{Name: "x", Value: v.Key.ID, Place: v.Key.Place}},
	}}, c, s, values)
	if len(findings) != 1 || findings[0].Message != Amount(v.Key.ID, v.Value) || len(findings[0].Inputs) != len(v.Inputs) {
		t.Errorf("%+v, want the value of %s", findings, v.Key)
	}
}

func TestSiteTables(t *testing.T) {
	var names []string
	for _, f := range SiteFacts() {
		names = append(names, f.Name)
		if f.Text == "" || slices.Contains(f.Words, "") {
			t.Errorf("%+v", f)
		}
	}
	if !slices.IsSorted(names) || len(slices.Compact(slices.Clone(names))) != len(names) {
		t.Errorf("facts are not in the order of their names, each once: %v", names)
	}
	for _, r := range All() {
		if IsSite(r.ID) {
			t.Errorf("%s has the prefix of a site's rules", r.ID)
		}
	}
}
