package fhirmap_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/note"
)

// onHistories runs f on the examples and on random histories.
func onHistories(t *testing.T, f func(t rapid.TB, h fhirmap.History, states []fhirmap.Snapshot)) {
	t.Helper()
	for _, example := range fhirtest.Examples() {
		f(t, example.History, example.States)
	}
	rapid.Check(t, func(t *rapid.T) {
		states := fhirtest.DrawStates(t)
		f(t, fhirtest.Of("4f0f6a52-77c1-4d0e-9a44-6f1d2c8e5b90", states...), states)
	})
}

func mustForm(t rapid.TB, form func(fhirmap.History) ([]byte, error), h fhirmap.History) []byte {
	b, err := form(h)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func tree(t rapid.TB, b []byte) object {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var o object
	if err := d.Decode(&o); err != nil {
		t.Fatal(err)
	}
	return o
}

func entriesOf(o object) []object {
	list, _ := o["entry"].(array)
	all := make([]object, len(list))
	for i, e := range list {
		all[i] = e.(object)
	}
	return all
}

// A collection holds the transaction's resources with every reference literal, and
// so does the NDJSON that is made of single ones.
func TestCollectionHoldsTheTransactionsResources(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		text := mustForm(t, fhirmap.Collection, h)
		for _, fault := range fhirtest.Check(text) {
			t.Error(fault)
		}
		if bytes.Contains(text, []byte("urn:uuid:")) {
			t.Error("a reference is not literal")
		}
		want := entriesOf(tree(t, mustForm(t, fhirmap.Transaction, h)))
		got := entriesOf(tree(t, text))
		alone, err := fhirmap.Resources(h)
		if err != nil || len(got) != len(want) || len(alone) != len(want) {
			t.Fatalf("%d of %d resources, %d alone, %v", len(got), len(want), len(alone), err)
		}
		types := map[string]string{}
		for _, r := range alone {
			types[r.ID] = r.Type
		}
		asLiteral, err := fhirmap.Literal(alone)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if !reflect.DeepEqual(literalTree(want[i]["resource"], types), got[i]["resource"]) {
				t.Errorf("entry %d is another resource", i)
			}
			if !reflect.DeepEqual(any(tree(t, asLiteral[i].JSON)), got[i]["resource"]) {
				t.Errorf("entry %d is another one than the resource alone", i)
			}
		}
	})
}

// literalTree does to a tree what Literal does to bytes.
func literalTree(node any, types map[string]string) any {
	switch x := node.(type) {
	case object:
		out := object{}
		for key, v := range x {
			if id, isURN := strings.CutPrefix(fmt.Sprint(v), "urn:uuid:"); key == "reference" && isURN {
				v = types[id] + "/" + id
			}
			out[key] = literalTree(v, types)
		}
		return out
	case array:
		out := make(array, len(x))
		for i, v := range x {
			out[i] = literalTree(v, types)
		}
		return out
	}
	return node
}

// A conditional transaction says the same with a search for our identifier in the
// place of our id.
func TestConditionalTransaction(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		text := mustForm(t, fhirmap.ConditionalTransaction, h)
		for _, fault := range fhirtest.Check(text) {
			t.Error(fault)
		}
		want := slices.DeleteFunc(entriesOf(tree(t, mustForm(t, fhirmap.Transaction, h))), func(e object) bool {
			return e["resource"].(object)["resourceType"] == "Provenance" // it has no identifier
		})
		got := entriesOf(tree(t, text))
		if len(got) != len(want) {
			t.Fatalf("%d entries of %d", len(got), len(want))
		}
		for i, e := range got {
			r := want[i]["resource"].(object)
			id := r["identifier"].(array)[0].(object)
			delete(r, "id")
			if !reflect.DeepEqual(e["resource"], any(r)) || e["fullUrl"] != want[i]["fullUrl"] {
				t.Errorf("entry %d differs by more than the id", i)
			}
			asked, err := url.Parse(e["request"].(object)["url"].(string))
			if err != nil {
				t.Fatal(err)
			}
			parts := strings.Split(asked.Query().Get("identifier"), "|")
			if len(parts) != 2 || parts[0] != id["system"] || parts[1] != id["value"] || asked.Path != r["resourceType"] {
				t.Errorf("entry %d searches for %s", i, asked)
			}
		}
	})
}

