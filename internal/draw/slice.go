package draw

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/picture"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

const sliceTitle = "The middle slice, A2-P2, closed in systole"

var middle = valve.AtSlice(valve.A2P2)

// cut is the middle slice at one moment, as far as it can be drawn.
type cut struct {
	name  string
	why   string // it is not drawn; empty: it is
	lines []string

	diameter float64 // hinge to hinge, mm
	share    units.Maybe[float64]
	depth    units.Maybe[float64]
	heights  [2]amount // of A2 and P2
	// anterior and posterior are those that the model took, of leaflets that do not meet.
	anterior, posterior float64
	gap                 bool
	contact             units.Maybe[float64]       // as it is drawn
	low, high           units.Maybe[float64]       // of the prediction
	measured            amount                     // coaptation length
	found               units.Maybe[picture.Point] // share and depth of the closure point as measured
	septum              amount
	device              string // kind
	planned             bool
	calibration         string // of the prediction
}

// Slice draws the middle slice before and after, or as planned where nothing was
// done yet: hinges, annular plane, closure point and contact, the prediction as a
// bracket with what was measured beside it. Leaflets are straight, as the model has
// them; flail and billow are never drawn.
func Slice(s Subject) picture.Picture {
	r := s.reader()
	cuts := []cut{r.before(), r.after()}
	if cuts[0].why != "" && cuts[1].why != "" {
		return picture.NotDrawn(NameSlice, sliceTitle, cuts[0].why+"; "+strings.ToLower(cuts[1].name)+": "+cuts[1].why)
	}
	d := &sliceSheet{sheet: newSheet(NameSlice, sliceTitle)}
	d.Say("As the transoesophageal long axis shows it: posterior wall left, aorta right.", picture.Grey)
	d.Y += 4
	widest := 0.0
	for _, c := range cuts {
		if c.why == "" {
			widest = max(widest, c.diameter)
		}
	}
	d.scale = min(3.2, 118/widest)
	top, bottom := d.Y, d.Y
	for i, c := range cuts {
		d.Y = top
		d.panel(c, picture.FrameEdge+float64(i)*(panelWidth+panelGap))
		bottom = max(bottom, d.Y)
	}
	for i := range cuts {
		d.Add(picture.Rectangle{X: picture.FrameEdge + float64(i)*(panelWidth+panelGap) - 2, Y: top - 2, W: panelWidth + 4, H: bottom - top + 2, Style: picture.Style{Line: picture.Light, Width: 0.8}})
	}
	d.Y = bottom
	d.bar()
	d.MayBreak()
	said := []string{"Atrium above, ventricle below, posterior wall on the left, aorta and outflow tract on the right."}
	for _, c := range cuts {
		text := c.name + ": " + strings.Join(c.lines, "; ") + "."
		spoken := text
		for i, seg := range []valve.Segment{valve.A2, valve.P2} {
			if h := c.heights[i]; h.known {
				spoken += " Height of " + segmentText(seg) + " " + h.marked() + "."
			}
		}
		if c.why != "" {
			spoken = c.name + ": not drawn, because " + c.why + "."
		} else {
			d.Y += 3
			d.Say(text, picture.Ink)
		}
		said = append(said, spoken)
	}
	remark := "Leaflets are drawn straight, as the model has them."
	if cuts[1].low.IsSome() {
		label := metric.UncalibratedLabel
		if id := cuts[1].calibration; id != "" {
			label = metric.CalibratedLabel(id)
		}
		remark += " The bracket is the " + label + "."
	}
	d.Y += 3
	d.Say(remark, picture.Grey)
	return d.Done(append(said, remark)...)
}

