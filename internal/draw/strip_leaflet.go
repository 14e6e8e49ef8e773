package draw

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"trigone/internal/picture"
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
	d.Y += picture.LineStep
	d.label(centre, d.Y-3, name, picture.Middle, true)
	d.label(picture.FrameEdge, d.Y-3, "lateral", picture.Start, false)
	d.label(picture.TextRight, d.Y-3, "medial", picture.End, false)
	d.Y += 4

	lanes := d.annulusLanes(l)
	d.Y += 9
	l.annulus = d.Y + lanes
	d.outline(l)
	for i := range l.segments {
		d.busy = append(d.busy, picture.Box{Left: l.edges[i], Top: l.edge(i) - 1.5, Right: l.edges[i+1], Bottom: l.edge(i) + 1.5})
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
	d.Y = bottom
	for _, b := range d.taken {
		d.Y = max(d.Y, b.Bottom+2)
	}
	if posterior || d.chordsOn(l) {
		d.papillary()
	}
}

// label writes a text and keeps its room.
func (d *stripSheet) label(x, y float64, text string, anchor picture.Anchor, bold bool) {
	t := picture.Text{X: x, Y: y, Text: text, Size: picture.TextSize, Anchor: anchor, Bold: bold, Tone: picture.Ink}
	if !bold {
		t.Size, t.Tone = picture.SmallText, picture.Grey
	}
	d.Add(t)
	d.taken = append(d.taken, t.Bounds())
}

// outline draws the leaflet: the annulus above, the free edge below; where a height
// is not known its edge is dashed.
func (d *stripSheet) outline(l *leaf) {
	whole := picture.Style{Line: picture.Ink, Width: 1.6, Fill: picture.Pale}
	posterior := l == &d.posterior
	area := picture.Path{Style: picture.Style{Fill: picture.Pale}}
	put := func(p *picture.Path, op picture.Op, points ...picture.Point) {
		p.Segments = append(p.Segments, picture.Segment{Op: op, Points: points})
	}
	var edges []picture.Path
	if posterior {
		for i := range l.segments {
			edges = append(edges, l.scallop(i))
		}
		d.commissure(l, l.left, l.edges[0], 0)
		d.commissure(l, l.right, l.edges[3], 2)
	} else {
		edges = l.curtain()
	}
	put(&area, picture.MoveTo, picture.At(l.edges[0], l.annulus))
	for _, e := range edges {
		for i, s := range e.Segments {
			if i == 0 {
				put(&area, picture.LineTo, s.Points...)
				continue
			}
			area.Segments = append(area.Segments, s)
		}
	}
	put(&area, picture.LineTo, picture.At(l.edges[3], l.annulus))
	put(&area, picture.Close)
	d.Add(area)
	for i, e := range edges {
		e.Style = picture.Style{Line: picture.Ink, Width: 1.6}
		if !l.heights[i].sound() {
			e.Dash = picture.Dashed
		}
		d.Add(e)
	}
	if !posterior {
		for i, x := range []float64{l.edges[0], l.edges[3]} {
			d.Add(picture.Line(x, l.annulus, x, l.annulus+l.drawn[2*i]*0.45, picture.Style{Line: picture.Ink, Width: 1.6}))
		}
	}
	for i := 1; i < 3; i++ {
		bottom := l.notch(i)
		if !posterior {
			bottom = l.annulus + min(l.drawn[i-1], l.drawn[i])*0.9
		}
		d.Add(picture.Line(l.edges[i], l.annulus+3, l.edges[i], bottom, picture.Style{Line: picture.Grey, Width: 0.8, Dash: picture.Dotted}))
	}
	whole.Fill, whole.Width = picture.None, 2
	d.Add(picture.Line(l.left, l.annulus, l.right, l.annulus, whole))
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
func (l *leaf) scallop(i int) picture.Path {
	left, right, y := l.edges[i], l.edges[i+1], l.edge(i)
	w := l.width(i)
	from, to := l.side(i), l.side(i+1)
	return picture.Path{Segments: []picture.Segment{
		{Op: picture.MoveTo, Points: []picture.Point{{X: left, Y: from}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: left, Y: from + (y-from)*0.6}, {X: left + w*0.06, Y: y}, {X: left + w*0.2, Y: y}}},
		{Op: picture.LineTo, Points: []picture.Point{{X: right - w*0.2, Y: y}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: right - w*0.06, Y: y}, {X: right, Y: to + (y-to)*0.6}, {X: right, Y: to}}},
	}}
}

