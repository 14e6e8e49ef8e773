package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"

	"trigone/internal/storage"
)

// schema2 unpacks the demo's store as the version of schema 2 wrote it.
func schema2(t *testing.T) (path string) {
	t.Helper()
	packed, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "stores", "schema2-demo.db.zst"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	content, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "schema2.db")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// earlier is what a store of schema 2 holds of a case, read by statements of that
// schema.
type earlier struct {
	site, uid     string
	answers       map[int64]string
	revisions     []storage.Revision
	reasons       []string
	discrepancies []storage.Comparison
}

func readSchema2(t *testing.T, path string) (list []earlier, changes int64) {
	t.Helper()
	db, err := connect(path, usualBusy, 1, "rw")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	rows := func(query string, row func(scan func(...any) error) error, args ...any) {
		t.Helper()
		r, err := db.QueryContext(t.Context(), query, args...)
		if err != nil {
			t.Fatal(err)
		}
		defer closeRows(t, r)
		for r.Next() {
			if err := row(r.Scan); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.Err(); err != nil {
			t.Fatal(err)
		}
	}
	var ids []int64
	rows(`SELECT id, site, uid FROM cases ORDER BY id`, func(scan func(...any) error) error {
		var id int64
		e := earlier{answers: map[int64]string{}}
		err := scan(&id, &e.site, &e.uid)
		ids, list = append(ids, id), append(list, e)
		return err
	})
	for i, id := range ids {
		e := &list[i]
		rows(`SELECT number, answer FROM evaluations WHERE case_id = ?`, func(scan func(...any) error) error {
			var number int64
			var answer string
			err := scan(&number, &answer)
			e.answers[number] = answer
			return err
		}, id)
		rows(`SELECT r.section, r.revision, coalesce(r.content, i.content), r.retraction_text, r.case_version FROM revisions AS r
			LEFT JOIN identity_contents AS i ON r.section = 'identity' AND i.case_id = r.case_id AND i.revision = r.revision
			WHERE r.case_id = ? ORDER BY r.case_version, r.position`, func(scan func(...any) error) error {
			var r storage.Revision
			err := scan(&r.Section, &r.Revision, (*blob)(&r.Content), &r.RetractionText, &r.CaseVersion)
			e.revisions = append(e.revisions, r)
			return err
		}, id)
		rows(`SELECT reason FROM confirmations WHERE case_id = ? ORDER BY case_version, position`, func(scan func(...any) error) error {
			var reason string
			err := scan(&reason)
			e.reasons = append(e.reasons, reason)
			return err
		}, id)
		rows(`SELECT position, id, class, verdict, root, message FROM discrepancies WHERE case_id = ? ORDER BY position`, func(scan func(...any) error) error {
			var c storage.Comparison
			var class, verdict string
			err := scan(&c.Order, &c.ID, &class, &verdict, &c.Root, (*blob)(&c.Message))
			c.DiscrepancyID, c.Class, c.Verdict = c.ID, classesOfSchema2[class], verdictsOfSchema2[verdict]
			if c.Class == 0 || c.Verdict == 0 {
				t.Errorf("%s %s has no number", class, verdict)
			}
			e.discrepancies = append(e.discrepancies, c)
			return err
		}, id)
	}
	rows(`SELECT max(number) FROM changes`, func(scan func(...any) error) error { return scan(&changes) })
	return list, changes
}

// A store of schema 2 is brought up: every answer, revision and reason is read as
// before, discrepancies are comparisons that know no agreements, and it can be
// written, split and erased.
func TestStoreOfSchema2IsBroughtUp(t *testing.T) {
	ctx, path := t.Context(), schema2(t)
	cases, changes := readSchema2(t, path)
	s := openAt(t, path)
	defer func() { closeStore(t, s) }()
	answers, whole, rows := 0, 0, 0
	for _, want := range cases {
		headers, err := s.EvaluationHeaders(ctx, want.site, want.uid)
		if err != nil || len(headers) != len(want.answers) {
			t.Fatalf("%d evaluations, want %d (%v)", len(headers), len(want.answers), err)
		}
		for _, e := range headers {
			answers++
			got, err := s.Answer(ctx, want.site, want.uid, e.Number)
			if err != nil || string(got) != want.answers[e.Number] {
				t.Errorf("answer %d of %s is another one (%v)", e.Number, want.uid, err)
			}
		}
		if len(headers) > 0 {
			number, packed, err := s.Metrics(ctx, want.site, want.uid)
			if err != nil || number != headers[len(headers)-1].Number || len(packed) == 0 {
				t.Errorf("values of %s: %d bytes of evaluation %d (%v)", want.uid, len(packed), number, err)
			}
		}
		revisions, err := s.Revisions(ctx, want.site, want.uid)
		if err != nil || len(revisions) != len(want.revisions) {
			t.Fatalf("%d revisions, want %d (%v)", len(revisions), len(want.revisions), err)
		}
		for i, r := range revisions {
			w := want.revisions[i]
			if r.Section != w.Section || r.Revision != w.Revision || string(r.Content) != string(w.Content) || r.RetractionText != w.RetractionText || r.CaseVersion != w.CaseVersion {
				t.Errorf("revision %d of %s of %s is another one", w.Revision, w.Section, want.uid)
			}
			if r.Whole != (w.Content != nil) || r.Identifying != nil {
				t.Errorf("revision %d of %s of %s: whole is %t", w.Revision, w.Section, want.uid, r.Whole)
			}
			whole++
		}
		confirmations, err := s.Confirmations(ctx, want.site, want.uid)
		if err != nil || len(confirmations) != len(want.reasons) {
			t.Fatalf("%d confirmations, want %d (%v)", len(confirmations), len(want.reasons), err)
		}
		for i, c := range confirmations {
			if c.Reason != want.reasons[i] {
				t.Errorf("reason %q, want %q", c.Reason, want.reasons[i])
			}
		}
		list, _, err := s.Comparisons(ctx, []string{want.site}, storage.ComparisonFilter{CaseUID: want.uid}, "", 100)
		c, caseErr := s.Case(ctx, want.site, want.uid)
		if err != nil || caseErr != nil {
			t.Fatal(err, caseErr)
		}
		if c.State != storage.CaseActive {
			want.discrepancies = nil
		}
		if len(list) != len(want.discrepancies) {
			t.Fatalf("%d comparisons of %s, want %d", len(list), want.uid, len(want.discrepancies))
		}
		for i, row := range list {
			got, w := row.Comparison, want.discrepancies[i]
			if got.Complete || got.Order != w.Order || got.ID != w.ID || got.Class != w.Class || got.Verdict != w.Verdict || got.Root != w.Root || string(got.Message) != string(w.Message) {
				t.Errorf("comparison %+v, want %+v", got, w)
			}
			rows++
		}
	}
	if answers < 100 || whole < 200 || rows < 50 {
		t.Errorf("the fixture shows %d answers, %d revisions and %d rows only", answers, whole, rows)
	}
	site := cases[0].site
	n, err := s.CountComparisons(ctx, site, storage.ComparisonFilter{})
	if err != nil || n.IncompleteCases < 30 || n.Agreeing != 0 || n.Differing+n.Indeterminate+n.NotEvaluable != rows {
		t.Errorf("counts of %d rows: %+v, %v", rows, n, err)
	}
	checkFile(t, path)

	// The rows of the migration are read until a program's own are built; they have no
	// facts.
	program := []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 3}, {Name: storage.ProjectionResources, Version: 1}}
	listed, err := s.DeclareProjections(ctx, program)
	if err != nil || len(listed) != 3 || !listed[0].Standing || listed[0].Version != 0 || listed[1].Standing || listed[1].Version != 3 || listed[2].Standing {
		t.Fatalf("listed: %+v, %v", listed, err)
	}
	if _, _, err := s.Facts(ctx, []string{site}, storage.FactsFilter{}, "", 10); !errors.Is(err, storage.ErrNotProjected) {
		t.Errorf("facts that no migration made: %v", err)
	}
	splitAndErase(t, s, cases[0].site, cases[0].uid)

	c, err := s.Case(ctx, site, cases[1].uid)
	if err != nil {
		t.Fatal(err)
	}
	w := storage.Write{Expected: c.Version, Case: &c, Changes: []storage.Change{{Kind: "submitted", CaseUID: c.UID}}}
	c.Version++
	c.Evaluation++
	w.Evaluation = &storage.Evaluation{EvaluationHeader: storage.EvaluationHeader{Number: c.Evaluation}, Answer: []byte("another answer")}
	for _, p := range program {
		w.Projected = append(w.Projected, storage.Projected{Name: p.Name, Version: p.Version})
	}
	if err := s.Append(ctx, site, w); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Changes(ctx, site, changes, 10); err != nil || len(got) != 1 || got[0].Number != changes+1 {
		t.Errorf("changes after %d: %+v, %v", changes, got, err)
	}
	if got, err := s.Answer(ctx, site, c.UID, c.Evaluation); err != nil || string(got) != "another answer" {
		t.Errorf("the answer added is %q, %v", got, err)
	}
	after, err := s.CountComparisons(ctx, site, storage.ComparisonFilter{})
	if err != nil || after.IncompleteCases != n.IncompleteCases-1 {
		t.Errorf("a case written again is complete: %d of %d are not, %v", after.IncompleteCases, n.IncompleteCases, err)
	}
}

