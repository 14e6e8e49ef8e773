package sqlite

import (
	"context"
	"database/sql"
	"errors"

	"trigone/internal/storage"
)

// Tallies implements storage.Store.
func (s *Store) Tallies(ctx context.Context, site string, f storage.TallyFilter, onCase func(storage.Tally) error) (n storage.TallyCounts, err error) {
	err = s.list(ctx, basis(f.Restated), site, func(l *listing) error {
		if n.LastChange, err = l.lastChange(); err != nil {
			return err
		}
		allowed, err := l.inGroups(f.Groups)
		if err != nil {
			return err
		}
		again, err := l.again()
		if err != nil {
			return err
		}
		if err := l.visit(`SELECT uid FROM case_counts WHERE projection = ? AND site = ? AND newest_first = ? AND state = ? AND operated ORDER BY uid`,
			[]any{l.projection, l.site, latest, storage.CaseActive}, func(row scanner) error {
				var uid string
				err := row.Scan(&uid)
				n.Undated = append(n.Undated, uid)
				return err
			}); err != nil {
			return err
		}
		low, high := (&caseFilter{from: f.IncisionFrom, before: f.IncisionBefore}).period()
		high = min(high, latest-1) // the last is no time
		return l.visit(talliesQuery, []any{l.projection, l.site, low, high}, func(row scanner) error {
			var c storage.Tally
			var number int64
			var state string
			var operated bool
			var incised sql.NullInt64
			var short blob
			if err := row.Scan(&number, &c.UID, &state, &c.PlanTiming, &operated, &incised, &short); err != nil {
				return err
			}
			switch {
			case allowed != nil && !allowed[number]:
			case state == storage.CaseRetracted:
				n.RetractedCases++
			case state == storage.CaseActive && operated:
				if short == nil {
					return storage.ErrNotProjected
				}
				c.IncisionTime, c.Patient, c.Later, c.Short = instant(incised), again[number].patient, again[number].later, short
				return onCase(c)
			}
			return nil
		})
	})
	return n, err
}

// talliesQuery walks the cases of a period.
const talliesQuery = `SELECT c.case_id, c.uid, c.state, c.plan_timing, c.operated, k.incision_time, s.message
	FROM case_counts AS c CROSS JOIN cases AS k ON k.id = c.case_id LEFT JOIN case_short AS s ON s.projection = c.projection AND s.case_id = c.case_id
	WHERE c.projection = ?1 AND c.site = ?2 AND c.newest_first BETWEEN ?3 AND ?4
	ORDER BY c.newest_first DESC, c.uid`

// sharing says of a case that another has its patient too.
type sharing struct {
	patient int64
	later   bool
}

// again gives the cases whose patient has another one, of those of the site that are
// active and were operated on. Which one comes first does not depend on what is asked
// for. Few patients come again: each is looked up by himself.
func (l *listing) again() (map[int64]sharing, error) {
	var patients []patient
	err := l.visit(patientsAgain, nil, func(row scanner) error {
		var p patient
		err := row.Scan(&p.value, &p.system, &p.number)
		patients = append(patients, p)
		return err
	})
	if err != nil {
		return nil, err
	}
	list := map[int64]sharing{}
	for _, p := range patients {
		later := false
		err := l.visit(operationsOfPatient, []any{p.value, p.system, l.name, storage.CaseActive}, func(row scanner) error {
			var number int64
			var uid string
			var incised sql.NullInt64
			if err := row.Scan(&number, &uid, &incised); err != nil {
				return err
			}
			var operated bool
			err := l.tx.QueryRowContext(l.ctx, `SELECT operated FROM case_counts WHERE projection = ? AND site = ? AND newest_first = ? AND uid = ?`,
				l.projection, l.site, newestFirst(instant(incised)), uid).Scan(&operated)
			if errors.Is(err, sql.ErrNoRows) || err == nil && !operated {
				return nil
			}
			list[number] = sharing{patient: p.number, later: later}
			later = true
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return list, nil
}

// patient is one of whom there is more than one case: the smallest of their numbers is
// his.
type patient struct {
	value, system string
	number        int64
}

const (
	// patientsAgain walks the index of identifiers alone.
	patientsAgain = `SELECT value, system, min(case_id) FROM patient_identifiers INDEXED BY patient_identifiers_value
		WHERE position = 0 AND value <> '' GROUP BY value, system HAVING count(*) > 1`
	operationsOfPatient = `SELECT k.id, k.uid, k.incision_time FROM patient_identifiers AS p INDEXED BY patient_identifiers_value CROSS JOIN cases AS k ON k.id = p.case_id
		WHERE p.value = ? AND p.system = ? AND p.position = 0 AND k.site = ? AND k.state = ? AND k.incision_time IS NOT NULL ORDER BY k.incision_time, k.uid`
)

// lastChange gives the number of the last change of the site.
func (l *listing) lastChange() (n int64, err error) {
	err = l.tx.QueryRowContext(l.ctx, `SELECT coalesce(max(last_change), 0) FROM sites WHERE id = ?`, l.site).Scan(&n)
	return n, err
}