// curtain is the free edge of the anterior leaflet in three parts, through the
// heights of its segments; one that is not known takes the course of the middle one.
func (l *leaf) curtain() []picture.Path {
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
	return []picture.Path{
		{Segments: []picture.Segment{
			{Op: picture.MoveTo, Points: []picture.Point{{X: left, Y: l.annulus + l.drawn[0]*0.45}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: left, Y: l.annulus + l.drawn[0]*0.8}, {X: left + w*0.05, Y: y[0]}, {X: l.x(0), Y: y[0]}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: l.x(0) + w*0.06, Y: y[0]}, {X: l.edges[1] - w*0.03, Y: meet[0]}, {X: l.edges[1], Y: meet[0]}}},
		}},
		{Segments: []picture.Segment{
			{Op: picture.MoveTo, Points: []picture.Point{{X: l.edges[1], Y: meet[0]}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: l.edges[1] + w*0.04, Y: meet[0]}, {X: l.edges[1] + w*0.06, Y: y[1]}, {X: l.edges[1] + w*0.14, Y: y[1]}}},
			{Op: picture.LineTo, Points: []picture.Point{{X: l.edges[2] - w*0.14, Y: y[1]}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: l.edges[2] - w*0.06, Y: y[1]}, {X: l.edges[2] - w*0.04, Y: meet[1]}, {X: l.edges[2], Y: meet[1]}}},
		}},
		{Segments: []picture.Segment{
			{Op: picture.MoveTo, Points: []picture.Point{{X: l.edges[2], Y: meet[1]}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: l.edges[2] + w*0.03, Y: meet[1]}, {X: l.x(2) - w*0.06, Y: y[2]}, {X: l.x(2), Y: y[2]}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: right - w*0.05, Y: y[2]}, {X: right, Y: l.annulus + l.drawn[2]*0.8}, {X: right, Y: l.annulus + l.drawn[2]*0.45}}},
		}},
	}
}

// commissure draws the small leaflet at one end; nothing of it is measured.
func (d *stripSheet) commissure(l *leaf, outer, inner float64, i int) {
	depth := l.annulus + l.drawn[i]*0.5
	d.Add(picture.Path{Style: picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.Pale}, Segments: []picture.Segment{
		{Op: picture.MoveTo, Points: []picture.Point{{X: outer, Y: l.annulus}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: outer, Y: l.annulus + l.drawn[i]*0.3}, {X: (outer + inner) / 2, Y: depth}, {X: inner, Y: depth}}},
		{Op: picture.LineTo, Points: []picture.Point{{X: inner, Y: l.annulus}}},
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
		d.Add(picture.Group{Title: "closure line by ink at " + segmentText(s), Shapes: []picture.Shape{
			picture.Line(l.edges[i]+w*0.08, y, l.edges[i+1]-w*0.08, y, picture.Style{Line: picture.Blue, Width: 1.5, Dash: picture.Dashed}),
		}})
		d.busy = append(d.busy, picture.Box{Left: l.edges[i], Top: y - 2, Right: l.edges[i+1], Bottom: y + 2})
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
	var shapes []picture.Shape
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
			shapes = append(shapes, picture.Rectangle{X: p.x - 5, Y: y - 5, W: 10, H: 10, Style: style})
		}
	}
	if len(shapes) == 0 {
		return
	}
	g := picture.Group{Title: stepText(*s), Shapes: shapes}
	d.Add(g)
	d.busy = append(d.busy, g.Bounds())
}

