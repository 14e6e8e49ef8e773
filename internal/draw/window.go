package draw

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/discrepancy"
	"trigone/internal/explore"
	"trigone/internal/metric"
	"trigone/internal/picture"
	"trigone/internal/rules"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

const windowTitle = "The window: the plan at other heights of P2 and other rings"

// NameWindow is the drawing of a plan's variants, which asks for them beside the
// subject.
const NameWindow = "window"

// WindowMetrics are what Window reads of each variant, as far as the plan has them.
var WindowMetrics = []valve.ID{
	metric.IDPredictedContact, metric.IDPredictedAnteriorShare, metric.IDExpectedGradient, metric.IDFactorCount,
}

// Variation is a plan at every point of one or two of its dimensions, as package
// explore answers: the first axis the height of P2, the second the sizes of a ring.
type Variation struct {
	Axes     []explore.Described
	Plan     explore.Variant
	Variants []explore.Variant // in grid order
}

const (
	mapLeft, mapRight = 62.0, picture.FrameWidth - 12
	cellHeight        = 34.0
	narrowest         = 44.0 // a cell that still holds its marks
)

// cell is one variant on the map.
type cell struct {
	contact explore.Metric
	marks   []string
	now     bool
}

// windowSheet is the drawing in the making.
type windowSheet struct {
	*sheet
	*reader
	v           Variation
	rows, cols  int
	cells       []cell
	left, right []float64 // of the columns
	top         float64
	letters     []string // rules, by their letter
	low, high   units.Maybe[float64]
}

// Window draws the plan's variants as a table to scale: in each cell the middle of
// the predicted contact, with marks for both harms and for every rule that the
// variant breaks. No cell is filled by how good it is, and none is called best.
func Window(s Subject, v Variation) picture.Picture {
	r := s.reader()
	if len(v.Axes) == 0 || len(v.Axes) > 2 || len(v.Variants) == 0 {
		return picture.NotDrawn(NameWindow, windowTitle, "the plan gives no final height of P2 to vary")
	}
	d := &windowSheet{sheet: newSheet(NameWindow, windowTitle), reader: r, v: v, rows: v.Axes[0].Count, cols: 1}
	if len(v.Axes) == 2 {
		d.cols = v.Axes[1].Count
	}
	if d.rows*d.cols != len(v.Variants) || float64(d.cols)*narrowest > mapRight-mapLeft || d.rows > 24 {
		return picture.NotDrawn(NameWindow, windowTitle, fmt.Sprintf("%d by %d variants have no room on one map", d.rows, d.cols))
	}
	if r.plan != nil {
		for _, t := range r.plan.Targets {
			if t.Leaf == valve.CoaptationLength && (t.Place == middle || t.Place == valve.Nowhere) {
				d.low, d.high = t.Low, t.High
			}
		}
	}
	d.fill()
	across := "The planned ring as it is: the site's ring table has no other size of it."
	if d.cols > 1 || len(v.Axes) == 2 {
		across = "Across: the site's sizes of the ring, label and inner antero-posterior diameter, mm."
	}
	d.Say("Down: final height of P2, mm. "+across+" In each cell the middle of the predicted contact, mm.", picture.Grey)
	d.columns()
	d.table()
	d.edges()
	d.unable()
	d.MayBreak()
	said := d.windowKey()
	return d.Done(append([]string{d.inWords()}, said...)...)
}

func (d *windowSheet) cell(row, col int) *cell { return &d.cells[row*d.cols+col] }

// fill reads the variants.
func (d *windowSheet) fill() {
	least, ceiling := d.leastShare(), d.ceiling()
	d.cells = make([]cell, len(d.v.Variants))
	for i, variant := range d.v.Variants {
		c := &d.cells[i]
		for _, m := range variant.Metrics {
			value := m.State == metric.HasValue
			switch m.Key.ID {
			case metric.IDPredictedContact:
				if m.Key.Place == middle {
					c.contact = m
				}
			case metric.IDPredictedAnteriorShare:
				if limit, ok := least.Get(); ok && m.Key.Place == middle && value && m.Value < limit {
					c.marks = append(c.marks, "L")
				}
			case metric.IDExpectedGradient:
				if limit, ok := ceiling.Get(); ok && value && m.Value > limit {
					c.marks = append(c.marks, "G")
				}
			case metric.IDFactorCount:
				if value && m.Value > 0 {
					c.marks = append(c.marks, fmt.Sprintf("M%g", m.Value))
				}
			}
		}
		slices.SortStableFunc(c.marks, strings.Compare)
		var broken []string
		for _, f := range variant.Findings {
			if !slices.Contains(d.letters, f.Rule) {
				d.letters = append(d.letters, f.Rule)
			}
			if l := string(rune('a' + slices.Index(d.letters, f.Rule))); !slices.Contains(broken, l) {
				broken = append(broken, l)
			}
		}
		slices.Sort(broken)
		c.marks = append(c.marks, broken...)
		c.now = d.asPlanned(variant)
	}
}

