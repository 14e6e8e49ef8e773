// Package plot makes the pictures of the audit from plain numbers: differences of what
// was planned and measured, funnels, monitoring charts, learning charts, curves of
// freedom and of incidence, coverage of ranges, and small multiples over time. Package
// picture writes them as SVG and PNG. It is a pure room: the same numbers give the same
// bytes. It computes nothing and judges nothing: every limit and interval comes with
// the numbers.
//
//	p := plot.Difference{Frame: plot.Frame{Name: "ring", Sentence: sentence}, ...}.Picture()
//	page.Write(picture.SVG(p))
//
// # What stands on every plot
//
// The sentence that it says, which is its title and its alternative text; what was
// counted; 'invented' where the cases are; axes with their unit; a key in words; what
// else must be known; the method. What is not known is not drawn, and a plot without
// numbers says why it is none.
//
// Nothing is told by colour alone: lines differ by their dash, marks by their form.
// Blue, rust and greys stay apart for whoever does not see red or green. A frame is 390
// units wide with texts of 10 and more, so that it is read on a telephone and in print.
//
// No plot holds an identifier: units are letters, cases a place in an order, times a
// year. That is the caller's to keep where he passes words.
//
// # How to add a plot
//
//  1. A struct of numbers in a file of its own, with Frame embedded, and its method
//     Picture. Begin with begin(frame), which writes the head; make room for axes with
//     newPanel; end with end, which writes the remarks and the method.
//  2. Texts beside marks find their place by free, which keeps them apart; texts beside
//     lines by spread.
//  3. A row in examples of examples_test.go, one that is full and one that has nothing
//     to draw. The tests hold every example to the frame, to texts that do not meet, to
//     equal bytes; `go test ./internal/plot -update` writes the golden SVG, and with
//     -look FOLDER a PNG of each: look at it before it is landed.
//  4. Whoever has the numbers fills the struct (cmd/trigone and server/pages).
package plot

import (
	"math"
	"strconv"
	"strings"

	"trigone/internal/picture"
)

// Frame is what stands on every plot.
type Frame struct {
	// Name is a word; no two pictures of a page share it.
	Name string
	// Sentence is what the plot says, to be repeated as it stands.
	Sentence string
	// Counted says of what it is drawn, such as '84 pairs, one a patient'.
	Counted string
	// Invented says that the cases are.
	Invented bool
	// Notes are sentences that belong beside it: who is left out, what must be known.
	Notes []string
	// Method says how the numbers were made.
	Method string
	// NotDrawn is why there are no numbers, to go on after 'because'; empty: a plot
	// without numbers says that there are none.
	NotDrawn string
}

// inventedMark stands on every plot of invented cases.
const inventedMark = "INVENTED CASES: no patient stands behind these numbers"

// Interval is that of a number, at 95 %.
type Interval struct{ Lower, Upper float64 }

// Estimate is a number with its interval; without one it is drawn alone.
type Estimate struct {
	Value    float64
	Interval *Interval
}

func (e Estimate) ends() []float64 {
	if e.Interval == nil {
		return []float64{e.Value}
	}
	return []float64{e.Value, e.Interval.Lower, e.Interval.Upper}
}

// page is a plot in the making.
type page struct {
	*picture.Sheet
	frame Frame
}

func begin(f Frame) *page {
	head, rest := parted(f.Sentence)
	p := &page{picture.NewSheet(f.Name, head), f}
	p.Title = f.Sentence
	p.Y++
	if rest != "" {
		p.Say(rest, picture.Ink)
		p.Y += 2
	}
	if f.Counted != "" {
		p.Say(f.Counted, picture.Grey)
	}
	if f.Invented {
		p.Y += picture.LineStep
		p.Add(picture.Text{X: picture.FrameEdge, Y: p.Y - 3, Text: inventedMark, Size: picture.SmallText, Anchor: picture.Start, Bold: true, Tone: picture.Rust})
	}
	p.Y += 4
	return p
}

// parted gives of a long sentence the part that is written large: the whole, or what
// stands before its first stop.
func parted(sentence string) (head, rest string) {
	const short = 110
	if len([]rune(sentence)) <= short {
		return sentence, ""
	}
	at := -1
	for _, stop := range []string{"; ", ". "} {
		if i := strings.Index(sentence, stop); i > 0 && (at < 0 || i < at) {
			at = i
		}
	}
	if at < 0 {
		return sentence, ""
	}
	return sentence[:at+1], sentence[at+2:]
}

// end writes the remarks and the method, and gives the picture; its description is what
// it says in words beside its title.
func (p *page) end(said ...string) picture.Picture {
	p.Y += 6
	for _, n := range p.frame.Notes {
		p.Say(n, picture.Ink)
		p.Y += 2
	}
	if p.frame.Method != "" {
		p.Say(p.frame.Method, picture.Grey)
	}
	list := []string{p.frame.Counted}
	if p.frame.Invented {
		list = append(list, inventedMark+".")
	}
	list = append(list, said...)
	list = append(list, p.frame.Notes...)
	list = append(list, p.frame.Method)
	var words []string
	for _, w := range list {
		if w != "" {
			words = append(words, ended(w))
		}
	}
	if len(words) == 0 {
		words = []string{p.frame.Sentence}
	}
	return p.Done(words...)
}

// ended gives a text its stop.
func ended(text string) string {
	if strings.HasSuffix(text, ".") || strings.HasSuffix(text, ":") {
		return text
	}
	return text + "."
}

// Nothing is a plot of an answer that has nothing to draw: it says why, by NotDrawn of
// the frame.
func Nothing(f Frame) picture.Picture { return notDrawn(f, "there are no numbers") }

// notDrawn is a plot without numbers.
func notDrawn(f Frame, reason string) picture.Picture {
	if f.NotDrawn != "" {
		reason = f.NotDrawn
	}
	reason = strings.TrimSuffix(reason, ".")
	p := begin(f)
	p.Say("Not drawn, because "+reason+".", picture.Ink)
	p.NotDrawn = reason
	return p.end("Not drawn, because " + reason + ".")
}

// finite says whether all numbers can be drawn.
func finite(list ...float64) bool {
	for _, v := range list {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

const notANumber = "one of its numbers is none that can be drawn"

// text writes a number with so many digits behind the point, without a minus before 0.
func text(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// percent writes a share.
func percent(share float64, digits int) string { return text(100*share, digits) + "\u00a0%" }
