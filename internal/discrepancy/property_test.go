package discrepancy

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The claims below are algebra and need no source.

var leaves = map[repair.Technique]valve.ID{
	repair.ArtificialChord:    "artificial_chord_length",
	repair.LeafletResection:   "resection_free_edge_width",
	repair.HeightReduction:    "height_removed",
	repair.Plication:          "plication_length",
	repair.SlidingPlasty:      "sliding_advance",
	repair.CleftClosure:       "closure_length",
	repair.CommissuralClosure: "commissural_closure_length",
	repair.EdgeToEdge:         "edge_to_edge_length",
	repair.Annuloplasty:       "ring_inner_antero_posterior_diameter",
}

func drawPlaces(t *rapid.T) []repair.Location {
	switch rapid.IntRange(0, 9).Draw(t, "place") {
	case 0:
		return atCommissure(rapid.SampledFrom([]valve.Commissure{valve.LateralCommissure, valve.MedialCommissure}).Draw(t, "commissure"))
	case 1:
		return []repair.Location{{Boundary: rapid.SampledFrom([]valve.Boundary{valve.A1A2, valve.P1P2, valve.P2P3}).Draw(t, "boundary")}}
	case 2:
		return at(valve.P2, valve.P3)
	}
	return at(rapid.SampledFrom(valve.Segments()).Draw(t, "segment"))
}

func drawStep(t *rapid.T, id string) repair.Step {
	s := repair.Step{ID: id, Technique: rapid.SampledFrom([]repair.Technique{
		repair.Annuloplasty, repair.ArtificialChord, repair.ChordTransfer, repair.CleftClosure, repair.CommissuralClosure,
		repair.EdgeToEdge, repair.HeightReduction, repair.LeafletResection, repair.Plication, repair.SlidingPlasty,
	}).Draw(t, "technique")}
	switch s.Technique {
	case repair.Annuloplasty:
		label := rapid.SampledFrom([]float64{28, 30, 32}).Draw(t, "label")
		s.Ring = &repair.Ring{Kind: repair.CompleteRing, FamilyKey: "family-a",
			PlannedLabelMin: some(label), PlannedLabelMax: some(label + 1), ImplantedLabel: some(label)}
	case repair.SlidingPlasty:
	case repair.EdgeToEdge:
		s.Slice = rapid.SampledFrom([]valve.Slice{valve.A1P1, valve.A2P2, valve.A3P3}).Draw(t, "slice")
	case repair.LeafletResection:
		s.Places = drawPlaces(t)
		s.Resection = &repair.Resection{Shape: rapid.SampledFrom([]string{repair.Triangular, repair.Quadrangular}).Draw(t, "shape")}
	case repair.ArtificialChord:
		s.Places = drawPlaces(t)
		s.Chords = &repair.Chords{PairCount: n(rapid.IntRange(1, 4).Draw(t, "pairs"))}
	default:
		s.Places = drawPlaces(t)
	}
	return s
}

// drawFixture draws a plan and an operation that follows it step by step, listed
// in any order.
func drawFixture(t *rapid.T) *fixture {
	f := newFixture()
	f.plan.Steps, f.op.Steps, f.revision.Measured = nil, nil, valve.Measurements{}
	for k := range f.in.Case.Measured {
		if k.Place.Step() != "" {
			delete(f.in.Case.Measured, k)
		}
	}
	for i := range rapid.IntRange(0, 6).Draw(t, "steps") {
		planned := drawStep(t, fmt.Sprintf("p%d", i))
		done := planned
		done.ID, done.Run, done.Order = fmt.Sprintf("s%d", i), 1, rapid.IntRange(0, 3).Draw(t, "order")
		if leaf, ok := leaves[planned.Technique]; ok && rapid.Bool().Draw(t, "measured") {
			v := float64(rapid.IntRange(5, 40).Draw(t, "value"))
			f.planned(planned.ID, leaf, v)
			f.done(done.ID, leaf, v)
		}
		f.plan.Steps, f.op.Steps = append(f.plan.Steps, planned), append(f.op.Steps, done)
	}
	shuffle(t, f.op.Steps)
	return f
}

