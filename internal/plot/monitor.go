package plot

import (
	"fmt"

	"trigone/internal/picture"
)

// Monitoring is an outcome followed over cases in order of operation: a two-sided CUSUM,
// up when outcomes fit worse odds than expected, down when they fit better ones, each
// against its limit h; and pictures, from which no alarm is read.
type Monitoring struct {
	Frame
	// Of is what a failure is, such as 'death or conversion'.
	Of string
	// Chart, VLAD and Recent say which of its panels stand: the CUSUM, the sum of expected
	// minus observed failures, the share of failures of late.
	Chart, VLAD, Recent bool
	// Limit of more failures than expected, as a height above 0; LowerLimit of fewer. 0:
	// there is none.
	Limit, LowerLimit float64
	Cases             []MonitoredCase
	// Before is how many cases stand before the first of these.
	Before int
	// Years are where years begin.
	Years []Mark
}

// OutcomeState is what is known of the outcome of a case.
type OutcomeState uint8

// The states.
const (
	Known OutcomeState = iota
	// Awaited: not known yet; the path stands still.
	Awaited
	// Missing: not known long after it should be; the path has a gap.
	Missing
)

// MonitoredCase is where the chart stands after a case.
type MonitoredCase struct {
	State OutcomeState
	// Up is 0 or above; Down is drawn downwards, 0 or above too.
	Up, Down float64
	// WorstUp is where Up would stand if every outcome that is not known were a failure;
	// drawn where it differs.
	WorstUp float64
	// More and Fewer say that a limit was reached with this case; the next begins at 0.
	More, Fewer bool
	// ExpectedMinusObserved is the sum up to this case.
	ExpectedMinusObserved float64
	// RecentShare of failures.
	RecentShare float64
}

// chartRight leaves room for the names of the limits.
const chartRight = 318.0

var (
	upStyle    = picture.Style{Line: picture.Ink, Width: 1.4}
	downStyle  = picture.Style{Line: picture.Blue, Width: 1.4}
	worstStyle = picture.Style{Line: picture.Ink, Width: 1.1, Dash: picture.Dotted}
	limitStyle = picture.Style{Line: picture.Rust, Width: 1.3, Dash: picture.Dashed}
)

// Picture draws it.
func (c Monitoring) Picture() picture.Picture {
	if len(c.Cases) == 0 || !c.Chart && !c.VLAD && !c.Recent {
		return notDrawn(c.Frame, "no case can be followed yet")
	}
	for _, m := range c.Cases {
		if !finite(m.Up, m.Down, m.WorstUp, m.ExpectedMinusObserved, m.RecentShare, c.Limit, c.LowerLimit) {
			return notDrawn(c.Frame, notANumber)
		}
	}
	p := begin(c.Frame)
	if c.Chart {
		p.chart(c)
	}
	if c.VLAD {
		p.below(c.Chart)
		p.running(c, "expected minus observed failures, summed up (VLAD): up is fewer than expected; a picture, which has no limit",
			func(m MonitoredCase) float64 { return m.ExpectedMinusObserved }, false)
	}
	if c.Recent {
		p.below(c.Chart || c.VLAD)
		p.running(c, "share of failures of late, in %, the newest cases weighing most; a picture, which has no limit",
			func(m MonitoredCase) float64 { return m.RecentShare }, true)
	}
	return p.end()
}

func (p *page) below(anything bool) {
	if anything {
		p.Y += 8
		p.MayBreak()
		p.Y += 2
	}
}

func (c Monitoring) across() scale {
	return scale{low: float64(c.Before), high: float64(c.Before + len(c.Cases))}
}

// place is that of case i in the order.
func (c Monitoring) place(i int) float64 { return float64(c.Before + i + 1) }

