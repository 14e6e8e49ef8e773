package sqlite

import (
	"crypto/sha256"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"trigone/internal/storage"
)

// The benchmarks run beside their floors, in turns inside one run, and report
// ratios; absolute times are the disk's. The floors:
//
//   - raw: the statements of a write on the same schema, prepared, through
//     database/sql, without queue and savepoints, its frames packed before;
//   - fdatasync: the bytes of the write appended to a file and synced.

const (
	benchSections    = 3
	benchFindings    = 3
	benchComparisons = 40
	benchGroups      = 12
	benchChildren    = 10
	benchChanges     = 4
	benchVersions    = 4
)

// benchProgram is what the benchmarks' store lists.
var benchProgram = []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}}

// benchWrite is write i of benchVersions per case, of the sizes that the invented
// cases of this project have in the middle. An answer is mostly the one before.
func benchWrite(random *rand.Rand, i int) storage.Write {
	bytes := func(n int) []byte {
		b := make([]byte, n)
		for k := range b {
			b[k] = byte(random.Uint32())
		}
		return b
	}
	at := time.Unix(1900000000+int64(i), 0)
	uid := fmt.Sprintf("00000000-0000-4000-8000-%012d", i/benchVersions)
	version := int64(i%benchVersions) + 1
	w := storage.Write{
		Expected: version - 1,
		Case: &storage.Case{
			UID: uid, Version: version, State: storage.CaseActive, ExternalIdentifier: storage.Identifier{System: "urn:harbour:case", Value: uid},
			Patient: storage.Identifier{System: "urn:harbour:patient", Value: uid}, OpenedTime: at, ChangedTime: at, Evaluation: version, IncisionTime: at,
			PlanTiming: storage.TimingProspective,
		},
		Evaluation: &storage.Evaluation{
			EvaluationHeader: storage.EvaluationHeader{
				Number: version, Time: at, CatalogueVersion: "2031.1", RuleSetVersion: "2031.1", PolicyHash: "hash", SoftwareVersion: "1.0.0", PlanRevision: version,
			},
			Answer: benchAnswer(i), Metrics: bytes(1200),
		},
		Policy:  &storage.Policy{Hash: "hash", Version: "1", Text: string(make([]byte, 1072)), FirstUsed: at},
		Request: &storage.Request{Caller: "theatre", Site: "harbour", Method: "SubmitCase", RequestID: fmt.Sprint("request-", i), ContentHash: bytes(32), CaseUID: uid, Receipt: bytes(250), Time: at},
	}
	for k := range benchSections {
		section := fmt.Sprint("result/", k)
		w.Case.Sections = append(w.Case.Sections, storage.Section{Section: section, Head: version, State: storage.SectionAccepted, Order: int64(k)})
		w.Revisions = append(w.Revisions, storage.Revision{Section: section, Revision: version, Content: bytes(300), Identifying: bytes(60), ReceivedTime: at, Caller: "theatre"})
	}
	for k := range benchFindings {
		w.Findings = append(w.Findings, storage.Finding{ID: fmt.Sprint("finding-of-a-rule/", k), Rule: "a-rule-of-the-table", Severity: storage.SeverityNote, Occasion: "result/exit", Place: "a2_p2"})
	}
	value := float64(i)
	rows := storage.Rows{Facts: &storage.Facts{Version: version, Evaluation: version, Message: bytes(400)}}
	for k := range benchComparisons {
		c := storage.Comparison{
			Order: int64(k), ID: fmt.Sprint("step_dimension/step/metric/", k), Kind: 4, Verdict: storage.ComparisonAgrees, Metric: 1 + k%20, Place: "a2_p2",
			Occasion: "operation/run1/exit", ThingPlanned: "step:one", Planned: &value, PlannedSD: &value, Actual: &value, ActualSD: &value, Tolerance: &value,
			Root: true, Complete: true, Message: fmt.Append(nil, "one of the comparisons of a step, in words as they are read ", k, bytes(40)),
		}
		if k%8 == 0 {
			c.Class, c.Verdict = 1+k%5, storage.ComparisonPresent
		}
		rows.Comparisons = append(rows.Comparisons, c)
	}
	for k := range benchGroups {
		rows.Groups = append(rows.Groups, storage.Group{Kind: 1 + k, Word: fmt.Sprint("word", i%7)})
	}
	for k := range benchChildren {
		rows.Children = append(rows.Children, storage.Child{Kind: k % 4, Section: "operation", Order: int64(k), Message: bytes(40)})
	}
	w.Projected = []storage.Projected{{Name: storage.ProjectionLedger, Version: 1, Rows: rows}}
	for k := range benchChanges {
		w.Changes = append(w.Changes, storage.Change{Kind: "submitted", CaseUID: uid, CaseVersion: version, Section: fmt.Sprint("result/", k), Revision: version, State: storage.SectionAccepted, Time: at})
	}
	return w
}

