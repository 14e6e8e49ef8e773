package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var tricuspidRegurgitationUnanswered = Rule{
	ID:       "tricuspid-regurgitation-unanswered",
	Summary:  "Severe tricuspid regurgitation, or moderate with an annulus of 40 mm or more, is answered by a tricuspid procedure or by the word that none was done.",
	Severity: Note, Kind: Completeness, Source: settings.SourceMemory,
	Thresholds: []string{settings.TricuspidAnnulusWide},
	Advice:     "Send the tricuspid procedure, or among the procedures decided against why there was none.",
	Since:      "3",
	Where:      inOperation,
	Check: func(r *Reader) Verdict {
		var seen *repair.Study
		width := valve.Key{ID: valve.TricuspidAnnulusDiameter, Role: valve.Measured}
		for _, s := range newest(r.Case()) {
			if seen == nil && s.TricuspidGrade.Known() {
				seen = &s
			}
			if k := at(s.Occasion).Key(width.ID); !r.Has(width) && r.Has(k) {
				width = k
			}
		}
		if seen == nil {
			return Verdict{}
		}
		more, _ := seen.TricuspidGrade.ModerateOrMore()
		if !more {
			return Verdict{}
		}
		r.Fact("tricuspid_regurgitation", seen.TricuspidGrade.String())
		wide := ""
		if !seen.TricuspidGrade.Severe() {
			if width.Occasion == "" {
				width.Occasion = seen.Occasion
			}
			if !r.Beyond(r.Read(width), settings.TricuspidAnnulusWide) {
				return Verdict{}
			}
			wide = " with an annulus of " + r.Text(width)
		}
		if r.answered("tricuspid_repair", "tricuspid_replacement") {
			return Verdict{}
		}
		return broken("The tricuspid regurgitation before the operation is %s%s, and neither a tricuspid procedure nor why there was none is on record.",
			seen.TricuspidGrade, wide)
	},
	Examples: []Example{
		{Name: "severe, repaired", Want: Holds, Case: func() *repair.Case {
			return exampleTricuspid("severe", 0, func(o *repair.Operation) { o.ConcomitantProcedures = []string{"tricuspid_repair"} })
		}},
		{Name: "severe, nothing said", Want: Broken, Case: func() *repair.Case { return exampleTricuspid("severe", 0, nil) }},
		{Name: "moderate with 44 mm", Want: Broken, Case: func() *repair.Case { return exampleTricuspid("moderate", 44, nil) }},
		{Name: "40 mm exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleTricuspid("moderate", 40, nil) }},
		{Name: "39 mm", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTricuspid("moderate", 39, nil) }},
		{Name: "mild with 44 mm", Want: Holds, Case: func() *repair.Case { return exampleTricuspid("mild", 44, nil) }},
		{Name: "severe on the ward, mild in the newest echo", Want: Holds, Case: func() *repair.Case {
			c := exampleTricuspid("severe", 0, nil)
			newer := c.Studies[0]
			newer.Occasion, newer.StudyID, newer.Time = "assessment/tee", "tee", repair.DaysBefore(1)
			newer.TricuspidGrade.Value = "mild"
			c.Studies[0].Time = repair.DaysBefore(9)
			c.Studies = append(c.Studies, newer)
			return c
		}},
		{Name: "decided against", Want: Holds, Case: func() *repair.Case {
			return exampleTricuspid("severe", 0, func(o *repair.Operation) { o.DeclinedProcedures = []string{"tricuspid_repair"} })
		}},
		{Name: "moderate, the annulus was not measured", Want: NotEvaluable, Case: func() *repair.Case { return exampleTricuspid("moderate", 0, nil) }},
		{Name: "the list of procedures may not be whole", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleTricuspid("severe", 0, func(o *repair.Operation) { o.ConcomitantRecorded = "" })
		}},
	},
}

// answered says whether one of the procedures was done, or decided against; where
// the list of what was done is not stated to be whole, that is missing.
func (r *Reader) answered(kinds ...string) bool {
	o := r.Case().Operation
	for _, kind := range kinds {
		if slices.Contains(o.ConcomitantProcedures, kind) || slices.Contains(o.DeclinedProcedures, kind) {
			return true
		}
	}
	return !r.Complete("concomitant_procedures_recorded", o.ConcomitantRecorded, valve.AtOperation)
}

func exampleTricuspid(grade string, annulus float64, edit func(*repair.Operation)) *repair.Case {
	e := repair.NewExample().Assess("tte").EditStudy(func(s *repair.Study) {
		s.TricuspidGrade = repair.Grade{Scheme: repair.FiveStep, Value: grade}
	})
	if annulus > 0 {
		e = e.Set(valve.TricuspidAnnulusDiameter, annulus)
	}
	return e.EditOperation(func(o *repair.Operation) {
		o.ConcomitantRecorded = valve.Complete
		if edit != nil {
			edit(o)
		}
	}).Case()
}
