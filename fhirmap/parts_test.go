package fhirmap_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/settings"
	"trigone/testdata"
)

// limits of entries that receivers publish, and none.
var limits = []int{25, 50, 8, 0}

func parts(t rapid.TB, h fhirmap.History, form fhirmap.PartForm, entries int) []object {
	list, err := fhirmap.Parts(h, form, entries)
	if err != nil {
		t.Fatal(err)
	}
	trees := make([]object, len(list))
	for i, text := range list {
		trees[i] = tree(t, text)
		if n := len(entriesOf(trees[i])); n == 0 || entries > 0 && n > entries {
			t.Errorf("part %d of %d has %d entries, %d are asked for", i+1, len(list), n, entries)
		}
	}
	return trees
}

// In parts of any size a case says what it says whole: every resource stands once,
// as in the collection, whose references are literal, and refers to nothing that
// comes behind it.
func TestPartsJoinedAreTheWhole(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		whole := map[string]any{}
		for _, e := range entriesOf(tree(t, mustForm(t, fhirmap.Collection, h))) {
			r := e["resource"].(object)
			whole[fmt.Sprint(r["resourceType"], "/", r["id"])] = r
		}
		for _, form := range []fhirmap.PartForm{fhirmap.PartTransaction, fhirmap.PartBatch, fhirmap.PartCollection} {
			for _, entries := range []int{8, 25} {
				joined, known := map[string]any{}, map[string]bool{}
				for i, part := range parts(t, h, form, entries) {
					for _, fault := range fhirtest.CheckPart(mustJSON(t, part), known) {
						t.Errorf("part %d: %s", i+1, fault)
					}
					for _, e := range entriesOf(part) {
						r := e["resource"].(object)
						name := fmt.Sprint(r["resourceType"], "/", r["id"])
						if joined[name] != nil {
							t.Errorf("%s stands in two parts", name)
						}
						leaves("", r, func(path, s string) {
							if strings.HasSuffix(path, ".reference") && !known[s] {
								t.Errorf("%s refers to %s, which is not in this part before it or an earlier one", name, s)
							}
						})
						joined[name], known[name] = r, true
						if want := any("PUT " + name); form != fhirmap.PartCollection && fmt.Sprint(at(e, "request", "method"), " ", at(e, "request", "url")) != want {
							t.Errorf("%s is asked for by %v", name, e["request"])
						}
					}
				}
				if !reflect.DeepEqual(joined, whole) {
					t.Errorf("%d resources in parts of %d, %d in the whole, or others", len(joined), entries, len(whole))
				}
			}
		}
	})
}

func mustJSON(t rapid.TB, o object) []byte {
	b, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The demo's cases, evaluated as the server does, in parts of 25, 50 and 8.
func TestPartsOfTheInventedCases(t *testing.T) {
	most := 0
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("harbour", "1", "UTC")})
		h := historyOf(file, convert.Evaluation(&e))
		whole := entriesOf(tree(t, mustForm(t, fhirmap.Collection, h)))
		for _, entries := range limits {
			n := 0
			for _, part := range parts(t, h, fhirmap.PartTransaction, entries) {
				n += len(entriesOf(part))
			}
			if n != len(whole) {
				t.Errorf("%s: %d resources in parts of %d, %d in the whole", name, n, entries, len(whole))
			}
		}
		most = max(most, len(whole))
	}
	if most < 100 {
		t.Errorf("the largest case has %d resources: no limit bites", most)
	}
}

// partReceiver applies parts as a server does: a conditional update finds what it knows
// by identifier, or makes an id of its own; a reference must lead to something.
type partReceiver struct {
	t      rapid.TB
	stored map[string]object // by type and id
	byName map[string]string // Type?identifier=... -> type and id
	made   int
}

func (r *partReceiver) apply(part object) {
	urls := map[string]string{}
	for _, e := range entriesOf(part) {
		asked := at(e, "request", "url").(string)
		name := asked
		if strings.Contains(asked, "?") {
			if name = r.byName[asked]; name == "" {
				r.made++
				typ, _, _ := strings.Cut(asked, "?")
				name = fmt.Sprintf("%s/made-%d", typ, r.made)
				r.byName[asked] = name
			}
		}
		urls[e["fullUrl"].(string)] = name
		if r.stored[name] == nil {
			r.stored[name] = object{}
		}
	}
	for _, e := range entriesOf(part) {
		name := urls[e["fullUrl"].(string)]
		r.stored[name] = r.resolved(e["resource"], urls).(object)
	}
}

func (r *partReceiver) resolved(node any, urls map[string]string) any {
	switch x := node.(type) {
	case object:
		out := object{}
		for k, v := range x {
			ref, is := v.(string)
			if k != "reference" || !is {
				out[k] = r.resolved(v, urls)
				continue
			}
			to := ref
			switch {
			case urls[ref] != "":
				to = urls[ref]
			case strings.Contains(ref, "?"):
				to = r.byName[ref]
			}
			if r.stored[to] == nil {
				r.t.Fatalf("the receiver does not know %s", ref)
			}
			out[k] = to
		}
		return out
	case array:
		out := make(array, len(x))
		for i, v := range x {
			out[i] = r.resolved(v, urls)
		}
		return out
	}
	return node
}

// Parts may be sent again, each at any time and in any order once they all were: a
// receiver ends as after the first time, by our ids and by its own, and as one that
// took the whole in one bundle.
func TestPartsMayBeRepeated(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		for _, form := range []fhirmap.PartForm{fhirmap.PartTransaction, fhirmap.PartConditional, fhirmap.PartBatch} {
			whole := &partReceiver{t: t, stored: map[string]object{}, byName: map[string]string{}}
			for _, part := range parts(t, h, form, 0) {
				whole.apply(part)
			}
			for _, entries := range []int{8} {
				all := parts(t, h, form, entries)
				r := &partReceiver{t: t, stored: map[string]object{}, byName: map[string]string{}}
				for i, part := range all {
					r.apply(part)
					r.apply(all[i/2]) // an earlier one once more
				}
				again := slices.Clone(all)
				random := rand.New(rand.NewPCG(7, uint64(entries)))
				random.Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
				for _, part := range again {
					r.apply(part)
				}
				if !reflect.DeepEqual(r.stored, whole.stored) {
					t.Fatalf("form %d in parts of %d: %d resources, or others, than the %d of the whole", form, entries, len(r.stored), len(whole.stored))
				}
			}
		}
	})
}
