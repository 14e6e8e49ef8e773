package plot

import (
	"fmt"

	"trigone/internal/picture"
)

// CUSUM is a two-sided chart over cases in order of operation: up when outcomes fit
// worse odds than expected, down when they fit better ones, each against its limit h.
type CUSUM struct {
	Frame
	// Of is what a failure is, such as 'death or conversion'.
	Of string
	// Limit for worse, as a height above 0; LowerLimit for better. 0: there is none.
	Limit, LowerLimit float64
	Cases             []MonitoredCase
	// Years are where years begin.
	Years []Mark
	// VLAD says whether the picture of expected minus observed stands below.
	VLAD bool
}

// MonitoredCase is where the chart stands after a case.
type MonitoredCase struct {
	// Up is 0 or above; Down is drawn downwards, 0 or above too.
	Up, Down float64
	// WorstUp is where Up would stand if every outcome that is not known were a failure;
	// drawn where it differs.
	WorstUp float64
	// Worse and Better say that a limit was reached with this case; the next begins at 0.
	Worse, Better bool
	// Unknown: the outcome of the case is not known; the chart has a gap.
	Unknown bool
	// ExpectedMinusObserved is the sum up to this case.
	ExpectedMinusObserved float64
}

var (
	upStyle    = picture.Style{Line: picture.Ink, Width: 1.4}
	downStyle  = picture.Style{Line: picture.Blue, Width: 1.4}
	worstStyle = picture.Style{Line: picture.Ink, Width: 1.1, Dash: picture.Dotted}
	limitStyle = picture.Style{Line: picture.Rust, Width: 1.3, Dash: picture.Dashed}
)

// chartRight leaves room for the names of the limits.
const chartRight = 318.0

