package convert

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Followed is a step that cites an answer given while operating, held against the
// range that was answered.
type Followed struct {
	Verdict      trigonev1.AnswerFollowed
	Leaf         valve.ID // what was compared; empty: nothing
	Value        *float64
	Lower, Upper *float64
	Unit         units.Unit
	Why          string // why it cannot be told
}

// FollowedAnswer compares a step with the answer that it cites. It is the one
// place that says whether an answer was followed: note, facts and demo read it.
// What was done counts, not that the step cites the answer.
func FollowedAnswer(op *trigonev1.Operation, step *trigonev1.PerformedStep, asked *trigonev1.Advice) Followed {
	cannot := func(f Followed, why string) Followed {
		f.Verdict, f.Why = trigonev1.AnswerFollowed_ANSWER_FOLLOWED_CANNOT_BE_TOLD, why
		return f
	}
	if asked == nil {
		return cannot(Followed{}, "no such answer is on record")
	}
	if step.Run != nil && asked.Run != nil && step.GetRun() < asked.GetRun() {
		return cannot(Followed{}, "the step belongs to an earlier pump run than the question")
	}
	f, why := valueDone(op, step, asked)
	if f.Leaf == "" {
		return cannot(f, why)
	}
	unit, grid, _ := metric.Describe(f.Leaf)
	f.Unit = unit
	i := slices.IndexFunc(asked.GetFreedom().GetRanges(), func(r *trigonev1.FreedomRange) bool {
		if valve.ID(r.GetLeaf()) != f.Leaf {
			return false
		}
		at := valve.Place(r.GetPlace()).Step()
		return f.Leaf != valve.ArtificialChordLength || at == step.GetId() || at == step.GetPlannedStepId() && at != ""
	})
	if i < 0 {
		return cannot(f, "the answer says nothing of it")
	}
	r := asked.GetFreedom().GetRanges()[i]
	f.Lower, f.Upper = r.Lower, r.Upper
	switch {
	case r.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE:
		return cannot(f, "the answer gives no range for it")
	case f.Value == nil:
		return cannot(f, why)
	}
	done := units.Round(*f.Value, grid)
	f.Verdict = trigonev1.AnswerFollowed_ANSWER_FOLLOWED_YES
	if r.Lower != nil && done < units.Round(r.GetLower(), grid) || r.Upper != nil && done > units.Round(r.GetUpper(), grid) {
		f.Verdict = trigonev1.AnswerFollowed_ANSWER_FOLLOWED_NO
	}
	return f
}

// valueDone gives what of a step a range can be answered for, and its value; why
// says what keeps it from being known.
func valueDone(op *trigonev1.Operation, step *trigonev1.PerformedStep, asked *trigonev1.Advice) (f Followed, why string) {
	const otherwise = "an answer gives no range for such a step"
	t := step.GetTechnique()
	switch {
	case t.GetAnnuloplasty() != nil:
		ring := t.GetAnnuloplasty()
		if ring.GetKind() == trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_POSTERIOR_BAND {
			return Followed{}, "a posterior band sets no antero-posterior diameter"
		}
		f = Followed{Leaf: valve.RingInnerAnteroPosteriorDiameter}
		if d := ring.GetRingInnerAnteroPosteriorDiameter(); d != nil && d.Mm != nil {
			f.Value = d.Mm
			return f, ""
		}
		for _, size := range asked.GetFreedom().GetRanges() {
			for _, s := range size.GetSizes() {
				if ring.ImplantedLabel != nil && s.GetFamilyKey() == ring.GetFamilyKey() && s.GetLabel() == ring.GetImplantedLabel() {
					f.Value = s.InnerAnteroPosteriorMm
				}
			}
		}
		return f, "the inner antero-posterior diameter of the ring is not recorded"
	case t.GetArtificialChord() != nil:
		f = Followed{Leaf: valve.ArtificialChordLength}
		if l := t.GetArtificialChord().GetArtificialChordLength(); l != nil {
			f.Value = l.Mm
		}
		return f, "the length of the chord is not recorded"
	case t.GetSlidingPlasty() != nil,
		slices.Contains(t.GetLeafletResection().GetSegments(), trigonev1.Segment_SEGMENT_P2),
		slices.Contains(t.GetHeightReduction().GetSegments(), trigonev1.Segment_SEGMENT_P2):
		return Followed{Leaf: valve.LeafletHeight, Value: heightAfter(op, step, asked)}, "no height of P2 was measured after it"
	}
	return Followed{}, otherwise
}

