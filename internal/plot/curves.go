package plot

import (
	"strconv"

	"trigone/internal/picture"
)

// Curves are shares over the time since the operation: freedom from an event, which
// falls, or its cumulative incidence, which rises.
type Curves struct {
	Frame
	// Share is what lies on the upright axis, such as 'free from recurrence'.
	Share string
	// Unit of the time, such as 'years'.
	Unit string
	// Curves, at most three.
	Curves []Curve
	// Times of the steps of the level axis, at which the numbers at risk are told.
	Times []float64
}

// Curve is a line of steps.
type Curve struct {
	// Name of it; empty where there is one curve alone.
	Name string
	// Begin is the share at time 0: 1 of freedom, 0 of an incidence.
	Begin float64
	// Steps in order of time; the share holds from there on.
	Steps []CurveStep
	// End is until when the curve is drawn.
	End float64
	// AtRisk are those under observation at each of the times; of one curve only where all
	// have the same.
	AtRisk []int
	// Earliest and Latest are the curves if every event that was found at a look had come
	// right after the look before it, or only then; empty: not told.
	Earliest, Latest []CurveStep
}

// CurveStep is where a curve steps to.
type CurveStep struct {
	At, Share float64
	// Interval; nil where there is none.
	Interval *Interval
}

var curveStyles = []picture.Style{
	{Line: picture.Blue, Width: 1.9},
	{Line: picture.Rust, Width: 1.9, Dash: picture.Dashed},
	{Line: picture.Ink, Width: 1.7, Dash: picture.Dotted},
}

var edgeStyle = picture.Style{Line: picture.Grey, Width: 1, Dash: picture.Dashed}

// mostCurves are those that stay apart in one plot.
const mostCurves = 3

// Picture draws it.
func (c Curves) Picture() picture.Picture {
	if len(c.Curves) == 0 || len(c.Times) == 0 {
		return notDrawn(c.Frame, "nobody is under observation")
	}
	if len(c.Curves) > mostCurves {
		return notDrawn(c.Frame, "more than three curves do not stay apart in one plot")
	}
	low, high := 1.0, 0.0
	for i, curve := range c.Curves {
		low, high = min(low, curve.Begin), max(high, curve.Begin)
		for _, list := range [][]CurveStep{curve.Steps, curve.Earliest, curve.Latest} {
			for _, s := range list {
				ends := []float64{s.Share}
				if s.Interval != nil && i == 0 { // the others' are not drawn
					ends = append(ends, s.Interval.Lower, s.Interval.Upper)
				}
				if !finite(append(ends, s.At)...) {
					return notDrawn(c.Frame, notANumber)
				}
				if s.At > curve.End {
					break
				}
				l, h := around(ends...)
				low, high = min(low, l), max(high, h)
			}
		}
	}
	p := begin(c.Frame)
	// A little room beyond, and never a field of nothing but small differences.
	if high-low < 0.1 {
		if low < 0.5 {
			high = min(1, low+0.1)
		} else {
			low = max(0, high-0.1)
		}
	}
	low, high, steps := shares(low, high, 5)
	last := c.Times[len(c.Times)-1]
	for _, curve := range c.Curves {
		last = max(last, curve.End)
	}
	a := p.newPanel(c.Share+", %", axisLeft, 366, 190, scale{low: 0, high: last}, scale{low: low, high: high}, steps)
	bands, early, late := false, false, false
	// Bands of several curves would hide each other.
	if band := a.band(c.Curves[0]); band != nil {
		bands = true
		p.Add(picture.Group{Title: "95 % interval", Shapes: band})
	}
	for _, curve := range c.Curves {
		early, late = early || len(curve.Earliest) > 0, late || len(curve.Latest) > 0
		for _, list := range [][]CurveStep{curve.Earliest, curve.Latest} {
			if len(list) > 0 {
				p.Add(a.steps(edgeStyle, curve.Begin, list, curve.End))
			}
		}
	}
	for i, curve := range c.Curves {
		p.Add(picture.Group{Title: curve.Name, Shapes: []picture.Shape{a.steps(curveStyles[i], curve.Begin, curve.Steps, curve.End)}})
	}
	var ticks []tick
	for _, t := range c.Times {
		ticks = append(ticks, tick{t, strconv.FormatFloat(t, 'f', -1, 64)})
	}
	p.level(a, c.Unit+" since the operation", ticks)
	p.atRisk(a, c)
	p.Y += 4
	if len(c.Curves) > 1 {
		for i, curve := range c.Curves {
			p.key(curve.Name, lineKey(curveStyles[i]))
		}
	}
	if bands {
		words := "95 % interval"
		if len(c.Curves) > 1 {
			words += " of " + c.Curves[0].Name
		}
		p.key(words, bandKey(picture.Pale))
	}
	switch {
	case early && late:
		p.key("if every event had come right after the last look without it, and if only at the look that found it", lineKey(edgeStyle))
	case early:
		p.key("if every event had come right after the last look without it; the curve has it at the look that found it", lineKey(edgeStyle))
	case late:
		p.key("if every event had come only at the look that found it", lineKey(edgeStyle))
	}
	return p.end()
}

