package plot

import (
	"slices"

	"trigone/internal/picture"
)

// Funnel is shares of units about a target, with the limits that chance sets at each
// number of cases.
type Funnel struct {
	Frame
	// Share is what is counted, such as 'conversion to replacement'.
	Share string
	// Target as a share, and where it is from.
	Target     float64
	TargetFrom string
	// Limits at numbers of cases, in order; the plot reaches as far as they do.
	Limits []FunnelLimit
	// Units, by letter.
	Units []FunnelUnit
}

// FunnelLimit is where the limits lie at a number of cases, as shares.
type FunnelLimit struct {
	Of           int
	Inner, Outer Interval // 95 and 99.8 %
}

// FunnelUnit is a unit.
type FunnelUnit struct {
	Letter    string
	Count, Of int
	// Own is the unit of whoever looks.
	Own bool
}

var (
	targetStyle = picture.Style{Line: picture.Blue, Width: 1.6}
	innerStyle  = picture.Style{Line: picture.Ink, Width: 1.2, Dash: picture.Dashed}
	outerStyle  = picture.Style{Line: picture.Ink, Width: 1.2}
)

// Picture draws it.
func (f Funnel) Picture() picture.Picture {
	units := slices.DeleteFunc(slices.Clone(f.Units), func(u FunnelUnit) bool { return u.Of <= 0 })
	if len(units) == 0 || len(f.Limits) == 0 {
		return notDrawn(f.Frame, "there are no units with cases")
	}
	high, most := f.Target, 0
	for _, u := range units {
		high = max(high, float64(u.Count)/float64(u.Of))
		most = max(most, u.Of)
	}
	for _, l := range f.Limits {
		if !finite(l.Inner.Lower, l.Inner.Upper, l.Outer.Lower, l.Outer.Upper) {
			return notDrawn(f.Frame, notANumber)
		}
		high = max(high, l.Inner.Upper)
		most = max(most, l.Of)
	}
	if !finite(f.Target) {
		return notDrawn(f.Frame, notANumber)
	}
	p := begin(f.Frame)
	_, top, steps := shares(0, min(1, high), 5)
	x := whole(0, most, 5)
	a := p.newPanel(f.Share+", % of cases", axisLeft, axisRight, 220, scale{low: 0, high: float64(most) * 1.04}, scale{low: 0, high: top}, steps)
	end := func(of func(FunnelLimit) float64) []picture.Point {
		var list []picture.Point
		for _, l := range f.Limits {
			if v := of(l); v <= top {
				list = append(list, a.at(float64(l.Of), v))
			} else {
				list = nil // it comes from above
			}
		}
		return list
	}
	for _, l := range []struct {
		name  string
		style picture.Style
		of    func(FunnelLimit) float64
	}{
		{"99.8 % limit, upper", outerStyle, func(l FunnelLimit) float64 { return l.Outer.Upper }},
		{"99.8 % limit, lower", outerStyle, func(l FunnelLimit) float64 { return l.Outer.Lower }},
		{"95 % limit, upper", innerStyle, func(l FunnelLimit) float64 { return l.Inner.Upper }},
		{"95 % limit, lower", innerStyle, func(l FunnelLimit) float64 { return l.Inner.Lower }},
	} {
		if points := end(l.of); len(points) > 1 {
			p.Add(picture.Group{Title: l.name, Shapes: []picture.Shape{picture.Polyline(l.style, thinned(points)...)}})
		}
	}
	p.Add(picture.Group{Title: "target", Shapes: []picture.Shape{picture.Line(a.left, a.y.at(f.Target), a.right, a.y.at(f.Target), targetStyle)}})
	// Marks take their places first, then letters find theirs beside them.
	var taken occupied
	at := make([]picture.Point, len(units))
	for i, u := range units {
		at[i] = a.at(float64(u.Of), float64(u.Count)/float64(u.Of))
		taken = append(taken, picture.Box{Left: at[i].X - 3.5, Top: at[i].Y - 3.5, Right: at[i].X + 3.5, Bottom: at[i].Y + 3.5})
	}
	unplaced := 0
	for i, u := range units {
		g := picture.Group{Title: "unit " + u.Letter, Shapes: []picture.Shape{unitMark(at[i], u.Own)}}
		t, ok := taken.free(a, at[i], u.Letter, true)
		if ok {
			b := t.Bounds()
			g.Shapes = append(g.Shapes, picture.Rectangle{X: b.Left, Y: b.Top, W: b.Right - b.Left, H: b.Bottom - b.Top, Style: picture.Style{Fill: picture.White}}, t)
		} else {
			unplaced++
		}
		p.Add(g)
	}
	p.level(a, "cases of the unit", x)
	p.Y += 4
	target := "target " + percent(f.Target, 1)
	if f.TargetFrom != "" {
		target += ", " + f.TargetFrom
	}
	p.key(target, lineKey(targetStyle))
	p.key("95 % limits: one unit in 20 lies outside by chance alone", lineKey(innerStyle))
	p.key("99.8 % limits: two units in 1000", lineKey(outerStyle))
	p.key("a unit, by its letter; outside the limits means: look, not: worse", func(x, y float64) []picture.Shape {
		return []picture.Shape{unitMark(picture.At(x, y), false)}
	})
	if slices.ContainsFunc(units, func(u FunnelUnit) bool { return u.Own }) {
		p.key("your own unit", func(x, y float64) []picture.Shape { return []picture.Shape{unitMark(picture.At(x, y), true)} })
	}
	if unplaced > 0 {
		p.Say(text(float64(unplaced), 0)+" of the units have no letter in the plot, for want of room.", picture.Grey)
	}
	return p.end()
}

func unitMark(at picture.Point, own bool) picture.Shape {
	if own {
		return picture.Rectangle{X: at.X - 3.6, Y: at.Y - 3.6, W: 7.2, H: 7.2, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.Rust}}
	}
	return picture.Circle{X: at.X, Y: at.Y, R: 3, Style: picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.White}}
}
