package fhirmap_test

import (
	"bytes"
	"reflect"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	trigonev1 "trigone/proto/trigone/v1"
)

// A bundle made of the present state and the rows says what one made of all states
// says, whatever the mapping's number and the site's codes.
func TestRowsSayWhatAllStatesSay(t *testing.T) {
	onHistories(t, func(t rapid.TB, h fhirmap.History, states []fhirmap.Snapshot) {
		for _, mapping := range []int64{0, 7} {
			for _, codes := range [][]fhirmap.SiteCode{nil, siteCodes()} {
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
			changed, err := fhirmap.Advance(before, now)
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
