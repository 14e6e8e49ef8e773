package note

import (
	"fmt"
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// planned is what a plan sheet says of the steps, heights and aims.
func (b *builder) planned() []Block {
	signed := "The plan is not signed."
	if s := clean(b.plan.GetSigner()); s != "" {
		signed = words.Sentence(joined(" ", "Signed by "+s, with("on", b.minute(b.plan.GetSignedTime()))))
	}
	return append([]Block{paragraph(signed)}, b.planBlocks()...)
}

// planBlocks tell a plan's approach, steps, heights and aims.
func (b *builder) planBlocks() []Block {
	var blocks []Block
	var first []string
	if a := say(b.plan.GetSetting().GetApproach()); a != "" {
		first = append(first, words.Sentence("Approach: "+a))
	}
	if r := b.quote(b.plan.GetRationale()); r != "" {
		first = append(first, "Rationale: "+r)
	}
	blocks = append(blocks, paragraph(first...))
	var items []Item
	for _, s := range b.plan.GetSteps() {
		text := b.step(s.GetTechnique(), s.GetId(), valve.AtPlan)
		if a := b.plannedStep(s.GetAlternativeOf()); a != nil {
			text += "; instead of " + technique(a.GetTechnique())
		}
		if c := say(s.GetCondition().GetKind()); c != "" {
			text += "; " + c
		}
		item := Item{Text: words.Sentence(text)}
		if q := b.quote(s.GetCondition().GetText()); q != "" {
			item.Sub = append(item.Sub, "Condition: "+q)
		}
		if q := b.quote(s.GetRationale()); q != "" {
			item.Sub = append(item.Sub, "Rationale: "+q)
		}
		items = append(items, item)
	}
	if len(items) == 0 {
		blocks = append(blocks, paragraph("Its steps are not recorded."))
	} else {
		blocks = append(blocks, paragraph("Steps planned"+partial(b.plan.GetStepsRecorded())+":"), Block{List: &List{Numbered: true, Items: items}})
	}
	var heights []string
	for _, h := range b.plan.GetPlannedHeights() {
		if v := b.quantity(h, valve.LeafletHeight, heightPlace(h), valve.AtPlan); v != "" {
			heights = append(heights, words.Place(heightPlace(h))+" "+v)
		}
	}
	if len(heights) > 0 {
		blocks = append(blocks, paragraph(words.Sentence("Leaflet heights aimed at: "+words.And(heights))))
	}
	var aims []string
	for _, t := range b.plan.GetTargets() {
		if a := aim(t); a != "" {
			aims = append(aims, joined(" ", a, stageName(t.GetStage())))
		}
	}
	if len(aims) > 0 {
		blocks = append(blocks, paragraph(words.Sentence("Aims: "+strings.Join(aims, "; "))))
	}
	return blocks
}

// planInForce tells the plan in the annex, with its revisions and how the things
// planned came out.
func (b *builder) planInForce() []Block {
	if b.plan == nil && b.effective {
		return []Block{paragraph(fmt.Sprintf("The plan in force is revision %d, which is not at hand.", b.revision))}
	}
	if b.plan == nil {
		return []Block{paragraph(words.Sentence("No plan is in force: " + orElse(clean(b.ev.GetPlanInForce().GetExplanation()), "no plan was received")))}
	}
	which := "The plan in force is"
	if !b.effective {
		why := strings.TrimSuffix(clean(b.ev.GetPlanInForce().GetExplanation()), "; none is in force")
		which = "No plan is in force: " + orElse(why, "not evaluable") + ". The last plan on record is"
	}
	if b.revision > 0 {
		which += fmt.Sprintf(" revision %d", b.revision)
	} else {
		which += " of a revision that is not recorded"
	}
	signed := "not signed"
	if s := clean(b.plan.GetSigner()); s != "" {
		signed = "signed by " + s + " " + orElse(with("on", b.minute(b.plan.GetSignedTime())), "at a time that is not recorded")
	}
	text := which + ", " + signed
	if c := say(b.plan.GetContext()); c != "" {
		text += ", made " + c
	}
	if b.effective {
		text += "; it was " + clean(b.ev.GetPlanInForce().GetExplanation())
	}
	sentences := []string{words.Sentence(text + b.allMarks(string(valve.AtPlan)))}
	if n := len(b.in.Plans); n > 1 {
		sentences = append(sentences, fmt.Sprintf("The record holds %d revisions of the plan.", n))
	}
	blocks := []Block{paragraph(sentences...)}
	if b.op != nil {
		blocks = append(append(blocks, b.planBlocks()...), paragraph(b.things()))
	}
	return blocks
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// aim writes a target as a range.
func aim(t *trigonev1.Target) string {
	switch a := t.GetAim().(type) {
	case *trigonev1.Target_CoaptationLength:
		slice := a.CoaptationLength.GetSlice()
		if slice == trigonev1.Slice_SLICE_UNSPECIFIED {
			slice = trigonev1.Slice_SLICE_A2_P2
		}
		r := a.CoaptationLength.GetRange()
		return "coaptation length " + words.At(sliceName(slice)) + " " + span(valve.CoaptationLength, r.GetMinMm(), r != nil && r.MinMm != nil, r.GetMaxMm(), r != nil && r.MaxMm != nil)
	case *trigonev1.Target_MeanGradient:
		r := a.MeanGradient
		return "mean gradient " + span(valve.MeanGradient, r.GetMinMmhg(), r.MinMmhg != nil, r.GetMaxMmhg(), r.MaxMmhg != nil)
	case *trigonev1.Target_RegurgitationGradeAtMost:
		return "regurgitation at most " + or(gradeName(a.RegurgitationGradeAtMost))
	case *trigonev1.Target_LeafletHeight:
		r := a.LeafletHeight.GetRange()
		place := words.Place(valve.AtStation(valve.Segment(word(a.LeafletHeight.GetSegment())), valve.Station(word(a.LeafletHeight.GetStation()))))
		return "leaflet height " + words.At(place) + " " + span(valve.LeafletHeight, r.GetMinMm(), r != nil && r.MinMm != nil, r.GetMaxMm(), r != nil && r.MaxMm != nil)
	case *trigonev1.Target_AnteriorClosureShare:
		r := a.AnteriorClosureShare
		return "anterior share of the closure line " + span(valve.AnteriorClosureShare, r.GetMinPercent(), r.MinPercent != nil, r.GetMaxPercent(), r.MaxPercent != nil)
	case *trigonev1.Target_OutflowTractGradient:
		r := a.OutflowTractGradient
		return "gradient of the outflow tract " + span(valve.OutflowTractGradient, r.GetMinMmhg(), r.MinMmhg != nil, r.GetMaxMmhg(), r.MaxMmhg != nil)
	case *trigonev1.Target_PlanimetryOrificeArea:
		r := a.PlanimetryOrificeArea
		return "orifice area by planimetry " + span(valve.PlanimetryOrificeArea, r.GetMinCm2(), r.MinCm2 != nil, r.GetMaxCm2(), r.MaxCm2 != nil)
	}
	return ""
}

func span(leaf valve.ID, low float64, hasLow bool, high float64, hasHigh bool) string {
	switch {
	case hasLow && hasHigh:
		return format(leaf, low) + " to " + format(leaf, high)
	case hasLow:
		return "at least " + format(leaf, low)
	case hasHigh:
		return "at most " + format(leaf, high)
	}
	return notRecorded
}
