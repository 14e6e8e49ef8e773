package note

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// technique names what a step does and where, without how and without its
// dimensions.
func technique(t *trigonev1.Technique) string {
	switch k := t.GetKind().(type) {
	case *trigonev1.Technique_Annuloplasty:
		return ringKind(k.Annuloplasty)
	case *trigonev1.Technique_ArtificialChord:
		return joined(" ", "neochordae", with("to", locationNames(k.ArtificialChord.GetTargets())))
	case *trigonev1.Technique_ChordTransfer:
		c := k.ChordTransfer
		s := "transfer of native chords"
		if c.ChordCount != nil {
			s = "transfer of " + count(int64(c.GetChordCount()), "native chord", "native chords")
		}
		return joined(" ", s, with("from", locationName(c.GetFrom())), with("to", locationName(c.GetTo())))
	case *trigonev1.Technique_CleftClosure:
		return joined(" ", "closure of a cleft or indentation", words.At(locationName(k.CleftClosure.GetLocation())))
	case *trigonev1.Technique_CommissuralClosure:
		return "closure of " + cmp.Or(commissureName(k.CommissuralClosure.GetCommissure()), "a commissure")
	case *trigonev1.Technique_EdgeToEdge:
		return joined(" ", "suture of both free edges to each other", words.At(sliceName(k.EdgeToEdge.GetSlice())))
	case *trigonev1.Technique_HeightReduction:
		return joined(" ", "reduction of leaflet height", words.At(segmentNames(k.HeightReduction.GetSegments())))
	case *trigonev1.Technique_LeafletResection:
		r := k.LeafletResection
		shape := say(r.GetShape())
		switch {
		case shape == "":
			shape = "leaflet resection"
		case !strings.Contains(shape, "resection"):
			shape += " resection"
		}
		return joined(" ", shape, words.At(segmentNames(r.GetSegments())), words.At(commissureName(r.GetCommissure())))
	case *trigonev1.Technique_Plication:
		return joined(" ", "plication of the annulus", words.At(segmentNames(k.Plication.GetSegments())))
	case *trigonev1.Technique_SlidingPlasty:
		return "sliding plasty of the posterior leaflet"
	case *trigonev1.Technique_FurtherTechnique:
		kind := cmp.Or(say(k.FurtherTechnique.GetKind()), "a technique that is not recorded")
		if material := say(k.FurtherTechnique.GetPatchMaterial()); material != "" {
			kind += " (" + material + ")"
		}
		return joined(" ", kind, words.At(locationNames(k.FurtherTechnique.GetLocations())))
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

func sliceName(s trigonev1.Slice) string { return words.Place(valve.Place(word(s))) }

func ringKind(r *trigonev1.Annuloplasty) string {
	kind := cmp.Or(say(r.GetKind()), "ring or band, kind not recorded")
	return joined(" ", say(r.GetRigidity()), kind)
}

// detail is a dimension as a step's sentence says it: %s is the value.
type detail struct {
	field valve.ID
	says  string
}

// details says the dimensions of a step in the order given; one that the catalogue
// counts as CORE is missed where it is absent from what was done.
func (b *builder) details(of proto.Message, name string, place valve.Place, o valve.Occasion, list ...detail) []string {
	var out []string
	for _, d := range list {
		v := b.quantity(of, d.field, place, o)
		switch {
		case v == notApplicable:
		case strings.HasPrefix(v, "not ") || strings.HasPrefix(v, "could "):
			out = append(out, shortNames[d.field]+" "+v)
		case v != "":
			out = append(out, strings.Replace(d.says, "%s", v, 1))
		case o != valve.AtPlan:
			if leaf, ok := metric.LeafByID(d.field); ok && leaf.Tier == metric.Core {
				b.misses(name + ": " + shortNames[d.field])
			}
		}
	}
	return out
}

// step writes a technique with how it was done and its dimensions.
func (b *builder) step(t *trigonev1.Technique, id string, o valve.Occasion) string {
	name, place := technique(t), valve.AtStep(id)
	var parts []string
	add := func(list ...string) {
		for _, s := range list {
			if s != "" {
				parts = append(parts, s)
			}
		}
	}
	switch k := t.GetKind().(type) {
	case *trigonev1.Technique_Annuloplasty:
		return joined("; ", joined(", ", name, b.ringSize(k.Annuloplasty, name, o)), joined("; ", b.ringWords(k.Annuloplasty, name, o)...))
	case *trigonev1.Technique_ArtificialChord:
		return b.chords(k.ArtificialChord, id, o)
	case *trigonev1.Technique_CleftClosure:
		add(b.details(k.CleftClosure, name, place, o, detail{valve.ClosureLength, "over %s"})...)
		switch k.CleftClosure.GetChordsKept() {
		case trigonev1.Answer_ANSWER_YES:
			add("the primary chords beside it kept")
		case trigonev1.Answer_ANSWER_NO:
			add("the primary chords beside it not kept")
		}
	case *trigonev1.Technique_CommissuralClosure:
		add(b.details(k.CommissuralClosure, name, place, o, detail{valve.CommissuralClosureLength, "over %s"})...)
	case *trigonev1.Technique_EdgeToEdge:
		add(b.details(k.EdgeToEdge, name, place, o, detail{valve.EdgeToEdgeLength, "over %s"})...)
	case *trigonev1.Technique_HeightReduction:
		add(say(k.HeightReduction.GetForm()))
		add(b.details(k.HeightReduction, name, place, o, detail{valve.HeightRemoved, "%s taken off"})...)
	case *trigonev1.Technique_LeafletResection:
		add(b.resection(k.LeafletResection, name, place, o)...)
	case *trigonev1.Technique_Plication:
		add(b.details(k.Plication, name, place, o, detail{valve.PlicationLength, "%s of annulus taken in"})...)
	case *trigonev1.Technique_FurtherTechnique:
		add(b.details(k.FurtherTechnique, name, place, o, detail{valve.PatchLength, "%s long"}, detail{valve.PatchWidth, "%s wide"})...)
	case *trigonev1.Technique_SlidingPlasty:
		return joined("; ", name, b.sliding(k.SlidingPlasty, name, id, o))
	}
	return joined(", ", append([]string{name}, parts...)...)
}

// resection says how far a resection reaches and what was taken out.
func (b *builder) resection(r *trigonev1.LeafletResection, name string, place valve.Place, o valve.Occasion) []string {
	var parts []string
	switch r.GetToAnnulus() {
	case trigonev1.Answer_ANSWER_YES:
		parts = append(parts, "down to the annulus")
	case trigonev1.Answer_ANSWER_NO:
		parts = append(parts, "short of the annulus")
	}
	list := []detail{{valve.ResectionFreeEdgeWidth, "%s along the free edge"}}
	// A triangle has no width at its base; that it is 0 goes without saying.
	if w, known := value(r, valve.ResectionBaseWidth); !known || w != 0 || r.GetShape() != trigonev1.ResectionShape_RESECTION_SHAPE_TRIANGULAR {
		list = append(list, detail{valve.ResectionBaseWidth, "%s along the base"})
	}
	list = append(list, detail{valve.ResectionHeight, "%s high"})
	parts = append(parts, b.details(r, name, place, o, list...)...)
	parts = append(parts, b.details(r, name, place, o, detail{valve.AnnularGap, "leaving a gap of %s at the annulus"})...)
	// How much of what prolapsed was taken is one statement.
	share, width := "", b.quantity(r, valve.ProlapsingFreeEdgeWidth, place, o)
	switch removed, known := value(r, valve.ProlapsingWidthRemoved); {
	case known && removed == 100:
		share = "taking all" + b.marks(keyOf(valve.ProlapsingWidthRemoved, place, o))
	case known:
		share = "taking " + b.quantity(r, valve.ProlapsingWidthRemoved, place, o)
	}
	if _, known := value(r, valve.ProlapsingFreeEdgeWidth); !known {
		width = ""
	}
	switch {
	case share != "":
		parts = append(parts, joined(" ", share+" of the prolapsing free edge", bracketed(width)))
	case width != "":
		parts = append(parts, "the prolapsing free edge being "+width)
	}
	if off, known := value(r, valve.ResectionAxisOffset); known && off != 0 {
		side := valve.Medial
		if off < 0 {
			side = valve.Lateral
		}
		parts = append(parts, "its axis "+format(valve.ResectionAxisOffset, math.Abs(off))+" "+string(side)+" of the middle of the segment"+b.marks(keyOf(valve.ResectionAxisOffset, place, o)))
	}
	return parts
}

func (b *builder) sliding(s *trigonev1.SlidingPlasty, name, id string, o valve.Occasion) string {
	var sides []string
	for _, side := range []struct {
		name valve.Side
		of   *trigonev1.SlidingSide
	}{{valve.Lateral, s.GetLateral()}, {valve.Medial, s.GetMedial()}} {
		if side.of == nil {
			continue
		}
		parts := b.details(side.of, name+", "+string(side.name)+" side", valve.AtStepSide(id, side.name), o,
			detail{valve.SlidingDetachedLength, "detached over %s"}, detail{valve.SlidingAdvance, "advanced by %s"},
			detail{valve.SlidingStripHeightAtCutEdge, "a strip of %s removed at the cut edge"},
			detail{valve.SlidingStripHeightAtFarEnd, "tapering to %s at the far end"})
		if side.of.CompressionSutureCount != nil {
			parts = append(parts, count(int64(side.of.GetCompressionSutureCount()), "compression suture", "compression sutures"))
		}
		if len(parts) > 0 {
			sides = append(sides, string(side.name)+" side "+strings.Join(parts, ", "))
		}
	}
	return strings.Join(sides, "; ")
}

// chords says neochordae as: two pairs (four strands), material, 16 mm,
// posteromedial, to P2.
func (b *builder) chords(c *trigonev1.ArtificialChord, id string, o valve.Occasion) string {
	name := technique(&trigonev1.Technique{Kind: &trigonev1.Technique_ArtificialChord{ArtificialChord: c}})
	one, many := "pair", "pairs"
	if c.GetForm() == trigonev1.ArtificialChordForm_ARTIFICIAL_CHORD_FORM_LOOPS {
		one, many = "loop", "loops"
	}
	number := ""
	switch {
	case c.PairCount != nil && c.StrandCount != nil:
		number = count(int64(c.GetPairCount()), one, many) + " (" + count(int64(c.GetStrandCount()), "strand", "strands") + ")"
	case c.PairCount != nil:
		number = count(int64(c.GetPairCount()), one, many)
	case c.StrandCount != nil:
		number = count(int64(c.GetStrandCount()), "strand", "strands")
	case o != valve.AtPlan:
		b.misses(name + ": number of " + many)
	}
	material := joined(" ", say(c.GetMaterial()), say(c.GetCalibre()))
	if material == "" && o != valve.AtPlan {
		b.misses(name + ": material")
	}
	parts := []string{number, material}
	if len(c.GetLengths()) == 0 {
		parts = append(parts, b.details(c, name, valve.AtStep(id), o, detail{valve.ArtificialChordLength, "%s"})...)
	} else {
		parts = append(parts, b.chordLengths(c, id, o, many))
	}
	muscle := say(c.GetPapillaryMuscle())
	if h := say(c.GetPapillaryHead()); muscle != "" && h != "" {
		muscle += " (" + h + " head)"
	}
	if muscle == "" && o != valve.AtPlan {
		b.misses(name + ": papillary muscle")
	}
	parts = append(parts, muscle, with("to", locationNames(c.GetTargets())), say(c.GetInsertion()))
	text := "neochordae: " + joined(", ", parts...)
	basis, reference := say(c.GetLengthBasis()), segmentName(c.GetReferenceSegment())
	switch {
	case basis != "" && reference != "":
		text += "; length set " + basis + " (" + reference + ")"
	case basis != "":
		text += "; length set " + basis
	case reference != "":
		text += "; length set against " + reference
	}
	return strings.TrimSuffix(text, ": ")
}

// chordLengths says the lengths of one step that has several, each at its place.
func (b *builder) chordLengths(c *trigonev1.ArtificialChord, id string, o valve.Occasion, many string) string {
	var list []string
	for _, l := range c.GetLengths() {
		place := chordPlace(l)
		text := b.quantity(l, valve.ArtificialChordLength, valve.Within(id, place), o)
		if text == "" {
			continue
		}
		if l.PairCount != nil {
			text += " (" + count(int64(l.GetPairCount()), strings.TrimSuffix(many, "s"), many) + ")"
		}
		list = append(list, joined(" ", text, words.At(sidedName(l))))
	}
	return words.And(list)
}

// chordPlace is where the chords of one of several lengths go.
func chordPlace(l *trigonev1.ChordLengthAt) valve.Place {
	side := valve.Side(word(l.GetSide()))
	switch s := word(l.GetSegment()); {
	case word(l.GetCommissure()) != "":
		return valve.AtCommissure(valve.Commissure(word(l.GetCommissure())))
	case s != "":
		return valve.AtSegmentSide(valve.Segment(s), side)
	case side != "":
		return valve.AtSide(side)
	}
	return valve.Nowhere
}

func sidedName(l *trigonev1.ChordLengthAt) string {
	if c := commissureName(l.GetCommissure()); c != "" {
		return c
	}
	side := say(l.GetSide())
	switch s := segmentName(l.GetSegment()); {
	case s != "" && side != "":
		return s + ", " + side + " side"
	case side != "":
		return "the " + side + " side"
	default:
		return s
	}
}

// ringWords says sizing and sutures of a ring or band that was implanted.
func (b *builder) ringWords(r *trigonev1.Annuloplasty, name string, o valve.Occasion) []string {
	if o == valve.AtPlan {
		return nil
	}
	var parts []string
	sized := joined(" ", with("sized by the", say(r.GetSizingBasis())), bracketed(say(r.GetSizingMethod())))
	if sized == "" && r.GetSizingMethod() != trigonev1.Method_METHOD_UNSPECIFIED {
		sized = "sized by " + say(r.GetSizingMethod())
	}
	if sized == "" {
		b.misses(name + ": what it was sized by")
	}
	parts = append(parts, sized, with("sizers tried:", sizers(r)))
	if r.SutureCount != nil {
		sutures := count(int64(r.GetSutureCount()), "suture", "sutures")
		if r.AnteriorSutureCount != nil {
			sutures += ", " + cmp.Or(map[int32]string{0: "none"}[r.GetAnteriorSutureCount()], numeral(int64(r.GetAnteriorSutureCount()))) + " of them anterior"
		}
		parts = append(parts, sutures)
	}
	if n := r.GetCompressionSutureCount(); n > 0 {
		parts = append(parts, count(int64(n), "compression suture", "compression sutures"))
	}
	return parts
}

// ringSize names the labelled size: a label of its family, not a dimension.
func (b *builder) ringSize(r *trigonev1.Annuloplasty, name string, o valve.Occasion) string {
	if o != valve.AtPlan {
		if r.ImplantedLabel == nil {
			b.misses(name + ": labelled size")
			return ""
		}
		return "labelled size " + plain(r.GetImplantedLabel()) + family(r)
	}
	low, high := r.PlannedLabelMin, r.PlannedLabelMax
	switch {
	case low == nil && high == nil:
		return ""
	case low == nil:
		return "labelled size at most " + plain(*high) + family(r)
	case high == nil:
		return "labelled size at least " + plain(*low) + family(r)
	case *low == *high:
		return "labelled size " + plain(*low) + family(r)
	}
	return fmt.Sprintf("labelled size %s to %s", plain(*low), plain(*high)) + family(r)
}

func family(r *trigonev1.Annuloplasty) string {
	if f := clean(r.GetFamilyKey()); f != "" {
		return " (" + f + ")"
	}
	return ""
}

func sizers(r *trigonev1.Annuloplasty) string {
	var list []string
	for _, s := range r.GetSizers() {
		if s.Label != nil {
			list = append(list, joined(" ", plain(s.GetLabel()), say(s.GetFit())))
		}
	}
	return words.And(list)
}

// shortNames are the names of dimensions where a sentence or the block to be filled
// in names them; all others are named as in the table of leaves.
var shortNames = map[valve.ID]string{
	valve.ArtificialChordLength:       "length",
	valve.ClosureLength:               "length closed",
	valve.CommissuralClosureLength:    "length closed",
	valve.EdgeToEdgeLength:            "length sutured",
	valve.HeightRemoved:               "height taken off",
	valve.ResectionAxisOffset:         "its axis",
	valve.ProlapsingFreeEdgeWidth:     "width of the prolapsing free edge",
	valve.ProlapsingWidthRemoved:      "share of the prolapsing width removed",
	valve.ResectionFreeEdgeWidth:      "width along the free edge",
	valve.ResectionBaseWidth:          "width along the base",
	valve.ResectionHeight:             "height",
	valve.PlicationLength:             "length of annulus taken in",
	valve.SlidingDetachedLength:       "length detached",
	valve.SlidingAdvance:              "advance",
	valve.SlidingStripHeightAtCutEdge: "height of the strip at the cut edge",
	valve.SlidingStripHeightAtFarEnd:  "height of the strip at the far end",
	valve.FlailGap:                    "gap to the opposite leaflet",
	valve.FlailWidth:                  "width along the free edge",
	valve.ProlapseHeight:              "height of the free edge above the annular plane",
	valve.BillowHeight:                "height of the body above the annular plane",
	valve.CleftDepth:                  "depth",
	valve.AnnularGap:                  "gap at the annulus",
	valve.PatchLength:                 "length",
	valve.PatchWidth:                  "width",
	valve.PosteriorOrificeShare:       "share of the orifice that the posterior leaflet fills",
	valve.SalinePressure:              "pressure",
	valve.SalineVolume:                "volume",
}
