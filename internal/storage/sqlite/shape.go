package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"trigone/internal/storage"
)

// toSchema3 is migration 3: statements before and after, and between them what SQL
// alone cannot do: answers become frames, contents get their hashes, discrepancies
// become rows of the ledger that know no agreements. Its statements stay as they
// are, whatever later schemas do to these tables.
func toSchema3(ctx context.Context, tx *sql.Tx) error {
	for _, step := range []func(context.Context, *sql.Tx) error{
		statements("before"), moveAnswers, moveRevisions, moveReasons, moveDiscrepancies, statements("after"),
	} {
		if err := step(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

func statements(name string) func(context.Context, *sql.Tx) error {
	return func(ctx context.Context, tx *sql.Tx) error {
		text, err := migrations.ReadFile("migrations/00003_shape/" + name + ".sql")
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, string(text))
		return err
	}
}

// move reads every row and writes through statements that are prepared once.
func move(ctx context.Context, tx *sql.Tx, query string, into []string, row func(scan func(...any) error, put func(into int, args ...any) error) error) error {
	prepared := make([]*sql.Stmt, len(into))
	for i, text := range into {
		s, err := tx.PrepareContext(ctx, text)
		if err != nil {
			return err
		}
		defer func() { _ = s.Close() }() // the transaction says what failed
		prepared[i] = s
	}
	put := func(into int, args ...any) error {
		_, err := prepared[into].ExecContext(ctx, args...)
		return err
	}
	rows, err := tx.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan, put); err != nil {
			return err
		}
	}
	return rows.Err()
}

func moveAnswers(ctx context.Context, tx *sql.Tx) error {
	var ofCase int64
	var chain []link // of the answer before, itself first
	return move(ctx, tx, `
		SELECT e.case_id, e.number, e.answer, e.metrics, c.evaluation = e.number
		FROM evaluations_of_schema_2 AS e JOIN cases AS c ON c.id = e.case_id ORDER BY e.case_id, e.number`, []string{
		`INSERT INTO answers (case_id, number, codec, base, hash, frame) VALUES (?, ?, ?, ?, ?, ?)`,
		`INSERT INTO metrics (case_id, evaluation, codec, packed) VALUES (?, ?, ?, ?)`,
	}, func(scan func(...any) error, put func(int, ...any) error) error {
		var id, number int64
		var content, packed blob
		var newest bool
		if err := scan(&id, &number, &content, &packed, &newest); err != nil {
			return err
		}
		if id != ofCase {
			ofCase, chain = id, nil
		}
		a, err := packAnswer(content, chain)
		if err != nil {
			return fmt.Errorf("evaluation %d of a case: %w", number, err)
		}
		if a.base == 0 {
			chain = nil
		}
		chain = append([]link{{number, a}}, chain...)
		if err := put(0, id, number, a.codec, a.base, a.hash, present(a.frame)); err != nil || !newest || packed == nil {
			return err
		}
		codec, frame, err := encode(packed, nil)
		if err != nil {
			return err
		}
		return put(1, id, number, codec, frame)
	})
}

