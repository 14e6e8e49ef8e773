package fhirmap_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/metric"
	trigonev1 "trigone/proto/trigone/v1"
)

// A bundle made of the present state and the rows says what one made of all states
// says, whatever the mapping's number and the site's codes.
func TestRowsSayWhatAllStatesSay(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, states []fhirmap.Snapshot) {
		for _, mapping := range []int64{0, 7} {
			for _, codes := range [][]metric.SiteCode{nil, siteCodes()} {
				h.Mapping, h.Codes = mapping, codes
				if same, err := fhirmap.SameAsOfStates(h, states); err != nil || !same {
					t.Fatalf("%d states, mapping %d, %d codes: same %v, %v", len(states), mapping, len(codes), same, err)
				}
			}
		}
	})
}

// Rows written one write after the other, each from the case on its two sides, are
// those of a replay of all states.
func TestRowsWrittenOneByOneAreThoseOfAReplay(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, states []fhirmap.Snapshot) {
		want := fhirtest.Of(h.UID, states...).Sent
		rows := map[string]fhirmap.Sent{}
		list := func() (all []fhirmap.Sent) {
			for _, row := range rows {
				row.Gone = nil // a write does not read them
				all = append(all, row)
			}
			return all
		}
		now := fhirmap.History{Site: h.Site, UID: h.UID}
		for i, s := range states {
			var before *fhirmap.History
			if i > 0 {
				then := now
				before = &then
			}
			now = now.Next(s)
			now.Sent = list()
			changed, _, err := fhirmap.Advance(before, now)
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range changed {
				if old, known := rows[row.ID]; known && reflect.DeepEqual(old, row) {
					t.Fatalf("write %d writes %s %s again, unchanged", i+1, row.Type, row.ID)
				}
				rows[row.ID] = row
			}
		}
		if len(rows) != len(want) {
			t.Fatalf("%d rows, a replay gives %d", len(rows), len(want))
		}
		for _, want := range want {
			if got := rows[want.ID]; !reflect.DeepEqual(got, want) {
				t.Fatalf("%s %s: row\n%+v\n%s\na replay gives\n%+v\n%s", want.Type, want.ID, got, got.Gone, want, want.Gone)
			}
		}
	})
}

// What is retracted and filed again as it was, is as if it had never been away.
func TestADetourLeavesNoTrace(t *testing.T) {
	first := fhirtest.Complete().Current
	away := fhirmap.Snapshot{Case: proto.Clone(first.Case).(*trigonev1.Case)}
	away.Case.CaseVersion, away.Case.State = 2, trigonev1.CaseState_CASE_STATE_RETRACTED
	back := fhirmap.Snapshot{Case: proto.Clone(first.Case).(*trigonev1.Case)}
	back.Case.CaseVersion = 3
	got, want := fhirtest.Of("u", first, away, back), fhirtest.Of("u", first, back)
	if !reflect.DeepEqual(got.Sent, want.Sent) {
		t.Error("the rows differ")
	}
	if a, b := transaction(t, got), transaction(t, want); !bytes.Equal(a, b) {
		t.Error("the bundles differ")
	}
}

func TestHistoryNumbersRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		version, mapping, last := int64(1), int64(1), int64(-1)
		for range rapid.IntRange(1, 60).Draw(t, "events") {
			now := fhirmap.HistoryNumber(version, mapping)
			if now <= last {
				t.Fatalf("version %d under mapping %d has the number %d, after %d", version, mapping, now, last)
			}
			last = now
			if rapid.Bool().Draw(t, "write") {
				version++
			} else {
				mapping += rapid.Int64Range(1, 1500).Draw(t, "mappings")
			}
		}
	})
}

// written gives a case of n writes: the plan revised twice, then an echo read again
// and again.
func written(n int) []fhirmap.Snapshot {
	planned := fhirtest.PlannedStates()
	states := append([]fhirmap.Snapshot{}, planned...)
	for i := len(states); i < n; i++ {
		c := proto.Clone(planned[3].Case).(*trigonev1.Case)
		c.CaseVersion = int64(i + 1)
		for _, s := range c.GetSections() {
			if s.GetSection() == "result/exit" {
				s.Revision = int64(i + 1)
			}
		}
		for _, v := range c.GetEvaluation().GetMetrics() {
			if v.GetMetric() == "mean_gradient" && v.GetOccasion() == "result/exit" {
				v.Value = proto.Float64(float64(i%70) / 10)
			}
		}
		states = append(states, fhirmap.Snapshot{Case: c})
	}
	return states
}

// BenchmarkRevisions makes the bundle of a case of 10, 300 and 1,000 revisions, and
// prints how many times longer each takes than the first; promised: 2 for 1,000.
func BenchmarkRevisions(b *testing.B) {
	bundle := func(h fhirmap.History) func() {
		return func() {
			if _, err := fhirmap.Transaction(h); err != nil {
				b.Fatal(err)
			}
		}
	}
	few := bundle(fhirtest.Of("u", written(10)...))
	for _, n := range []int{10, 300, 1000} {
		h := fhirtest.Of("u", written(n)...)
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				bundle(h)()
			}
			long, short := fhirmap.Fastest(101, bundle(h), few)
			b.ReportMetric(float64(long)/float64(short), "times10")
			b.ReportMetric(float64(len(h.Sent)), "rows")
		})
	}
}

