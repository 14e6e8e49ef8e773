package fhirrest

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"
)

// BenchmarkSearch is a search over every invented case, rendered before, up to the
// last byte of the answer without a network. Beside it stand, in the same run and
// in turns, the plain rendering of one case, which a search without a shelf would
// do for every one, and unpacking the texts of all, which a search leaves out.
func BenchmarkSearch(b *testing.B) {
	f := all(b)
	path := "/fhir" + ask("Observation", "code-value-quantity", gradient+"$gt4||mm[Hg]")
	search := func() {
		w := httptest.NewRecorder()
		r := httptest.NewRequestWithContext(b.Context(), http.MethodGet, path, nil)
		r.Host = "127.0.0.1"
		f.face.ServeHTTP(w, r.WithContext(named(r.Context())))
		if w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
	}
	search()
	cases := f.cases(b)
	render := func() {
		if _, err := f.desk.CaseResources(b.Context(), caller, cases[0].UID); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		search()
	}
	const turns = 41
	var s, r []time.Duration
	for range turns {
		s, r = append(s, timed(search)), append(r, timed(render))
	}
	b.ReportMetric(float64(median(r))/float64(median(s)), "one-rendering/search")
	b.ReportMetric(float64(len(cases)), "cases")
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
