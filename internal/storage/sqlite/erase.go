package sqlite

import (
	"context"
	"errors"
	"fmt"
	"time"

	"trigone/internal/storage"
)

// erase removes what a write erases of its case, inside the write's transaction and
// behind all that it adds. It gives the changes that tell of submits it discarded.
func (t *tx) erase(site string, c caseRow, w *storage.Write) ([]storage.Change, error) {
	whole, err := t.number(`SELECT count(*) FROM revisions WHERE case_id = ? AND parts = ?`, c.id, revisionsWhole)
	if err != nil {
		return nil, err
	}
	if whole > 0 {
		return nil, storage.ErrWhole
	}
	discarded, err := t.discarded(site, c.uid, w.Discarded)
	if err != nil {
		return nil, err
	}
	// What identifies, and every hash that was made of it.
	statements := []struct {
		query string
		args  []any
	}{
		{`DELETE FROM identifying_parts WHERE case_id = ?`, []any{c.id}},
		{`DELETE FROM requests WHERE site = ? AND case_uid = ? AND case_version <> ?`, []any{site, c.uid, w.Case.Version}},
		{`DELETE FROM quarantine_parts WHERE quarantine IN (SELECT id FROM quarantine WHERE site = ? AND case_uid = ? AND case_uid <> '')`, []any{site, c.uid}},
		{`UPDATE quarantine SET hash = NULL, sections = '', state = CASE state WHEN 'open' THEN 'discarded' ELSE state END WHERE site = ? AND case_uid = ? AND case_uid <> ''`, []any{site, c.uid}},
		{`DELETE FROM access_reasons WHERE number IN (SELECT number FROM accesses WHERE site = ? AND case_uid = ? AND case_uid <> '')`, []any{c.site, c.uid}},
	}
	if w.Erase == storage.EraseWhole {
		for _, table := range []string{"revisions", "answers", "evaluations", "metrics", "findings", "confirmations", "amendments", "restated_answers"} {
			statements = append(statements, struct {
				query string
				args  []any
			}{`DELETE FROM ` + table + ` WHERE case_id = ?`, []any{c.id}})
		}
		statements = append(statements, []struct {
			query string
			args  []any
		}{
			// What a resource said of the patient is in no row any more, not even as a hash.
			{`UPDATE face_resources SET digest = x'' WHERE case_id = ?`, []any{c.id}},
			{`UPDATE cases SET erased_time = ? WHERE id = ?`, []any{nanos(w.Case.ErasedTime), c.id}},
		}...)
	}
	if w.Remains != nil {
		if _, err := t.exec(`INSERT INTO erased_remains (id, site, content) VALUES (abs(random()), ?, ?)`, c.site, w.Remains); err != nil {
			return nil, err
		}
	}
	for _, s := range statements {
		if _, err := t.exec(s.query, s.args...); err != nil {
			return nil, fmt.Errorf("%s: %w", s.query, err)
		}
	}
	return discarded, nil
}

// Remains gives what was kept of cases that were erased.
func (s *Store) Remains(ctx context.Context, site string, limit int) (list [][]byte, err error) {
	err = s.each(ctx, `SELECT content FROM erased_remains WHERE site = (SELECT id FROM sites WHERE site = ?) ORDER BY id LIMIT ?`, []any{site, limit}, func(row scanner) error {
		var content blob
		err := row.Scan(&content)
		list = append(list, content)
		return err
	})
	return list, err
}

// discarded gives a change for each open quarantined submit that was addressed to a
// case.
func (t *tx) discarded(site, uid string, tell *storage.Change) (list []storage.Change, err error) {
	if tell == nil {
		return nil, nil
	}
	rows, err := t.query(`SELECT quarantine_id FROM quarantine WHERE site = ? AND case_uid = ? AND case_uid <> '' AND state = 'open' ORDER BY id`, site, uid)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		c := *tell
		if err := rows.Scan(&c.QuarantineID); err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, rows.Err()
}

// purgeTime is how long the log is waited for: a read that is under way keeps it.
const purgeTime = 10 * time.Second

// Purge writes the file anew without what was removed, and empties the log.
func (s *Store) Purge(ctx context.Context) error {
	if s.ReadOnly() {
		return storage.ErrReadOnly
	}
	return classed(s.writer.alone(ctx, func(w *writer) error {
		if _, err := w.conn.ExecContext(ctx, `VACUUM`); err != nil {
			return fmt.Errorf("the file cannot be written anew: %w", err)
		}
		for last := time.Now().Add(purgeTime); ; {
			var busy, pages, copied int
			if err := w.conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &pages, &copied); err != nil {
				return fmt.Errorf("the log cannot be emptied: %w", err)
			}
			if busy == 0 {
				return nil
			}
			if time.Now().After(last) {
				return fmt.Errorf("the log cannot be emptied while it is read: %w", storage.ErrBusy)
			}
			select {
			case <-time.After(50 * time.Millisecond):
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	}))
}

// alone runs do while nobody writes.
func (w *writer) alone(ctx context.Context, do func(*writer) error) error {
	select {
	case w.turn <- struct{}{}:
		defer func() { <-w.turn }()
	case <-ctx.Done():
		return ctx.Err()
	case <-w.stop:
		return errClosed
	}
	return errors.Join(w.inPlace(), do(w))
}
