package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var prolapseWithoutPlannedStep = Rule{
	ID: "prolapse-without-planned-step", Reference: "R04",
	Summary:  "Every place that prolapses has a planned step, or a step by which it is expected to resolve.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Plan a step there, or name the step, or the ring, by which it is expected to resolve.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || len(c.Plan.Steps) == 0 {
			return nil
		}
		if where, _ := prolapsing(c); len(where) == 0 {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		where, ids := prolapsing(r.Case())
		open := slices.DeleteFunc(where, func(l repair.Location) bool {
			return slices.ContainsFunc(r.Case().Plan.Steps, func(s repair.Step) bool { return answers(s, l, ids[l]) })
		})
		if len(open) == 0 {
			return Verdict{}
		}
		for _, s := range r.Case().Plan.Steps {
			if len(s.Places) == 0 && !slices.Contains([]repair.Technique{repair.Annuloplasty, repair.SlidingPlasty, repair.EdgeToEdge}, s.Technique) {
				r.MissFact("place of step "+s.ID, valve.AtPlan)
				return Verdict{}
			}
		}
		if !r.Complete("steps_recorded", r.Case().Plan.StepsRecorded, valve.AtPlan) {
			return Verdict{}
		}
		r.Fact("prolapse without a step", names(open))
		return broken("Prolapse is recorded at %s, and no planned step answers it.", names(open))
	},
	Examples: []Example{
		{Name: "a resection of P2", Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
		{Name: "prolapse of A2, a resection of P2", Want: Broken, Case: func() *repair.Case {
			return exampleProlapse(valve.A2).Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
		{Name: "expected to resolve by the ring", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.A2).Plan().Device("s1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.ExpectedEffect, s.LesionIDs = "resolves_with_ring", []string{"l1"} }).Case()
		}},
		{Name: "a step that does not say where", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleProlapse(valve.A2).Plan().Step("s1", repair.ArtificialChord).Case()
		}},
		{Name: "the plan may hold more steps", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleProlapse(valve.A2).Plan().Resect("s1", repair.Triangular, valve.P2).
				Edit(func(c *repair.Case) { c.Plan.StepsRecorded = valve.Partial }).Case()
		}},
	},
}

// answers says whether a planned step answers the prolapse of a place: it is done
// there, it names its lesion, or the place is expected to resolve by it.
func answers(s repair.Step, at repair.Location, lesionIDs []string) bool {
	if slices.ContainsFunc(lesionIDs, func(id string) bool { return slices.Contains(s.LesionIDs, id) }) {
		return true
	}
	if s.ExpectedEffect == "resolves_with_ring" && len(s.LesionIDs) == 0 {
		return true
	}
	anterior, posterior := s.Slice.Segments()
	if s.Technique == repair.EdgeToEdge && at.Segment != "" && (at.Segment == anterior || at.Segment == posterior) {
		return true
	}
	if s.Technique == repair.SlidingPlasty {
		return false
	}
	return slices.ContainsFunc(s.Places, func(l repair.Location) bool { return covers(l, at) || covers(at, l) })
}

// exampleProlapse gives an assessment that saw a ruptured chord at a segment, and
// all lesions.
func exampleProlapse(at valve.Segment) *repair.Example {
	return repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) {
		s.LesionsRecorded = valve.Complete
		s.Lesions = []repair.Lesion{{ID: "l1", Where: repair.Location{Segment: at}, Kinds: []string{"chord_rupture"}, Flail: valve.Yes}}
	})
}
