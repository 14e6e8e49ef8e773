package draw

import (
	"fmt"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// placeText prints a place of the valve: P2, P1-P2, lateral commissure.
func placeText(l repair.Location) string {
	switch {
	case l.Segment != "":
		return segmentText(l.Segment)
	case l.Boundary != "":
		return strings.ToUpper(strings.ReplaceAll(string(l.Boundary), "_", "-"))
	case l.Commissure != "":
		return "the " + string(l.Commissure) + " commissure"
	case l.Leaflet != "":
		return "the " + string(l.Leaflet) + " leaflet"
	}
	return ""
}

func segmentText(s valve.Segment) string { return strings.ToUpper(string(s)) }

func sliceText(s valve.Slice) string { return strings.ToUpper(strings.ReplaceAll(string(s), "_", "-")) }

func placesText(list []repair.Location) string {
	var texts []string
	for _, l := range list {
		if t := placeText(l); t != "" {
			texts = append(texts, t)
		}
	}
	return words.And(texts)
}

func atPlaces(list []repair.Location) string {
	if t := placesText(list); t != "" {
		return " at " + t
	}
	return ""
}

// stepText says what a step is, and where.
func stepText(s repair.Step) string {
	switch s.Technique {
	case repair.Annuloplasty:
		if s.Ring != nil && s.Ring.Kind != "" {
			return joined(strings.ReplaceAll(s.Ring.Rigidity, "_", "-"), spaced(s.Ring.Kind))
		}
		return "ring or band, which is not recorded"
	case repair.ArtificialChord:
		return "artificial chords" + to(s.Places)
	case repair.ChordTransfer:
		text := "chords transferred"
		if from := placeText(s.From); from != "" {
			text += " from " + from
		}
		return text + to(s.Places)
	case repair.CleftClosure:
		return "cleft closed" + atPlaces(s.Places)
	case repair.CommissuralClosure:
		return "commissure closed by suture" + atPlaces(s.Places)
	case repair.EdgeToEdge:
		if s.Slice != "" {
			return "edge-to-edge suture at " + sliceText(s.Slice)
		}
		return "edge-to-edge suture"
	case repair.HeightReduction:
		how := map[string]string{
			"base_strip": "strip taken at the base", "body_strip": "ellipse taken from the body",
			"folding": "leaflet folded", "free_edge_trim": "free edge trimmed",
		}[s.Form]
		if how == "" {
			how = "height reduced"
		}
		return how + atPlaces(s.Places)
	case repair.LeafletResection:
		shape := map[string]string{
			repair.Triangular: "triangular resection", repair.Quadrangular: "quadrangular resection",
			repair.BaseWings: "triangular resection with wings along the base",
		}[resectionOf(s).Shape]
		if shape == "" {
			shape = "resection, its shape not recorded,"
		}
		return shape + atPlaces(s.Places)
	case repair.Plication:
		return "annulus plicated" + atPlaces(s.Places)
	case repair.SlidingPlasty:
		return "sliding plasty"
	case repair.FurtherTechnique:
		if t := furtherText[s.Form]; t != "" {
			return t + atPlaces(s.Places)
		}
		return "further technique" + atPlaces(s.Places)
	}
	return "step whose technique is not recorded"
}

// furtherText are the further techniques whose word does not read by itself.
var furtherText = map[string]string{
	"decalcification": "annulus decalcified", "patch": "patch", "chord_shortening": "native chords shortened",
	"papillary_repositioning": "papillary muscle repositioned", "chord_division": "secondary chords divided",
	"perforation_suture": "perforation sutured", "septal_resection": "septal muscle resected",
}

func resectionOf(s repair.Step) repair.Resection {
	if s.Resection == nil {
		return repair.Resection{}
	}
	return *s.Resection
}

func to(list []repair.Location) string {
	if t := placesText(list); t != "" {
		return " to " + t
	}
	return ""
}

func spaced[T ~string](word T) string { return words.Spaced(word) }

// joined joins the texts that are not empty by spaces.
func joined(list ...string) string {
	return strings.Join(slices.DeleteFunc(list, func(s string) bool { return s == "" }), " ")
}

// counted says a number of things: 2 pairs.
func counted(n units.Maybe[int], one, many string) string {
	v, ok := n.Get()
	if !ok {
		return ""
	}
	if v == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", v, many)
}

// stageText says when in theatre.
func stageText(stage valve.Stage, run int) string {
	text := spaced(stage)
	if run > 0 {
		text = joined(text+",", fmt.Sprintf("run %d", run))
		text = strings.TrimPrefix(text, ", ")
	}
	return text
}

// measure is a dimension of a step in words.
type measure struct {
	id   valve.ID
	text string // before the number
}

// stepMeasures are the dimensions of the techniques that have one of a kind, in the
// order in which they are said.
var stepMeasures = map[repair.Technique][]measure{
	repair.Annuloplasty: {
		{valve.RingInnerAnteroPosteriorDiameter, "inner antero-posterior"}, {valve.RingInnerTransverseDiameter, "inner transverse"},
		{valve.BandLength, "length"},
	},
	repair.CleftClosure:       {{valve.ClosureLength, "sutured over"}},
	repair.CommissuralClosure: {{valve.CommissuralClosureLength, "over"}},
	repair.EdgeToEdge:         {{valve.EdgeToEdgeLength, "over"}},
	repair.HeightReduction:    {{valve.HeightRemoved, "height removed"}},
	repair.LeafletResection: {
		{valve.ResectionFreeEdgeWidth, "free edge"}, {valve.ResectionBaseWidth, "base"}, {valve.ResectionHeight, "height"},
		{valve.AnnularGap, "gap left at the annulus"},
	},
	repair.Plication:        {{valve.PlicationLength, "annulus taken in"}},
	repair.FurtherTechnique: {{valve.PatchLength, "length"}, {valve.PatchWidth, "width"}},
}

// stepDetails says the dimensions of a step and what else is counted of it.
func (r *reader) stepDetails(s repair.Step, planned bool) []string {
	var list []string
	add := func(text string) {
		if text != "" {
			list = append(list, text)
		}
	}
	at := func(m measure, within valve.Place) {
		if a := r.dimension(planned, m.id, within); a.known {
			add(joined(m.text, a.marked()))
		}
	}
	for _, m := range stepMeasures[s.Technique] {
		if m.id == valve.ResectionBaseWidth && resectionOf(s).Shape == repair.Triangular {
			continue // 0 by its shape
		}
		at(m, valve.AtStep(s.ID))
	}
	switch s.Technique {
	case repair.ArtificialChord:
		c := repair.Chords{}
		if s.Chords != nil {
			c = *s.Chords
		}
		if c.Form == "loops" {
			add(counted(c.PairCount, "loop", "loops"))
		} else {
			add(counted(c.PairCount, "pair", "pairs"))
		}
		at(measure{valve.ArtificialChordLength, "length"}, valve.AtStep(s.ID))
		for _, within := range valve.WithinSteps() {
			p := valve.Within(s.ID, within)
			at(measure{valve.ArtificialChordLength, "length " + withinText(within)}, p)
		}
		if c.Papillary != "" {
			add(c.Papillary + " papillary muscle")
		} else {
			add("papillary muscle not recorded")
		}
	case repair.ChordTransfer:
		add(counted(s.ChordCount, "chord", "chords"))
	case repair.SlidingPlasty:
		for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
			within := valve.AtStepSide(s.ID, side)
			at(measure{valve.SlidingAdvance, string(side) + " side advanced"}, within)
			at(measure{valve.SlidingDetachedLength, string(side) + " side detached over"}, within)
			cut, far := r.dimension(planned, valve.SlidingStripHeightAtCutEdge, within), r.dimension(planned, valve.SlidingStripHeightAtFarEnd, within)
			switch {
			case cut.known && far.known:
				add(string(side) + " strip " + cut.marked() + " at the cut edge to " + far.marked())
			case cut.known:
				add(string(side) + " strip " + cut.marked() + " at the cut edge")
			case far.known:
				add(string(side) + " strip " + far.marked() + " at the far end")
			}
		}
	case repair.LeafletResection:
		if a := r.dimension(planned, valve.ResectionAxisOffset, valve.AtStep(s.ID)); a.known && a.value != 0 {
			side, size := valve.Medial, a
			if a.value < 0 {
				side, size.text = valve.Lateral, strings.TrimPrefix(a.text, "-")
			}
			add("axis " + size.marked() + " " + string(side) + " of the middle")
		}
	}
	return list
}

// withinText says a place within a step: P2, the lateral side of P2.
func withinText(p valve.Place) string {
	text := string(p)
	seg, side, has := strings.Cut(text, "/")
	if has {
		return segmentText(valve.Segment(seg)) + " " + spaced(side)
	}
	if s := p.Segment(); s != "" {
		return segmentText(s)
	}
	return spaced(p)
}