// resection draws the piece cut out: a triangle has its base on the free edge, a
// quadrangle reaches the annulus. What was not measured is drawn dashed.
func (d *stripSheet) resection(l *leaf, s *repair.Step, st state, spots []spot) []picture.Shape {
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
		style.Dash = picture.Dashed
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
		return []picture.Shape{picture.Polygon(style, picture.At(x-w/2, y), picture.At(x-w*0.16, neck), picture.At(x-b/2, top), picture.At(x+b/2, top), picture.At(x+w*0.16, neck), picture.At(x+w/2, y))}
	case repair.Quadrangular:
		return []picture.Shape{picture.Polygon(style, picture.At(x-w/2, y), picture.At(x-b/2, top), picture.At(x+b/2, top), picture.At(x+w/2, y))}
	}
	return []picture.Shape{picture.Polygon(style, picture.At(x-w/2, y), picture.At(x, top), picture.At(x+w/2, y))}
}

// heightTaken draws what is taken off the height, where its form says.
func (d *stripSheet) heightTaken(l *leaf, s *repair.Step, st state, spots []spot) []picture.Shape {
	a := d.dimension(st == planned, valve.HeightRemoved, valve.AtStep(s.ID))
	style := st.style()
	from, to := span(spots)
	left, right := l.edges[from]+l.width(from)*0.06, l.edges[to+1]-l.width(to)*0.06
	h := 3 * perMM
	if a.sound() {
		h = min(a.value*perMM, l.drawn[from]*0.8)
	} else if st != takenDown {
		style.Dash = picture.Dashed
	}
	switch s.Form {
	case "body_strip":
		y := l.annulus + l.drawn[from]*0.5
		return []picture.Shape{ellipse(style, (left+right)/2, y, (right-left)/2, h/2)}
	case "free_edge_trim":
		y := math.Min(l.edge(from), l.edge(to))
		return []picture.Shape{picture.Rectangle{X: left + 4, Y: y - h, W: right - left - 8, H: h, Style: style}}
	case "folding":
		y := l.annulus + l.drawn[from]*0.4
		style.Fill = picture.None
		return []picture.Shape{
			picture.Line(left, y-h/2, right, y-h/2, style), picture.Line(left, y+h/2, right, y+h/2, style),
			picture.Line(left, y-h/2, left, y+h/2, style), picture.Line(right, y-h/2, right, y+h/2, style),
		}
	}
	return []picture.Shape{picture.Rectangle{X: left, Y: l.annulus + 1, W: right - left, H: h, Style: style}}
}

func ellipse(style picture.Style, x, y, rx, ry float64) picture.Path {
	const k = 0.5523
	return picture.Path{Style: style, Segments: []picture.Segment{
		{Op: picture.MoveTo, Points: []picture.Point{{X: x - rx, Y: y}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: x - rx, Y: y - ry*k}, {X: x - rx*k, Y: y - ry}, {X: x, Y: y - ry}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: x + rx*k, Y: y - ry}, {X: x + rx, Y: y - ry*k}, {X: x + rx, Y: y}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: x + rx, Y: y + ry*k}, {X: x + rx*k, Y: y + ry}, {X: x, Y: y + ry}}},
		{Op: picture.CurveTo, Points: []picture.Point{{X: x - rx*k, Y: y + ry}, {X: x - rx, Y: y + ry*k}, {X: x - rx, Y: y}}},
		{Op: picture.Close},
	}}
}

