package sqlite

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"trigone/internal/storage"
)

// A store written before confirmations were kept is brought up to date: what was
// in it is read as before, and a confirmation can be added.
func TestStoreOfSchema1IsBroughtUp(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "old.db")
	db, err := connect(path, usualBusy, 1, "rwc")
	if err != nil {
		t.Fatal(err)
	}
	provider, err := migrator(db)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := provider.UpTo(ctx, 1); err != nil {
		t.Fatal(err)
	}
	for _, row := range []string{
		`INSERT INTO cases VALUES (1, 'harbour', 'a', 1, 'active', '', '', NULL, 5, 0, NULL, '', '', '[]', 0, 0)`,
		`INSERT INTO patient_identifiers VALUES (1, 0, 's', 'v')`,
		`INSERT INTO changes VALUES ('harbour', 1, 'submitted', 'a', 1, 'plan', 1, 'accepted', '', 5, '')`,
	} {
		if _, err := db.ExecContext(ctx, row); err != nil {
			t.Fatalf("%v in %s", err, row)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}

	mustStand(t, os.Chmod(path, 0o600)) // as the program would have made it
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	changes, err := s.Changes(ctx, "harbour", 0, 10)
	if err != nil || len(changes) != 1 || changes[0].FindingID != "" || changes[0].Section != "plan" {
		t.Errorf("changes %+v, %v", changes, err)
	}
	if list, err := s.Confirmations(ctx, "harbour", "a"); err != nil || len(list) != 0 {
		t.Errorf("confirmations %+v, %v", list, err)
	}
	c, err := s.Case(ctx, "harbour", "a")
	if err != nil {
		t.Fatal(err)
	}
	c.Version = 2
	want := []storage.Confirmation{
		{FindingID: "f2", Rule: "r", Kind: storage.Confirmed, Caller: "reviewer", Time: time.Unix(7, 0).UTC(), Reason: "read again", CaseVersion: 2},
		{FindingID: "f1", Rule: "r", Kind: storage.ConfirmationLapsed, CaseVersion: 2},
	}
	unchanged := ledgerAsMigrated()
	if err := s.Append(ctx, "harbour", storage.Write{Expected: 1, Case: &c, Confirmations: want}); !errors.Is(err, storage.ErrProjection) {
		t.Errorf("written without rows beside those that a migration left: %v", err)
	}
	if _, err := s.DeclareProjections(ctx, []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 4}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Append(ctx, "harbour", storage.Write{Expected: 1, Case: &c, Confirmations: want, Projected: unchanged}); err != nil {
		t.Fatal(err)
	}
	if list, err := s.Confirmations(ctx, "harbour", "a"); err != nil || !reflect.DeepEqual(list, want) {
		t.Errorf("confirmations %+v, %v", list, err)
	}

	c.Version = 3
	for why, bad := range map[string]storage.Confirmation{
		"no finding":   {Kind: storage.Confirmed},
		"no such kind": {FindingID: "f", Kind: "doubted"},
	} {
		if err := s.Append(ctx, "harbour", storage.Write{Expected: 2, Case: &c, Confirmations: []storage.Confirmation{bad}, Projected: unchanged}); err == nil {
			t.Errorf("%s: was written", why)
		}
	}
	if err := s.Append(ctx, "harbour", storage.Write{Confirmations: want[:1]}); err == nil {
		t.Error("a confirmation of no case was written")
	}
}

// ledgerAsMigrated leaves the rows of a migration as they are.
func ledgerAsMigrated() []storage.Projected {
	return []storage.Projected{{Name: storage.ProjectionLedger, Version: 4, Unchanged: true}}
}
