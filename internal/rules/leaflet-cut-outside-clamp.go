package rules

import (
	"slices"
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var leafletCutOutsideClamp = Rule{
	ID: "leaflet-cut-outside-clamp", Reference: "R71",
	Summary:  "Where a clamp is recorded and the heart was neither fibrillating nor beating, the first cut into a leaflet is timed while it is on.",
	Severity: Note, Kind: Time, Source: settings.SourceCommonPractice,
	Advice: "Check the times of cut and clamp; if the heart was fibrillating or beating, send how it was protected.",
	Since:  "3",
	Under:  []string{"incision-after-first-leaflet-cut", "clamp-outside-bypass"},
	Where: func(c *repair.Case) []metric.At {
		if !clamped(c) || c.Operation.FirstLeafletCutTime.IsZero() || slices.ContainsFunc(c.Operation.Runs, repair.Run.Clampless) {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		cut, _ := r.Clock("first_leaflet_cut_time", o.FirstLeafletCutTime, valve.AtOperation)
		last := ""
		for _, run := range o.Runs {
			at := valve.InRun(run.Number, "")
			switch {
			case run.ClampStart.IsZero() && run.ClampEnd.IsZero():
				continue
			case !run.ClampStart.IsZero() && cut.Before(run.ClampStart):
				if last == "" {
					last = minutes(run.ClampStart.Sub(cut)) + " before the clamp went on"
				}
			case !run.ClampEnd.IsZero() && cut.After(run.ClampEnd):
				last = minutes(cut.Sub(run.ClampEnd)) + " after the clamp came off"
			case run.ClampStart.IsZero():
				r.MissFact("clamp_start", at)
				return Verdict{}
			case run.ClampEnd.IsZero():
				r.MissFact("clamp_end", at)
				return Verdict{}
			default:
				return Verdict{}
			}
			r.Fact("clamp of run", at.Section())
		}
		return broken("The first cut into a leaflet is timed %s.", last)
	},
	Examples: []Example{
		{Name: "a quarter of an hour into the clamp", Want: Holds, Case: func() *repair.Case { return exampleCut(repair.Clock(9, 30)) }},
		{Name: "before the clamp", Want: Broken, Case: func() *repair.Case { return exampleCut(repair.Clock(9, 5)) }},
		{Name: "after it", Want: Broken, Case: func() *repair.Case { return exampleCut(repair.Clock(10, 50)) }},
		{Name: "in the minute in which it went on", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleCut(repair.Clock(9, 15)) }},
		{Name: "nobody says when it came off", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleCut(repair.Clock(9, 30))
			c.Operation.Runs[0].ClampEnd = time.Time{}
			return c
		}},
		{Name: "on the fibrillating heart", Want: Inapplicable, Case: func() *repair.Case {
			c := exampleCut(repair.Clock(9, 5))
			c.Operation.Runs[0].Protection = "fibrillating"
			return c
		}},
		{Name: "no clamp is recorded", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.FirstLeafletCutTime = repair.Clock(9, 30) }).
				Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
	},
}

func exampleCut(t time.Time) *repair.Case {
	c := exampleTimed(valve.OffBypass, repair.Clock(11, 10))
	c.Operation.FirstLeafletCutTime = t
	return c
}
