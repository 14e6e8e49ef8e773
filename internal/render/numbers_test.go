package render_test

import (
	"bytes"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/render"
	"trigone/internal/units"
	"trigone/testdata"
)

// printed finds the numbers of a page, with their unit where one follows; a number
// inside a word or an id is none.
var printed = regexp.MustCompile(`(?:^|[^\w.\-/])(\d+(?:\.\d+)?)(?: (` + unitTexts() + `))?(?:[^\w/²]|$)`)

func unitTexts() string {
	var texts []string
	for _, u := range units.Units() {
		if u.Text() != "" {
			texts = append(texts, regexp.QuoteMeta(u.Text()))
		}
	}
	slices.SortFunc(texts, func(a, b string) int { return len(b) - len(a) })
	return strings.Join(texts, "|")
}

// spaced makes room between neighbours, so that none is taken as the other's edge.
func spaced(text string) string { return strings.ReplaceAll(text, ", ", ",  ") }

// known are the numbers of a case by the text of their unit; every number also
// stands under no unit.
type known map[string]map[float64]bool

func (k known) add(n float64, unit string) {
	for _, u := range []string{unit, ""} {
		if k[u] == nil {
			k[u] = map[float64]bool{}
		}
		k[u][math.Abs(n)] = true
	}
}

func (k known) has(n float64, unit string, half float64) bool {
	for v := range k[unit] {
		if math.Abs(v-n) <= half {
			return true
		}
	}
	return false
}

// of collects every number of a message, those in its texts included.
func (k known) of(m protoreflect.Message) {
	unit := ""
	if d := m.Descriptor().Fields().ByName("unit"); d != nil && d.Kind() == protoreflect.StringKind {
		for _, u := range units.Units() {
			if u.UCUM() == m.Get(d).String() {
				unit = u.Text()
			}
		}
	}
	add := func(d protoreflect.FieldDescriptor, v protoreflect.Value) {
		switch d.Kind() {
		case protoreflect.DoubleKind:
			k.add(v.Float(), unit)
		case protoreflect.Int32Kind, protoreflect.Int64Kind:
			k.add(float64(v.Int()), "")
		case protoreflect.StringKind:
			for _, found := range printed.FindAllStringSubmatch(spaced(v.String()), -1) {
				if n, err := strconv.ParseFloat(found[1], 64); err == nil {
					k.add(n, found[2])
				}
			}
		case protoreflect.MessageKind:
			k.of(v.Message())
		}
	}
	m.Range(func(d protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if !d.IsList() {
			add(d, v)
			return true
		}
		for i := range v.List().Len() {
			add(d, v.List().Get(i))
		}
		return true
	})
}

// strange gives the numbers of a line that no number of the case rounds to.
func (k known) strange(line string) (list []string, looked int) {
	for _, m := range printed.FindAllStringSubmatch(spaced(line), -1) {
		looked++
		n, err := strconv.ParseFloat(m[1], 64)
		_, fraction, _ := strings.Cut(m[1], ".")
		if err != nil || !k.has(n, m[2], 0.5*math.Pow10(-len(fraction))+1e-9) {
			list = append(list, strings.TrimSpace(m[0]))
		}
	}
	return list, looked
}

// ownCounts are the lines that say a number of the page's own, with the reason.
var ownCounts = []struct{ line, why string }{
	{`95 % range`, "the share that names the intervals, above their column"},
	{`^ *Not listed: \d+ metrics? without a value\.$`, "a count of what the page leaves out"},
	{`^ *\d+ metrics?, \d+ rules?, \d+ comparisons?: an input is missing`, "counts of what could not be judged"},
	{`(^| )[Oo]f \d+ things? planned \d+ as planned`, "counts of the things planned"},
	{`^ *In detail \d+ comparisons?, predictions and limits among them: `, "counts of the comparisons by verdict"},
	{`^ *(\d+ )?(differ|cannot be told|told|not evaluable|evaluable|not applicable|applicable)[,.]`, "the same, gone on a line below"},
}

func countsItself(line string) bool {
	for _, own := range ownCounts {
		if regexp.MustCompile(own.line).MatchString(line) {
			return true
		}
	}
	return false
}

// shift moves every number with a fraction in a message by up to a tenth.
func shift(source *rand.Rand, m protoreflect.Message) {
	m.Range(func(d protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case d.Kind() == protoreflect.DoubleKind && !d.IsList():
			m.Set(d, protoreflect.ValueOfFloat64(units.Round(v.Float()*(0.9+source.Float64()/5), 0.01)))
		case d.Message() != nil && d.IsList():
			for i := range v.List().Len() {
				shift(source, v.List().Get(i).Message())
			}
		case d.Message() != nil && !d.IsMap():
			shift(source, v.Message())
		}
		return true
	})
}

// Every number on a printed evaluation is one of the evaluation, under its unit and
// rounded: a page computes nothing but the counts that are listed above. Looked at
// are the invented cases, and each of them with other numbers.
func TestNumbersOnAnEvaluationAreItsOwn(t *testing.T) {
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	total, refused := 0, 0
	names := testdata.Names(testdata.Cases)
	for i := range 2 * len(names) {
		name := names[i%len(names)]
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		if i >= len(names) {
			shift(rand.New(rand.NewPCG(uint64(i), 1)), file.ProtoReflect())
		}
		e, err := casebook.EvaluateFile(p, file, "1.0")
		if err != nil {
			refused++
			continue
		}
		own := known{}
		own.of(e.ProtoReflect())
		var w bytes.Buffer
		render.Evaluation(&w, e, render.EvaluationOptions{Measured: true})
		for line := range strings.Lines(w.String()) {
			line = strings.TrimSuffix(line, "\n")
			if countsItself(line) {
				continue
			}
			list, looked := own.strange(line)
			total += looked
			for _, n := range list {
				t.Errorf("%s, draw %d: %s is no number of the evaluation: %s", name, i, n, line)
			}
		}
	}
	if total < 15000 || refused > len(names) {
		t.Errorf("only %d numbers were looked at, %d cases refused", total, refused)
	}
	own := known{}
	own.add(7.24, "mm")
	own.add(7.3, "mmHg")
	if list, _ := own.strange("coaptation 7.3 mm, gradient 7.3 mmHg, contact 7.2 mm"); !slices.Equal(list, []string{"7.3 mm,"}) {
		t.Errorf("of three numbers, one invented, were caught %q", list)
	}
}

// An evaluation fits a terminal of 80 columns, whatever the case: no table is cut off
// or broken by the terminal.
func TestEvaluationsFitANarrowTerminal(t *testing.T) {
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		e, err := casebook.EvaluateFile(p, file, "1.0")
		if err != nil {
			t.Fatal(err)
		}
		for _, width := range []int{40, 80, 100} { // narrower than 80 is printed as 80
			var w bytes.Buffer
			render.Evaluation(render.Terminal(render.Screen{Writer: &w, Width: width}), e, render.EvaluationOptions{Metrics: true})
			for line := range strings.Lines(w.String()) {
				if n := text.StringWidth(strings.TrimSuffix(line, "\n")); n > max(width, 80) {
					t.Errorf("%s: %d columns on a page of %d: %s", name, n, width, line)
				}
			}
		}
	}
}
