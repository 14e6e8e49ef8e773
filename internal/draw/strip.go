package draw

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/picture"
	"trigone/internal/repair"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// Widths of the segments along the posterior annulus where they were not measured:
// base lengths of the scallops in cadavers, P1 14.1, P2 27.7, P3 12.9 mm (Kaur, Int J
// Biol Med Res 2018, n = 60, abstract read). Those of the anterior segments face them.
var publishedWidths = [3]float64{14.1, 27.7, 12.9}

// anteriorShare is the width of the anterior leaflet's annulus over that of the
// posterior one: 121 of 360 degrees lie between the commissures in front, and
// trigoneShare of those 121 between the trigones, 76 (Okamoto 2007, 82 hearts,
// abstract read).
const (
	anteriorShare = 121.0 / (360 - 121)
	trigoneShare  = 76.0 / 121
)

const (
	perMM       = 3.0 // of height, and of width where widths were measured
	stripLeft   = 26.0
	stripRight  = picture.FrameWidth - 26
	commissureW = 15.0
	centre      = picture.FrameWidth / 2
)

// Heights in mm at which a leaflet whose height is unknown is drawn, with a dashed
// edge: a place to draw on, no measure.
const (
	openPosterior = 14.0
	openAnterior  = 23.0
)

const stripTitle = "The valve opened and laid flat, seen from the atrium"

// state is how a step is drawn.
type state int

const (
	planned   state = iota // hollow
	performed              // filled
	takenDown              // dotted
)

func (st state) style() picture.Style {
	switch st {
	case performed:
		return picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.Light}
	case takenDown:
		return picture.Style{Line: picture.Ink, Width: 1.3, Dash: picture.Dotted}
	}
	return picture.Style{Line: picture.Ink, Width: 1.2}
}

// entry is a numbered step: as it was planned, as it was done, or both.
type entry struct {
	number        int
	planned, done *repair.Step
}

// entries pairs the steps planned with those performed, by what the record or the
// evaluation says of them.
func (r *reader) entries() []entry {
	var list []entry
	if r.plan != nil {
		for i := range r.plan.Steps {
			list = append(list, entry{number: len(list) + 1, planned: &r.plan.Steps[i]})
		}
	}
	if r.Case.Operation == nil {
		return list
	}
	answers := map[string]string{} // planned step, by performed step
	for _, c := range r.Evaluation.Comparisons {
		if c.PlannedStepID != "" && c.PerformedStepID != "" && answers[c.PerformedStepID] == "" {
			answers[c.PerformedStepID] = c.PlannedStepID
		}
	}
	steps := slices.Clone(r.Case.Operation.Steps)
	slices.SortStableFunc(steps, func(a, b repair.Step) int {
		return cmp.Or(cmp.Compare(max(a.Run, 1), max(b.Run, 1)), cmp.Compare(a.Order, b.Order))
	})
	paired := map[string]bool{}
	for _, inPlace := range []bool{true, false} { // what stayed answers a plan before what was taken down
		for i := range steps {
			s := &steps[i]
			id := cmp.Or(s.PlannedStepID, answers[s.ID])
			at := slices.IndexFunc(list, func(e entry) bool {
				return id != "" && e.planned != nil && e.planned.ID == id && e.done == nil && e.planned.Technique == s.Technique
			})
			if at >= 0 && s.Done() == inPlace {
				list[at].done, paired[s.ID] = s, true
			}
		}
	}
	for i := range steps {
		if !paired[steps[i].ID] {
			list = append(list, entry{number: len(list) + 1, done: &steps[i]})
		}
	}
	return list
}

func stateOf(s *repair.Step) state {
	if s.Done() {
		return performed
	}
	return takenDown
}

// leaf is one leaflet laid flat: three segments from lateral to medial, the annulus
// above, the free edge below.
type leaf struct {
	segments    [3]valve.Segment
	edges       [4]float64 // x of the boundaries
	left, right float64    // with the commissures
	annulus     float64    // y
	heights     [3]amount
	drawn       [3]float64 // heights as they are drawn
	measured    bool       // widths are to scale
}

