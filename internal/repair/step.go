package repair

import (
	"slices"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Technique is a kind of step, by the word of the contract's field.
type Technique string

// The techniques.
const (
	Annuloplasty       Technique = "annuloplasty"
	ArtificialChord    Technique = "artificial_chord"
	ChordTransfer      Technique = "chord_transfer"
	CleftClosure       Technique = "cleft_closure"
	CommissuralClosure Technique = "commissural_closure"
	EdgeToEdge         Technique = "edge_to_edge"
	HeightReduction    Technique = "height_reduction"
	LeafletResection   Technique = "leaflet_resection"
	Plication          Technique = "plication"
	SlidingPlasty      Technique = "sliding_plasty"
	FurtherTechnique   Technique = "further_technique"
)

// Techniques lists all techniques.
func Techniques() []Technique {
	return []Technique{
		Annuloplasty, ArtificialChord, ChordTransfer, CleftClosure, CommissuralClosure, EdgeToEdge,
		HeightReduction, LeafletResection, Plication, SlidingPlasty, FurtherTechnique,
	}
}

// Intent is what a technique is for; one technique may substitute another of
// the same intent at the same place.
type Intent string

// The intents.
const (
	CorrectsProlapse Intent = "prolapse_correction"
	LowersHeight     Intent = "height"
	ClosesGap        Intent = "gap"
	ShapesAnnulus    Intent = "annulus"
	Seals            Intent = "seal"
)

// Intents gives what a technique is for.
func (t Technique) Intents() []Intent {
	switch t {
	case LeafletResection, ArtificialChord, ChordTransfer, EdgeToEdge:
		return []Intent{CorrectsProlapse}
	case HeightReduction:
		return []Intent{LowersHeight}
	case SlidingPlasty:
		return []Intent{LowersHeight, ClosesGap}
	case Plication:
		return []Intent{ClosesGap}
	case Annuloplasty:
		return []Intent{ShapesAnnulus}
	case CleftClosure, CommissuralClosure:
		return []Intent{Seals}
	}
	return nil
}

// SharesIntent says whether two techniques are for the same.
func (t Technique) SharesIntent(u Technique) bool {
	for _, i := range t.Intents() {
		if slices.Contains(u.Intents(), i) {
			return true
		}
	}
	return false
}

// Words of kinds and fates that rules and discrepancies speak of.
const (
	CompleteRing  = "complete_ring"
	PosteriorBand = "posterior_band"

	Triangular   = "triangular"
	Quadrangular = "quadrangular"
	BaseWings    = "base_wings"

	InPlace   = "in_place"
	Revised   = "revised"
	TakenDown = "taken_down"
)

// Step is one step, planned or performed; its dimensions are measured values at
// the place step:{id} of the occasion plan or operation. Each value of a kind
// stands in the field its technique has; the others are empty.
type Step struct {
	ID        string
	Technique Technique
	Places    []Location // where it is done; none for a ring, a sliding plasty
	LesionIDs []string

	// Planned steps.
	Condition      string // kind of the condition, empty: none
	AlternativeOf  string
	ExpectedEffect string

	// Performed steps.
	Run            int // 0: not recorded
	Order          int
	Fate           string // empty: not recorded, read as in place
	RevisedBy      string
	TakenDownInRun int
	Reason         string
	PlannedStepID  string

	Ring      *Ring
	Chords    *Chords
	Resection *Resection
	Sliding   *Sliding
	// Form is the height reduction's form or the further technique's kind.
	Form string
	// PatchMaterial is own_pericardium, animal_pericardium, synthetic or other.
	PatchMaterial string
	Slice         valve.Slice      // edge-to-edge
	From          Location         // chord transfer: whence
	ChordCount    units.Maybe[int] // chord transfer
	ChordsKept    valve.Answer     // cleft closure
}

// Ring is what is known of a ring or band beside its dimensions.
type Ring struct {
	Kind                   string // complete_ring, posterior_band
	Rigidity               string
	FamilyKey              string
	PlannedLabelMin        units.Maybe[float64]
	PlannedLabelMax        units.Maybe[float64]
	ImplantedLabel         units.Maybe[float64]
	SizingBasis            string
	SutureCount            units.Maybe[int]
	AnteriorSutureCount    units.Maybe[int]
	CompressionSutureCount units.Maybe[int]
	SizersTried            []units.Maybe[float64]
}

// Chords is what is known of artificial chords beside their length.
type Chords struct {
	PairCount   units.Maybe[int]
	StrandCount units.Maybe[int]
	Form        string // pairs, loops
	Insertion   string // free_edge, rough_zone, body
	Papillary   string // anterolateral, posteromedial
	// PapillaryHead is anterior, commissural or posterior.
	PapillaryHead string
	Material      string
	// Calibre is as the suture's package names it: usp_4_0, cv_4, ...
	Calibre string
}

// Resection is what is known of a resection beside its dimensions.
type Resection struct {
	Shape     string
	ToAnnulus valve.Answer
}

// Sliding is what is known of a sliding plasty beside its dimensions.
type Sliding struct {
	LateralCompressionSutures units.Maybe[int]
	MedialCompressionSutures  units.Maybe[int]
}

// Done says whether a performed step counts as done: in place, or the last of a
// chain of revisions.
func (s Step) Done() bool { return s.Fate == "" || s.Fate == InPlace }

// MayHoldLine says whether the step's artificial chords hold the closure line of
// the slice: they stand at one of its segments, or only the leaflet, or nothing, is
// recorded of where they stand.
func (s Step) MayHoldLine(slice valve.Slice) bool {
	anterior, posterior := slice.Segments()
	return s.Technique == ArtificialChord && (len(s.Places) == 0 || s.At(anterior) || s.At(posterior) ||
		slices.ContainsFunc(s.Places, func(l Location) bool { return l.Leaflet != "" }))
}

// At says whether the step is done at the segment.
func (s Step) At(seg valve.Segment) bool {
	for _, l := range s.Places {
		if l.Segment == seg {
			return true
		}
	}
	return false
}

// ReachesAnnulus says whether a step resects down to the annulus: stated so, or
// four-sided by shape.
func (s Step) ReachesAnnulus() bool {
	if s.Technique != LeafletResection || s.Resection == nil {
		return false
	}
	if s.Resection.ToAnnulus != "" {
		return s.Resection.ToAnnulus == valve.Yes
	}
	return s.Resection.Shape == Quadrangular || s.Resection.Shape == BaseWings
}

// Of gives the steps of a technique.
func Of(steps []Step, t Technique) []Step {
	var list []Step
	for _, s := range steps {
		if s.Technique == t {
			list = append(list, s)
		}
	}
	return list
}

// InPlaceAtEnd gives the performed steps that count as done.
func InPlaceAtEnd(steps []Step) []Step {
	var list []Step
	for _, s := range steps {
		if s.Done() {
			list = append(list, s)
		}
	}
	return list
}

// UpToRun gives the steps as they stood after a pump run: those done by then
// and not yet taken down; a step without a run counts as done in run 1.
func UpToRun(steps []Step, run int) []Step {
	revisedIn := map[string]int{}
	for _, s := range steps {
		revisedIn[s.ID] = max(s.Run, 1)
	}
	var list []Step
	for _, s := range steps {
		if max(s.Run, 1) > run {
			continue
		}
		if s.Fate == TakenDown && max(s.TakenDownInRun, 1) <= run {
			continue
		}
		if s.Fate == Revised {
			if by, known := revisedIn[s.RevisedBy]; !known || by <= run {
				continue
			}
		}
		list = append(list, s)
	}
	return list
}