// splitAndErase: a case is erased once its revisions are in two parts.
func splitAndErase(t *testing.T, s *Store, site, uid string) {
	t.Helper()
	ctx := t.Context()
	if err := s.EraseIdentifying(ctx, site, uid); err != storage.ErrWhole { //nolint:errorlint // answered as it is
		t.Errorf("erased before it was split: %v", err)
	}
	revisions, err := s.Revisions(ctx, site, uid)
	if err != nil {
		t.Fatal(err)
	}
	revisions = slices.DeleteFunc(revisions, func(r storage.Revision) bool { return r.Retraction })
	for i := range revisions {
		r := &revisions[i]
		r.Content, r.Identifying = r.Content[:len(r.Content)/2], r.Content[len(r.Content)/2:]
		if i == 0 {
			r.Identifying = nil
		}
	}
	for range 2 { // a second time changes nothing
		if err := s.SplitRevisions(ctx, site, uid, revisions); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Revisions(ctx, site, uid)
	if err != nil {
		t.Fatal(err)
	}
	got = slices.DeleteFunc(got, func(r storage.Revision) bool { return r.Retraction })
	for i, r := range got {
		if r.Whole || string(r.Content) != string(revisions[i].Content) || string(r.Identifying) != string(revisions[i].Identifying) {
			t.Errorf("revision %d of %s was not split: %+v", r.Revision, r.Section, r)
		}
	}
	if err := s.EraseIdentifying(ctx, site, uid); err != nil {
		t.Fatal(err)
	}
	got, err = s.Revisions(ctx, site, uid)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range got {
		if r.Identifying != nil || r.RetractionText != "" {
			t.Errorf("revision %d of %s still identifies", r.Revision, r.Section)
		}
	}
}

func checkFile(t *testing.T, path string) {
	t.Helper()
	conn := other(t, path)
	for _, check := range []string{`PRAGMA integrity_check`, `PRAGMA foreign_key_check`} {
		var first sql.NullString
		err := conn.QueryRowContext(context.Background(), check).Scan(&first)
		if first.Valid && first.String != "ok" {
			t.Errorf("%s: %s (%v)", check, first.String, err)
		}
	}
	var left int
	if err := conn.QueryRowContext(context.Background(), `SELECT count(*) FROM sqlite_schema WHERE name LIKE '%schema_2%'`).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d tables of schema 2 are left (%v)", left, err)
	}
}
