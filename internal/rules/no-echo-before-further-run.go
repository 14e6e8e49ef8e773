package rules

import (
	"fmt"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var noEchoBeforeFurtherRun = Rule{
	ID: "no-echo-before-further-run", Reference: "",
	Summary:  "A further run on the pump for the mitral valve, or a conversion after weaning, has the echo of the run before it.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the echo off bypass that led to it.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		list := runs(func(run repair.Run) bool { return run.Number > 1 && run.ForMitralValve != valve.No })(c)
		if len(list) == 0 && c.Operation.Converted() && c.Operation.Conversion.Point == "after_weaning" {
			return inOperation(c)
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		before := max(r.At().Run-1, 1)
		for _, s := range r.Case().OfKind(repair.Result) {
			switch s.Run {
			case before:
				return Verdict{}
			case 0:
				r.MissFact("run", s.Occasion)
			}
		}
		r.Fact("run before", fmt.Sprint(before))
		if r.At().Run == 0 {
			return broken("The repair was converted after weaning, and no echo of run %d is recorded.", before)
		}
		return broken("Run %d followed, and no echo of run %d is recorded.", r.At().Run, before)
	},
	Examples: []Example{
		{Name: "echo off bypass after run 1", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).Result("off1", 1, valve.OffBypass).Case()
		}},
		{Name: "two runs, echo of the second only", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).Result("exit", 2, valve.LeavingTheatre).Case()
		}},
		{Name: "converted after weaning, one run recorded, no echo", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) {
				o.Conversion = &repair.Conversion{Converted: valve.Yes, Point: "after_weaning"}
			}).Case()
		}},
		{Name: "the further run was for bleeding", Edge: true, Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1}).
				Pump(repair.Run{Number: 2, Reason: "bleeding", ForMitralValve: valve.No}).Case()
		}},
		{Name: "a result that does not say its run", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).Result("off", 0, valve.OffBypass).Case()
		}},
	},
}
