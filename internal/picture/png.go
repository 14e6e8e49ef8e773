package picture

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Widths that a PNG may have, in pixels. The height follows from the picture.
const (
	LeastPixels = 200
	MostPixels  = 4000
	mostHeight  = 40_000
)

// ErrSize says that a PNG can't have the size asked for.
var ErrSize = errors.New("a PNG is 200 to 4000 pixels wide and at most 40000 high")

// PNG writes a picture as an image of so many pixels from left to right. Texts are set
// in the Go fonts, which are part of the program: no font of the machine is asked for.
func PNG(p Picture, pixels int) ([]byte, error) {
	scale := float64(pixels) / p.Width
	height := int(math.Ceil(p.Height * scale))
	if pixels < LeastPixels || pixels > MostPixels || height > mostHeight {
		return nil, fmt.Errorf("%w: %d x %d", ErrSize, pixels, height)
	}
	c := canvas{image: image.NewRGBA(image.Rect(0, 0, pixels, height)), scale: scale}
	draw.Draw(c.image, c.image.Bounds(), image.White, image.Point{}, draw.Src)
	var failed error
	p.Walk(func(s Shape) {
		if err := c.shape(s); err != nil && failed == nil {
			failed = err
		}
	})
	if failed != nil {
		return nil, failed
	}
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, c.image); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

type canvas struct {
	image *image.RGBA
	scale float64
}

func (c canvas) shape(s Shape) error {
	switch s := s.(type) {
	case Path:
		c.lines(outline(s.Segments), s.Style)
	case Rectangle:
		c.lines([]stroke{{points: []Point{{s.X, s.Y}, {s.X + s.W, s.Y}, {s.X + s.W, s.Y + s.H}, {s.X, s.Y + s.H}}, closed: true}}, s.Style)
	case Circle:
		c.lines([]stroke{{points: round(Point{s.X, s.Y}, s.R), closed: true}}, s.Style)
	case Text:
		return c.text(s)
	}
	return nil
}

// stroke is a line of straight pieces.
type stroke struct {
	points []Point
	closed bool
}

// outline turns a path into straight pieces.
func outline(segments []Segment) []stroke {
	const pieces = 24
	var list []stroke
	for _, s := range segments {
		if s.Op == MoveTo {
			list = append(list, stroke{points: []Point{s.Points[0]}})
			continue
		}
		if len(list) == 0 {
			continue
		}
		at := &list[len(list)-1]
		switch s.Op {
		case LineTo:
			at.points = append(at.points, s.Points[0])
		case CurveTo:
			from := at.points[len(at.points)-1]
			for i := 1; i <= pieces; i++ {
				t := float64(i) / pieces
				u := 1 - t
				a, b, d, e := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
				at.points = append(at.points, Point{
					a*from.X + b*s.Points[0].X + d*s.Points[1].X + e*s.Points[2].X,
					a*from.Y + b*s.Points[0].Y + d*s.Points[1].Y + e*s.Points[2].Y,
				})
			}
		case Close:
			at.closed = true
		}
	}
	return list
}

// round gives the corners of a circle, all the same way round.
func round(middle Point, r float64) []Point {
	const corners = 32
	points := make([]Point, corners)
	for i := range points {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		points[i] = Point{middle.X + r*cos, middle.Y + r*sin}
	}
	return points
}

// lines fills and strokes.
func (c canvas) lines(list []stroke, style Style) {
	if style.Fill != None {
		var areas [][]Point
		for _, l := range list {
			areas = append(areas, l.points)
		}
		c.fill(areas, style.Fill)
	}
	if style.Line == None || style.Width <= 0 {
		return
	}
	// A line is a row of boxes with a disc at each joint. All run the same way round, so
	// that what overlaps is filled once.
	var areas [][]Point
	for _, l := range list {
		points := l.points
		if l.closed && len(points) > 0 {
			points = append(points[:len(points):len(points)], points[0])
		}
		for _, piece := range dashed(points, style.Dash.Lengths()) {
			for i, q := range piece {
				if i > 0 {
					areas = append(areas, thick(piece[i-1], q, style.Width/2))
				}
				inner := i > 0 && i < len(piece)-1
				if style.Dash == Solid || inner {
					areas = append(areas, round(q, style.Width/2))
				}
			}
		}
	}
	c.fill(areas, style.Line)
}

