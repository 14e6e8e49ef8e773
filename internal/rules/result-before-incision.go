package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var resultBeforeIncision = Rule{
	ID: "result-before-incision", Reference: "R71",
	Summary:  "A result off bypass or on leaving theatre must not lie before the incision.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the time of the result or of the incision; an echo before the first leaflet cut is an assessment.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return s.Kind == repair.Result && !s.Time.IsZero() })
	},
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		var began time.Time
		if o := r.Case().Operation; o != nil {
			began = o.IncisionTime
		}
		incision, known := r.Clock("incision_time", began, valve.AtOperation)
		echo, both := r.Clock("time", r.Study().Time, here)
		if !known || !both || !echo.Before(incision) {
			return Verdict{}
		}
		v := broken("The result lies %s before the incision.", minutes(incision.Sub(echo)))
		v.Sections = []string{string(here), string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "echo at the end of the morning", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.Time = repair.Clock(11, 30) }).Case()
		}},
		{Name: "echo at seven, incision at eight", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.Time = repair.Clock(7, 0) }).Case()
		}},
		{Name: "in one minute", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.Time = repair.Clock(8, 0) }).Case()
		}},
		{Name: "no operation received yet", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.Time = repair.Clock(11, 30) }).Case()
		}},
	},
}
