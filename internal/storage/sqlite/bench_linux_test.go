package sqlite

import (
	"context"
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
//   - raw: the statements a write needs on the same schema, prepared, through
//     database/sql, without queue, savepoints or comparisons;
//   - fdatasync: the bytes of the write appended to a file and synced.

const (
	benchSections      = 3
	benchFindings      = 3
	benchDiscrepancies = 5
	benchChanges       = 4
	benchVersions      = 4
)

// benchWrite is write i of benchVersions per case, of the sizes that the invented
// cases of this project have in the middle.
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
			Number: version, Time: at, CatalogueVersion: "2031.1", RuleSetVersion: "2031.1", PolicyHash: "hash", SoftwareVersion: "1.0.0", PlanRevision: version,
			Answer: bytes(24000), Metrics: bytes(4000),
		},
		Policy:  &storage.Policy{Hash: "hash", Version: "1", Text: string(make([]byte, 1072)), FirstUsed: at},
		Request: &storage.Request{Caller: "theatre", Site: "harbour", Method: "SubmitCase", RequestID: fmt.Sprint("request-", i), ContentHash: bytes(32), CaseUID: uid, Receipt: bytes(250), Time: at},
	}
	for k := range benchSections {
		section := fmt.Sprint("result/", k)
		w.Case.Sections = append(w.Case.Sections, storage.Section{Section: section, Head: version, State: storage.SectionAccepted, Order: int64(k)})
		w.Revisions = append(w.Revisions, storage.Revision{Section: section, Revision: version, Content: bytes(400), ReceivedTime: at, Caller: "theatre"})
	}
	for k := range benchFindings {
		w.Findings = append(w.Findings, storage.Finding{ID: fmt.Sprint("finding-of-a-rule/", k), Rule: "a-rule-of-the-table", Severity: storage.SeverityNote, Occasion: "result/exit", Place: "a2_p2"})
	}
	for k := range benchDiscrepancies {
		w.Discrepancies = append(w.Discrepancies, storage.Discrepancy{
			ID: fmt.Sprint("step_parameter/step/metric/", k), Class: "step_parameter", Verdict: storage.VerdictPresent, Root: true, Order: int64(k), Row: bytes(300),
		})
	}
	for k := range benchChanges {
		w.Changes = append(w.Changes, storage.Change{Kind: "submitted", CaseUID: uid, CaseVersion: version, Section: fmt.Sprint("result/", k), Revision: version, State: storage.SectionAccepted, Time: at})
	}
	return w
}

// size is the content of a write in bytes, without its keys and words.
func size(w storage.Write) int {
	n := len(w.Evaluation.Answer) + len(w.Evaluation.Metrics) + len(w.Request.Receipt) + len(w.Request.ContentHash)
	for _, r := range w.Revisions {
		n += len(r.Content)
	}
	for _, d := range w.Discrepancies {
		n += len(d.Row)
	}
	return n
}

// raw is the floor made of the driver alone.
type raw struct {
	conn       *sql.Conn
	statements map[string]*sql.Stmt
	change     int64
	cases      int64
}

