package sqlite

import (
	"os"
	"path/filepath"
	"testing"

	"trigone/internal/storage"
)

// A store that has cases already takes its mark of them when it is brought up.
func TestMarkOfAStoreBroughtUp(t *testing.T) {
	for _, test := range []struct {
		reason  string
		systems []string
		want    storage.Mark
	}{
		{"no case", nil, storage.Unmarked},
		{"invented cases only", []string{"urn:example:patient", "URN:EXAMPLE:other"}, storage.MarkInvented},
		{"the example sent to try it came first", []string{"urn:example:patient", "urn:oid:2.999.1"}, storage.MarkReal},
		{"real cases only", []string{"urn:oid:2.999.1"}, storage.MarkReal},
		{"like the namespace, and another", []string{"urn:examples:patient"}, storage.MarkReal},
	} {
		t.Run(test.reason, func(t *testing.T) {
			ctx, path := t.Context(), filepath.Join(t.TempDir(), "old.db")
			db, err := connect(path, usualBusy, 1, "rwc")
			mustStand(t, err)
			provider, err := migrator(db)
			mustStand(t, err)
			_, err = provider.UpTo(ctx, 1)
			mustStand(t, err)
			_, err = db.ExecContext(ctx, `INSERT INTO store VALUES (1, zeroblob(32))`)
			mustStand(t, err)
			for i, system := range test.systems {
				_, err := db.ExecContext(ctx, `INSERT INTO cases VALUES (?1, 'harbour', ?1, 1, 'active', '', '', NULL, 5, 0, NULL, '', '', '[]', 0, 0)`, i+1)
				mustStand(t, err)
				_, err = db.ExecContext(ctx, `INSERT INTO patient_identifiers VALUES (?, 0, ?, 'v')`, i+1, system)
				mustStand(t, err)
			}
			mustStand(t, db.Close())
			mustStand(t, os.Chmod(path, 0o600)) // as the program would have made it
			s, err := Open(ctx, path, Options{})
			mustStand(t, err)
			if got, err := s.Mark(ctx); err != nil || got != test.want {
				t.Errorf("the mark is %q, %v, want %q", got, err, test.want)
			}
			mustStand(t, s.Close())
		})
	}
}