// x gives the middle of a segment, 0 to 2.
func (l *leaf) x(i int) float64 { return (l.edges[i] + l.edges[i+1]) / 2 }

func (l *leaf) width(i int) float64 { return l.edges[i+1] - l.edges[i] }

func (l *leaf) edge(i int) float64 { return l.annulus + l.drawn[i] }

func (l *leaf) lowest() float64 { return l.annulus + slices.Max(l.drawn[:]) }

// index gives the segment's position, or -1.
func (l *leaf) index(s valve.Segment) int { return slices.Index(l.segments[:], s) }

// spot is a place on a leaflet.
type spot struct {
	leaf *leaf
	i    int // segment whose height counts
	x    float64
}

func (p spot) edge() float64 { return p.leaf.edge(p.i) }

// stripSheet is the drawing in the making.
type stripSheet struct {
	*sheet
	*reader
	posterior, anterior leaf
	entries             []entry
	taken               []picture.Box // rooms of texts and marks
	busy                []picture.Box // rooms of what is drawn on the leaflets
	signs               []sign
	inked               bool // a closure line is drawn
}

// sign is a leak or a jet with its line in the key.
type sign struct {
	leak  bool
	after bool
	at    repair.Location
	text  string
}

// Strip draws the valve opened and laid flat: the posterior leaflet above, the
// anterior one below at the same scale and the same sides, the steps planned hollow
// and those done filled, the closure line, leaks and jets at their place.
func Strip(s Subject) picture.Picture {
	r := s.reader()
	d := &stripSheet{reader: r, sheet: newSheet(NameStrip, stripTitle), entries: r.entries()}
	if len(d.entries) == 0 && !d.anyHeight() {
		return picture.NotDrawn(NameStrip, stripTitle, "neither a height of a leaflet nor a step is recorded")
	}
	d.widths()
	d.findSigns()
	d.legend()
	d.block(&d.posterior)
	d.MayBreak()
	d.block(&d.anterior)
	d.MayBreak()
	d.table()
	d.MayBreak()
	return d.Done(append([]string{
		"Posterior leaflet with P1 to P3 from lateral, on the left, to medial; the annulus above, the free edge below; under it the anterior leaflet with A1 to A3.",
	}, d.key()...)...)
}

func (d *stripSheet) anyHeight() bool {
	return slices.ContainsFunc(valve.Segments(), func(s valve.Segment) bool {
		return d.nativeHeight(s).known || d.finalHeight(s).known || d.plannedHeight(s).known
	})
}

// widths lays the segments out: by what was measured along the annulus, or else by
// the published shares.
func (d *stripSheet) widths() {
	shares, measured := publishedWidths, true
	for i, s := range []valve.Segment{valve.P1, valve.P2, valve.P3} {
		a := d.annularWidth(s)
		measured = measured && a.sound() && a.value > 0
		if measured {
			shares[i] = a.value
		}
	}
	if !measured {
		shares = publishedWidths
	}
	total := shares[0] + shares[1] + shares[2]
	lay := func(l *leaf, segments [3]valve.Segment, width, side, open float64) {
		l.segments, l.measured = segments, measured
		l.edges[0] = centre - width/2
		for i, share := range shares {
			l.edges[i+1] = l.edges[i] + width*share/total
		}
		l.left, l.right = l.edges[0]-side, l.edges[3]+side
		for i, s := range segments {
			l.heights[i] = d.nativeHeight(s)
			if !l.heights[i].known {
				l.heights[i] = d.finalHeight(s)
			}
			if !l.heights[i].known {
				l.heights[i] = d.plannedHeight(s)
			}
			l.drawn[i] = open * perMM
			if h := l.heights[i]; h.sound() && h.value > 0 {
				l.drawn[i] = min(max(h.value, 4), 45) * perMM
			}
		}
	}
	width := stripRight - stripLeft - 2*commissureW
	if measured {
		width = min(width, total*perMM)
	}
	lay(&d.posterior, [3]valve.Segment{valve.P1, valve.P2, valve.P3}, width, commissureW, openPosterior)
	lay(&d.anterior, [3]valve.Segment{valve.A1, valve.A2, valve.A3}, width*anteriorShare, 0, openAnterior)
}

