package draw

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"trigone/internal/repair"
	"trigone/internal/valve"
)

// block draws one leaflet with everything that belongs to it.
func (d *stripSheet) block(l *leaf) {
	d.taken, d.busy = nil, nil
	posterior := l == &d.posterior
	name := "Anterior leaflet"
	if posterior {
		name = "Posterior leaflet"
	}
	d.y += lineStep
	d.label(centre, d.y-3, name, Middle, true)
	d.label(frameEdge, d.y-3, "lateral", Start, false)
	d.label(textRight, d.y-3, "medial", End, false)
	d.y += 4

	lanes := d.annulusLanes(l)
	d.y += 9
	l.annulus = d.y + lanes
	d.outline(l)
	for i := range l.segments {
		d.busy = append(d.busy, box{l.edges[i], l.edge(i) - 1.5, l.edges[i+1], l.edge(i) + 1.5})
	}
	d.inkLine(l)
	for _, done := range []bool{true, false} {
		for _, e := range d.entries {
			if s := e.done; done && s != nil {
				d.onLeaflet(l, s, stateOf(s))
			}
			if s := e.planned; !done && s != nil {
				d.onLeaflet(l, s, planned)
			}
		}
	}
	d.aboveAnnulus(l)
	bottom := d.chords(l)
	d.signsOn(l)
	d.numbers(l)
	d.names(l)
	if !posterior {
		d.trigones(l)
		d.scaleBar(l.annulus + 14)
	}
	d.y = bottom
	for _, b := range d.taken {
		d.y = max(d.y, b.bottom+2)
	}
	if posterior || d.chordsOn(l) {
		d.papillary()
	}
}

// label writes a text and keeps its room.
func (d *stripSheet) label(x, y float64, text string, anchor Anchor, bold bool) {
	t := Text{X: x, Y: y, Text: text, Size: textSize, Anchor: anchor, Bold: bold, Tone: Ink}
	if !bold {
		t.Size, t.Tone = smallText, Grey
	}
	d.add(t)
	d.taken = append(d.taken, t.bounds())
}

// outline draws the leaflet: the annulus above, the free edge below; where a height
// is not known its edge is dashed.
func (d *stripSheet) outline(l *leaf) {
	whole := Style{Line: Ink, Width: 1.6, Fill: Pale}
	posterior := l == &d.posterior
	area := Path{Style: Style{Fill: Pale}}
	put := func(p *Path, op Op, points ...Point) { p.Segments = append(p.Segments, Segment{op, points}) }
	var edges []Path
	if posterior {
		for i := range l.segments {
			edges = append(edges, l.scallop(i))
		}
		d.commissure(l, l.left, l.edges[0], 0)
		d.commissure(l, l.right, l.edges[3], 2)
	} else {
		edges = l.curtain()
	}
	put(&area, MoveTo, Point{l.edges[0], l.annulus})
	for _, e := range edges {
		for i, s := range e.Segments {
			if i == 0 {
				put(&area, LineTo, s.Points...)
				continue
			}
			area.Segments = append(area.Segments, s)
		}
	}
	put(&area, LineTo, Point{l.edges[3], l.annulus})
	put(&area, Close)
	d.add(area)
	for i, e := range edges {
		e.Style = Style{Line: Ink, Width: 1.6}
		if !l.heights[i].sound() {
			e.Dash = Dashed
		}
		d.add(e)
	}
	if !posterior {
		for i, x := range []float64{l.edges[0], l.edges[3]} {
			d.add(line(x, l.annulus, x, l.annulus+l.drawn[2*i]*0.45, Style{Line: Ink, Width: 1.6}))
		}
	}
	for i := 1; i < 3; i++ {
		bottom := l.notch(i)
		if !posterior {
			bottom = l.annulus + min(l.drawn[i-1], l.drawn[i])*0.9
		}
		d.add(line(l.edges[i], l.annulus+3, l.edges[i], bottom, Style{Line: Grey, Width: 0.8, Dash: Dotted}))
	}
	whole.Fill, whole.Width = None, 2
	d.add(line(l.left, l.annulus, l.right, l.annulus, whole))
}

// notch is where two scallops part.
func (l *leaf) notch(i int) float64 { return l.annulus + min(l.drawn[i-1], l.drawn[i])*0.62 }

