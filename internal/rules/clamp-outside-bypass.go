package rules

import (
	"time"

	"trigone/internal/repair"
	"trigone/internal/settings"
)

var clampOutsideBypass = Rule{
	ID: "clamp-outside-bypass", Reference: "R71",
	Summary:  "The aorta is clamped within bypass: not before its start, not beyond its end, and off after it went on.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the times of the clamp or of bypass.",
	Since:  "1",
	Under:  []string{"bypass-ends-before-start"},
	Where:  runs(func(run repair.Run) bool { return !run.ClampStart.IsZero() || !run.ClampEnd.IsZero() }),
	Check: func(r *Reader) Verdict {
		at := r.At()
		run := r.Run(at.Run)
		order := []struct {
			earlier, later string
			from, to       time.Time
		}{
			{"bypass_start", "clamp_start", run.BypassStart, run.ClampStart},
			{"clamp_start", "clamp_end", run.ClampStart, run.ClampEnd},
			{"clamp_end", "bypass_end", run.ClampEnd, run.BypassEnd},
		}
		said := map[string]string{
			"bypass_start": "the clamp goes on %s before bypass starts",
			"clamp_start":  "the clamp comes off %s before it goes on",
			"clamp_end":    "the clamp comes off %s after bypass ends",
		}
		for _, o := range order {
			if o.from.IsZero() || o.to.IsZero() || !o.to.Before(o.from) {
				continue
			}
			r.Clock(o.earlier, o.from, at.Occasion)
			r.Clock(o.later, o.to, at.Occasion)
			v := broken("In run %d "+said[o.earlier]+".", at.Run, minutes(o.from.Sub(o.to)))
			v.Sections = []string{at.Occasion.Section()}
			return v
		}
		for _, o := range order {
			r.Clock(o.earlier, o.from, at.Occasion)
			r.Clock(o.later, o.to, at.Occasion)
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "clamped within bypass", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), ClampStart: repair.Clock(9, 15),
				ClampEnd: repair.Clock(10, 40), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
		{Name: "clamp off after bypass, whatever else is not recorded", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, ClampEnd: repair.Clock(11, 5), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
		{Name: "clamp on before bypass", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), ClampStart: repair.Clock(8, 50)}).Case()
		}},
		{Name: "clamp off before it went on", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, ClampStart: repair.Clock(10, 0), ClampEnd: repair.Clock(9, 0)}).Case()
		}},
		{Name: "all in the same minutes", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), ClampStart: repair.Clock(9, 0),
				ClampEnd: repair.Clock(11, 0), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
		{Name: "bypass is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, ClampStart: repair.Clock(9, 15), ClampEnd: repair.Clock(10, 40)}).Case()
		}},
	},
}
