package note

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// technique names what a step does and where, and how, without its dimensions.
func technique(t *trigonev1.Technique) string {
	switch k := t.GetKind().(type) {
	case *trigonev1.Technique_Annuloplasty:
		return ringKind(k.Annuloplasty)
	case *trigonev1.Technique_ArtificialChord:
		return artificialChord(k.ArtificialChord)
	case *trigonev1.Technique_ChordTransfer:
		c := k.ChordTransfer
		s := "transfer of native chords"
		if c.ChordCount != nil {
			s = "transfer of " + count(int64(c.GetChordCount()), "native chord", "native chords")
		}
		return joined(" ", s, with("from", locationName(c.GetFrom())), with("to", locationName(c.GetTo())))
	case *trigonev1.Technique_CleftClosure:
		s := joined(" ", "closure of a cleft or an indentation", at(locationName(k.CleftClosure.GetLocation())))
		switch k.CleftClosure.GetChordsKept() {
		case trigonev1.Answer_ANSWER_YES:
			s += ", the primary chords beside it kept"
		case trigonev1.Answer_ANSWER_NO:
			s += ", the primary chords beside it not kept"
		}
		return s
	case *trigonev1.Technique_CommissuralClosure:
		return "closure of " + cmp.Or(commissureName(k.CommissuralClosure.GetCommissure()), "a commissure, which one not recorded")
	case *trigonev1.Technique_EdgeToEdge:
		return joined(" ", "suture of both free edges to each other", at(sliceName(k.EdgeToEdge.GetSlice())))
	case *trigonev1.Technique_HeightReduction:
		return joined(" ", "reduction of leaflet height", at(segmentNames(k.HeightReduction.GetSegments())), say(k.HeightReduction.GetForm()))
	case *trigonev1.Technique_LeafletResection:
		return resection(k.LeafletResection)
	case *trigonev1.Technique_Plication:
		return joined(" ", "plication of the annulus", at(segmentNames(k.Plication.GetSegments())))
	case *trigonev1.Technique_SlidingPlasty:
		return "sliding plasty of the posterior leaflet"
	case *trigonev1.Technique_FurtherTechnique:
		kind := cmp.Or(say(k.FurtherTechnique.GetKind()), "a technique that is not recorded")
		if material := say(k.FurtherTechnique.GetPatchMaterial()); material != "" {
			kind += " (" + material + ")"
		}
		return joined(" ", kind, at(locationNames(k.FurtherTechnique.GetLocations())))
	}
	return "a technique that is not recorded"
}

// with puts a preposition before a place, if there is one.
func with(preposition, place string) string {
	if place == "" {
		return ""
	}
	return preposition + " " + place
}

func sliceName(s trigonev1.Slice) string { return placeName(valve.Place(word(s))) }

func ringKind(r *trigonev1.Annuloplasty) string {
	kind := cmp.Or(say(r.GetKind()), "ring or band, kind not recorded")
	return joined(" ", say(r.GetRigidity()), kind)
}

func artificialChord(c *trigonev1.ArtificialChord) string {
	parts := []string{joined(" ", "artificial chords", with("to", locationNames(c.GetTargets())))}
	unit, units := "pair", "pairs"
	if c.GetForm() == trigonev1.ArtificialChordForm_ARTIFICIAL_CHORD_FORM_LOOPS {
		unit, units = "loop", "loops"
	}
	if c.PairCount != nil {
		parts = append(parts, count(int64(c.GetPairCount()), unit, units))
	} else {
		parts = append(parts, "number of "+units+" not recorded")
	}
	if c.StrandCount != nil {
		parts = append(parts, count(int64(c.GetStrandCount()), "strand", "strands"))
	}
	if m := say(c.GetPapillaryMuscle()); m != "" {
		from := "from the " + m + " papillary muscle"
		if h := say(c.GetPapillaryHead()); h != "" {
			from += " (" + h + " head)"
		}
		parts = append(parts, from)
	}
	if i := say(c.GetInsertion()); i != "" {
		parts = append(parts, "inserted "+i)
	}
	if l := say(c.GetLengthBasis()); l != "" {
		parts = append(parts, "length set "+l)
	}
	if s := segmentName(c.GetReferenceSegment()); s != "" {
		parts = append(parts, "reference "+s)
	}
	return strings.Join(parts, ", ")
}

func resection(r *trigonev1.LeafletResection) string {
	shape := say(r.GetShape())
	switch {
	case shape == "":
		shape = "resection, shape not recorded,"
	case !strings.Contains(shape, "resection"):
		shape += " resection"
	}
	s := joined(" ", shape, at(segmentNames(r.GetSegments())), at(commissureName(r.GetCommissure())))
	switch r.GetToAnnulus() {
	case trigonev1.Answer_ANSWER_YES:
		s += ", down to the annulus"
	case trigonev1.Answer_ANSWER_NO:
		s += ", short of the annulus"
	}
	return s
}

