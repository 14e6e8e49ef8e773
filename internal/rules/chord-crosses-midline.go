package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var chordCrossesMidline = Rule{
	ID: "chord-crosses-midline", Reference: "R75",
	Summary:  "Artificial chords of a lateral segment arise from the anterolateral papillary muscle, those of a medial one from the posteromedial.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Check segment and papillary muscle: segment 1 is lateral, segment 3 medial.",
	Since:  "2",
	Where:  stepPlaces(repair.ArtificialChord, func(s repair.Step) bool { return s.Chords != nil && s.Chords.Papillary != "" }),
	Check: func(r *Reader) Verdict {
		step := r.Step()
		if len(step.Places) == 0 {
			r.MissFact("targets", r.At().Occasion)
			return Verdict{}
		}
		r.Fact("papillary_muscle", step.Chords.Papillary)
		own := map[string]valve.Side{"anterolateral": valve.Lateral, "posteromedial": valve.Medial}[step.Chords.Papillary]
		for _, l := range step.Places {
			if side := sideOf(l); side != "" && side != own {
				return broken("Artificial chords of %s, which is %s, arise from the %s papillary muscle.", name(l), side, step.Chords.Papillary)
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "P3 from the posteromedial muscle", Want: Holds, Case: func() *repair.Case { return examplePapillary("posteromedial", valve.P3) }},
		{Name: "P1 from the posteromedial muscle", Want: Broken, Case: func() *repair.Case { return examplePapillary("posteromedial", valve.P1) }},
		{Name: "the middle may have either", Edge: true, Want: Holds, Case: func() *repair.Case { return examplePapillary("anterolateral", valve.P2) }},
		{Name: "no segment named", Want: NotEvaluable, Case: func() *repair.Case { return examplePapillary("anterolateral") }},
	},
}

// sideOf gives the side a location lies on; none for the middle.
func sideOf(l repair.Location) valve.Side {
	switch {
	case l.Commissure != "":
		return valve.Side(l.Commissure)
	case l.Segment == valve.A1, l.Segment == valve.P1:
		return valve.Lateral
	case l.Segment == valve.A3, l.Segment == valve.P3:
		return valve.Medial
	}
	return ""
}

func examplePapillary(muscle string, at ...valve.Segment) *repair.Case {
	return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, at...).
		EditStep(func(s *repair.Step) { s.Chords.Papillary = muscle }).Case()
}