// moveRevisions marks contents as whole: only who knows the contract can split
// them. What was kept apart as identity stays apart.
func moveRevisions(ctx context.Context, tx *sql.Tx) error {
	return move(ctx, tx, `
		SELECT r.case_id, r.section, r.revision, r.case_version, r.position, r.received_time, r.source_time, r.caller, r.retraction,
			r.retraction_reason, r.retraction_text, r.content, i.content
		FROM revisions_of_schema_2 AS r LEFT JOIN identity_contents AS i
			ON r.section = 'identity' AND i.case_id = r.case_id AND i.revision = r.revision`, []string{
		`INSERT INTO revisions (case_id, section, revision, case_version, position, received_time, source_time, caller, retraction,
			retraction_reason, parts, hash, codec, content) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		`INSERT INTO identifying_parts (case_id, case_version, part, position, hash, content) VALUES (?, ?, ?, ?, ?, ?)`,
	}, func(scan func(...any) error, put func(int, ...any) error) error {
		var id, revision, version, position int64
		var received, source sql.NullInt64
		var section, caller, reason, text string
		var retraction bool
		var content, identity blob
		if err := scan(&id, &section, &revision, &version, &position, &received, &source, &caller, &retraction, &reason, &text, &content, &identity); err != nil {
			return err
		}
		parts, hash := revisionsNothing, any(nil)
		if content != nil {
			parts, hash = revisionsWhole, hashOf(content)
		}
		if identity != nil {
			parts = revisionsWhole
			if err := put(1, id, version, partOfRevision, position, hashOf(identity), []byte(identity)); err != nil {
				return err
			}
		}
		if text != "" {
			if err := put(1, id, version, partRetractionText, position, hashOf([]byte(text)), []byte(text)); err != nil {
				return err
			}
		}
		return put(0, id, section, revision, version, position, received, source, caller, retraction, reason, parts, hash, codecPlain, bytes(content))
	})
}

func moveReasons(ctx context.Context, tx *sql.Tx) error {
	return move(ctx, tx, `SELECT case_id, case_version, position, reason FROM confirmations_of_schema_2 WHERE reason <> ''`, []string{
		`INSERT INTO identifying_parts (case_id, case_version, part, position, hash, content) VALUES (?, ?, ?, ?, ?, ?)`,
	}, func(scan func(...any) error, put func(int, ...any) error) error {
		var id, version, position int64
		var reason string
		if err := scan(&id, &version, &position, &reason); err != nil {
			return err
		}
		return put(0, id, version, partConfirmation, position, hashOf([]byte(reason)), []byte(reason))
	})
}

// classesOfSchema2 are the classes that schema 2 knew, by their numbers.
var classesOfSchema2 = map[string]int{
	"step_omitted": 1, "step_added": 2, "step_relocated": 3, "step_substituted": 4, "step_parameter": 5, "ring_size": 6, "ring_kind": 7,
	"target_missed": 8, "outside_prediction_interval": 9, "outside_site_tolerance": 10, "residual_regurgitation": 11, "new_finding": 12,
	"further_pump_run": 13, "conversion": 14, "no_plan_in_force": 15, "not_evaluable": 16, "record_conflict": 17,
}

var verdictsOfSchema2 = map[string]int{
	"present": storage.ComparisonPresent, "indeterminate": storage.ComparisonIndeterminate, "not_evaluable": storage.ComparisonNotEvaluable,
}

// moveDiscrepancies makes version 0 of the ledger: the first program that declares
// it takes its rows over.
func moveDiscrepancies(ctx context.Context, tx *sql.Tx) error {
	var ledger int64
	err := tx.QueryRowContext(ctx, `
		INSERT INTO projections (name, version, state, cursor)
		SELECT 'ledger', 0, 'standing', 0 WHERE EXISTS (SELECT 1 FROM cases) RETURNING id`).Scan(&ledger)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // a store without cases: nothing to take over
	}
	if err != nil {
		return err
	}
	into := []string{
		`INSERT INTO projected_cases (projection, case_id, newest_first, entries) VALUES (?, ?, ?, ?)`,
		`INSERT INTO case_counts (projection, site, newest_first, uid, case_id, state, plan_timing, operated, retracted_sections,
			differing, roots, indeterminate, indeterminate_roots, not_evaluable, not_evaluable_roots, agreeing, not_applicable, incomplete,
			classed_differing, classed_roots, classed_indeterminate, classed_indeterminate_roots, classed_not_evaluable, classed_not_evaluable_roots,
			things, things_as_planned, things_otherwise, things_cannot_be_told, things_not_evaluable, things_not_applicable)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0, ?, ?, ?, ?, ?, ?, ?, 0, 0, 0, 0, 0, 0)`,
		`INSERT INTO comparison_texts (projection, case_id, codec, frame) VALUES (?, ?, ?, ?)`,
		`INSERT INTO comparison_words (projection, site, kind, word, newest_first, uid_key, case_id) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		`INSERT INTO comparisons (projection, case_id, position, kind, verdict, class, metric, place, occasion, thing_planned, run, stage, method,
			judged_by, owner, reason, root, plan_revised, complete, formula_number, metric_formula_number, prediction_role)
		VALUES (?, ?, ?, 0, ?, ?, 0, '', '', '', 0, 0, 0, 0, 0, 0, ?, 0, 0, 0, 0, 0)`,
	}
	return move(ctx, tx, `
		SELECT c.id, s.id, c.uid, c.state, c.newest_first, c.plan_timing, c.operated, c.retracted_sections, c.evaluation
		FROM cases AS c JOIN sites AS s ON s.site = c.site`, into, func(scan func(...any) error, put func(int, ...any) error) error {
		var c caseRow
		var evaluation int64
		if err := scan(&c.id, &c.site, &c.uid, &c.state, &c.newestFirst, &c.planTiming, &c.operated, &c.retractedSections, &evaluation); err != nil {
			return err
		}
		rows, texts, err := discrepanciesOfSchema2(ctx, tx, c.id)
		if err != nil {
			return err
		}
		entries, n := entriesOf(&rows), counted(&rows)
		if err := put(0, ledger, c.id, c.newestFirst, bytes(entries.pack())); err != nil {
			return err
		}
		if err := put(1, ledger, c.site, c.newestFirst, c.uid, c.id, c.state, c.planTiming, c.operated, c.retractedSections,
			n.Differing, n.Roots, n.Indeterminate, n.indeterminateRoots, n.NotEvaluable, n.notEvaluableRoots, evaluation > 0,
			n.classed.differing, n.classed.roots, n.classed.indeterminate, n.classed.indeterminateRoots, n.classed.notEvaluable, n.classed.notEvaluableRoots); err != nil {
			return err
		}
		for _, w := range entries.words {
			if err := put(3, ledger, c.site, w.kind, w.word, c.newestFirst, uidKey(c.uid), c.id); err != nil {
				return err
			}
		}
		for _, d := range rows.Comparisons {
			if err := put(4, ledger, c.id, d.Order, d.Verdict, d.Class, d.Root); err != nil {
				return err
			}
		}
		if len(texts) == 0 {
			return nil
		}
		codec, frame, err := packTexts(texts)
		if err != nil {
			return err
		}
		return put(2, ledger, c.id, codec, frame)
	})
}

func discrepanciesOfSchema2(ctx context.Context, tx *sql.Tx, caseID int64) (rows storage.Rows, texts []text, err error) {
	list, err := tx.QueryContext(ctx, `SELECT position, id, class, verdict, root, message FROM discrepancies WHERE case_id = ? ORDER BY position`, caseID)
	if err != nil {
		return rows, nil, err
	}
	defer list.Close()
	for list.Next() {
		var d storage.Comparison
		var class, verdict string
		var message blob
		if err := list.Scan(&d.Order, &d.ID, &class, &verdict, &d.Root, &message); err != nil {
			return rows, nil, err
		}
		d.Class, d.Verdict = classesOfSchema2[class], verdictsOfSchema2[verdict]
		rows.Comparisons = append(rows.Comparisons, d)
		texts = append(texts, text{order: d.Order, id: d.ID, discrepancyID: d.ID, message: message})
	}
	return rows, texts, list.Err()
}
