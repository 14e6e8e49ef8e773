package rules

import (
	"fmt"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
)

var statedClampExceedsBypass = Rule{
	ID: "stated-clamp-exceeds-bypass", Reference: "R71",
	Summary:  "The stated duration of the clamp must not exceed the stated duration of bypass of the same run.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the stated durations; they may be swapped.",
	Since:  "1",
	Where: runs(func(run repair.Run) bool {
		return run.StatedClampMinutes.IsSome() || run.StatedBypassMinutes.IsSome()
	}),
	Check: func(r *Reader) Verdict {
		at := r.At()
		run := r.Run(at.Run)
		clamp, known := run.StatedClampMinutes.Get()
		bypass, both := run.StatedBypassMinutes.Get()
		if !known {
			r.MissFact("stated_clamp_min", at.Occasion)
		}
		if !both {
			r.MissFact("stated_bypass_min", at.Occasion)
		}
		if !known || !both || !r.Greater(clamp, bypass) {
			return Verdict{}
		}
		r.Fact("stated_clamp_min", fmt.Sprint(clamp))
		r.Fact("stated_bypass_min", fmt.Sprint(bypass))
		v := broken("In run %d the stated clamp of %g min exceeds the stated bypass of %g min.", at.Run, clamp, bypass)
		v.Sections = []string{at.Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "80 of 110 min", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, StatedClampMinutes: units.Some(80.0), StatedBypassMinutes: units.Some(110.0)}).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, StatedClampMinutes: units.Some(110.0), StatedBypassMinutes: units.Some(80.0)}).Case()
		}},
		{Name: "equal", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, StatedClampMinutes: units.Some(80.0), StatedBypassMinutes: units.Some(80.0)}).Case()
		}},
		{Name: "no stated bypass", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, StatedClampMinutes: units.Some(80.0)}).Case()
		}},
	},
}