// benchAnswer is an answer of some 40 KB of sentences, of which one in ten is new.
func benchAnswer(i int) []byte {
	var b []byte
	for k := range 400 {
		of := i / benchVersions
		if k%10 == i%10 {
			of = -i
		}
		b = fmt.Appendf(b, "metric %d of case %d is %x at a place of an occasion, by the rules of its formula, with its interval;", k, of, sha256.Sum256(fmt.Append(nil, k, of)))
	}
	return b
}

// size is the content of a write in bytes as it comes to the disk, without its keys
// and words.
func size(w storage.Write, p prepared) int {
	n := len(p.answer.frame) + len(w.Evaluation.Metrics) + len(w.Request.Receipt) + len(w.Request.ContentHash)
	for _, r := range w.Revisions {
		n += len(r.Content) + len(r.Identifying)
	}
	for _, r := range p.rows {
		n += len(r.texts) + len(r.facts) + 8*len(r.of.Rows.Comparisons)
	}
	return n
}

func benchStore(b *testing.B) *Store {
	b.Helper()
	s, _ := openNew(b)
	if _, err := s.DeclareProjections(b.Context(), benchProgram); err != nil {
		b.Fatal(err)
	}
	return s
}

// raw is the floor made of the driver and the statements alone.
type raw struct{ tx *tx }