// side is where a scallop's edge begins and ends: at its neighbour's, or at the
// commissure.
func (l *leaf) side(i int) float64 {
	switch i {
	case 0:
		return l.annulus + l.drawn[0]*0.5
	case 3:
		return l.annulus + l.drawn[2]*0.5
	}
	return l.notch(i)
}

// scallop is the free edge of one posterior segment.
func (l *leaf) scallop(i int) Path {
	left, right, y := l.edges[i], l.edges[i+1], l.edge(i)
	w := l.width(i)
	from, to := l.side(i), l.side(i+1)
	return Path{Segments: []Segment{
		{MoveTo, []Point{{left, from}}},
		{CurveTo, []Point{{left, from + (y-from)*0.6}, {left + w*0.06, y}, {left + w*0.2, y}}},
		{LineTo, []Point{{right - w*0.2, y}}},
		{CurveTo, []Point{{right - w*0.06, y}, {right, to + (y-to)*0.6}, {right, to}}},
	}}
}

// curtain is the free edge of the anterior leaflet in three parts, through the
// heights of its segments; one that is not known takes the course of the middle one.
func (l *leaf) curtain() []Path {
	if l.heights[1].sound() {
		for _, i := range []int{0, 2} {
			if !l.heights[i].sound() {
				l.drawn[i] = l.drawn[1] * 0.8
			}
		}
	}
	left, right, w := l.edges[0], l.edges[3], l.edges[3]-l.edges[0]
	y := [3]float64{l.edge(0), l.edge(1), l.edge(2)}
	meet := [2]float64{(y[0] + y[1]) / 2, (y[1] + y[2]) / 2}
	return []Path{
		{Segments: []Segment{
			{MoveTo, []Point{{left, l.annulus + l.drawn[0]*0.45}}},
			{CurveTo, []Point{{left, l.annulus + l.drawn[0]*0.8}, {left + w*0.05, y[0]}, {l.x(0), y[0]}}},
			{CurveTo, []Point{{l.x(0) + w*0.06, y[0]}, {l.edges[1] - w*0.03, meet[0]}, {l.edges[1], meet[0]}}},
		}},
		{Segments: []Segment{
			{MoveTo, []Point{{l.edges[1], meet[0]}}},
			{CurveTo, []Point{{l.edges[1] + w*0.04, meet[0]}, {l.edges[1] + w*0.06, y[1]}, {l.edges[1] + w*0.14, y[1]}}},
			{LineTo, []Point{{l.edges[2] - w*0.14, y[1]}}},
			{CurveTo, []Point{{l.edges[2] - w*0.06, y[1]}, {l.edges[2] - w*0.04, meet[1]}, {l.edges[2], meet[1]}}},
		}},
		{Segments: []Segment{
			{MoveTo, []Point{{l.edges[2], meet[1]}}},
			{CurveTo, []Point{{l.edges[2] + w*0.03, meet[1]}, {l.x(2) - w*0.06, y[2]}, {l.x(2), y[2]}}},
			{CurveTo, []Point{{right - w*0.05, y[2]}, {right, l.annulus + l.drawn[2]*0.8}, {right, l.annulus + l.drawn[2]*0.45}}},
		}},
	}
}

// commissure draws the small leaflet at one end; nothing of it is measured.
func (d *stripSheet) commissure(l *leaf, outer, inner float64, i int) {
	depth := l.annulus + l.drawn[i]*0.5
	d.add(Path{Style: Style{Line: Ink, Width: 1.2, Fill: Pale}, Segments: []Segment{
		{MoveTo, []Point{{outer, l.annulus}}},
		{CurveTo, []Point{{outer, l.annulus + l.drawn[i]*0.3}, {(outer + inner) / 2, depth}, {inner, depth}}},
		{LineTo, []Point{{inner, l.annulus}}},
	}})
}

// inkLine draws the closure line on the segments where it was read.
func (d *stripSheet) inkLine(l *leaf) {
	for i, s := range l.segments {
		a := d.inkDepth(s)
		if !a.sound() || a.value <= 0 || a.value*perMM >= l.drawn[i] {
			continue
		}
		y := l.edge(i) - a.value*perMM
		w := l.width(i)
		d.add(Group{Title: "closure line by ink at " + segmentText(s), Shapes: []Shape{
			line(l.edges[i]+w*0.08, y, l.edges[i+1]-w*0.08, y, Style{Line: Blue, Width: 1.5, Dash: Dashed}),
		}})
		d.busy = append(d.busy, box{l.edges[i], y - 2, l.edges[i+1], y + 2})
		d.inked = true
	}
}

