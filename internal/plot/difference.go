package plot

import (
	"math"

	"trigone/internal/picture"
)

// Difference is a difference plot: measured minus planned or predicted, against the plan
// or the mean of both, with the bias and the limits between which 95 % of the
// differences lie.
type Difference struct {
	Frame
	// Unit of the quantity, as it is written.
	Unit string
	// Of is what is taken from the measured value: 'planned' or 'predicted'.
	Of string
	// Against is what lies on the level axis, such as 'planned' or 'mean of predicted and
	// measured'.
	Against string
	// Points are the pairs; none where they may not be seen.
	Points []DifferencePoint
	// Bias and the ends of the limits; nil: there are too few pairs for it.
	Bias, Lower, Upper *Estimate
	// Digits behind the point with which they are written.
	Digits int
}

// DifferencePoint is a pair.
type DifferencePoint struct{ At, Difference float64 }

type differenceLine struct {
	name string
	e    *Estimate
}

// Picture draws it.
func (d Difference) Picture() picture.Picture {
	values := []float64{0}
	var across []float64
	for _, q := range d.Points {
		values = append(values, q.Difference)
		across = append(across, q.At)
	}
	lines := []differenceLine{{"upper limit", d.Upper}, {"mean", d.Bias}, {"lower limit", d.Lower}}
	known := 0
	for _, l := range lines {
		if l.e != nil {
			values = append(values, l.e.ends()...)
			known++
		}
	}
	if !finite(values...) || !finite(across...) {
		return notDrawn(d.Frame, notANumber)
	}
	if known == 0 && len(d.Points) == 0 {
		return notDrawn(d.Frame, "there are no pairs")
	}
	p := begin(d.Frame)
	low, high := padded(around(values...))
	low, high, steps := rounded(low, high, 6)
	x := scale{low: 0, high: 1}
	var across2 []tick
	if len(across) > 0 {
		x.low, x.high = padded(around(across...))
		x.low, x.high, across2 = rounded(x.low, x.high, 5)
	}
	right := 268.0
	if known == 0 {
		right = axisRight
	}
	a := p.newPanel("measured minus "+d.Of+", "+d.Unit, axisLeft, right, 210, x, scale{low: low, high: high}, steps)
	var texts []picture.Shape
	var places []float64
	for _, l := range lines {
		if l.e == nil {
			continue
		}
		at := a.y.at(l.e.Value)
		places = append(places, at)
		g := picture.Group{Title: l.name}
		if i := l.e.Interval; i != nil {
			top, bottom := a.y.at(i.Upper), a.y.at(i.Lower)
			g.Shapes = append(g.Shapes, picture.Rectangle{X: a.left, Y: top, W: a.right - a.left, H: bottom - top, Style: picture.Style{Fill: picture.Pale}},
				picture.Line(a.left, top, a.right, top, picture.Style{Line: picture.Light, Width: 1, Dash: picture.Dotted}),
				picture.Line(a.left, bottom, a.right, bottom, picture.Style{Line: picture.Light, Width: 1, Dash: picture.Dotted}))
		}
		p.Add(g)
	}
	// Lines on top of all bands.
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), picture.Style{Line: picture.Grey, Width: 1}))
	for _, l := range lines {
		if l.e == nil {
			continue
		}
		at := a.y.at(l.e.Value)
		p.Add(picture.Line(a.left, at, a.right, at, l.style()))
	}
	p.points(a, d.Points)
	const room, block = 27.0, 24.0
	spreadPlaces := spread(places, room, a.top+block/2-2, a.bottom-block/2+2)
	n := 0
	for _, l := range lines {
		if l.e == nil {
			continue
		}
		at, y := places[n], spreadPlaces[n]
		n++
		p.Add(picture.Line(a.right, at, a.right+8, y, picture.Style{Line: picture.Grey, Width: 0.8}))
		texts = append(texts, picture.Text{X: a.right + 11, Y: y - 1.5, Text: l.name + " " + text(l.e.Value, d.Digits), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
		if i := l.e.Interval; i != nil {
			texts = append(texts, picture.Text{X: a.right + 11, Y: y + 10.5, Text: text(i.Lower, d.Digits) + " to " + text(i.Upper, d.Digits), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
		}
	}
	p.Add(texts...)
	if len(across2) > 0 {
		p.level(a, d.Against+", "+d.Unit, across2)
	} else {
		p.Add(picture.Line(a.left, a.bottom, a.right, a.bottom, axisStyle))
		p.Y += 8
	}
	p.Y += 4
	if known > 0 {
		p.key("mean of the differences; band: its interval", lineKey(lines[1].style()))
	}
	if d.Lower != nil || d.Upper != nil {
		p.key("limits: 95 % of the differences lie between them; bands: the intervals of both", lineKey(lines[0].style()))
	}
	if len(d.Points) > 0 {
		p.key("a pair; larger: several in the same place", func(x, y float64) []picture.Shape {
			return []picture.Shape{pairAt(picture.At(x-6, y), 1), pairAt(picture.At(x+5, y), 4)}
		})
	}
	return p.end()
}

// style is that of a line of the plot.
func (l differenceLine) style() picture.Style {
	if l.name == "mean" {
		return picture.Style{Line: picture.Blue, Width: 1.8}
	}
	return picture.Style{Line: picture.Ink, Width: 1.4, Dash: picture.Dashed}
}

// points draws pairs, equal ones as one larger mark.
func (p *page) points(a panel, points []DifferencePoint) {
	counts := map[picture.Point]int{}
	var order []picture.Point
	for _, q := range points {
		at := a.at(q.At, q.Difference)
		at = picture.At(math.Round(at.X*2)/2, math.Round(at.Y*2)/2)
		if counts[at] == 0 {
			order = append(order, at)
		}
		counts[at]++
	}
	g := picture.Group{Title: "pairs"}
	for _, at := range order {
		g.Shapes = append(g.Shapes, pairAt(at, counts[at]))
	}
	p.Add(g)
}

func pairAt(at picture.Point, count int) picture.Shape {
	return picture.Circle{X: at.X, Y: at.Y, R: min(6, 1.6+0.9*math.Sqrt(float64(count))), Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.White}}
}
