package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var edgeSuturedWithoutGradient = Rule{
	ID: "edge-sutured-without-gradient", Reference: "R68",
	Summary:  "After an edge-to-edge suture or a closed commissure the mean gradient is measured.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the mean gradient with its rate: both narrow the orifice.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || c.Operation.Converted() || !offBypass(c) || len(narrowing(c)) == 0 {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		for i := range r.Case().Studies {
			s := &r.Case().Studies[i]
			if repaired(r.Case(), s) && asked(r.Case(), s, valve.Nowhere, valve.MeanGradient) {
				return Verdict{}
			}
		}
		what := narrowing(r.Case())[0]
		r.Fact("step", what)
		return broken("After %s no mean gradient is recorded.", what)
	},
	Examples: []Example{
		{Name: "measured", Want: Holds, Case: func() *repair.Case {
			return exampleEdge().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Case()
		}},
		{Name: "not measured", Want: Broken, Case: func() *repair.Case {
			return exampleEdge().Result("exit", 1, valve.LeavingTheatre).Coaptation(8).Case()
		}},
		{Name: "tried and not possible is an entry", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleEdge().Result("exit", 1, valve.LeavingTheatre).Absent(valve.MeanGradient, valve.Nowhere, valve.AbsentNotPossible).Case()
		}},
		{Name: "no such step", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.CleftClosure).Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}

// narrowing says which steps in place at the end suture free edges together.
func narrowing(c *repair.Case) []string {
	var list []string
	for _, s := range repair.InPlaceAtEnd(c.Operation.Steps) {
		switch s.Technique {
		case repair.EdgeToEdge:
			list = append(list, "an edge-to-edge suture")
		case repair.CommissuralClosure:
			list = append(list, "the closure of a commissure")
		}
	}
	return list
}

func exampleEdge() *repair.Example {
	return repair.NewExample().Operation().Step("o1", repair.EdgeToEdge).EditStep(func(s *repair.Step) { s.Slice = valve.A2P2 })
}
