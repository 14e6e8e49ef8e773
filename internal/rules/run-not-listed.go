package rules

import (
	"slices"
	"strconv"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var runNotListed = Rule{
	ID: "run-not-listed", Reference: "R70",
	Summary:  "Every pump run that a step, a test, a height or a result names is among the runs, if these are said to be all.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Add the run, or correct the number that names it.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || len(c.Operation.Runs) == 0 {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		var sections []string
		unlisted := 0
		name := func(run int, by, section string) {
			if run > 0 && !slices.ContainsFunc(o.Runs, func(have repair.Run) bool { return have.Number == run }) {
				r.Fact(by, strconv.Itoa(run))
				unlisted = run
				sections = append(sections, section)
			}
		}
		operation := string(valve.AtOperation)
		for _, s := range o.Steps {
			name(s.Run, "run of step "+s.ID, operation)
			name(s.TakenDownInRun, "run in which step "+s.ID+" was taken down", operation)
		}
		for _, f := range o.FieldSets {
			name(f.Run, "run of a height", operation)
		}
		for _, t := range slices.Concat(o.SalineTests, o.InkTests) {
			name(t.Run, "run of test "+t.ID, operation)
		}
		for _, s := range r.Case().OfKind(repair.Result) {
			name(s.Run, "run of "+string(s.Occasion), s.Occasion.Section())
		}
		if unlisted == 0 || !r.Complete("runs_recorded", o.RunsRecorded, valve.AtOperation) {
			return Verdict{}
		}
		v := broken("Run %d is named and is not among the %d recorded, which are said to be all.", unlisted, len(o.Runs))
		v.Sections = append(sections, operation)
		return v
	},
	Examples: []Example{
		{Name: "a step of run 1", Want: Holds, Case: func() *repair.Case { return exampleRun(1) }},
		{Name: "a step of run 2, which is not there", Want: Broken, Case: func() *repair.Case { return exampleRun(2) }},
		{Name: "a step that does not say its run", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleRun(0) }},
		{Name: "the runs may not be all", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleRun(2)
			c.Operation.RunsRecorded = valve.Partial
			return c
		}},
	},
}

func exampleRun(run int) *repair.Case {
	return repair.NewExample().Pump(repair.Run{Number: 1}).Step("o1", repair.CleftClosure).EditStep(func(s *repair.Step) { s.Run = run }).Case()
}