// across gives a width along the leaflet in the frame: to scale, as far as the
// segments have room.
func (l *leaf) across(mm float64, from, to int) float64 {
	return min(mm*perMM, 0.9*(l.edges[to+1]-l.edges[from]))
}

// span gives the segments of a step on a leaflet, from and to.
func span(spots []spot) (from, to int) {
	from, to = 2, 0
	for _, p := range spots {
		from, to = min(from, p.i), max(to, p.i)
	}
	return from, to
}

// onLeaflet draws a step on the tissue of a leaflet.
func (d *stripSheet) onLeaflet(l *leaf, s *repair.Step, st state) {
	spots := d.spotsOf(s, l)
	style := st.style()
	var shapes []Shape
	switch s.Technique {
	case repair.LeafletResection:
		if len(spots) > 0 {
			shapes = d.resection(l, s, st, spots)
		}
	case repair.HeightReduction:
		if len(spots) > 0 {
			shapes = d.heightTaken(l, s, st, spots)
		}
	case repair.SlidingPlasty:
		if l == &d.posterior {
			shapes = d.slidingStrips(l, s, st)
		}
	case repair.CleftClosure, repair.CommissuralClosure:
		id := valve.ClosureLength
		if s.Technique == repair.CommissuralClosure {
			id = valve.CommissuralClosureLength
		}
		for _, p := range spots {
			shapes = append(shapes, d.stitches(p, d.dimension(st == planned, id, valve.AtStep(s.ID)), style)...)
		}
	case repair.EdgeToEdge, repair.ChordTransfer, repair.FurtherTechnique:
		for _, p := range spots {
			y := p.edge() - 8
			if s.Technique == repair.FurtherTechnique {
				y = l.annulus + l.drawn[p.i]*0.35
			}
			shapes = append(shapes, Rectangle{X: p.x - 5, Y: y - 5, W: 10, H: 10, Style: style})
		}
	}
	if len(shapes) == 0 {
		return
	}
	g := Group{Title: stepText(*s), Shapes: shapes}
	d.add(g)
	d.busy = append(d.busy, g.bounds())
}

// resection draws the piece cut out: a triangle has its base on the free edge, a
// quadrangle reaches the annulus. What was not measured is drawn dashed.
func (d *stripSheet) resection(l *leaf, s *repair.Step, st state, spots []spot) []Shape {
	at := valve.AtStep(s.ID)
	free, base, height := d.dimension(st == planned, valve.ResectionFreeEdgeWidth, at), d.dimension(st == planned, valve.ResectionBaseWidth, at), d.dimension(st == planned, valve.ResectionHeight, at)
	from, to := span(spots)
	x := (l.edges[from] + l.edges[to+1]) / 2
	if spots[0].x < l.edges[0] || spots[0].x > l.edges[3] {
		x = spots[0].x
	}
	i := spots[len(spots)/2].i
	if a := d.dimension(st == planned, valve.ResectionAxisOffset, at); a.sound() {
		x += a.value * perMM
	}
	style := st.style()
	w, b, h := 8*perMM, 0.0, l.drawn[i]*0.7
	if free.sound() {
		w = l.across(free.value, from, to)
	} else if st != takenDown {
		style.Dash = Dashed
	}
	if height.sound() {
		h = min(height.value*perMM, l.drawn[i])
	}
	shape := resectionOf(*s).Shape
	if s.ReachesAnnulus() {
		h = l.drawn[i]
	}
	if shape == repair.Quadrangular || shape == repair.BaseWings {
		b = w * 0.8
		if base.sound() {
			b = l.across(base.value, 0, 2)
		}
	}
	y := l.edge(i)
	top := y - h
	switch shape {
	case repair.BaseWings:
		neck := top + h*0.25
		return []Shape{polygon(style, Point{x - w/2, y}, Point{x - w*0.16, neck}, Point{x - b/2, top}, Point{x + b/2, top}, Point{x + w*0.16, neck}, Point{x + w/2, y})}
	case repair.Quadrangular:
		return []Shape{polygon(style, Point{x - w/2, y}, Point{x - b/2, top}, Point{x + b/2, top}, Point{x + w/2, y})}
	}
	return []Shape{polygon(style, Point{x - w/2, y}, Point{x, top}, Point{x + w/2, y})}
}

