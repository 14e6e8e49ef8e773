package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var coaptationSlip = Rule{
	ID: "coaptation-slip", Reference: "R59",
	Summary:  "After the ring the coaptation length of A2-P2 is 0, which is no contact, or 2 mm or more.",
	Severity: Note, Kind: Slip, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.CoaptationSlip},
	Advice:     adviceOnSlips,
	Since:      "3", JudgesAllSince: "3",
	Where: func(c *repair.Case) []metric.At {
		if !ringPlaced(c) {
			return nil
		}
		return afterRepair(valve.AtSlice(valve.A2P2), valve.CoaptationLength)(c)
	},
	Check: func(r *Reader) Verdict {
		length := r.Beside(valve.CoaptationLength, valve.AtSlice(valve.A2P2))
		if v := r.Read(length); !r.Greater(v, 0) || !r.Below(v, settings.CoaptationSlip) {
			return Verdict{}
		}
		return broken("The coaptation length of A2-P2 is %s: very short, or %s typed in cm.", r.Text(length), r.inCentimetres(length))
	},
	Examples: []Example{
		{Name: "8 mm", Want: Holds, Case: func() *repair.Case { return exampleContact(8) }},
		{Name: "0.75 for 7.5 mm", Want: Broken, Case: func() *repair.Case { return exampleContact(0.75) }},
		{Name: "2 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleContact(2) }},
		{Name: "1.9 mm", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleContact(1.9) }},
		{Name: "0: no contact", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleContact(0) }},
		{Name: "a side slice has no lower end", Edge: true, Want: Inapplicable, Case: func() *repair.Case {
			return exampleRinged().SetAt(valve.CoaptationLength, valve.AtSlice(valve.A1P1), 1.2).Case()
		}},
		{Name: "without a ring", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.ArtificialChord).Result("exit", 1, valve.LeavingTheatre).Coaptation(1.5).Case()
		}},
		{Name: "before the operation", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Coaptation(1.5).Case()
		}},
		{Name: "tried and not possible", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleRinged().Absent(valve.CoaptationLength, valve.AtSlice(valve.A2P2), valve.AbsentNotPossible).Case()
		}},
	},
}

// ringPlaced says whether a ring or band was placed, or may have been: the steps are
// not stated to be whole.
func ringPlaced(c *repair.Case) bool {
	if c.Operation == nil || c.Operation.StepsRecorded != valve.Complete {
		return true
	}
	return slices.ContainsFunc(repair.InPlaceAtEnd(c.Operation.Steps), func(s repair.Step) bool { return s.Technique == repair.Annuloplasty })
}

func exampleRinged() *repair.Example {
	return repair.NewExample().Operation().Device("o1", repair.CompleteRing).Result("exit", 1, valve.LeavingTheatre)
}

func exampleContact(mm float64) *repair.Case { return exampleRinged().Coaptation(mm).Case() }
