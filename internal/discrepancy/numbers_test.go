package discrepancy

import (
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/internal/metric"
	"trigone/internal/valve"
)

var update = flag.Bool("update", false, "add to the golden files")

// examples are fixtures that between them make every kind of comparison agree and
// differ.
func examples() []*fixture {
	base, other, converted, late := newFixture(), newFixture(), newFixture(), newFixture()
	other.drop("s2")
	other.done("s1", valve.ResectionFreeEdgeWidth, 29)
	other.step("s3").Ring.ImplantedLabel = some(26)
	other.found(exitAt, coaptation, "a2_p2", 2)
	other.found(exitAt, meanGradient, "", 7)
	other.secondRun("residual_regurgitation")
	converted.convert("before_weaning")
	late.in.InForce.Revision = nil
	for _, f := range []*fixture{base, other} {
		f.planned("p3", valve.RingInnerAnteroPosteriorDiameter, 28)
		f.done("s3", valve.RingInnerAnteroPosteriorDiameter, 27)
		f.in.Present.Values = []metric.Value{
			{
				Key:   valve.Key{ID: metric.IDPredictedOverlap, Place: "a2_p2", Occasion: valve.AtOperation, Role: valve.PredictedFromExecution},
				State: metric.HasValue, Value: 8, Lower: some(3), Upper: some(13),
			},
			{
				Key:   valve.Key{ID: metric.IDExpectedGradient, Occasion: exitAt, Role: valve.Derived},
				State: metric.HasValue, Value: 3, Lower: some(2), Upper: some(5),
			},
		}
	}
	return []*fixture{base, other, converted, late}
}

// judged hashes by kind how the examples are judged: the numbers, not the words.
func judged() map[Kind]string {
	texts := map[Kind][]string{}
	for _, f := range examples() {
		for _, c := range f.all() {
			texts[c.Kind] = append(texts[c.Kind], fmt.Sprintf("%s %s %s %v %v %v %v %v %v %v %v %s", c.ID, c.Class, c.Verdict,
				c.PlannedValue, c.ActualValue, c.PlannedSD, c.ActualSD, c.Lower, c.Upper, c.Tolerance, c.Margin, c.Parent))
		}
	}
	hashes := map[Kind]string{}
	for kind, list := range texts {
		hashes[kind] = fmt.Sprintf("%x", sha256.Sum256([]byte(strings.Join(list, "\n"))))[:12]
	}
	return hashes
}

// The formula number of a kind rises when it judges otherwise, and the number of a
// class is for ever: rows on record hold both. The golden file only grows.
func TestNumbersOfKindsAndClasses(t *testing.T) {
	var now []string
	for i, c := range Classes() {
		now = append(now, fmt.Sprintf("class %s %d", c, i+1))
	}
	for _, name := range Parameters() {
		now = append(now, fmt.Sprintf("parameter %s %d", name, ParameterNumber(name)))
	}
	hashes := judged()
	for kind, n := range formulaNumbers {
		now = append(now, fmt.Sprintf("kind %s %d %s", kind, n, hashes[kind]))
		if hashes[kind] == "" {
			t.Errorf("no example is judged as %s", kind)
		}
	}
	slices.Sort(now)
	file := filepath.Join("testdata", "numbers.golden")
	text, err := os.ReadFile(file)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	before := strings.FieldsFunc(string(text), func(r rune) bool { return r == '\n' })
	numbered := func(line string) string { return strings.Join(strings.Fields(line)[:3], " ") }
	var fresh []string
	for _, line := range now {
		i := slices.IndexFunc(before, func(was string) bool { return numbered(was) == numbered(line) })
		switch {
		case i < 0:
			fresh = append(fresh, line)
		case before[i] != line:
			t.Errorf("%q was %q: raise the kind's number in classes.go, then go test ./internal/discrepancy -update", line, before[i])
		}
	}
	for _, f := range examples() {
		for _, c := range f.all() {
			if _, known := metric.Number(valve.ID(c.Metric)); c.Metric != "" && !known && ParameterNumber(c.Metric) == 0 {
				t.Errorf("%s compares %s, which has no number and so is found by no list: add it to parameters", c.ID, c.Metric)
			}
		}
	}
	for i, c := range Classes() {
		for _, was := range before {
			if words := strings.Fields(was); words[0] == "class" && (words[1] == string(c)) != (words[2] == fmt.Sprint(i+1)) {
				t.Errorf("class %s has the number %d, on record is %q", c, i+1, was)
			}
		}
	}
	switch {
	case *update && !t.Failed():
		all := slices.Concat(before, fresh)
		slices.Sort(all)
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(strings.Join(all, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	case len(fresh) > 0:
		t.Errorf("not on record: %q; go test ./internal/discrepancy -update", fresh)
	}
}
