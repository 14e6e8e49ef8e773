package plot

import (
	"fmt"

	"trigone/internal/picture"
)

// Multiples are small plots over time, one below another on the same times: what a
// department looks at to see whether something moves.
type Multiples struct {
	Frame
	// Times are the names of the stretches, such as half-years, in order.
	Times  []string
	Panels []SmallPanel
}

// SmallPanel is one of them.
type SmallPanel struct {
	// Name with its unit, such as 'gradient at discharge, mmHg'.
	Name string
	// Points, one for each of the times.
	Points []SmallPoint
	// Percent says that the numbers are shares.
	Percent bool
	// Reference is a line drawn across, named; nil: none.
	Reference     *float64
	ReferenceName string
}

// SmallPoint is a stretch of time.
type SmallPoint struct {
	// Estimate; nil: there is none, which is left open.
	*Estimate
	// Of how many.
	Of int
}

// Picture draws it.
func (m Multiples) Picture() picture.Picture {
	some := false
	for _, panel := range m.Panels {
		for _, q := range panel.Points {
			if q.Estimate == nil {
				continue
			}
			some = true
			if !finite(q.ends()...) {
				return notDrawn(m.Frame, notANumber)
			}
		}
	}
	if !some || len(m.Times) == 0 {
		return notDrawn(m.Frame, "no stretch of time has a number")
	}
	p := begin(m.Frame)
	references := false
	for i, panel := range m.Panels {
		p.Y += 3
		if i > 0 && i%6 == 0 {
			p.MayBreak() // a page holds about so many
		}
		references = references || panel.Reference != nil
		p.small(m, panel)
	}
	p.Y += 2
	p.key("a number, with its 95 % interval; below it of how many", func(x, y float64) []picture.Shape {
		style := picture.Style{Line: picture.Ink, Width: 1.3, Fill: picture.White}
		return []picture.Shape{picture.Line(x, y-6, x, y+6, style), picture.Circle{X: x, Y: y, R: 3, Style: style}}
	})
	if references {
		p.key("what it is held against", lineKey(innerStyle))
	}
	return p.end()
}

func (p *page) small(m Multiples, s SmallPanel) {
	var values []float64
	for _, q := range s.Points {
		if q.Estimate != nil {
			values = append(values, q.ends()...)
		}
	}
	name := s.Name
	if s.Reference != nil {
		values = append(values, *s.Reference)
		if s.ReferenceName != "" {
			name += " (dashed: " + s.ReferenceName + ")"
		}
	}
	low, high, steps := 0.0, 1.0, []tick(nil)
	if len(values) > 0 {
		low, high = around(values...)
		if s.Percent {
			low, high, steps = shares(low, high, 2)
		} else {
			low, high, steps = rounded(low, high, 2)
		}
	}
	n := float64(len(m.Times))
	a := p.newPanel(name, axisLeft, axisRight, 56, scale{low: 0, high: n}, scale{low: low, high: high}, steps)
	if s.Reference != nil {
		p.Add(picture.Line(a.left, a.y.at(*s.Reference), a.right, a.y.at(*s.Reference), innerStyle))
	}
	style := picture.Style{Line: picture.Ink, Width: 1.3}
	g := picture.Group{Title: s.Name}
	var line []picture.Point
	for i, q := range s.Points {
		if i >= len(m.Times) {
			break
		}
		if q.Estimate == nil {
			line = flushed(&g, line)
			continue
		}
		at := a.at(float64(i)+0.5, q.Value)
		line = append(line, at)
		if q.Interval != nil {
			g.Shapes = append(g.Shapes, picture.Line(at.X, a.y.at(q.Interval.Upper), at.X, a.y.at(q.Interval.Lower), style))
		}
	}
	flushed(&g, line)
	for i, q := range s.Points {
		if q.Estimate != nil && i < len(m.Times) {
			at := a.at(float64(i)+0.5, q.Value)
			g.Shapes = append(g.Shapes, picture.Circle{X: at.X, Y: at.Y, R: 3, Style: picture.Style{Line: picture.Ink, Width: 1.3, Fill: picture.White}})
		}
	}
	p.Add(g, picture.Line(a.left, a.bottom, a.right, a.bottom, axisStyle))
	row := func(y float64, tone picture.Tone, of func(int) string) {
		free := 0.0
		for i := range m.Times {
			word := of(i)
			at, half := a.x.at(float64(i)+0.5), picture.TextWidth(word, picture.SmallText, false)/2
			if word == "" || at-half < free || at+half > picture.FrameWidth {
				continue
			}
			free = at + half + 3
			p.Add(picture.Text{X: at, Y: y, Text: word, Size: picture.SmallText, Anchor: picture.Middle, Tone: tone})
		}
	}
	row(a.bottom+12, picture.Grey, func(i int) string { return m.Times[i] })
	row(a.bottom+24, picture.Ink, func(i int) string {
		if i < len(s.Points) && s.Points[i].Of > 0 {
			return fmt.Sprintf("n %d", s.Points[i].Of)
		}
		return "none"
	})
	p.Y = a.bottom + 28
}

// flushed draws what a line has, and begins another.
func flushed(g *picture.Group, line []picture.Point) []picture.Point {
	if len(line) > 1 {
		g.Shapes = append(g.Shapes, picture.Polyline(picture.Style{Line: picture.Light, Width: 1.6}, line...))
	}
	return nil
}
