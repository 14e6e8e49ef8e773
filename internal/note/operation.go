package note

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Access and bypass.

func (b *builder) access() []Block {
	way := joined(". ", say(b.op.GetSetting().GetApproach()), typed(b.op.GetReport().GetIncision()))
	b.look("approach and incision", way)
	times := joined("; ",
		with("incision", b.look("time of incision", b.clock(b.op.GetIncisionTime()))),
		with("first leaflet cut", b.clock(b.op.GetFirstLeafletCutTime())),
		with("end of the operation", b.look("end of the operation", b.clock(b.op.GetEndTime()))))
	blocks := []Block{
		paragraph(words.Sentence(way), b.approachChange()),
		paragraph(words.Sentence(times + b.sectionMarks(string(valve.AtOperation), 0))),
		paragraph(b.cannulation(), b.support()),
	}
	return append(blocks, b.runTimes()...)
}

// approachChange says that the way to the heart was changed, and why.
func (b *builder) approachChange() string {
	c := b.op.GetApproachChange()
	if c.GetChanged() != trigonev1.Answer_ANSWER_YES {
		return ""
	}
	reason := b.look("reason for changing the approach", say(c.GetReason()))
	return joined(" ", words.Sentence(joined(": ", joined(" ", "The approach was changed in theatre", with("from", say(c.GetBegunAs()))), reason)), b.quote(c.GetReasonText()))
}

func (b *builder) cannulation() string {
	arterial := b.look("arterial cannulation", words.And(sayAll(b.op.GetCannulation().GetArterial())))
	venous := b.look("venous cannulation", words.And(sayAll(b.op.GetCannulation().GetVenous())))
	return words.Sentence(with("Cannulation:", joined("; ", joined(" ", arterial, bracketedIf(arterial, "arterial")), joined(" ", venous, bracketedIf(venous, "venous")))))
}

// support names what supported the circulation beside bypass.
func (b *builder) support() string {
	var list []string
	for _, s := range b.op.GetSupport() {
		list = append(list, joined(" ", or(say(s.GetKind())), bracketed(say(s.GetIntent()))))
	}
	return words.Sentence(with("Mechanical support:", words.And(list)))
}

// protected says how the heart was protected and kept still in a run.
func (b *builder) protected(r *trigonev1.PumpRun) string {
	p := r.GetProtection()
	kind := say(p.GetKind())
	if s := say(p.GetSolution()); s != "" {
		kind = s
	}
	routes := sayAll(p.GetRoutes())
	b.look(fmt.Sprintf("protection of the heart in pump run %d", r.GetNumber()), kind)
	if len(routes) > 0 {
		kind = joined(", ", kind, words.And(routes))
	}
	return joined("; ", kind, with("aorta:", say(p.GetAorticOcclusion())))
}

// runTimes lists bypass and clamp of each pump run.
func (b *builder) runTimes() []Block {
	if len(b.op.GetRuns()) == 0 {
		b.misses("times of bypass and of the aortic clamp")
		return nil
	}
	t := &Table{Header: []string{"Pump run", "Bypass", "Aortic cross-clamp", "Protection of the heart"}}
	for _, r := range b.op.GetRuns() {
		bypass := b.minutes(r.GetBypassStart(), r.GetBypassEnd(), r.StatedBypassMin)
		clamp := b.minutes(r.GetClampStart(), r.GetClampEnd(), r.StatedClampMin)
		name := fmt.Sprint(r.GetNumber())
		b.look("bypass of pump run "+name, bypass)
		b.look("aortic cross-clamp of pump run "+name, clamp)
		t.Rows = append(t.Rows, []string{name + b.sectionMarks(string(valve.AtOperation), r.GetNumber()), bypass, clamp, b.protected(r)})
	}
	blocks := []Block{{Table: filled(t)}}
	if b.op.GetRunsRecorded() != trigonev1.Recorded_RECORDED_COMPLETE {
		b.misses("whether there was a further pump run")
	}
	return blocks
}

// minutes writes a duration by the clock and as stated, where the two differ by
// more than the rounding to minutes.
func (b *builder) minutes(start, end *timestamppb.Timestamp, stated *float64) string {
	clock := ""
	known := usable(start) && usable(end) && !end.AsTime().Before(start.AsTime())
	by := 0.0
	if known {
		by = math.Round(end.AsTime().Sub(start.AsTime()).Minutes())
		clock = fmt.Sprintf("%.0f%smin (%s to %s)", by, unbroken, b.local(start, clockLayout), b.local(end, clockLayout))
	}
	switch {
	case known && stated != nil && math.Abs(*stated-by) > 1:
		return clock + ", stated as " + minutesText(*stated)
	case known:
		return clock
	case stated != nil:
		return minutesText(*stated) + " as stated"
	}
	return ""
}

func minutesText(v float64) string { return units.FormatNumber(v, 1) + unbroken + "min" }