// cutter takes conditional transactions as routers of others do: it cuts what is
// searched for at commas, then at bars, and takes no notice of a backslash before
// either. It holds resources by type, of each the identifiers.
type cutter map[string][]object

func (held cutter) take(t rapid.TB, bundle object) {
	for _, e := range entriesOf(bundle) {
		asked, err := url.Parse(e["request"].(object)["url"].(string))
		if err != nil {
			t.Fatal(err)
		}
		typ, found := asked.Path, []int{}
		for i, r := range held[typ] {
			for one := range strings.SplitSeq(asked.Query().Get("identifier"), ",") {
				parts := strings.Split(one, "|")
				if slices.ContainsFunc(r["identifier"].(array), func(id any) bool {
					return at(id, "system") == parts[0] && at(id, "value") == parts[1]
				}) {
					found = append(found, i)
				}
			}
		}
		r := e["resource"].(object)
		switch len(found) {
		case 0:
			held[typ] = append(held[typ], r)
		case 1:
			held[typ][found[0]] = r
		default:
			t.Fatalf("%s finds %d resources", asked, len(found))
		}
	}
}

func (held cutter) count() (n int) {
	for _, list := range held {
		n += len(list)
	}
	return n
}

// Sent again, a conditional transaction finds what it wrote: a receiver that cuts at
// every bar holds each resource once.
func TestConditionalTransactionIsFoundAgain(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		bundle := tree(t, mustForm(t, fhirmap.ConditionalTransaction, h))
		held := cutter{}
		for range 3 {
			held.take(t, bundle)
		}
		if got, want := held.count(), len(entriesOf(bundle)); got != want {
			t.Fatalf("%d resources of %d entries sent three times", got, want)
		}
	})
	// The receiver would tell: with bars in its identifiers a bundle is not found again.
	bundle := tree(t, bytes.ReplaceAll(mustForm(t, fhirmap.ConditionalTransaction, fhirtest.Complete()), []byte("~"), []byte("|")))
	held := cutter{}
	held.take(t, bundle)
	held.take(t, bundle)
	if held.count() == len(entriesOf(bundle)) {
		t.Error("a receiver that cuts at bars finds values that hold some")
	}
}

// What a former mapping ended kept its identifier with bars; it is sent without.
func TestEndedByAFormerMapping(t *testing.T) {
	former := 0
	for _, example := range fhirtest.Examples() {
		h := example.History
		want := mustForm(t, fhirmap.Transaction, h)
		h.Sent = slices.Clone(h.Sent)
		for i, row := range h.Sent {
			if bytes.Contains(row.Gone, []byte("~")) {
				h.Sent[i].Gone, h.Sent[i].Mapping = bytes.ReplaceAll(row.Gone, []byte("~"), []byte("|")), 2
				former++
			}
		}
		if got := mustForm(t, fhirmap.Transaction, h); !bytes.Equal(got, want) {
			t.Errorf("%s: rows of a former mapping are sent otherwise", example.Name)
		}
	}
	if former == 0 {
		t.Error("no example has ended anything")
	}
}

