package note

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Plan.

func (b *builder) planInForce() []Block {
	if b.plan == nil && b.effective {
		return []Block{paragraph(fmt.Sprintf("The plan in force is revision %d, which is not at hand.", b.revision))}
	}
	if b.plan == nil {
		return []Block{paragraph(words.Sentence("No plan is in force: " + cmp.Or(clean(b.ev.GetPlanInForce().GetExplanation()), "no plan was received")))}
	}
	which := "The plan in force is"
	if !b.effective {
		why := strings.TrimSuffix(clean(b.ev.GetPlanInForce().GetExplanation()), "; none is in force")
		which = "No plan is in force: " + cmp.Or(why, "not evaluable") + ". The last plan on record is"
	}
	if b.revision > 0 {
		which += fmt.Sprintf(" revision %d", b.revision)
	} else {
		which += " of a revision that is not recorded"
	}
	signed := "not signed"
	if s := clean(b.plan.GetSigner()); s != "" {
		signed = "signed by " + s + " " + cmp.Or(with("on", b.minute(b.plan.GetSignedTime())), "at a time that is not recorded")
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
	if r := b.quote(b.plan.GetRationale()); r != "" {
		sentences = append(sentences, "Rationale: "+r)
	}
	blocks := []Block{paragraph(sentences...)}
	var items []Item
	for _, s := range b.plan.GetSteps() {
		text := b.step(s.GetTechnique(), s.GetId(), valve.AtPlan)
		if a := s.GetAlternativeOf(); a != "" {
			text += ", as an alternative of " + cmp.Or(b.plannedName(a), "a step that is not in the plan")
		}
		if c := say(s.GetCondition().GetKind()); c != "" {
			text += ", " + c
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
		blocks = append(blocks, paragraph("Planned steps"+partial(b.plan.GetStepsRecorded())+":"), Block{List: &List{Numbered: true, Items: items}})
	}
	var heights []string
	for _, h := range b.plan.GetPlannedHeights() {
		if v := b.quantity(h, valve.LeafletHeight, heightPlace(h), valve.AtPlan); v != "" {
			heights = append(heights, words.Capital(placeName(heightPlace(h)))+" "+v)
		}
	}
	if len(heights) > 0 {
		blocks = append(blocks, paragraph(words.Sentence("Leaflet heights aimed at after the leaflet work: "+strings.Join(heights, "; "))))
	}
	var aims []string
	for _, t := range b.plan.GetTargets() {
		if a := aim(t); a != "" {
			aims = append(aims, joined(" ", a, with("at", say(t.GetStage()))))
		}
	}
	if len(aims) > 0 {
		blocks = append(blocks, paragraph(words.Sentence("Aims: "+strings.Join(aims, "; "))))
	}
	return blocks
}

func (b *builder) plannedName(id string) string {
	for _, s := range b.plan.GetSteps() {
		if s.GetId() == id {
			return technique(s.GetTechnique())
		}
	}
	return ""
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
		return "coaptation length " + at(sliceName(slice)) + " " + span(valve.CoaptationLength, r.GetMinMm(), r != nil && r.MinMm != nil, r.GetMaxMm(), r != nil && r.MaxMm != nil)
	case *trigonev1.Target_MeanGradient:
		r := a.MeanGradient
		return "mean gradient " + span(valve.MeanGradient, r.GetMinMmhg(), r.MinMmhg != nil, r.GetMaxMmhg(), r.MaxMmhg != nil)
	case *trigonev1.Target_RegurgitationGradeAtMost:
		return "regurgitation at most " + or(gradeName(a.RegurgitationGradeAtMost))
	case *trigonev1.Target_LeafletHeight:
		r := a.LeafletHeight.GetRange()
		place := placeName(valve.AtStation(valve.Segment(word(a.LeafletHeight.GetSegment())), valve.Station(word(a.LeafletHeight.GetStation()))))
		return "leaflet height " + at(place) + " " + span(valve.LeafletHeight, r.GetMinMm(), r != nil && r.MinMm != nil, r.GetMaxMm(), r != nil && r.MaxMm != nil)
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

// Changes.

func (b *builder) changes() []Block {
	children := map[string][]*trigonev1.Discrepancy{}
	var roots []*trigonev1.Discrepancy
	known := map[string]bool{}
	gaps := int64(0)
	for _, d := range b.ev.GetDiscrepancies() {
		if d.GetVerdict() == trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE {
			gaps++
			continue
		}
		known[d.GetId()] = true
	}
	for _, d := range b.ev.GetDiscrepancies() {
		switch {
		case !known[d.GetId()]:
		case d.GetParent() != "" && known[d.GetParent()]:
			children[d.GetParent()] = append(children[d.GetParent()], d)
		default:
			roots = append(roots, d)
		}
	}
	var gap string
	if gaps > 0 {
		gap = words.Sentence(count(gaps, "comparison", "comparisons") + " could not be made because a value is not recorded or is disputed")
	}
	things := b.things()
	switch {
	case b.op == nil:
		return []Block{paragraph("No operation is recorded, so that nothing is compared with the plan.")}
	case len(roots) == 0 && b.effective:
		return []Block{paragraph("No difference between plan and operation was found.", things, gap)}
	case len(roots) == 0:
		return []Block{paragraph("Nothing was compared, because no plan is in force.", gap)}
	}
	items := make([]Item, 0, len(roots))
	for _, d := range roots {
		item := Item{Text: b.difference(d)}
		for _, c := range children[d.GetId()] {
			item.Sub = append(item.Sub, b.difference(c))
		}
		items = append(items, item)
	}
	return []Block{
		paragraph(things),
		paragraph("What was done or found otherwise than planned; what follows from one difference stands under it. A difference is not an error."),
		list(items), paragraph(gap),
	}
}

// things says how the things planned came out, where a plan is in force.
func (b *builder) things() string {
	list := b.ev.GetComparisons()
	if !b.effective || convert.ThingsPlanned(list).GetTotal() == 0 {
		return ""
	}
	return words.Sentence(convert.ThingsText(convert.ThingsPlanned(list)))
}

// difference is one sentence, with the reason in the surgeon's words.
func (b *builder) difference(d *trigonev1.Discrepancy) string {
	text := clean(d.GetMessage())
	if d.GetPlanRevised() {
		text += "; the plan was revised before the first leaflet cut"
	}
	text = strings.TrimSuffix(text, ".")
	if d.GetReason() == "" && d.GetPerformedStepId() != "" {
		text += "; reason not recorded"
	}
	// What was left out is not what the differing step's reason speaks of.
	for _, k := range b.comparedKeys(d) {
		if m := b.marks(k); m != "" {
			text += m
			break
		}
	}
	text = words.Sentence(text)
	for _, s := range b.op.GetSteps() {
		if s.GetId() == d.GetPerformedStepId() {
			text = joined(" ", text, b.quote(s.GetReasonText()))
		}
	}
	if d.GetClass() == "further_pump_run" {
		for _, r := range b.op.GetRuns() {
			if r.GetNumber() == d.GetRun() {
				text = joined(" ", text, b.quote(r.GetReasonText()))
			}
		}
	}
	return text
}

// comparedKeys are the values of the outcome that a comparison may have read.
func (b *builder) comparedKeys(d *trigonev1.Discrepancy) []valve.Key {
	if d.GetMetric() == "" {
		return nil
	}
	return []valve.Key{{ID: valve.ID(d.GetMetric()), Place: valve.Place(d.GetPlace()), Occasion: valve.Occasion(d.GetOccasion()), Role: valve.Measured}}
}

// Steps.

// runNumbers are the pump runs that anything of the operation names, in order.
func (b *builder) runNumbers() []int32 {
	var list []int32
	add := func(n int32) {
		if n > 0 && !slices.Contains(list, n) {
			list = append(list, n)
		}
	}
	for _, r := range b.op.GetRuns() {
		add(r.GetNumber())
	}
	for _, s := range b.op.GetSteps() {
		add(s.GetRun())
	}
	slices.Sort(list)
	return list
}

func (b *builder) steps() []Block {
	if b.op == nil {
		return []Block{paragraph("The operation is not recorded.")}
	}
	blocks := []Block{paragraph(b.course()...)}
	runs := b.runNumbers()
	for _, run := range append(runs, 0) {
		items := b.stepsOf(run)
		heights := b.fieldHeights(run)
		if len(items) == 0 && len(heights) == 0 {
			if run > 0 && len(runs) > 1 {
				blocks = append(blocks, Block{Subheading: fmt.Sprintf("Pump run %d", run)}, paragraph("No step is recorded in this run."))
			}
			continue
		}
		name := "Pump run not recorded"
		if run > 0 {
			name = fmt.Sprintf("Pump run %d", run)
		}
		blocks = append(blocks, Block{Subheading: name})
		if len(items) > 0 {
			blocks = append(blocks, Block{List: &List{Numbered: true, Items: items}})
		}
		blocks = append(blocks, heights...)
	}
	switch {
	case len(b.op.GetSteps()) == 0 && b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		blocks = append(blocks, paragraph("No repair step was performed."))
	case len(b.op.GetSteps()) == 0:
		blocks = append(blocks, paragraph("The steps performed are not recorded."))
	case b.op.GetStepsRecorded() != trigonev1.Recorded_RECORDED_COMPLETE:
		blocks = append(blocks, paragraph("The record does not say that the list of steps is complete."))
	}
	if c := b.concomitant(); c != "" {
		blocks = append(blocks, paragraph(c))
	}
	if q := b.quote(b.op.GetNote()); q != "" {
		blocks = append(blocks, paragraph("Note of the operation: "+q))
	}
	return blocks
}

// course says way, urgency and times of the operation.
func (b *builder) course() []string {
	s := b.setting()
	way := "Approach: " + or(say(s.GetApproach()))
	if u := say(s.GetUrgency()); u != "" {
		way += "; urgency: " + u
	}
	switch s.GetPreviousCardiacSurgery() {
	case trigonev1.Answer_ANSWER_YES:
		way += "; cardiac surgery before"
	case trigonev1.Answer_ANSWER_NO:
		way += "; no cardiac surgery before"
	}
	return []string{words.Sentence(way), words.Sentence(fmt.Sprintf("Incision %s; first leaflet cut %s; end %s",
		or(b.minute(b.op.GetIncisionTime())), or(b.minute(b.op.GetFirstLeafletCutTime())), or(b.minute(b.op.GetEndTime()))) + b.sectionMarks(string(valve.AtOperation), 0))}
}

func (b *builder) stepsOf(run int32) []Item {
	var steps []*trigonev1.PerformedStep
	for _, s := range b.op.GetSteps() {
		if s.GetRun() == run {
			steps = append(steps, s)
		}
	}
	slices.SortStableFunc(steps, func(x, y *trigonev1.PerformedStep) int {
		if x.Order == nil || y.Order == nil {
			return 0
		}
		return cmp.Compare(x.GetOrder(), y.GetOrder())
	})
	items := make([]Item, 0, len(steps))
	for _, s := range steps {
		item := Item{Text: words.Sentence(b.step(s.GetTechnique(), s.GetId(), valve.AtOperation))}
		if f := b.fate(s); f != "" {
			item.Sub = append(item.Sub, f)
		}
		if m := b.margins(s.GetId()); m != "" {
			item.Sub = append(item.Sub, m)
		}
		item.Sub = append(item.Sub, b.asked(s)...)
		items = append(items, item)
	}
	return items
}

// fate says what became of a step, and why it was so.
func (b *builder) fate(s *trigonev1.PerformedStep) string {
	var text string
	switch s.GetFate() {
	case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN:
		text = "Taken down"
		if n := number32(s.TakenDownInRun); n != "" {
			text += " in pump run " + n
		}
	case trigonev1.StepFate_STEP_FATE_REVISED:
		text = "Revised later"
		for _, by := range b.op.GetSteps() {
			if by.GetId() == s.GetRevisedBy() {
				text += " by " + technique(by.GetTechnique())
			}
		}
	}
	reason := say(s.GetReason())
	quoted := b.quote(s.GetReasonText())
	switch {
	case text == "" && reason == "":
		return quoted
	case text != "" && reason == "":
		return joined(" ", text+"; reason not recorded.", quoted)
	case text == "":
		return joined(" ", words.Sentence("Reason: "+reason), quoted)
	}
	return joined(" ", words.Sentence(text+": "+reason), quoted)
}

// asked says of each question that a step cites whether the step followed the
// answer: what was done counts, not the citation.
func (b *builder) asked(s *trigonev1.PerformedStep) []string {
	var list []string
	for _, id := range s.GetAdviceIds() {
		var question *trigonev1.Advice
		for _, a := range b.file.GetAdvice() {
			if a.GetId() == id {
				question = a
			}
		}
		head := joined(" ", "Question asked of this software while operating", bracketed(joined(", ", clean(id), b.minute(question.GetTime()))))
		list = append(list, words.Sentence(head+": "+convert.FollowedAnswer(b.op, s, question).Sentence()))
	}
	return list
}

// margins says the supporting chords kept beside a resection.
func (b *builder) margins(step string) string {
	var list []string
	for _, m := range b.op.GetMarginChords() {
		if m.GetStepId() != step || step == "" || m.ChordCount == nil {
			continue
		}
		list = append(list, joined(" ", count(int64(m.GetChordCount()), "chord", "chords"), "on the", or(say(m.GetSide())), "side"))
	}
	if len(list) == 0 {
		return ""
	}
	return words.Sentence("Supporting chords kept at the margins: " + words.And(list))
}

// fieldHeights says the heights measured in the field in one run, a sentence for
// each set.
func (b *builder) fieldHeights(run int32) []Block {
	var blocks []Block
	for _, set := range b.op.GetHeights() {
		if set.GetRun() != run {
			continue
		}
		o := valve.InRun(int(set.GetRun()), valve.Stage(word(set.GetStage())))
		var list []string
		for _, h := range set.GetHeights() {
			list = append(list, words.Capital(placeName(heightPlace(h)))+" "+or(b.quantity(h, valve.LeafletHeight, heightPlace(h), o)))
		}
		if len(list) > 0 {
			blocks = append(blocks, paragraph(words.Sentence(joined(" ", "Leaflet heights in the field,", cmp.Or(stageName(set.GetStage()), "stage not recorded")+":", strings.Join(list, "; ")))))
		}
	}
	return blocks
}

func (b *builder) concomitant() string {
	var list []string
	for _, c := range b.op.GetConcomitantProcedures() {
		text := or(say(c.GetKind()))
		if c.GetPlanned() == trigonev1.Answer_ANSWER_NO {
			text += " (not planned)"
		}
		list = append(list, text)
	}
	switch {
	case len(list) > 0:
		return words.Sentence("Procedures beside the mitral repair: " + words.And(list))
	case b.op.GetConcomitantProceduresRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		return "There was no other procedure on the heart."
	}
	return ""
}

// Ring.

func (b *builder) rings() []Block {
	if b.op == nil {
		return nil
	}
	t := &Table{Header: []string{""}}
	rows := [][]string{
		{"Kind"}, {"Labelled size"}, {"Inner antero-posterior diameter"}, {"Inner transverse diameter"}, {"Orifice area"},
		{"Length of the band"}, {"Sizers tried"}, {"Sized by"}, {"Sutures"}, {"Fate"},
	}
	for _, s := range b.op.GetSteps() {
		r := s.GetTechnique().GetAnnuloplasty()
		if r == nil {
			continue
		}
		name := "Ring or band"
		if n := number32(s.Run); n != "" {
			name += ", pump run " + n
		}
		t.Header = append(t.Header, name)
		dim := func(field valve.ID) string { return b.quantity(r, field, valve.AtStep(s.GetId()), valve.AtOperation) }
		sutures := number32(r.SutureCount)
		if n := number32(r.AnteriorSutureCount); n != "" {
			sutures = joined(", ", sutures, n+" of them anterior")
		}
		fate := "in place"
		switch s.GetFate() {
		case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN, trigonev1.StepFate_STEP_FATE_REVISED:
			fate = say(s.GetFate())
			if n := number32(s.TakenDownInRun); n != "" {
				fate += " in pump run " + n
			}
		case trigonev1.StepFate_STEP_FATE_UNSPECIFIED:
			fate = "not recorded, read as in place"
		}
		// A band has a length, a ring has inner diameters; the other is not missed.
		band := r.GetKind() == trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_POSTERIOR_BAND
		missed := func(field valve.ID, expected bool) string {
			if v := dim(field); v != "" || !expected {
				return v
			}
			return notRecorded
		}
		for i, v := range []string{
			or(joined(" ", say(r.GetRigidity()), say(r.GetKind()))), strings.TrimPrefix(ringSize(r, valve.AtOperation), "labelled size "),
			missed(valve.RingInnerAnteroPosteriorDiameter, !band), missed(valve.RingInnerTransverseDiameter, !band),
			dim(valve.RingOrificeArea), missed(valve.BandLength, band),
			sizers(r), or(joined(", ", say(r.GetSizingBasis()), say(r.GetSizingMethod()))), sutures, fate,
		} {
			rows[i] = append(rows[i], v)
		}
	}
	if len(t.Header) == 1 {
		if b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
			return []Block{paragraph("No ring or band was implanted.")}
		}
		return []Block{paragraph("A ring or band is not recorded.")}
	}
	for _, row := range rows {
		if strings.Join(row[1:], "") == "" {
			continue // nobody looks for what no ring has
		}
		for i := range row {
			row[i] = cmp.Or(row[i], "–")
		}
		t.Rows = append(t.Rows, row)
	}
	t.Header[0] = "Property"
	return []Block{{Table: t}}
}

// Tests.

func (b *builder) tests() []Block {
	if b.op == nil {
		return nil
	}
	var items []Item
	for _, t := range b.op.GetSalineTests() {
		items = append(items, Item{Text: b.saline(t)})
	}
	complete := b.op.GetTestsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE
	switch {
	case len(items) > 0:
	case complete:
		items = append(items, Item{Text: "No saline test was done."})
	default:
		items = append(items, Item{Text: "A saline test is not recorded."})
	}
	var tables []Block
	for _, t := range b.op.GetInkTests() {
		if t.GetPerformed() == trigonev1.Answer_ANSWER_NO {
			items = append(items, Item{Text: words.Sentence(joined(" ", "Ink test"+when(t.GetRun(), t.GetStage()), "not done", notDone(t.GetNotDoneReason())))})
			continue
		}
		table := &Table{Caption: "Ink test" + when(t.GetRun(), t.GetStage()), Header: []string{"Segment", "Annulus to line", "Line to free edge"}}
		o := valve.InRun(int(t.GetRun()), valve.Stage(word(t.GetStage())))
		for _, m := range t.GetMarks() {
			place := valve.AtTestSegment(t.GetId(), valve.Segment(word(m.GetSegment())))
			table.Rows = append(table.Rows, []string{
				or(segmentName(m.GetSegment())), or(b.quantity(m, valve.InkAnnulusToLine, place, o)), or(b.quantity(m, valve.InkDepthBeyondLine, place, o)),
			})
		}
		if len(table.Rows) == 0 {
			items = append(items, Item{Text: words.Sentence("Ink test" + when(t.GetRun(), t.GetStage()) + ": its marks are not recorded")})
			continue
		}
		tables = append(tables, Block{Table: table})
	}
	if len(b.op.GetInkTests()) == 0 && complete {
		items = append(items, Item{Text: "No ink test was done."})
	}
	return append([]Block{list(items)}, tables...)
}

func when(run int32, stage trigonev1.Stage) string {
	text := ""
	if run > 0 {
		text += fmt.Sprintf(", pump run %d", run)
	}
	if s := stageName(stage); s != "" {
		text += ", " + s
	}
	return text
}

func notDone(r trigonev1.NotDoneReason) string {
	if s := say(r); s != "" {
		return "(" + s + ")"
	}
	return "(reason not recorded)"
}

func (b *builder) saline(t *trigonev1.SalineTest) string {
	text := "Saline test" + when(t.GetRun(), t.GetStage())
	if t.GetPerformed() == trigonev1.Answer_ANSWER_NO {
		return words.Sentence(text + ": not done " + notDone(t.GetNotDoneReason()))
	}
	o := valve.InRun(int(t.GetRun()), valve.Stage(word(t.GetStage())))
	leak := cmp.Or(say(t.GetLeak()), "leak not recorded")
	parts := []string{joined(" ", leak, at(locationNames(t.GetLeakLocations())))}
	switch t.GetClosureLineSymmetric() {
	case trigonev1.Answer_ANSWER_YES:
		parts = append(parts, "closure line symmetric")
	case trigonev1.Answer_ANSWER_NO:
		parts = append(parts, "closure line not symmetric")
	}
	for _, d := range []struct {
		field valve.ID
		name  string
	}{
		{valve.SalinePressure, "pressure"}, {valve.SalineVolume, "volume"}, {valve.PosteriorOrificeShare, "posterior share of the orifice"},
	} {
		if v := b.quantity(t, d.field, valve.AtTest(t.GetId()), o); v != "" {
			parts = append(parts, d.name+" "+v)
		}
	}
	return words.Sentence(text + ": " + strings.Join(parts, ", "))
}

// Pump runs.

func (b *builder) runs() []Block {
	if b.op == nil {
		return nil
	}
	if len(b.op.GetRuns()) == 0 {
		return []Block{paragraph("Bypass and clamp times are not recorded.")}
	}
	t := &Table{Header: []string{"Pump run", "Bypass", "Aortic clamp", "Reason for it"}}
	var quotes []Item
	for _, r := range b.op.GetRuns() {
		reason := say(r.GetReason())
		switch {
		case reason != "" && r.GetForMitralValve() == trigonev1.Answer_ANSWER_NO:
			reason += " (not for the mitral valve)"
		case reason == "" && r.GetNumber() == 1:
			reason = "first run"
		}
		t.Rows = append(t.Rows, []string{
			fmt.Sprint(r.GetNumber()),
			b.minutes(r.GetBypassStart(), r.GetBypassEnd(), r.StatedBypassMin), b.minutes(r.GetClampStart(), r.GetClampEnd(), r.StatedClampMin), or(reason),
		})
		if said := joined(" ", b.quote(r.GetReasonText()), strings.TrimSpace(b.sectionMarks(string(valve.AtOperation), r.GetNumber()))); said != "" {
			quotes = append(quotes, Item{Text: words.Sentence(fmt.Sprintf("Pump run %d: %s", r.GetNumber(), said))})
		}
	}
	blocks := []Block{{Table: t}}
	if len(quotes) > 0 {
		blocks = append(blocks, list(quotes))
	}
	if b.op.GetRunsRecorded() != trigonev1.Recorded_RECORDED_COMPLETE {
		blocks = append(blocks, paragraph("The record does not say that the list of pump runs is complete."))
	}
	return blocks
}

// minutes writes a duration by the clock and as stated, where the two differ by
// more than the rounding to minutes.
func (b *builder) minutes(start, end *timestamppb.Timestamp, stated *float64) string {
	const clockOnly = "15:04"
	clock := ""
	known := usable(start) && usable(end) && !end.AsTime().Before(start.AsTime())
	by := 0.0
	if known {
		by = math.Round(end.AsTime().Sub(start.AsTime()).Minutes())
		clock = fmt.Sprintf("%.0f min (%s to %s)", by, b.local(start, clockOnly), b.local(end, clockOnly))
	}
	switch {
	case known && stated != nil && math.Abs(*stated-by) > 1:
		return clock + ", stated as " + units.FormatNumber(*stated, 1) + " min"
	case known:
		return clock
	case stated != nil:
		return units.FormatNumber(*stated, 1) + " min as stated"
	}
	return notRecorded
}

// Result.

func (b *builder) result() []Block {
	if b.op == nil && len(b.file.GetResults()) == 0 {
		return nil
	}
	var last *trigonev1.Result
	for _, r := range b.file.GetResults() {
		if r.GetStage() == trigonev1.Stage_STAGE_LEAVING_THEATRE && (last == nil || r.GetRun() >= last.GetRun()) {
			last = r
		}
	}
	var sentences []string
	switch {
	case last != nil:
		sentences = append(sentences, words.Sentence("On leaving theatre: "+b.echoWords(last.GetStudy(), resultOccasion(last))))
	default:
		sentences = append(sentences, "An echo on leaving theatre is not recorded.")
	}
	switch b.op.GetLeftTheatreAlive() {
	case trigonev1.Answer_ANSWER_YES:
		sentences = append(sentences, "The patient left theatre alive.")
	case trigonev1.Answer_ANSWER_NO:
		sentences = append(sentences, "The patient did not leave theatre alive.")
	default:
		sentences = append(sentences, "Whether the patient left theatre alive is not recorded.")
	}
	blocks := []Block{paragraph(sentences...)}
	t := &Table{Caption: "Echo after each pump run", Header: []string{"Echo", "Regurgitation", "Mean gradient", "Heart rate", "Coaptation A2-P2", "Anterior motion", "Decision"}}
	var quotes []Item
	for _, r := range b.results() {
		e := b.echo(r.GetStudy(), resultOccasion(r))
		name := joined(", ", words.Capital(or(say(r.GetStage()))), pumpRun(r.GetRun()))
		t.Rows = append(t.Rows, []string{
			name + " (" + clean(r.GetId()) + ")" + b.allMarks(string(resultOccasion(r))), e.grade, e.gradient, e.rate, e.coaptation, e.motion, or(say(r.GetDecision())),
		})
		if q := b.quote(r.GetDecisionText()); q != "" {
			quotes = append(quotes, Item{Text: words.Sentence("Decision after " + clean(r.GetId()) + ": " + q)})
		}
		if m := b.anteriorMotion(r); m != "" {
			quotes = append(quotes, Item{Text: m})
		}
	}
	if len(t.Rows) > 0 {
		blocks = append(blocks, Block{Table: t})
	}
	if len(quotes) > 0 {
		blocks = append(blocks, list(quotes))
	}
	if n := b.neighbourhood(); n != "" {
		blocks = append(blocks, paragraph(n))
	}
	return blocks
}

// anteriorMotion says what was measured and done while systolic anterior motion was
// seen; nothing where it was not.
func (b *builder) anteriorMotion(r *trigonev1.Result) string {
	m := r.GetStudy().GetAnteriorMotion()
	switch m.GetState() {
	case trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_UNSPECIFIED, trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE:
		return ""
	}
	parts := []string{
		joined(" ", "gradient of the outflow tract", or(b.quantity(m, valve.OutflowTractGradient, valve.Nowhere, resultOccasion(r)))),
	}
	if v := b.quantity(m, valve.OutflowTractGradientProvoked, valve.Nowhere, resultOccasion(r)); v != "" {
		parts = append(parts, "provoked "+v)
	}
	if g := gradeName(m.GetRegurgitationWithMotion()); g != "" {
		parts = append(parts, "regurgitation with it "+g)
	}
	for _, done := range m.GetManoeuvres() {
		if what := say(done.GetKind()); what != "" {
			parts = append(parts, joined(" ", what, bracketed(say(done.GetResult()))))
		}
	}
	if end := say(m.GetEnd()); end != "" {
		parts = append(parts, end)
	}
	return words.Sentence("Systolic anterior motion in " + clean(r.GetId()) + ": " + strings.Join(parts, ", "))
}

func pumpRun(n int32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("run %d", n)
}

// results are in the order of their runs and stages.
func (b *builder) results() []*trigonev1.Result {
	list := slices.Clone(b.file.GetResults())
	slices.SortStableFunc(list, func(x, y *trigonev1.Result) int {
		return cmp.Or(cmp.Compare(x.GetRun(), y.GetRun()), cmp.Compare(x.GetStage(), y.GetStage()))
	})
	return list
}

func resultOccasion(r *trigonev1.Result) valve.Occasion { return valve.Occasion("result/" + r.GetId()) }

// echo is what an echo after the repair is read for.
type echo struct{ grade, gradient, rate, coaptation, motion string }

func (b *builder) echo(s *trigonev1.Study, o valve.Occasion) echo {
	e := echo{
		grade: or(gradeName(s.GetRegurgitation().GetGrade())), motion: or(say(s.GetAnteriorMotion().GetState())),
		gradient: notRecorded, rate: notRecorded, coaptation: notRecorded,
	}
	if g := s.GetGradient(); g != nil {
		e.gradient = or(b.quantity(g, valve.MeanGradient, valve.Nowhere, o))
		e.rate = or(b.quantity(g, valve.GradientHeartRate, valve.Nowhere, o))
	}
	for _, c := range s.GetLeaflets().GetCoaptation() {
		if c.GetSlice() == trigonev1.Slice_SLICE_A2_P2 {
			e.coaptation = or(b.quantity(c, valve.CoaptationLength, valve.AtSlice(valve.A2P2), o))
		}
	}
	return e
}

func (b *builder) echoWords(s *trigonev1.Study, o valve.Occasion) string {
	e := b.echo(s, o)
	gradient := e.gradient
	switch {
	case e.rate != notRecorded:
		gradient += " at a heart rate of " + e.rate
	case gradient != notRecorded:
		gradient += " (heart rate not recorded)"
	}
	coaptation := "coaptation length at A2-P2 " + e.coaptation
	if b.converted() && e.coaptation == notRecorded {
		coaptation = "" // nobody looks for it beside a prosthesis
	}
	return joined(", ", "mitral regurgitation "+e.grade, "mean gradient "+gradient, coaptation, "systolic anterior motion "+e.motion)
}

// neighbourhood says what was looked at beside the annulus.
func (b *builder) neighbourhood() string {
	n := b.op.GetNeighbourhood()
	var looked, not []string
	for _, c := range []struct {
		answer trigonev1.Answer
		what   string
	}{
		{n.GetAorticValveChecked(), "the aortic valve"}, {n.GetCircumflexFlowChecked(), "circumflex flow"}, {n.GetLateralWallChecked(), "the lateral wall"},
	} {
		switch c.answer {
		case trigonev1.Answer_ANSWER_YES:
			looked = append(looked, c.what)
		case trigonev1.Answer_ANSWER_NO:
			not = append(not, c.what)
		}
	}
	var sentences []string
	if len(looked) > 0 {
		sentences = append(sentences, words.Sentence("After bypass "+words.And(looked)+" "+plural(len(looked), "was", "were")+" looked at"))
	}
	if len(not) > 0 {
		sentences = append(sentences, words.Sentence(words.Capital(words.And(not))+" "+plural(len(not), "was", "were")+" not looked at after bypass"))
	}
	switch n.GetLateralWallNewlyAbnormal() {
	case trigonev1.Answer_ANSWER_YES:
		sentences = append(sentences, "The lateral wall was newly abnormal.")
	case trigonev1.Answer_ANSWER_NO:
		sentences = append(sentences, "The lateral wall was not newly abnormal.")
	}
	if a := say(n.GetCoronaryAction()); a != "" {
		sentences = append(sentences, words.Sentence("Coronary artery: "+a))
	}
	return strings.Join(sentences, " ")
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// Conversion and complications.

func (b *builder) complications() []Block {
	if b.op == nil {
		return nil
	}
	c := b.op.GetConversion()
	var sentences []string
	switch c.GetConverted() {
	case trigonev1.Answer_ANSWER_YES:
		sentences = append(sentences, words.Sentence("The repair was given up for a replacement "+cmp.Or(say(c.GetPoint()), "at a point that is not recorded")+"; reason: "+or(say(c.GetReason()))))
		if q := b.quote(c.GetReasonText()); q != "" {
			sentences = append(sentences, words.Sentence("In the surgeon's words: "+q))
		}
		label := ""
		if c.ProsthesisLabel != nil {
			label = ", labelled size " + plain(c.GetProsthesisLabel())
		}
		sentences = append(sentences, words.Sentence("Prosthesis: "+or(say(c.GetProsthesis()))+label+"; chords kept: "+or(say(c.GetChordsKept()))))
		sentences = append(sentences, words.Sentence("Mean gradient across the prosthesis "+or(b.quantity(c, valve.ProsthesisMeanGradient, valve.Nowhere, valve.AtOperation))+
			"; leak beside it "+or(gradeName(c.GetParaprostheticLeak()))))
		var tried []string
		for _, s := range b.op.GetSteps() {
			if slices.Contains(c.GetTriedStepIds(), s.GetId()) {
				tried = append(tried, technique(s.GetTechnique()))
			}
		}
		if len(tried) > 0 {
			sentences = append(sentences, words.Sentence("Tried before: "+words.And(tried)))
		}
	case trigonev1.Answer_ANSWER_NO:
		sentences = append(sentences, "The valve was not replaced.")
	default:
		sentences = append(sentences, "Whether the repair was converted to a replacement is not recorded.")
	}
	return []Block{paragraph(sentences...), paragraph(complicationWords(b.op.GetComplications(), b.op.GetComplicationsRecorded(), "in theatre"))}
}

func complicationWords(all []*trigonev1.Complication, recorded trigonev1.Recorded, where string) string {
	var list []string
	for _, c := range all {
		list = append(list, joined(" ", or(say(c.GetKind())), with("on", day(c.GetDate()))))
	}
	switch {
	case len(list) > 0:
		return words.Sentence("Complications " + where + ": " + words.And(list) + partial(recorded))
	case recorded == trigonev1.Recorded_RECORDED_COMPLETE:
		return "There was no complication " + where + "."
	}
	return "Complications " + where + " are not recorded."
}

// Follow-up.

func (b *builder) followUps() []Block {
	var items []Item
	for _, u := range b.file.GetFollowUps() {
		items = append(items, b.followUp(u))
	}
	if len(items) == 0 {
		return []Block{paragraph("Follow-up is not recorded.")}
	}
	return []Block{list(items)}
}

func (b *builder) followUp(u *trigonev1.FollowUp) Item {
	status := cmp.Or(say(u.GetVitalStatus()), "vital status not recorded")
	if d := day(u.GetStatusKnownOn()); d != "" {
		status += ", known on " + d
	}
	if d := day(u.GetDiedOn()); d != "" {
		status += ", died on " + d
	}
	if c := say(u.GetDeathCause()); c != "" {
		status += " (cause: " + c + ")"
	}
	if u.GetLost() == trigonev1.Answer_ANSWER_YES {
		status += ", contact lost"
	}
	if f := say(u.GetFunctionalClass()); f != "" {
		status += ", functional class " + f
	}
	item := Item{Text: words.Sentence(cmp.Or(words.Capital(say(u.GetKind())), "Follow-up") + " (" + clean(u.GetId()) + "): " + status + b.allMarks("follow_up/"+u.GetId()))}
	switch {
	case u.GetStudy() != nil:
		on := cmp.Or(day(u.GetEchoOn()), b.local(u.GetStudy().GetTime(), dayLayout))
		item.Sub = append(item.Sub, words.Sentence("Echo "+onDay(on)+": "+b.echoWords(u.GetStudy(), valve.Occasion("follow_up/"+u.GetId()))))
	case u.GetEchoNotDoneReason() != trigonev1.EchoNotDoneReason_ECHO_NOT_DONE_REASON_UNSPECIFIED:
		item.Sub = append(item.Sub, words.Sentence("No echo: "+say(u.GetEchoNotDoneReason())))
	default:
		item.Sub = append(item.Sub, "An echo is not recorded.")
	}
	for _, r := range u.GetReinterventions() {
		item.Sub = append(item.Sub, words.Sentence(joined(", ", "Further intervention on the mitral valve "+onDay(day(r.GetOn())), say(r.GetKind()), with("mechanism", say(r.GetMechanism())))))
	}
	if len(u.GetReinterventions()) == 0 && u.GetReinterventionsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		item.Sub = append(item.Sub, "No further intervention on the mitral valve.")
	}
	if len(u.GetComplications()) > 0 || u.GetComplicationsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		item.Sub = append(item.Sub, complicationWords(u.GetComplications(), u.GetComplicationsRecorded(), "since the last entry"))
	}
	if q := b.quote(u.GetNote()); q != "" {
		item.Sub = append(item.Sub, "Note: "+q)
	}
	return item
}

// Prediction.

// predictionShown are the predictions that an operative note speaks of.
var predictionShown = []valve.ID{"predicted_overlap", "predicted_anterior_closure_share"}

func (b *builder) prediction() []Block {
	t := &Table{Header: []string{"Quantity", "From", "95 % range"}}
	for _, id := range predictionShown {
		for _, v := range b.ev.GetMetrics() {
			from := ""
			switch v.GetRole() {
			case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN:
				from = "the plan"
			case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION:
				from = "what was done"
			}
			if v.GetMetric() != string(id) || from == "" || v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || v.Lower == nil || v.Upper == nil {
				continue
			}
			t.Rows = append(t.Rows, []string{
				joined(" ", words.Capital(valueName(id)), at(placeName(valve.Place(v.GetPlace())))), from, format(id, v.GetLower()) + " to " + format(id, v.GetUpper()),
			})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	model := "an uncalibrated model"
	if b.ev.GetCalibrationId() != "" {
		model = "a calibrated model"
	}
	return []Block{{Table: t}, paragraph("Ranges of " + model + ", not advice: the range in which one observation is expected to lie.")}
}

// Contradictions.

func (b *builder) contradictions() []Block {
	var open, confirmed []Item
	for _, f := range b.ev.GetFindings() {
		if f.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION {
			continue
		}
		item := Item{Text: words.Sentence(words.Capital(words.Spaced(f.GetRule())) + ": " + clean(f.GetMessage()))}
		var values []string
		for _, d := range f.GetDisputes() {
			values = append(values, joined(" ", valueName(valve.ID(d.GetLeaf())), at(placeName(valve.Place(d.GetPlace()))), format(valve.ID(d.GetLeaf()), d.GetValue()), "("+spacedOccasion(d.GetOccasion())+")"))
		}
		if len(values) > 0 {
			item.Sub = append(item.Sub, words.Sentence("Values named: "+strings.Join(values, ", ")))
		}
		if f.GetConfirmed() {
			item.Sub = append(item.Sub, words.Sentence("Confirmed by a reviewer"+b.confirmedOn(f.GetId())))
			confirmed = append(confirmed, item)
			continue
		}
		open = append(open, item)
	}
	var blocks []Block
	if len(open) > 0 {
		blocks = append(blocks, paragraph("Open: the values named are disputed until the record is corrected or a reviewer confirms them."), list(open))
	} else {
		blocks = append(blocks, paragraph("The record holds no open contradiction."))
	}
	if len(confirmed) > 0 {
		blocks = append(blocks, paragraph("Confirmed: a reviewer confirmed the values as they stand."), list(confirmed))
	}
	return blocks
}

func (b *builder) confirmedOn(finding string) string {
	for _, c := range b.in.Case.GetConfirmations() {
		if c.GetFindingId() == finding && c.GetState() == trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
			if t := b.minute(c.GetTime()); t != "" {
				return " on " + t
			}
		}
	}
	return ""
}

func spacedOccasion(o string) string {
	return strings.NewReplacer("_", " ", "/", " ").Replace(clean(o))
}
