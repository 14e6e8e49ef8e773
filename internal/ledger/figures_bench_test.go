package ledger

import (
	"cmp"
	"database/sql"
	"flag"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var filled = flag.Int("filled", 1000, "how many cases a store has over which figures are timed")

// BenchmarkFigures answers figures over a store of -filled cases: rows of invented cases
// under new names, an operation each hour. The floor, in turns and in the same process, is
// a scan by SQL alone: of the index that pairs are read from, or of the short rows. The
// agreement of one quantity must have the same n, mean and standard deviation as the scan.
func BenchmarkFigures(b *testing.B) {
	path := filepath.Join(b.TempDir(), "figures.db")
	store, err := sqlite.Open(b.Context(), path, sqlite.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = store.Close() }()
	p, err := policy.BuiltIn()
	if err != nil {
		b.Fatal(err)
	}
	p.Settings.Site = "harbour"
	now := time.Date(2060, 1, 1, 0, 0, 0, 0, time.UTC)
	book, err := casebook.New(b.Context(), casebook.Config{Store: store, Policy: p, Software: "test", Now: func() time.Time { return now }, Projectors: []casebook.Projector{Projection{}}})
	if err != nil {
		b.Fatal(err)
	}
	fillFigures(b, store, *filled)
	l := New(book.Archive)
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = db.Close() }()

	whole, err := l.SummarizeAgreement(b.Context(), surgeon, &trigonev1.SummarizeAgreementRequest{})
	if err != nil || len(whole.GetAgreements()) == 0 {
		b.Fatal(whole, err)
	}
	// The figure of most pairs, of what is measured once in a case.
	numbers := slices.DeleteFunc(slices.Clone(whole.GetAgreements()), func(a *trigonev1.Agreement) bool {
		return a.GetBias().Value == nil || a.GetStage() != 0 || a.GetPlace() == ""
	})
	most := slices.MaxFunc(numbers, func(a, b *trigonev1.Agreement) int { return cmp.Compare(a.GetPairCount(), b.GetPairCount()) })
	var n int
	var sum, squares float64
	scanPairs := func() error {
		return db.QueryRow(`SELECT count(*), total(d), total(d * d) FROM (SELECT actual - planned AS d FROM comparisons INDEXED BY comparison_pairs
			WHERE projection = (SELECT id FROM projections WHERE name = 'ledger' AND state = 'standing') AND site = 1 AND kind = ? AND metric = ? AND place = ? AND method = ? AND verdict <> 3
			AND planned IS NOT NULL AND actual IS NOT NULL AND (actual IS NOT NULL OR planned IS NOT NULL OR lower IS NOT NULL OR upper IS NOT NULL))`,
			int(most.GetKind()), metricNumber(most.GetMetric()), most.GetPlace(), int(most.GetMethod())).Scan(&n, &sum, &squares)
	}
	var bytes int64
	scanShort := func() error { return db.QueryRow(`SELECT total(length(message)) FROM case_short`).Scan(new(float64)) }
	if err := db.QueryRow(`SELECT cast(total(length(message)) / count(*) AS INTEGER) FROM case_short`).Scan(&bytes); err != nil {
		b.Fatal(err)
	}
	agreement := func() (*trigonev1.SummarizeAgreementResponse, error) {
		return l.SummarizeAgreement(b.Context(), surgeon, &trigonev1.SummarizeAgreementRequest{Kinds: []trigonev1.ComparisonKind{most.GetKind()}, Metrics: []string{most.GetMetric()}})
	}
	answer, err := agreement()
	if err != nil {
		b.Fatal(err)
	}
	if err := scanPairs(); err != nil {
		b.Fatal(err)
	}
	i := slices.IndexFunc(answer.GetAgreements(), func(a *trigonev1.Agreement) bool {
		return a.GetPlace() == most.GetPlace() && a.GetMethod() == most.GetMethod()
	})
	a := answer.GetAgreements()[i]
	mean := sum / float64(n)
	sd := math.Sqrt((squares - sum*mean) / float64(n-1))
	if int(a.GetPairCount()) != n || math.Abs(a.GetBias().GetValue()-mean) > 1e-9 || math.Abs(a.GetSd().GetValue()-sd) > 1e-9 {
		b.Fatalf("%s %s at %s: %d pairs, bias %v, SD %v; the scan has %d, %v, %v", a.GetKind(), a.GetMetric(), a.GetPlace(), a.GetPairCount(), a.GetBias().GetValue(), a.GetSd().GetValue(), n, mean, sd)
	}
	for _, one := range []struct {
		name  string
		ask   func() error
		floor func() error
	}{
		{"agreement of one quantity", func() error { _, err := agreement(); return err }, scanPairs},
		{"agreement of all", func() error {
			_, err := l.SummarizeAgreement(b.Context(), surgeon, &trigonev1.SummarizeAgreementRequest{})
			return err
		}, scanPairs},
		{"outcomes", func() error {
			_, err := l.SummarizeOutcomes(b.Context(), surgeon, &trigonev1.SummarizeOutcomesRequest{})
			return err
		}, scanShort},
		{"freedom", func() error {
			_, err := l.EstimateFreedom(b.Context(), surgeon, &trigonev1.EstimateFreedomRequest{})
			return err
		}, scanShort},
		{"monitoring", func() error {
			_, err := l.MonitorOutcomes(b.Context(), surgeon, &trigonev1.MonitorOutcomesRequest{})
			return err
		}, scanShort},
		{"gaps", func() error { _, err := l.ListGaps(b.Context(), surgeon, &trigonev1.ListGapsRequest{}); return err }, scanShort},
	} {
		b.Run(one.name, func(b *testing.B) {
			var asked, scanned time.Duration
			for b.Loop() {
				for _, turn := range []struct {
					do   func() error
					into *time.Duration
				}{{one.floor, &scanned}, {one.ask, &asked}} {
					begin := time.Now()
					if err := turn.do(); err != nil {
						b.Fatal(err)
					}
					*turn.into += time.Since(begin)
				}
			}
			b.ReportMetric(float64(asked)/float64(scanned), "times-the-scan")
			b.ReportMetric(asked.Seconds()/float64(b.N), "s/answer")
			b.ReportMetric(float64(bytes), "B/short-row")
		})
	}
}