// The types that are announced are those that are made, and each has its list of
// what a de-identified bundle takes.
func TestResourceTypesAreThoseMade(t *testing.T) {
	made := map[string]bool{}
	for _, example := range fhirtest.Examples() {
		list, err := fhirmap.Resources(example.History)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			made[r.Type] = true
		}
	}
	for typ := range made {
		if !slices.Contains(fhirmap.ResourceTypes(), typ) {
			t.Errorf("ResourceTypes lacks %s", typ)
		}
		if !slices.Contains(fhirmap.ListedTypes(), typ) {
			t.Errorf("a de-identified bundle drops every %s; list what it may hold", typ)
		}
	}
	for _, typ := range fhirmap.ResourceTypes() {
		if !made[typ] {
			t.Errorf("no example makes a %s", typ)
		}
	}
	if !slices.IsSorted(fhirmap.ResourceTypes()) {
		t.Error("not in order")
	}
}

func key(fill byte) []byte { return bytes.Repeat([]byte{fill}, fhirmap.MinKeyBytes) }

func deIdentifier(t rapid.TB, k []byte) *fhirmap.DeIdentifier {
	d, err := fhirmap.NewDeIdentifier(k)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestKeyForDeIdentificationIsLongEnough(t *testing.T) {
	if _, err := fhirmap.NewDeIdentifier(key(1)[1:]); err == nil {
		t.Error("31 bytes are a key")
	}
}

// leaves gives every string of a tree with its path without positions.
func leaves(path string, node any, visit func(path, s string)) {
	switch x := node.(type) {
	case object:
		for key, v := range x {
			leaves(path+"."+key, v, visit)
		}
	case array:
		for _, v := range x {
			leaves(path, v, visit)
		}
	case string:
		visit(path, x)
	}
}

// recordStrings gives every string that callers sent with a case.
func recordStrings(m protoreflect.Message, visit func(string)) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		each := func(v protoreflect.Value) {
			switch f.Kind() {
			case protoreflect.StringKind:
				visit(v.String())
			case protoreflect.MessageKind:
				recordStrings(v.Message(), visit)
			}
		}
		switch {
		case f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				each(v.List().Get(i))
			}
		default:
			each(v)
		}
		return true
	})
}

var dateLike = regexp.MustCompile(`\d{4}-\d{2}-\d{2}`)

func moment(s string) (time.Time, bool) {
	for _, layout := range []string{time.DateOnly, time.RFC3339Nano} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// Nothing that a caller sent as text, no identifier, no id and no date of the
// record is in a de-identified bundle; every date in it is one of the record moved
// by the same whole number of days.
func TestDeIdentifiedBundleNamesNobody(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, states []fhirmap.Snapshot) {
		d := deIdentifier(t, key(7))
		text := mustForm(t, d.Collection, h)
		for _, fault := range fhirtest.CheckDeIdentified(text) {
			t.Error(fault)
		}
		for _, part := range fhirmap.CaseParts(h.UID) {
			if bytes.Contains(text, []byte(part)) {
				t.Errorf("the bundle holds %s, which names the case", part)
			}
		}
		before, after := tree(t, mustForm(t, fhirmap.Collection, h)), tree(t, text)

		secret := map[string]bool{h.UID: true, h.Site: true, fhirtest.Leak: true}
		for _, s := range states {
			recordStrings(s.Case.GetCaseFile().ProtoReflect(), func(s string) { secret[s] = true })
			for _, f := range s.Case.GetEvaluation().GetFindings() {
				secret[f.GetMessage()], secret[f.GetId()] = true, true
			}
		}
		// The key of a default definition is a word of the contract.
		delete(secret, "stroke")
		delete(secret, "kidney_injury")
		dates := map[string]bool{}
		leaves("", before, func(path, s string) {
			for _, end := range []string{".id", ".identifier.value", ".identifier.system", ".text", ".detail", ".reference", ".fullUrl"} {
				if strings.HasSuffix(path, end) {
					secret[s] = true
				}
			}
			if at, ok := moment(s); ok {
				dates[at.UTC().Format(time.RFC3339Nano)] = true
			}
		})
		// A shorter one is part of some word: it must be no whole string, as an id such
		// as t-height must be no word, though leaflet-height ends so. A bare number as
		// an id is no secret: versions are such numbers too.
		const short = 6
		for s := range secret {
			if len(s) >= short && !dateLike.MatchString(s) && bytes.Contains(text, []byte(s)) &&
				regexp.MustCompile(`(^|[^A-Za-z])`+regexp.QuoteMeta(s)+`([^A-Za-z]|$)`).Match(text) {
				t.Errorf("%q is in the bundle", s)
			}
		}

		then, _ := moment(before["timestamp"].(string))
		now, ok := moment(after["timestamp"].(string))
		moved := now.Sub(then)
		if days := moved / (24 * time.Hour); !ok || moved != days*24*time.Hour || days == 0 || max(days, -days) > 365 {
			t.Errorf("the dates are moved by %v", moved)
		}
		known := map[string]bool{}
		leaves("", after, func(path, s string) {
			if len(s) < short && secret[s] && strings.Trim(s, "0123456789") != "" {
				t.Errorf("%s is %q", path, s)
			}
			at, ok := moment(s)
			if !ok {
				return
			}
			known[s] = true
			if !dates[at.Add(-moved).UTC().Format(time.RFC3339Nano)] {
				t.Errorf("%s: %s is no date of the record moved by %v", path, s, moved)
			}
		})
		for _, found := range dateLike.FindAll(text, -1) {
			if !slices.ContainsFunc(slices.Collect(keys(known)), func(s string) bool { return strings.HasPrefix(s, string(found)) }) {
				t.Errorf("%s stands where no date should", found)
			}
		}
	})
}