func shuffle(t *rapid.T, steps []repair.Step) {
	seed := rapid.Uint64().Draw(t, "seed")
	rand.New(rand.NewPCG(seed, 0)).Shuffle(len(steps), func(i, j int) { steps[i], steps[j] = steps[j], steps[i] })
}

// disturb changes what was done: fates, links, places, dimensions, new steps.
func disturb(t *rapid.T, f *fixture) {
	for i := range f.op.Steps {
		s := &f.op.Steps[i]
		switch rapid.IntRange(0, 8).Draw(t, "change") {
		case 0:
			s.Fate = repair.TakenDown
		case 1:
			if len(s.Places) > 0 {
				s.Places = drawPlaces(t)
			}
		case 2:
			s.PlannedStepID = rapid.SampledFrom([]string{"p0", "p1", "p2", "p9"}).Draw(t, "link")
		case 3:
			s.Fate, s.RevisedBy = repair.Revised, rapid.SampledFrom([]string{"s0", "s1", "s2", "x0", "x9"}).Draw(t, "by")
		case 4:
			if leaf, ok := leaves[s.Technique]; ok {
				f.done(s.ID, leaf, float64(rapid.IntRange(5, 40).Draw(t, "other")))
			}
		case 5:
			s.Run = 2
		}
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "extra") {
		extra := drawStep(t, fmt.Sprintf("x%d", i))
		extra.Run, extra.Order = 1, 10+i
		f.op.Steps = append(f.op.Steps, extra)
	}
	if rapid.Bool().Draw(t, "conditional") && len(f.plan.Steps) > 1 {
		f.plan.Steps[0].Condition = "residual_prolapse"
		f.plan.Steps[1].AlternativeOf = "p0"
	}
	if rapid.Bool().Draw(t, "incomplete") {
		f.op.StepsRecorded = valve.Partial
	}
	if rapid.IntRange(0, 4).Draw(t, "converted") == 0 {
		f.convert("before_weaning")
		f.op.Conversion.TriedStepIDs = []string{"s0", "s1", "s7"}
	}
	if rapid.IntRange(0, 4).Draw(t, "unsigned") == 0 {
		f.plan.Signer = ""
	}
}

func TestPlanAsExecutedHasNoStepDiscrepancy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := drawFixture(t).compare()
		for _, d := range list {
			if d.Class.index() <= RingKind.index() {
				t.Fatalf("done as planned, and yet: %s: %s", line(d), d.Message)
			}
		}
	})
}

func TestOrderOfPerformedStepsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFixture(t)
		disturb(t, f)
		before := f.compare()
		checkShape(t, before)
		checkIDs(t, Compare(f.in))
		shuffle(t, f.op.Steps)
		if after := f.compare(); !reflect.DeepEqual(before, after) {
			t.Fatalf("the list of performed steps was permuted: before\n%s\nafter\n%s", strings.Join(lines(before), "\n"), strings.Join(lines(after), "\n"))
		}
	})
}

// No two comparisons of a case have one id, and an id says nothing of how it came
// out.
func checkIDs(t *rapid.T, list []Comparison) {
	seen := map[string]bool{}
	for _, c := range list {
		if seen[c.ID] {
			t.Fatalf("two comparisons have the id %s", c.ID)
		}
		seen[c.ID] = true
		if strings.Count(c.ID, "|") != 4 || !strings.HasPrefix(c.ID, string(c.Kind)+"|") {
			t.Fatalf("id %s of a comparison of the kind %s", c.ID, c.Kind)
		}
	}
}

func TestSameInputSameAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFixture(t)
		disturb(t, f)
		if a, b := f.compare(), f.compare(); !reflect.DeepEqual(a, b) {
			t.Fatalf("two runs differ: %v and %v", lines(a), lines(b))
		}
	})
}