// BenchmarkAdvance is what a write adds to its work for the rows.
func BenchmarkAdvance(b *testing.B) {
	states := written(11)
	before := fhirtest.Of("u", states[:10]...)
	after := before.Next(states[10])
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := fhirmap.Advance(&before, after); err != nil {
			b.Fatal(err)
		}
	}
}

// What only a former mapping made is entered in error at once, and stays so after
// the next write; a Provenance of it stays true and is not sent again.
func TestWhatOnlyAFormerMappingMade(t *testing.T) {
	states := fhirtest.PlannedStates()
	h := fhirtest.Of("u", states[:3]...)
	next := h.Next(states[3])
	const id = "00000000-0000-8000-8000-0000000000"
	for i, typ := range fhirmap.ResourceTypes() {
		row := fhirmap.Sent{Type: typ, ID: id + strconv.Itoa(10+i), Mapping: 0, First: 1, State: fhirmap.Living}
		h.Sent, next.Sent = append(h.Sent, row), append(next.Sent, row)
	}
	check := func(when string, h fhirmap.History) {
		bundle := transaction(t, h)
		for _, fault := range fhirtest.Check(bundle) {
			// The key by which it was made is not known any more.
			if !strings.HasSuffix(fault, "0 identifiers") {
				t.Errorf("%s: %s", when, fault)
			}
		}
		found := resources(t, bundle)
		for i, typ := range fhirmap.ResourceTypes() {
			r := found[typ+"/"+id+strconv.Itoa(10+i)]
			if typ == "Provenance" {
				if r != nil {
					t.Errorf("%s: a Provenance of nothing: %v", when, r)
				}
				continue
			}
			if got := fhirtest.Status(r); got != "entered-in-error" {
				t.Errorf("%s: %s has status %q", when, typ, got)
			}
		}
	}
	check("before the next write", h)
	changed, _, err := fhirmap.Advance(&h, next)
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]fhirmap.Sent{}
	for _, row := range append(next.Sent, changed...) {
		rows[row.ID] = row
	}
	next.Sent = nil
	for _, row := range rows {
		next.Sent = append(next.Sent, row)
	}
	check("after it", next)
}

// A result that another mapping says otherwise is amended: a receiver has shown what
// the former one said.
func TestWhatAnotherMappingSaysOtherwiseIsAmended(t *testing.T) {
	const key = "value|mean_gradient|result/exit|measured|doppler"
	h := fhirtest.Of("u", fhirtest.PlannedStates()...)
	id := byKey(t, transaction(t, h), key)["id"]
	for i := range h.Sent {
		if h.Sent[i].ID == id {
			h.Sent[i].Digest = []byte("another.")
		}
	}
	if got := byKey(t, transaction(t, h), key)["status"]; got != "amended" {
		t.Errorf("status %v", got)
	}
}

// The digest of what was sent of a value outlives the program: its form is written
// out here once more.
func TestDigestOfAValue(t *testing.T) {
	const key = "value|mean_gradient|result/exit|measured|doppler"
	h := fhirtest.Of("u", fhirtest.PlannedStates()[2])
	o := byKey(t, transaction(t, h), key)
	sum := sha256.Sum256([]byte(`{"value":{"value":"` + at(o, "valueQuantity", "value").(json.Number).String() +
		`","unit":"mm[Hg]"},"when":"` + o["effectiveDateTime"].(string) + `"}`))
	for _, row := range h.Sent {
		if row.ID == o["id"] && !bytes.Equal(row.Digest, sum[:8]) {
			t.Errorf("digest %x, want %x", row.Digest, sum[:8])
		}
	}
}

const mappingLog = "testdata/mapping.golden"

// What is sent of the examples is what this version of the mapping sent before. A
// line of the log is never written again: raise fhirmap.Mapping, and -update adds
// one. So the history number rises, and every receiver gets what changed.
func TestAnotherMappingHasAnotherVersion(t *testing.T) {
	all := sha256.New()
	for _, example := range fhirtest.Examples() {
		all.Write(transaction(t, example.History))
	}
	now := fmt.Sprintf("%d %x\n", fhirmap.Mapping, all.Sum(nil))
	log, err := os.ReadFile(mappingLog)
	if err != nil {
		t.Fatal(err)
	}
	lines := slices.Collect(strings.Lines(string(log)))
	newest, last := len(lines), ""
	for i, line := range lines {
		if last = line; !strings.HasPrefix(line, strconv.Itoa(i+1)+" ") {
			t.Fatalf("line %d of %s is %q", i+1, mappingLog, line)
		}
	}
	switch {
	case last == now:
	case fhirmap.Mapping != newest+1:
		t.Errorf("what is sent differs from what mapping %d sent: set fhirmap.Mapping to %d and run the tests with -update", newest, newest+1)
	case *update:
		if err := os.WriteFile(mappingLog, append(log, now...), 0o644); err != nil {
			t.Fatal(err)
		}
	default:
		t.Errorf("mapping %d is not in %s: run the tests with -update", fhirmap.Mapping, mappingLog)
	}
}