func keys(m map[string]bool) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// What is measured stays: the same numbers with units, the same codes of the
// closed tables, as often as before.
func TestDeIdentifiedBundleKeepsTheMeasurements(t *testing.T) {
	count := func(o object) map[string]int {
		n := map[string]int{}
		var walk func(path string, node any)
		walk = func(path string, node any) {
			switch x := node.(type) {
			case object:
				if v, is := x["value"].(json.Number); is {
					n[fmt.Sprint(path, v, x["code"])]++
				}
				for k, v := range x {
					walk(path+"."+k, v)
				}
			case array:
				for _, v := range x {
					walk(path, v)
				}
			}
		}
		walk("", o)
		return n
	}
	for _, example := range fhirtest.Examples() {
		before := tree(t, mustForm(t, fhirmap.Collection, example.History))
		after := tree(t, mustForm(t, deIdentifier(t, key(1)).Collection, example.History))
		if !reflect.DeepEqual(count(before), count(after)) {
			t.Errorf("%s: numbers\n%v\nbecame\n%v", example.Name, count(before), count(after))
		}
		if len(entriesOf(before)) != len(entriesOf(after)) {
			t.Errorf("%s: %d of %d resources", example.Name, len(entriesOf(after)), len(entriesOf(before)))
		}
	}
}

// An element that is not on the list is dropped wherever it stands, and so is a
// code of a table that is not ours.
func TestDeIdentifiedBundleDropsWhatItDoesNotKnow(t *testing.T) {
	d := deIdentifier(t, key(3))
	text := mustForm(t, fhirmap.Collection, fhirtest.Complete())
	good := d.Tree("harbour", "s", "v", tree(t, text))
	spoilt := tree(t, text)
	spoil(spoilt)
	spoilt["entry"] = append(spoilt["entry"].(array), object{"resource": object{"resourceType": "Patient", "id": "x", "name": "SECRET"}}, object{"resource": object{}})
	got, err := json.Marshal(d.Tree("harbour", "s", "v", spoilt))
	if err != nil {
		t.Fatal(err)
	}
	want, err := json.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(got, []byte("SECRET")) || !bytes.Equal(got, want) {
		t.Errorf("the bundle changed with elements that nobody knows\n%.2000s", got)
	}
}

