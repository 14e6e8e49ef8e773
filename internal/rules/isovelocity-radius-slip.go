package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var isovelocityRadiusSlip = Rule{
	ID: "isovelocity-radius-slip", Reference: "R59",
	Summary:  "Beside regurgitation above mild the radius of the proximal isovelocity surface is 2.5 mm or more.",
	Severity: Note, Kind: Slip, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.RadiusSlip},
	Advice:     adviceOnSlips,
	Since:      "3", JudgesAllSince: "3",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return holdsAny(c, s, valve.Nowhere, valve.ProximalIsovelocityRadius) })
	},
	Check: func(r *Reader) Verdict {
		radius := r.Here(valve.ProximalIsovelocityRadius)
		if v := r.Read(radius); !r.Greater(v, 0) || !r.Below(v, settings.RadiusSlip) {
			return Verdict{}
		}
		grade := r.gradeInStudy()
		more, known := grade.ModerateOrMore()
		if !known {
			r.MissFact("regurgitation_grade", r.At().Occasion)
			return Verdict{}
		}
		if !more {
			return Verdict{}
		}
		r.Fact("grade", grade.String())
		return broken("The radius of the proximal isovelocity surface is %s beside %s regurgitation: very small, or %s typed in cm.",
			r.Text(radius), grade, r.inCentimetres(radius))
	},
	Examples: []Example{
		{Name: "9 mm, severe", Want: Holds, Case: func() *repair.Case { return exampleRadius(9, "severe") }},
		{Name: "0.9 for 9 mm", Want: Broken, Case: func() *repair.Case { return exampleRadius(0.9, "severe") }},
		{Name: "1.5 beside moderate", Want: Broken, Case: func() *repair.Case { return exampleRadius(1.5, "moderate") }},
		{Name: "1.5 beside mild may be right", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleRadius(1.5, "mild") }},
		{Name: "2.5 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleRadius(2.5, "severe") }},
		{Name: "the grade stands in another section of the study", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("a").Set(valve.ProximalIsovelocityRadius, 1.5).EditStudy(func(s *repair.Study) { s.StudyID = "one" }).
				Assess("b").Graded(repair.FiveStep, "severe").EditStudy(func(s *repair.Study) { s.StudyID = "one" }).Case()
		}},
		{Name: "no grade", Want: NotEvaluable, Case: func() *repair.Case { return exampleRadius(1.5, "") }},
	},
}

// adviceOnSlips goes with every slip.
const adviceOnSlips = "Check it on the image: correct it, or have a reviewer confirm it; what is computed of it waits until then."

// gradeInStudy gives the grade of the study that is judged, from any section of it.
func (r *Reader) gradeInStudy() repair.Grade {
	own := r.Study()
	if own.Grade.Known() {
		return own.Grade
	}
	for i := range r.Case().Studies {
		if s := &r.Case().Studies[i]; s.StudyID == own.StudyID && s.Grade.Known() {
			return s.Grade
		}
	}
	return repair.Grade{}
}

// inCentimetres prints what a length would be if it had been typed in centimetres.
func (r *Reader) inCentimetres(k valve.Key) string {
	m, _ := r.Measurement(k)
	return millimetres(m.Value.OrElse(0) * mmInCM)
}

// mmInCM are the millimetres of a centimetre.
const mmInCM = 10

func exampleRadius(mm float64, grade string) *repair.Case {
	return repair.NewExample().Assess("tte").Set(valve.ProximalIsovelocityRadius, mm).Graded(repair.FiveStep, grade).Case()
}