// heightTaken draws what is taken off the height, where its form says.
func (d *stripSheet) heightTaken(l *leaf, s *repair.Step, st state, spots []spot) []Shape {
	a := d.dimension(st == planned, valve.HeightRemoved, valve.AtStep(s.ID))
	style := st.style()
	from, to := span(spots)
	left, right := l.edges[from]+l.width(from)*0.06, l.edges[to+1]-l.width(to)*0.06
	h := 3 * perMM
	if a.sound() {
		h = min(a.value*perMM, l.drawn[from]*0.8)
	} else if st != takenDown {
		style.Dash = Dashed
	}
	switch s.Form {
	case "body_strip":
		y := l.annulus + l.drawn[from]*0.5
		return []Shape{ellipse(style, (left+right)/2, y, (right-left)/2, h/2)}
	case "free_edge_trim":
		y := math.Min(l.edge(from), l.edge(to))
		return []Shape{Rectangle{X: left + 4, Y: y - h, W: right - left - 8, H: h, Style: style}}
	case "folding":
		y := l.annulus + l.drawn[from]*0.4
		style.Fill = None
		return []Shape{
			line(left, y-h/2, right, y-h/2, style), line(left, y+h/2, right, y+h/2, style),
			line(left, y-h/2, left, y+h/2, style), line(right, y-h/2, right, y+h/2, style),
		}
	}
	return []Shape{Rectangle{X: left, Y: l.annulus + 1, W: right - left, H: h, Style: style}}
}

func ellipse(style Style, x, y, rx, ry float64) Path {
	const k = 0.5523
	return Path{Style: style, Segments: []Segment{
		{MoveTo, []Point{{x - rx, y}}},
		{CurveTo, []Point{{x - rx, y - ry*k}, {x - rx*k, y - ry}, {x, y - ry}}},
		{CurveTo, []Point{{x + rx*k, y - ry}, {x + rx, y - ry*k}, {x + rx, y}}},
		{CurveTo, []Point{{x + rx, y + ry*k}, {x + rx*k, y + ry}, {x, y + ry}}},
		{CurveTo, []Point{{x - rx*k, y + ry}, {x - rx, y + ry*k}, {x - rx, y}}},
		{Op: Close},
	}}
}

// slidingStrips draws the base strips of a sliding plasty, from the cut edge in the
// middle to the far end.
func (d *stripSheet) slidingStrips(l *leaf, s *repair.Step, st state) []Shape {
	var list []Shape
	for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
		within := valve.AtStepSide(s.ID, side)
		cut, far := d.dimension(st == planned, valve.SlidingStripHeightAtCutEdge, within), d.dimension(st == planned, valve.SlidingStripHeightAtFarEnd, within)
		if !cut.sound() && !far.sound() {
			continue
		}
		length := d.dimension(st == planned, valve.SlidingDetachedLength, within)
		style := st.style()
		x, end := d.cutEdges(side)
		if length.sound() {
			end = x + (end-x)/math.Abs(end-x)*min(length.value*perMM, math.Abs(end-x))
		} else if st != takenDown {
			style.Dash = Dashed
		}
		y := l.annulus + 1
		list = append(list, polygon(style, Point{x, y}, Point{end, y}, Point{end, y + far.value*perMM}, Point{x, y + cut.value*perMM}))
	}
	return list
}

// cutEdges gives where the remnant of a side begins, beside the middle of P2, and
// how far it goes at most.
func (d *stripSheet) cutEdges(side valve.Side) (from, to float64) {
	l := &d.posterior
	if side == valve.Lateral {
		return l.x(1) - l.width(1)*0.16, l.edges[0] + 2
	}
	return l.x(1) + l.width(1)*0.16, l.edges[3] - 2
}

