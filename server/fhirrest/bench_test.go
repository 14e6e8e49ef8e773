package fhirrest

import (
	"encoding/json"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"trigone/fhirmap"
	"trigone/internal/handover"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var filled = flag.Int("filled", 1000, "how many cases a store has in which searches are timed")

// searchesByName are ten searches as dashboards ask them.
func searchesByName(f *fixture, tb testing.TB) [][2]string {
	tb.Helper()
	const grade, contact = own + "metric|regurgitation-grade", own + "metric|coaptation-length"
	one := f.search(tb, ask("Procedure", "status", "completed", "_count", "1")).ids("match")[0]
	return [][2]string{
		{"gradients above 3", ask("Observation", "code-value-quantity", gradient+"$gt3||mm[Hg]", "_count", "20")},
		{"regurgitation at discharge", ask("Observation", "code", grade, "category", own+"occasion|discharge", "_count", "20")},
		{"steps left out", ask("Procedure", "status", "not-done", "_count", "5")},
		{"the newest gradient", ask("Observation", "code", gradient, "_sort", "-date", "_count", "1")},
		{"short contact at A2-P2", ask("Observation", "code-value-quantity", contact+"$lt6||mm", "place", own+"place|a2-p2", "_count", "5")},
		{"one patient's newest values", ask("Observation", "patient.identifier", patients+"|P-0003", "_sort", "-date", "_count", "20")},
		{"one by its id", ask("Procedure", "_id", strings.TrimPrefix(one, "Procedure/"))},
		{"changed since", ask("Observation", "_lastUpdated", "ge2026-12-01T08:50:00Z", "_count", "20")},
		{"entered in error", ask("Observation", "status", "entered-in-error", "_count", "20")},
		{"how many gradients", ask("Observation", "code", gradient, "_summary", "count")},
	}
}

// BenchmarkSearches times ten searches up to the last byte of the answer, without a
// network, with no rendered case kept. Beside each stands, in turns, the rendering of
// the cases on its page alone: how often that goes into the search must not grow with
// -filled. Cases beyond the invented ones are rows only, copied from theirs under uids
// of their own; pages begin with the invented ones. What is refused as too much to read,
// in a large store, is marked so.
func BenchmarkSearches(b *testing.B) {
	f := newFixture(b, 1, testdata.Names(testdata.Cases)...)
	searches := searchesByName(f, b)
	file, err := testdata.Read(testdata.Cases, "core-only")
	if err != nil {
		b.Fatal(err)
	}
	if _, err := f.book.RetractCase(b.Context(), caller, &trigonev1.RetractCaseRequest{
		Case: &trigonev1.CaseReference{ExternalIdentifier: file.GetExternalIdentifier()}, CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
	}); err != nil {
		b.Fatal(err)
	}
	byUID := map[int64][]handover.NumberedCase{}
	for _, c := range f.cases(b) {
		byUID[fhirmap.CasePrefix(c.UID)] = append(byUID[fhirmap.CasePrefix(c.UID)], c)
	}
	fillRows(b, f, *filled)
	for _, s := range searches {
		b.Run(s[0], func(b *testing.B) {
			var body []byte
			refused := false
			search := func() {
				w := httptest.NewRecorder()
				r := httptest.NewRequestWithContext(b.Context(), http.MethodGet, "/fhir"+s[1], nil)
				r.Host = "127.0.0.1"
				f.face.ServeHTTP(w, r.WithContext(named(r.Context())))
				body = w.Body.Bytes()
				if refused = w.Code == http.StatusBadRequest && strings.Contains(string(body), `"too-costly"`); !refused && w.Code != http.StatusOK {
					b.Fatal(w.Code, w.Body)
				}
			}
			search()
			if refused {
				// It would read more rows than any search may: told with how to narrow it,
				// and that in the time of an answer.
				for b.Loop() {
					search()
				}
				b.ReportMetric(1, "refused")
				return
			}
			var answered set
			if err := json.Unmarshal(body, &answered); err != nil {
				b.Fatal(err)
			}
			of := map[string]bool{}
			for _, id := range answered.ids("match") {
				prefix, _ := fhirmap.PrefixOf(id[strings.IndexByte(id, '/')+1:])
				of[byUID[prefix][0].UID] = true
			}
			render := func() {
				for uid := range of {
					rendered, err := f.desk.CaseResources(b.Context(), caller, uid)
					if err != nil {
						b.Fatal(err)
					}
					if _, err := f.face.shelf.prepare(rendered); err != nil {
						b.Fatal(err)
					}
				}
			}
			for b.Loop() {
				search()
			}
			const turns = 9
			var s, r []time.Duration
			for range turns {
				s, r = append(s, timed(search)), append(r, timed(render))
			}
			b.ReportMetric(float64(len(of)), "cases")
			b.ReportMetric(float64(len(answered.ids("match"))), "found")
			if len(of) > 0 {
				b.ReportMetric(float64(median(s))/float64(median(r)), "search/rendering")
			}
		})
	}
}

// fillRows adds cases that are rows for searches only, until there are n.
func fillRows(tb testing.TB, f *fixture, n int) {
	tb.Helper()
	var templates []handover.IndexRows
	cases := f.cases(tb)
	for _, c := range cases {
		rendered, err := f.desk.CaseResources(tb.Context(), caller, c.UID)
		if err != nil {
			tb.Fatal(err)
		}
		rows, err := Index(rendered.Resources)
		if err != nil {
			tb.Fatal(err)
		}
		templates = append(templates, rows)
	}
	if list, err := f.store.Projections(tb.Context()); err != nil || len(list) != len(projectors()) {
		tb.Fatal(list, err)
	}
	site := f.book.Policy.Settings.Site
	begin := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	const writers = 64
	var wg sync.WaitGroup
	for first := range writers {
		wg.Go(func() {
			for i := len(cases) + first; i < n; i += writers {
				uid := uuid.NewSHA1(uuid.NameSpaceURL, fmt.Append(nil, "urn:example:filled:", i)).String()
				w := storage.Write{
					Case:    &storage.Case{UID: uid, Version: 1, State: storage.CaseActive, ChangedTime: begin.Add(time.Duration(i) * time.Second), OpenedTime: begin},
					Changes: []storage.Change{{Kind: "filled", CaseUID: uid, CaseVersion: 1, Time: begin}},
				}
				for _, p := range projectors() {
					out := storage.Projected{Name: p.Name(), Version: p.Version()}
					if p.Name() == storage.ProjectionSearch {
						out.Rows = templates[i%len(templates)]
					} else {
						out.Rows.CasePrefix = fhirmap.CasePrefix(uid)
					}
					w.Projected = append(w.Projected, out)
				}
				if err := f.store.Append(tb.Context(), site, w); err != nil {
					tb.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
}

func timed(f func()) time.Duration {
	begin := time.Now()
	f()
	return time.Since(begin)
}

func median(list []time.Duration) time.Duration {
	slices.Sort(list)
	return list[len(list)/2]
}

// BenchmarkSubmitWithRows is a submit of a whole case with rows for searches. Beside it
// stands, in turns, the same without them, on a store of its own.
func BenchmarkSubmitWithRows(b *testing.B) {
	with, without := newFixture(b, 0), newFixtureOf(b, handover.Resources{})
	n := 0
	submit := func(f *fixture) {
		file, err := testdata.Read(testdata.Cases, "neochordae")
		if err != nil {
			b.Fatal(err)
		}
		n++
		file.ExternalIdentifier.Value = fmt.Sprint("MV-BENCH-", n)
		if _, err := f.book.SubmitCase(b.Context(), caller, &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
			b.Fatal(err)
		}
	}
	submit(with)
	submit(without)
	for b.Loop() {
		submit(with)
	}
	const turns = 41
	var w, o []time.Duration
	for range turns {
		w, o = append(w, timed(func() { submit(with) })), append(o, timed(func() { submit(without) }))
	}
	b.ReportMetric(float64(median(w))/float64(median(o)), "with/without")
	b.ReportMetric(float64(median(w)-median(o))/float64(time.Millisecond), "ms-more")
}
