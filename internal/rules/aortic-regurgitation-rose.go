package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var aorticRegurgitationRose = Rule{
	ID: "aortic-regurgitation-rose", Reference: "R67",
	Summary:  "Aortic regurgitation on leaving theatre is not worse than before in one scheme, unless the aortic valve was looked at after bypass.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Look at the aortic valve: sutures near the trigones run close to its cusps.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		s := c.Exit()
		if s == nil || c.Operation == nil || !s.AorticGrade.Known() {
			return nil
		}
		return []metric.At{atStudy(s)}
	},
	Check: func(r *Reader) Verdict {
		now := r.Study().AorticGrade
		before := repair.Grade{}
		for _, s := range newest(r.Case()) {
			if s.AorticGrade.Known() && s.AorticGrade.Scheme == now.Scheme {
				before = s.AorticGrade
				break
			}
		}
		rise, known := now.Difference(before)
		if !known {
			r.MissFact("aortic_regurgitation in one scheme", "assessment")
			return Verdict{}
		}
		if rise <= 0 || r.Case().Operation.Neighbourhood.AorticValveChecked == valve.Yes {
			return Verdict{}
		}
		r.Fact("aortic regurgitation", now.String())
		r.Fact("aortic regurgitation before", before.String())
		return broken("Aortic regurgitation is %s on leaving theatre and was %s before.", now, before)
	},
	Examples: []Example{
		{Name: "trace before and after", Want: Holds, Case: func() *repair.Case { return exampleAortic("trace", "trace", "") }},
		{Name: "none to moderate", Want: Broken, Case: func() *repair.Case { return exampleAortic("none", "moderate", "") }},
		{Name: "one step, and looked at", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleAortic("none", "trace", valve.Yes) }},
		{Name: "one step, and not looked at", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleAortic("none", "trace", "") }},
		{Name: "no grade before", Want: NotEvaluable, Case: func() *repair.Case { return exampleAortic("", "mild", "") }},
	},
}

func exampleAortic(before, after string, checked valve.Answer) *repair.Case {
	grade := func(v string) func(*repair.Study) {
		return func(s *repair.Study) { s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: v} }
	}
	return repair.NewExample().Assess("tee").EditStudy(grade(before)).Result("exit", 1, valve.LeavingTheatre).EditStudy(grade(after)).
		EditOperation(func(o *repair.Operation) { o.Neighbourhood.AorticValveChecked = checked }).Case()
}