// spoil adds to every object elements of every shape.
func spoil(node any) {
	switch x := node.(type) {
	case object:
		for _, v := range x {
			spoil(v)
		}
		if codings, is := x["coding"].(array); is {
			x["coding"] = append(codings, object{"system": "urn:secret", "code": "SECRET", "display": "SECRET"})
			for _, c := range codings {
				c.(object)["display"], c.(object)["userSelected"], c.(object)["version"] = "SECRET", true, "SECRET"
			}
		}
		x["text"], x["note"] = "SECRET", array{object{"text": "SECRET"}}
		known, _ := x["extension"].(array)
		x["extension"] = append(known, object{"url": "urn:secret", "valueString": "SECRET"})
		x["udiCarrier"], x["serialNumber"], x["lotNumber"] = array{object{"deviceIdentifier": "SECRET"}}, "SECRET", "SECRET"
		x["performer"], x["_status"], x["contained"] = array{object{"display": "SECRET"}}, object{"id": "SECRET"}, array{object{"id": "SECRET"}}
	case array:
		for _, v := range x {
			spoil(v)
		}
	}
}

// A value where another shape is expected is dropped, never passed on.
func TestDeIdentifiedBundleDropsWhatHasAnotherShape(t *testing.T) {
	d := deIdentifier(t, key(3))
	rapid.Check(t, func(t *rapid.T) {
		whole := tree(t, mustForm(t, fhirmap.Collection, fhirtest.Complete()))
		for range rapid.IntRange(1, 5).Draw(t, "places") {
			entry := rapid.SampledFrom(entriesOf(whole)).Draw(t, "entry")
			node, is := entry["resource"].(object)
			for is {
				k := rapid.SampledFrom(slices.Sorted(keys(boolKeys(node)))).Draw(t, "element")
				next, deeper := node[k].(object)
				if list, isList := node[k].(array); isList && len(list) > 0 {
					next, deeper = list[0].(object)
				}
				if deeper && rapid.Bool().Draw(t, "deeper") {
					node = next
					continue
				}
				node[k] = rapid.SampledFrom([]any{"SECRET", json.Number("777777"), object{"SECRET": "SECRET"}, array{"SECRET"}, nil, true}).Draw(t, "value")
				break
			}
		}
		got, err := json.Marshal(d.Tree("harbour", "s", "v", whole))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(got, []byte("SECRET")) {
			t.Errorf("%s", got)
		}
	})
}

func boolKeys(o object) map[string]bool {
	m := map[string]bool{}
	for k := range o {
		m[k] = true
	}
	return m
}

// The table names why each row is there; ages above 89 name people, as the rules
// for de-identified health data say (45 CFR 164.514(b)(2), from memory).
func TestDeIdentifiedBundleCapsAges(t *testing.T) {
	d := deIdentifier(t, key(3))
	tests := []struct{ name, value, unit, want string }{
		{"as it is", "61", "a", "61"},
		{"the edge", "89", "a", "89"},
		{"above", "90", "a", "89"},
		{"a fraction above", "89.5", "a", "89"},
		{"a length is no age", "90.0", "mm", "90.0"},
	}
	for _, tt := range tests {
		whole := object{"entry": array{object{"resource": object{
			"resourceType": "Observation", "id": "1", "status": "final", "subject": object{},
			"code":          object{"coding": array{object{"system": "http://loinc.org", "code": "8277-6"}}},
			"valueQuantity": object{"value": json.Number(tt.value), "code": tt.unit},
		}}}}
		list, _ := d.Tree("s", "s", "v", whole)["entry"].([]any)
		if len(list) != 1 {
			t.Fatalf("%s: %d resources", tt.name, len(list))
		}
		text, err := json.Marshal(list[0])
		if err != nil || !bytes.Contains(text, []byte(`"value":`+tt.want+`}`)) {
			t.Errorf("%s: %s, %v", tt.name, text, err)
		}
	}
}

