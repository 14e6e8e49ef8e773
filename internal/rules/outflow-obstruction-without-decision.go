package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var outflowObstructionWithoutDecision = Rule{
	ID: "outflow-obstruction-without-decision", Reference: "R52",
	Summary:  "A gradient of the outflow tract of 50 mmHg or more that was not said to resolve has a decision recorded.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCardiomyopathy2023,
	Thresholds: []string{settings.OutflowGradientActedOn},
	Advice:     "Record what was decided: medical treatment, accepted, or back on bypass.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.Result && repaired(c, s) && holdsAny(c, s, valve.Nowhere, valve.OutflowTractGradient)
		})
	},
	Check: func(r *Reader) Verdict {
		s, gradient := r.Study(), r.Here(valve.OutflowTractGradient)
		answered := s.Decision != "" || s.AnteriorMotionEnd == "resolved" || s.AnteriorMotionEnd == "returned_to_bypass"
		if !r.Beyond(r.Read(gradient), settings.OutflowGradientActedOn) || answered {
			return Verdict{}
		}
		return broken("The gradient of the outflow tract is %s, and no decision is recorded.", r.Text(gradient))
	},
	Examples: []Example{
		{Name: "60 mmHg, medical treatment first", Want: Holds, Case: func() *repair.Case { return exampleOutflow(60, "medical_first") }},
		{Name: "60 mmHg and nothing said", Want: Broken, Case: func() *repair.Case { return exampleOutflow(60, "") }},
		{Name: "50 mmHg exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleOutflow(50, "") }},
		{Name: "no gradient", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Case()
		}},
	},
}

func exampleOutflow(gradient float64, decision string) *repair.Case {
	return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Set(valve.OutflowTractGradient, gradient).
		EditStudy(func(s *repair.Study) { s.AnteriorMotion, s.Decision = "leaflet_with_obstruction", decision }).Case()
}
