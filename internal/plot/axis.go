package plot

import (
	"math"
	"slices"
	"strconv"
	"time"

	"trigone/internal/picture"
)

// scale lays numbers on a stretch of the frame.
type scale struct {
	low, high float64 // numbers
	from, to  float64 // places
}

func (s scale) at(v float64) float64 {
	if s.high == s.low {
		return (s.from + s.to) / 2
	}
	return s.from + (v-s.low)/(s.high-s.low)*(s.to-s.from)
}

// tick is a mark of an axis.
type tick struct {
	at   float64
	text string
}

// leastSpan keeps an axis from steps that nobody can read.
const leastSpan = 0.05

// rounded gives a range whose ends are whole steps, and its steps: about as many as
// asked for.
func rounded(low, high float64, about int) (float64, float64, []tick) {
	switch {
	case high <= low:
		pad := max(math.Abs(low)*0.1, 0.5)
		low, high = low-pad, high+pad
	case high-low < leastSpan:
		high = low + leastSpan
	}
	raw := (high - low) / float64(about)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*power*1.0000001 {
			step = m * power
			break
		}
	}
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	first, last := math.Floor(low/step+1e-9), math.Ceil(high/step-1e-9)
	var ticks []tick
	for i := first; i <= last; i++ {
		ticks = append(ticks, tick{i * step, text(i*step, digits)})
	}
	return first * step, last * step, ticks
}

// whole gives the steps of an axis of counts, which begins at low and ends at high.
func whole(low, high, about int) []tick {
	_, _, ticks := rounded(float64(low), float64(max(high, low+1)), about)
	ticks = slices.DeleteFunc(ticks, func(t tick) bool {
		return math.Abs(t.at-math.Round(t.at)) > 1e-6 || t.at < float64(low) || t.at > float64(high)
	})
	for i := range ticks {
		ticks[i].text = text(ticks[i].at, 0)
	}
	return ticks
}

// shares gives the steps of an axis of shares between two of them, in %.
func shares(low, high float64, about int) (float64, float64, []tick) {
	low, high, ticks := rounded(100*low, max(100*high, 100*low+1), about)
	low, high = max(0, low), min(100, high)
	ticks = slices.DeleteFunc(ticks, func(t tick) bool { return t.at < low || t.at > high })
	for i := range ticks {
		ticks[i].at /= 100
	}
	return low / 100, high / 100, ticks
}

// padded gives a range with some room beyond both ends.
func padded(low, high float64) (float64, float64) {
	pad := 0.03 * (high - low)
	return low - pad, high + pad
}

// around gives the least and the greatest.
func around(list ...float64) (float64, float64) {
	return slices.Min(list), slices.Max(list)
}

const (
	axisLeft  = 46.0
	axisRight = 372.0
)

var (
	axisStyle = picture.Style{Line: picture.Grey, Width: 1}
	gridStyle = picture.Style{Line: picture.Light, Width: 0.6}
)

// panel is a field with two axes.
type panel struct {
	left, right, top, bottom float64
	x, y                     scale
}

func (a panel) at(x, y float64) picture.Point { return picture.At(a.x.at(x), a.y.at(y)) }