// corners are those of a line of steps.
func (a panel) corners(begin float64, list []CurveStep, end float64, of func(CurveStep) (float64, bool)) []picture.Point {
	points := []picture.Point{a.at(0, begin)}
	share := begin
	for _, s := range list {
		if s.At > end {
			break
		}
		v, ok := of(s)
		if !ok {
			continue
		}
		points = append(points, a.at(s.At, share), a.at(s.At, v))
		share = v
	}
	return append(points, a.at(end, share))
}

func (a panel) steps(style picture.Style, begin float64, list []CurveStep, end float64) picture.Shape {
	return picture.Polyline(style, a.corners(begin, list, end, func(s CurveStep) (float64, bool) { return s.Share, true })...)
}

// band is the interval of a curve, from its first step with one on.
func (a panel) band(c Curve) []picture.Shape {
	var shapes []picture.Shape
	for i, s := range c.Steps {
		if s.Interval == nil || s.At > c.End {
			continue
		}
		until := c.End
		if i+1 < len(c.Steps) {
			until = min(c.End, c.Steps[i+1].At)
		}
		from, to := a.at(s.At, s.Interval.Upper), a.at(until, s.Interval.Lower)
		if to.X > from.X {
			shapes = append(shapes, picture.Rectangle{X: from.X, Y: from.Y, W: to.X - from.X, H: to.Y - from.Y, Style: picture.Style{Fill: picture.Pale}},
				picture.Line(from.X, from.Y, to.X, from.Y, picture.Style{Line: picture.Light, Width: 1}),
				picture.Line(from.X, to.Y, to.X, to.Y, picture.Style{Line: picture.Light, Width: 1}))
		}
	}
	return shapes
}

// atRisk writes the numbers under observation below the axis.
func (p *page) atRisk(a panel, c Curves) {
	rows := 0
	for _, curve := range c.Curves {
		if len(curve.AtRisk) > 0 {
			rows++
		}
	}
	for i, curve := range c.Curves {
		if len(curve.AtRisk) == 0 {
			continue
		}
		name := "patients at risk"
		if rows > 1 {
			name += ": " + curve.Name
		}
		p.Y += 13
		p.Add(picture.Text{X: picture.FrameEdge, Y: p.Y - 3, Text: name, Size: picture.SmallText, Anchor: picture.Start, Bold: true, Tone: picture.Grey})
		if rows > 1 {
			x := picture.FrameEdge + picture.TextWidth(name, picture.SmallText, true) + 8
			if x+22 < picture.TextRight {
				p.Add(picture.Line(x, p.Y-6, x+22, p.Y-6, curveStyles[i]))
			}
		}
		p.Y += 13
		free := 0.0
		for j, n := range curve.AtRisk {
			if j >= len(c.Times) {
				break
			}
			word := strconv.Itoa(n)
			at, half := a.x.at(c.Times[j]), picture.TextWidth(word, picture.SmallText, false)/2
			if at-half < free || at+half > picture.FrameWidth {
				continue
			}
			free = at + half + 3
			p.Add(picture.Text{X: at, Y: p.Y - 3, Text: word, Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Ink})
		}
	}
}
