package rules

import (
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var annulusPhasesMixed = Rule{
	ID: "annulus-phases-mixed", Reference: "R78",
	Summary:  "The dimensions of the annulus in one assessment that ratios are made of stem from one phase of the cardiac cycle; what was measured by ruler, calliper or sizer has none.",
	Severity: Note, Kind: Definition, Source: settings.SourceCommonPractice,
	Advice: "Measure all in one phase: a diameter differs by 3 to 4 mm between systole and diastole.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return len(phased(c, s)) > 1 })
	},
	Check: func(r *Reader) Verdict {
		var phases []string
		for _, k := range phased(r.Case(), r.Study()) {
			m, _ := r.Measurement(k)
			word, known := r.Word("cardiac_phase of "+string(k.ID), string(m.Context.Phase), r.At().Occasion)
			if !known {
				return Verdict{}
			}
			r.Read(k)
			if !slices.Contains(phases, word) {
				phases = append(phases, word)
			}
		}
		if len(phases) < 2 {
			return Verdict{}
		}
		return broken("Dimensions of the annulus of one study stem from different phases: %s.", strings.ReplaceAll(strings.Join(phases, ", "), "_", " "))
	},
	Examples: []Example{
		{Name: "both at the end of systole", Want: Holds, Case: func() *repair.Case { return examplePhases(valve.EndSystole, valve.EndSystole) }},
		{Name: "one in diastole", Want: Broken, Case: func() *repair.Case { return examplePhases(valve.EndSystole, valve.EndDiastole) }},
		{Name: "a ruler's value has no phase", Edge: true, Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Context(valve.Context{Phase: valve.EndSystole}).Set(valve.AnnulusAnteroPosteriorDiameter, 34).
				Context(valve.Context{Method: valve.Ruler}).Set(valve.AnnulusIntercommissuralDiameter, 40).Case()
		}},
		{Name: "one phase not stated", Want: NotEvaluable, Case: func() *repair.Case { return examplePhases(valve.EndSystole, "") }},
	},
}

// phased gives the dimensions of the annulus that a study measured in the beating
// heart.
func phased(c *repair.Case, s *repair.Study) []valve.Key {
	var list []valve.Key
	for _, leaf := range []valve.ID{
		valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter, valve.AnnulusAnterolateralPosteromedialDiameter,
		valve.AnnulusArea, valve.AnnulusPerimeter, valve.AnnulusHeight,
	} {
		k := valve.Key{ID: leaf, Occasion: s.Occasion, Role: valve.Measured}
		still := slices.Contains([]valve.Method{valve.Ruler, valve.Calliper, valve.Sizer}, c.Measured[k].Context.Method)
		if has(c, k) && !still {
			list = append(list, k)
		}
	}
	return list
}

func examplePhases(first, second valve.CardiacPhase) *repair.Case {
	return repair.NewExample().Assess("tee").Context(valve.Context{Phase: first}).Set(valve.AnnulusAnteroPosteriorDiameter, 34).
		Context(valve.Context{Phase: second}).Set(valve.AnnulusIntercommissuralDiameter, 40).Case()
}