func (p *page) chart(c Monitoring) {
	values := []float64{0, c.Limit, -c.LowerLimit}
	worst, down, signals := false, c.LowerLimit > 0, 0
	counts := map[OutcomeState]int{}
	for _, m := range c.Cases {
		values = append(values, m.Up, -m.Down, m.WorstUp)
		worst = worst || m.WorstUp > m.Up+1e-9
		down = down || m.Down > 0
		counts[m.State]++
		if m.More || m.Fewer {
			signals++
		}
	}
	low, high := around(values...)
	low, high, steps := rounded(low, high, 6)
	a := p.newPanel("CUSUM of "+c.Of+", log likelihood ratio", axisLeft, chartRight, 190, c.across(), scale{low: low, high: high}, steps)
	p.gaps(a, c)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle))
	var places []float64
	var words [][2]string
	limit := func(at float64, name, number string) {
		p.Add(picture.Group{Title: "limit of " + name, Shapes: []picture.Shape{picture.Line(a.left, a.y.at(at), a.right, a.y.at(at), limitStyle)}})
		places = append(places, a.y.at(at))
		words = append(words, [2]string{name, number})
	}
	if c.Limit > 0 {
		limit(c.Limit, "more", "h = "+text(c.Limit, 2))
	}
	if c.LowerLimit > 0 {
		limit(-c.LowerLimit, "fewer", "h = "+text(c.LowerLimit, 2))
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
		p.Add(picture.Group{Title: "fewer", Shapes: c.path(a, downStyle, false, func(m MonitoredCase) (float64, bool) { return -m.Down, m.Fewer })})
	}
	p.Add(picture.Group{Title: "more", Shapes: c.path(a, upStyle, false, func(m MonitoredCase) (float64, bool) { return m.Up, m.More })})
	for i, m := range c.Cases {
		if m.More {
			p.Add(picture.Group{Title: fmt.Sprintf("signal of more with case %d", c.Before+i+1), Shapes: []picture.Shape{diamond(a.at(c.place(i), m.Up), 5)}})
		}
		if m.Fewer {
			p.Add(picture.Group{Title: fmt.Sprintf("signal of fewer with case %d", c.Before+i+1), Shapes: []picture.Shape{diamond(a.at(c.place(i), -m.Down), 5)}})
		}
	}
	p.caseAxis(a, c)
	p.Y += 4
	p.key("more failures than expected", lineKey(upStyle))
	if down {
		p.key("fewer failures than expected, drawn downwards", lineKey(downStyle))
	}
	if len(places) > 0 {
		p.key("limit h", lineKey(limitStyle))
	}
	if signals > 0 {
		p.key("a signal: look at the cases before it; the chart begins again at 0", func(x, y float64) []picture.Shape {
			return []picture.Shape{diamond(picture.At(x, y), 5)}
		})
	}
	for _, k := range []struct {
		state OutcomeState
		words string
	}{{Awaited, "outcome not known yet"}, {Missing, "outcome missing, long after it should be known"}} {
		if n := counts[k.state]; n > 0 {
			p.key(fmt.Sprintf("%s (%s)", k.words, counted(n, "case")), func(x, y float64) []picture.Shape {
				return gap(x-4, x+4, y-5, y+5, k.state)
			})
		}
	}
	if worst {
		p.key("if every unknown outcome were a failure", lineKey(worstStyle))
	}
}

