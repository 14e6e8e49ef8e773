package picture

import "strings"

// Measures of every picture.
const (
	FrameWidth = 390.0
	FrameEdge  = 10.0
	TextRight  = FrameWidth - FrameEdge
	LineStep   = 14.5 // from one line of text to the next
)

// Sheet is a picture in the making, filled from above.
type Sheet struct {
	Picture
	Y float64 // where the next thing begins
}

// NewSheet begins a picture with its title.
func NewSheet(name, title string) *Sheet {
	s := &Sheet{Picture: Picture{Name: name, Title: title, Width: FrameWidth}, Y: FrameEdge}
	for _, l := range Wrapped(title, TitleSize, TextRight-FrameEdge, true) {
		s.Y += TitleSize
		s.Add(Text{X: FrameEdge, Y: s.Y, Text: l, Size: TitleSize, Anchor: Start, Bold: true, Tone: Ink})
		s.Y += 3
	}
	return s
}

// Add draws shapes on top of what is there.
func (s *Sheet) Add(list ...Shape) { s.Shapes = append(s.Shapes, list...) }

// MayBreak lets a page end here.
func (s *Sheet) MayBreak() { s.Breaks = append(s.Breaks, s.Y) }

// Say writes a text in lines of the whole width.
func (s *Sheet) Say(text string, tone Tone) { s.SayAt(FrameEdge, text, tone) }

// SayAt writes a text in lines from x to the right edge.
func (s *Sheet) SayAt(x float64, text string, tone Tone) {
	for _, l := range Wrapped(text, TextSize, TextRight-x, false) {
		s.Y += LineStep
		s.Add(Text{X: x, Y: s.Y - 3, Text: l, Size: TextSize, Anchor: Start, Tone: tone})
	}
}

// Done ends the picture below what is in it; what is told in words is its
// description.
func (s *Sheet) Done(description ...string) Picture {
	s.Height = s.Y + FrameEdge
	s.Description = strings.Join(description, " ")
	return s.Picture
}

// Stack sets pictures of one width one below another; a page may end between them.
func Stack(name, title string, list []Picture) Picture {
	if len(list) == 1 {
		return list[0]
	}
	all := Picture{Name: name, Title: title, Width: FrameWidth}
	var said []string
	for i, p := range list {
		if i > 0 {
			all.Height += FrameEdge
			all.Breaks = append(all.Breaks, all.Height)
		}
		for _, b := range p.Breaks {
			all.Breaks = append(all.Breaks, all.Height+b)
		}
		all.Shapes = append(all.Shapes, Group{Title: p.Title, Shapes: lowered(p.Shapes, all.Height)})
		all.Height += p.Height
		said = append(said, p.Title, p.Description)
	}
	all.Description = strings.Join(said, " ")
	return all
}

func lowered(list []Shape, by float64) []Shape {
	out := make([]Shape, len(list))
	for i, s := range list {
		if g, ok := s.(Group); ok {
			out[i] = Group{Title: g.Title, Shapes: lowered(g.Shapes, by)}
			continue
		}
		out[i] = moved(s, by)
	}
	return out
}

// NotDrawn is a drawing that says why it is none.
func NotDrawn(name, title, reason string) Picture {
	s := NewSheet(name, title)
	s.Y += 4
	s.Say("Not drawn, because "+reason+".", Ink)
	s.NotDrawn = reason
	return s.Done("Not drawn, because " + reason + ".")
}

// Wrapped breaks a text into lines that fit a width in any font.
func Wrapped(text string, size, width float64, bold bool) []string {
	most := int(width / TextWidth(" ", size, bold))
	var lines []string
	line := ""
	for _, word := range strings.Split(text, " ") {
		switch {
		case line == "":
			line = word
		case len([]rune(line))+1+len([]rune(word)) <= most:
			line += " " + word
		default:
			lines = append(lines, line)
			line = word
		}
	}
	return append(lines, line)
}
