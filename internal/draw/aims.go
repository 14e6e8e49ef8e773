package draw

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/picture"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

const aimsTitle = "Aim, prediction and outcome"

// Columns of the drawing: names of the lanes, the axis, numbers.
const (
	aimsLeft, aimsRight = 132.0, 290.0
	laneHeight          = 15.0
)

// laneKind is what a lane of a row shows.
type laneKind int

const (
	aimLane laneKind = iota
	predictionLane
	limitLane
	measuredLane
	textLane // words only
)

// aimLine is one lane: its name, its numbers in words and where they lie.
type aimLine struct {
	kind      laneKind
	name      string
	numbers   string
	low, high units.Maybe[float64] // of aim, prediction and limit
	at        units.Maybe[float64] // middle of a prediction, or the reading
	hollow    bool                 // a reading before the last
}

// aimRow is one quantity with its axis.
type aimRow struct {
	name  string
	lanes []aimLine
	// low and high are the ends of the axis, steps what is marked on it.
	low, high float64
	marks     []axisMark
}

type axisMark struct {
	at   float64
	text string
}

// Aims draws one row a quantity that the plan aims at or that is predicted: the aim
// as a box, predictions as lines with their middle, readings as dots, limits as
// ticks, each row on an axis of its own.
func Aims(s Subject) picture.Picture {
	r := s.reader()
	rows := r.aimRows()
	if len(rows) == 0 {
		return picture.NotDrawn(NameAims, aimsTitle, "the plan states no aim, and nothing is predicted")
	}
	d := newSheet(NameAims, aimsTitle)
	d.Say("Box: aim. Line: range predicted, its tick the middle. Dot: measured. Dashed tick: limit.", picture.Grey)
	var said []string
	predicted := false
	for _, row := range rows {
		said = append(said, d.aimRow(row))
		predicted = predicted || slices.ContainsFunc(row.lanes, func(l aimLine) bool { return l.kind == predictionLane })
	}
	remarks := r.planRemarks()
	if predicted {
		remarks = append(remarks, "Predictions: "+r.modelLabel()+".")
	}
	if r.Case.Operation.Converted() {
		remarks = append(remarks, "The repair was given up for a replacement: readings after it are of the prosthesis.")
	}
	if slices.ContainsFunc(said, func(t string) bool { return strings.Contains(t, "?") }) {
		remarks = append(remarks, "? disputed, or to be checked: as typed.")
	}
	d.Y += 6
	for _, text := range remarks {
		d.Y += 2
		d.Say(text, picture.Grey)
	}
	return d.Done(append(said, remarks...)...)
}

// planRemarks say what the plan that is drawn is worth.
func (r *reader) planRemarks() []string {
	if r.plan == nil || r.Case.Operation == nil {
		return nil
	}
	switch r.Evaluation.InForce.Timing {
	case repair.Unsigned:
		return []string{"The plan was not signed: it is not in force."}
	case repair.Retrospective:
		return []string{"The plan was signed after incision: it is not in force."}
	case repair.NoIncisionTime:
		return []string{"The time of incision is not recorded: whether the plan was in force cannot be told."}
	case repair.LateArrival:
		return []string{"The plan was signed before incision and received after it."}
	}
	return nil
}

// aimRows lists the quantities: those of the aims in their order, then those that are
// only predicted.
func (r *reader) aimRows() []aimRow {
	type subject struct {
		leaf  valve.ID
		place valve.Place
	}
	var order []subject
	add := func(s subject) {
		if !slices.Contains(order, s) {
			order = append(order, s)
		}
	}
	var grades []repair.Target
	if r.plan != nil {
		for _, t := range r.plan.Targets {
			switch {
			case t.Leaf != "":
				add(subject{t.Leaf, t.Place})
			case t.Grade.Known():
				grades = append(grades, t)
			}
		}
	}
	if r.planned == nil && slices.ContainsFunc(r.predictions(valve.CoaptationLength), func(v metric.Value) bool { return v.State == metric.HasValue }) {
		add(subject{valve.CoaptationLength, middle})
	}
	if slices.ContainsFunc(r.predictions(valve.MeanGradient), func(v metric.Value) bool { return v.State == metric.HasValue }) {
		add(subject{valve.MeanGradient, valve.Nowhere})
	}
	var rows []aimRow
	for _, s := range order {
		if row := r.aimRowOf(s.leaf, s.place); len(row.lanes) > 0 {
			rows = append(rows, row)
		}
	}
	for _, t := range grades {
		rows = append(rows, r.gradeRow(t))
	}
	return rows
}