// asPlanned says whether a variant is the plan as it is.
func (d *windowSheet) asPlanned(v explore.Variant) bool {
	for i, value := range v.Values {
		if i >= len(d.v.Plan.Values) {
			return false
		}
		was := d.v.Plan.Values[i]
		switch {
		case value.Ring != nil && was.Ring != nil:
			same := value.Ring.Label == was.Ring.Label && value.Ring.Label.IsSome() ||
				value.Ring.AnteroPosteriorMM == was.Ring.AnteroPosteriorMM && value.Ring.AnteroPosteriorMM.IsSome()
			if !same {
				return false
			}
		default:
			mm, ok := was.MM.Get()
			if !ok { // as it follows from the rest of the plan
				a := d.plannedHeight(valve.P2)
				mm, ok = a.value, a.known
			}
			at, _ := value.MM.Get()
			if !ok || math.Abs(mm-at) > 0.05 {
				return false
			}
		}
	}
	return true
}

// leastShare gives the least share of the diameter that the plan wants in front of
// the closure line.
func (d *windowSheet) leastShare() units.Maybe[float64] {
	if d.plan != nil {
		for _, t := range d.plan.Targets {
			if t.Leaf == valve.AnteriorClosureShare && t.Low.IsSome() {
				return t.Low
			}
		}
	}
	return units.None[float64]()
}

// ceiling gives the highest mean gradient that the plan accepts, or else that of the
// site's limit.
func (d *windowSheet) ceiling() units.Maybe[float64] {
	if d.plan != nil {
		for _, t := range d.plan.Targets {
			if t.Leaf == valve.MeanGradient && t.High.IsSome() {
				return t.High
			}
		}
	}
	for _, c := range d.Evaluation.Comparisons {
		if c.Kind == discrepancy.KindSiteLimit && c.Metric == string(valve.MeanGradient) && c.Upper.IsSome() {
			return c.Upper
		}
	}
	return units.None[float64]()
}

// columns lays the columns out: to the scale of the diameters where all are known
// and none becomes too narrow, else equally.
func (d *windowSheet) columns() {
	d.left, d.right = make([]float64, d.cols), make([]float64, d.cols)
	width := min((mapRight-mapLeft)/float64(d.cols), 64)
	for i := range d.cols {
		d.left[i], d.right[i] = mapLeft+float64(i)*width, mapLeft+float64(i+1)*width
	}
	at := d.diameters()
	if len(at) != d.cols || d.cols < 2 || !slices.IsSorted(at) {
		return
	}
	bounds := make([]float64, d.cols+1)
	for i := 1; i < d.cols; i++ {
		bounds[i] = (at[i-1] + at[i]) / 2
	}
	bounds[0], bounds[d.cols] = at[0]-(bounds[1]-at[0]), at[d.cols-1]+(at[d.cols-1]-bounds[d.cols-1])
	scale := width * float64(d.cols) / (bounds[d.cols] - bounds[0])
	for i := range d.cols {
		if (bounds[i+1]-bounds[i])*scale < narrowest {
			return
		}
	}
	for i := range d.cols {
		d.left[i], d.right[i] = mapLeft+(bounds[i]-bounds[0])*scale, mapLeft+(bounds[i+1]-bounds[0])*scale
	}
}

// diameters gives the inner antero-posterior diameters of the columns, as far as all
// are known.
func (d *windowSheet) diameters() []float64 {
	if len(d.v.Axes) < 2 {
		return nil
	}
	var list []float64
	for i := range d.cols {
		if r := d.v.Variants[i].Values[1].Ring; r != nil && r.AnteroPosteriorMM.IsSome() {
			list = append(list, r.AnteroPosteriorMM.OrElse(0))
		}
	}
	return list
}