func newRaw(b *testing.B) *raw {
	b.Helper()
	path := filepath.Join(b.TempDir(), "raw.db")
	s := openAt(b, path) // for the schema
	if _, err := s.DeclareProjections(b.Context(), benchProgram); err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(ON)")
	if err != nil {
		b.Fatal(err)
	}
	conn, err := db.Conn(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	r := &raw{tx: &tx{conn: conn, prepared: map[string]*sql.Stmt{}}}
	b.Cleanup(func() { _ = r.tx.close(); _ = conn.Close(); _ = db.Close() })
	return r
}

func (r *raw) exec(query string) {
	if _, err := r.tx.exec(query); err != nil {
		panic(err)
	}
}

// ready is a write with what is packed of it.
type ready struct {
	w storage.Write
	p prepared
}

func (r *raw) group(writes ...ready) {
	r.exec(`BEGIN IMMEDIATE`)
	for _, w := range writes {
		if err := r.tx.append("harbour", w.w, w.p); err != nil {
			panic(err)
		}
	}
	r.exec(`COMMIT`)
}

func quantile(d []time.Duration, q float64) float64 {
	d = slices.Clone(d)
	slices.Sort(d)
	return float64(d[int(q*float64(len(d)-1))])
}

func timed(f func()) time.Duration {
	start := time.Now()
	f()
	return time.Since(start)
}

// BenchmarkAppendLone is one caller: the store API against both floors.
func BenchmarkAppendLone(b *testing.B) {
	s := benchStore(b)
	floor := newRaw(b)
	file, err := os.Create(filepath.Join(b.TempDir(), "synced"))
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	random := rand.New(rand.NewPCG(1, 2))
	var store, driver, disk []time.Duration
	for i := 0; b.Loop(); i++ {
		w := benchWrite(random, i)
		p, err := s.prepare(b.Context(), "harbour", &w)
		if err != nil {
			b.Fatal(err)
		}
		content := make([]byte, size(w, p))
		// Each comes first in its turn: a sync is slower right after another.
		turns := []func(){
			func() {
				store = append(store, timed(func() {
					if err := s.Append(b.Context(), "harbour", w); err != nil {
						b.Fatal(err)
					}
				}))
			},
			func() { driver = append(driver, timed(func() { floor.group(ready{w, p}) })) },
			func() {
				disk = append(disk, timed(func() {
					if _, err := file.Write(content); err != nil {
						b.Fatal(err)
					}
					if err := syscall.Fdatasync(int(file.Fd())); err != nil {
						b.Fatal(err)
					}
				}))
			},
		}
		for k := range turns {
			turns[(i+k)%len(turns)]()
		}
	}
	b.ReportMetric(quantile(store, 0.5)/1e3, "store-p50-us")
	b.ReportMetric(quantile(driver, 0.5)/1e3, "raw-p50-us")
	b.ReportMetric(quantile(disk, 0.5)/1e3, "fdatasync-p50-us")
	b.ReportMetric(quantile(driver, 0.5)/quantile(store, 0.5), "of-raw")
	b.ReportMetric(quantile(store, 0.5)/quantile(disk, 0.5), "x-fdatasync")
}

// chainOfWrite gives the chain behind a write of the same case.
func chainOfWrite(made []ready, i int) (chain []link) {
	for ; made[i].p.answer.base > 0; i-- {
		chain = append(chain, link{number: made[i-1].w.Evaluation.Number, answer: made[i-1].p.answer})
	}
	return chain
}

// BenchmarkAppend32 is 32 callers, each on its own cases, against a raw loop that
// commits 32 writes at a time.
func BenchmarkAppend32(b *testing.B) {
	const callers, each = 32, 2 * benchVersions
	s := benchStore(b)
	floor := newRaw(b)
	random := rand.New(rand.NewPCG(1, 2))
	var err error
	var ratios []float64
	var latency []time.Duration
	var writes int
	var spent time.Duration
	commits, stored := s.writer.commits.Load(), s.writer.writes.Load()
	for b.Loop() {
		all := make([]storage.Write, callers*each)
		for i := range all {
			all[i] = benchWrite(random, writes+i)
		}
		writes += len(all)
		perCaller := make([][]time.Duration, callers)
		store := timed(func() {
			var wg sync.WaitGroup
			for c := range callers {
				wg.Go(func() {
					for _, w := range all[c*each : (c+1)*each] {
						perCaller[c] = append(perCaller[c], timed(func() {
							if err := s.Append(b.Context(), "harbour", w); err != nil {
								b.Error(err)
							}
						}))
					}
				})
			}
			wg.Wait()
		})
		made := make([]ready, len(all))
		for i, w := range all {
			made[i].w = w
			var before []link
			if w.Expected > 0 {
				before = append([]link{{number: w.Evaluation.Number - 1, answer: made[i-1].p.answer}}, chainOfWrite(made, i-1)...)
			}
			if made[i].p, err = packWrite(&w, before); err != nil {
				b.Fatal(err)
			}
		}
		driver := timed(func() {
			for group := range slices.Chunk(made, callers) {
				floor.group(group...)
			}
		})
		ratios = append(ratios, float64(driver)/float64(store))
		latency = append(latency, slices.Concat(perCaller...)...)
		spent += store
	}
	slices.Sort(ratios)
	b.ReportMetric(ratios[len(ratios)/2], "of-raw")
	b.ReportMetric(float64(s.writer.writes.Load()-stored)/float64(s.writer.commits.Load()-commits), "writes/commit")
	b.ReportMetric(float64(writes)/spent.Seconds(), "writes/s")
	b.ReportMetric(quantile(latency, 0.5)/1e3, "p50-us")
	b.ReportMetric(quantile(latency, 0.99)/quantile(latency, 0.5), "p99-of-p50")
}

// BenchmarkLookup reads the newest answer, a page of one class and the state of a
// case in a store of 500 cases of four evaluations, and counts the pages touched.
func BenchmarkLookup(b *testing.B) {
	s := oneReader(b)
	if _, err := s.DeclareProjections(b.Context(), benchProgram); err != nil {
		b.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	var uid string
	for i := range 500 * benchVersions {
		w := benchWrite(random, i)
		if err := s.Append(b.Context(), "harbour", w); err != nil {
			b.Fatal(err)
		}
		if i == 250*benchVersions {
			uid = w.Case.UID
		}
	}
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	for _, read := range []struct {
		name string
		do   func()
	}{
		{"answer", func() { _, err := s.Answer(b.Context(), "harbour", uid, benchVersions); must(err) }},
		{"headers", func() { _, err := s.EvaluationHeaders(b.Context(), "harbour", uid); must(err) }},
		{"case", func() { _, err := s.Case(b.Context(), "harbour", uid); must(err) }},
		{"class", func() {
			_, _, err := s.Comparisons(b.Context(), []string{"harbour"}, storage.ComparisonFilter{Classes: []int{1}}, "", 50)
			must(err)
		}},
		{"counts", func() { _, err := s.CountComparisons(b.Context(), "harbour", storage.ComparisonFilter{}); must(err) }},
	} {
		b.Run(read.name, func(b *testing.B) {
			for b.Loop() {
				read.do()
			}
			b.ReportMetric(float64(pagesOf(b, s, read.do)), "pages")
		})
	}
}