// stitches draws a suture line that goes up from the free edge.
func (d *stripSheet) stitches(p spot, length amount, style Style) []Shape {
	h := 7 * perMM
	line1 := style
	line1.Fill, line1.Width = None, 1.6
	if length.sound() {
		h = min(length.value*perMM, p.leaf.drawn[p.i]*0.9)
	} else if line1.Dash == Solid {
		line1.Dash = Dashed
	}
	bottom := p.edge()
	switch {
	case p.x < p.leaf.edges[0] || p.x > p.leaf.edges[3]:
		bottom = p.leaf.annulus + p.leaf.drawn[p.i]*0.5
		h = min(h, p.leaf.drawn[p.i]*0.45)
	case p.leaf == &d.posterior && (p.x == p.leaf.edges[1] || p.x == p.leaf.edges[2]):
		bottom = p.leaf.annulus + min(p.leaf.drawn[p.i-1+b2i(p.x == p.leaf.edges[2])], p.leaf.drawn[p.i+b2i(p.x == p.leaf.edges[2])])
		h = min(h, bottom-p.leaf.annulus-3)
	}
	list := []Shape{line(p.x, bottom, p.x, bottom-h, line1)}
	bar := style
	bar.Fill, bar.Dash = None, Solid
	if style.Dash == Dotted {
		bar.Dash = Dotted
	}
	for y := bottom - 2; y >= bottom-h; y -= 6 {
		list = append(list, line(p.x-3.5, y, p.x+3.5, y, bar))
	}
	if style.Fill != None {
		list = append(list, Circle{X: p.x, Y: bottom - h, R: 2.2, Style: Style{Line: Ink, Width: 1, Fill: Ink}})
	}
	return list
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Above the annulus.

const (
	deviceLane = 16.0
	arrowLane  = 27.0
)

// lane is a device, or an arrow along the annulus, with the entry it belongs to.
type lane struct {
	entry entry
	step  *repair.Step
	state state
}

// lanesOf lists what lies along the annulus of a leaflet: devices, then what moves.
func (d *stripSheet) lanesOf(l *leaf) (devices, arrows []lane) {
	for _, e := range d.entries {
		for _, s := range []*repair.Step{e.planned, e.done} {
			if s == nil {
				continue
			}
			st := planned
			if s == e.done {
				st = stateOf(s)
			}
			switch s.Technique {
			case repair.Annuloplasty:
				devices = append(devices, lane{e, s, st})
			case repair.SlidingPlasty:
				if l == &d.posterior {
					arrows = append(arrows, lane{e, s, st})
				}
			case repair.Plication:
				if len(d.spotsOf(s, l)) > 0 {
					arrows = append(arrows, lane{e, s, st})
				}
			}
		}
	}
	slices.SortStableFunc(devices, func(a, b lane) int { return cmp.Compare(b.state, a.state) })
	return devices, arrows
}

func (d *stripSheet) annulusLanes(l *leaf) float64 {
	devices, arrows := d.lanesOf(l)
	return float64(len(devices))*deviceLane + float64(len(arrows))*arrowLane
}

func (d *stripSheet) aboveAnnulus(l *leaf) {
	devices, arrows := d.lanesOf(l)
	y := l.annulus - 4
	for _, dev := range devices {
		y -= deviceLane / 2
		d.device(l, dev, y)
		y -= deviceLane / 2
	}
	for _, a := range arrows {
		y -= 8
		d.moves(l, a, y)
		y -= arrowLane - 8
	}
}

// device draws a ring or band along the annulus: a band only behind, from trigone
// to trigone.
func (d *stripSheet) device(l *leaf, dev lane, y float64) {
	style := dev.state.style()
	bar := func(from, to float64) Shape { return Rectangle{X: from, Y: y - 3.5, W: to - from, H: 7, Style: style} }
	band := dev.step.Ring != nil && dev.step.Ring.Kind == repair.PosteriorBand
	unknown := dev.step.Ring == nil || dev.step.Ring.Kind == ""
	var shapes []Shape
	switch {
	case unknown && l == &d.anterior:
		return
	case band && l == &d.anterior:
		t := (l.right - l.left) * (1 - trigoneShare) / 2
		shapes = []Shape{bar(l.left, l.left+t), bar(l.right-t, l.right)}
	default:
		shapes = []Shape{bar(l.left, l.right)}
	}
	d.add(Group{Title: stepText(*dev.step), Shapes: shapes})
	d.mark(l.left-12, y, dev.entry.number)
}

// moves draws arrows along the annulus: each remnant of a sliding plasty goes to the
// middle, a plication draws the annulus together.
func (d *stripSheet) moves(l *leaf, a lane, y float64) {
	style := a.state.style()
	style.Fill = None
	if a.state == performed {
		style.Width = 1.8
	}
	hollow := a.state != performed
	note := func(x float64, anchor Anchor, v amount) {
		if v.known {
			t := Text{X: x, Y: y - 6, Text: v.marked(), Size: smallText, Anchor: anchor, Tone: Ink}
			d.add(t)
			d.taken = append(d.taken, t.bounds())
		}
	}
	if a.step.Technique == repair.Plication {
		spots := d.spotsOf(a.step, l)
		from, to := span(spots)
		x := (l.edges[from] + l.edges[to+1]) / 2
		d.add(Group{Title: stepText(*a.step), Shapes: append(arrow(x-26, y, x-3, y, style, hollow), arrow(x+26, y, x+3, y, style, hollow)...)})
		note(x, Middle, d.dimension(a.state == planned, valve.PlicationLength, valve.AtStep(a.step.ID)))
		d.mark(x-36, y, a.entry.number)
		return
	}
	at := l.x(1) - 12
	for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
		v := d.dimension(a.state == planned, valve.SlidingAdvance, valve.AtStepSide(a.step.ID, side))
		if !v.known {
			continue
		}
		from, _ := d.cutEdges(side)
		to, sign := l.x(1)-3, -1.0
		if side == valve.Medial {
			to, sign = l.x(1)+3, 1.0
		}
		from += sign * 16
		at = min(at, from-26)
		d.add(Group{Title: string(side) + " remnant advanced", Shapes: arrow(from, y, to, y, style, hollow)})
		note((from+to)/2+sign*14, Middle, v)
	}
	d.mark(at, y, a.entry.number)
}

