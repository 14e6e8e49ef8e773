package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"trigone/internal/storage"
)

// putFound replaces the rows by which the resources of a case are found. Those that
// stay as they are are not written again: most of a case does.
func (t *tx) putFound(projection int64, c caseRow, rows *storage.Rows) error {
	before, err := t.standsAs(projection, c.id)
	if err != nil {
		return err
	}
	wanted := map[foundKey]*storage.Found{}
	var now entries
	for i := range rows.Found {
		f := &rows.Found[i]
		wanted[foundKey{f.Lead, f.Part}] = f
		now.words = append(now.words, word{wordLead, f.Lead})
	}
	slices.SortFunc(now.words, func(a, b word) int { return cmp.Compare(a.word, b.word) })
	now.words = slices.Compact(now.words)
	for _, w := range before.entries.words {
		if err := t.keepFound(projection, c, w.word, wanted); err != nil {
			return err
		}
	}
	var values []any
	for i := range rows.Found {
		f := &rows.Found[i]
		if wanted[foundKey{f.Lead, f.Part}] != nil {
			values = append(values, projection, c.site, f.Lead, c.id, f.Part, f.Shape, present(f.Content))
		}
	}
	if err := t.insert(`INSERT OR REPLACE INTO face_rows (projection, site, lead, case_id, part, shape, content)`, 7, values); err != nil {
		return err
	}
	if err := t.addShapes(projection, rows.Shapes); err != nil {
		return err
	}
	packed := now.pack()
	if before.found && string(packed) == string(before.packed) {
		return nil
	}
	_, err = t.exec(`
		INSERT INTO projected_cases (projection, case_id, newest_first, entries) VALUES (?, ?, 0, ?)
		ON CONFLICT (projection, case_id) DO UPDATE SET entries = excluded.entries`, projection, c.id, bytes(packed))
	return err
}

type foundKey struct{ lead, part int64 }