// newPanel draws a field of a height below what is there: the name of the upright axis
// above it, its steps at the left with lines across. The level axis is drawn by level.
func (p *page) newPanel(name string, left, right, height float64, x, y scale, steps []tick) panel {
	for _, l := range picture.Wrapped(name, picture.SmallText, picture.TextRight-picture.FrameEdge, false) {
		p.Y += 12.5
		p.Add(picture.Text{X: picture.FrameEdge, Y: p.Y - 2, Text: l, Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
	}
	p.Y += 7
	a := panel{left: left, right: right, top: p.Y, bottom: p.Y + height, x: x, y: y}
	a.x.from, a.x.to = left, right
	a.y.from, a.y.to = a.bottom, a.top
	axis := picture.Group{Title: name}
	for _, t := range steps {
		at := a.y.at(t.at)
		axis.Shapes = append(axis.Shapes, picture.Line(left, at, right, at, gridStyle),
			picture.Text{X: left - 5, Y: at + 3.5, Text: t.text, Size: picture.SmallText, Anchor: picture.End, Tone: picture.Grey})
	}
	axis.Shapes = append(axis.Shapes, picture.Line(left, a.top, left, a.bottom, axisStyle))
	p.Add(axis)
	p.Y = a.bottom
	return a
}

// level draws the level axis below a panel, with its name under its right end.
func (p *page) level(a panel, name string, steps []tick) {
	axis := picture.Group{Title: name, Shapes: []picture.Shape{picture.Line(a.left, a.bottom, a.right, a.bottom, axisStyle)}}
	free := a.left - 20
	for _, t := range steps {
		at := a.x.at(t.at)
		axis.Shapes = append(axis.Shapes, picture.Line(at, a.bottom, at, a.bottom+4, axisStyle))
		half := picture.TextWidth(t.text, picture.SmallText, false) / 2
		if at-half < free || at+half > picture.FrameWidth {
			continue // no room: the mark alone
		}
		free = at + half + 3
		axis.Shapes = append(axis.Shapes, picture.Text{X: at, Y: a.bottom + 14, Text: t.text, Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Grey})
	}
	p.Add(axis)
	p.Y = a.bottom + 17
	if name != "" {
		p.under(a.right, name)
	}
}

// under writes a name that ends at x.
func (p *page) under(x float64, name string) {
	for _, l := range picture.Wrapped(name, picture.SmallText, x-picture.FrameEdge, false) {
		p.Y += 12.5
		p.Add(picture.Text{X: x, Y: p.Y - 3, Text: l, Size: picture.SmallText, Anchor: picture.End, Tone: picture.Grey})
	}
}

// Mark is where a year, or half a year, begins in an axis of cases.
type Mark struct {
	// Case is its place in the order of operation, from 1.
	Case int
	// Text is the year; empty: a mark without a text.
	Text string
}

// Years gives the marks of cases in order of operation, of which so many stand before
// the first: where half-years begin, with the year at the first of each that has one. A
// case without a time has no mark.
func Years(times []time.Time, before int) []Mark {
	var marks []Mark
	year, half := 0, 0
	for i, t := range times {
		if t.IsZero() {
			continue
		}
		h := (int(t.Month()) - 1) / 6
		if t.Year() == year && h == half {
			continue
		}
		m := Mark{Case: before + i + 1}
		if t.Year() != year {
			m.Text = strconv.Itoa(t.Year())
		}
		year, half = t.Year(), h
		marks = append(marks, m)
	}
	return marks
}

// years draws a second row under an axis of cases: where each year begins.
func (p *page) years(a panel, marks []Mark) {
	if len(marks) == 0 {
		return
	}
	free := a.left - 22
	for _, m := range marks {
		at := a.x.at(float64(m.Case))
		if at < a.left || at > a.right {
			continue
		}
		width := picture.TextWidth(m.Text, picture.SmallText, false)
		if m.Text == "" || at-3 < free || at+width > picture.FrameWidth-2 {
			p.Add(picture.Line(at, p.Y, at, p.Y+4, axisStyle))
			continue
		}
		free = at + width + 6
		p.Add(picture.Line(at, p.Y, at, p.Y+11, axisStyle),
			picture.Text{X: at + 3, Y: p.Y + 10, Text: m.Text, Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
	}
	p.Y += 14
}

// spread moves places apart, in their order, so that each has its room and all stay
// between two ends where they fit.
func spread(places []float64, room, top, bottom float64) []float64 {
	order := make([]int, len(places))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if places[a] < places[b] {
			return -1
		}
		if places[a] > places[b] {
			return 1
		}
		return 0
	})
	out := slices.Clone(places)
	for n, i := range order {
		out[i] = max(out[i], top)
		if n > 0 {
			out[i] = max(out[i], out[order[n-1]]+room)
		}
	}
	limit := bottom
	for n := len(order) - 1; n >= 0; n-- {
		out[order[n]] = min(out[order[n]], limit)
		limit = out[order[n]] - room
	}
	return out
}

// occupied are rooms in which no text may stand.
type occupied []picture.Box

// free finds a place for a text near a point, inside a panel, and takes it; without
// room it says so.
func (o *occupied) free(a panel, at picture.Point, word string, bold bool) (picture.Text, bool) {
	t := picture.Text{Text: word, Size: picture.SmallText, Anchor: picture.Middle, Bold: bold, Tone: picture.Ink}
	for _, r := range []float64{10, 15, 21, 28, 36, 46, 58} {
		for i := range 12 {
			// Above first, then to both sides, then below.
			turn := float64((i+1)/2) * math.Pi / 6
			if i%2 == 0 {
				turn = -turn
			}
			t.X = at.X + r*math.Sin(turn)
			t.Y = at.Y - r*math.Cos(turn) + 3.5
			b := t.Bounds()
			if b.Left < a.left || b.Right > a.right || b.Top < a.top || b.Bottom > a.bottom {
				continue
			}
			if !slices.ContainsFunc(*o, b.Overlaps) {
				*o = append(*o, b)
				return t, true
			}
		}
	}
	return t, false
}

// key writes a sample of what is drawn, and what it is.
func (p *page) key(words string, sample func(x, y float64) []picture.Shape) {
	const room = 30.0
	p.Y++
	p.Add(sample(picture.FrameEdge+room/2-3, p.Y+picture.LineStep-7)...)
	p.SayAt(picture.FrameEdge+room, words, picture.Ink)
}

// lineKey is a sample of a line.
func lineKey(style picture.Style) func(x, y float64) []picture.Shape {
	return func(x, y float64) []picture.Shape {
		return []picture.Shape{picture.Line(x-11, y, x+11, y, style)}
	}
}

// bandKey is a sample of a band.
func bandKey(tone picture.Tone) func(x, y float64) []picture.Shape {
	return func(x, y float64) []picture.Shape {
		return []picture.Shape{picture.Rectangle{X: x - 11, Y: y - 4, W: 22, H: 8, Style: picture.Style{Fill: tone}}}
	}
}

// diamond is the mark of what asks to be looked at.
func diamond(at picture.Point, r float64) picture.Shape {
	return picture.Polygon(picture.Style{Line: picture.Ink, Width: 0.8, Fill: picture.Rust},
		picture.At(at.X, at.Y-r), picture.At(at.X+r, at.Y), picture.At(at.X, at.Y+r), picture.At(at.X-r, at.Y))
}

// thinned leaves of a long line what can be seen: of every stretch of the frame its
// first, lowest, highest and last point.
func thinned(points []picture.Point) []picture.Point {
	const stretch = 0.5
	if len(points) < 800 {
		return points
	}
	var out []picture.Point
	for i := 0; i < len(points); {
		j, low, high := i, i, i
		for j < len(points) && points[j].X < points[i].X+stretch {
			if points[j].Y < points[low].Y {
				low = j
			}
			if points[j].Y > points[high].Y {
				high = j
			}
			j++
		}
		if j == i {
			j++
		}
		keep := []int{i, low, high, j - 1}
		slices.Sort(keep)
		for _, k := range slices.Compact(keep) {
			out = append(out, points[k])
		}
		i = j
	}
	return out
}