// newest gives the newest value of a leaf in the studies of a kind, with its key.
func (r *reader) newest(kind repair.StudyKind, leaf valve.ID, place valve.Place) (valve.Key, amount) {
	list := r.Case.OfKind(kind)
	for i := len(list) - 1; i >= 0; i-- {
		k := valve.Key{ID: leaf, Place: place, Occasion: list[i].Occasion, Role: valve.Measured}
		if a := r.at(k); a.known {
			return k, a
		}
	}
	return valve.Key{}, amount{}
}

func systolic(p valve.CardiacPhase) bool {
	return p == valve.EarlySystole || p == valve.MidSystole || p == valve.EndSystole
}

// before gives the slice before the operation: what was measured, nothing else.
func (r *reader) before() cut {
	c := cut{name: "Before"}
	k, across := r.newest(repair.Assessment, valve.AnnulusAnteroPosteriorDiameter, valve.Nowhere)
	phase := r.Case.Measured[k].Context.Phase
	switch {
	case !across.known:
		c.why = "the antero-posterior diameter of the annulus was not measured"
		return c
	case across.doubtful():
		c.why = "the antero-posterior diameter of the annulus is disputed or to be checked"
		return c
	case phase == valve.EndDiastole || phase == valve.Diastole:
		c.why = "the antero-posterior diameter of the annulus was read in diastole"
		return c
	}
	c.diameter = across.value
	c.lines = append(c.lines, "hinge to hinge "+across.text)
	if phase == "" {
		c.lines[0] += ", phase not recorded"
	}
	c.heights = [2]amount{r.nativeHeight(valve.A2), r.nativeHeight(valve.P2)}
	_, depth := r.newest(repair.Assessment, valve.CoaptationDepth, middle)
	_, share := r.newest(repair.Assessment, valve.AnteriorClosureShare, middle)
	_, length := r.newest(repair.Assessment, valve.CoaptationLength, middle)
	c.closure(depth, share)
	if length.known {
		c.lines = append(c.lines, "coaptation length "+length.marked())
		if length.sound() && c.share.IsSome() && c.depth.IsSome() {
			c.contact = units.Some(length.value)
		}
	}
	c.septumAt(r, repair.Assessment)
	if r.flailOrBillow() {
		c.lines = append(c.lines, "flail and billow are not drawn")
	}
	return c
}

// closure takes the closure point as it was measured.
func (c *cut) closure(depth, share amount) {
	if depth.sound() {
		c.depth = units.Some(depth.value)
	}
	if share.sound() {
		c.share = units.Some(share.value / 100)
	}
	switch {
	case depth.known && share.known:
		c.lines = append(c.lines, "closure point "+depth.marked()+" below the plane, "+share.marked()+" of the diameter from the anterior hinge")
	case depth.known:
		c.lines = append(c.lines, "closure point "+depth.marked()+" below the plane, its place along the diameter not measured")
	case share.known:
		c.lines = append(c.lines, "closure point "+share.marked()+" of the diameter from the anterior hinge, its depth not measured")
	default:
		c.lines = append(c.lines, "closure point not measured")
	}
}

// septumAt takes the distance to the septum, if it was read in systole.
func (c *cut) septumAt(r *reader, kind repair.StudyKind) {
	k, a := r.newest(kind, valve.CoaptationToSeptumDistance, valve.Nowhere)
	switch {
	case !a.known:
	case systolic(r.Case.Measured[k].Context.Phase):
		c.lines = append(c.lines, "closure point to septum "+a.marked())
		if a.sound() {
			c.septum = a
		}
	default:
		c.lines = append(c.lines, "closure point to septum "+a.marked()+", not drawn: systole is not recorded")
	}
}

// flailOrBillow says whether an assessment saw either in the middle of the valve.
func (r *reader) flailOrBillow() bool {
	return slices.ContainsFunc(r.Case.OfKind(repair.Assessment), func(s repair.Study) bool {
		return slices.ContainsFunc(s.Lesions, func(l repair.Lesion) bool {
			at := l.Where.Segment == valve.P2 || l.Where.Segment == valve.A2 || l.Where.Leaflet != ""
			return at && (l.Flail == valve.Yes || l.Has("billowing") || l.Has("chord_rupture") || l.Has("chord_elongation"))
		})
	})
}

