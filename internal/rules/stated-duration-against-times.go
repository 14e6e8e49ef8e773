package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
)

var statedDurationAgainstTimes = Rule{
	ID: "stated-duration-against-times", Reference: "R71",
	Summary:  "Stated durations of bypass and clamp differ by at most 5 min from what their times give.",
	Severity: Note, Kind: Time, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.DurationsApart},
	Advice:     "Check times and durations; where both times are recorded, they are what is counted.",
	Since:      "3",
	Under:      []string{"bypass-ends-before-start", "clamp-outside-bypass", "stated-clamp-exceeds-bypass"},
	Where:      runs(func(run repair.Run) bool { return run.StatedBypassMinutes.IsSome() || run.StatedClampMinutes.IsSome() }),
	Check: func(r *Reader) Verdict {
		at := r.At()
		run := r.Run(at.Run)
		var said []string
		var missing []string
		for _, d := range []struct {
			word, field string
			stated      units.Maybe[float64]
			start, end  time.Time
		}{
			{"bypass", "bypass", run.StatedBypassMinutes, run.BypassStart, run.BypassEnd},
			{"the clamp", "clamp", run.StatedClampMinutes, run.ClampStart, run.ClampEnd},
		} {
			stated, known := d.stated.Get()
			switch {
			case !known:
				continue
			case d.start.IsZero():
				missing = append(missing, d.field+"_start")
				continue
			case d.end.IsZero():
				missing = append(missing, d.field+"_end")
				continue
			case d.end.Before(d.start):
				continue // another rule's
			}
			clock := d.end.Sub(d.start).Minutes()
			if !r.Beyond(math.Abs(stated-clock), settings.DurationsApart) {
				continue
			}
			r.Fact("stated_"+d.field+"_min", fmt.Sprint(stated))
			r.Fact(d.field+" by its times", fmt.Sprint(clock))
			said = append(said, fmt.Sprintf("%s is stated as %g min and lasts %.0f min by its times", d.word, stated, clock))
		}
		if len(said) > 0 {
			return broken("In run %d %s.", at.Run, strings.Join(said, "; "))
		}
		for _, name := range missing {
			r.MissFact(name, at.Occasion)
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "120 min stated and by the clock", Want: Holds, Case: func() *repair.Case { return exampleStated(120, 85) }},
		{Name: "the clamp as stated is 25 min short", Want: Broken, Case: func() *repair.Case { return exampleStated(120, 60) }},
		{Name: "5 min apart", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleStated(125, 90) }},
		{Name: "6 min apart", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleStated(126, 85) }},
		{Name: "no times", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, StatedBypassMinutes: units.Some(120.0)}).Case()
		}},
		{Name: "nothing stated", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
	},
}

// exampleStated is a run with 120 min of bypass and 85 min of clamp by its times.
func exampleStated(bypass, clamp float64) *repair.Case {
	return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), ClampStart: repair.Clock(9, 15),
		ClampEnd: repair.Clock(10, 40), BypassEnd: repair.Clock(11, 0),
		StatedBypassMinutes: units.Some(bypass), StatedClampMinutes: units.Some(clamp)}).Case()
}