// predictions gives what is predicted of a leaf: from the plan, then from what was
// done.
func (r *reader) predictions(leaf valve.ID) []metric.Value {
	ids := map[valve.ID]valve.ID{
		valve.CoaptationLength: metric.IDPredictedOverlap, valve.MeanGradient: metric.IDExpectedGradient, valve.AnteriorClosureShare: metric.IDPredictedAnteriorShare,
	}
	var list []metric.Value
	id, ok := ids[leaf]
	if !ok {
		return nil
	}
	for _, v := range r.Evaluation.Metrics {
		fromPlan := v.Key.Occasion == valve.AtPlan
		if v.Key.ID != id || leaf != valve.MeanGradient && v.Key.Place != middle || fromPlan && r.planned != nil {
			continue
		}
		if leaf == valve.MeanGradient && !fromPlan && v.State != metric.HasValue {
			continue // one for every study
		}
		list = append(list, v)
	}
	slices.SortStableFunc(list, func(a, b metric.Value) int {
		return cmp.Compare(b2i(a.Key.Occasion != valve.AtPlan), b2i(b.Key.Occasion != valve.AtPlan))
	})
	return list
}

func (r *reader) aimRowOf(leaf valve.ID, place valve.Place) aimRow {
	row := aimRow{name: words.Capital(words.Spaced(leaf))}
	if p := missingText(string(leaf) + " at " + string(place)); place != valve.Nowhere {
		row.name = words.Capital(p)
	}
	if u := unitText(leaf); u != "" {
		row.name += ", " + u
	}
	if r.plan != nil {
		for _, t := range r.plan.Targets {
			if t.Leaf == leaf && t.Place == place && (t.Low.IsSome() || t.High.IsSome()) {
				name := "aim"
				if t.Stage != "" && t.Stage != valve.LeavingTheatre {
					name += ", " + spaced(t.Stage)
				}
				row.lanes = append(row.lanes, aimLine{kind: aimLane, name: name, numbers: r.endsText(leaf, t.Low, t.High), low: t.Low, high: t.High})
			}
		}
	}
	told := map[string]bool{}
	for _, v := range r.predictions(leaf) {
		name := "predicted, as done"
		if v.Key.Occasion == valve.AtPlan {
			name = "predicted, as planned"
		}
		if told[name] {
			continue
		}
		told[name] = true
		switch {
		case v.State != metric.HasValue:
			if len(row.lanes) > 0 || leaf == valve.CoaptationLength {
				row.lanes = append(row.lanes, aimLine{kind: textLane, name: name, numbers: "not predicted: " + reason(v)})
			}
		case v.Lower.IsSome() && v.Upper.IsSome():
			row.lanes = append(row.lanes, aimLine{
				kind: predictionLane, name: name, low: v.Lower, high: v.Upper, at: units.Some(v.Value),
				numbers: bare(v.Key.ID, v.Lower.OrElse(0)) + " to " + bare(v.Key.ID, v.Upper.OrElse(0)),
			})
		}
	}
	row.lanes = append(row.lanes, r.limitLanes(leaf, place)...)
	row.lanes = append(row.lanes, r.readings(leaf, place)...)
	row.axis()
	return row
}

// endsText says the ends of an aim, on the grid of its leaf.
func (r *reader) endsText(leaf valve.ID, low, high units.Maybe[float64]) string {
	l, hasLow := low.Get()
	h, hasHigh := high.Get()
	switch {
	case hasLow && hasHigh:
		return bare(leaf, l) + " to " + bare(leaf, h)
	case hasLow:
		return "at least " + bare(leaf, l)
	}
	return "at most " + bare(leaf, h)
}

// limitLanes gives the site's limits by which readings of the leaf are judged.
func (r *reader) limitLanes(leaf valve.ID, place valve.Place) []aimLine {
	for _, c := range r.Evaluation.Comparisons {
		if c.Kind == discrepancy.KindSiteLimit && c.Metric == string(leaf) && c.Place == place && (c.Lower.IsSome() || c.Upper.IsSome()) {
			at := c.Upper
			if at.IsNone() {
				at = c.Lower
			}
			return []aimLine{{kind: limitLane, name: "limit", numbers: r.endsText(leaf, c.Lower, c.Upper), at: at}}
		}
	}
	return nil
}