// caseAxis draws the level axis of cases, and their years.
func (p *page) caseAxis(a panel, c Monitoring) {
	p.level(a, "", whole(c.Before, c.Before+len(c.Cases), 5))
	p.years(a, c.Years)
	p.under(a.right, casesName(c.Years))
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
func (p *page) gaps(a panel, c Monitoring) {
	g := picture.Group{Title: "outcome not known"}
	for i := 0; i < len(c.Cases); i++ {
		state := c.Cases[i].State
		if state == Known {
			continue
		}
		j := i
		for j+1 < len(c.Cases) && c.Cases[j+1].State == state {
			j++
		}
		left, right := a.x.at(c.place(i)-0.5), a.x.at(c.place(j)+0.5)
		if right-left < 1.6 {
			middle := (left + right) / 2
			left, right = middle-0.8, middle+0.8
		}
		g.Shapes = append(g.Shapes, gap(max(left, a.left), min(right, a.right), a.top, a.bottom, state)...)
		i = j
	}
	if len(g.Shapes) > 0 {
		p.Add(g)
	}
}

// gap is a stretch without outcomes: between dotted edges, and shaded where they are
// missing.
func gap(left, right, top, bottom float64, state OutcomeState) []picture.Shape {
	edge := picture.Style{Line: picture.Grey, Width: 0.8, Dash: picture.Dotted}
	var list []picture.Shape
	// Edges of narrow stretches would hide what they enclose.
	if right-left > 5 || state == Awaited {
		list = append(list, picture.Line(left, top, left, bottom, edge), picture.Line(right, top, right, bottom, edge))
	}
	if state == Missing {
		list = append([]picture.Shape{picture.Rectangle{X: left, Y: top, W: right - left, H: bottom - top, Style: picture.Style{Fill: picture.Light}}}, list...)
	}
	return list
}

// path is a line of a chart, begun again after a signal, and broken where outcomes are
// missing unless it runs through.
func (c Monitoring) path(a panel, style picture.Style, through bool, of func(MonitoredCase) (float64, bool)) []picture.Shape {
	var shapes []picture.Shape
	var line []picture.Point
	if c.Before == 0 {
		line = append(line, a.at(0, 0))
	}
	flush := func() {
		if len(line) > 1 {
			shapes = append(shapes, picture.Polyline(style, thinned(line)...))
		}
		line = nil
	}
	for i, m := range c.Cases {
		if m.State == Missing && !through {
			flush()
			continue
		}
		v, signal := of(m)
		line = append(line, a.at(c.place(i), v))
		if signal {
			flush()
			line = []picture.Point{a.at(c.place(i), 0)}
		}
	}
	flush()
	return shapes
}

// running draws a picture that has no limit.
func (p *page) running(c Monitoring, name string, of func(MonitoredCase) float64, percent bool) {
	values := []float64{0}
	for _, m := range c.Cases {
		values = append(values, of(m))
	}
	low, high := around(values...)
	var steps []tick
	if percent {
		low, high, steps = shares(low, high, 4)
	} else {
		low, high, steps = rounded(low, high, 4)
	}
	a := p.newPanel(name, axisLeft, chartRight, 100, c.across(), scale{low: low, high: high}, steps)
	p.gaps(a, c)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle))
	path := c.path(a, upStyle, false, func(m MonitoredCase) (float64, bool) { return of(m), false })
	p.Add(picture.Group{Title: name, Shapes: path})
	p.caseAxis(a, c)
}

// Learning is the sequential test as it is drawn of a learning curve: a failure steps
// up, a success down, until one of two lines is crossed.
type Learning struct {
	Frame
	// Of is what a failure is.
	Of string
	// Path is where it stands after each case; Before is how many stand before the first.
	Path   []float64
	Before int
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
		scale{low: float64(l.Before), high: float64(l.Before + len(l.Path))}, scale{low: low, high: high}, steps)
	p.Add(picture.Line(a.left, a.y.at(0), a.right, a.y.at(0), axisStyle),
		picture.Group{Title: "upper line", Shapes: []picture.Shape{picture.Line(a.left, a.y.at(l.Upper), a.right, a.y.at(l.Upper), limitStyle)}},
		picture.Group{Title: "lower line", Shapes: []picture.Shape{picture.Line(a.left, a.y.at(-l.Lower), a.right, a.y.at(-l.Lower), targetStyle)}})
	var points []picture.Point
	if l.Before == 0 {
		points = append(points, a.at(0, 0))
	}
	for i, v := range l.Path {
		points = append(points, a.at(float64(l.Before+i+1), v))
	}
	p.Add(picture.Group{Title: "path", Shapes: []picture.Shape{picture.Polyline(upStyle, thinned(points)...)}})
	p.level(a, "", whole(l.Before, l.Before+len(l.Path), 5))
	p.years(a, l.Years)
	p.under(a.right, casesName(l.Years))
	p.Y += 4
	p.key("a failure steps up, a success down", lineKey(upStyle))
	p.key("above it: the cases so far fit a rate of "+percent(l.Unacceptable, 1)+" better than one of "+percent(l.Acceptable, 1), lineKey(limitStyle))
	p.key("below it: they fit "+percent(l.Acceptable, 1)+" better", lineKey(targetStyle))
	return p.end()
}
