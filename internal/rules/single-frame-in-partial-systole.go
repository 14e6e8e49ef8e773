package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var singleFrameInPartialSystole = Rule{
	ID: "single-frame-in-partial-systole", Reference: "",
	Summary:  "Flow convergence read in a single frame does not grade regurgitation that does not last the whole systole.",
	Severity: Note, Kind: Clinical, Source: settings.SourceTeaching,
	Advice: "Do not grade by it alone; use volumes.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return holdsAny(c, s, valve.Nowhere, valve.ProximalIsovelocityRadius) })
	},
	Check: func(r *Reader) Verdict {
		radius := r.Here(valve.ProximalIsovelocityRadius)
		r.Read(radius)
		timing, known := r.Word("timing", r.Study().Timing, r.At().Occasion)
		if !known || timing == "holosystolic" {
			return Verdict{}
		}
		return broken("Flow convergence of %s in a single frame overstates regurgitation that is %s.", r.Text(radius), timings[timing])
	},
	Examples: []Example{
		{Name: "holosystolic", Want: Holds, Case: func() *repair.Case {
			return exampleTiming("holosystolic")
		}},
		{Name: "mid and late systole", Want: Broken, Case: func() *repair.Case {
			return exampleTiming("mid_late")
		}},
		{Name: "bimodal: nearly holosystolic, and still not", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleTiming("bimodal")
		}},
		{Name: "timing not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleTiming("")
		}},
	},
}

// timings prints the timings of regurgitation.
var timings = map[string]string{"mid_late": "mid to late systolic", "bimodal": "bimodal", "early": "early systolic"}

func exampleTiming(timing string) *repair.Case {
	return repair.NewExample().Assess("tee").Set(valve.ProximalIsovelocityRadius, 9).EditStudy(func(s *repair.Study) { s.Timing = timing }).Case()
}