// readings gives what was measured after the repair: off bypass, and on leaving
// theatre.
func (r *reader) readings(leaf valve.ID, place valve.Place) []aimLine {
	var list []aimLine
	if r.Case.Operation == nil && len(r.Case.OfKind(repair.Result)) == 0 {
		return nil
	}
	add := func(o valve.Occasion, name string, hollow bool) bool {
		a := r.at(valve.Key{ID: leaf, Place: place, Occasion: o, Role: valve.Measured})
		if !a.known {
			return false
		}
		line := aimLine{kind: measuredLane, name: name, hollow: hollow, numbers: bare(leaf, a.value), at: units.Some(a.value)}
		if a.doubtful() {
			line.numbers += "?"
		}
		list = append(list, line)
		return true
	}
	exit := r.Case.Exit()
	for _, s := range r.Case.OfKind(repair.Result) {
		if s.Stage == valve.OffBypass && add(s.Occasion, "measured off bypass", true) {
			break
		}
	}
	if leaf == valve.LeafletHeight && r.Case.Operation != nil {
		for _, f := range r.Case.Operation.FieldSets {
			if f.Stage.Rank() >= valve.AfterLeafletWork.Rank() {
				add(f.Occasion, "measured", false)
			}
		}
	}
	if exit != nil {
		add(exit.Occasion, "measured at the end", false)
	}
	if len(list) == 0 {
		list = append(list, aimLine{kind: textLane, name: "measured", numbers: "not measured"})
	}
	return list
}

// axis finds the ends of the row's axis and its marks: whole steps around everything
// that lies on it.
func (row *aimRow) axis() {
	low, high := math.Inf(1), math.Inf(-1)
	for _, l := range row.lanes {
		for _, v := range []units.Maybe[float64]{l.low, l.high, l.at} {
			if x, ok := v.Get(); ok {
				low, high = min(low, x), max(high, x)
			}
		}
	}
	if math.IsInf(low, 0) {
		return
	}
	if low > 0 && low < 0.5*high {
		low = 0
	}
	step := niceStep((high - low) / 4)
	row.low, row.high = math.Floor(low/step)*step, math.Ceil(high/step)*step
	if row.high == row.low {
		row.high += step
	}
	for x := row.low; x <= row.high+step/2; x += step {
		row.marks = append(row.marks, axisMark{x, strconv.FormatFloat(math.Round(x*100)/100, 'f', -1, 64)})
	}
}