func short(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") }

// heads gives what stands over a column.
func (d *windowSheet) heads(col int) (label, diameter string) {
	if len(d.v.Axes) < 2 {
		return "planned", "ring"
	}
	r := d.v.Variants[col].Values[1].Ring
	if r == nil {
		return "", ""
	}
	label, diameter = "no label", "not known"
	if l, ok := r.Label.Get(); ok {
		label = short(l)
	}
	if a, ok := r.AnteroPosteriorMM.Get(); ok {
		diameter = short(a) + unbroken + "mm"
	}
	return label, diameter
}

func (d *windowSheet) height(row int) string {
	return short(d.v.Variants[row*d.cols].Values[0].MM.OrElse(0))
}

// table draws the cells.
func (d *windowSheet) table() {
	d.Y += 6
	for i := range d.cols {
		label, diameter := d.heads(i)
		x := (d.left[i] + d.right[i]) / 2
		d.Add(
			picture.Text{X: x, Y: d.Y + 10, Text: label, Size: picture.SmallText, Anchor: picture.Middle, Bold: true, Tone: picture.Ink},
			picture.Text{X: x, Y: d.Y + 22, Text: diameter, Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Grey},
		)
	}
	d.Y += 27
	d.top = d.Y
	for row := range d.rows {
		y := d.top + float64(row)*cellHeight
		d.Add(picture.Text{X: mapLeft - 6, Y: y + cellHeight/2 + 4, Text: d.height(row), Size: picture.SmallText, Anchor: picture.End, Bold: true, Tone: picture.Ink})
		for col := range d.cols {
			d.drawCell(row, col, y)
		}
	}
	for row := range d.rows {
		for col := range d.cols {
			if d.cell(row, col).now {
				y := d.top + float64(row)*cellHeight
				d.Add(picture.Group{Title: "the plan as it is", Shapes: []picture.Shape{
					picture.Rectangle{X: d.left[col] + 1.5, Y: y + 1.5, W: d.right[col] - d.left[col] - 3, H: cellHeight - 3, Style: picture.Style{Line: picture.Ink, Width: 2}},
				}})
			}
		}
	}
	d.Y = d.top + float64(d.rows)*cellHeight
}

func (d *windowSheet) drawCell(row, col int, y float64) {
	c := d.cell(row, col)
	left, right := d.left[col], d.right[col]
	x := (left + right) / 2
	d.Add(picture.Rectangle{X: left, Y: y, W: right - left, H: cellHeight, Style: picture.Style{Line: picture.Light, Width: 0.8, Fill: picture.White}})
	switch c.contact.State {
	case metric.HasValue:
		d.Add(picture.Text{X: x, Y: y + 14, Text: bare(metric.IDPredictedContact, c.contact.Value), Size: picture.TextSize, Anchor: picture.Middle, Bold: true, Tone: picture.Ink})
	case metric.NotApplicable:
		cross := picture.Style{Line: picture.Grey, Width: 1}
		d.Add(picture.Group{Title: "outside the model's domain", Shapes: []picture.Shape{
			picture.Line(left+6, y+3, right-6, y+17, cross), picture.Line(left+6, y+17, right-6, y+3, cross),
		}})
	default:
		d.Add(picture.Text{X: x, Y: y + 14, Text: "–", Size: picture.TextSize, Anchor: picture.Middle, Tone: picture.Ink})
	}
	marks := c.marks
	for most := int((right - left - 2) / picture.TextWidth(" ", picture.SmallText, false)); len([]rune(strings.Join(marks, " "))) > most && len(marks) > 1; {
		marks = append(slices.Clone(marks[:len(marks)-2]), "+") // the table has no room for all
	}
	if len(marks) > 0 {
		d.Add(picture.Text{X: x, Y: y + 28, Text: strings.Join(marks, " "), Size: picture.SmallText, Anchor: picture.Middle, Tone: picture.Blue})
	}
}

// edges draws where the middle of the model crosses an end of the aim.
func (d *windowSheet) edges() {
	group := picture.Group{Title: "edge of the aim, middle of the model"}
	style := picture.Style{Line: picture.Ink, Width: 2, Dash: picture.Dashed}
	side := func(row, col int) (int, bool) {
		m := d.cell(row, col).contact
		if m.State != metric.HasValue {
			return 0, false
		}
		switch {
		case d.low.IsSome() && m.Value < d.low.OrElse(0):
			return -1, true
		case d.high.IsSome() && m.Value > d.high.OrElse(0):
			return 1, true
		}
		return 0, true
	}
	for row := range d.rows {
		for col := range d.cols {
			here, known := side(row, col)
			y := d.top + float64(row)*cellHeight
			if !known {
				continue
			}
			if row+1 < d.rows {
				if below, ok := side(row+1, col); ok && below != here {
					group.Shapes = append(group.Shapes, picture.Line(d.left[col], y+cellHeight, d.right[col], y+cellHeight, style))
				}
			}
			if col+1 < d.cols {
				if beside, ok := side(row, col+1); ok && beside != here {
					group.Shapes = append(group.Shapes, picture.Line(d.right[col], y, d.right[col], y+cellHeight, style))
				}
			}
		}
	}
	if len(group.Shapes) > 0 {
		d.Add(group)
	}
}

// lowestHeight is the lowest P2 that meets the aim, with how far the model can be off.
func (d *windowSheet) lowestHeight() (metric.Value, bool) {
	v, ok := d.values[valve.Key{ID: metric.IDLowestPosterior, Place: middle, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan}]
	return v, ok && v.State == metric.HasValue && v.Lower.IsSome() && v.Upper.IsSome()
}

// unable draws a bar beside the map as long as the heights that are the same to the
// model; where it is longer than the map it goes on in arrows.
func (d *windowSheet) unable() {
	v, ok := d.lowestHeight()
	if !ok || d.rows < 2 {
		return
	}
	first, last := d.v.Variants[0].Values[0].MM.OrElse(0), d.v.Variants[(d.rows-1)*d.cols].Values[0].MM.OrElse(0)
	perUnit := float64(d.rows-1) * cellHeight / (last - first)
	long := (v.Upper.OrElse(0) - v.Lower.OrElse(0)) * perUnit
	room := float64(d.rows) * cellHeight
	x, style := 16.0, picture.Style{Line: picture.Blue, Width: 2.4}
	from, to := d.top+(room-long)/2, d.top+(room+long)/2
	group := picture.Group{Title: "bar: cells nearer than this are the same to the model"}
	if long <= room {
		group.Shapes = append(group.Shapes, picture.Line(x, from, x, to, style), picture.Line(x-5, from, x+5, from, style), picture.Line(x-5, to, x+5, to, style))
	} else {
		mid := d.top + room/2
		group.Shapes = append(picture.Arrow(x, mid, x, d.top, style, false), picture.Arrow(x, mid, x, d.top+room, style, false)...)
	}
	d.Add(group)
}

// windowKey writes what the signs mean, and gives the sentences.
func (d *windowSheet) windowKey() []string {
	var list []string
	add := func(text string) { list = append(list, text) }
	if d.low.IsSome() || d.high.IsSome() {
		add("Dashed line, middle of the model: where the middle crosses the aim of " + d.endsText(valve.CoaptationLength, d.low, d.high) + unbroken + "mm.")
	} else {
		add("The plan aims at no contact: there is no edge.")
	}
	if v, ok := d.lowestHeight(); ok {
		add("Bar: cells nearer than this are the same to the model. The lowest P2 that meets the aim lies anywhere from " +
			bare(v.Key.ID, v.Lower.OrElse(0)) + " to " + format(v.Key.ID, v.Upper.OrElse(0)) + "; an arrow goes on beyond the map.")
	} else {
		add("How near two cells are the same to the model is not told here: the plan gives no lowest height of P2.")
	}
	add("Thick frame: the plan as it is. Crossed out: outside the model's domain. A contact below 0 is a gap.")
	if limit, ok := d.leastShare().Get(); ok {
		add("L: closure line towards the outflow tract, its middle nearer to the anterior hinge than the " + format(valve.AnteriorClosureShare, limit) + " aimed at.")
	} else {
		add("The plan aims at no closure line: none is marked as too near to the outflow tract.")
	}
	if limit, ok := d.ceiling().Get(); ok && d.reads(metric.IDExpectedGradient) {
		add("G: expected mean gradient above " + format(valve.MeanGradient, limit) + ".")
	} else {
		add("Expected gradient: not told, for want of an input or a ceiling.")
	}
	if d.reads(metric.IDFactorCount) {
		add("M with a number: factors of systolic anterior motion that are present.")
	}
	if len(d.letters) > 0 {
		add("Small letters: rules that a variant breaks, as far as they can be judged; each is told by what it asks for.")
	}
	for i, id := range d.letters {
		text := words.Spaced(id)
		if rule, ok := rules.ByID(id); ok {
			text = rule.Summary
		}
		add(string(rune('a'+i)) + " asks: " + words.Sentence(text))
	}
	add("No cell is called best: more contact comes with a higher posterior leaflet or a smaller ring, and both have harms of their own. " + words.Sentence(words.Capital(d.modelLabel())))
	d.Y += 6
	for _, text := range list {
		d.Y += 2
		d.Say(text, picture.Ink)
		d.MayBreak()
	}
	return list
}

// reads says whether any variant has a value of a metric.
func (d *windowSheet) reads(id valve.ID) bool {
	return slices.ContainsFunc(d.v.Variants, func(v explore.Variant) bool {
		return slices.ContainsFunc(v.Metrics, func(m explore.Metric) bool { return m.Key.ID == id && m.State == metric.HasValue })
	})
}

// inWords says the table row by row.
func (d *windowSheet) inWords() string {
	var list []string
	for row := range d.rows {
		var cells []string
		for col := range d.cols {
			c := d.cell(row, col)
			label, diameter := d.heads(col)
			text := "not known"
			switch c.contact.State {
			case metric.HasValue:
				text = format(metric.IDPredictedContact, c.contact.Value)
			case metric.NotApplicable:
				text = "outside the model's domain"
			}
			if len(c.marks) > 0 {
				text += ", marks " + strings.Join(c.marks, " ")
			}
			cells = append(cells, "ring "+label+" ("+diameter+") "+text)
		}
		list = append(list, "P2 "+d.height(row)+" mm: "+strings.Join(cells, "; "))
	}
	return strings.Join(list, ". ") + "."
}