// Picture draws it.
func (c CUSUM) Picture() picture.Picture {
	if len(c.Cases) == 0 {
		return notDrawn(c.Frame, "no case can be monitored yet")
	}
	values := []float64{0, c.Limit, -c.LowerLimit}
	worst, down, unknown, signals := false, c.LowerLimit > 0, 0, 0
	for _, m := range c.Cases {
		values = append(values, m.Up, -m.Down, m.WorstUp)
		if !finite(m.ExpectedMinusObserved) {
			return notDrawn(c.Frame, notANumber)
		}
		worst = worst || m.WorstUp > m.Up+1e-9
		down = down || m.Down > 0
		if m.Unknown {
			unknown++
		}
		if m.Worse || m.Better {
			signals++
		}
	}
	if !finite(values...) {
		return notDrawn(c.Frame, notANumber)
	}
	p := begin(c.Frame)
	low, high := around(values...)
	low, high, steps := rounded(low, high, 6)
	x := scale{low: 0, high: float64(len(c.Cases))}
	a := p.newPanel("CUSUM of "+c.Of+", log likelihood ratio", axisLeft, chartRight, 190, x, scale{low: low, high: high}, steps)
	p.gaps(a, c.Cases)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle))
	var places []float64
	var words [][2]string
	limit := func(at float64, name, number string) {
		p.Add(picture.Group{Title: name, Shapes: []picture.Shape{picture.Line(a.left, a.y.at(at), a.right, a.y.at(at), limitStyle)}})
		places = append(places, a.y.at(at))
		words = append(words, [2]string{name, number})
	}
	if c.Limit > 0 {
		limit(c.Limit, "worse", "h = "+text(c.Limit, 2))
	}
	if c.LowerLimit > 0 {
		limit(-c.LowerLimit, "better", "h = "+text(c.LowerLimit, 2))
	}
	for i, y := range spread(places, 27, a.top+10, a.bottom-10) {
		p.Add(picture.Line(a.right, places[i], a.right+6, y, picture.Style{Line: picture.Grey, Width: 0.8}),
			picture.Text{X: a.right + 9, Y: y - 1.5, Text: words[i][0], Size: picture.SmallText, Anchor: picture.Start, Bold: true, Tone: picture.Ink},
			picture.Text{X: a.right + 9, Y: y + 10.5, Text: words[i][1], Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
	}
	if worst {
		p.Add(picture.Group{Title: "all unknown as failures", Shapes: c.path(a, worstStyle, true, func(m MonitoredCase) (float64, bool) { return m.WorstUp, false })})
	}
	if down {
		p.Add(picture.Group{Title: "better", Shapes: c.path(a, downStyle, false, func(m MonitoredCase) (float64, bool) { return -m.Down, m.Better })})
	}
	p.Add(picture.Group{Title: "worse", Shapes: c.path(a, upStyle, false, func(m MonitoredCase) (float64, bool) { return m.Up, m.Worse })})
	for i, m := range c.Cases {
		if m.Worse {
			p.Add(picture.Group{Title: fmt.Sprintf("signal with case %d", i+1), Shapes: []picture.Shape{diamond(a.at(float64(i+1), m.Up), 5)}})
		}
		if m.Better {
			p.Add(picture.Group{Title: fmt.Sprintf("signal of better with case %d", i+1), Shapes: []picture.Shape{diamond(a.at(float64(i+1), -m.Down), 5)}})
		}
	}
	p.level(a, "", whole(0, len(c.Cases), 5))
	p.years(a, c.Years)
	p.under(a.right, casesName(c.Years))
	p.Y += 4
	p.key("worse than expected", lineKey(upStyle))
	if down {
		p.key("better than expected, drawn downwards", lineKey(downStyle))
	}
	p.key("limit h", lineKey(limitStyle))
	if signals > 0 {
		p.key("a signal: look at the cases before it; the chart begins again at 0", func(x, y float64) []picture.Shape {
			return []picture.Shape{diamond(picture.At(x, y), 5)}
		})
	}
	if unknown > 0 {
		p.key(fmt.Sprintf("outcome not known (%s)", counted(unknown, "case")), func(x, y float64) []picture.Shape {
			return gap(x-4, x+4, y-5, y+5)
		})
	}
	if worst {
		p.key("if every unknown outcome were a failure", lineKey(worstStyle))
	}
	if c.VLAD {
		p.vlad(c)
	}
	return p.end()
}

func casesName(years []Mark) string {
	if len(years) > 0 {
		return "cases in order of operation, and their years"
	}
	return "cases in order of operation"
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// gaps marks the cases whose outcome is not known.
func (p *page) gaps(a panel, cases []MonitoredCase) {
	g := picture.Group{Title: "outcome not known"}
	for i := 0; i < len(cases); i++ {
		if !cases[i].Unknown {
			continue
		}
		j := i
		for j+1 < len(cases) && cases[j+1].Unknown {
			j++
		}
		left, right := a.x.at(float64(i)+0.5), a.x.at(float64(j)+1.5)
		if right-left < 1.6 {
			middle := (left + right) / 2
			left, right = middle-0.8, middle+0.8
		}
		g.Shapes = append(g.Shapes, gap(max(left, a.left), min(right, a.right), a.top, a.bottom)...)
		i = j
	}
	if len(g.Shapes) > 0 {
		p.Add(g)
	}
}

// gap is a stretch without outcomes: pale, with an edge that print keeps.
func gap(left, right, top, bottom float64) []picture.Shape {
	edge := picture.Style{Line: picture.Light, Width: 0.8, Dash: picture.Dotted}
	return []picture.Shape{
		picture.Rectangle{X: left, Y: top, W: right - left, H: bottom - top, Style: picture.Style{Fill: picture.Pale}},
		picture.Line(left, top, left, bottom, edge), picture.Line(right, top, right, bottom, edge),
	}
}

// path is a line of a chart, begun again after a signal, and broken at gaps unless it
// runs through them.
func (c CUSUM) path(a panel, style picture.Style, through bool, of func(MonitoredCase) (float64, bool)) []picture.Shape {
	var shapes []picture.Shape
	line := []picture.Point{a.at(0, 0)}
	flush := func() {
		if len(line) > 1 {
			shapes = append(shapes, picture.Polyline(style, thinned(line)...))
		}
		line = nil
	}
	for i, m := range c.Cases {
		if m.Unknown && !through {
			flush()
			continue
		}
		v, signal := of(m)
		line = append(line, a.at(float64(i+1), v))
		if signal {
			flush()
			line = []picture.Point{a.at(float64(i+1), 0)}
		}
	}
	flush()
	return shapes
}

// vlad draws expected minus observed below the chart.
func (p *page) vlad(c CUSUM) {
	p.Y += 8
	p.MayBreak()
	p.Y += 2
	values := []float64{0}
	for _, m := range c.Cases {
		values = append(values, m.ExpectedMinusObserved)
	}
	low, high := around(values...)
	low, high, steps := rounded(low, high, 4)
	a := p.newPanel("expected minus observed failures, summed up (VLAD): up is fewer than expected; a picture, which has no limit",
		axisLeft, chartRight, 100, scale{low: 0, high: float64(len(c.Cases))}, scale{low: low, high: high}, steps)
	p.gaps(a, c.Cases)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle))
	p.Add(picture.Group{Title: "expected minus observed", Shapes: c.path(a, upStyle, false, func(m MonitoredCase) (float64, bool) { return m.ExpectedMinusObserved, false })})
	p.level(a, "", whole(0, len(c.Cases), 5))
	p.years(a, c.Years)
	p.under(a.right, casesName(c.Years))
}