// heightAfter gives the height of P2 that a step left: the last one measured in
// its pump run or later, after the question; nil: none.
func heightAfter(op *trigonev1.Operation, step *trigonev1.PerformedStep, asked *trigonev1.Advice) *float64 {
	sets := slices.DeleteFunc(slices.Clone(op.GetHeights()), func(s *trigonev1.FieldHeights) bool {
		before := s.GetTime() != nil && asked.GetTime() != nil && s.GetTime().AsTime().Before(asked.GetTime().AsTime())
		return before || s.GetStage() < trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK || max(s.GetRun(), 1) < max(step.GetRun(), 1)
	})
	slices.SortStableFunc(sets, func(a, b *trigonev1.FieldHeights) int {
		return -cmp.Or(cmp.Compare(max(a.GetRun(), 1), max(b.GetRun(), 1)), cmp.Compare(a.GetStage(), b.GetStage()))
	})
	for _, set := range sets {
		at := map[trigonev1.Station][]float64{}
		for _, h := range set.GetHeights() {
			if h.GetSegment() != trigonev1.Segment_SEGMENT_P2 || h.GetLeafletHeight() == nil || h.GetLeafletHeight().Mm == nil {
				continue
			}
			station := h.GetStation()
			switch station {
			case trigonev1.Station_STATION_SEAM_MEDIAL_EDGE:
				station = trigonev1.Station_STATION_SEAM_LATERAL_EDGE // the two edges are read together
			case trigonev1.Station_STATION_UNSPECIFIED:
				station = trigonev1.Station_STATION_SEGMENT_MID
			}
			at[station] = append(at[station], h.GetLeafletHeight().GetMm())
		}
		for _, station := range []trigonev1.Station{trigonev1.Station_STATION_SEAM, trigonev1.Station_STATION_SEAM_LATERAL_EDGE, trigonev1.Station_STATION_SEGMENT_MID} {
			list := at[station]
			if len(list) == 0 || station == trigonev1.Station_STATION_SEAM_LATERAL_EDGE && len(list) < 2 {
				continue
			}
			var sum float64
			for _, v := range list {
				sum += v
			}
			mean := sum / float64(len(list))
			return &mean
		}
	}
	return nil
}

// Sentence says it in words, without a capital and a stop: whether the answer was
// followed, and which value stands against which range.
func (f Followed) Sentence() string {
	leaf, _ := metric.LeafByID(f.Leaf)
	name := strings.TrimSpace(leaf.Name)
	if f.Leaf == valve.LeafletHeight {
		name = "height of P2"
	}
	switch f.Verdict {
	case trigonev1.AnswerFollowed_ANSWER_FOLLOWED_YES:
		return "followed: " + name + " " + f.amount(f.Value) + ", answered " + f.rangeText()
	case trigonev1.AnswerFollowed_ANSWER_FOLLOWED_NO:
		return "not followed: " + name + " " + f.amount(f.Value) + ", answered " + f.rangeText()
	}
	return "whether it was followed cannot be told: " + f.Why
}

func (f Followed) amount(v *float64) string {
	_, grid, _ := metric.Describe(f.Leaf)
	return units.Format(*v, f.Unit, grid)
}

func (f Followed) rangeText() string {
	switch {
	case f.Lower == nil && f.Upper == nil:
		return "without a bound"
	case f.Lower == nil:
		return "at most " + f.amount(f.Upper)
	case f.Upper == nil:
		return "at least " + f.amount(f.Lower)
	}
	_, grid, _ := metric.Describe(f.Leaf)
	return units.FormatNumber(*f.Lower, grid) + " to " + f.amount(f.Upper)
}
