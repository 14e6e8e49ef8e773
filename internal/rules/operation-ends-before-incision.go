package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var operationEndsBeforeIncision = Rule{
	ID: "operation-ends-before-incision", Reference: "R71",
	Summary:  "The end of the operation must not lie before the incision.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the time of the incision or the end of the operation.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || c.Operation.EndTime.IsZero() {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		incision, known := r.Clock("incision_time", o.IncisionTime, valve.AtOperation)
		end, both := r.Clock("end_time", o.EndTime, valve.AtOperation)
		if !known || !both || !end.Before(incision) {
			return Verdict{}
		}
		v := broken("The operation ends %s before the incision.", minutes(incision.Sub(end)))
		v.Sections = []string{string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "four hours", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 0) }).Case()
		}},
		{Name: "ends the hour before", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(7, 0) }).Case()
		}},
		{Name: "in one minute", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(8, 0) }).Case()
		}},
		{Name: "no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) {
				o.IncisionTime, o.EndTime = time.Time{}, repair.Clock(12, 0)
			}).Case()
		}},
	},
}
