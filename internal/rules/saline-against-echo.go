package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var salineAgainstEcho = Rule{
	ID: "saline-against-echo", Reference: "R42",
	Summary:  "The last saline test of a run and the first echo after it agree: no leak is not moderate regurgitation, a diffuse leak not mild or less; systolic anterior motion, which an arrested heart cannot show, excepted.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Trust the echo of the beating heart; write down that both disagreed.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		seen := map[int]bool{}
		return studies(c, func(s *repair.Study) bool {
			_, tested := lastSaline(c, s.Run)
			if s.Kind != repair.Result || s.Run == 0 || !s.HasRegurgitation || !tested || seen[s.Run] || !repaired(c, s) {
				return false
			}
			seen[s.Run] = true
			return true
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		test, _ := lastSaline(r.Case(), s.Run)
		leak, tested := r.Word("leak on saline", test.Leak, valve.AtOperation)
		moderate, graded := s.Grade.ModerateOrMore()
		if !graded {
			r.MissFact("regurgitation_grade", s.Occasion)
		}
		if !tested || !graded {
			return Verdict{}
		}
		r.Fact("grade", s.Grade.String())
		moved := s.AnteriorMotion != "" && s.AnteriorMotion != motionNone
		switch {
		case leak == leakNone && moderate && !moved:
			return broken("The last saline test of run %d showed no leak, and the echo after it %s regurgitation.", s.Run, s.Grade)
		case leak == leakDiffuse && !moderate:
			return broken("The last saline test of run %d showed a diffuse leak, and the echo after it grades the regurgitation as %s.", s.Run, s.Grade)
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "no leak, trace", Want: Holds, Case: func() *repair.Case { return exampleSalineEcho(leakNone, "trace") }},
		{Name: "no leak, moderate", Want: Broken, Case: func() *repair.Case { return exampleSalineEcho(leakNone, "moderate") }},
		{Name: "a diffuse leak, trace", Want: Broken, Case: func() *repair.Case { return exampleSalineEcho(leakDiffuse, "trace") }},
		{Name: "a discrete leak may be either", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleSalineEcho(leakDiscrete, "mild") }},
		{Name: "systolic anterior motion explains it", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleSaline(leakNone).Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, "moderate").
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
		}},
		{Name: "the test's result is not recorded", Want: NotEvaluable, Case: func() *repair.Case { return exampleSalineEcho("", "moderate") }},
	},
}

func exampleSalineEcho(leak, grade string) *repair.Case {
	return exampleSaline(leak).Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, grade).Case()
}