// trigones marks them on the anterior annulus.
func (d *stripSheet) trigones(l *leaf) {
	t := (l.right - l.left) * (1 - trigoneShare) / 2
	for _, x := range []float64{l.left + t, l.right - t} {
		d.add(polygon(Style{Fill: Ink}, Point{x, l.annulus}, Point{x - 4, l.annulus + 7}, Point{x + 4, l.annulus + 7}))
	}
}

// Below the free edge.

// chordLength gives the length of artificial chords at a place of their step.
func (d *stripSheet) chordLength(s *repair.Step, isPlanned bool, within valve.Place) amount {
	if within != valve.Nowhere {
		for _, p := range []valve.Place{within, within + "/lateral_side", within + "/medial_side"} {
			if a := d.dimension(isPlanned, valve.ArtificialChordLength, valve.Within(s.ID, p)); a.known {
				return a
			}
		}
	}
	return d.dimension(isPlanned, valve.ArtificialChordLength, valve.AtStep(s.ID))
}

// openChord is how long chords of unknown length are drawn, in mm.
const openChord = 12.0

func (d *stripSheet) chordsOn(l *leaf) bool {
	return slices.ContainsFunc(d.entries, func(e entry) bool {
		on := func(s *repair.Step) bool {
			return s != nil && s.Technique == repair.ArtificialChord && len(d.spotsOf(s, l)) > 0
		}
		return on(e.planned) || on(e.done)
	})
}

// chords draws artificial chords from the free edge down; it gives how far down the
// lowest goes.
func (d *stripSheet) chords(l *leaf) float64 {
	bottom := l.lowest() + 4
	for _, e := range d.entries {
		for _, s := range []*repair.Step{e.done, e.planned} {
			if s == nil || s.Technique != repair.ArtificialChord {
				continue
			}
			st := planned
			if s == e.done {
				st = stateOf(s)
			}
			for k, p := range d.spotsOf(s, l) {
				bottom = max(bottom, d.chord(l, s, st, p, k))
			}
		}
	}
	return bottom
}

// chord draws the chords of a step to one place: on the side of the papillary muscle
// that they come from, as many lines as pairs, planned ones beside those done.
func (d *stripSheet) chord(l *leaf, s *repair.Step, st state, p spot, k int) float64 {
	c := repair.Chords{}
	if s.Chords != nil {
		c = *s.Chords
	}
	x := p.x
	w := l.width(p.i)
	if p.i == 1 && p.x == l.x(1) {
		switch c.Papillary {
		case "anterolateral":
			x -= w * 0.22
		case "posteromedial":
			x += w * 0.22
		}
	}
	outward := -7.0 // what was done lies outside, what was planned inside
	if x > centre {
		outward = 7
	}
	switch st {
	case planned:
		x -= outward
	case performed:
		x += outward
	}
	within := valve.Nowhere
	if k < len(s.Places) {
		within = s.Places[k].Place()
	}
	length := d.chordLength(s, st == planned, within)
	style := Style{Line: Ink, Width: 0.9}
	if st == performed {
		style.Width = 1.6
	}
	mm := openChord
	if length.sound() {
		mm = min(length.value, 40)
	} else {
		style.Dash = Dashed
	}
	if st == takenDown {
		style.Dash = Dotted
	}
	from, to := p.edge(), p.edge()+mm*perMM
	n := min(max(c.PairCount.OrElse(1), 1), 4)
	end := Style{Line: Ink, Width: 1.2, Fill: Ink}
	if st != performed {
		end.Fill = White
	}
	var shapes []Shape
	for i := range n {
		at := x + (float64(i)-float64(n-1)/2)*3.2
		shapes = append(shapes, line(at, from, x, to, style))
	}
	shapes = append(shapes, Circle{X: x, Y: to, R: 2.6, Style: end})
	g := Group{Title: stepText(*s), Shapes: shapes}
	d.add(g)
	d.busy = append(d.busy, g.bounds())
	return to + 5
}

