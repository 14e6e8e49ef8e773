package picture

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// escaped are the signs that SVG gives a meaning; what no XML may hold is left out.
var escaped = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;")

func escape(text string) string {
	return escaped.Replace(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' || r == 0xFFFE || r == 0xFFFF || r == '\uFFFD' {
			return -1
		}
		return r
	}, text))
}

// SVG writes a picture: a file of its own, and an element of a page as it stands.
func SVG(p Picture) []byte {
	var b strings.Builder
	id := "drawing-" + p.Name
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-title" aria-describedby="%s-description" font-family="sans-serif">`+"\n",
		number(p.Width), number(p.Height), id, id)
	fmt.Fprintf(&b, "<title id=\"%s-title\">%s</title>\n<desc id=\"%s-description\">%s</desc>\n", id, escape(p.Title), id, escape(p.Description))
	fmt.Fprintf(&b, "<rect x=\"0\" y=\"0\" width=\"%s\" height=\"%s\" fill=\"#ffffff\"/>\n", number(p.Width), number(p.Height))
	writeShapes(&b, p.Shapes)
	b.WriteString("</svg>\n")
	return []byte(b.String())
}

func writeShapes(b *strings.Builder, list []Shape) {
	for _, s := range list {
		switch s := s.(type) {
		case Group:
			b.WriteString("<g>\n")
			if s.Title != "" {
				fmt.Fprintf(b, "<title>%s</title>\n", escape(s.Title))
			}
			writeShapes(b, s.Shapes)
			b.WriteString("</g>\n")
		case Path:
			fmt.Fprintf(b, "<path d=\"%s\"%s/>\n", pathData(s.Segments), s.attributes())
		case Rectangle:
			fmt.Fprintf(b, "<rect x=\"%s\" y=\"%s\" width=\"%s\" height=\"%s\"%s/>\n", number(s.X), number(s.Y), number(s.W), number(s.H), s.attributes())
		case Circle:
			fmt.Fprintf(b, "<circle cx=\"%s\" cy=\"%s\" r=\"%s\"%s/>\n", number(s.X), number(s.Y), number(s.R), s.attributes())
		case Text:
			weight := ""
			if s.Bold {
				weight = ` font-weight="bold"`
			}
			fmt.Fprintf(b, "<text x=\"%s\" y=\"%s\" font-size=\"%s\" text-anchor=\"%s\" fill=\"%s\"%s>%s</text>\n",
				number(s.X), number(s.Y), number(s.Size), s.Anchor, s.Tone.hex(), weight, escape(s.Text))
		}
	}
}

func pathData(segments []Segment) string {
	var parts []string
	for _, s := range segments {
		part := string(s.Op)
		for i, p := range s.Points {
			if i > 0 {
				part += " "
			}
			part += number(p.X) + " " + number(p.Y)
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, " ")
}

func (s Style) attributes() string {
	fill, line := "none", "none"
	if s.Fill != None {
		fill = s.Fill.hex()
	}
	text := ""
	if s.Line != None {
		line = s.Line.hex()
		text = ` stroke-width="` + number(s.Width) + `" stroke-linejoin="round" stroke-linecap="` + s.cap() + `"`
		var dashes []string
		for _, l := range s.Dash.Lengths() {
			dashes = append(dashes, number(l))
		}
		if len(dashes) > 0 {
			text += ` stroke-dasharray="` + strings.Join(dashes, " ") + `"`
		}
	}
	return ` fill="` + fill + `" stroke="` + line + `"` + text
}

func (s Style) cap() string {
	if s.Dash == Solid {
		return "round"
	}
	return "butt"
}

func (t Tone) hex() string {
	r, g, b := t.RGB()
	return fmt.Sprintf("#%02x%02x%02x", r, g, b)
}

// number writes a place in the frame, to a tenth of a unit.
func number(v float64) string {
	v = math.Round(v*10) / 10
	return strconv.FormatFloat(v+0, 'f', -1, 64)
}