// slidingStrips draws the base strips of a sliding plasty, from the cut edge in the
// middle to the far end.
func (d *stripSheet) slidingStrips(l *leaf, s *repair.Step, st state) []picture.Shape {
	var list []picture.Shape
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
			style.Dash = picture.Dashed
		}
		y := l.annulus + 1
		list = append(list, picture.Polygon(style, picture.At(x, y), picture.At(end, y), picture.At(end, y+far.value*perMM), picture.At(x, y+cut.value*perMM)))
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
func (d *stripSheet) stitches(p spot, length amount, style picture.Style) []picture.Shape {
	h := 7 * perMM
	line1 := style
	line1.Fill, line1.Width = picture.None, 1.6
	if length.sound() {
		h = min(length.value*perMM, p.leaf.drawn[p.i]*0.9)
	} else if line1.Dash == picture.Solid {
		line1.Dash = picture.Dashed
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
	list := []picture.Shape{picture.Line(p.x, bottom, p.x, bottom-h, line1)}
	bar := style
	bar.Fill, bar.Dash = picture.None, picture.Solid
	if style.Dash == picture.Dotted {
		bar.Dash = picture.Dotted
	}
	for y := bottom - 2; y >= bottom-h; y -= 6 {
		list = append(list, picture.Line(p.x-3.5, y, p.x+3.5, y, bar))
	}
	if style.Fill != picture.None {
		list = append(list, picture.Circle{X: p.x, Y: bottom - h, R: 2.2, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.Ink}})
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
	bar := func(from, to float64) picture.Shape {
		return picture.Rectangle{X: from, Y: y - 3.5, W: to - from, H: 7, Style: style}
	}
	band := dev.step.Ring != nil && dev.step.Ring.Kind == repair.PosteriorBand
	unknown := dev.step.Ring == nil || dev.step.Ring.Kind == ""
	var shapes []picture.Shape
	switch {
	case unknown && l == &d.anterior:
		return
	case band && l == &d.anterior:
		t := (l.right - l.left) * (1 - trigoneShare) / 2
		shapes = []picture.Shape{bar(l.left, l.left+t), bar(l.right-t, l.right)}
	default:
		shapes = []picture.Shape{bar(l.left, l.right)}
	}
	d.Add(picture.Group{Title: stepText(*dev.step), Shapes: shapes})
	d.mark(l.left-12, y, dev.entry.number)
}

// moves draws arrows along the annulus: each remnant of a sliding plasty goes to the
// middle, a plication draws the annulus together.
func (d *stripSheet) moves(l *leaf, a lane, y float64) {
	style := a.state.style()
	style.Fill = picture.None
	if a.state == performed {
		style.Width = 1.8
	}
	hollow := a.state != performed
	note := func(x float64, anchor picture.Anchor, v amount) {
		if v.known {
			t := picture.Text{X: x, Y: y - 6, Text: v.marked(), Size: picture.SmallText, Anchor: anchor, Tone: picture.Ink}
			d.Add(t)
			d.taken = append(d.taken, t.Bounds())
		}
	}
	if a.step.Technique == repair.Plication {
		spots := d.spotsOf(a.step, l)
		from, to := span(spots)
		x := (l.edges[from] + l.edges[to+1]) / 2
		d.Add(picture.Group{Title: stepText(*a.step), Shapes: append(picture.Arrow(x-26, y, x-3, y, style, hollow), picture.Arrow(x+26, y, x+3, y, style, hollow)...)})
		note(x, picture.Middle, d.dimension(a.state == planned, valve.PlicationLength, valve.AtStep(a.step.ID)))
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
		d.Add(picture.Group{Title: string(side) + " remnant advanced", Shapes: picture.Arrow(from, y, to, y, style, hollow)})
		note((from+to)/2+sign*14, picture.Middle, v)
	}
	d.mark(at, y, a.entry.number)
}

// trigones marks them on the anterior annulus.
func (d *stripSheet) trigones(l *leaf) {
	t := (l.right - l.left) * (1 - trigoneShare) / 2
	for _, x := range []float64{l.left + t, l.right - t} {
		d.Add(picture.Polygon(picture.Style{Fill: picture.Ink}, picture.At(x, l.annulus), picture.At(x-4, l.annulus+7), picture.At(x+4, l.annulus+7)))
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
	style := picture.Style{Line: picture.Ink, Width: 0.9}
	if st == performed {
		style.Width = 1.6
	}
	mm := openChord
	if length.sound() {
		mm = min(length.value, 40)
	} else {
		style.Dash = picture.Dashed
	}
	if st == takenDown {
		style.Dash = picture.Dotted
	}
	from, to := p.edge(), p.edge()+mm*perMM
	n := min(max(c.PairCount.OrElse(1), 1), 4)
	end := picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.Ink}
	if st != performed {
		end.Fill = picture.White
	}
	var shapes []picture.Shape
	for i := range n {
		at := x + (float64(i)-float64(n-1)/2)*3.2
		shapes = append(shapes, picture.Line(at, from, x, to, style))
	}
	shapes = append(shapes, picture.Circle{X: x, Y: to, R: 2.6, Style: end})
	g := picture.Group{Title: stepText(*s), Shapes: shapes}
	d.Add(g)
	d.busy = append(d.busy, g.Bounds())
	return to + 5
}

// papillary draws the papillary muscles, each under the half that it serves.
func (d *stripSheet) papillary() {
	d.Y += 3
	top := d.Y
	const height = 20.0
	dome := func(from, to float64) {
		d.Add(picture.Path{Style: picture.Style{Line: picture.Grey, Width: 1, Fill: picture.White}, Segments: []picture.Segment{
			{Op: picture.MoveTo, Points: []picture.Point{{X: from, Y: top + height}}},
			{Op: picture.CurveTo, Points: []picture.Point{{X: from, Y: top - 2}, {X: to, Y: top - 2}, {X: to, Y: top + height}}},
		}})
	}
	dome(stripLeft, centre-8)
	dome(centre+8, stripRight)
	d.Y += height
	d.label((stripLeft+centre-8)/2, d.Y-3, "anterolateral", picture.Middle, false)
	d.label((stripRight+centre+8)/2, d.Y-3, "posteromedial", picture.Middle, false)
	d.Y += 12
	d.label(centre, d.Y-1, "papillary muscles", picture.Middle, false)
	d.Y += 4
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
			at := d.free(picture.Box{Left: -6, Top: -6, Right: 6, Bottom: 6}, []picture.Point{
				{X: p.x, Y: y}, {X: p.x - 16, Y: y}, {X: p.x + 16, Y: y}, {X: p.x, Y: y - 15}, {X: p.x - 16, Y: y - 15}, {X: p.x + 16, Y: y - 15}, {X: p.x - 30, Y: y}, {X: p.x + 30, Y: y},
			}, false)
			d.drawSign(s, at.X, at.Y)
		}
	}
}