// papillary draws the papillary muscles, each under the half that it serves.
func (d *stripSheet) papillary() {
	d.y += 3
	top := d.y
	const height = 20.0
	dome := func(from, to float64) {
		d.add(Path{Style: Style{Line: Grey, Width: 1, Fill: White}, Segments: []Segment{
			{MoveTo, []Point{{from, top + height}}},
			{CurveTo, []Point{{from, top - 2}, {to, top - 2}, {to, top + height}}},
		}})
	}
	dome(stripLeft, centre-8)
	dome(centre+8, stripRight)
	d.y += height
	d.label((stripLeft+centre-8)/2, d.y-3, "anterolateral", Middle, false)
	d.label((stripRight+centre+8)/2, d.y-3, "posteromedial", Middle, false)
	d.y += 12
	d.label(centre, d.y-1, "papillary muscles", Middle, false)
	d.y += 4
}

// signsOn draws leaks and jets of a leaflet beside its free edge.
func (d *stripSheet) signsOn(l *leaf) {
	for _, s := range d.signs {
		for _, p := range d.spots(s.at) {
			if p.leaf != l {
				continue
			}
			y := p.edge() - 9
			if p.x < l.edges[0] || p.x > l.edges[3] {
				y = l.annulus + l.drawn[p.i]*0.5 + 10
			}
			at := d.free(box{-6, -6, 6, 6}, []Point{
				{p.x, y}, {p.x - 16, y}, {p.x + 16, y}, {p.x, y - 15}, {p.x - 16, y - 15}, {p.x + 16, y - 15}, {p.x - 30, y}, {p.x + 30, y},
			}, false)
			d.drawSign(s, at.X, at.Y)
		}
	}
}

func (d *stripSheet) drawSign(s sign, x, y float64) {
	style := Style{Line: Blue, Width: 1.4, Fill: White}
	if s.after {
		style.Fill = Blue
	}
	var shapes []Shape
	if s.leak {
		style.Fill = White
		shapes = []Shape{Circle{X: x, Y: y, R: 5.5, Style: style}, line(x-3.6, y-3.6, x+3.6, y+3.6, Style{Line: Blue, Width: 1.4}), line(x-3.6, y+3.6, x+3.6, y-3.6, Style{Line: Blue, Width: 1.4})}
	} else {
		shapes = []Shape{polygon(style, Point{x, y + 5.5}, Point{x - 5.5, y - 4.5}, Point{x + 5.5, y - 4.5})}
	}
	d.add(Group{Title: s.text, Shapes: shapes})
	d.taken = append(d.taken, box{x - 6, y - 6, x + 6, y + 6})
}

// free gives the first place where a thing of some size meets no other; offBusy keeps
// it off what is drawn on the leaflet too. If there is none, it is the first.
func (d *stripSheet) free(size box, places []Point, offBusy bool) Point {
	for _, p := range places {
		b := box{p.X + size.left, p.Y + size.top, p.X + size.right, p.Y + size.bottom}
		meets := b.overlaps
		if b.left < 2 || b.right > frameWidth-2 || slices.ContainsFunc(d.taken, meets) || offBusy && slices.ContainsFunc(d.busy, meets) {
			continue
		}
		return p
	}
	return places[0]
}

const markRadius = 7.0

// mark writes the number of an entry in a circle.
func (d *stripSheet) mark(x, y float64, number int) {
	d.add(
		Circle{X: x, Y: y, R: markRadius, Style: Style{Line: Ink, Width: 1, Fill: White}},
		Text{X: x, Y: y + 3.6, Text: strconv.Itoa(number), Size: smallText, Anchor: Middle, Bold: true, Tone: Ink},
	)
	d.taken = append(d.taken, box{x - markRadius, y - markRadius, x + markRadius, y + markRadius})
}