func newRaw(b *testing.B) *raw {
	b.Helper()
	path := filepath.Join(b.TempDir(), "raw.db")
	s, err := Open(b.Context(), path, Options{}) // for the schema
	if err != nil {
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
	b.Cleanup(func() { conn.Close(); _ = db.Close() })
	return &raw{conn: conn, statements: map[string]*sql.Stmt{}}
}

func (r *raw) exec(query string, args ...any) {
	s, ok := r.statements[query]
	if !ok {
		var err error
		if s, err = r.conn.PrepareContext(context.Background(), query); err != nil {
			panic(err)
		}
		r.statements[query] = s
	}
	if _, err := s.Exec(args...); err != nil {
		panic(err)
	}
}

func (r *raw) write(w storage.Write) {
	q, c, e, at := w.Request, w.Case, w.Evaluation, w.Case.ChangedTime.UnixNano()
	r.exec(`INSERT INTO requests VALUES ('harbour', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, q.Caller, q.Method, q.RequestID, q.ContentHash, q.CaseUID, q.CaseVersion, q.Evaluation, q.QuarantineID, at, q.Receipt)
	sections := `[{"Section":"result/0","Head":1,"State":"accepted","Order":0},{"Section":"result/1","Head":1,"State":"accepted","Order":1},{"Section":"result/2","Head":1,"State":"accepted","Order":2}]`
	if w.Expected == 0 {
		r.cases++
		r.exec(`INSERT INTO cases VALUES (?, 'harbour', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0)`,
			r.cases, c.UID, c.Version, c.State, c.ExternalIdentifier.System, c.ExternalIdentifier.Value, at, at, c.Evaluation, at, c.PlanTiming, "", sections)
		r.exec(`INSERT INTO patient_identifiers VALUES (?, 0, ?, ?)`, r.cases, c.Patient.System, c.Patient.Value)
	} else {
		r.exec(`UPDATE cases SET version = ?, changed_time = ?, evaluation = ?, sections = ? WHERE site = 'harbour' AND uid = ? AND version = ?`, c.Version, at, c.Evaluation, sections, c.UID, w.Expected)
		r.exec(`DELETE FROM findings WHERE case_id = ?`, r.cases)
		r.exec(`DELETE FROM discrepancies WHERE case_id = ?`, r.cases)
	}
	for i, v := range w.Revisions {
		r.exec(`INSERT INTO revisions VALUES (?, ?, ?, ?, ?, ?, NULL, ?, 0, '', '', ?)`, r.cases, v.Section, v.Revision, c.Version, i, at, v.Caller, v.Content)
	}
	r.exec(`INSERT INTO evaluations VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, ?, ?)`,
		r.cases, e.Number, c.Version, at, e.CatalogueVersion, e.RuleSetVersion, e.PolicyHash, e.CalibrationID, e.SoftwareVersion, e.PlanRevision, e.Metrics, e.Answer)
	for i, f := range w.Findings {
		r.exec(`INSERT INTO findings VALUES (?, ?, ?, ?, ?, ?, ?, 0)`, r.cases, i, f.ID, f.Rule, f.Severity, f.Occasion, f.Place)
	}
	for _, d := range w.Discrepancies {
		r.exec(`INSERT INTO discrepancies VALUES (?, ?, ?, ?, ?, 1, ?)`, r.cases, d.Order, d.ID, d.Class, d.Verdict, d.Row)
	}
	r.exec(`INSERT OR IGNORE INTO policies VALUES ('harbour', ?, ?, ?, ?)`, w.Policy.Hash, w.Policy.Version, at, w.Policy.Text)
	for _, v := range w.Changes {
		r.change++
		r.exec(`INSERT INTO changes (site, number, kind, case_uid, case_version, section, revision, state, reason, time, quarantine_id)
			VALUES ('harbour', ?, ?, ?, ?, ?, ?, ?, '', ?, '')`, r.change, v.Kind, v.CaseUID, v.CaseVersion, v.Section, v.Revision, v.State, at)
	}
}

func (r *raw) group(writes ...storage.Write) {
	r.exec(`BEGIN IMMEDIATE`)
	for _, w := range writes {
		r.write(w)
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
	s, _ := openNew(b)
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
		content := make([]byte, size(w))
		// Each comes first in its turn: a sync is slower right after another.
		turns := []func(){
			func() {
				store = append(store, timed(func() {
					if err := s.Append(b.Context(), "harbour", w); err != nil {
						b.Fatal(err)
					}
				}))
			},
			func() { driver = append(driver, timed(func() { floor.group(w) })) },
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

// BenchmarkAppend32 is 32 callers, each on its own cases, against a raw loop that
// commits 32 writes at a time.
func BenchmarkAppend32(b *testing.B) {
	const callers, each = 32, 2 * benchVersions
	s, _ := openNew(b)
	floor := newRaw(b)
	random := rand.New(rand.NewPCG(1, 2))
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
		driver := timed(func() {
			for group := range slices.Chunk(all, callers) {
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
