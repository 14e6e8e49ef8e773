package sqlite

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"trigone/internal/storage"
	"trigone/internal/storage/storagetest"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(appenderPath); path != "" {
		appendUntilKilled(path)
	}
	os.Exit(m.Run())
}

func openAt(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func openNew(t testing.TB) (s *Store, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "record.db")
	s = openAt(t, path)
	t.Cleanup(func() { closeStore(t, s) })
	return s, path
}

func closeStore(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestStore(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) func() storage.Store {
		// What a path may hold and a URI may not.
		path := filepath.Join(t.TempDir(), "a store? 100% #1&mode=memory.db")
		return func() storage.Store { return openAt(t, path) }
	})
}

// other is a second connection to the file, as another process would have.
func other(t *testing.T, path string) *sql.Conn {
	t.Helper()
	db, err := connect(path, time.Second, 1, "rw")
	if err != nil {
		t.Fatal(err)
	}
	conn, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(); _ = db.Close() })
	return conn
}

func execute(t *testing.T, conn *sql.Conn, query string, args ...any) {
	t.Helper()
	if _, err := conn.ExecContext(t.Context(), query, args...); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

func TestNewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	s := openAt(t, path)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	conn := other(t, path)
	execute(t, conn, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)`)
	execute(t, conn, `DROP TABLE policies`) // what a newer schema may have done
	if _, err := Open(t.Context(), path, Options{}); !errors.Is(err, storage.ErrNewerSchema) {
		t.Fatalf("got %v, want %v", err, storage.ErrNewerSchema)
	}
	var tables int
	if err := conn.QueryRowContext(t.Context(), `SELECT count(*) FROM sqlite_schema WHERE name = 'policies'`).Scan(&tables); err != nil || tables != 0 {
		t.Errorf("the newer store was changed: %d tables, %v", tables, err)
	}
	execute(t, conn, `DELETE FROM goose_db_version WHERE version_id = 99`)
	s = openAt(t, path)
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestNoStore(t *testing.T) {
	folder := t.TempDir()
	text := filepath.Join(folder, "text")
	if err := os.WriteFile(text, []byte(strings.Repeat("this is no store\n", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{text, folder, filepath.Join(folder, "no such folder", "record.db")} {
		if s, err := Open(t.Context(), path, Options{}); err == nil {
			t.Errorf("%s was opened", path)
			_ = s.Close()
		}
	}
}

// The files hold identifiers of patients: nobody but their owner may read them.
func TestFilesAreTheOwnersAlone(t *testing.T) {
	s, path := openNew(t)
	if err := s.Ping(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(file)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode() != fs.FileMode(0o600) {
			t.Errorf("%s has mode %v, want 0600", filepath.Base(file), info.Mode())
		}
	}
}

func TestSecretsDiffer(t *testing.T) {
	a, _ := openNew(t)
	b, _ := openNew(t)
	first, err := a.Secret(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	second, err := b.Secret(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if string(first) == string(second) {
		t.Error("two stores have one secret")
	}
}

// What an answer to Append rests on.
func TestPragmas(t *testing.T) {
	s, _ := openNew(t)
	for _, test := range []struct{ pragma, want string }{
		{"journal_mode", "wal"}, {"synchronous", "2"}, {"foreign_keys", "1"}, // 2: FULL
	} {
		var got string
		if err := s.writer.conn.QueryRowContext(t.Context(), `PRAGMA `+test.pragma).Scan(&got); err != nil || got != test.want {
			t.Errorf("%s of the writer is %s, want %s (%v)", test.pragma, got, test.want, err)
		}
	}
	if _, err := s.read.Exec(`DELETE FROM policies`); err == nil {
		t.Error("the readers can write")
	}
	if _, err := s.writer.conn.ExecContext(t.Context(), `INSERT INTO findings VALUES (77, 1, '', '', '', '', '', 0)`); err == nil {
		t.Error("a row of no case can be written")
	}
}

// A caller waits no longer than its context while another process writes, and
// finds nothing stored, whether it has the writer's turn or stands behind one
// that has; those that go on waiting are served.
func TestContextEndsWhileQueued(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	s, err := Open(t.Context(), path, Options{Busy: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	defer closeStore(t, s)
	conn := other(t, path)
	execute(t, conn, `BEGIN IMMEDIATE`)
	const callers = 6
	var cancels []context.CancelFunc
	var answers []chan error
	for i := range callers {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		answer := make(chan error, 1)
		cancels, answers = append(cancels, cancel), append(answers, answer)
		go func() { answer <- s.Append(ctx, "harbour", opening(fmt.Sprint("case-", i))) }()
		waitFor(func() bool { return len(s.writer.calls) == i+1 && len(s.writer.turn) == 1 })
	}
	for i := range callers - 1 { // the first has the turn, and hands it on
		cancels[i]()
		if err := <-answers[i]; !errors.Is(err, context.Canceled) {
			t.Errorf("caller %d got %v, want %v", i, err, context.Canceled)
		}
	}
	execute(t, conn, `COMMIT`)
	if err := <-answers[callers-1]; err != nil {
		t.Errorf("the patient caller: %v", err)
	}
	for i := range callers {
		_, err := s.Case(t.Context(), "harbour", fmt.Sprint("case-", i))
		if stored, patient := err == nil, i == callers-1; stored != patient {
			t.Errorf("caller %d: stored is %t (%v)", i, stored, err)
		}
	}
}

// waitFor waits until others have come to where a test needs them.
func waitFor(there func() bool) {
	for !there() {
		time.Sleep(time.Millisecond)
	}
}

// Callers that wait together are committed together, and each has its own
// answer.
func TestGroupCommit(t *testing.T) {
	s, path := openNew(t)
	if err := s.Append(t.Context(), "harbour", opening("stale")); err != nil {
		t.Fatal(err)
	}
	conn := other(t, path)
	execute(t, conn, `BEGIN IMMEDIATE`)
	const callers = 40
	errs := make([]error, callers)
	var wg sync.WaitGroup
	for i := range callers {
		wg.Go(func() {
			uid := fmt.Sprint("case-", i)
			if i%4 == 0 {
				uid = "stale"
			}
			errs[i] = s.Append(t.Context(), "harbour", opening(uid))
		})
	}
	waitFor(func() bool { return len(s.writer.calls) == callers })
	before := s.writer.commits.Load()
	execute(t, conn, `COMMIT`)
	wg.Wait()
	if commits := s.writer.commits.Load() - before; commits != 1 {
		t.Errorf("%d commits for callers that waited together", commits)
	}
	for i, err := range errs {
		want := error(nil)
		if i%4 == 0 {
			want = storage.ErrStale
		}
		if !errors.Is(err, want) {
			t.Errorf("caller %d got %v, want %v", i, err, want)
		}
		if _, err := s.Case(t.Context(), "harbour", fmt.Sprint("case-", i)); (err == nil) != (want == nil) {
			t.Errorf("caller %d: %v", i, err)
		}
	}
}

// If the transaction itself breaks, every call in it fails and is undone, and the
// calls behind it are served by the next.
func TestTransactionBreaks(t *testing.T) {
	s, path := openNew(t)
	conn := other(t, path)
	execute(t, conn, `BEGIN IMMEDIATE`)
	calls := []func() error{
		func() error { return s.Append(t.Context(), "harbour", opening("before")) },
		func() error {
			return s.writer.do(t.Context(), func(tx *tx) error {
				_, err := tx.exec(`ROLLBACK`) // as SQLite does when the disk is full
				return err
			})
		},
		func() error { return s.Append(t.Context(), "harbour", opening("behind")) },
	}
	var answers []chan error
	for i, call := range calls {
		answer := make(chan error, 1)
		answers = append(answers, answer)
		go func() { answer <- call() }()
		waitFor(func() bool { return len(s.writer.calls) == i+1 })
	}
	execute(t, conn, `COMMIT`)
	for i, broken := range []bool{true, true, false} {
		if err := <-answers[i]; (err != nil) != broken {
			t.Errorf("call %d got %v", i, err)
		}
	}
	if _, err := s.Case(t.Context(), "harbour", "before"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("a write of the broken transaction is there: %v", err)
	}
	if _, err := s.Case(t.Context(), "harbour", "behind"); err != nil {
		t.Errorf("the write behind it is not there: %v", err)
	}
}

// Servers that start at once on no file make one store.
func TestOpenedAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	var wg sync.WaitGroup
	secrets := make([]string, 6)
	for i := range secrets {
		wg.Go(func() {
			s, err := Open(t.Context(), path, Options{})
			if err != nil {
				t.Error(err)
				return
			}
			defer closeStore(t, s)
			secret, err := s.Secret(t.Context())
			if err != nil {
				t.Error(err)
			}
			secrets[i] = string(secret)
		})
	}
	wg.Wait()
	for _, secret := range secrets {
		if secret != secrets[0] || secret == "" {
			t.Error("the secrets differ")
		}
	}
}

// Another process that does not end its transaction costs an error, not the
// writer.
func TestBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	s, err := Open(t.Context(), path, Options{Busy: time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	conn := other(t, path)
	execute(t, conn, `BEGIN IMMEDIATE`)
	if err := s.Append(t.Context(), "harbour", opening("a")); err == nil {
		t.Error("written beside another transaction")
	}
	if _, _, err := s.Cases(t.Context(), []string{"harbour"}, storage.CaseFilter{}, "", 10); err != nil {
		t.Errorf("reads wait for a writer: %v", err)
	}
	execute(t, conn, `ROLLBACK`)
	if err := s.Append(t.Context(), "harbour", opening("a")); err != nil {
		t.Error(err)
	}
}

// Two that have one file open see each other's writes and number changes in one
// order.
func TestTwoProcesses(t *testing.T) {
	first, path := openNew(t)
	second := openAt(t, path)
	defer func() { _ = second.Close() }()
	stores := []*Store{first, second}
	var wg sync.WaitGroup
	for i := range 40 {
		wg.Go(func() {
			w := opening(fmt.Sprint("case-", i))
			w.Changes = []storage.Change{{Kind: "submitted", CaseUID: w.Case.UID}}
			if err := stores[i%2].Append(t.Context(), "harbour", w); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	changes, err := second.Changes(t.Context(), "harbour", 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	if len(changes) != 40 || changes[39].Number != 40 {
		t.Errorf("%d changes, the last numbered %d", len(changes), changes[len(changes)-1].Number)
	}
}

// What identifies and quarantined bodies lie in their own tables: emptied, nothing
// of them is left elsewhere, and the case is readable as a tombstone.
func TestIdentityLiesApart(t *testing.T) {
	s, path := openNew(t)
	w := opening("a")
	w.Case.Patient = storage.Identifier{System: "urn:harbour:patient", Value: "PATIENT-SECRET"}
	w.Case.FormerPatients = []storage.Identifier{{System: "urn:harbour:patient", Value: "FORMER-SECRET"}}
	w.Revisions = []storage.Revision{
		{Section: storage.IdentitySection, Revision: 1, Content: []byte("age"), Identifying: []byte("IDENTITY-SECRET")},
		{Section: "plan", Revision: 1, Content: []byte("clinical"), Identifying: []byte("SURGEON-SECRET")},
		{Section: "plan", Revision: 2, Retraction: true, RetractionText: "TEXT-SECRET"},
	}
	w.Confirmations = []storage.Confirmation{{FindingID: "f", Kind: storage.Confirmed, Reason: "REASON-SECRET"}}
	w.Amendments = []storage.Amendment{{Kind: "merge", Reason: "AMENDMENT-SECRET"}}
	w.Quarantined = &storage.Quarantined{ID: "q", Body: []byte("BODY-SECRET"), Decision: "DECISION-SECRET", State: storage.QuarantineOpen, Hash: []byte("h")}
	if err := s.Append(t.Context(), "harbour", w); err != nil {
		t.Fatal(err)
	}
	conn := other(t, path)
	for _, table := range []string{"patient_identifiers", "identifying_parts", "quarantine_parts"} {
		execute(t, conn, `DELETE FROM `+table)
	}
	for _, table := range tableNames(t, conn) {
		keepsNoSecret(t, conn, table)
	}
	c, err := s.Case(t.Context(), "harbour", "a")
	if err != nil || c.Patient != (storage.Identifier{}) || len(c.FormerPatients) != 0 {
		t.Errorf("after the erasure: %+v, %v", c, err)
	}
	revisions, err := s.Revisions(t.Context(), "harbour", "a")
	if err != nil || len(revisions) != 3 || !revisions[0].Erased || revisions[2].Erased || string(revisions[1].Content) != "clinical" {
		t.Errorf("after the erasure: %+v, %v", revisions, err)
	}
}

// opening is a write that opens a case.
func opening(uid string) storage.Write {
	return storage.Write{Case: &storage.Case{UID: uid, Version: 1, State: storage.CaseActive, ChangedTime: time.Unix(1900000000, 0)}}
}

const (
	appenderPath    = "STORE_APPENDER_PATH"
	appenderCallers = 8
)

// appendUntilKilled is the child of TestKilled: it writes without end and says
// what was acknowledged.
func appendUntilKilled(path string) {
	s, err := Open(context.Background(), path, Options{})
	if err != nil {
		panic(err)
	}
	var mu sync.Mutex
	for caller := range appenderCallers {
		go func() {
			uid := fmt.Sprint("case-", caller)
			for version := int64(1); ; version++ {
				w := opening(uid)
				w.Expected, w.Case.Version = version-1, version
				w.Revisions = []storage.Revision{{Section: "plan", Revision: version, Content: []byte(strings.Repeat(fmt.Sprint(uid, version, ";"), 200))}}
				w.Changes = []storage.Change{{Kind: "submitted", CaseUID: uid, CaseVersion: version}}
				if err := s.Append(context.Background(), "harbour", w); err != nil {
					panic(err)
				}
				mu.Lock()
				fmt.Println(uid, version)
				mu.Unlock()
			}
		}()
	}
	select {}
}

// TestKilled kills a writing process at once, over and over, and finds every
// acknowledged write.
func TestKilled(t *testing.T) {
	for round := range 3 {
		path := filepath.Join(t.TempDir(), "record.db")
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), appenderPath+"="+path)
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		acknowledged := map[string]int64{}
		lines := bufio.NewReader(out)
		for n := 0; ; n++ {
			if n == 150*(round+1) {
				if err := child.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
			line, err := lines.ReadString('\n')
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			var uid string
			var version int64
			if _, err := fmt.Sscan(line, &uid, &version); err != nil {
				t.Fatal(err)
			}
			acknowledged[uid] = version
		}
		if err := child.Wait(); child.ProcessState.Exited() {
			t.Fatalf("the child ended by itself: %v", err)
		}
		if len(acknowledged) == 0 {
			t.Fatal("nothing was acknowledged")
		}
		s := openAt(t, path)
		total := 0
		for uid, version := range acknowledged {
			c, err := s.Case(t.Context(), "harbour", uid)
			if err != nil || c.Version < version {
				t.Errorf("%s: version %d was acknowledged, %d is there (%v)", uid, version, c.Version, err)
				continue
			}
			revisions, err := s.Revisions(t.Context(), "harbour", uid)
			if err != nil || int64(len(revisions)) != c.Version {
				t.Errorf("%s: %d revisions of version %d (%v)", uid, len(revisions), c.Version, err)
				continue
			}
			for i, r := range revisions {
				if want := strings.Repeat(fmt.Sprint(uid, i+1, ";"), 200); string(r.Content) != want {
					t.Errorf("%s: the content of revision %d is not the one written", uid, i+1)
				}
			}
			total += len(revisions)
		}
		changes, err := s.Changes(t.Context(), "harbour", 0, 1<<30)
		if err != nil || len(changes) < total || changes[len(changes)-1].Number != int64(len(changes)) {
			t.Errorf("%d changes of %d writes (%v)", len(changes), total, err)
		}
		var check string
		if err := s.read.QueryRow(`PRAGMA integrity_check`).Scan(&check); err != nil || check != "ok" {
			t.Errorf("integrity: %s (%v)", check, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

func closeRows(t *testing.T, rows *sql.Rows) {
	t.Helper()
	if err := rows.Close(); err != nil {
		t.Error(err)
	}
}

func tableNames(t *testing.T, conn *sql.Conn) (names []string) {
	t.Helper()
	rows, err := conn.QueryContext(t.Context(), `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`)
	if err != nil {
		t.Fatal(err)
	}
	defer closeRows(t, rows)
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return names
}

// keepsNoSecret looks for the test's identifiers in every column of a table.
func keepsNoSecret(t *testing.T, conn *sql.Conn, table string) {
	t.Helper()
	rows, err := conn.QueryContext(t.Context(), `SELECT * FROM `+table)
	if err != nil {
		t.Fatal(err)
	}
	defer closeRows(t, rows)
	columns, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		values := make([]sql.RawBytes, len(columns))
		into := make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		for i, v := range values {
			if strings.Contains(string(v), "SECRET") {
				t.Errorf("%s.%s keeps identity", table, columns[i])
			}
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}
