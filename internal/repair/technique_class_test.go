package repair

import (
	"slices"
	"testing"
)

func TestTechniqueClasses(t *testing.T) {
	for _, r := range []struct {
		why        string
		techniques []Technique
		want       TechniqueClass
	}{
		{"nothing planned", nil, ""},
		{"a ring", []Technique{Annuloplasty}, ClassRingAlone},
		{"a cleft changes no height", []Technique{CleftClosure, Annuloplasty}, ClassRingAlone},
		{"a triangle", []Technique{Annuloplasty, LeafletResection}, ClassResection},
		{"a quadrangle with a sliding plasty", []Technique{SlidingPlasty, LeafletResection, Annuloplasty}, ClassResection},
		{"chords", []Technique{ArtificialChord, Annuloplasty}, ClassChords},
		{"transferred chords hold too", []Technique{ChordTransfer}, ClassChords},
		{"both", []Technique{ArtificialChord, HeightReduction}, ClassResectionAndChords},
		{"an edge-to-edge suture is none of them", []Technique{LeafletResection, EdgeToEdge}, ClassOther},
		{"a technique without a word of its own", []Technique{FurtherTechnique, Annuloplasty}, ClassOther},
		{"the word of such a one", []Technique{"papillary_repositioning", ArtificialChord}, ClassOther},
	} {
		if got := ClassOf(r.techniques); got != r.want {
			t.Errorf("%s: %q, want %q", r.why, got, r.want)
		}
		if back := slices.Clone(r.techniques); len(back) > 1 {
			slices.Reverse(back)
			if got := ClassOf(back); got != r.want {
				t.Errorf("%s, the other way round: %q", r.why, got)
			}
		}
	}
	for _, technique := range Techniques() {
		if ClassOf([]Technique{technique}) == "" {
			t.Errorf("%s has no class", technique)
		}
	}
}
