package sqlite

import (
	"context"
	"database/sql"
	"errors"

	"trigone/internal/storage"
)

// PutTheatreCount implements storage.Store.
func (s *Store) PutTheatreCount(ctx context.Context, site string, c storage.TheatreCount, lines []storage.Access) error {
	if site == "" || c.Month == "" || c.Received.IsZero() {
		return errors.New("a count of a theatre list has a site, a month and a time")
	}
	for i := range lines {
		if err := lines[i].Check(); err != nil {
			return err
		}
	}
	return s.writer.do(ctx, func(t *tx) error {
		id, err := t.site(site)
		if err != nil {
			return err
		}
		newest, err := t.number(`SELECT coalesce(max(revision), 0) FROM theatre_counts WHERE site = ? AND month = ?`, id, c.Month)
		if err != nil {
			return err
		}
		if c.Revision != newest+1 {
			return storage.ErrStale
		}
		if _, err := t.exec(`INSERT INTO theatre_counts (site, month, revision, received, caller, message) VALUES (?, ?, ?, ?, ?, ?)`,
			id, c.Month, c.Revision, nanos(c.Received), c.Caller, present(c.Message)); err != nil {
			return err
		}
		return t.addAccesses(lines)
	})
}

// TheatreCounts implements storage.Store.
func (s *Store) TheatreCounts(ctx context.Context, site, from, before string) (list []storage.TheatreCount, err error) {
	err = s.each(ctx, `SELECT month, max(revision), received, caller, message FROM theatre_counts
		WHERE site = (SELECT id FROM sites WHERE site = ?1) AND month >= ?2 AND (?3 = '' OR month < ?3) GROUP BY month ORDER BY month`,
		[]any{site, from, before}, func(row scanner) error {
			var c storage.TheatreCount
			var received sql.NullInt64
			var message blob
			err := row.Scan(&c.Month, &c.Revision, &received, &c.Caller, &message)
			c.Received, c.Message = instant(received), message
			list = append(list, c)
			return err
		})
	return list, err
}