// fillFigures puts in cases by their rows alone.
func fillFigures(b *testing.B, store storage.Store, n int) {
	b.Helper()
	var templates []storage.Rows
	for _, name := range testdata.Names(testdata.Cases) {
		s := stateOf(b, name)
		if s.File.GetOperation().GetIncisionTime() == nil || len(s.File.GetOperation().GetRuns()) > 1 || s.File.GetOperation().GetSetting().GetPreviousCase() != "" {
			continue
		}
		s.Case.Version = 1
		rows, err := Projection{}.Rows(nil, s)
		if err != nil {
			b.Fatal(err)
		}
		templates = append(templates, rows)
	}
	begin := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	const writers = 64
	var wg sync.WaitGroup
	for first := range writers {
		wg.Go(func() {
			for i := first; i < n; i += writers {
				uid := uuid.NewSHA1(uuid.NameSpaceURL, fmt.Append(nil, "urn:example:figures:", i)).String()
				w := storage.Write{
					Case: &storage.Case{
						UID: uid, Version: 1, State: storage.CaseActive, ChangedTime: begin, OpenedTime: begin, IncisionTime: begin.Add(time.Duration(i) * time.Hour),
						PlanTiming: storage.TimingProspective, Patient: storage.Identifier{System: "urn:example:figures", Value: uid},
						Sections: []storage.Section{{Section: storage.OperationSection, Head: 1, State: storage.SectionAccepted, Order: 1, First: 1, Last: 1}},
					},
					Changes:   []storage.Change{{Kind: "submitted", CaseUID: uid, CaseVersion: 1, Time: begin}},
					Projected: []storage.Projected{{Name: Projection{}.Name(), Version: Projection{}.Version(), Rows: templates[i%len(templates)]}},
				}
				if err := store.Append(b.Context(), "harbour", w); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
}