// after gives the slice after what was done, or as planned where nothing was.
func (r *reader) after() cut {
	c := cut{name: "After what was done"}
	at := valve.Key{Place: middle, Occasion: valve.AtOperation, Role: valve.PredictedFromExecution}
	if r.Case.Operation == nil || len(r.Case.Operation.Steps) == 0 {
		c = cut{name: "As planned", planned: true}
		at.Occasion, at.Role = valve.AtPlan, valve.PredictedFromPlan
	}
	value := func(id valve.ID) metric.Value {
		at.ID = id
		return r.values[at]
	}
	overlap, contact, share := value(metric.IDPredictedOverlap), value(metric.IDPredictedContact), value(metric.IDPredictedAnteriorShare)
	switch {
	case contact.State == "" && c.planned:
		c.why = "no plan with steps is recorded"
		return c
	case contact.State == "":
		c.why = "no step is recorded of what was done"
		return c
	case contact.State != metric.HasValue:
		c.why = reason(contact)
		return c
	case overlap.State != metric.HasValue:
		c.why = reason(overlap)
		return c
	}
	if c.why = r.unread(contact); c.why != "" {
		return c
	}
	steps := r.stepsOf(c.planned)
	var heights []float64
	for _, in := range contact.Inputs {
		switch in.Key.ID {
		case valve.LeafletHeight:
			if in.Key.Place.Segment() == valve.A2 {
				heights = append(heights, in.Value)
			}
		case valve.CoaptationDepth:
			c.depth = units.Some(in.Value)
		case valve.AnteriorClosureShare:
			c.share = units.Some(in.Value / 100)
		}
	}
	final := r.values[valve.Key{ID: metric.IDFinalPosteriorHeight, Place: valve.AtSegment(valve.P2), Occasion: valve.AtPlan, Role: valve.Planned}]
	if !c.planned {
		run := max(r.Case.Operation.LastRun(), 1)
		final = r.values[valve.Key{ID: metric.IDFinalPosteriorHeight, Place: valve.AtSegment(valve.P2), Occasion: valve.InRun(run, ""), Role: valve.Derived}]
	}
	cutInFront := slices.ContainsFunc(steps, func(s repair.Step) bool {
		return s.At(valve.A2) && (s.Technique == repair.HeightReduction || s.Technique == repair.LeafletResection)
	})
	if c.share.IsNone() && share.State == metric.HasValue {
		c.share = units.Some(share.Value / 100)
	}
	switch {
	case len(heights) == 0 || cutInFront || final.State != metric.HasValue:
		c.why = "the final height of a leaflet is worked out from several values, which a slice does not show"
		return c
	case c.share.IsNone():
		c.why = reason(share)
		return c
	}
	for _, h := range heights {
		c.anterior += h / float64(len(heights))
	}
	c.posterior = final.Value
	c.diameter = diameterOf(c.anterior, c.posterior, c.share.OrElse(0), c.depth.OrElse(0), contact.Uncalibrated.OrElse(contact.Value))
	if ring := lastRing(steps); ring != nil {
		c.device = ring.Ring.Kind
		if a := r.dimension(c.planned, valve.RingInnerAnteroPosteriorDiameter, valve.AtStep(ring.ID)); a.known {
			c.lines = append(c.lines, spaced(c.device)+", inner antero-posterior diameter "+a.marked())
		} else {
			c.lines = append(c.lines, spaced(c.device))
		}
	}
	for i, h := range []float64{units.Round(c.anterior, 0.1), c.posterior} {
		c.heights[i] = amount{value: h, known: true, text: format(valve.LeafletHeight, h)}
	}
	from := "from what was done"
	if c.planned {
		from = "from the plan"
	}
	c.gap = contact.Value < 0
	if !c.gap {
		c.contact = units.Some(overlap.Value)
	}
	c.low, c.high, c.calibration = overlap.Lower, overlap.Upper, overlap.Calibration
	c.lines = append(c.lines, "contact predicted "+from+" "+rangeText(metric.IDPredictedOverlap, overlap))
	if share.State == metric.HasValue {
		c.lines = append(c.lines, "closure line predicted at "+format(metric.IDPredictedAnteriorShare, share.Value)+" of the diameter from the anterior hinge")
	}
	if c.depth.IsNone() {
		c.lines = append(c.lines, "depth of the closure point not measured, drawn in the plane as the model takes it")
	}
	if !c.planned {
		r.measuredAfter(&c)
	}
	return c
}

