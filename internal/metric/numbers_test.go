package metric

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"trigone/internal/valve"
)

// lines reads a golden file's lines; a file that is not there has none.
func lines(t *testing.T, name string) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return strings.FieldsFunc(string(text), func(r rune) bool { return r == '\n' })
}

func write(t *testing.T, name string, list []string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join("testdata", name), []byte(strings.Join(list, "\n")+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Every leaf and metric has a number that stored rows may hold for ever: the golden
// file holds all there ever were, and -update only adds to its end.
func TestNumbersArePermanent(t *testing.T) {
	var now []string
	for i, id := range numbered {
		n, _ := Number(id)
		if back, ok := ByNumber(n); n != i+1 || !ok || back != id {
			t.Errorf("%s has the numbers %d and %d, and %d is %s", id, i+1, n, n, back)
		}
		now = append(now, fmt.Sprintf("%d %s", i+1, id))
	}
	before := lines(t, "numbers.golden")
	if len(now) < len(before) || !slices.Equal(now[:len(before)], before) {
		t.Fatal("a permanent number was changed or taken away; rows on record hold it. Put the list back and add to its end")
	}
	if *update {
		write(t, "numbers.golden", now)
	} else if len(now) > len(before) {
		t.Errorf("%d new numbers; go test ./internal/metric -update records them for ever", len(now)-len(before))
	}
	for _, l := range Leaves() {
		if _, ok := Number(l.ID); !ok {
			t.Errorf("%s has no number; add it to the end of the list in numbers.go", l.ID)
		}
	}
	for _, m := range Metrics() {
		if _, ok := Number(m.ID); !ok {
			t.Errorf("%s has no number; add it to the end of the list in numbers.go", m.ID)
		}
	}
	if n, ok := Number("not_of_the_catalogue"); ok || n != 0 {
		t.Errorf("a word that is neither leaf nor metric has the number %d", n)
	}
	for _, n := range []int{-1, 0, len(numbered) + 1} {
		if id, ok := ByNumber(n); ok {
			t.Errorf("%d is %s", n, id)
		}
	}
}

// form is what a leaf's or a metric's formula number stands for.
type form struct {
	id       valve.ID
	number   int
	text     string   // unit, grid, source, inputs, limits, formula
	examples []string // one hash for each worked example: what was read, what came out
}

func (f form) String() string {
	return fmt.Sprintf("%s\t%d\t%s\t%s", f.id, f.number, f.text, strings.Join(f.examples, " "))
}

func parseForm(t *testing.T, line string) form {
	t.Helper()
	parts := strings.Split(line, "\t")
	if len(parts) != 4 {
		t.Fatalf("a line of formulas.golden has %d parts", len(parts))
	}
	n, err := strconv.Atoi(parts[1])
	if err != nil {
		t.Fatal(err)
	}
	return form{valve.ID(parts[0]), n, parts[2], strings.Fields(parts[3])}
}

// forms gives every leaf and metric as it is now.
func forms(t *testing.T) []form {
	t.Helper()
	of := map[valve.ID][]string{}
	for _, e := range examples() {
		id := e.key.ID
		of[id] = append(of[id], outcome(one(t, e.c.Case(), e.key)))
	}
	var list []form
	for _, l := range Leaves() {
		n, _ := FormulaNumber(l.ID)
		text := fmt.Sprintf("%s; %g; deviation %g, posterior %g, %g %%, %s", l.Unit.UCUM(), l.Grid, l.SD, l.PosteriorSD, l.SDPercent, l.SDSource)
		for _, d := range l.Deviations {
			text += fmt.Sprintf("; %s%s %g, %g %%, %s", d.Method, d.Rhythm, d.SD, d.Percent, d.Source)
		}
		list = append(list, form{l.ID, n, text, nil})
	}
	for _, m := range Metrics() {
		n, _ := FormulaNumber(m.ID)
		slices.Sort(of[m.ID])
		list = append(list, form{m.ID, n, fmt.Sprintf("%s; %g; %s; reads %s; limits %s; %s",
			m.Unit.UCUM(), m.Grid, m.Source, valve.JoinIDs(m.Inputs, ", "), strings.Join(m.Thresholds, ", "), m.Formula), slices.Compact(of[m.ID])})
	}
	slices.SortFunc(list, func(a, b form) int { return cmp.Compare(a.id, b.id) })
	return list
}

// outcome hashes what an example read and what came of it.
func outcome(v Value) string {
	text := fmt.Sprintf("%s %s %g %s", v.Key, v.State, v.Value, v.Band)
	for _, bound := range []func() (float64, bool){v.SD.Get, v.Lower.Get, v.Upper.Get} {
		if x, ok := bound(); ok {
			text += fmt.Sprintf(" %.4g", x)
		}
	}
	for _, in := range v.Inputs {
		text += fmt.Sprintf("; %s %g", in.Key, in.Value)
	}
	return fmt.Sprintf("%x", sha256.Sum256([]byte(text)))[:12]
}

// moved tells what of the present forms contradicts the recorded ones: the same
// number stands for another form, or a number fell. fresh are the lines that are not
// on record yet.
func moved(recorded, now []form) (faults []string, fresh []form) {
	last := map[valve.ID]form{}
	for _, f := range recorded {
		if f.number > last[f.id].number {
			last[f.id] = f
		}
	}
	for _, f := range now {
		was, known := last[f.id]
		lost := slices.ContainsFunc(was.examples, func(e string) bool { return !slices.Contains(f.examples, e) })
		switch {
		case !known && f.number != 1, known && (f.number < was.number || f.number > was.number+1):
			faults = append(faults, fmt.Sprintf("%s has the formula number %d after %d", f.id, f.number, was.number))
		case !known || f.number > was.number:
			fresh = append(fresh, f)
		case f.text != was.text:
			faults = append(faults, fmt.Sprintf("%s is %q under the number %d, which was %q", f.id, f.text, f.number, was.text))
		case lost:
			faults = append(faults, fmt.Sprintf("a worked example of %s is gone, or comes out otherwise under the number %d", f.id, f.number))
		case len(f.examples) > len(was.examples):
			fresh = append(fresh, f)
		}
	}
	return faults, fresh
}

// The formula number of a leaf or a metric rises when its formula, grid, inputs,
// limits, source or assumed deviation change, so that values made in different ways
// are never pooled unseen. The golden file holds each form there ever was; -update
// adds forms and examples and takes nothing away.
func TestFormulaNumbersRise(t *testing.T) {
	var recorded []form
	for _, line := range lines(t, "formulas.golden") {
		recorded = append(recorded, parseForm(t, line))
	}
	faults, fresh := moved(recorded, forms(t))
	for _, f := range faults {
		t.Errorf("%s; raise its number in numbers.go, then go test ./internal/metric -update", f)
	}
	switch {
	case *update && len(faults) == 0:
		for _, f := range fresh {
			recorded = slices.DeleteFunc(recorded, func(was form) bool { return was.id == f.id && was.number == f.number })
			recorded = append(recorded, f)
		}
		slices.SortFunc(recorded, func(a, b form) int { return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.number, b.number)) })
		list := make([]string, len(recorded))
		for i, f := range recorded {
			list[i] = f.String()
		}
		write(t, "formulas.golden", list)
	case len(fresh) > 0:
		t.Errorf("%d forms or examples are not on record; go test ./internal/metric -update", len(fresh))
	}
}