// annularWidth gives the measured width of a segment along the annulus.
func (d *stripSheet) annularWidth(s valve.Segment) amount {
	var last amount
	for _, st := range d.Case.Studies {
		if a := d.at(valve.Key{ID: valve.ScallopAnnularWidth, Place: valve.AtSegment(s), Occasion: st.Occasion, Role: valve.Measured}); a.known && st.Kind == repair.Assessment {
			last = a
		}
	}
	return last
}

func (d *stripSheet) legend() {
	what := map[[2]bool]string{
		{true, true}:   "Planned hollow, done filled, taken down or revised dotted.",
		{true, false}:  "Planned steps, hollow.",
		{false, true}:  "What was done, filled; taken down or revised dotted.",
		{false, false}: "No steps are recorded.",
	}[[2]bool{d.plan != nil && len(d.plan.Steps) > 0, d.Case.Operation != nil && len(d.Case.Operation.Steps) > 0}]
	d.Say(what, picture.Grey)
	d.Y += 4
}

// of says whether a leaflet is where a step is done.
func (d *stripSheet) spots(l repair.Location) []spot {
	p, a := &d.posterior, &d.anterior
	switch {
	case l.Segment != "":
		for _, lf := range []*leaf{p, a} {
			if i := lf.index(l.Segment); i >= 0 {
				return []spot{{lf, i, lf.x(i)}}
			}
		}
	case l.Boundary != "":
		switch l.Boundary {
		case valve.P1P2:
			return []spot{{p, 1, p.edges[1]}}
		case valve.P2P3:
			return []spot{{p, 1, p.edges[2]}}
		case valve.A1A2:
			return []spot{{a, 1, a.edges[1]}}
		case valve.A2A3:
			return []spot{{a, 1, a.edges[2]}}
		}
	case l.Commissure == valve.LateralCommissure:
		return []spot{{p, 0, p.left + commissureW/2}}
	case l.Commissure == valve.MedialCommissure:
		return []spot{{p, 2, p.right - commissureW/2}}
	case l.Leaflet == valve.Posterior:
		return []spot{{p, 1, p.x(1)}}
	case l.Leaflet == valve.Anterior:
		return []spot{{a, 1, a.x(1)}}
	}
	return nil
}

// spotsOf gives the places of a step on one leaflet.
func (d *stripSheet) spotsOf(s *repair.Step, l *leaf) []spot {
	var list []spot
	places := s.Places
	if s.Technique == repair.EdgeToEdge {
		a, p := s.Slice.Segments()
		places = []repair.Location{{Segment: a}, {Segment: p}}
	}
	for _, at := range places {
		for _, p := range d.spots(at) {
			if p.leaf == l {
				list = append(list, p)
			}
		}
	}
	return list
}

// findSigns lists leaks under saline, and jets before and after.
func (d *stripSheet) findSigns() {
	if o := d.Case.Operation; o != nil {
		for _, t := range o.SalineTests {
			for _, at := range t.LeakAt {
				d.signs = append(d.signs, sign{leak: true, after: true, at: at, text: "saline leak at " + placeText(at) + comma(stageText(t.Stage, t.Run))})
			}
		}
	}
	jets := func(s *repair.Study, after bool, when string) {
		for _, j := range s.Jets {
			text := "echo jet at " + placeText(j.Origin) + comma(when)
			if j.Direction != "" {
				text += ", " + map[string]string{"central": "central", "anterior": "directed anteriorly", "posterior": "directed posteriorly", "lateral": "directed laterally", "medial": "directed medially"}[j.Direction]
			}
			d.signs = append(d.signs, sign{after: after, at: j.Origin, text: text})
		}
	}
	assessments := d.Case.OfKind(repair.Assessment)
	for i := len(assessments) - 1; i >= 0; i-- {
		if len(assessments[i].Jets) > 0 {
			jets(&assessments[i], false, "before the operation")
			break
		}
	}
	if exit := d.Case.Exit(); exit != nil {
		jets(exit, true, "on leaving theatre")
	}
	d.signs = slices.DeleteFunc(d.signs, func(s sign) bool { return placeText(s.at) == "" })
	slices.SortStableFunc(d.signs, func(a, b sign) int { return cmp.Compare(a.text, b.text) })
	d.signs = slices.CompactFunc(d.signs, func(a, b sign) bool { return a.text == b.text })
}