// What was done.

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
	var blocks []Block
	runs := b.runNumbers()
	for _, run := range append(slices.Clone(runs), 0) {
		items, heights := b.stepsOf(run), b.fieldHeights(run)
		if len(items) == 0 && len(heights) == 0 {
			if run > 1 {
				blocks = append(blocks, Block{Subheading: b.runName(run)}, paragraph(b.runReason(run), b.emptyRun()))
			}
			continue
		}
		switch {
		case run == 0:
			blocks = append(blocks, Block{Subheading: "In a pump run that is not recorded"})
		case len(runs) > 1:
			blocks = append(blocks, Block{Subheading: b.runName(run)})
		}
		blocks = append(blocks, paragraph(b.runReason(run)))
		if len(items) > 0 {
			blocks = append(blocks, Block{List: &List{Numbered: true, Items: items}})
		}
		blocks = append(blocks, heights...)
	}
	if len(b.op.GetSteps()) == 0 {
		if b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
			blocks = append(blocks, paragraph("No repair step was performed."))
		} else {
			b.misses("the steps performed")
		}
	} else if b.op.GetStepsRecorded() != trigonev1.Recorded_RECORDED_COMPLETE {
		b.misses("whether these are all steps")
	}
	blocks = append(blocks, paragraph(b.left()), paragraph(b.neighbours()))
	if items := b.concomitantDetails(); len(items) > 0 {
		blocks = append(blocks, Block{Subheading: "Other procedures"}, list(items))
	}
	if c := b.replacement(); c != "" {
		blocks = append(blocks, paragraph(c))
	}
	if q := b.quote(b.op.GetNote()); q != "" {
		blocks = append(blocks, paragraph("Note of the surgeon: "+q))
	}
	return blocks
}

// runName names a pump run with the reason for a further one.
func (b *builder) runName(run int32) string {
	text := fmt.Sprintf("Pump run %d", run)
	for _, r := range b.op.GetRuns() {
		if r.GetNumber() == run && run > 1 {
			if why := say(r.GetReason()); why != "" {
				text += ", for " + why
			}
			if r.GetForMitralValve() == trigonev1.Answer_ANSWER_NO {
				text += " (not for the mitral valve)"
			}
		}
	}
	return text
}

// runReason gives the surgeon's own words on a run.
func (b *builder) runReason(run int32) string {
	for _, r := range b.op.GetRuns() {
		if r.GetNumber() == run {
			return b.quote(r.GetReasonText())
		}
	}
	return ""
}

// emptyRun says that no step of the repair belongs to a run.
func (b *builder) emptyRun() string {
	switch {
	case b.converted():
		return "The valve was replaced; no further repair step."
	case b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		return "No step on the mitral valve."
	}
	return "No step is recorded in this run."
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
		for _, sub := range []string{b.fate(s), b.margins(s.GetId())} {
			if sub != "" {
				item.Sub = append(item.Sub, sub)
			}
		}
		items = append(items, item)
	}
	return items
}

// fate says what became of a step that is not in place any more, and why.
func (b *builder) fate(s *trigonev1.PerformedStep) string {
	var text string
	switch s.GetFate() {
	case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN:
		text = "Taken down"
		if s.TakenDownInRun != nil {
			text += fmt.Sprintf(" in pump run %d", s.GetTakenDownInRun())
		}
	case trigonev1.StepFate_STEP_FATE_REVISED:
		text = "Revised later"
		for _, by := range b.op.GetSteps() {
			if by.GetId() == s.GetRevisedBy() {
				text += " by " + technique(by.GetTechnique())
			}
		}
	default:
		if b.differs(s.GetId()) {
			return "" // why stands with that difference
		}
		return joined(" ", words.Sentence(with("Reason:", say(s.GetReason()))), b.quote(s.GetReasonText()))
	}
	reason := b.look("reason: "+technique(s.GetTechnique())+" taken down or revised", say(s.GetReason()))
	return joined(" ", words.Sentence(joined(": ", text, reason)), b.quote(s.GetReasonText()))
}

// margins says the supporting chords kept beside a resection.
func (b *builder) margins(step string) string {
	var list []string
	for _, m := range b.op.GetMarginChords() {
		if m.GetStepId() != step || step == "" || m.ChordCount == nil {
			continue
		}
		where := ""
		if side := say(m.GetSide()); side != "" {
			where = "on the " + side + " side"
		}
		list = append(list, joined(" ", numeral(int64(m.GetChordCount())), where))
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
			if v := b.quantity(h, valve.LeafletHeight, heightPlace(h), o); v != "" {
				list = append(list, words.Place(heightPlace(h))+" "+v)
			}
		}
		if len(list) > 0 {
			blocks = append(blocks, paragraph(words.Sentence(joined(" ", "Leaflet heights", cmp.Or(stageName(set.GetStage()), "in the field")+":", words.And(list)))))
		}
	}
	return blocks
}

