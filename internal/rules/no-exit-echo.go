package rules

import (
	"fmt"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var noExitEcho = Rule{
	ID: "no-exit-echo", Reference: "",
	Summary:  "A completed repair has an echo on leaving theatre.",
	Severity: Caution, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the echo on leaving theatre; without it the result of the repair is not known.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		o := c.Operation
		if o == nil || o.Converted() || o.LeftTheatreAlive == valve.No || (o.EndTime.IsZero() && o.LeftTheatreAlive != valve.Yes) ||
			len(repair.InPlaceAtEnd(o.Steps)) == 0 {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		if r.Case().Exit() != nil {
			return Verdict{}
		}
		for _, s := range r.Case().OfKind(repair.Result) {
			if s.Stage == "" {
				r.MissFact("stage", s.Occasion)
			}
		}
		r.Fact("left_theatre_alive", string(o.LeftTheatreAlive))
		r.Fact("steps in place", fmt.Sprint(len(repair.InPlaceAtEnd(o.Steps))))
		return broken("The repair is completed, and no echo on leaving theatre is recorded.")
	},
	Examples: []Example{
		{Name: "with an echo", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditOperation(func(o *repair.Operation) { o.LeftTheatreAlive = valve.Yes }).Result("exit", 1, valve.LeavingTheatre).Case()
		}},
		{Name: "left theatre, no echo", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditOperation(func(o *repair.Operation) { o.LeftTheatreAlive = valve.Yes }).Case()
		}},
		{Name: "an echo off bypass is not the one on leaving theatre", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 30) }).Result("off", 1, valve.OffBypass).Case()
		}},
		{Name: "a result without its stage", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditOperation(func(o *repair.Operation) { o.LeftTheatreAlive = valve.Yes }).Result("r1", 1, "").Case()
		}},
		{Name: "still operating", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).Case()
		}},
	},
}
