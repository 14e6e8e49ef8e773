// Package picture is what drawings and plots are made of: shapes and lines of text in a
// frame, and how they are written as SVG and as PNG. It knows nothing of what they show.
// Whoever draws on another medium walks the shapes, as package note does for PDF.
//
// A text is a text, not the outline of one: SVG is read aloud, searched and copied. No
// font is measured: rooms are made by bounds in which any font stands, and Bounds is
// public so that tests can ask that no two texts meet and all lies in the frame.
//
// SVG stands alone as a file and inside a page alike; it holds no script, no style and
// no address of anything outside. The same picture gives the same bytes.
package picture

import (
	"math"
	"slices"
)

// Picture is a drawing: shapes in a frame that begins at 0, 0, x to the right and y
// downwards. A unit is about a pixel at 390 pixels of width; text is never smaller
// than smallText of them.
type Picture struct {
	Name          string // of the drawing; no two pictures of a page share it
	Title         string
	Description   string // what is seen, in sentences
	NotDrawn      string // why there is nothing but this reason; empty: it is drawn
	Width, Height float64
	Shapes        []Shape
	// Breaks are heights, in order, at which nothing lies: a page may end there.
	Breaks []float64
}

// Parts gives the picture cut at its breaks, each part in a frame of its own.
func (p Picture) Parts() []Picture {
	ends := append(slices.Clone(p.Breaks), p.Height)
	parts := make([]Picture, len(ends))
	from := 0.0
	for i, end := range ends {
		parts[i] = p
		parts[i].Shapes, parts[i].Breaks, parts[i].Height = nil, nil, end-from
		from = end
	}
	p.Walk(func(s Shape) {
		b := s.Bounds()
		i := 0
		for i < len(p.Breaks) && (b.Top+b.Bottom)/2 >= p.Breaks[i] {
			i++
		}
		up := 0.0
		if i > 0 {
			up = p.Breaks[i-1]
		}
		parts[i].Shapes = append(parts[i].Shapes, moved(s, -up))
	})
	return parts
}

// moved gives a shape that is no group farther down.
func moved(s Shape, by float64) Shape {
	switch s := s.(type) {
	case Path:
		segments := make([]Segment, len(s.Segments))
		for i, part := range s.Segments {
			segments[i] = Segment{Op: part.Op}
			for _, q := range part.Points {
				segments[i].Points = append(segments[i].Points, Point{q.X, q.Y + by})
			}
		}
		s.Segments = segments
		return s
	case Rectangle:
		s.Y += by
		return s
	case Circle:
		s.Y += by
		return s
	case Text:
		s.Y += by
		return s
	}
	return s
}

// Shape is one of Path, Rectangle, Circle, Text and Group.
type Shape interface{ Bounds() Box }

// Point is a place in the frame.
type Point struct{ X, Y float64 }

// At gives a place.
func At(x, y float64) Point { return Point{x, y} }

// Tone is the colour of a line or an area; it tells nothing that a form does not.
type Tone uint8

// The tones.
const (
	None Tone = iota
	White
	Pale
	Light
	Grey
	Blue
	Ink
	// Rust marks what asks to be looked at; blue and it stay apart for whoever does not
	// see red or green.
	Rust
)

// RGB gives the tone in print.
func (t Tone) RGB() (red, green, blue uint8) {
	switch t {
	case Pale:
		return 0xee, 0xf2, 0xf5
	case Light:
		return 0xc4, 0xd2, 0xdc
	case Grey:
		return 0x5c, 0x69, 0x73
	case Blue:
		return 0x24, 0x50, 0x6b
	case Ink:
		return 0x1b, 0x1f, 0x24
	case Rust:
		return 0xa8, 0x46, 0x0c
	}
	return 0xff, 0xff, 0xff
}

// Dash is how a line is broken.
type Dash uint8

// The dashes.
const (
	Solid Dash = iota
	Dashed
	Dotted
)

// Lengths gives the lengths of stroke and gap; nil: unbroken.
func (d Dash) Lengths() []float64 {
	switch d {
	case Dashed:
		return []float64{5, 3}
	case Dotted:
		return []float64{1.2, 2.4}
	}
	return nil
}

// Style is how a shape is drawn.
type Style struct {
	Line  Tone
	Width float64
	Fill  Tone
	Dash  Dash
}

// Op is how a path goes on.
type Op byte

// The ways.
const (
	MoveTo  Op = 'M'
	LineTo  Op = 'L'
	CurveTo Op = 'C' // cubic: two control points before the end
	Close   Op = 'Z'
)

// Segment is a part of a path; its last point is its end.
type Segment struct {
	Op     Op
	Points []Point
}

// Path is a line or an area of straight and curved segments.
type Path struct {
	Segments []Segment
	Style
}

// Rectangle has its upper left corner at X, Y.
type Rectangle struct {
	X, Y, W, H float64
	Style
}

