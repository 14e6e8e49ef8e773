package draw

import "strings"

// Measures of every drawing.
const (
	frameWidth = 390.0
	frameEdge  = 10.0
	textRight  = frameWidth - frameEdge
	lineStep   = 14.5 // from one line of text to the next
)

// sheet is a picture in the making, filled from above.
type sheet struct {
	Picture
	y float64 // where the next thing begins
}

func newSheet(name, title string) *sheet {
	s := &sheet{Picture: Picture{Name: name, Title: title, Width: frameWidth}, y: frameEdge}
	for _, l := range wrapped(title, titleSize, textRight-frameEdge, true) {
		s.y += titleSize
		s.add(Text{X: frameEdge, Y: s.y, Text: l, Size: titleSize, Anchor: Start, Bold: true, Tone: Ink})
		s.y += 3
	}
	return s
}

func (s *sheet) add(list ...Shape) { s.Shapes = append(s.Shapes, list...) }

// mayBreak lets a page end here.
func (s *sheet) mayBreak() { s.Breaks = append(s.Breaks, s.y) }

// say writes a text in lines of the whole width.
func (s *sheet) say(text string, tone Tone) { s.sayAt(frameEdge, text, tone) }

// sayAt writes a text in lines from x to the right edge.
func (s *sheet) sayAt(x float64, text string, tone Tone) {
	for _, l := range wrapped(text, textSize, textRight-x, false) {
		s.y += lineStep
		s.add(Text{X: x, Y: s.y - 3, Text: l, Size: textSize, Anchor: Start, Tone: tone})
	}
}

// done ends the picture below what is in it; what is told in words is its
// description.
func (s *sheet) done(description ...string) Picture {
	s.Height = s.y + frameEdge
	s.Description = strings.Join(description, " ")
	return s.Picture
}

// notDrawn is a drawing that says why it is none.
func notDrawn(name, title, reason string) Picture {
	s := newSheet(name, title)
	s.y += 4
	s.say("Not drawn, because "+reason+".", Ink)
	s.NotDrawn = reason
	return s.done("Not drawn, because " + reason + ".")
}

// wrapped breaks a text into lines that fit a width in any font.
func wrapped(text string, size, width float64, bold bool) []string {
	most := int(width / textWidth(" ", size, bold))
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
