package valve

import (
	"fmt"
	"slices"
	"strings"
)

// Place is where on the valve (or on which step or test) a value stands. The
// grammar is closed:
//
//	(empty) | p2 | p2/seam | p1_p2 | lateral_commissure | posterior | a2_p2 |
//	lateral_side | step:{id} | step:{id}/lateral_side | step:{id}/p2 |
//	step:{id}/p2/lateral_side | step:{id}/lateral_commissure | test:{id} |
//	test:{id}/p2 | lesion:{id}
type Place string

// Nowhere is the place of a value that concerns the whole valve.
const Nowhere Place = ""

const (
	commissureSuffix = "_commissure"
	sideSuffix       = "_side"
	stepPrefix       = "step:"
	testPrefix       = "test:"
	lesionPrefix     = "lesion:"
)

// AtSegment is a segment.
func AtSegment(s Segment) Place { return Place(s) }

// AtStation is a station of a segment; an unset station is the segment's middle.
func AtStation(s Segment, st Station) Place {
	if st == "" {
		st = SegmentMid
	}
	return Place(string(s) + "/" + string(st))
}

// AtBoundary is the boundary between two segments.
func AtBoundary(b Boundary) Place { return Place(b) }

// AtCommissure is a commissure.
func AtCommissure(c Commissure) Place { return Place(string(c) + commissureSuffix) }

// AtLeaflet is a whole leaflet.
func AtLeaflet(l Leaflet) Place { return Place(l) }

// AtSlice is an antero-posterior slice.
func AtSlice(s Slice) Place { return Place(s) }

// AtSide is a side of the valve.
func AtSide(s Side) Place { return Place(string(s) + sideSuffix) }

// AtStep is a step, planned or performed.
func AtStep(id string) Place { return Place(stepPrefix + id) }

// AtStepSide is one side of a step.
func AtStepSide(id string, s Side) Place { return Within(id, AtSide(s)) }

// AtSegmentSide is one side of a segment; no side is the whole segment.
func AtSegmentSide(seg Segment, s Side) Place {
	if s == "" {
		return AtSegment(seg)
	}
	return AtSegment(seg) + "/" + AtSide(s)
}

// Within is a place at a step: a side, a segment or one side of it, a commissure.
func Within(stepID string, p Place) Place {
	if p == Nowhere {
		return AtStep(stepID)
	}
	return AtStep(stepID) + "/" + p
}

// WithinSteps lists the places that a step may have.
func WithinSteps() []Place {
	list := []Place{AtSide(Lateral), AtSide(Medial), AtCommissure(LateralCommissure), AtCommissure(MedialCommissure)}
	for _, s := range Segments() {
		list = append(list, AtSegment(s), AtSegmentSide(s, Lateral), AtSegmentSide(s, Medial))
	}
	return list
}

// AtTest is a saline or ink test.
func AtTest(id string) Place { return Place(testPrefix + id) }

// AtTestSegment is one segment of an ink test.
func AtTestSegment(id string, s Segment) Place { return AtTest(id) + "/" + AtSegment(s) }

// AtLesion is a lesion.
func AtLesion(id string) Place { return Place(lesionPrefix + id) }

// Step gives the step a place belongs to, or "".
func (p Place) Step() string {
	rest, ok := strings.CutPrefix(string(p), stepPrefix)
	if !ok {
		return ""
	}
	id, _, _ := strings.Cut(rest, "/")
	return id
}

// Segment gives the segment of a place that is a segment or a station, or "".
func (p Place) Segment() Segment {
	head, _, _ := strings.Cut(string(p), "/")
	if slices.Contains(Segments(), Segment(head)) {
		return Segment(head)
	}
	return ""
}

// Station gives the station of a place, or "".
func (p Place) Station() Station {
	if p.Segment() == "" {
		return ""
	}
	_, st, _ := strings.Cut(string(p), "/")
	return Station(st)
}

// ParsePlace checks that text is a place of the grammar.
func ParsePlace(text string) (Place, error) {
	p := Place(text)
	head, tail, hasTail := strings.Cut(text, "/")
	switch {
	case text == "":
		return p, nil
	case strings.HasPrefix(head, stepPrefix) && len(head) > len(stepPrefix):
		if !hasTail || slices.Contains(WithinSteps(), Place(tail)) {
			return p, nil
		}
	case strings.HasPrefix(head, testPrefix) && len(head) > len(testPrefix):
		if !hasTail || slices.Contains(Segments(), Segment(tail)) {
			return p, nil
		}
	case strings.HasPrefix(head, lesionPrefix) && len(head) > len(lesionPrefix):
		if !hasTail {
			return p, nil
		}
	case slices.Contains(Segments(), Segment(head)):
		if !hasTail || slices.Contains([]Station{SegmentMid, Seam, SeamLateralEdge, SeamMedialEdge}, Station(tail)) {
			return p, nil
		}
	case !hasTail && slices.Contains([]Place{
		AtBoundary(A1A2), AtBoundary(A2A3), AtBoundary(P1P2), AtBoundary(P2P3),
		AtCommissure(LateralCommissure), AtCommissure(MedialCommissure),
		AtLeaflet(Anterior), AtLeaflet(Posterior),
		AtSlice(A1P1), AtSlice(A2P2), AtSlice(A3P3),
		AtSide(Lateral), AtSide(Medial),
	}, p):
		return p, nil
	}
	return "", fmt.Errorf("%q is not a place", text)
}

// Occasion is when a value stands: the section's name, followed by run and stage
// where the operation has several sets, e.g. assessment/tte, plan, operation,
// operation/run1/after_ring, result/exit, follow_up/discharge, identity.
type Occasion string

// The occasions without an id.
const (
	AtIdentity  Occasion = "identity"
	AtPlan      Occasion = "plan"
	AtOperation Occasion = "operation"
)

// InRun is a set of the operation taken in one run and stage; run 0 or an empty
// stage is left out.
func InRun(run int, stage Stage) Occasion {
	o := AtOperation
	if run > 0 {
		o += Occasion(fmt.Sprintf("/run%d", run))
	}
	if stage != "" {
		o += "/" + Occasion(stage)
	}
	return o
}

// Section gives the section an occasion belongs to.
func (o Occasion) Section() string {
	if o == AtOperation || strings.HasPrefix(string(o), string(AtOperation)+"/") {
		return string(AtOperation)
	}
	return string(o)
}

// Role says what a value is: an aim, a plan, a prediction, a measurement or
// computed from measurements.
type Role string

// The roles.
const (
	Target                 Role = "target"
	Planned                Role = "planned"
	PredictedFromPlan      Role = "predicted_from_plan"
	PredictedFromExecution Role = "predicted_from_execution"
	Measured               Role = "measured"
	Derived                Role = "derived"
)
