package note

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// result tells the last set on leaving theatre, then those before it.
func (b *builder) result() []Block {
	all := b.results()
	var last *trigonev1.Result
	for _, r := range all {
		if r.GetStage() == trigonev1.Stage_STAGE_LEAVING_THEATRE {
			last = r
		}
	}
	var blocks []Block
	if last == nil {
		b.misses("echo on leaving theatre")
	} else {
		blocks = append(blocks, b.exit(last)...)
	}
	blocks = append(blocks, paragraph(b.looked()))
	var before []Item
	for _, r := range all {
		if r != last {
			before = append(before, b.earlier(r))
		}
	}
	if len(before) > 0 {
		blocks = append(blocks, Block{Subheading: "Before that"}, list(before))
	}
	return blocks
}

// exit is the last set, with all that a reader looks for.
func (b *builder) exit(r *trigonev1.Result) []Block {
	s, o := r.GetStudy(), resultOccasion(r)
	e := b.echo(s, o)
	var first []string
	if g := b.look("regurgitation on leaving theatre", e.regurgitation); g != "" {
		first = append(first, g)
	}
	if g := b.look("mean gradient on leaving theatre", e.gradient); g != "" {
		first = append(first, g)
		if strings.HasPrefix(g, "mean gradient ") && !strings.Contains(g, "/min") && !strings.Contains(g, "measured") {
			b.misses("heart rate at the mean gradient on leaving theatre")
		}
	}
	if m := b.look("systolic anterior motion on leaving theatre, or none", e.motion); m != "" {
		first = append(first, m)
	}
	if !b.converted() { // nobody looks for it beside a prosthesis
		if c := b.look("coaptation length at A2-P2 on leaving theatre", e.coaptation); c != "" {
			first = append(first, c)
		}
	}
	sentences := make([]string, 0, len(first))
	for i, f := range first {
		if i == 0 {
			read := ""
			switch s.GetReadIndependently() {
			case trigonev1.Answer_ANSWER_YES:
				read = "read by somebody else than the surgeon"
			case trigonev1.Answer_ANSWER_NO:
				read = "read by the surgeon"
			}
			f = joined(" ", "Echo", bracketed(joined(", ", b.conditions(s, o), read))) + b.allMarks(string(o)) + ": " + f
		}
		sentences = append(sentences, words.Sentence(f))
	}
	blocks := []Block{paragraph(sentences...), paragraph(b.chambers(s, o))}
	if d := say(r.GetDecision()); d != "" {
		blocks = append(blocks, paragraph(words.Sentence("Decision: "+d), b.quote(r.GetDecisionText())))
	}
	return blocks
}

// chambers says ventricle, aortic and tricuspid valve of the last set.
func (b *builder) chambers(s *trigonev1.Study, o valve.Occasion) string {
	c, v := s.GetChambers(), s.GetOtherValves()
	ventricle := ""
	if c != nil {
		ventricle = with("left ventricular ejection fraction", b.quantity(c, valve.StatedLeftVentricularEjectionFraction, valve.Nowhere, o))
	}
	var walls []string
	for _, w := range c.GetWallMotion() {
		if state := say(w.GetState()); state != "" && w.GetTerritory() != trigonev1.WallTerritory_WALL_TERRITORY_UNSPECIFIED {
			text := say(w.GetTerritory()) + " wall " + state
			if w.GetTerritory() == trigonev1.WallTerritory_WALL_TERRITORY_RIGHT_VENTRICLE {
				text = "right ventricle " + state
			}
			if w.GetNewSinceBaseline() == trigonev1.Answer_ANSWER_YES {
				text += " (new)"
			}
			walls = append(walls, text)
		}
	}
	if len(walls) == 0 && c.GetWallMotionRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		walls = append(walls, "no abnormal wall motion")
	}
	if ventricle == "" && len(walls) == 0 {
		b.misses("left ventricle on leaving theatre")
	}
	aortic := b.look("aortic regurgitation on leaving theatre", gradeName(v.GetAorticRegurgitation()))
	tricuspid := b.look("tricuspid regurgitation on leaving theatre", gradeName(v.GetTricuspidRegurgitation()))
	return words.Sentence(joined("; ", ventricle, words.And(walls), regurgitationOf("aortic", aortic), regurgitationOf("tricuspid", tricuspid)))
}

func regurgitationOf(name, grade string) string {
	switch grade {
	case "":
		return ""
	case "none":
		return "no " + name + " regurgitation"
	}
	return grade + " " + name + " regurgitation"
}