// niceStep gives 1, 2 or 5 times a power of ten, not below what is asked for.
func niceStep(least float64) float64 {
	if least <= 0 {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, k := range []float64{1, 2, 5, 10} {
		if k*power >= least {
			return k * power
		}
	}
	return 10 * power
}

// Grades of the schemes, in their order.
var gradesOf = map[string][]string{
	repair.FiveStep:      {"none", "trace", "mild", "moderate", "severe"},
	repair.SplitModerate: {"none", "trace", "mild", "mild_to_moderate", "moderate_to_severe", "severe"},
	repair.PlusSigns:     {"plus_0", "plus_1", "plus_2", "plus_3", "plus_4"},
}

// gradeRow is the row of an aim that is a grade: the axis has the grades of its scheme.
func (r *reader) gradeRow(t repair.Target) aimRow {
	grades := gradesOf[t.Grade.Scheme]
	row := aimRow{name: "Regurgitation, grade", low: -0.3, high: float64(len(grades)) - 0.7}
	for i, g := range grades {
		grade := repair.Grade{Scheme: t.Grade.Scheme, Value: g}
		text := grade.String()
		if i != 0 && i != len(grades)-1 && t.Grade.Scheme == repair.SplitModerate {
			text = ""
		}
		row.marks = append(row.marks, axisMark{float64(i), text})
	}
	most, _ := t.Grade.Rank()
	row.lanes = append(row.lanes, aimLine{kind: aimLane, name: "aim", numbers: "at most " + t.Grade.String(), high: units.Some(float64(most) + 0.3)})
	add := func(s *repair.Study, name string, hollow bool) {
		if !s.Grade.Known() {
			return
		}
		line := aimLine{kind: measuredLane, name: name, numbers: s.Grade.String(), hollow: hollow}
		if rank, _ := s.Grade.Rank(); s.Grade.Scheme == t.Grade.Scheme {
			line.at = units.Some(float64(rank))
		} else {
			line.kind, line.numbers = textLane, line.numbers+", in another scheme"
		}
		row.lanes = append(row.lanes, line)
	}
	for _, s := range r.Case.OfKind(repair.Result) {
		if s.Stage == valve.OffBypass && s.Grade.Known() {
			add(&s, "seen off bypass", true)
			break
		}
	}
	exit := r.Case.Exit()
	if exit != nil {
		add(exit, "seen at the end", false)
	}
	if len(row.lanes) == 1 && r.Case.Operation != nil {
		row.lanes = append(row.lanes, aimLine{kind: textLane, name: "seen", numbers: "not recorded"})
	}
	return row
}

// aimRow draws a row and says it.
func (d *sheet) aimRow(row aimRow) string {
	said := row.name + ": "
	d.Y += 5
	d.MayBreak()
	d.Y += 5
	d.Y += picture.LineStep
	d.Add(picture.Text{X: picture.FrameEdge, Y: d.Y - 3, Text: row.name, Size: picture.TextSize, Anchor: picture.Start, Bold: true, Tone: picture.Ink})
	d.Y += 3
	x := func(v float64) float64 { return aimsLeft + (v-row.low)/(row.high-row.low)*(aimsRight-aimsLeft) }
	top := d.Y
	var limits, parts []string
	var ticks []float64
	for _, l := range row.lanes {
		parts = append(parts, l.name+" "+l.numbers)
		d.Y += laneHeight
		y := d.Y - laneHeight/2
		d.Add(picture.Text{X: picture.FrameEdge, Y: y + 3.5, Text: l.name, Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Ink})
		if l.kind == textLane {
			for i, t := range picture.Wrapped(l.numbers, picture.SmallText, picture.TextRight-aimsLeft, false) {
				if i > 0 {
					d.Y += 12.5
				}
				d.Add(picture.Text{X: aimsLeft, Y: y + 3.5 + float64(i)*12.5, Text: t, Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
			}
			continue
		}
		d.Add(picture.Text{X: picture.TextRight, Y: y + 3.5, Text: l.numbers, Size: picture.SmallText, Anchor: picture.End, Tone: picture.Ink})
		low, high := l.low.OrElse(row.low), l.high.OrElse(row.high)
		switch l.kind {
		case aimLane:
			style := picture.Style{Line: picture.Ink, Width: 1.2, Fill: picture.Pale}
			left, right := x(low), x(high)
			d.Add(picture.Rectangle{X: left, Y: y - 4.5, W: right - left, H: 9, Style: picture.Style{Fill: picture.Pale}})
			d.Add(picture.Line(left, y-4.5, right, y-4.5, style), picture.Line(left, y+4.5, right, y+4.5, style))
			if l.low.IsSome() {
				d.Add(picture.Line(left, y-4.5, left, y+4.5, style))
			}
			if l.high.IsSome() {
				d.Add(picture.Line(right, y-4.5, right, y+4.5, style))
			}
		case predictionLane:
			style := picture.Style{Line: picture.Blue, Width: 1.6}
			d.Add(picture.Line(x(low), y, x(high), y, style), picture.Line(x(low), y-3, x(low), y+3, style), picture.Line(x(high), y-3, x(high), y+3, style))
			if m, ok := l.at.Get(); ok {
				d.Add(picture.Line(x(m), y-4.5, x(m), y+4.5, picture.Style{Line: picture.Blue, Width: 2.6}))
			}
		case limitLane:
			limits = append(limits, l.numbers)
			if v, ok := l.at.Get(); ok {
				ticks = append(ticks, x(v))
			}
		case measuredLane:
			style := picture.Style{Line: picture.Ink, Width: 1.4, Fill: picture.Ink}
			if l.hollow {
				style.Fill = picture.White
			}
			if v, ok := l.at.Get(); ok {
				d.Add(picture.Circle{X: x(v), Y: y, R: 4, Style: style})
			}
		}
	}
	for _, at := range ticks {
		d.Add(picture.Group{Title: "limit " + strings.Join(limits, ", "), Shapes: []picture.Shape{picture.Line(at, top, at, d.Y+1, picture.Style{Line: picture.Ink, Width: 1.6, Dash: picture.Dashed})}})
	}
	if len(row.marks) > 0 {
		d.Y += 3
		axis := picture.Group{Title: axisTitle, Shapes: []picture.Shape{picture.Line(aimsLeft, d.Y, aimsRight, d.Y, picture.Style{Line: picture.Grey, Width: 1})}}
		for _, m := range row.marks {
			axis.Shapes = append(axis.Shapes, picture.Line(x(m.at), d.Y, x(m.at), d.Y+4, picture.Style{Line: picture.Grey, Width: 1}))
			if m.text != "" {
				axis.Shapes = append(axis.Shapes, picture.Text{X: x(m.at), Y: d.Y + 13, Text: shortGrade(m.text), Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Grey})
			}
		}
		d.Add(axis)
		d.Y += 15
	}
	return said + strings.Join(parts, "; ") + "."
}

// axisTitle names what belongs to an axis: its numbers are no values of the case.
const axisTitle = "axis"

// shortGrade is a grade as it stands at the axis, where five have to stand.
func shortGrade(text string) string {
	if text == "moderate" {
		return "mod."
	}
	return text
}