// measuredAfter takes what was measured on leaving theatre.
func (r *reader) measuredAfter(c *cut) {
	exit := r.Case.Exit()
	if exit == nil {
		c.lines = append(c.lines, "nothing measured on leaving theatre")
		return
	}
	read := func(leaf valve.ID, place valve.Place) amount {
		return r.at(valve.Key{ID: leaf, Place: place, Occasion: exit.Occasion, Role: valve.Measured})
	}
	if a := read(valve.CoaptationLength, middle); a.known {
		c.lines = append(c.lines, "measured "+a.marked())
		if a.sound() {
			c.measured = a
		}
	} else {
		c.lines = append(c.lines, "coaptation length not measured")
	}
	share, depth := read(valve.AnteriorClosureShare, middle), read(valve.CoaptationDepth, middle)
	if share.sound() && depth.sound() {
		c.found = units.Some(picture.At(share.value/100, depth.value))
		c.lines = append(c.lines, "closure point measured at "+share.text+", "+depth.text+" below the plane (open diamond)")
	}
	c.septumAt(r, repair.Result)
}

func (r *reader) stepsOf(ofPlan bool) []repair.Step {
	switch {
	case ofPlan && r.Case.Plan != nil:
		return r.Case.Plan.Steps // the one that the evaluation speaks of
	case !ofPlan && r.Case.Operation != nil:
		return repair.InPlaceAtEnd(r.Case.Operation.Steps)
	}
	return nil
}

func lastRing(steps []repair.Step) *repair.Step {
	var last *repair.Step
	for i := range steps {
		s := &steps[i]
		if s.Technique == repair.Annuloplasty && s.Ring != nil && (last == nil || s.Run > last.Run || s.Run == last.Run && s.Order >= last.Order) {
			last = s
		}
	}
	return last
}

// rangeText says a prediction: its range first, its middle second.
func rangeText(id valve.ID, v metric.Value) string {
	low, hasLow := v.Lower.Get()
	high, hasHigh := v.Upper.Get()
	if !hasLow || !hasHigh {
		return "about " + format(id, v.Value) + ", without a range"
	}
	return bare(id, low) + " to " + format(id, high) + ", middle " + format(id, v.Value)
}

