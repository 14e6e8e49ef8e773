package document

import (
	"codeberg.org/go-pdf/fpdf"

	"trigone/internal/picture"
)

const (
	// drawingUnit is how long a unit of a drawing is, in mm.
	drawingUnit  = 0.26
	pointsPerMM  = 72 / 25.4
	drawingSpace = 2.0 // above and below
)

// drawing lays a picture out, on several pages where it does not fit on one.
func (s *sheet) drawing(p *picture.Picture) {
	s.y += drawingSpace
	for _, part := range p.Parts() {
		unit := drawingScale(part)
		s.room(part.Height * unit)
		drawPicture(s.Fpdf, part, marginLeft, s.y, unit)
		s.y += part.Height * unit
	}
	s.y += drawingSpace
	s.ink()
}

// drawingBeginning is what a picture needs on the page on which it begins.
func drawingBeginning(p *picture.Picture) float64 {
	first := p.Parts()[0]
	return drawingSpace + first.Height*drawingScale(first)
}

// drawingScale is how long a unit of a part of a picture is on the page.
func drawingScale(p picture.Picture) float64 {
	return min(drawingUnit, contentWidth/p.Width, (lowest-marginTop-2*drawingSpace)/p.Height)
}

// drawPicture draws a picture with its upper left corner at x, y.
func drawPicture(pdf *fpdf.Fpdf, p picture.Picture, x, y, unit float64) {
	at := func(q picture.Point) (float64, float64) { return x + q.X*unit, y + q.Y*unit }
	p.Walk(func(shape picture.Shape) {
		switch s := shape.(type) {
		case picture.Path:
			how := setStyle(pdf, s.Style, unit)
			if how == "" {
				return
			}
			for _, part := range s.Segments {
				switch part.Op {
				case picture.MoveTo:
					pdf.MoveTo(at(part.Points[0]))
				case picture.LineTo:
					pdf.LineTo(at(part.Points[0]))
				case picture.CurveTo:
					ax, ay := at(part.Points[0])
					bx, by := at(part.Points[1])
					ex, ey := at(part.Points[2])
					pdf.CurveBezierCubicTo(ax, ay, bx, by, ex, ey)
				case picture.Close:
					pdf.ClosePath()
				}
			}
			pdf.DrawPath(how)
		case picture.Rectangle:
			if how := setStyle(pdf, s.Style, unit); how != "" {
				left, top := at(picture.Point{X: s.X, Y: s.Y})
				pdf.Rect(left, top, s.W*unit, s.H*unit, how)
			}
		case picture.Circle:
			if how := setStyle(pdf, s.Style, unit); how != "" {
				cx, cy := at(picture.Point{X: s.X, Y: s.Y})
				pdf.Circle(cx, cy, s.R*unit, how)
			}
		case picture.Text:
			style := ""
			if s.Bold {
				style = "B"
			}
			pdf.SetFont("text", style, s.Size*unit*pointsPerMM)
			red, green, blue := s.Tone.RGB()
			pdf.SetTextColor(int(red), int(green), int(blue))
			text := shown(s.Text)
			left, base := at(picture.Point{X: s.X, Y: s.Y})
			switch s.Anchor {
			case picture.Middle:
				left -= pdf.GetStringWidth(text) / 2
			case picture.End:
				left -= pdf.GetStringWidth(text)
			}
			pdf.Text(left, base, text)
		}
	})
	pdf.SetDashPattern(nil, 0)
	pdf.SetLineWidth(0.2)
}

// setStyle sets lines and areas, and gives how a shape of the style is drawn; empty:
// not at all.
func setStyle(pdf *fpdf.Fpdf, s picture.Style, unit float64) string {
	how := ""
	if s.Line != picture.None {
		red, green, blue := s.Line.RGB()
		pdf.SetDrawColor(int(red), int(green), int(blue))
		pdf.SetLineWidth(s.Width * unit)
		var dashes []float64
		for _, l := range s.Dash.Lengths() {
			dashes = append(dashes, l*unit)
		}
		pdf.SetDashPattern(dashes, 0)
		how = "D"
	}
	if s.Fill != picture.None {
		red, green, blue := s.Fill.RGB()
		pdf.SetFillColor(int(red), int(green), int(blue))
		how = "F" + how
	}
	return how
}