// earlier is one line on a set that another one followed, or that was provoked.
func (b *builder) earlier(r *trigonev1.Result) Item {
	o := resultOccasion(r)
	e := b.echo(r.GetStudy(), o)
	item := Item{Text: words.Sentence(words.Capital(joined(", ", cmp.Or(stageName(r.GetStage()), "stage not recorded"), b.when(r.GetRun(), trigonev1.Stage_STAGE_UNSPECIFIED))) + ": " +
		cmp.Or(joined("; ", e.regurgitation, e.gradient, e.motion, e.coaptation), "nothing of it is recorded") + b.allMarks(string(o)))}
	if d := say(r.GetDecision()); d != "" {
		item.Sub = append(item.Sub, joined(" ", words.Sentence("Decision: "+d), b.quote(r.GetDecisionText())))
	}
	return item
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

// echo is what an echo after the repair is read for, each in words; empty: not
// recorded.
type echo struct{ regurgitation, gradient, motion, coaptation string }

func (b *builder) echo(s *trigonev1.Study, o valve.Occasion) echo {
	e := echo{motion: b.anteriorMotion(s.GetAnteriorMotion(), o)}
	if g := gradeName(s.GetRegurgitation().GetGrade()); g != "" {
		e.regurgitation = joined(", ", regurgitationOf("mitral", g), with("mechanism", mechanismNames(s.GetRegurgitation())))
	}
	if g := s.GetGradient(); g != nil {
		if v := b.quantity(g, valve.MeanGradient, valve.Nowhere, o); v != "" && v != notApplicable {
			e.gradient = "mean gradient " + v
			if rate := b.quantity(g, valve.GradientHeartRate, valve.Nowhere, o); strings.Contains(rate, "/min") {
				e.gradient += " at a heart rate of " + rate
			}
		}
	}
	for _, c := range s.GetLeaflets().GetCoaptation() {
		if v := b.quantity(c, valve.CoaptationLength, valve.AtSlice(valve.Slice(word(c.GetSlice()))), o); v != "" && v != notApplicable {
			if e.coaptation == "" {
				e.coaptation = "coaptation length"
			} else {
				e.coaptation += ","
			}
			e.coaptation += " " + joined(" ", v, words.At(sliceName(c.GetSlice())))
		}
	}
	return e
}

// anteriorMotion says whether it was seen, what was measured and done, and how it
// ended.
func (b *builder) anteriorMotion(m *trigonev1.AnteriorMotion, o valve.Occasion) string {
	var text string
	switch m.GetState() {
	case trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_UNSPECIFIED:
		return ""
	case trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE:
		text = "no systolic anterior motion"
	default:
		text = "systolic anterior motion " + say(m.GetState())
	}
	parts := []string{text}
	if v := b.quantity(m, valve.OutflowTractGradient, valve.Nowhere, o); v != "" && v != notApplicable {
		parts = append(parts, "gradient of the outflow tract "+v)
	}
	if v := b.quantity(m, valve.OutflowTractGradientProvoked, valve.Nowhere, o); v != "" && v != notApplicable {
		parts = append(parts, "provoked "+v)
	}
	if g := gradeName(m.GetRegurgitationWithMotion()); g != "" {
		parts = append(parts, regurgitationOf("mitral", g)+" with it")
	}
	for _, done := range m.GetManoeuvres() {
		if what := say(done.GetKind()); what != "" {
			parts = append(parts, joined(" ", what, bracketed(say(done.GetResult()))))
		}
	}
	if end := say(m.GetEnd()); end != "" {
		parts = append(parts, end)
	}
	return strings.Join(parts, ", ")
}

// looked says what was looked at beside the annulus after bypass.
func (b *builder) looked() string {
	n := b.op.GetNeighbourhood()
	var seen, not []string
	for _, c := range []struct {
		answer trigonev1.Answer
		what   string
	}{
		{n.GetAorticValveChecked(), "the aortic valve"}, {n.GetCircumflexFlowChecked(), "flow in the circumflex artery"}, {n.GetLateralWallChecked(), "the lateral wall"},
	} {
		switch c.answer {
		case trigonev1.Answer_ANSWER_YES:
			seen = append(seen, c.what)
		case trigonev1.Answer_ANSWER_NO:
			not = append(not, c.what)
		default:
			b.misses("whether " + c.what + " was looked at after bypass")
		}
	}
	var sentences []string
	if len(seen) > 0 {
		sentences = append(sentences, words.Sentence("Looked at after bypass: "+words.And(seen)))
	}
	if len(not) > 0 {
		sentences = append(sentences, words.Sentence("Not looked at: "+words.And(not)))
	}
	switch n.GetLateralWallNewlyAbnormal() {
	case trigonev1.Answer_ANSWER_YES:
		sentences = append(sentences, "The lateral wall moves abnormally, which is new.")
	case trigonev1.Answer_ANSWER_NO:
		sentences = append(sentences, "The lateral wall moves as before.")
	default:
		b.misses("motion of the lateral wall on leaving theatre")
	}
	if a := say(n.GetCoronaryAction()); a != "" {
		sentences = append(sentences, words.Sentence("Coronary artery: "+a))
	}
	return strings.Join(sentences, " ")
}

// Complications.

func (b *builder) complications() []Block {
	return []Block{paragraph(complicationWords(b.op.GetComplications(), b.op.GetComplicationsRecorded(), "None in theatre.", "Not recorded."))}
}

func complicationWords(all []*trigonev1.Complication, recorded trigonev1.Recorded, none, unknown string) string {
	var list []string
	for _, c := range all {
		list = append(list, joined(" ", or(say(c.GetKind())), bracketed(say(c.GetGrade())), with("on", day(c.GetDate()))))
	}
	switch {
	case len(list) > 0:
		return words.Sentence(words.Capital(words.And(list)) + partial(recorded))
	case recorded == trigonev1.Recorded_RECORDED_COMPLETE:
		return none
	}
	return unknown
}

// Leaving theatre.

// closing tells of blood, specimens, drains and closure.
func (b *builder) closing() []Block {
	r := b.op.GetReport()
	blocks := []Block{paragraph(b.blood())}
	for _, x := range []struct{ name, text string }{
		{"specimens", r.GetSpecimens()}, {"drains", r.GetDrains()}, {"pacing wires", r.GetPacingWires()}, {"closure", r.GetClosure()},
		{"antibiotic prophylaxis", r.GetAntibioticProphylaxis()},
	} {
		if t := b.look(x.name, typed(x.text)); t != "" {
			blocks = append(blocks, paragraph(words.Capital(x.name)+": "+t))
		}
	}
	return append(blocks, Block{Fill: "Counts of swabs, needles and instruments correct"})
}

// blood says what was lost and given in theatre.
func (b *builder) blood() string {
	u := b.op.GetBlood()
	loss, given, saver := "", "", ""
	if u != nil && u.BloodLossMl != nil {
		loss = "Blood loss " + millilitres(u.GetBloodLossMl())
	}
	b.look("blood loss", loss)
	if u != nil {
		var list []string
		none := true
		for _, p := range []struct {
			units *int32
			name  string
		}{{u.RedCellUnits, "red cells"}, {u.PlasmaUnits, "plasma"}, {u.PlateletUnits, "platelets"}} {
			switch {
			case p.units == nil:
				b.misses("units of " + p.name)
				none = false
			case *p.units > 0:
				none = false
				list = append(list, count(int64(*p.units), "unit", "units")+" of "+p.name)
			}
		}
		switch {
		case len(list) > 0:
			given = "given: " + words.And(list)
		case none:
			given = "no blood products given"
		}
	} else {
		b.misses("blood products")
	}
	switch u.GetCellSaver() {
	case trigonev1.Answer_ANSWER_YES:
		saver = "cell saver used"
		if u.CellSaverReturnedMl != nil {
			saver += ", " + millilitres(u.GetCellSaverReturnedMl()) + " given back"
		}
	case trigonev1.Answer_ANSWER_NO:
		saver = "no cell saver"
	default:
		b.misses("cell saver")
	}
	return words.Sentence(joined("; ", loss, given, saver))
}

func millilitres(v float64) string { return plain(v) + unbroken + "mL" }

// leaving says how and where the patient went, and what was asked for the first
// hours: as it was typed, nothing of the software's own.
func (b *builder) leaving() []Block {
	r := b.op.GetReport()
	alive := ""
	switch b.op.GetLeftTheatreAlive() {
	case trigonev1.Answer_ANSWER_YES:
		alive = "The patient left theatre alive."
	case trigonev1.Answer_ANSWER_NO:
		return []Block{paragraph("The patient died in theatre.")}
	default:
		b.misses("whether the patient left theatre alive")
	}
	blocks := []Block{paragraph(alive)}
	for _, x := range []struct{ name, text string }{
		{"condition on leaving theatre", typed(r.GetConditionOnLeaving())}, {"destination", say(r.GetDestination())},
		{"instructions for the first hours", typed(r.GetInstructions())},
	} {
		if t := b.look(x.name, x.text); t != "" {
			blocks = append(blocks, paragraph(words.Sentence(words.Capital(x.name)+": "+t)))
		}
	}
	return blocks
}

// notRecorded is what a reader looks for and the record does not have, each with
// room to be filled in by hand.
func (b *builder) notRecorded() []Block {
	if len(b.missing) == 0 {
		return nil
	}
	intro := "The record does not have these; fill in by hand what is known."
	if b.in.Signature != nil {
		intro = "The record did not have these when it was signed."
	}
	blocks := []Block{paragraph(intro)}
	for _, m := range b.missing {
		blocks = append(blocks, Block{Fill: m})
	}
	return blocks
}

// addendum is what is added to a note that was signed, in the words of who signs it.
func (b *builder) addendum() []Block {
	var blocks []Block
	for _, s := range b.in.Signed {
		if !s.Addendum {
			blocks = []Block{paragraph(fmt.Sprintf("To the operative note of version %d of the record, signed by %s.", s.Version, b.signedBy(s.Signature)))}
		}
	}
	for line := range strings.Lines(b.in.Addendum) {
		blocks = append(blocks, paragraph(clean(line)))
	}
	return blocks
}

func (b *builder) signature() []Block {
	t := &Table{Header: []string{"Name", "Role", "Date", "Time", "Signature"}, Rows: [][]string{{"", "", "", "", ""}}}
	if s := b.in.Signature; s != nil {
		when := s.Time.In(b.zone)
		t.Rows = [][]string{{"", roleName(s.Role), when.Format(dayLayout), when.Format(clockLayout), fmt.Sprintf("signed in the record as %s", clean(s.Signer))}}
	}
	return []Block{{Table: t}}
}