// reason says why there is no value, without the ids of sections and steps.
func reason(v metric.Value) string {
	if len(v.Missing) == 0 || v.State == metric.NotApplicable {
		if v.Explanation == "" {
			return "it is not predicted"
		}
		return v.Explanation
	}
	var list []string
	for _, m := range v.Missing {
		if text := missingText(m); !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	return "not measured: " + words.And(list)
}

// missingText says a missing value without the section it would stand in.
func missingText(m string) string {
	what, _, _ := strings.Cut(m, " of ")
	leaf, place, has := strings.Cut(what, " at ")
	text := words.Spaced(leaf)
	if strings.HasSuffix(m, metric.UntilConfirmed) {
		text += metric.UntilConfirmed
	}
	p, err := valve.ParsePlace(place)
	if !has || err != nil || p.Step() != "" || strings.Contains(place, ":") {
		return text
	}
	if s := p.Segment(); s != "" {
		text += " at " + segmentText(s)
		if st := p.Station(); st != "" && st != valve.SegmentMid {
			text += ", " + spaced(st)
		}
		return text
	}
	return text + " at " + strings.ToUpper(strings.ReplaceAll(place, "_", "-"))
}

// unread says that a height comes without the method by which it was read.
func (r *reader) unread(v metric.Value) string {
	for _, in := range v.Inputs {
		if in.Key.ID != valve.LeafletHeight {
			continue
		}
		method := r.Case.Measured[in.Key].Context.Method
		if method == "" && in.Key.Role == valve.Planned {
			for _, s := range r.Case.OfKind(repair.Assessment) {
				k := valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(in.Key.Place.Segment(), valve.SegmentMid), Occasion: s.Occasion, Role: valve.Measured}
				if m := r.Case.Measured[k].Context.Method; m != "" {
					method = m
				}
			}
		}
		if method == "" {
			return "how the height of " + segmentText(in.Key.Place.Segment()) + " was read is not recorded"
		}
	}
	return ""
}

// diameterOf gives the distance of the hinges at which leaflets of these heights,
// with the closure line at a share and a depth, have this contact on average. It is
// where the model put them; it is drawn and never told.
func diameterOf(anterior, posterior, share, depth, contact float64) float64 {
	low, high := 5.0, 80.0
	for range 60 {
		d := (low + high) / 2
		exposed := math.Hypot(share*d, depth) + math.Hypot((1-share)*d, depth)
		if anterior+posterior-exposed > 2*contact {
			low = d
		} else {
			high = d
		}
	}
	return (low + high) / 2
}

const (
	panelWidth = 181.0
	panelGap   = 8.0
)

type sliceSheet struct {
	*sheet
	scale float64 // units per mm
}

// panel draws one slice with its left edge at x.
func (d *sliceSheet) panel(c cut, x float64) {
	mid := x + panelWidth/2
	d.Y += picture.LineStep
	d.Add(picture.Text{X: x, Y: d.Y - 3, Text: c.name, Size: picture.TextSize, Anchor: picture.Start, Bold: true, Tone: picture.Ink})
	if c.why != "" {
		for _, l := range picture.Wrapped("Not drawn, because "+c.why+".", picture.TextSize, panelWidth-4, false) {
			d.Y += picture.LineStep
			d.Add(picture.Text{X: x, Y: d.Y, Text: l, Size: picture.TextSize, Anchor: picture.Start, Tone: picture.Ink})
		}
		return
	}
	word := func(x, y float64, anchor picture.Anchor, list ...string) {
		for i, t := range list {
			d.Add(picture.Text{X: x, Y: y + float64(i)*11.5, Text: t, Size: picture.SmallText, Anchor: anchor, Tone: picture.Grey})
		}
	}
	d.Y += 14
	word(mid, d.Y, picture.Middle, "left atrium")
	d.Y += 16
	word(x+2, d.Y, picture.Start, "posterior", "wall")
	word(x+panelWidth-2, d.Y, picture.End, "aorta, out-", "flow tract")
	plane := d.Y + 30
	half := c.diameter * d.scale / 2
	posterior, anterior := mid-half, mid+half
	d.Add(picture.Group{Title: "annular plane", Shapes: []picture.Shape{picture.Line(max(x, posterior-14), plane, min(x+panelWidth, anterior+14), plane, picture.Style{Line: picture.Grey, Width: 0.8})}})

	deepest := plane + 18
	leaflet := picture.Style{Line: picture.Ink, Width: 2.6}
	share, hasShare := c.share.Get()
	depth, hasDepth := c.depth.Get()
	switch {
	case hasShare && (hasDepth || !c.planned && c.device != "" || c.planned):
		entry := picture.At(anterior-share*2*half, plane+depth*d.scale)
		deepest = max(deepest, d.closed(c, x, entry, posterior, anterior, plane, leaflet))
	case hasDepth:
		y := plane + depth*d.scale
		d.Add(picture.Line(posterior+6, y, anterior-6, y, picture.Style{Line: picture.Ink, Width: 1, Dash: picture.Dashed}))
		d.Add(picture.Text{X: mid, Y: y + 13, Text: "closure point at this depth", Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Ink})
		deepest = max(deepest, y+18)
	default:
		d.Add(picture.Text{X: mid, Y: plane + 16, Text: "closure point not measured", Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Ink})
	}
	for _, h := range []float64{posterior, anterior} {
		d.Add(picture.Circle{X: h, Y: plane, R: 2.4, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.Ink}})
		if c.device == "" || c.device == repair.PosteriorBand && h == anterior {
			continue
		}
		fill := picture.Light
		if c.planned {
			fill = picture.White
		}
		d.Add(picture.Circle{X: h, Y: plane - 6.5, R: 4, Style: picture.Style{Line: picture.Ink, Width: 1.3, Fill: fill}})
	}
	d.Y = deepest + 16
	word(mid, d.Y, picture.Middle, "left ventricle")
	d.Y += 4
	d.lengths(c, x)
	d.Y += 6
}