// techniqueMessage gives the message that holds a technique's dimensions.
func techniqueMessage(t *trigonev1.Technique) proto.Message {
	m := t.ProtoReflect()
	d := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	if d == nil {
		return nil
	}
	return m.Get(d).Message().Interface()
}

// step writes a technique with its dimensions.
func (b *builder) step(t *trigonev1.Technique, id string, o valve.Occasion) string {
	text := technique(t)
	if s := t.GetSlidingPlasty(); s != nil {
		var sides []string
		for _, side := range []struct {
			name valve.Side
			of   *trigonev1.SlidingSide
		}{{valve.Lateral, s.GetLateral()}, {valve.Medial, s.GetMedial()}} {
			if side.of == nil {
				continue
			}
			dims := b.dimensions(side.of, valve.AtStepSide(id, side.name), o)
			if side.of.CompressionSutureCount != nil {
				dims = append(dims, count(int64(side.of.GetCompressionSutureCount()), "compression suture", "compression sutures"))
			}
			sides = append(sides, string(side.name)+" side: "+strings.Join(dims, ", "))
		}
		return joined("; ", text, cmp.Or(strings.Join(sides, "; "), "sides not recorded"))
	}
	if r := t.GetAnnuloplasty(); r != nil {
		return text + ", " + ringSize(r, o)
	}
	if m := techniqueMessage(t); m != nil {
		text = joined("; ", text, strings.Join(b.dimensions(m, valve.AtStep(id), o), ", "))
	}
	return text
}

// ringSize names the labelled size: a label of its family, not a dimension.
func ringSize(r *trigonev1.Annuloplasty, o valve.Occasion) string {
	if o != valve.AtPlan {
		if r.ImplantedLabel == nil {
			return "labelled size " + notRecorded
		}
		return "labelled size " + plain(r.GetImplantedLabel()) + family(r)
	}
	switch {
	case r.PlannedLabelMin == nil && r.PlannedLabelMax == nil:
		return "labelled size " + notRecorded
	case r.PlannedLabelMin == nil:
		return "labelled size at most " + plain(r.GetPlannedLabelMax()) + family(r)
	case r.PlannedLabelMax == nil:
		return "labelled size at least " + plain(r.GetPlannedLabelMin()) + family(r)
	case r.GetPlannedLabelMin() == r.GetPlannedLabelMax():
		return "labelled size " + plain(r.GetPlannedLabelMin()) + family(r)
	}
	return fmt.Sprintf("labelled size %s to %s", plain(r.GetPlannedLabelMin()), plain(r.GetPlannedLabelMax())) + family(r)
}

func family(r *trigonev1.Annuloplasty) string {
	if f := clean(r.GetFamilyKey()); f != "" {
		return " (" + f + ")"
	}
	return " (family not recorded)"
}

func sizers(r *trigonev1.Annuloplasty) string {
	var list []string
	for _, s := range r.GetSizers() {
		label := "label not recorded"
		if s.Label != nil {
			label = plain(s.GetLabel())
		}
		list = append(list, joined(" ", label, say(s.GetFit())))
	}
	return strings.Join(list, "; ")
}

func number32(n *int32) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(int(*n))
}

// shortNames are the names of dimensions inside the sentence of a step or a lesion,
// which names the rest; all others are named as in the table of leaves.
var shortNames = map[valve.ID]string{
	valve.ArtificialChordLength:       "length from papillary tip to free edge",
	valve.ClosureLength:               "length closed",
	valve.CommissuralClosureLength:    "length closed",
	valve.EdgeToEdgeLength:            "length sutured",
	valve.HeightRemoved:               "height taken off",
	valve.ResectionAxisOffset:         "axis off the segment's middle (medial positive)",
	valve.ProlapsingFreeEdgeWidth:     "prolapsing free edge before it",
	valve.ProlapsingWidthRemoved:      "share of that removed",
	valve.ResectionFreeEdgeWidth:      "width at the free edge",
	valve.ResectionBaseWidth:          "width at the base",
	valve.ResectionHeight:             "height",
	valve.AnnularGap:                  "gap at the annulus",
	valve.PatchLength:                 "length",
	valve.PatchWidth:                  "width",
	valve.PlicationLength:             "annulus taken in",
	valve.SlidingDetachedLength:       "detached",
	valve.SlidingAdvance:              "advance",
	valve.SlidingStripHeightAtCutEdge: "strip removed at the cut edge",
	valve.SlidingStripHeightAtFarEnd:  "strip removed at the far end",
	valve.FlailGap:                    "gap to the opposite leaflet",
	valve.FlailWidth:                  "width along the free edge",
	valve.ProlapseHeight:              "free edge above the annular plane",
	valve.BillowHeight:                "body above the annular plane",
	valve.CleftDepth:                  "depth",
}