// Learning is the sequential test as it is drawn of a learning curve: a failure steps
// up, a success down, until one of two lines is crossed.
type Learning struct {
	Frame
	// Of is what a failure is.
	Of string
	// Path is where it stands after each case.
	Path []float64
	// Upper is the line at which the rate is told to be the unacceptable one, Lower, as a
	// height below 0, the acceptable one.
	Upper, Lower float64
	// Acceptable and Unacceptable are the rates.
	Acceptable, Unacceptable float64
	Years                    []Mark
}

// Picture draws it.
func (l Learning) Picture() picture.Picture {
	if len(l.Path) == 0 {
		return notDrawn(l.Frame, "no case can be monitored yet")
	}
	values := append([]float64{0, l.Upper, -l.Lower}, l.Path...)
	if !finite(values...) {
		return notDrawn(l.Frame, notANumber)
	}
	p := begin(l.Frame)
	low, high := around(values...)
	low, high, steps := rounded(low, high, 5)
	a := p.newPanel("failures less what is allowed for: "+l.Of, axisLeft, axisRight, 190,
		scale{low: 0, high: float64(len(l.Path))}, scale{low: low, high: high}, steps)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle),
		picture.Group{Title: "upper line", Shapes: []picture.Shape{picture.Line(a.left, a.y.at(l.Upper), a.right, a.y.at(l.Upper), limitStyle)}},
		picture.Group{Title: "lower line", Shapes: []picture.Shape{picture.Line(a.left, a.y.at(-l.Lower), a.right, a.y.at(-l.Lower), targetStyle)}})
	points := []picture.Point{a.at(0, 0)}
	for i, v := range l.Path {
		points = append(points, a.at(float64(i+1), v))
	}
	p.Add(picture.Group{Title: "path", Shapes: []picture.Shape{picture.Polyline(upStyle, thinned(points)...)}})
	p.level(a, "", whole(0, len(l.Path), 5))
	p.years(a, l.Years)
	p.under(a.right, casesName(l.Years))
	p.Y += 4
	p.key("a failure steps up, a success down", lineKey(upStyle))
	p.key("above it: the cases so far fit a rate of "+percent(l.Unacceptable, 1)+" better than one of "+percent(l.Acceptable, 1), lineKey(limitStyle))
	p.key("below it: they fit "+percent(l.Acceptable, 1)+" better", lineKey(targetStyle))
	return p.end()
}
