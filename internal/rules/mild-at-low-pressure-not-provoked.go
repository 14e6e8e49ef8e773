package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var mildAtLowPressureNotProvoked = Rule{
	ID: "mild-at-low-pressure-not-provoked", Reference: "",
	Summary:  "Regurgitation judged mild or less after bypass was judged at a systolic pressure of at least 100 mmHg, or provoked.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.SystolicPressureLow},
	Advice:     "Raise the pressure and look again: a low pressure hides regurgitation.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			more, known := s.Grade.ModerateOrMore()
			return s.Kind == repair.Result && repaired(c, s) && known && !more && !provoked(*s)
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		pressure := r.InStudy(valve.SystolicArterialPressure, valve.Nowhere)
		if !r.Below(r.Read(pressure), settings.SystolicPressureLow) {
			return Verdict{}
		}
		limit := r.Limit(settings.SystolicPressureLow)
		for _, other := range r.Case().OfKind(repair.Result) {
			if other.Run != s.Run || !other.Grade.Known() {
				continue
			}
			k := pressure
			k.Occasion = other.Occasion
			raised, known := r.Case().Measured[k].Value.Get()
			if provoked(other) || (known && !limit.Below(raised)) {
				return Verdict{}
			}
		}
		if _, known := r.Word("provocation", s.Provocation, s.Occasion); !known {
			return Verdict{}
		}
		r.Fact("grade", s.Grade.String())
		return broken("Regurgitation was judged %s at a systolic pressure of %s, below %s, and not provoked.", s.Grade, r.Text(pressure), r.LimitText(settings.SystolicPressureLow))
	},
	Examples: []Example{
		{Name: "at 115 mmHg", Want: Holds, Case: func() *repair.Case {
			return exampleAtPressure(115, "none").Case()
		}},
		{Name: "at 85 mmHg, at rest", Want: Broken, Case: func() *repair.Case {
			return exampleAtPressure(85, "none").Case()
		}},
		{Name: "at 85 mmHg, then raised", Want: Holds, Case: func() *repair.Case {
			return exampleAtPressure(85, "none").Result("provoked", 1, valve.OffBypass).Graded(repair.FiveStep, "mild").
				EditStudy(func(s *repair.Study) { s.Provocation = "pressure" }).Case()
		}},
		{Name: "100 mmHg exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleAtPressure(100, "none").Case()
		}},
		{Name: "no pressure", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, "trace").Case()
		}},
		{Name: "whether it was provoked is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleAtPressure(85, "").Case()
		}},
	},
}

// provoked says whether regurgitation was provoked.
func provoked(s repair.Study) bool { return s.Provocation != "" && s.Provocation != "none" }

func exampleAtPressure(systolic float64, provocation string) *repair.Example {
	return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, "trace").
		Set(valve.SystolicArterialPressure, systolic).EditStudy(func(s *repair.Study) { s.Provocation = provocation })
}
