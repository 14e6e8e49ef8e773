package sqlite

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// A store of every schema that there has been is brought to this one, and then has the
// tables, columns and indexes of one that was begun today. What stands in rows of the
// oldest is told apart by TestSchema2 and the like.
func TestEveryEarlierSchemaIsBroughtUp(t *testing.T) {
	ctx := t.Context()
	shape := func(s *Store) (list []string) {
		rows, err := s.read.QueryContext(ctx, `SELECT m.type || ' ' || m.name || ' ' || coalesce((SELECT group_concat(c.name || ' ' || c.type || ' ' || c."notnull" || ' ' || c.pk, ', ')
			FROM pragma_table_xinfo(m.name) AS c), '') || coalesce((SELECT group_concat(coalesce(i.name, 'expression') || i."desc", ', ') FROM pragma_index_xinfo(m.name) AS i), '')
			FROM sqlite_schema AS m WHERE m.name NOT LIKE 'goose%' AND m.name NOT LIKE 'sqlite_%'`)
		mustStand(t, err)
		defer func() { mustStand(t, rows.Close()) }()
		for rows.Next() {
			var line string
			mustStand(t, rows.Scan(&line))
			list = append(list, line)
		}
		mustStand(t, rows.Err())
		slices.Sort(list)
		return list
	}
	today, _ := openNew(t)
	want := shape(today)
	db, err := connect(filepath.Join(t.TempDir(), "any.db"), usualBusy, 1, "rwc")
	mustStand(t, err)
	provider, err := migrator(db)
	mustStand(t, err)
	newest := provider.ListSources()[len(provider.ListSources())-1].Version
	mustStand(t, db.Close())
	if newest < 13 || len(want) < 20 {
		t.Fatalf("%d schemas, %d tables and indexes", newest, len(want))
	}
	for version := int64(1); version < newest; version++ {
		path := filepath.Join(t.TempDir(), "old.db")
		db, err := connect(path, usualBusy, 1, "rwc")
		mustStand(t, err)
		provider, err := migrator(db)
		mustStand(t, err)
		_, err = provider.UpTo(ctx, version)
		mustStand(t, err)
		_, err = db.ExecContext(ctx, `INSERT INTO store (id, secret) VALUES (1, zeroblob(32))`)
		mustStand(t, err)
		mustStand(t, db.Close())
		mustStand(t, os.Chmod(path, 0o600)) // as the program would have made it
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Errorf("schema %d: %v", version, err)
			continue
		}
		if got := shape(s); !slices.Equal(got, want) {
			for _, line := range got {
				if !slices.Contains(want, line) {
					t.Errorf("schema %d has %s", version, line)
				}
			}
			for _, line := range want {
				if !slices.Contains(got, line) {
					t.Errorf("schema %d lacks %s", version, line)
				}
			}
		}
		mustStand(t, s.Close())
	}
}
