package repair

import "slices"

// TechniqueClass files a repair by what its leaflet work means for how the leaflets
// close: which of them slide freely and are lower, and which are held by chords.
type TechniqueClass string

// The classes.
const (
	ClassRingAlone          TechniqueClass = "ring_alone"
	ClassResection          TechniqueClass = "resection"
	ClassChords             TechniqueClass = "artificial_chords"
	ClassResectionAndChords TechniqueClass = "resection_and_chords"
	ClassOther              TechniqueClass = "other"
)

// TechniqueClasses lists them.
func TechniqueClasses() []TechniqueClass {
	return []TechniqueClass{ClassRingAlone, ClassResection, ClassChords, ClassResectionAndChords, ClassOther}
}

// ClassOf gives the class of a repair with these techniques, in any order; empty: of
// none. Closing a cleft changes no height, and counts with the ring. An edge-to-edge
// suture, a closed commissure and what has no word of its own make it another.
func ClassOf(techniques []Technique) TechniqueClass {
	oneOf := func(list ...Technique) bool {
		return slices.ContainsFunc(techniques, func(t Technique) bool { return slices.Contains(list, t) })
	}
	known := []Technique{
		Annuloplasty, CleftClosure, ArtificialChord, ChordTransfer, LeafletResection, SlidingPlasty, HeightReduction, Plication,
	}
	cut, held := oneOf(LeafletResection, SlidingPlasty, HeightReduction, Plication), oneOf(ArtificialChord, ChordTransfer)
	switch {
	case len(techniques) == 0:
		return ""
	case slices.ContainsFunc(techniques, func(t Technique) bool { return !slices.Contains(known, t) }):
		return ClassOther
	case cut && held:
		return ClassResectionAndChords
	case cut:
		return ClassResection
	case held:
		return ClassChords
	}
	return ClassRingAlone
}