func (d *stripSheet) drawSign(s sign, x, y float64) {
	style := picture.Style{Line: picture.Blue, Width: 1.4, Fill: picture.White}
	if s.after {
		style.Fill = picture.Blue
	}
	var shapes []picture.Shape
	if s.leak {
		style.Fill = picture.White
		shapes = []picture.Shape{picture.Circle{X: x, Y: y, R: 5.5, Style: style}, picture.Line(x-3.6, y-3.6, x+3.6, y+3.6, picture.Style{Line: picture.Blue, Width: 1.4}), picture.Line(x-3.6, y+3.6, x+3.6, y-3.6, picture.Style{Line: picture.Blue, Width: 1.4})}
	} else {
		shapes = []picture.Shape{picture.Polygon(style, picture.At(x, y+5.5), picture.At(x-5.5, y-4.5), picture.At(x+5.5, y-4.5))}
	}
	d.Add(picture.Group{Title: s.text, Shapes: shapes})
	d.taken = append(d.taken, picture.Box{Left: x - 6, Top: y - 6, Right: x + 6, Bottom: y + 6})
}

// free gives the first place where a thing of some size meets no other; offBusy keeps
// it off what is drawn on the leaflet too. If there is none, it is the first.
func (d *stripSheet) free(size picture.Box, places []picture.Point, offBusy bool) picture.Point {
	for _, p := range places {
		b := picture.Box{Left: p.X + size.Left, Top: p.Y + size.Top, Right: p.X + size.Right, Bottom: p.Y + size.Bottom}
		meets := b.Overlaps
		if b.Left < 2 || b.Right > picture.FrameWidth-2 || slices.ContainsFunc(d.taken, meets) || offBusy && slices.ContainsFunc(d.busy, meets) {
			continue
		}
		return p
	}
	return places[0]
}

const markRadius = 7.0

// mark writes the number of an entry in a circle.
func (d *stripSheet) mark(x, y float64, number int) {
	d.Add(
		picture.Circle{X: x, Y: y, R: markRadius, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.White}},
		picture.Text{X: x, Y: y + 3.6, Text: strconv.Itoa(number), Size: picture.SmallText, Anchor: picture.Middle, Bold: true, Tone: picture.Ink},
	)
	d.taken = append(d.taken, picture.Box{Left: x - markRadius, Top: y - markRadius, Right: x + markRadius, Bottom: y + markRadius})
}