// lengths draws the heights of both leaflets as bars, to the scale of the slice.
func (d *sliceSheet) lengths(c cut, x float64) {
	for i, seg := range []valve.Segment{valve.A2, valve.P2} {
		d.Y += 13
		d.Add(picture.Text{X: x + 2, Y: d.Y, Text: segmentText(seg), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
		a := c.heights[i]
		if !a.known {
			d.Add(picture.Text{X: x + 22, Y: d.Y, Text: "height not measured", Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
			continue
		}
		at := x + 22
		if a.sound() {
			long := min(a.value*d.scale, panelWidth-70)
			d.Add(picture.Rectangle{X: at, Y: d.Y - 7, W: long, H: 6, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.Pale}})
			at += long + 5
		}
		d.Add(picture.Text{X: at, Y: d.Y, Text: a.marked(), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
	}
}

// closed draws leaflets that meet at the entry, the contact below it, its prediction
// and what was measured; it gives how far down it goes.
func (d *sliceSheet) closed(c cut, x float64, entry picture.Point, posterior, anterior, plane float64, style picture.Style) float64 {
	bottom := entry.Y
	if c.gap {
		tip := func(from float64, height float64) picture.Point {
			dx, dy := entry.X-from, entry.Y-plane
			long := math.Hypot(dx, dy)
			k := min(height*d.scale/long, 1)
			return picture.At(from+dx*k, plane+dy*k)
		}
		p, a := tip(posterior, c.posterior), tip(anterior, c.anterior)
		d.Add(picture.Line(posterior, plane, p.X, p.Y, style), picture.Line(anterior, plane, a.X, a.Y, style))
		d.Add(picture.Text{X: entry.X, Y: entry.Y + 14, Text: "a gap", Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Ink})
		bottom += 16
	} else {
		long := c.contact.OrElse(0) * d.scale
		d.Add(picture.Group{Title: "leaflets", Shapes: []picture.Shape{
			picture.Polyline(style, picture.At(posterior, plane), picture.At(entry.X-1.6, entry.Y), picture.At(entry.X-1.6, entry.Y+long)),
			picture.Polyline(style, picture.At(anterior, plane), picture.At(entry.X+1.6, entry.Y), picture.At(entry.X+1.6, entry.Y+long)),
		}})
		bottom += long
	}
	low, hasLow := c.low.Get()
	high, hasHigh := c.high.Get()
	if hasLow && hasHigh {
		from, to := entry.Y+max(low, 0)*d.scale, entry.Y+max(high, 0)*d.scale
		at := entry.X + 12
		b := picture.Style{Line: picture.Blue, Width: 1.4}
		d.Add(picture.Group{Title: "predicted contact, lowest to highest", Shapes: []picture.Shape{picture.Polyline(b, picture.At(at-4, from), picture.At(at, from), picture.At(at, to), picture.At(at-4, to))}})
		number := func(v, y float64) {
			d.Add(picture.Text{X: at + 4, Y: y, Text: bare(metric.IDPredictedOverlap, v), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Blue})
		}
		mid := (from + to) / 2
		if to-from >= 26 {
			number(low, from+8)
			number(high, to+1)
			if to-from >= 40 {
				d.Add(picture.Text{X: at + 4, Y: mid + 6, Text: "predicted", Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Blue})
			}
		} else {
			d.Add(picture.Text{X: at + 4, Y: mid + 4, Text: bare(metric.IDPredictedOverlap, low) + " to " + bare(metric.IDPredictedOverlap, high), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Blue})
		}
		bottom = max(bottom, to)
	}
	if c.measured.known {
		to := entry.Y + c.measured.value*d.scale
		at := entry.X - 10
		d.Add(picture.Group{Title: "measured contact", Shapes: []picture.Shape{
			picture.Line(at, entry.Y, at, to, picture.Style{Line: picture.Ink, Width: 3}), picture.Line(at-4, entry.Y, at+4, entry.Y, picture.Style{Line: picture.Ink, Width: 1.2}), picture.Line(at-4, to, at+4, to, picture.Style{Line: picture.Ink, Width: 1.2}),
		}})
		y := max((entry.Y+to)/2, entry.Y+9)
		d.Add(
			picture.Text{X: at - 7, Y: y + 2, Text: bare(valve.CoaptationLength, c.measured.value), Size: picture.SmallText, Anchor: picture.End, Bold: true, Tone: picture.Ink},
			picture.Text{X: at - 7, Y: y + 14, Text: "measured", Size: picture.SmallText, Anchor: picture.End, Tone: picture.Ink},
		)
		bottom = max(bottom, to, y+16)
	}
	if found, ok := c.found.Get(); ok {
		px, py := anterior-found.X*(anterior-posterior), plane+found.Y*d.scale
		d.Add(picture.Group{Title: "closure point as measured", Shapes: []picture.Shape{
			picture.Polygon(picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.White}, picture.At(px, py-4.5), picture.At(px+4.5, py), picture.At(px, py+4.5), picture.At(px-4.5, py)),
		}})
	}
	if c.septum.known {
		at := entry.X + c.septum.value*d.scale
		if at < x+panelWidth-4 {
			d.Add(picture.Group{Title: "septum", Shapes: []picture.Shape{
				picture.Line(at, entry.Y-10, at, entry.Y+24, picture.Style{Line: picture.Grey, Width: 4}),
				picture.Line(entry.X+3, entry.Y, at-3, entry.Y, picture.Style{Line: picture.Grey, Width: 0.8, Dash: picture.Dotted}),
				picture.Text{X: min(at+14, x+panelWidth-2), Y: entry.Y + 36, Text: "septum", Size: picture.SmallText, Anchor: picture.End, Tone: picture.Grey},
			}})
			bottom = max(bottom, entry.Y+38)
		}
	}
	return bottom
}

// bar draws how long 10 mm are.
func (d *sliceSheet) bar() {
	const mm = 10.0
	d.Y += 12
	x, style := picture.FrameEdge+2, picture.Style{Line: picture.Ink, Width: 1.4}
	d.Add(picture.Group{Title: "scale", Shapes: []picture.Shape{
		picture.Line(x, d.Y, x+mm*d.scale, d.Y, style), picture.Line(x, d.Y-4, x, d.Y+4, style), picture.Line(x+mm*d.scale, d.Y-4, x+mm*d.scale, d.Y+4, style),
		picture.Text{X: x + mm*d.scale + 6, Y: d.Y + 4, Text: fmt.Sprintf("%g%smm", mm, unbroken), Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink},
	}})
	d.Y += 6
}
