package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var circumflexCloseUnchecked = Rule{
	ID: "circumflex-close-unchecked", Reference: "R65",
	Summary:  "A circumflex artery not farther than 4 mm from the annulus has its flow or the lateral wall looked at after bypass.",
	Severity: Note, Kind: Completeness, Source: settings.SourceKruse2025,
	Thresholds: []string{settings.CircumflexClose},
	Advice:     "Look at circumflex flow and lateral wall.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || !offBypass(c) || !has(c, native(c, valve.AtOperation, valve.CircumflexToAnnulusDistance, valve.Nowhere)) {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		n := r.Case().Operation.Neighbourhood
		distance := native(r.Case(), valve.AtOperation, valve.CircumflexToAnnulusDistance, valve.Nowhere)
		near := r.Below(r.Read(distance), settings.CircumflexClose)
		if !near || n.CircumflexFlowChecked == valve.Yes || n.LateralWallChecked == valve.Yes {
			return Verdict{}
		}
		return broken("The circumflex artery runs %s from the annulus, and neither its flow nor the lateral wall was looked at after bypass.", r.Text(distance))
	},
	Examples: []Example{
		{Name: "3 mm, flow seen", Want: Holds, Case: func() *repair.Case { return exampleCircumflex(3, valve.Yes) }},
		{Name: "3 mm, nothing looked at", Want: Broken, Case: func() *repair.Case { return exampleCircumflex(3, "") }},
		{Name: "4.1 mm", Want: Holds, Case: func() *repair.Case { return exampleCircumflex(4.1, "") }},
		{Name: "4 mm exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleCircumflex(4, "") }},
		{Name: "distance not recorded", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("ct").EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 0) }).Case()
		}},
	},
}

func exampleCircumflex(distance float64, checked valve.Answer) *repair.Case {
	return repair.NewExample().Assess("ct").Set(valve.CircumflexToAnnulusDistance, distance).EditOperation(func(o *repair.Operation) {
		o.EndTime, o.Neighbourhood.CircumflexFlowChecked = repair.Clock(12, 0), checked
	}).Case()
}
