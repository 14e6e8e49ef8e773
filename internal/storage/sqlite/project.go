package sqlite

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/storage"
)

// packed are the rows of a projection as they are written. What costs time is done
// here, outside the writer's turn.
type packed struct {
	of        *storage.Projected
	entries   entries
	counts    counts
	texts     []byte
	textCodec int
	facts     []byte
	factCodec int
	// restated is the answer of a restating, and policy the one it is new with.
	restated *answer
	policy   *storage.Policy
}

func packRows(p *storage.Projected) (out packed, err error) {
	out.of = p
	rows := &p.Rows
	out.entries, out.counts = entriesOf(rows), counted(rows)
	if len(rows.Comparisons) > 0 {
		list := make([]text, len(rows.Comparisons))
		for i := range rows.Comparisons {
			c := &rows.Comparisons[i]
			list[i] = text{order: c.Order, id: c.ID, discrepancyID: c.DiscrepancyID, message: c.Message}
		}
		if out.textCodec, out.texts, err = packTexts(list); err != nil {
			return out, err
		}
	}
	if rows.Facts != nil {
		out.factCodec, out.facts, err = encode(rows.Facts.Message, nil)
	}
	return out, err
}

// counted fills in what is counted of rows. A case without any may be incomplete too.
func counted(rows *storage.Rows) counts {
	n := counts{Counts: rows.Counts}
	n.Differing, n.Roots, n.Indeterminate, n.NotEvaluable, n.Agreeing, n.NotApplicable = 0, 0, 0, 0, 0, 0
	for i := range rows.Comparisons {
		c := &rows.Comparisons[i]
		n.Incomplete = n.Incomplete || !c.Complete
		root, classed := one(c.Root), one(c.Class != 0)
		switch c.Verdict {
		case storage.ComparisonPresent:
			n.Differing++
			n.Roots += root
			n.classed.differing += classed
			n.classed.roots += classed * root
		case storage.ComparisonIndeterminate:
			n.Indeterminate++
			n.indeterminateRoots += root
			n.classed.indeterminate += classed
			n.classed.indeterminateRoots += classed * root
		case storage.ComparisonNotEvaluable:
			n.NotEvaluable++
			n.notEvaluableRoots += root
			n.classed.notEvaluable += classed
			n.classed.notEvaluableRoots += classed * root
		case storage.ComparisonAgrees:
			n.Agreeing++
		case storage.ComparisonNotApplicable:
			n.NotApplicable++
		}
	}
	return n
}

// counts are the columns of case_counts.
type counts struct {
	storage.Counts
	indeterminateRoots, notEvaluableRoots int
	// Of those with a class.
	classed struct{ differing, roots, indeterminate, indeterminateRoots, notEvaluable, notEvaluableRoots int }
}