// Circle has its middle at X, Y.
type Circle struct {
	X, Y, R float64
	Style
}

// Anchor says which part of a text stands at its point.
type Anchor string

// The anchors, by SVG's words.
const (
	Start  Anchor = "start"
	Middle Anchor = "middle"
	End    Anchor = "end"
)

// Text is one line of text, which stands on Y.
type Text struct {
	X, Y   float64
	Text   string
	Size   float64
	Anchor Anchor
	Bold   bool
	Tone   Tone
}

// Group is shapes that belong together, under a title for those who do not see them.
type Group struct {
	Title  string
	Shapes []Shape
}

// Walk calls f for every shape but groups, in the order of drawing.
func (p Picture) Walk(f func(Shape)) { walk(p.Shapes, f) }

func walk(list []Shape, f func(Shape)) {
	for _, s := range list {
		if g, ok := s.(Group); ok {
			walk(g.Shapes, f)
			continue
		}
		f(s)
	}
}

// Texts lists what is written in the picture, in the order of drawing.
func (p Picture) Texts() []string {
	var list []string
	p.Walk(func(s Shape) {
		if t, ok := s.(Text); ok {
			list = append(list, t.Text)
		}
	})
	return list
}

// Sizes of text.
const (
	TitleSize = 13.0
	TextSize  = 11.0
	SmallText = 10.0
)

// How wide a letter is at most on average, in sizes of the text. No font is measured:
// rooms are made by these bounds, so that any font stands in them.
const (
	widest     = 0.56
	widestBold = 0.62
)

// TextWidth is the width of a text in any font, at most.
func TextWidth(text string, size float64, bold bool) float64 {
	by := widest
	if bold {
		by = widestBold
	}
	return float64(len([]rune(text))) * size * by
}

// Box is the room that a shape takes, at most.
type Box struct{ Left, Top, Right, Bottom float64 }

// Overlaps says whether two rooms share more than an edge.
func (b Box) Overlaps(o Box) bool {
	return b.Left < o.Right && o.Left < b.Right && b.Top < o.Bottom && o.Top < b.Bottom
}

func (b Box) with(o Box) Box {
	return Box{min(b.Left, o.Left), min(b.Top, o.Top), max(b.Right, o.Right), max(b.Bottom, o.Bottom)}
}

var nothing = Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}

// Bounds gives the room that it takes.
func (p Path) Bounds() Box {
	b := nothing
	for _, s := range p.Segments {
		for _, q := range s.Points {
			b = b.with(Box{q.X, q.Y, q.X, q.Y})
		}
	}
	return b
}

// Bounds gives the room that it takes.
func (r Rectangle) Bounds() Box { return Box{r.X, r.Y, r.X + r.W, r.Y + r.H} }

// Bounds gives the room that it takes.
func (c Circle) Bounds() Box { return Box{c.X - c.R, c.Y - c.R, c.X + c.R, c.Y + c.R} }

// Bounds gives the room that it takes.
func (t Text) Bounds() Box {
	w := TextWidth(t.Text, t.Size, t.Bold)
	left := t.X
	switch t.Anchor {
	case Middle:
		left -= w / 2
	case End:
		left -= w
	}
	return Box{left, t.Y - 0.78*t.Size, left + w, t.Y + 0.22*t.Size}
}

// Bounds gives the room that it takes.
func (g Group) Bounds() Box {
	b := nothing
	for _, s := range g.Shapes {
		b = b.with(s.Bounds())
	}
	return b
}

// Forms.

// Polyline is a line through points.
func Polyline(style Style, points ...Point) Path {
	p := Path{Style: style}
	for i, q := range points {
		op := LineTo
		if i == 0 {
			op = MoveTo
		}
		p.Segments = append(p.Segments, Segment{op, []Point{q}})
	}
	return p
}

// Polygon is an area between points.
func Polygon(style Style, points ...Point) Path {
	p := Polyline(style, points...)
	p.Segments = append(p.Segments, Segment{Op: Close})
	return p
}

// Line is a straight line.
func Line(x1, y1, x2, y2 float64, style Style) Path {
	return Polyline(style, Point{x1, y1}, Point{x2, y2})
}

// Arrow is a line with a head at its end; hollow heads are drawn as outlines.
func Arrow(x1, y1, x2, y2 float64, style Style, hollow bool) []Shape {
	const long, half = 7.0, 3.2
	dx, dy := x2-x1, y2-y1
	length := math.Hypot(dx, dy)
	if length == 0 {
		return nil
	}
	dx, dy = dx/length, dy/length
	bx, by := x2-dx*long, y2-dy*long
	head := style
	head.Dash, head.Fill = Solid, style.Line
	if hollow {
		head.Fill = White
	}
	style.Fill = None
	return []Shape{
		Line(x1, y1, bx, by, style),
		Polygon(head, Point{x2, y2}, Point{bx - dy*half, by + dx*half}, Point{bx + dy*half, by - dx*half}),
	}
}