// neighbours says what the sutures ran close to, and what was looked at for it.
func (b *builder) neighbours() string {
	n := b.op.GetNeighbourhood()
	var sentences []string
	switch n.GetSuturesNearAorticValve() {
	case trigonev1.Answer_ANSWER_YES:
		sentences = append(sentences, "Sutures ran close to the aortic valve or the trigones.")
	case trigonev1.Answer_ANSWER_NO:
		sentences = append(sentences, "No suture ran close to the aortic valve or the trigones.")
	default:
		b.misses("sutures near the aortic valve and the circumflex artery")
	}
	return strings.Join(sentences, " ")
}

// replacement says how the valve was replaced.
func (b *builder) replacement() string {
	c := b.op.GetConversion()
	if !b.converted() {
		if c.GetConverted() == trigonev1.Answer_ANSWER_UNSPECIFIED {
			b.misses("whether the repair was given up for a replacement")
		}
		return ""
	}
	chords := ""
	switch k := c.GetChordsKept(); k {
	case trigonev1.ChordsKept_CHORDS_KEPT_UNSPECIFIED:
		b.misses("native chords kept with the prosthesis")
	case trigonev1.ChordsKept_CHORDS_KEPT_NONE:
		chords = "No native chords were kept."
	default:
		chords = words.Sentence("Of the native chords " + say(k) + " were kept")
	}
	if b.meantToReplace() {
		return joined(" ", "The valve was replaced, as was intended.", chords)
	}
	point := b.look("point at which the repair was given up", say(c.GetPoint()))
	reason := b.look("reason for replacing the valve", say(c.GetReason()))
	return joined(" ", words.Sentence(joined(" ", "The repair was given up for a replacement", joined("; ", point, with("reason:", reason)))), b.quote(c.GetReasonText()), chords)
}

// Tests.

func (b *builder) tests() []Block {
	var items []Item
	for _, t := range b.op.GetSalineTests() {
		items = append(items, Item{Text: b.saline(t)})
	}
	complete := b.op.GetTestsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE
	if len(items) == 0 && complete {
		items = append(items, Item{Text: "No saline test was done."})
	}
	if len(items) == 0 {
		b.misses("saline test")
	}
	var tables []Block
	for _, t := range b.op.GetInkTests() {
		name := joined(", ", "Ink test", b.when(t.GetRun(), t.GetStage()))
		if t.GetPerformed() == trigonev1.Answer_ANSWER_NO {
			items = append(items, Item{Text: words.Sentence(joined(" ", name+": not done", notDone(t.GetNotDoneReason())))})
			continue
		}
		table := &Table{Caption: name, Header: []string{"Segment", "Annulus to line", "Line to free edge"}}
		o := valve.InRun(int(t.GetRun()), valve.Stage(word(t.GetStage())))
		for _, m := range t.GetMarks() {
			place := valve.AtTestSegment(t.GetId(), valve.Segment(word(m.GetSegment())))
			table.Rows = append(table.Rows, []string{
				or(segmentName(m.GetSegment())), b.quantity(m, valve.InkAnnulusToLine, place, o), b.quantity(m, valve.InkDepthBeyondLine, place, o),
			})
		}
		if table = filled(table); table == nil {
			b.misses(name + ": its marks")
			continue
		}
		tables = append(tables, Block{Table: table})
	}
	if len(b.op.GetInkTests()) == 0 && complete {
		items = append(items, Item{Text: "No ink test was done."})
	}
	return append([]Block{list(items)}, tables...)
}

// when says in which run and at which stage something was; the run only where there
// was more than one.
func (b *builder) when(run int32, stage trigonev1.Stage) string {
	number := ""
	if run > 0 && len(b.runNumbers()) > 1 {
		number = fmt.Sprintf("pump run %d", run)
	}
	return joined(", ", number, stageName(stage))
}

func notDone(r trigonev1.NotDoneReason) string { return bracketed(say(r)) }

func (b *builder) saline(t *trigonev1.SalineTest) string {
	name := joined(", ", "Saline test", b.when(t.GetRun(), t.GetStage()))
	if t.GetPerformed() == trigonev1.Answer_ANSWER_NO {
		return words.Sentence(joined(" ", name+": not done", notDone(t.GetNotDoneReason())))
	}
	o := valve.InRun(int(t.GetRun()), valve.Stage(word(t.GetStage())))
	leak := b.look(name+": leak", say(t.GetLeak()))
	parts := []string{joined(" ", leak, words.At(locationNames(t.GetLeakLocations())))}
	switch t.GetClosureLineSymmetric() {
	case trigonev1.Answer_ANSWER_YES:
		parts = append(parts, "closure line symmetric")
	case trigonev1.Answer_ANSWER_NO:
		parts = append(parts, "closure line not symmetric")
	}
	place := valve.AtTest(t.GetId())
	parts = append(parts, b.details(t, name, place, o,
		detail{valve.PosteriorOrificeShare, "the posterior leaflet filling %s of the orifice"},
		detail{valve.SalinePressure, "under %s"}, detail{valve.SalineVolume, "with %s"})...)
	return words.Sentence(joined(": ", name, joined(", ", parts...)))
}