// Each kind of change is seen.
func TestAFormulaThatMovesIsSeen(t *testing.T) {
	was := form{"a", 2, "mm; 0.1; computed so", []string{"e1", "e2"}}
	for name, row := range map[string]struct {
		now           form
		faults, fresh int
	}{
		"nothing changed":                {was, 0, 0},
		"another grid, the same number":  {form{"a", 2, "mm; 0.2; computed so", was.examples}, 1, 0},
		"an example comes out otherwise": {form{"a", 2, was.text, []string{"e1", "e3"}}, 1, 0},
		"an example taken away":          {form{"a", 2, was.text, []string{"e1"}}, 1, 0},
		"an example more":                {form{"a", 2, was.text, []string{"e1", "e2", "e3"}}, 0, 1},
		"changed and raised":             {form{"a", 3, "mm; 0.2; computed so", []string{"e3"}}, 0, 1},
		"raised by two":                  {form{"a", 4, "mm; 0.2; computed so", was.examples}, 1, 0},
		"lowered":                        {form{"a", 1, was.text, was.examples}, 1, 0},
		"a new metric":                   {form{"b", 1, "mm", nil}, 0, 1},
		"a new metric beyond 1":          {form{"b", 2, "mm", nil}, 1, 0},
	} {
		faults, fresh := moved([]form{{"a", 1, "mm; 1; guessed", nil}, was}, []form{row.now})
		if len(faults) != row.faults || len(fresh) != row.fresh {
			t.Errorf("%s: faults %q, fresh %v", name, faults, fresh)
		}
	}
}

// Nothing of the catalogue is younger than the catalogue.
func TestSinceIsReleased(t *testing.T) {
	version, err := strconv.Atoi(CatalogueVersion)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range Metrics() {
		if since, err := strconv.Atoi(m.Since); err != nil || since < 1 || since > version {
			t.Errorf("%s is there since %q, and the catalogue has version %s; raise CatalogueVersion", m.ID, m.Since, CatalogueVersion)
		}
	}
}

// What is predicted now has its number under the present version of the catalogue: figures
// are not drawn from predictions of two forms of a formula.
func TestForetoldUnderThisCatalogue(t *testing.T) {
	for id, n := range foretold[CatalogueVersion] {
		if now, _ := FormulaNumber(id); now != n {
			t.Errorf("%s is predicted by formula %d; under catalogue %s stands %d", id, now, CatalogueVersion, n)
		}
	}
	for version, rows := range foretold {
		if len(rows) != len(foretold[CatalogueVersion]) {
			t.Errorf("catalogue %s and %s hold other predictions", version, CatalogueVersion)
		}
	}
	if FormulaUnder(IDPredictedContact, CatalogueVersion) == 0 || FormulaUnder(IDPredictedContact, "0") != 0 {
		t.Error("a prediction of this catalogue has a number, one of an unknown one has none")
	}
}
