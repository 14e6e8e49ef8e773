package trialplan

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
)

// Remark is something to be said of a field.
type Remark struct{ Name, Text string }

// Trial is a form as somebody filled it in.
type Trial struct {
	// Typed is what was typed or chosen, by field, as it came.
	Typed map[string][]string
	// Faults keep the trial from being answered, in the order of the form. A value that
	// looks like another unit is one: what it would make of a harm would be a tenth.
	Faults []Remark
	// Remarks keep nothing: a value that is unlikely, and what was taken where nothing
	// was chosen.
	Remarks []Remark
	// Refusals say why this form has no answer for such a valve.
	Refusals []string

	numbers map[string]float64
	chosen  map[string][]string
	sizes   []settings.RingSize
	taken   []string
}

// mostTyped bounds what is read of a field: longer is no number.
const mostTyped = 40

// Read reads what was typed into the fields of the form. Sizes are those of the site's
// own table of rings and bands.
func Read(typed map[string][]string, sizes []settings.RingSize) *Trial {
	t := &Trial{Typed: map[string][]string{}, numbers: map[string]float64{}, chosen: map[string][]string{}, sizes: sizes}
	for _, in := range inputs {
		for _, p := range in.Parts {
			t.read(p, typed[p.Name])
		}
	}
	t.read(Part{Name: Not, Words: notWords(), Several: true}, typed[Not])
	for _, r := range refusals {
		if slices.Contains(t.chosen[Not], r.Value) {
			t.Refusals = append(t.Refusals, r.Sentence)
		}
	}
	if t.has(Segments, LateralComm) || t.has(Segments, MedialComm) {
		t.Refusals = append(t.Refusals, commissureSentence)
	}
	t.together()
	slices.SortStableFunc(t.Faults, func(a, b Remark) int { return order(a.Name) - order(b.Name) })
	return t
}

func notWords() []Word {
	var list []Word
	for _, r := range refusals {
		list = append(list, Word{r.Value, r.Label})
	}
	return list
}

func order(name string) int {
	n := 0
	for _, in := range inputs {
		for _, p := range in.Parts {
			if n++; p.Name == name {
				return n
			}
		}
	}
	return n + 1
}

// Empty says whether nothing at all was filled in.
func (t *Trial) Empty() bool { return len(t.Typed) == 0 }

// Answerable says whether there is something to evaluate.
func (t *Trial) Answerable() bool { return len(t.Faults) == 0 && len(t.Refusals) == 0 && !t.Empty() }

// Given says whether anything of an input was filled in.
func (t *Trial) Given(in Input) bool {
	return slices.ContainsFunc(in.Parts, func(p Part) bool { return len(t.Typed[p.Name]) > 0 })
}

// Adds says whether an input could add anything to this trial as it is: it is not given,
// and goes with the rest.
func (t *Trial) Adds(in Input) bool {
	if in.Adds == "" || t.Given(in) {
		return false
	}
	work, kind := t.word(Work), t.kind()
	ring := kind == Complete || kind == ""
	switch in.Parts[0].Name {
	case P1:
		return !t.some(Lateral, Medial) // a slide leaves no height beside it as it was
	case Depth, Gradient:
		return kind != NoDevice
	case CutAt:
		return work == "" || work == Triangular || work == Quadrangular
	case Strip, Lateral:
		return work != NoWork && work != ChordsOnly
	case ChordsAt:
		return work != NoWork
	case Device:
		return !t.filled(Size)
	case RingAcross:
		return ring && !t.filled(Size)
	case BodyHeight, HeartRate:
		return ring
	}
	return true
}

func (t *Trial) read(p Part, typed []string) {
	var given []string
	for _, s := range typed {
		s = strings.ToValidUTF8(s, "\uFFFD")
		if utf8.RuneCountInString(s) > 200 {
			s = string([]rune(s)[:200])
		}
		if strings.TrimSpace(s) != "" {
			given = append(given, s)
		}
	}
	switch {
	case len(given) == 0:
		return
	case !p.Several:
		given = given[:1]
	}
	t.Typed[p.Name] = given
	switch {
	case p.Name == Size:
		if _, ok := t.size(given[0]); !ok {
			t.fault(Size, "is not in the site's table of sizes; choose one of the list.")
			return
		}
		t.chosen[Size] = given
	case p.IsNumber():
		t.number(p, given[0])
	default:
		for _, word := range given {
			if !slices.ContainsFunc(p.Words, func(w Word) bool { return w.Value == word }) {
				t.fault(p.Name, "is none of the words of the list; choose one of them.")
				return
			}
		}
		t.chosen[p.Name] = given
	}
}