// Renaming every step consistently changes the ids and nothing else. Steps that
// are equal in all but their id are told apart by nothing else, so each is given
// an order of its own here.
func TestRenamingStepsChangesIDsOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFixture(t)
		disturb(t, f)
		for i := range f.op.Steps {
			f.op.Steps[i].Order = i + 1
		}
		before := f.compare()

		names := map[string]string{}
		for i := range 10 {
			for _, prefix := range []string{"p", "s", "x"} {
				names[fmt.Sprintf("%s%d", prefix, i)] = fmt.Sprintf("%s-renamed-%d", map[string]string{"p": "z", "s": "c", "x": "a"}[prefix], 9-i)
			}
		}
		rename := func(text string) string {
			if to, ok := names[text]; ok {
				return to
			}
			return text
		}
		renameAll := func(steps []repair.Step) {
			for i := range steps {
				s := &steps[i]
				s.ID, s.RevisedBy, s.PlannedStepID, s.AlternativeOf = rename(s.ID), rename(s.RevisedBy), rename(s.PlannedStepID), rename(s.AlternativeOf)
			}
		}
		renamePlaces := func(m valve.Measurements) {
			for k, v := range m {
				if step := k.Place.Step(); step != "" {
					delete(m, k)
					k.Place = renamePlace(k.Place, rename)
					m[k] = v
				}
			}
		}
		renameAll(f.plan.Steps)
		renameAll(f.op.Steps)
		for i, id := range f.op.Conversion.TriedStepIDs {
			f.op.Conversion.TriedStepIDs[i] = rename(id)
		}
		plain, other := valve.Measurements{}, valve.Measurements{}
		for k, v := range f.in.Case.Measured {
			plain[k] = v
		}
		for k, v := range f.revision.Measured {
			other[k] = v
		}
		renamePlaces(plain)
		renamePlaces(other)
		f.in.Case.Measured, f.revision.Measured = plain, other
		f.in.Case.Plans = nil

		after := f.compare()
		want := slices.Clone(before)
		for i := range want {
			d := &want[i]
			d.ID = renameParts(d.ID, func(part string) string { return string(renamePlace(valve.Place(rename(part)), rename)) })
			d.Thing = renameThing(d.Thing, rename)
			d.DiscrepancyID, d.Parent = renameParts(d.DiscrepancyID, rename), renameParts(d.Parent, rename)
			d.PlannedStepID, d.PerformedStepID = rename(d.PlannedStepID), rename(d.PerformedStepID)
			d.Place = renamePlace(d.Place, rename)
			d.Missing = slices.Clone(d.Missing)
			for j, m := range d.Missing {
				words := strings.Split(m, " ")
				for w := range words {
					words[w] = string(renamePlace(valve.Place(words[w]), rename))
				}
				d.Missing[j] = strings.Join(words, " ")
			}
		}
		if !reflect.DeepEqual(after, want) {
			t.Fatalf("renamed: got\n%s\nwant\n%s", strings.Join(lines(after), "\n"), strings.Join(lines(want), "\n"))
		}
	})
}

func renamePlace(p valve.Place, rename func(string) string) valve.Place {
	step := p.Step()
	if step == "" {
		return p
	}
	renamed := valve.AtStep(rename(step))
	if rest := withoutStep(p); rest != "" {
		renamed += "/" + valve.Place(rest)
	}
	return renamed
}

func renameThing(thing string, rename func(string) string) string {
	kind, step, _ := strings.Cut(thing, ":")
	if step == "" {
		return thing
	}
	return kind + ":" + rename(step)
}

func renameParts(id string, rename func(string) string) string {
	parts := strings.Split(id, "|")
	for i := range parts {
		parts[i] = rename(parts[i])
	}
	return strings.Join(parts, "|")
}

// A difference is actual minus planned: exchanging both changes its sign.
func TestDifferenceIsSigned(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := float64(rapid.IntRange(0, 400).Draw(t, "a")) / 10
		b := float64(rapid.IntRange(0, 400).Draw(t, "b")) / 10
		difference := func(planned, done float64) units.Maybe[float64] {
			f := newFixture()
			f.planned("p1", "resection_free_edge_width", planned)
			f.done("s1", "resection_free_edge_width", done)
			for _, d := range f.compare() {
				return d.Difference
			}
			return units.None[float64]()
		}
		forth, back := difference(a, b), difference(b, a)
		x, okX := forth.Get()
		y, okY := back.Get()
		if okX != okY || x != -y {
			t.Fatalf("planned %v done %v: %v; exchanged: %v", a, b, forth, back)
		}
		if beyond := b-a > 2.05 || a-b > 2.05; beyond != okX {
			t.Fatalf("planned %v done %v: a difference of 2 mm is within, more is not; got %v", a, b, forth)
		}
	})
}
