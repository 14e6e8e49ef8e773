package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var incisionAfterFirstLeafletCut = Rule{
	ID: "incision-after-first-leaflet-cut", Reference: "R71",
	Summary:  "The skin incision must not lie after the first cut into a leaflet.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the time of the incision or of the first leaflet cut; the plan in force depends on them.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || c.Operation.FirstLeafletCutTime.IsZero() {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		incision, known := r.Clock("incision_time", o.IncisionTime, valve.AtOperation)
		cut, both := r.Clock("first_leaflet_cut_time", o.FirstLeafletCutTime, valve.AtOperation)
		if !known || !both || !incision.After(cut) {
			return Verdict{}
		}
		v := broken("The incision lies %s after the first leaflet cut.", minutes(incision.Sub(cut)))
		v.Sections = []string{string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "an hour and a half from incision to cut", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.FirstLeafletCutTime = repair.Clock(9, 30) }).Case()
		}},
		{Name: "cut before the incision", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.FirstLeafletCutTime = repair.Clock(7, 30) }).Case()
		}},
		{Name: "in one minute", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.FirstLeafletCutTime = repair.Clock(8, 0) }).Case()
		}},
		{Name: "no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) {
				o.IncisionTime, o.FirstLeafletCutTime = time.Time{}, repair.Clock(9, 30)
			}).Case()
		}},
	},
}