func comma(text string) string {
	if text == "" {
		return ""
	}
	return ", " + text
}

// key writes the numbered steps and the signs in words, and gives the sentences.
func (d *stripSheet) key() []string {
	var said []string
	for _, e := range d.entries {
		text := d.entryText(e)
		said = append(said, fmt.Sprintf("%d: %s", e.number, text))
		d.Y += 2
		top := d.Y
		d.SayAt(picture.FrameEdge+20, text, picture.Ink)
		d.mark(picture.FrameEdge+7, top+picture.LineStep-7, e.number)
		d.MayBreak()
	}
	for _, s := range d.signs {
		d.Y += 2
		top := d.Y
		d.SayAt(picture.FrameEdge+20, words.Sentence(s.text), picture.Ink)
		d.drawSign(s, picture.FrameEdge+7, top+picture.LineStep-7)
		said = append(said, words.Sentence(s.text))
		d.MayBreak()
	}
	for _, text := range d.remarks() {
		d.Y += 2
		d.Say(text, picture.Grey)
		said = append(said, text)
	}
	return said
}

// entryText says a numbered step: what was planned and done alike once, and what
// differs of both.
func (d *stripSheet) entryText(e entry) string {
	var plan, done, when string
	var planDetails, doneDetails []string
	if s := e.planned; s != nil {
		plan, planDetails = stepText(*s), d.stepDetails(*s, true)
		switch {
		case s.AlternativeOf != "":
			planDetails = append(planDetails, "as an alternative")
		case s.Condition != "":
			planDetails = append(planDetails, "on a condition")
		}
	}
	if s := e.done; s != nil {
		done, doneDetails = stepText(*s), d.stepDetails(*s, false)
		if d.Case.Operation.LastRun() > 1 && s.Run > 0 {
			when = fmt.Sprintf(" in run %d", s.Run)
		}
		switch {
		case s.Fate == repair.TakenDown && s.TakenDownInRun > 0:
			doneDetails = append(doneDetails, fmt.Sprintf("taken down in run %d", s.TakenDownInRun))
		case s.Fate == repair.TakenDown:
			doneDetails = append(doneDetails, "taken down")
		case s.Fate == repair.Revised:
			doneDetails = append(doneDetails, "revised later")
		}
	}
	tell := func(text string, details []string) string {
		if len(details) == 0 {
			return text
		}
		return text + ": " + strings.Join(details, ", ")
	}
	switch {
	case plan != "" && plan == done:
		var alike, planOnly, doneOnly []string
		for _, p := range planDetails {
			if slices.Contains(doneDetails, p) {
				alike = append(alike, p)
			} else {
				planOnly = append(planOnly, p)
			}
		}
		for _, p := range doneDetails {
			if !slices.Contains(alike, p) {
				doneOnly = append(doneOnly, p)
			}
		}
		text := "Planned and done" + when + ": " + tell(plan, alike) + "."
		if len(planOnly) > 0 {
			text += " Planned: " + strings.Join(planOnly, ", ") + "."
		}
		if len(doneOnly) > 0 {
			text += " Done: " + strings.Join(doneOnly, ", ") + "."
		}
		return text
	case done == "":
		text := "Planned: " + tell(plan, planDetails) + "."
		if d.Case.Operation != nil && len(d.Case.Operation.Steps) > 0 {
			text += " Not among what was done."
		}
		return text
	case plan == "":
		return "Done" + when + ": " + tell(done, doneDetails) + "."
	}
	return "Planned: " + tell(plan, planDetails) + ". Done" + when + ": " + tell(done, doneDetails) + "."
}