// keepFound goes through the rows of a case under a lead: one that is wanted as it
// stands is taken off the list, one that is not wanted is removed.
func (t *tx) keepFound(projection int64, c caseRow, lead int64, wanted map[foundKey]*storage.Found) error {
	rows, err := t.query(`SELECT part, shape, content FROM face_rows WHERE projection = ? AND site = ? AND lead = ? AND case_id = ?`, projection, c.site, lead, c.id)
	if err != nil {
		return err
	}
	defer rows.Close()
	var gone []int64
	for rows.Next() {
		var part, shape int64
		var content blob
		if err := rows.Scan(&part, &shape, &content); err != nil {
			return err
		}
		f := wanted[foundKey{lead, part}]
		switch {
		case f == nil:
			gone = append(gone, part)
		case f.Shape == shape && string(f.Content) == string(content):
			delete(wanted, foundKey{lead, part})
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, part := range gone {
		if _, err := t.exec(`DELETE FROM face_rows WHERE projection = ? AND site = ? AND lead = ? AND case_id = ? AND part = ?`, projection, c.site, lead, c.id, part); err != nil {
			return err
		}
	}
	return nil
}

// addShapes adds those that are not there yet; nearly always none.
func (t *tx) addShapes(projection int64, shapes []storage.Shape) error {
	for chunk := range slices.Chunk(shapes, rowsPerInsert) {
		known, err := t.knownShapes(projection, chunk)
		if err != nil {
			return err
		}
		var values []any
		for _, s := range chunk {
			if !known[s.Number] {
				values = append(values, projection, s.Number, s.Lead, s.Type, s.Content)
			}
		}
		if err := t.insert(`INSERT INTO face_shapes (projection, shape, lead, type, content)`, 5, values); err != nil {
			return err
		}
	}
	return nil
}

func (t *tx) knownShapes(projection int64, shapes []storage.Shape) (map[int64]bool, error) {
	var where conditions
	where.add(`projection = ?`, projection)
	numbers := make([]any, len(shapes))
	for i, s := range shapes {
		numbers[i] = s.Number
	}
	where.oneOf(`shape`, numbers)
	rows, err := t.query(`SELECT shape FROM face_shapes WHERE `+where.String(), where.args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	known := map[int64]bool{}
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			return nil, err
		}
		known[n] = true
	}
	return known, rows.Err()
}

// dropFound removes the rows of a case under the leads that its entries name.
func (t *tx) dropFound(projection int64, c caseRow, e entries) error {
	for _, w := range e.words {
		if w.kind != wordLead {
			continue
		}
		if _, err := t.exec(`DELETE FROM face_rows WHERE projection = ? AND site = ? AND lead = ? AND case_id = ?`, projection, c.site, w.word, c.id); err != nil {
			return err
		}
	}
	return nil
}

// The statements of searches; each walks one index in its order.
const (
	foundRows = `SELECT case_id, part, shape, content FROM face_rows
		WHERE projection = ? AND site = ? AND lead = ? AND (case_id, part) > (?, ?) ORDER BY case_id, part LIMIT ?`
	foundOfCase    = `SELECT part, shape, content FROM face_rows WHERE projection = ? AND site = ? AND lead = ? AND case_id = ?`
	foundShapes    = `SELECT id, shape, lead, type, content FROM face_shapes WHERE id > ? AND +projection = ? ORDER BY id`
	changedCases   = `SELECT id, uid, version, changed_time FROM cases WHERE site = ? AND changed_time >= ? ORDER BY changed_time DESC LIMIT ?`
	casesOfPatient = `SELECT DISTINCT c.uid FROM patient_identifiers AS p JOIN cases AS c ON c.id = p.case_id WHERE p.value = ? AND c.site = ?`
)

// FoundShapes gives the shapes that came behind an order.
func (s *Store) FoundShapes(ctx context.Context, after int64) (of storage.Projection, list []storage.Shape, err error) {
	err = s.list(ctx, storage.ProjectionSearch, "", func(l *listing) error {
		of = storage.Projection{ID: l.projection, Name: storage.ProjectionSearch, Version: l.version, Standing: true}
		list, err = collect(l, foundShapes, []any{after, l.projection}, func(row scanner) (x storage.Shape, err error) {
			err = row.Scan(&x.Order, &x.Number, &x.Lead, &x.Type, (*blob)(&x.Content))
			return x, err
		})
		return err
	})
	return of, list, err
}

// Found gives the next rows of each range.
func (s *Store) Found(ctx context.Context, site string, ranges []storage.FoundRange, limit int) (list [][]storage.FoundRow, err error) {
	if limit < 1 {
		return nil, errNoLimit
	}
	list = make([][]storage.FoundRow, len(ranges))
	err = s.list(ctx, storage.ProjectionSearch, site, func(l *listing) error {
		return l.prepared(foundRows, func(query *sql.Stmt) error {
			for i, r := range ranges {
				err := l.eachRow(query, []any{l.projection, l.site, r.Lead, r.After.Case, r.After.Part, limit}, func(row scanner) error {
					var f storage.FoundRow
					err := row.Scan(&f.Case, &f.Part, &f.Shape, (*blob)(&f.Content))
					list[i] = append(list[i], f)
					return err
				})
				if err != nil {
					return err
				}
			}
			return nil
		})
	})
	return list, err
}

// FoundOf gives the rows of a case under leads.
func (s *Store) FoundOf(ctx context.Context, site string, number int64, leads []int64) (list []storage.FoundRow, err error) {
	asked := map[int64]bool{}
	for _, lead := range leads {
		asked[lead] = true
	}
	err = s.list(ctx, storage.ProjectionSearch, site, func(l *listing) error {
		var packed blob
		err := l.tx.QueryRowContext(ctx, `SELECT entries FROM projected_cases WHERE projection = ? AND case_id = ?`, l.projection, number).Scan(&packed)
		if err != nil {
			return ignoreNone(err)
		}
		e, err := unpackEntries(packed)
		if err != nil {
			return err
		}
		return l.prepared(foundOfCase, func(query *sql.Stmt) error {
			for _, w := range e.words {
				if !asked[w.word] {
					continue
				}
				if err := l.eachRow(query, []any{l.projection, l.site, w.word, number}, func(row scanner) error {
					f := storage.FoundRow{FoundPlace: storage.FoundPlace{Case: number}}
					err := row.Scan(&f.Part, &f.Shape, (*blob)(&f.Content))
					list = append(list, f)
					return err
				}); err != nil {
					return err
				}
			}
			return nil
		})
	})
	slices.SortFunc(list, func(a, b storage.FoundRow) int { return cmp.Compare(a.Part, b.Part) })
	return list, err
}

func ignoreNone(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	return err
}

func (l *listing) prepared(text string, use func(*sql.Stmt) error) error {
	query, err := l.tx.PrepareContext(l.ctx, text)
	if err != nil {
		return err
	}
	defer func() { _ = query.Close() }()
	return use(query)
}

func (l *listing) eachRow(query *sql.Stmt, args []any, visit func(scanner) error) error {
	rows, err := query.QueryContext(l.ctx, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := visit(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// NumberedCases gives cases by their numbers and uids.
func (s *Store) NumberedCases(ctx context.Context, site string, numbers []int64, uids []string) ([]storage.NumberedCase, error) {
	var list []storage.NumberedCase
	read := func(column string, keys []any) error {
		for chunk := range slices.Chunk(keys, rowsPerInsert) {
			var where conditions
			where.add(`site = ?`, site)
			where.oneOf(column, chunk)
			if err := s.each(ctx, `SELECT id, uid, version, changed_time FROM cases WHERE `+where.String(), where.args, func(row scanner) error {
				c, err := numbered(row)
				list = append(list, c)
				return err
			}); err != nil {
				return err
			}
		}
		return nil
	}
	if err := read(`id`, anyOf(numbers)); err != nil {
		return nil, err
	}
	if err := read(`uid`, anyOf(uids)); err != nil {
		return nil, err
	}
	return inNumber(list), nil
}

func numbered(row scanner) (c storage.NumberedCase, err error) {
	var changed sql.NullInt64
	err = row.Scan(&c.Number, &c.UID, &c.Version, &changed)
	c.ChangedTime = instant(changed)
	return c, err
}

func inNumber(list []storage.NumberedCase) []storage.NumberedCase {
	slices.SortFunc(list, func(a, b storage.NumberedCase) int { return cmp.Compare(a.Number, b.Number) })
	return slices.CompactFunc(list, func(a, b storage.NumberedCase) bool { return a.Number == b.Number })
}

// CasesChanged gives the cases that changed at a time or later.
func (s *Store) CasesChanged(ctx context.Context, site string, since time.Time, limit int) (list []storage.NumberedCase, all bool, err error) {
	if limit < 1 {
		return nil, false, errNoLimit
	}
	err = s.each(ctx, changedCases, []any{site, bound(since), limit + 1}, func(row scanner) error {
		c, err := numbered(row)
		list = append(list, c)
		return err
	})
	all = len(list) <= limit
	return inNumber(list[:min(len(list), limit)]), all, err
}

// CasesOfPatient gives the cases that have or had an identifier of a patient.
func (s *Store) CasesOfPatient(ctx context.Context, site string, id storage.Identifier) (uids []string, err error) {
	query, args := casesOfPatient, []any{id.Value, site}
	if id.System != "" {
		query, args = query+` AND p.system = ?`, append(args, id.System)
	}
	err = s.each(ctx, query, args, func(row scanner) error {
		var uid string
		err := row.Scan(&uid)
		uids = append(uids, uid)
		return err
	})
	slices.Sort(uids)
	if err != nil {
		return nil, fmt.Errorf("cases of a patient: %w", err)
	}
	return uids, nil
}