func one(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// caseRow is what the rows of a case say of it.
type caseRow struct {
	id, site          int64 // of cases, of sites
	uid, state        string
	newestFirst       int64
	planTiming        string
	operated          bool
	retractedSections int
}

// projection is a projection that is listed.
type projection struct {
	id       int64
	name     string
	version  int64
	standing bool
}

func (t *tx) listed() (list []projection, err error) {
	rows, err := t.query(`SELECT id, name, version, state = 'standing' FROM projections WHERE state <> 'leaving' ORDER BY id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var p projection
		if err := rows.Scan(&p.id, &p.name, &p.version, &p.standing); err != nil {
			return nil, err
		}
		list = append(list, p)
	}
	return list, rows.Err()
}

// project writes the rows of a write. Every projection listed has its rows there,
// and no other.
func (t *tx) project(c caseRow, rows []packed) error {
	listed, err := t.listed()
	if err != nil {
		return err
	}
	brought := make([]bool, len(rows))
	for _, p := range listed {
		if p.name == storage.ProjectionRestated {
			// It was said of what the case was.
			if err := t.dropCase(p.id, c); err != nil {
				return fmt.Errorf("rows of %s: %w", p.name, err)
			}
			continue
		}
		// What a migration left is written by every version: its rows are of no one's.
		i := slices.IndexFunc(rows, func(r packed) bool {
			return r.of.Name == p.name && (r.of.Version == p.version || p.version == 0)
		})
		if i < 0 && p.name == storage.ProjectionSearch && p.standing && succeeded(listed, rows) {
			// Nobody who writes reads it any more, and its successor is being built.
			if err := t.dropCase(p.id, c); err != nil {
				return fmt.Errorf("rows of %s: %w", p.name, err)
			}
			continue
		}
		if i < 0 {
			return storage.ErrProjection
		}
		brought[i] = true
		if err := t.putRows(p.id, p.name, c, rows[i]); err != nil {
			return fmt.Errorf("rows of %s: %w", p.name, err)
		}
	}
	if slices.Contains(brought, false) {
		return storage.ErrProjection
	}
	return nil
}

// succeeded says whether a write brings rows of a version of searches that is being
// built in place of the one that stands.
func succeeded(listed []projection, rows []packed) bool {
	return slices.ContainsFunc(listed, func(p projection) bool {
		return p.name == storage.ProjectionSearch && !p.standing && slices.ContainsFunc(rows, func(r packed) bool {
			return r.of.Name == p.name && r.of.Version == p.version
		})
	})
}

// putRows replaces the rows of a case in a projection.
func (t *tx) putRows(projection int64, name string, c caseRow, r packed) error {
	if name == storage.ProjectionResources {
		if r.of.Unchanged {
			return nil // and where it was not built yet, the rebuild will come to it
		}
		return t.putResources(projection, c.id, &r.of.Rows)
	}
	if name == storage.ProjectionSearch {
		if r.of.Unchanged {
			return nil
		}
		return t.putFound(projection, c, &r.of.Rows)
	}
	before, err := t.standsAs(projection, c.id)
	if err != nil {
		return err
	}
	entries, counts := r.entries, r.counts
	if r.of.Unchanged {
		if !before.found {
			return nil // not built yet: the rebuild will come to it
		}
		entries = before.entries
		if counts, err = t.counts(projection, c, before.newestFirst); err != nil {
			return err
		}
	}
	if err := t.index(projection, c, before, entries); err != nil {
		return err
	}
	if err := t.putCounts(projection, c, before, counts); err != nil {
		return err
	}
	if r.of.Unchanged {
		return nil
	}
	if err := t.replaceRows(projection, c.id, before.found, r); err != nil || r.restated == nil {
		return err
	}
	_, err = t.exec(`INSERT OR REPLACE INTO restated_answers (projection, case_id, codec, base, hash, frame) VALUES (?, ?, ?, ?, ?, ?)`,
		projection, c.id, r.restated.codec, r.restated.base, r.restated.hash, r.restated.frame)
	return err
}

// standing is how a case stands in the indexes of a projection.
type standing struct {
	found       bool
	newestFirst int64
	packed      []byte
	entries     entries
}

func (t *tx) standsAs(projection, caseID int64) (s standing, err error) {
	rows, err := t.query(`SELECT newest_first, entries FROM projected_cases WHERE projection = ? AND case_id = ?`, projection, caseID)
	if err != nil {
		return s, err
	}
	defer rows.Close()
	if rows.Next() {
		s.found = true
		if err := rows.Scan(&s.newestFirst, (*blob)(&s.packed)); err != nil {
			return s, err
		}
	}
	if err := rows.Err(); err != nil {
		return s, err
	}
	s.entries, err = unpackEntries(s.packed)
	return s, err
}

// index brings the entries of a case up to date. Most writes leave them as they
// are: then no page of an index is written.
func (t *tx) index(projection int64, c caseRow, before standing, wanted entries) error {
	now := wanted.pack()
	if before.found && before.newestFirst == c.newestFirst && string(before.packed) == string(now) {
		return nil
	}
	if err := t.dropEntries(projection, c, before); err != nil {
		return err
	}
	if _, err := t.exec(`
		INSERT INTO projected_cases (projection, case_id, newest_first, entries) VALUES (?, ?, ?, ?)
		ON CONFLICT (projection, case_id) DO UPDATE SET newest_first = excluded.newest_first, entries = excluded.entries`,
		projection, c.id, c.newestFirst, bytes(now)); err != nil {
		return err
	}
	var groups, words []any
	uid := uidKey(c.uid)
	for _, g := range wanted.groups {
		groups = append(groups, projection, c.site, g.Kind, g.Word, c.newestFirst, uid, c.id)
	}
	for _, w := range wanted.words {
		words = append(words, projection, c.site, w.kind, w.word, c.newestFirst, uid, c.id)
	}
	if err := t.insert(`INSERT INTO case_groups (projection, site, kind, word, newest_first, uid_key, case_id)`, 7, groups); err != nil {
		return err
	}
	return t.insert(`INSERT INTO comparison_words (projection, site, kind, word, newest_first, uid_key, case_id)`, 7, words)
}

func (t *tx) dropEntries(projection int64, c caseRow, before standing) error {
	uid := uidKey(c.uid)
	for _, g := range before.entries.groups {
		if _, err := t.exec(`DELETE FROM case_groups WHERE projection = ? AND site = ? AND kind = ? AND word = ? AND newest_first = ? AND uid_key = ?`,
			projection, c.site, g.Kind, g.Word, before.newestFirst, uid); err != nil {
			return err
		}
	}
	for _, w := range before.entries.words {
		if w.kind == wordLead {
			continue // of another table
		}
		if _, err := t.exec(`DELETE FROM comparison_words WHERE projection = ? AND site = ? AND kind = ? AND word = ? AND newest_first = ? AND uid_key = ?`,
			projection, c.site, w.kind, w.word, before.newestFirst, uid); err != nil {
			return err
		}
	}
	return nil
}

const countColumns = `differing, roots, indeterminate, indeterminate_roots, not_evaluable, not_evaluable_roots, agreeing, not_applicable, incomplete,
	classed_differing, classed_roots, classed_indeterminate, classed_indeterminate_roots, classed_not_evaluable, classed_not_evaluable_roots,
	things, things_as_planned, things_otherwise, things_cannot_be_told, things_not_evaluable, things_not_applicable`

func countValues(n counts) []any {
	return []any{
		n.Differing, n.Roots, n.Indeterminate, n.indeterminateRoots, n.NotEvaluable, n.notEvaluableRoots, n.Agreeing, n.NotApplicable, n.Incomplete,
		n.classed.differing, n.classed.roots, n.classed.indeterminate, n.classed.indeterminateRoots, n.classed.notEvaluable, n.classed.notEvaluableRoots,
		n.Things, n.ThingsAsPlanned, n.ThingsOtherwise, n.ThingsCannotBeTold, n.ThingsNotEvaluable, n.ThingsNotApplicable,
	}
}

func countPlaces(n *counts) []any {
	return []any{
		&n.Differing, &n.Roots, &n.Indeterminate, &n.indeterminateRoots, &n.NotEvaluable, &n.notEvaluableRoots, &n.Agreeing, &n.NotApplicable, &n.Incomplete,
		&n.classed.differing, &n.classed.roots, &n.classed.indeterminate, &n.classed.indeterminateRoots, &n.classed.notEvaluable, &n.classed.notEvaluableRoots,
		&n.Things, &n.ThingsAsPlanned, &n.ThingsOtherwise, &n.ThingsCannotBeTold, &n.ThingsNotEvaluable, &n.ThingsNotApplicable,
	}
}

func (t *tx) counts(projection int64, c caseRow, newestFirst int64) (n counts, err error) {
	rows, err := t.query(`SELECT `+countColumns+` FROM case_counts WHERE projection = ? AND site = ? AND newest_first = ? AND uid = ?`,
		projection, c.site, newestFirst, c.uid)
	if err != nil {
		return n, err
	}
	defer rows.Close()
	if rows.Next() {
		if err := rows.Scan(countPlaces(&n)...); err != nil {
			return n, err
		}
	}
	return n, rows.Err()
}

func (t *tx) putCounts(projection int64, c caseRow, before standing, n counts) error {
	if before.found && before.newestFirst != c.newestFirst {
		if err := t.dropCounts(projection, c, before.newestFirst); err != nil {
			return err
		}
	}
	args := append([]any{
		projection, c.site, c.newestFirst, c.uid, c.id, c.state, c.planTiming, c.operated, c.retractedSections,
	}, countValues(n)...)
	_, err := t.exec(`
		INSERT OR REPLACE INTO case_counts (projection, site, newest_first, uid, case_id, state, plan_timing, operated, retracted_sections, `+countColumns+`)
		VALUES (?`+strings.Repeat(", ?", len(args)-1)+`)`, args...)
	return err
}

func (t *tx) dropCounts(projection int64, c caseRow, newestFirst int64) error {
	_, err := t.exec(`DELETE FROM case_counts WHERE projection = ? AND site = ? AND newest_first = ? AND uid = ?`,
		projection, c.site, newestFirst, c.uid)
	return err
}

// rowTables hold the rows of a case one by one, under (projection, case_id).
var rowTables = []string{"comparisons", "comparison_texts", "case_facts", "case_short", "case_children"}

func (t *tx) dropRows(projection, caseID int64) error {
	for _, table := range rowTables {
		if _, err := t.exec(`DELETE FROM `+table+` WHERE projection = ? AND case_id = ?`, projection, caseID); err != nil {
			return err
		}
	}
	return nil
}

const comparisonColumns = `position, kind, verdict, class, metric, place, occasion, thing_planned, run, stage, method, judged_by, owner, reason,
	root, plan_revised, complete, formula_number, metric_formula_number, prediction_role, prediction_evaluation,
	planned, planned_sd, actual, actual_sd, lower, upper, tolerance, margin, planned_steps, actual_steps, prediction_formula, calibration, uncalibrated`

func (t *tx) replaceRows(projection, caseID int64, stands bool, r packed) error {
	if stands {
		if err := t.dropRows(projection, caseID); err != nil {
			return err
		}
	}
	rows := &r.of.Rows
	var comparisons, children []any
	var site int64
	if len(rows.Comparisons) > 0 {
		var err error
		if site, err = t.number(`SELECT s.id FROM cases AS c JOIN sites AS s ON s.site = c.site WHERE c.id = ?`, caseID); err != nil {
			return err
		}
	}
	for i := range rows.Comparisons {
		c := &rows.Comparisons[i]
		comparisons = append(comparisons, projection, caseID, site, c.Order, c.Kind, c.Verdict, c.Class, c.Metric, c.Place, c.Occasion, c.ThingPlanned,
			c.Run, c.Stage, c.Method, c.JudgedBy, c.Owner, c.Reason, c.Root, c.PlanRevised, c.Complete, c.FormulaNumber, c.MetricFormulaNumber,
			c.PredictionRole, c.PredictionEvaluation, c.Planned, c.PlannedSD, c.Actual, c.ActualSD, c.Lower, c.Upper, c.Tolerance, c.Margin,
			c.PlannedSteps, c.ActualSteps, c.PredictionFormula, c.Calibration, c.Uncalibrated)
	}
	if err := t.insert(`INSERT INTO comparisons (projection, case_id, site, `+comparisonColumns+`)`, 37, comparisons); err != nil {
		return err
	}
	if r.texts != nil {
		if _, err := t.exec(`INSERT INTO comparison_texts (projection, case_id, codec, frame) VALUES (?, ?, ?, ?)`, projection, caseID, r.textCodec, r.texts); err != nil {
			return err
		}
	}
	if f := rows.Facts; f != nil {
		if _, err := t.exec(`INSERT INTO case_facts (projection, case_id, case_version, evaluation, codec, frame) VALUES (?, ?, ?, ?, ?, ?)`,
			projection, caseID, f.Version, f.Evaluation, r.factCodec, present(r.facts)); err != nil {
			return err
		}
	}
	if rows.Short != nil {
		if _, err := t.exec(`INSERT INTO case_short (projection, case_id, message) VALUES (?, ?, ?)`, projection, caseID, rows.Short); err != nil {
			return err
		}
	}
	for _, c := range rows.Children {
		children = append(children, projection, caseID, c.Kind, c.Section, c.Order, present(c.Message))
	}
	return t.insert(`INSERT INTO case_children (projection, case_id, kind, section, position, message)`, 6, children)
}

// present gives bytes that are never absent.
func present(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// putResources adds or replaces resource ids.
func (t *tx) putResources(projection, caseID int64, rows *storage.Rows) error {
	if _, err := t.exec(`INSERT INTO projected_cases (projection, case_id, newest_first) VALUES (?, ?, 0) ON CONFLICT DO NOTHING`, projection, caseID); err != nil {
		return err
	}
	const columns = 10
	values := make([]any, 0, columns*len(rows.Resources))
	for i := range rows.Resources {
		r := &rows.Resources[i]
		values = append(values, projection, caseID, r.Type, r.ID[:], r.Mapping, present(r.Digest), r.FirstVersion, r.LastVersion, r.State, bytes(r.Gone))
	}
	if err := t.insert(`INSERT OR REPLACE INTO face_resources (projection, case_id, type, id, mapping, digest, first_version, last_version, state, gone)`, columns, values); err != nil {
		return err
	}
	if rows.CasePrefix == 0 {
		return nil
	}
	_, err := t.exec(`UPDATE cases SET id_prefix = ?1 WHERE id = ?2 AND id_prefix IS NOT ?1`, rows.CasePrefix, caseID)
	return err
}

// Projections gives the projections that are listed.
func (s *Store) Projections(ctx context.Context) (list []storage.Projection, err error) {
	err = s.each(ctx, `SELECT id, name, version, under, state = 'standing', cursor FROM projections WHERE state <> 'leaving' ORDER BY name, version, under`, nil, func(row scanner) error {
		var p storage.Projection
		err := row.Scan(&p.ID, &p.Name, &p.Version, &p.Under, &p.Standing, &p.Cursor)
		list = append(list, p)
		return err
	})
	return list, err
}

// DeclareProjections lists the projections of a program that has the store open.
func (s *Store) DeclareProjections(ctx context.Context, program []storage.ProjectionVersion) ([]storage.Projection, error) {
	for _, p := range program {
		if err := p.Check(); err != nil {
			return nil, err
		}
	}
	known, err := s.Projections(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(program, func(p storage.ProjectionVersion) bool {
		return !slices.ContainsFunc(known, func(k storage.Projection) bool { return k.Name == p.Name && k.Version > 0 })
	}) {
		return known, nil // most starts write nothing
	}
	if err := s.writer.do(ctx, func(tx *tx) error { return tx.declare(program) }); err != nil {
		return nil, fmt.Errorf("the projections cannot be listed: %w", err)
	}
	return s.Projections(ctx)
}

func (t *tx) declare(program []storage.ProjectionVersion) error {
	listed, err := t.listed()
	if err != nil {
		return err
	}
	for _, p := range program {
		i := slices.IndexFunc(listed, func(l projection) bool { return l.name == p.Name })
		switch {
		case i < 0:
			// With no case there is nothing to build.
			if _, err := t.exec(`
				INSERT INTO projections (name, version, state, cursor)
				SELECT ?, ?, CASE WHEN EXISTS (SELECT 1 FROM cases) THEN 'building' ELSE 'standing' END, 0`, p.Name, p.Version); err != nil {
				return err
			}
		case listed[i].version == 0 && !slices.ContainsFunc(listed, func(l projection) bool { return l.name == p.Name && l.version > 0 }):
			// What the migration left is read until this version is built.
			if _, err := t.exec(`UPDATE projections SET version = ? WHERE id = ? AND NOT EXISTS (SELECT 1 FROM cases)`, p.Version, listed[i].id); err != nil {
				return err
			}
			if _, err := t.exec(`INSERT INTO projections (name, version, state, cursor) SELECT ?, ?, 'building', 0 WHERE EXISTS (SELECT 1 FROM cases)`,
				p.Name, p.Version); err != nil {
				return err
			}
		}
	}
	return nil
}

// BeginProjection lists a version to be built beside the one that stands.
func (s *Store) BeginProjection(ctx context.Context, p storage.ProjectionVersion) (storage.Projection, error) {
	if err := p.Check(); err != nil {
		return storage.Projection{}, err
	}
	if l, err := s.listed(ctx, p); !errors.Is(err, storage.ErrNotFound) {
		return l, err // most starts write nothing
	}
	err := s.writer.do(ctx, func(tx *tx) error {
		_, err := tx.exec(`INSERT INTO projections (name, version, under, state, cursor) VALUES (?, ?, ?, 'building', 0)
			ON CONFLICT (name, version, under) WHERE state <> 'leaving' DO UPDATE SET cursor = 0 WHERE name = ?`,
			p.Name, p.Version, p.Under, storage.ProjectionRestated)
		return err
	})
	if err != nil {
		return storage.Projection{}, fmt.Errorf("the projection cannot be listed: %w", err)
	}
	return s.listed(ctx, p) // storage.ErrNotFound: another process dropped it meanwhile
}

func (s *Store) listed(ctx context.Context, p storage.ProjectionVersion) (storage.Projection, error) {
	list, err := s.Projections(ctx)
	if err != nil {
		return storage.Projection{}, err
	}
	i := slices.IndexFunc(list, func(l storage.Projection) bool {
		return l.Name == p.Name && l.Version == p.Version && l.Under == p.Under
	})
	if i < 0 {
		return storage.Projection{}, storage.ErrNotFound
	}
	return list[i], nil
}

// CasesToProject gives the cases behind the cursor of a projection.
func (s *Store) CasesToProject(ctx context.Context, id int64, limit int) (list []storage.CaseToProject, err error) {
	if limit < 1 {
		return nil, errNoLimit
	}
	err = s.each(ctx, `
		SELECT c.site, c.uid, c.id FROM cases AS c WHERE c.id > (SELECT cursor FROM projections WHERE id = ?1)
			AND NOT EXISTS (SELECT 1 FROM projections AS p JOIN projected_cases AS d ON d.projection = p.id WHERE p.id = ?1 AND p.name = ?2 AND d.case_id = c.id)
		ORDER BY c.id LIMIT ?3`,
		[]any{id, storage.ProjectionRestated, limit}, func(row scanner) error {
			var c storage.CaseToProject
			err := row.Scan(&c.Site, &c.UID, &c.Cursor)
			list = append(list, c)
			return err
		})
	return list, err
}

// Project writes the rows of cases into a projection that is built, and moves its
// cursor.
func (s *Store) Project(ctx context.Context, id int64, cases []storage.CaseRows, cursor int64) error {
	ready := make([]packed, len(cases))
	for i := range cases {
		var err error
		if ready[i], err = packRows(&storage.Projected{Rows: cases[i].Rows}); err != nil {
			return err
		}
		if cases[i].Restated != nil {
			if err := s.packRestated(ctx, &cases[i], &ready[i]); err != nil {
				return fmt.Errorf("what was restated cannot be packed: %w", err)
			}
		}
	}
	return s.writer.do(ctx, func(tx *tx) error {
		listed, err := tx.listed()
		if err != nil {
			return err
		}
		i := slices.IndexFunc(listed, func(p projection) bool {
			return p.id == id && (!p.standing || p.name == storage.ProjectionRestated)
		})
		if i < 0 {
			return storage.ErrNotFound
		}
		for k := range cases {
			if (listed[i].name == storage.ProjectionRestated) != (ready[k].restated != nil) {
				return fmt.Errorf("rows of %s: those of a restating, and no others, are written with what it says", listed[i].name)
			}
			c, version, err := tx.caseRow(cases[k].Site, cases[k].UID)
			if err != nil {
				return err
			}
			if version != cases[k].Version {
				continue // written meanwhile, and its rows with it
			}
			if err := tx.putRows(id, listed[i].name, c, ready[k]); err != nil {
				return fmt.Errorf("rows of %s: %w", listed[i].name, err)
			}
			if p := ready[k].policy; p != nil {
				if err := tx.addPolicy(cases[k].Site, p); err != nil {
					return fmt.Errorf("the policy cannot be written: %w", err)
				}
			}
		}
		_, err = tx.exec(`UPDATE projections SET cursor = max(cursor, ?) WHERE id = ?`, cursor, id)
		return err
	})
}

// packRestated packs what a restating says of a case against the newest answer. That
// is the one of the version that was read, or the rows are passed over.
func (s *Store) packRestated(ctx context.Context, c *storage.CaseRows, into *packed) error {
	chain, err := s.chain(ctx, answerNewest, c.Site, c.UID)
	if err != nil {
		return err
	}
	a, err := packAgainst(c.Restated.Answer, chain)
	into.restated, into.policy = &a, c.Restated.Policy
	return err
}

// caseRow reads a case; storage.ErrNotFound if there is none.
func (t *tx) caseRow(site, uid string) (c caseRow, version int64, err error) {
	rows, err := t.query(`
		SELECT c.id, s.id, c.uid, c.state, c.newest_first, c.plan_timing, c.operated, c.retracted_sections, c.version
		FROM sites AS s JOIN cases AS c ON c.site = s.site WHERE s.site = ? AND c.uid = ?`, site, uid)
	if err != nil {
		return c, 0, err
	}
	defer rows.Close()
	if !rows.Next() {
		return c, 0, cmp.Or(rows.Err(), storage.ErrNotFound)
	}
	err = rows.Scan(&c.id, &c.site, &c.uid, &c.state, &c.newestFirst, &c.planTiming, &c.operated, &c.retractedSections, &version)
	return c, version, err
}

// casesPerCall is how many cases one turn of the writer clears.
const casesPerCall = 100

// FinishProjection makes a projection that was built the one that stands.
func (s *Store) FinishProjection(ctx context.Context, id int64) error {
	err := s.writer.do(ctx, func(tx *tx) error {
		listed, err := tx.listed()
		if err != nil {
			return err
		}
		i := slices.IndexFunc(listed, func(p projection) bool { return p.id == id })
		switch {
		case i < 0:
			return storage.ErrNotFound
		case listed[i].standing:
			return nil // only its predecessor is left to clear
		}
		lacks := listed[i].name == storage.ProjectionRestated // what was written meanwhile
		left, err := tx.number(`
			SELECT EXISTS (SELECT 1 FROM cases AS c JOIN projections AS p ON p.id = ? WHERE c.id > p.cursor
				AND NOT EXISTS (SELECT 1 FROM projected_cases AS d WHERE d.projection = p.id AND d.case_id = c.id))`, id)
		if err != nil {
			return err
		}
		if left != 0 && !lacks {
			return storage.ErrStale
		}
		if _, err := tx.exec(`UPDATE projections SET state = 'leaving', cursor = 0 WHERE name = ? AND state = 'standing'`, listed[i].name); err != nil {
			return err
		}
		_, err = tx.exec(`UPDATE projections SET state = 'standing', cursor = 0 WHERE id = ?`, id)
		return err
	})
	if err != nil {
		return err
	}
	return s.clear(ctx)
}

// DropProjection takes a projection that is being built off the list.
func (s *Store) DropProjection(ctx context.Context, id int64) error {
	err := s.writer.do(ctx, func(tx *tx) error {
		dropped, err := tx.affected(`UPDATE projections SET state = 'leaving', cursor = 0 WHERE id = ? AND (state = 'building' OR state = 'standing' AND name = ?)`,
			id, storage.ProjectionRestated)
		if err == nil && !dropped {
			err = storage.ErrNotFound
		}
		return err
	})
	if err != nil {
		return err
	}
	return s.clear(ctx)
}

// clear removes the rows of the projections that leave, some cases at a time, and
// can be ended and taken up again between any two.
func (s *Store) clear(ctx context.Context) error {
	for more := true; more; {
		err := s.writer.do(ctx, func(tx *tx) (err error) {
			more, err = tx.clear()
			return err
		})
		if err != nil {
			return fmt.Errorf("rows that are no longer read cannot be removed: %w", err)
		}
	}
	return nil
}

func (t *tx) clear() (more bool, err error) {
	id, err := t.number(`SELECT coalesce(min(id), 0) FROM projections WHERE state = 'leaving'`)
	if err != nil || id == 0 {
		return false, err
	}
	cases, err := t.casesToClear(id)
	if err != nil {
		return false, err
	}
	for _, c := range cases {
		if err := t.dropCase(id, c); err != nil {
			return false, err
		}
	}
	if len(cases) == 0 {
		if _, err := t.exec(`DELETE FROM face_shapes WHERE projection = ?`, id); err != nil {
			return false, err
		}
		_, err = t.exec(`DELETE FROM projections WHERE id = ?`, id)
		return true, err
	}
	_, err = t.exec(`UPDATE projections SET cursor = ? WHERE id = ?`, cases[len(cases)-1].id, id)
	return true, err
}

// dropCase removes what a projection has of a case.
func (t *tx) dropCase(projection int64, c caseRow) error {
	before, err := t.standsAs(projection, c.id)
	if err != nil || !before.found {
		return err
	}
	if err := t.dropEntries(projection, c, before); err != nil {
		return err
	}
	if err := t.dropCounts(projection, c, before.newestFirst); err != nil {
		return err
	}
	if err := t.dropRows(projection, c.id); err != nil {
		return err
	}
	if err := t.dropFound(projection, c, before.entries); err != nil {
		return err
	}
	for _, table := range []string{"restated_answers", "face_resources", "projected_cases"} {
		if _, err := t.exec(`DELETE FROM `+table+` WHERE projection = ? AND case_id = ?`, projection, c.id); err != nil {
			return err
		}
	}
	return nil
}

func (t *tx) casesToClear(id int64) (list []caseRow, err error) {
	rows, err := t.query(`
		SELECT c.id, s.id, c.uid FROM projections AS p JOIN cases AS c ON c.id > p.cursor JOIN sites AS s ON s.site = c.site
		WHERE p.id = ? ORDER BY c.id LIMIT ?`, id, casesPerCall)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var c caseRow
		if err := rows.Scan(&c.id, &c.site, &c.uid); err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, rows.Err()
}