// thick is the box about a straight piece, the same way round as round.
func thick(from, to Point, half float64) []Point {
	dx, dy := to.X-from.X, to.Y-from.Y
	length := math.Hypot(dx, dy)
	if length == 0 {
		return nil
	}
	dx, dy = dx/length*half, dy/length*half
	return []Point{{from.X + dy, from.Y - dx}, {to.X + dy, to.Y - dx}, {to.X - dy, to.Y + dx}, {from.X - dy, from.Y + dx}}
}

// dashed cuts a line into its dashes; without lengths it is one.
func dashed(points []Point, lengths []float64) [][]Point {
	if len(lengths) == 0 || len(points) < 2 {
		return [][]Point{points}
	}
	var list [][]Point
	on, left := 0, lengths[0]
	piece := []Point{points[0]}
	for i := 1; i < len(points); i++ {
		from, to := points[i-1], points[i]
		rest := math.Hypot(to.X-from.X, to.Y-from.Y)
		for rest > left {
			t := left / rest
			from = Point{from.X + (to.X-from.X)*t, from.Y + (to.Y-from.Y)*t}
			rest -= left
			if on%2 == 0 {
				list = append(list, append(piece, from))
			}
			on++
			left = lengths[on%len(lengths)]
			piece = []Point{from}
		}
		left -= rest
		piece = append(piece, to)
	}
	if on%2 == 0 {
		list = append(list, piece)
	}
	return list
}

func (c canvas) fill(areas [][]Point, tone Tone) {
	bounds := c.image.Bounds()
	at := func(p Point) (x, y float32) { return float32(p.X * c.scale), float32(p.Y * c.scale) }
	// Only the part of the image that the areas touch is worked on.
	touched := nothing
	for _, a := range areas {
		for _, p := range a {
			touched = touched.with(Box{p.X, p.Y, p.X, p.Y})
		}
	}
	if touched.Left > touched.Right {
		return
	}
	part := image.Rect(int(touched.Left*c.scale)-1, int(touched.Top*c.scale)-1, int(touched.Right*c.scale)+2, int(touched.Bottom*c.scale)+2).Intersect(bounds)
	if part.Empty() {
		return
	}
	r := vector.NewRasterizer(part.Dx(), part.Dy())
	left, top := float32(part.Min.X), float32(part.Min.Y)
	for _, a := range areas {
		if len(a) < 2 {
			continue
		}
		x, y := at(a[0])
		r.MoveTo(x-left, y-top)
		for _, p := range a[1:] {
			x, y := at(p)
			r.LineTo(x-left, y-top)
		}
		r.ClosePath()
	}
	r.Draw(c.image, part, image.NewUniform(tone.color()), image.Point{})
}

func (t Tone) color() color.RGBA {
	r, g, b := t.RGB()
	return color.RGBA{R: r, G: g, B: b, A: 0xff}
}

var (
	regular = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(goregular.TTF) })
	bold    = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(gobold.TTF) })
)

func (c canvas) text(t Text) error {
	of := regular
	if t.Bold {
		of = bold
	}
	parsed, err := of()
	if err != nil {
		return err
	}
	face, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: t.Size * c.scale, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return err
	}
	x := fixed.Int26_6(t.X * c.scale * 64)
	switch t.Anchor {
	case Middle:
		x -= font.MeasureString(face, t.Text) / 2
	case End:
		x -= font.MeasureString(face, t.Text)
	}
	d := font.Drawer{Dst: c.image, Src: image.NewUniform(t.Tone.color()), Face: face, Dot: fixed.Point26_6{X: x, Y: fixed.Int26_6(t.Y * c.scale * 64)}}
	d.DrawString(t.Text)
	return face.Close()
}
