package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"trigone/internal/storage"
)

// decided is when a quarantined submit was filed or discarded, as the site's order of
// changes tells it; of one that is open it is null.
const decided = `
	SELECT q.id, q.state, q.received_time, c.time AS decided, p.quarantine IS NOT NULL OR q.hash IS NOT NULL AS body
	FROM quarantine AS q LEFT JOIN quarantine_parts AS p ON p.quarantine = q.id
	LEFT JOIN (SELECT quarantine_id, max(time) AS time FROM changes WHERE site = ?1 AND kind IN ('quarantine_filed', 'quarantine_discarded') AND quarantine_id <> '' GROUP BY quarantine_id) AS c
		ON c.quarantine_id = q.quarantine_id
	WHERE q.site = ?1`

// Bodies and reasons that go, and submits that nobody decided on.
const (
	expiredBodies = `SELECT id, coalesce(decided, received_time) AS since FROM (` + decided + `) WHERE state <> 'open' AND body AND coalesce(decided, received_time) < ?2`
	openTooLong   = `SELECT received_time AS since FROM quarantine WHERE site = ?1 AND state = 'open' AND received_time < ?2`
)

// reading is how what is over its time is found: beside others, or in the transaction
// that removes it.
type reading interface {
	one(query string, args []any, into ...any) error
}

type readingStore struct {
	ctx context.Context
	s   *Store
}

func (r readingStore) one(query string, args []any, into ...any) error {
	return r.s.one(r.ctx, query, args, into...)
}

// Expired says what is over its time.
func (s *Store) Expired(ctx context.Context, site string, r storage.Retention) (storage.Expiry, error) {
	return expired(readingStore{ctx, s}, site, r)
}

func expired(in reading, site string, r storage.Retention) (e storage.Expiry, err error) {
	count := func(n *int64, oldest *time.Time, query string, args ...any) {
		var at sql.NullInt64
		if err == nil {
			err = in.one(`SELECT count(*), min(since) FROM (`+query+`)`, args, n, &at)
		}
		*oldest = instant(at)
	}
	if !r.Quarantine.IsZero() {
		count(&e.Quarantine.Count, &e.Quarantine.Oldest, expiredBodies, site, nanos(r.Quarantine))
		count(&e.Quarantine.Held, &e.Quarantine.OldestHeld, openTooLong, site, nanos(r.Quarantine))
	}
	if !r.Requests.IsZero() {
		count(&e.Requests.Count, &e.Requests.Oldest, `SELECT time AS since FROM requests WHERE site = ? AND time < ?`, site, nanos(r.Requests))
	}
	if r.Accesses.IsZero() || err != nil {
		return e, err
	}
	// Lines go from the first on, as far as all are old enough: the chain has one end.
	var last, stays int64
	if err := in.one(`SELECT (SELECT number FROM access_chain), coalesce((SELECT number FROM accesses WHERE time >= ? ORDER BY number LIMIT 1), 0)`,
		[]any{nanos(r.Accesses)}, &last, &stays); err != nil {
		return e, err
	}
	if stays > 0 {
		last = stays - 1
	}
	if err := in.one(`SELECT coalesce(min(a.number), 0) FROM accesses AS a WHERE a.detail = 'emergency' AND a.number <= ?
		AND NOT EXISTS (SELECT 1 FROM accesses AS o WHERE o.concerns = a.number AND o.concerns > 0 AND o.site = a.site AND o.detail = ?)`,
		[]any{last, storage.AccessSignedOff}, &e.HeldBy); err != nil {
		return e, err
	}
	const ofSite = `SELECT time AS since FROM accesses WHERE site = (SELECT id FROM sites WHERE site = ?) AND number BETWEEN ? AND ?`
	if e.HeldBy > 0 {
		count(&e.Accesses.Held, &e.Accesses.OldestHeld, ofSite, site, e.HeldBy, last)
		last = e.HeldBy - 1
	}
	count(&e.Accesses.Count, &e.Accesses.Oldest, ofSite, site, 1, last)
	if err != nil {
		return e, err
	}
	var there int64
	if err := in.one(`SELECT (SELECT chain FROM access_chain), coalesce(max(number), 0), count(*), coalesce((SELECT hash FROM accesses WHERE number = ?1), x'') FROM accesses WHERE number <= ?1`,
		[]any{last}, (*blob)(&e.Cut.Chain), &e.Cut.Number, &there, (*blob)(&e.Cut.Hash)); err != nil {
		return e, err
	}
	if there == 0 {
		e.Cut = storage.AccessHead{Chain: e.Cut.Chain}
	}
	return e, nil
}

// one reads a row inside the writer's transaction.
func (t *tx) one(query string, args []any, into ...any) error {
	s, err := t.statement(query) //nolint:sqlclosecheck // prepared once for the connection and closed with it
	if err != nil {
		return err
	}
	return s.QueryRow(args...).Scan(into...)
}

// RemoveExpired removes what is over its time.
func (s *Store) RemoveExpired(ctx context.Context, site string, r storage.Retention, found storage.Expiry, mark *storage.AccessCut, lines []storage.Access) error {
	for i := range lines {
		if err := lines[i].Check(); err != nil {
			return err
		}
	}
	return s.writer.do(ctx, func(t *tx) error {
		now, err := expired(t, site, r)
		if err != nil {
			return err
		}
		if now.Quarantine != found.Quarantine || now.Requests != found.Requests || mark != nil &&
			(now.Cut.Number != mark.Number || string(now.Cut.Hash) != string(mark.Hash) || string(now.Cut.Chain) != string(mark.Chain)) {
			return storage.ErrStale
		}
		type statement struct {
			query string
			args  []any
		}
		var do []statement
		if !r.Quarantine.IsZero() {
			do = append(do,
				statement{`UPDATE quarantine SET hash = NULL WHERE id IN (SELECT id FROM (` + expiredBodies + `))`, []any{site, nanos(r.Quarantine)}},
				statement{`DELETE FROM quarantine_parts WHERE quarantine IN (SELECT id FROM (` + expiredBodies + `))`, []any{site, nanos(r.Quarantine)}})
		}
		if !r.Requests.IsZero() {
			do = append(do, statement{`DELETE FROM requests WHERE site = ? AND time < ?`, []any{site, nanos(r.Requests)}})
		}
		if mark != nil {
			do = append(do,
				statement{`DELETE FROM access_reasons WHERE number <= ?`, []any{mark.Number}},
				statement{`DELETE FROM access_heads WHERE number <= ?`, []any{mark.Number}},
				statement{`DELETE FROM accesses WHERE number <= ?`, []any{mark.Number}},
				statement{`INSERT INTO access_cut (id, number, hash, before, time, site, caller, key, signature) VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?)
					ON CONFLICT (id) DO UPDATE SET number = excluded.number, hash = excluded.hash, before = excluded.before, time = excluded.time,
						site = excluded.site, caller = excluded.caller, key = excluded.key, signature = excluded.signature`,
					[]any{mark.Number, mark.Hash, nanos(mark.Before), nanos(mark.Time), mark.Site, mark.Caller, mark.Key, mark.Signature}})
		}
		for _, d := range do {
			if _, err := t.exec(d.query, d.args...); err != nil {
				return fmt.Errorf("%s: %w", d.query, err)
			}
		}
		return t.addAccesses(lines)
	})
}