var (
	aNumber     = regexp.MustCompile(`^[+]?[0-9]+([.,][0-9]+)?$`)
	negative    = regexp.MustCompile(`^[-\x{2212}\x{2013}][0-9]+([.,][0-9]+)?$`)
	numberUnit  = regexp.MustCompile(`^([0-9]+(?:[.,][0-9]+)?)\s*(\pL+|%|°|/\s*min)\.?$`)
	thousandths = regexp.MustCompile(`^[0-9]{1,3}([.,][0-9]{3})+[.,][0-9]+$|^[0-9]{1,3}([.,][0-9]{3}){2,}$`)
)

// unitNames are other ways in which the unit of a field is written behind a number.
var unitNames = map[string][]string{"degrees": {"degree", "deg", "°"}, "/min": {"bpm"}, "mL": {"ml"}}

func (t *Trial) number(p Part, typed string) {
	s := strings.TrimSpace(strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ").Replace(typed))
	if m := numberUnit.FindStringSubmatch(s); m != nil && utf8.RuneCountInString(s) <= mostTyped {
		unit := strings.ReplaceAll(m[2], " ", "")
		same := func(name string) bool { return strings.EqualFold(name, unit) }
		if p.Unit != "" && (same(p.Unit) || slices.ContainsFunc(unitNames[p.Unit], same)) {
			s = m[1]
		} else {
			t.fault(p.Name, "has another unit behind it; "+numberIn(p)+".")
			return
		}
	}
	switch {
	case negative.MatchString(s):
		t.fault(p.Name, "is below 0; "+numberIn(p)+".")
		return
	case thousandths.MatchString(s):
		t.fault(p.Name, "has several commas or points; write one at most, such as 24.5.")
		return
	case utf8.RuneCountInString(s) > mostTyped || !aNumber.MatchString(s):
		t.fault(p.Name, "is no number; "+numberIn(p)+", with one comma or point at most, such as 24.5.")
		return
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		t.fault(p.Name, "is no number; "+numberIn(p)+".")
		return
	}
	if p.Whole && v != float64(int64(v)) {
		t.fault(p.Name, "is a count; write a whole number.")
		return
	}
	if low, high := p.Bounds(); v < low || v > high {
		t.fault(p.Name, "is "+plainNumber(v)+"; what is measured lies between "+withUnit(low, p)+" and "+withUnit(high, p)+". Check the number and its unit.")
		return
	}
	t.numbers[p.Name] = v
	leaf, known := metric.LeafByID(p.Leaf)
	if !known || v >= leaf.Low && v <= leaf.High {
		return
	}
	unit, meant, explained := rules.LooksLike(leaf, v)
	switch {
	case explained && unit != "":
		delete(t.numbers, p.Name)
		t.fault(p.Name, fmt.Sprintf("of %s looks like %s; if so, write %s.", withUnit(v, p), unit, plainNumber(meant)))
	case explained:
		delete(t.numbers, p.Name)
		t.fault(p.Name, fmt.Sprintf("of %s looks like a decimal point that slipped; if so, write %s.", withUnit(v, p), plainNumber(meant)))
	default:
		t.remark(p.Name, fmt.Sprintf("%s lies outside %s to %s, where such a value usually lies. It is taken as typed; check it.", withUnit(v, p), plainNumber(leaf.Low), withUnit(leaf.High, p)))
	}
}

// numberIn asks for a number in the unit of a field.
func numberIn(p Part) string {
	switch {
	case p.Whole:
		return "write a whole number"
	case p.Unit == "":
		return "write a number"
	}
	return "write the number in " + unitInWords(p.Unit)
}

func unitInWords(unit string) string {
	switch unit {
	case "%":
		return "percent"
	case "/min":
		return "beats a minute"
	}
	return unit
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func withUnit(v float64, p Part) string {
	switch p.Unit {
	case "":
		return plainNumber(v)
	case "/min":
		return plainNumber(v) + p.Unit
	}
	return plainNumber(v) + " " + p.Unit
}

func (t *Trial) fault(name, text string) {
	if in, p, ok := part(name); ok {
		t.Faults = append(t.Faults, Remark{name, in.Names(p) + " " + text})
		return
	}
	t.Faults = append(t.Faults, Remark{name, "What is not for this page " + text})
}

func (t *Trial) remark(name, text string) { t.Remarks = append(t.Remarks, Remark{name, text}) }

// take says what was taken where nothing was chosen.
func (t *Trial) take(name, text string) {
	t.remark(name, text)
	t.taken = append(t.taken, text)
}

func (t *Trial) filled(name string) bool { return len(t.Typed[name]) > 0 }

func (t *Trial) has(name, word string) bool { return slices.Contains(t.chosen[name], word) }

func (t *Trial) word(name string) string {
	if len(t.chosen[name]) == 0 {
		return ""
	}
	return t.chosen[name][0]
}

func (t *Trial) some(names ...string) bool { return slices.ContainsFunc(names, t.filled) }

// SizeWord is how a size of the site's table stands in the form.
func SizeWord(s settings.RingSize) string { return s.Family + " " + plainNumber(s.Label) }

func (t *Trial) size(word string) (settings.RingSize, bool) {
	i := slices.IndexFunc(t.sizes, func(s settings.RingSize) bool { return SizeWord(s) == word })
	if i < 0 {
		return settings.RingSize{}, false
	}
	return t.sizes[i], true
}

// together finds what does not go together.
func (t *Trial) together() {
	t.heightsTogether()
	t.workTogether()
	t.deviceTogether()
	for _, ends := range [][2]string{{ContactLow, ContactTop}, {LineLow, LineTop}} {
		low, hasLow := t.numbers[ends[0]]
		high, hasHigh := t.numbers[ends[1]]
		if hasLow && hasHigh && low > high {
			t.fault(ends[1], "lies below the other end of the aim; exchange them, or correct one.")
		}
	}
	if t.some(Stroke) && t.some(Outflow, OutflowVTI) {
		t.fault(Stroke, "stands beside the outflow tract's diameter or integral; give one way to the flow and empty the other.")
	}
	if t.some(Stroke) && !t.filled(HeartRate) {
		t.remark(HeartRate, "The stroke volume says nothing of a gradient without the heart rate.")
	}
}

func (t *Trial) heightsTogether() {
	switch {
	case t.filled(Aimed) && t.some(AimedLat, AimedMed):
		t.fault(Aimed, "stands beside the height of an edge; give one height, or both edges.")
	case t.filled(AimedLat) && !t.filled(AimedMed):
		t.fault(AimedMed, "is missing beside the lateral edge; give both edges, or one height.")
	case t.filled(AimedMed) && !t.filled(AimedLat):
		t.fault(AimedLat, "is missing beside the medial edge; give both edges, or one height.")
	}
	if t.some(A2, P2, P1, P3) && !t.filled(HeightsBy) {
		t.remark(HeightsBy, "Not chosen, and heights by echo and by ruler differ: the slice is not drawn without it.")
	}
}

func (t *Trial) workTogether() {
	cut, work := t.some(FreeEdge, Base, CutDepth, CutAt), t.word(Work)
	switch {
	case work == "" && cut && !t.filled(Work):
		t.fault(Work, "is not chosen beside the size of a resection; choose triangular or quadrangular, or empty the resection.")
	case work == NoWork && (cut || t.some(Strip, Lateral, Medial, ChordsAt, ChordPairs, ChordLong)):
		t.fault(Work, "is none, and a resection, a strip, an advance or chords are given; choose the work, or empty them.")
	case work == HeightOnly && cut:
		t.fault(Work, "is height only, and a resection is given; choose its shape, or empty it.")
	case work == ChordsOnly && (cut || t.some(Strip, Lateral, Medial)):
		t.fault(Work, "is chords only, and a resection, a strip or an advance is given; choose the work, or empty them.")
	}
	if work == ChordsOnly && !t.filled(ChordsAt) || t.some(ChordPairs, ChordLong) && !t.filled(ChordsAt) {
		t.fault(ChordsAt, "is not chosen; say to which segment the chords go.")
	}
	if (work == Triangular || work == Quadrangular) && !t.filled(CutAt) {
		t.take(CutAt, "The resection is taken to lie at P2, since no segment is chosen.")
	}
}

func (t *Trial) deviceTogether() {
	device := t.word(Device)
	if size, ok := t.size(t.word(Size)); ok && device != "" && device != NoDevice && device != size.Kind {
		t.fault(Size, "is not of the kind of device that is chosen; choose another size, or the other kind.")
	}
	switch {
	case t.filled(RingAP) && t.filled(Size):
		t.fault(RingAP, "stands beside a size of the site's table; give one of them.")
	case device == NoDevice && t.some(RingAP, Size, RingAcross, BandLength):
		t.fault(Device, "is none, and a size is given; choose the device, or empty its size.")
	case t.kind() == Complete && t.filled(BandLength):
		t.fault(BandLength, "belongs to a posterior band; choose that, or empty the length.")
	}
	if device == "" && !t.filled(Device) && t.some(RingAP, RingAcross, BandLength) && t.word(Size) == "" {
		if t.kind() == Band {
			t.take(Device, "A posterior band is taken, since the length of one is given and no device is chosen.")
		} else {
			t.take(Device, "A complete ring is taken, since no device is chosen.")
		}
	}
	if t.kind() == Band && !t.filled(RingAP) {
		t.remark(RingAP, "A band leaves this diameter free, and nothing here works it out: give the one that you expect behind it.")
	}
}

// kind gives the kind of device: as chosen, else that of the size, else what the
// numbers mean; empty: there is none.
func (t *Trial) kind() string {
	if device := t.word(Device); device != "" {
		return device
	}
	if size, ok := t.size(t.word(Size)); ok {
		return size.Kind
	}
	switch {
	case t.filled(BandLength):
		return Band
	case t.some(RingAP, RingAcross):
		return Complete
	}
	return ""
}

// Taken tells what was taken where nothing was given. The depth is told where a contact
// is predicted from it.
func (t *Trial) Taken(predicted bool) []string {
	list := slices.Clone(t.taken)
	switch {
	case !predicted:
	case t.filled(Depth):
		list = append(list, "Depth of the closure point: as you expect it after the repair, "+t.typed(Depth)+".")
	case t.filled(DepthNow):
		list = append(list, "Depth of the closure point: as before the repair, "+t.typed(DepthNow)+".")
	default:
		list = append(list, "Depth of the closure point: neither expected nor known from before the repair; it is taken as 0 mm.")
	}
	return list
}

// Sizes gives the sizes of the site's table as words to choose from.
func (t *Trial) Sizes() []Word {
	var list []Word
	for _, s := range t.sizes {
		w := Word{SizeWord(s), s.Family + ", size " + plainNumber(s.Label)}
		if ap, known := s.InnerAnteroPosteriorMM.Get(); known {
			w.Label += ", inner diameter " + plainNumber(ap) + " mm"
		}
		if long, known := s.BandLengthMM.Get(); known {
			w.Label += ", band of " + plainNumber(long) + " mm"
		}
		list = append(list, w)
	}
	return list
}

func (t *Trial) typed(name string) string {
	_, p, _ := part(name)
	return withUnit(t.numbers[name], p)
}

// Entry is one thing that was filled in, as it is printed.
type Entry struct{ Label, Value string }

// Entries list what was filled in, in the order of the form.
func (t *Trial) Entries() []Entry {
	var list []Entry
	for _, in := range inputs {
		for _, p := range in.Parts {
			if v, ok := t.numbers[p.Name]; ok {
				list = append(list, Entry{in.Names(p), withUnit(v, p)})
			}
			var labels []string
			for _, word := range t.chosen[p.Name] {
				label := word
				words := p.Words
				if p.Name == Size {
					words = t.Sizes()
				}
				if i := slices.IndexFunc(words, func(w Word) bool { return w.Value == word }); i >= 0 {
					label = words[i].Label
				}
				labels = append(labels, label)
			}
			if len(labels) > 0 {
				list = append(list, Entry{in.Names(p), strings.Join(labels, ", ")})
			}
		}
	}
	return list
}

// round keeps a product of typed numbers from having more digits than they.
func round(v float64) float64 { return units.Round(v, 0.001) }