// The offset hangs on key and patient alone, is never zero and stays within a
// year; another key or patient has other ids and another pseudonym.
func TestDeIdentificationIsKeyed(t *testing.T) {
	d := deIdentifier(t, key(1))
	seen := map[int]bool{}
	for i := range 5000 {
		n := d.ShiftDays("harbour", "urn:oid:2.999.1", fmt.Sprint("P-", i))
		if n == 0 || n > 365 || n < -365 {
			t.Fatalf("patient %d is moved by %d days", i, n)
		}
		seen[n] = true
	}
	if !seen[-365] || !seen[-1] || !seen[1] || !seen[365] {
		t.Errorf("only %d offsets of 730 are used, or an end of the range is not", len(seen))
	}

	h := fhirtest.Complete()
	one := mustForm(t, d.Collection, h)
	if again := mustForm(t, deIdentifier(t, key(1)).Collection, h); !bytes.Equal(one, again) {
		t.Error("the same key gives another bundle")
	}
	other := mustForm(t, deIdentifier(t, key(2)).Collection, h)
	pick := func(b []byte) map[string]bool {
		found := map[string]bool{}
		leaves("", tree(t, b), func(path, s string) {
			if strings.HasSuffix(path, ".id") || strings.HasSuffix(path, ".identifier.value") {
				found[s] = true
			}
		})
		return found
	}
	for s := range pick(other) {
		if pick(one)[s] {
			t.Errorf("%s is the same under another key", s)
		}
	}

	// Another case of the same patient: other ids, the same pseudonym and offset.
	second := fhirtest.Complete()
	second.UID = "11111111-2222-4333-8444-555555555555"
	b := tree(t, mustForm(t, d.Collection, second))
	if b["timestamp"] != tree(t, one)["timestamp"] {
		t.Error("two cases of one patient are moved by different offsets")
	}
	same := 0
	for s := range pick(mustForm(t, d.Collection, second)) {
		if pick(one)[s] {
			same++
		}
	}
	if same != 1 {
		t.Errorf("%d ids and pseudonyms are shared by two cases of a patient, want the pseudonym alone", same)
	}
}

// Whoever asks for a case and goes is not worked for: at whichever ask the caller is
// found gone, no form is given, and there is an ask for each resource at least.
func TestNothingIsMadeForWhoHasGone(t *testing.T) {
	gone := errors.New("gone")
	h := fhirtest.Complete()
	states := fhirtest.Examples()[0].States
	resources, err := fhirmap.Resources(h)
	if err != nil {
		t.Fatal(err)
	}
	for name, form := range map[string]func(fhirmap.History) error{
		"transaction": func(h fhirmap.History) error { _, err := fhirmap.Transaction(h); return err },
		"collection":  func(h fhirmap.History) error { _, err := fhirmap.Collection(h); return err },
		"conditional": func(h fhirmap.History) error { _, err := fhirmap.ConditionalTransaction(h); return err },
		"resources":   func(h fhirmap.History) error { _, err := fhirmap.Resources(h); return err },
		"document":    func(h fhirmap.History) error { _, err := fhirmap.Document(h, note.Note{}); return err },
		"rows": func(h fhirmap.History) error {
			_, err := fhirmap.Replay(h.Site, h.UID, states, h.Asked)
			return err
		},
	} {
		asks := 0
		h.Asked = func() error { asks++; return nil }
		if err := form(h); err != nil || asks == 0 || name != "rows" && asks < len(resources)*2/3 {
			t.Fatalf("%s: %v, asked %d times for %d resources", name, err, asks, len(resources))
		}
		for _, at := range []int{1, asks / 2, asks} {
			left := at
			h.Asked = func() error {
				if left--; left <= 0 {
					return gone
				}
				return nil
			}
			if err := form(h); !errors.Is(err, gone) || left < 0 {
				t.Errorf("%s: gone at ask %d of %d: %v, asked %d times more", name, at, asks, err, -left)
			}
		}
	}
}
