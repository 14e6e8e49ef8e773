package plot

import (
	"fmt"
	"math"

	"trigone/internal/picture"
)

// Coverage says, for each quantity, how many measured values lay inside the printed
// range, beside how many should.
type Coverage struct {
	Frame
	// Wanted is the share that the range promises, such as 0.95; 0: none.
	Wanted float64
	Rows   []CoverageRow
}

// CoverageRow is a quantity.
type CoverageRow struct {
	Name       string
	Inside, Of int
	// Share of those inside; nil: there is none.
	Share *Estimate
	// Below and Above are the misses.
	Below, Above int
	// Few says that they are too few to say how often the range holds.
	Few bool
}

// Picture draws it.
func (c Coverage) Picture() picture.Picture {
	if len(c.Rows) == 0 {
		return notDrawn(c.Frame, "no range was printed that a value was measured for")
	}
	low := 1.0
	if c.Wanted > 0 {
		low = c.Wanted
	}
	for _, r := range c.Rows {
		if r.Share != nil {
			l, _ := around(r.Share.ends()...)
			if !finite(r.Share.ends()...) {
				return notDrawn(c.Frame, notANumber)
			}
			low = min(low, l)
		}
	}
	low = min(0.8, math.Floor(low*10)/10)
	low, _, steps := shares(low, 1, 4)
	p := begin(c.Frame)
	const left, right = picture.FrameEdge + 6, 250.0
	x := scale{low: low, high: 1, from: left, to: right}
	wanted := picture.Style{Line: picture.Blue, Width: 1.4, Dash: picture.Dashed}
	top := p.Y
	few := false
	for i, r := range c.Rows {
		p.Y += 4
		if i > 0 && i%12 == 0 {
			p.MayBreak() // a page holds about so many
		}
		p.SayAt(picture.FrameEdge, r.Name, picture.Ink)
		p.Y += 11
		g := picture.Group{Title: r.Name}
		y := p.Y
		g.Shapes = append(g.Shapes, picture.Line(left, y, right, y, gridStyle))
		if c.Wanted > 0 {
			g.Shapes = append(g.Shapes, picture.Line(x.at(c.Wanted), y-8, x.at(c.Wanted), y+8, wanted))
		}
		if r.Share != nil {
			style := picture.Style{Line: picture.Ink, Width: 1.6}
			if i := r.Share.Interval; i != nil {
				g.Shapes = append(g.Shapes, picture.Line(x.at(i.Lower), y, x.at(i.Upper), y, style),
					picture.Line(x.at(i.Lower), y-3, x.at(i.Lower), y+3, style), picture.Line(x.at(i.Upper), y-3, x.at(i.Upper), y+3, style))
			}
			style.Fill = picture.Ink
			if r.Few {
				style.Fill = picture.White
				few = true
			}
			g.Shapes = append(g.Shapes, picture.Circle{X: x.at(r.Share.Value), Y: y, R: 4, Style: style})
		}
		g.Shapes = append(g.Shapes,
			picture.Text{X: right + 14, Y: y - 2, Text: fmt.Sprintf("%d of %d inside", r.Inside, r.Of), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink},
			picture.Text{X: right + 14, Y: y + 10, Text: fmt.Sprintf("%d below, %d above", r.Below, r.Above), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
		p.Add(g)
		p.Y += 13
	}
	a := panel{left: left, right: right, top: top, bottom: p.Y + 2, x: x}
	p.level(a, "inside the range, % of those measured", steps)
	p.Y += 4
	if c.Wanted > 0 {
		p.key("promised: "+percent(c.Wanted, 0), lineKey(wanted))
	}
	p.key("measured, with its 95 % interval", func(x, y float64) []picture.Shape {
		style := picture.Style{Line: picture.Ink, Width: 1.6, Fill: picture.Ink}
		return []picture.Shape{picture.Line(x-11, y, x+11, y, style), picture.Circle{X: x, Y: y, R: 4, Style: style}}
	})
	if few {
		p.key("too few to say how often the range holds", func(x, y float64) []picture.Shape {
			style := picture.Style{Line: picture.Ink, Width: 1.6}
			return []picture.Shape{picture.Line(x-11, y, x+11, y, style), picture.Circle{X: x, Y: y, R: 4, Style: picture.Style{Line: picture.Ink, Width: 1.6, Fill: picture.White}}}
		})
	}
	return p.end()
}