// numbers marks the steps that lie on the leaflet or under it.
func (d *stripSheet) numbers(l *leaf) {
	size := box{-markRadius - 1, -markRadius - 1, markRadius + 1, markRadius + 1}
	for _, e := range d.entries {
		var anchors []Point
		for _, s := range []*repair.Step{e.done, e.planned} {
			if s == nil {
				continue
			}
			for _, p := range d.anchors(l, s) {
				if !slices.ContainsFunc(anchors, func(o Point) bool { return math.Abs(o.X-p.X) < 20 }) {
					anchors = append(anchors, p)
				}
			}
		}
		for _, p := range anchors {
			var places []Point
			for _, by := range []Point{{0, 0}, {-17, 0}, {17, 0}, {0, -16}, {0, 16}, {-17, -16}, {17, -16}, {-17, 16}, {17, 16}, {-34, 0}, {34, 0}, {-34, 16}, {34, 16}, {0, 32}, {-17, 32}, {17, 32}, {-34, -16}, {34, -16}} {
				places = append(places, Point{p.X + by.X, p.Y + by.Y})
			}
			at := d.free(size, places, false)
			d.mark(at.X, at.Y, e.number)
		}
	}
}

// anchors gives where the marks of a step go on a leaflet, best first.
func (d *stripSheet) anchors(l *leaf, s *repair.Step) []Point {
	spots := d.spotsOf(s, l)
	if s.Technique == repair.SlidingPlasty || s.Technique == repair.Annuloplasty || s.Technique == repair.Plication || len(spots) == 0 {
		return nil
	}
	switch s.Technique {
	case repair.LeafletResection:
		p := spots[len(spots)/2]
		from, to := span(spots)
		x := (l.edges[from] + l.edges[to+1]) / 2
		if p.x < l.edges[0] || p.x > l.edges[3] {
			x = p.x
		}
		return []Point{{x, p.edge() - l.drawn[p.i]*0.22}}
	case repair.HeightReduction:
		from, to := span(spots)
		return []Point{{l.edges[from] + (l.edges[to+1]-l.edges[from])*0.2, l.annulus + 9}}
	case repair.ArtificialChord:
		var list []Point
		for _, p := range spots {
			list = append(list, Point{p.x + 16, p.edge() + 12})
		}
		return list
	case repair.CleftClosure, repair.CommissuralClosure:
		return []Point{{spots[0].x + 13, spots[0].leaf.annulus + spots[0].leaf.drawn[spots[0].i]*0.45}}
	}
	var list []Point
	for _, p := range spots {
		list = append(list, Point{p.x + 14, p.edge() - 8})
	}
	return list
}

// names writes the names of the segments where nothing else is.
func (d *stripSheet) names(l *leaf) {
	for i, s := range l.segments {
		text := segmentText(s)
		half := textWidth(text, textSize, true) / 2
		var places []Point
		for _, dy := range []float64{0.3, 0.5, 0.7, 0.16} {
			for _, dx := range []float64{0, -0.3, 0.3, -0.38, 0.38} {
				places = append(places, Point{l.x(i) + dx*l.width(i), l.annulus + 6 + l.drawn[i]*dy})
			}
		}
		for _, dx := range []float64{0, -0.3, 0.3} { // or below the free edge
			places = append(places, Point{l.x(i) + dx*l.width(i), l.edge(i) + 10})
		}
		at := d.free(box{-half, -6, half, 6}, places, true)
		if at == places[0] {
			at = d.free(box{-half, -6, half, 6}, places, false)
		}
		t := Text{X: at.X, Y: at.Y + 4, Text: text, Size: textSize, Anchor: Middle, Bold: true, Tone: Grey}
		d.add(t)
		d.taken = append(d.taken, t.bounds())
	}
}

// scaleBar draws how long 10 mm are.
func (d *stripSheet) scaleBar(y float64) {
	const mm = 10.0
	x, style := frameEdge+4, Style{Line: Ink, Width: 1.4}
	d.add(Group{Title: "scale", Shapes: []Shape{
		line(x, y, x+mm*perMM, y, style), line(x, y-4, x, y+4, style), line(x+mm*perMM, y-4, x+mm*perMM, y+4, style),
		Text{X: x, Y: y + 15, Text: "10\u00a0mm", Size: smallText, Anchor: Start, Tone: Ink},
	}})
}