// remarks say what is not to scale, and what was not measured.
func (d *stripSheet) remarks() []string {
	var list []string
	if d.posterior.measured {
		list = append(list, "Widths of P1 to P3 along the annulus to the scale of the bar, as measured; those of the anterior segments face them.")
	} else {
		list = append(list, "Widths not measured: segments by published shares of the posterior arc. Cuts are to the scale of the bar as far as the segment has room.")
	}
	if d.inked {
		list = append(list, "Dashed line across a segment: the closure line by the last ink test.")
	}
	list = append(list, "Black triangles at the anterior annulus: trigones.")
	var open []string
	for _, l := range []*leaf{&d.posterior, &d.anterior} {
		for i, s := range l.segments {
			if !l.heights[i].sound() {
				open = append(open, segmentText(s))
			}
		}
	}
	if len(open) > 0 {
		list = append(list, "Edge dashed, as the height is not measured or in doubt: "+words.And(open)+".")
	}
	chords, unknown := false, false
	for _, e := range d.entries {
		for _, s := range []*repair.Step{e.planned, e.done} {
			if s != nil && s.Technique == repair.ArtificialChord {
				chords = true
				unknown = unknown || !d.chordLength(s, s == e.planned, valve.Nowhere).sound()
			}
		}
	}
	if chords && unknown {
		list = append(list, "Chords whose length is not recorded are dashed and not to scale.")
	}
	if d.Case.Operation.Converted() {
		list = append(list, "The repair was given up for a replacement: what is drawn was tried before.")
	}
	return append(list, d.planRemarks()...)
}

// table writes the heights.
func (d *stripSheet) table() {
	const first = 118.0
	step := (picture.TextRight - first) / 6
	segments := []valve.Segment{valve.P1, valve.P2, valve.P3, valve.A1, valve.A2, valve.A3}
	rows := []struct {
		name string
		of   func(valve.Segment) amount
	}{
		{"before", d.nativeHeight}, {"planned", d.plannedHeight}, {"at the end", d.finalHeight}, {"ink line to edge", d.inkDepth},
	}
	d.Y += 8
	top := d.Y
	cell := func(i int, text string, bold bool) {
		d.Add(picture.Text{X: first + step*(float64(i)+0.5), Y: d.Y - 3, Text: text, Size: picture.TextSize, Anchor: picture.Middle, Bold: bold, Tone: picture.Ink})
	}
	d.Y += picture.LineStep
	d.Add(picture.Text{X: picture.FrameEdge, Y: d.Y - 3, Text: "Heights, mm", Size: picture.TextSize, Anchor: picture.Start, Bold: true, Tone: picture.Ink})
	for i, s := range segments {
		cell(i, segmentText(s), true)
	}
	doubt := false
	for _, row := range rows {
		var cells [6]amount
		measured := false
		for i, s := range segments {
			cells[i] = row.of(s)
			measured = measured || cells[i].known
		}
		if !measured {
			continue
		}
		d.Y += picture.LineStep
		d.Add(picture.Text{X: picture.FrameEdge, Y: d.Y - 3, Text: row.name, Size: picture.TextSize, Anchor: picture.Start, Tone: picture.Ink})
		for i, c := range cells {
			text := "–"
			if c.known {
				text = bare(valve.LeafletHeight, c.value)
			}
			if c.doubtful() {
				text, doubt = text+"?", true
			}
			cell(i, text, false)
		}
	}
	if d.Y == top+picture.LineStep {
		d.Y += picture.LineStep
		d.Add(picture.Text{X: picture.FrameEdge, Y: d.Y - 3, Text: "none measured", Size: picture.TextSize, Anchor: picture.Start, Tone: picture.Ink})
	}
	d.Add(picture.Line(picture.FrameEdge, top+picture.LineStep+1, picture.TextRight, top+picture.LineStep+1, picture.Style{Line: picture.Grey, Width: 0.8}))
	if doubt {
		d.Say("? disputed, or to be checked: as typed.", picture.Grey)
	}
	d.Y += 4
}

// inkDepth gives how far the closure line of the last ink test lies from the free
// edge.
func (d *stripSheet) inkDepth(s valve.Segment) amount {
	var last amount
	if o := d.Case.Operation; o != nil {
		for _, t := range o.InkTests {
			k := valve.Key{ID: valve.InkDepthBeyondLine, Place: valve.AtTestSegment(t.ID, s), Occasion: valve.InRun(t.Run, t.Stage), Role: valve.Measured}
			if a := d.at(k); a.known {
				last = a
			}
		}
	}
	return last
}
