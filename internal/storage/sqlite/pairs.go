package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"slices"

	"trigone/internal/storage"
)

// pairsWhere is what the index of pairs holds; a query says it in the same words.
const pairsWhere = `(actual IS NOT NULL OR planned IS NOT NULL OR lower IS NOT NULL OR upper IS NOT NULL)`

// pairsQuery reads pairs from the index alone.
func pairsQuery(where conditions) string {
	return `SELECT case_id, kind, metric, position, place, run, stage, method, verdict, formula_number, metric_formula_number,
			prediction_formula, calibration, planned, actual, lower, upper, tolerance, uncalibrated
		FROM comparisons INDEXED BY comparison_pairs WHERE ` + where.String() + ` ORDER BY kind, metric, case_id, position`
}

// Pairs implements storage.Store.
func (s *Store) Pairs(ctx context.Context, site string, f storage.PairFilter, onCase func(storage.PairCase) error, onPair func(storage.PairRow) error) (n storage.PairCounts, err error) {
	err = s.list(ctx, basis(f.Restated), site, func(l *listing) error {
		if n.LastChange, err = l.lastChange(); err != nil {
			return err
		}
		cases, err := l.pairCases(&f, &n)
		if err != nil {
			return err
		}
		wanted := make(map[int64]bool, len(cases))
		for _, c := range cases {
			wanted[c.Number] = true
			if err := onCase(c); err != nil {
				return err
			}
		}
		var where conditions
		where.add(`projection = ? AND site = ? AND `+pairsWhere, l.projection, l.site)
		where.oneOf(`kind`, anyOf(f.Kinds))
		where.oneOf(`metric`, anyOf(f.Metrics))
		return l.visit(pairsQuery(where), where.args, func(row scanner) error {
			var p storage.PairRow
			var numbers [6]sql.NullFloat64
			if err := row.Scan(&p.Case, &p.Kind, &p.Metric, &p.Order, &p.Place, &p.Run, &p.Stage, &p.Method, &p.Verdict, &p.FormulaNumber, &p.MetricFormulaNumber,
				&p.PredictionFormula, &p.Calibration, &numbers[0], &numbers[1], &numbers[2], &numbers[3], &numbers[4], &numbers[5]); err != nil {
				return err
			}
			if !wanted[p.Case] {
				return nil
			}
			for i, into := range []**float64{&p.Planned, &p.Actual, &p.Lower, &p.Upper, &p.Tolerance, &p.Uncalibrated} {
				*into = absentReal(numbers[i])
			}
			return onPair(p)
		})
	})
	return n, err
}

// pairCases gives the cases that match, in the order of lists.
func (l *listing) pairCases(f *storage.PairFilter, n *storage.PairCounts) ([]storage.PairCase, error) {
	low, high := (&caseFilter{from: f.IncisionFrom, before: f.IncisionBefore}).period()
	allowed, err := l.inGroups(f.Groups)
	if err != nil {
		return nil, err
	}
	again, err := l.again()
	if err != nil {
		return nil, err
	}
	var cases []storage.PairCase
	at := map[int64]int{}
	err = l.visit(`SELECT c.case_id, c.uid, c.state, c.plan_timing, c.operated, k.incision_time FROM case_counts AS c CROSS JOIN cases AS k ON k.id = c.case_id
		WHERE c.projection = ? AND c.site = ? AND c.newest_first BETWEEN ? AND ? ORDER BY c.newest_first, c.uid`, []any{l.projection, l.site, low, high},
		func(row scanner) error {
			var c storage.PairCase
			var state string
			var operated bool
			var incised sql.NullInt64
			if err := row.Scan(&c.Number, &c.UID, &state, &c.PlanTiming, &operated, &incised); err != nil {
				return err
			}
			switch {
			case allowed != nil && !allowed[c.Number]:
			case state == storage.CaseRetracted:
				n.RetractedCases++
			case state == storage.CaseActive && operated:
				c.IncisionTime, c.Later = instant(incised), again[c.Number].later
				at[c.Number] = len(cases)
				cases = append(cases, c)
			}
			return nil
		})
	if err != nil || len(f.WordKinds) == 0 {
		return cases, err
	}
	var where conditions
	where.add(`projection = ? AND site = ? AND newest_first BETWEEN ? AND ?`, l.projection, l.site, low, high)
	where.oneOf(`kind`, anyOf(f.WordKinds))
	err = l.visit(`SELECT kind, word, case_id FROM case_groups WHERE `+where.String(), where.args, func(row scanner) error {
		var g storage.Group
		var number int64
		if err := row.Scan(&g.Kind, &g.Word, &number); err != nil {
			return err
		}
		if i, ok := at[number]; ok {
			cases[i].Words = append(cases[i].Words, g)
		}
		return nil
	})
	for i := range cases {
		slices.SortFunc(cases[i].Words, func(a, b storage.Group) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Word, b.Word)) })
	}
	return cases, err
}

// inGroups gives the cases that have one of the words of each kind; nil: every case.
func (l *listing) inGroups(groups []storage.Group) (map[int64]bool, error) {
	words := map[int][]any{}
	for _, g := range groups {
		words[g.Kind] = append(words[g.Kind], g.Word)
	}
	var allowed map[int64]bool
	for kind, list := range words {
		var where conditions
		where.add(`projection = ? AND site = ? AND kind = ?`, l.projection, l.site, kind)
		where.oneOf(`word`, list)
		having := map[int64]bool{}
		err := l.visit(`SELECT case_id FROM case_groups WHERE `+where.String(), where.args, func(row scanner) error {
			var number int64
			err := row.Scan(&number)
			if allowed == nil || allowed[number] {
				having[number] = true
			}
			return err
		})
		if err != nil {
			return nil, err
		}
		allowed = having
	}
	return allowed, nil
}

// visit reads every row of a query, keeping none.
func (l *listing) visit(query string, args []any, row func(scanner) error) error {
	rows, err := l.tx.QueryContext(l.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