// numbers marks the steps that lie on the leaflet or under it.
func (d *stripSheet) numbers(l *leaf) {
	size := picture.Box{Left: -markRadius - 1, Top: -markRadius - 1, Right: markRadius + 1, Bottom: markRadius + 1}
	for _, e := range d.entries {
		var anchors []picture.Point
		for _, s := range []*repair.Step{e.done, e.planned} {
			if s == nil {
				continue
			}
			for _, p := range d.anchors(l, s) {
				if !slices.ContainsFunc(anchors, func(o picture.Point) bool { return math.Abs(o.X-p.X) < 20 }) {
					anchors = append(anchors, p)
				}
			}
		}
		for _, p := range anchors {
			var places []picture.Point
			for _, by := range []picture.Point{{X: 0, Y: 0}, {X: -17, Y: 0}, {X: 17, Y: 0}, {X: 0, Y: -16}, {X: 0, Y: 16}, {X: -17, Y: -16}, {X: 17, Y: -16}, {X: -17, Y: 16}, {X: 17, Y: 16}, {X: -34, Y: 0}, {X: 34, Y: 0}, {X: -34, Y: 16}, {X: 34, Y: 16}, {X: 0, Y: 32}, {X: -17, Y: 32}, {X: 17, Y: 32}, {X: -34, Y: -16}, {X: 34, Y: -16}} {
				places = append(places, picture.At(p.X+by.X, p.Y+by.Y))
			}
			at := d.free(size, places, false)
			d.mark(at.X, at.Y, e.number)
		}
	}
}

// anchors gives where the marks of a step go on a leaflet, best first.
func (d *stripSheet) anchors(l *leaf, s *repair.Step) []picture.Point {
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
		return []picture.Point{{X: x, Y: p.edge() - l.drawn[p.i]*0.22}}
	case repair.HeightReduction:
		from, to := span(spots)
		return []picture.Point{{X: l.edges[from] + (l.edges[to+1]-l.edges[from])*0.2, Y: l.annulus + 9}}
	case repair.ArtificialChord:
		var list []picture.Point
		for _, p := range spots {
			list = append(list, picture.At(p.x+16, p.edge()+12))
		}
		return list
	case repair.CleftClosure, repair.CommissuralClosure:
		return []picture.Point{{X: spots[0].x + 13, Y: spots[0].leaf.annulus + spots[0].leaf.drawn[spots[0].i]*0.45}}
	}
	var list []picture.Point
	for _, p := range spots {
		list = append(list, picture.At(p.x+14, p.edge()-8))
	}
	return list
}

// names writes the names of the segments where nothing else is.
func (d *stripSheet) names(l *leaf) {
	for i, s := range l.segments {
		text := segmentText(s)
		half := picture.TextWidth(text, picture.TextSize, true) / 2
		var places []picture.Point
		for _, dy := range []float64{0.3, 0.5, 0.7, 0.16} {
			for _, dx := range []float64{0, -0.3, 0.3, -0.38, 0.38} {
				places = append(places, picture.At(l.x(i)+dx*l.width(i), l.annulus+6+l.drawn[i]*dy))
			}
		}
		for _, dx := range []float64{0, -0.3, 0.3} { // or below the free edge
			places = append(places, picture.At(l.x(i)+dx*l.width(i), l.edge(i)+10))
		}
		at := d.free(picture.Box{Left: -half, Top: -6, Right: half, Bottom: 6}, places, true)
		if at == places[0] {
			at = d.free(picture.Box{Left: -half, Top: -6, Right: half, Bottom: 6}, places, false)
		}
		t := picture.Text{X: at.X, Y: at.Y + 4, Text: text, Size: picture.TextSize, Anchor: picture.Middle, Bold: true, Tone: picture.Grey}
		d.Add(t)
		d.taken = append(d.taken, t.Bounds())
	}
}

// scaleBar draws how long 10 mm are.
func (d *stripSheet) scaleBar(y float64) {
	const mm = 10.0
	x, style := picture.FrameEdge+4, picture.Style{Line: picture.Ink, Width: 1.4}
	d.Add(picture.Group{Title: "scale", Shapes: []picture.Shape{
		picture.Line(x, y, x+mm*perMM, y, style), picture.Line(x, y-4, x, y+4, style), picture.Line(x+mm*perMM, y-4, x+mm*perMM, y+4, style),
		picture.Text{X: x, Y: y + 15, Text: "10\u00a0mm", Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink},
	}})
}
