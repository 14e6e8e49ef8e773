package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/storage"
)

// Lists walk over cases in their order, by an index that has them in it, and read
// the rows of each: a page costs what its cases cost, however many there are. A
// page is read in one transaction and so from one state of the store.

const standingOf = `SELECT id FROM projections WHERE name = ? AND state = 'standing'`

// listing is the list of one site being read.
type listing struct {
	tx               *sql.Tx
	ctx              context.Context
	name             string // of the site
	projection, site int64
	version          int64 // of the projection; 0: a migration left the rows
}

// basis names the projection that rows of the ledger are read from.
func basis(restated bool) string {
	if restated {
		return storage.ProjectionRestated
	}
	return storage.ProjectionLedger
}

// reading reads from one state of the store.
func (s *Store) reading(ctx context.Context, read func(*listing) error) (err error) {
	defer func() { err = classed(err) }()
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // it wrote nothing
	return read(&listing{tx: tx, ctx: ctx})
}

// lists reads the lists of sites from the projection that stands; a site that was never
// written to has no rows.
func (s *Store) lists(ctx context.Context, name string, sites []string, read func([]*listing) error) error {
	return s.reading(ctx, func(one *listing) error {
		all := make([]*listing, len(sites))
		for i, site := range sites {
			l := *one
			l.name = site
			err := l.tx.QueryRowContext(ctx, `SELECT p.id, p.version, coalesce((SELECT id FROM sites WHERE site = ?), 0) FROM projections AS p WHERE p.name = ? AND p.state = 'standing'`,
				site, name).Scan(&l.projection, &l.version, &l.site)
			if errors.Is(err, sql.ErrNoRows) {
				return storage.ErrNotProjected
			}
			if err != nil {
				return err
			}
			all[i] = &l
		}
		return read(all)
	})
}

// list is lists of one site.
func (s *Store) list(ctx context.Context, name, site string, read func(*listing) error) error {
	return s.lists(ctx, name, []string{site}, func(all []*listing) error { return read(all[0]) })
}

// key is the place of a case in the order of lists.
type key struct {
	newestFirst int64
	uid         string
}

// place is where a page ended.
type place struct {
	key
	order int64
}

func (p place) token() string {
	return strconv.FormatInt(p.newestFirst, 10) + ":" + strconv.FormatInt(p.order, 10) + ":" + p.uid
}

func parsePlace(token string) (p place, err error) {
	first, rest, _ := strings.Cut(token, ":")
	second, uid, ok := strings.Cut(rest, ":")
	var bad error
	p.newestFirst, err = strconv.ParseInt(first, 10, 64)
	p.order, bad = strconv.ParseInt(second, 10, 64)
	if err != nil || bad != nil || !ok || uid == "" {
		return p, errForeignToken
	}
	p.uid = uid
	return p, nil
}

// caseFilter narrows the cases of a list.
type caseFilter struct {
	uid          string
	timings      []string
	from, before time.Time
	// having narrows further by the columns of case_counts.
	having string
	// words and groups are what the cases have, one of each list.
	words  []word
	groups [][]storage.Group
}

// period gives the incisions asked for as bounds of newest_first.
func (f *caseFilter) period() (low, high int64) {
	low, high = -latest-1, latest
	if !f.from.IsZero() {
		high = min(^bound(f.from), latest-1)
	}
	if !f.before.IsZero() {
		low, high = ^bound(f.before)+1, min(high, latest-1)
	}
	return low, high
}

// bound gives the end of a range; every time kept lies within the bounds.
func bound(t time.Time) int64 {
	switch {
	case t.Before(storage.MinTime):
		t = storage.MinTime
	case t.After(storage.MaxTime):
		t = storage.MaxTime
	}
	return t.UnixNano()
}

// listed is a case that a list comes to.
type listed struct {
	key
	in         *listing // of its site
	id         int64
	state      string
	planTiming string
}

// mostWords bounds how many places of an index are read side by side.
const mostWords = 100

// keys gives the statement that reads the next cases of a list in its order. It
// walks one index, or several side by side, from the place where it stands.
func (l *listing) keys(f *caseFilter, from key, limit int) (query string, args []any) {
	low, high := f.period()
	const within = ` AND newest_first BETWEEN ? AND ?`
	const behind, behindKey = ` AND (newest_first, uid) >= (?, ?)`, ` AND (newest_first, uid_key) >= (?, ?)`
	bounds, keyBounds := []any{low, high, from.newestFirst, from.uid}, []any{low, high, from.newestFirst, uidKey(from.uid)}
	var parts []string
	switch {
	case f.uid != "":
		return `SELECT d.newest_first, c.uid, c.id, c.state, c.plan_timing
			FROM (SELECT id, uid, state, plan_timing FROM cases WHERE uid = ? AND site = (SELECT site FROM sites WHERE id = ?)) AS c
			JOIN projected_cases AS d ON d.case_id = c.id WHERE projection = ?` + within + behind, append([]any{f.uid, l.site, l.projection}, bounds...)
	case len(f.groups) > 0:
		for _, g := range f.groups[0] {
			parts = append(parts, `SELECT newest_first, uid_key, case_id FROM case_groups WHERE projection = ? AND site = ? AND kind = ? AND word = ?`+within+behindKey)
			args = append(append(args, l.projection, l.site, g.Kind, g.Word), keyBounds...)
		}
	case len(f.words) > 0 && len(f.words) <= mostWords:
		for _, w := range f.words {
			parts = append(parts, `SELECT newest_first, uid_key, case_id FROM comparison_words WHERE projection = ? AND site = ? AND kind = ? AND word = ?`+within+behindKey)
			args = append(append(args, l.projection, l.site, w.kind, w.word), keyBounds...)
		}
	default:
		having := ""
		if f.having != "" {
			having = " AND (" + f.having + ")"
		}
		return `SELECT newest_first, uid, case_id, state, plan_timing FROM case_counts WHERE projection = ? AND site = ?` + within + behind + having +
			` ORDER BY newest_first, uid LIMIT ?`, append(append([]any{l.projection, l.site}, bounds...), limit)
	}
	query = `
		SELECT k.newest_first, c.uid, c.id, c.state, c.plan_timing
		FROM (` + strings.Join(parts, ` UNION `) + ` ORDER BY newest_first, uid_key LIMIT ?) AS k CROSS JOIN cases AS c ON c.id = k.case_id`
	return query, append(args, limit)
}

// walk visits the cases of a filter at all of these sites in the order of lists,
// beginning with from, until visit wants no more. batch is how many are read at once
// of a site.
func walk(all []*listing, f *caseFilter, from key, batch int, visit func(listed) (more bool, err error)) error {
	walkers := make([]*walker, len(all))
	for i, l := range all {
		walkers[i] = &walker{listing: l, filter: f, from: from, batch: batch}
		if err := walkers[i].step(); err != nil {
			return err
		}
	}
	for {
		var first *walker
		for _, w := range walkers {
			if w.at != nil && (first == nil || w.at.before(first.at.key)) {
				first = w
			}
		}
		if first == nil {
			return nil
		}
		if more, err := visit(*first.at); err != nil || !more {
			return err
		}
		if err := first.step(); err != nil {
			return err
		}
	}
}

func (k key) before(other key) bool {
	return k.newestFirst < other.newestFirst || (k.newestFirst == other.newestFirst && k.uid < other.uid)
}

// walker walks over the cases of one site.
type walker struct {
	*listing
	filter *caseFilter
	from   key // where the next batch begins
	batch  int
	cases  []listed // that were read and not come to yet
	whole  bool     // there is nothing behind them
	at     *listed  // nil: the end
}

// step comes to the next case that is wanted.
func (w *walker) step() error {
	for {
		if len(w.cases) == 0 && !w.whole {
			if err := w.read(); err != nil {
				return err
			}
		}
		if len(w.cases) == 0 {
			w.at = nil
			return nil
		}
		w.at, w.cases = &w.cases[0], w.cases[1:]
		if wanted, err := w.wanted(w.filter, *w.at); err != nil || wanted {
			return err
		}
	}
}

func (w *walker) read() error {
	query, args := w.keys(w.filter, w.from, w.batch)
	cases, err := collect(w.listing, query, args, func(row scanner) (c listed, err error) {
		c.in = w.listing
		err = row.Scan(&c.newestFirst, &c.uid, &c.id, &c.state, &c.planTiming)
		return c, err
	})
	if err != nil {
		return err
	}
	w.cases, w.whole = cases, len(cases) < w.batch
	if !w.whole {
		last := cases[len(cases)-1]
		w.from = key{last.newestFirst, last.uid + "\x00"} // the least that comes after it
	}
	return nil
}

// wanted holds a case against what no index has narrowed.
func (l *listing) wanted(f *caseFilter, c listed) (bool, error) {
	if c.state != storage.CaseActive || (len(f.timings) > 0 && !slices.Contains(f.timings, c.planTiming)) {
		return false, nil
	}
	for i, groups := range f.groups {
		if i == 0 && f.uid == "" {
			continue // it was walked
		}
		has := false
		for _, g := range groups {
			var n int
			err := l.tx.QueryRowContext(l.ctx, `SELECT count(*) FROM case_groups WHERE projection = ? AND site = ? AND kind = ? AND word = ? AND newest_first = ? AND uid_key = ?`,
				l.projection, l.site, g.Kind, g.Word, c.newestFirst, uidKey(c.uid)).Scan(&n)
			if err != nil {
				return false, err
			}
			has = has || n > 0
		}
		if !has {
			return false, nil
		}
	}
	return true, nil
}

// collect reads every row of a query.
func collect[T any](l *listing, query string, args []any, scan func(scanner) (T, error)) (list []T, err error) {
	rows, err := l.tx.QueryContext(l.ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, rows.Err()
}

// cases gives the filter of the cases that have such comparisons.
func casesWith(f *storage.ComparisonFilter) caseFilter {
	out := caseFilter{uid: f.CaseUID, timings: f.PlanTimings, from: f.IncisionFrom, before: f.IncisionBefore, groups: byKind(f.Groups)}
	verdicts := f.Verdicts
	if len(verdicts) == 0 {
		verdicts = []int{
			storage.ComparisonPresent, storage.ComparisonIndeterminate, storage.ComparisonNotEvaluable, storage.ComparisonAgrees, storage.ComparisonNotApplicable,
		}
	}
	for _, c := range f.Classes {
		if c == 0 { // none, which no index has
			out.words = nil
			break
		}
		for _, v := range verdicts {
			out.words = append(out.words, classWord(c, v))
		}
	}
	if len(f.Classes) == 0 && !slices.Contains(f.Metrics, 0) {
		for _, m := range f.Metrics {
			out.words = append(out.words, word{wordMetric, int64(m)})
		}
	}
	slices.SortFunc(out.words, func(a, b word) int { return int(a.word - b.word) })
	out.words = slices.Compact(out.words)
	if len(f.Verdicts) > 0 {
		of := ""
		if f.DiscrepanciesOnly {
			of = "classed_"
		}
		columns := []string{
			storage.ComparisonPresent: of + "differing > 0", storage.ComparisonIndeterminate: of + "indeterminate > 0",
			storage.ComparisonNotEvaluable: of + "not_evaluable > 0",
			storage.ComparisonAgrees:       "agreeing > 0", storage.ComparisonNotApplicable: "not_applicable > 0",
		}
		var having []string
		for _, v := range f.Verdicts {
			if v >= storage.ComparisonPresent && v <= storage.ComparisonNotApplicable {
				having = append(having, columns[v])
			}
		}
		out.having = strings.Join(having, " OR ")
	}
	return out
}

// rowsOf gives the conditions on the comparisons of a case, which stand in d.
func rowsOf(f *storage.ComparisonFilter) (where conditions) {
	where.oneOf(`d.kind`, anyOf(f.Kinds))
	where.oneOf(`d.class`, anyOf(f.Classes))
	where.oneOf(`d.metric`, anyOf(f.Metrics))
	where.oneOf(`d.place`, anyOf(f.Places))
	where.oneOf(`d.verdict`, anyOf(f.Verdicts))
	if f.RootsOnly {
		where.add(`d.root`)
	}
	if f.DiscrepanciesOnly {
		where.add(`d.class <> 0`)
	}
	return where
}

func anyOf[T any](values []T) []any {
	list := make([]any, len(values))
	for i, v := range values {
		list[i] = v
	}
	return list
}

// Comparisons lists comparisons.
func (s *Store) Comparisons(ctx context.Context, sites []string, f storage.ComparisonFilter, after string, limit int) (list []storage.CaseComparison, next string, err error) {
	if limit < 1 {
		return nil, "", errNoLimit
	}
	from := place{key: key{newestFirst: -latest - 1}, order: -1}
	if after != "" {
		if from, err = parsePlace(after); err != nil {
			return nil, "", err
		}
	}
	err = s.lists(ctx, basis(f.Restated), sites, func(all []*listing) error {
		where := rowsOf(&f)
		query := `SELECT ` + comparisonColumns + ` FROM comparisons AS d WHERE d.projection = ? AND d.case_id = ? AND d.position > ?`
		if len(where.text) > 0 {
			query += ` AND ` + where.String()
		}
		if len(all) == 0 {
			return nil
		}
		rowsOfCase, err := all[0].tx.PrepareContext(ctx, query+` ORDER BY d.position LIMIT ?`)
		if err != nil {
			return err
		}
		defer func() { _ = rowsOfCase.Close() }()
		cases := casesWith(&f)
		return walk(all, &cases, from.key, limit+1, func(c listed) (more bool, err error) {
			begin := int64(-1 << 62)
			if c.key == from.key {
				begin = from.order
			}
			rows, err := c.in.comparisons(rowsOfCase, append(append([]any{c.in.projection, c.id, begin}, where.args...), limit+1-len(list)))
			if err != nil || len(rows) == 0 {
				return true, err
			}
			shown, err := c.in.shown(c, rows)
			list = append(list, shown...)
			return len(list) <= limit, err
		})
	})
	if err != nil || len(list) <= limit {
		return list, "", err
	}
	last := &list[limit-1]
	return list[:limit], place{key{newestFirst(last.IncisionTime), last.CaseUID}, last.Comparison.Order}.token(), nil
}

func (l *listing) comparisons(query *sql.Stmt, args []any) (list []storage.Comparison, err error) {
	rows, err := query.QueryContext(l.ctx, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var c storage.Comparison
		var made, plannedSteps, actualSteps sql.NullInt64
		var n [9]sql.NullFloat64
		if err := rows.Scan(&c.Order, &c.Kind, &c.Verdict, &c.Class, &c.Metric, &c.Place, &c.Occasion, &c.ThingPlanned, &c.Run, &c.Stage, &c.Method,
			&c.JudgedBy, &c.Owner, &c.Reason, &c.Root, &c.PlanRevised, &c.Complete, &c.FormulaNumber, &c.MetricFormulaNumber, &c.PredictionRole, &made,
			&n[0], &n[1], &n[2], &n[3], &n[4], &n[5], &n[6], &n[7], &plannedSteps, &actualSteps,
			&c.PredictionFormula, &c.Calibration, &n[8]); err != nil {
			return nil, err
		}
		for i, into := range []**float64{&c.Planned, &c.PlannedSD, &c.Actual, &c.ActualSD, &c.Lower, &c.Upper, &c.Tolerance, &c.Margin, &c.Uncalibrated} {
			*into = absentReal(n[i])
		}
		c.PredictionEvaluation, c.PlannedSteps, c.ActualSteps = absentInt(made), absentInt(plannedSteps), absentInt(actualSteps)
		list = append(list, c)
	}
	return list, rows.Err()
}

// shown adds what is shown of a case and of its comparisons beside their numbers.
func (l *listing) shown(c listed, rows []storage.Comparison) ([]storage.CaseComparison, error) {
	var number storage.Identifier
	var incised sql.NullInt64
	var codec int
	var frame blob
	err := l.tx.QueryRowContext(l.ctx, `
		SELECT c.external_system, c.external_value, c.incision_time, t.codec, t.frame
		FROM cases AS c JOIN comparison_texts AS t ON t.projection = ? AND t.case_id = c.id WHERE c.id = ?`, l.projection, c.id).
		Scan(&number.System, &number.Value, &incised, &codec, &frame)
	if err != nil {
		return nil, err
	}
	texts, err := unpackTexts(codec, frame)
	if err != nil {
		return nil, err
	}
	list := make([]storage.CaseComparison, len(rows))
	for i, r := range rows {
		t := texts[r.Order]
		r.ID, r.DiscrepancyID, r.Message = t.id, t.discrepancyID, t.message
		list[i] = storage.CaseComparison{
			Site: l.name, CaseUID: c.uid, ExternalIdentifier: number, IncisionTime: instant(incised), PlanTiming: c.planTiming, Comparison: r,
		}
	}
	return list, nil
}

// CountComparisons counts what that list is drawn from: from the columns of the
// cases, unless the filter tells comparisons apart that these do not.
func (s *Store) CountComparisons(ctx context.Context, site string, f storage.ComparisonFilter) (n storage.ComparisonCounts, err error) {
	err = s.list(ctx, basis(f.Restated), site, func(l *listing) error {
		var cases conditions
		low, high := (&caseFilter{from: f.IncisionFrom, before: f.IncisionBefore}).period()
		cases.add(`c.projection = ? AND c.site = ? AND c.newest_first BETWEEN ? AND ?`, l.projection, l.site, low, high)
		if f.CaseUID != "" {
			cases.add(`c.uid = ?`, f.CaseUID)
		}
		cases.oneOf(`c.plan_timing`, anyOf(f.PlanTimings))
		for _, groups := range byKind(f.Groups) {
			var has conditions
			has.add(`g.projection = ? AND g.site = ? AND g.kind = ?`, l.projection, l.site, groups[0].Kind)
			words := make([]any, len(groups))
			for i, g := range groups {
				words[i] = g.Word
			}
			has.oneOf(`g.word`, words)
			cases.add(`c.case_id IN (SELECT g.case_id FROM case_groups AS g WHERE `+has.String()+`)`, has.args...)
		}
		if n, err = l.countCases(cases, &f); err != nil {
			return err
		}
		if countedByCase(&f) {
			return nil
		}
		return l.countRows(cases, &f, &n)
	})
	return n, err
}

// countedByCase says whether the columns of the cases tell apart what a filter asks
// for.
func countedByCase(f *storage.ComparisonFilter) bool {
	return len(f.Kinds)+len(f.Classes)+len(f.Metrics)+len(f.Places) == 0 &&
		(!f.RootsOnly && !f.DiscrepanciesOnly || !reaches(f.Verdicts, storage.ComparisonAgrees))
}

// reaches says whether a verdict, or one above it, is asked for.
func reaches(verdicts []int, verdict int) bool {
	return len(verdicts) == 0 || slices.Max(verdicts) >= verdict
}

func (l *listing) countCases(cases conditions, f *storage.ComparisonFilter) (n storage.ComparisonCounts, err error) {
	err = l.tx.QueryRowContext(l.ctx, countOfCases(cases, f), cases.args...).Scan(
		&n.OperatedCases, &n.PlannedCases, &n.DifferingCases, &n.IncompleteCases, &n.RetractedCases, &n.RetractedSections,
		&n.Roots, &n.Differing, &n.Indeterminate, &n.NotEvaluable, &n.Agreeing, &n.NotApplicable,
		&n.Things, &n.ThingsAsPlanned, &n.ThingsOtherwise, &n.ThingsCannotBeTold, &n.ThingsNotEvaluable, &n.ThingsNotApplicable)
	return n, err
}

// countOfCases gives the statement that sums the columns of the cases.
func countOfCases(cases conditions, f *storage.ComparisonFilter) string {
	classed := ""
	if f.DiscrepanciesOnly {
		classed = "classed_"
	}
	of := func(verdict int, column, roots string) string {
		switch {
		case len(f.Verdicts) > 0 && !slices.Contains(f.Verdicts, verdict):
			return `0`
		case f.RootsOnly:
			return `coalesce(sum(` + roots + `) FILTER (WHERE active), 0)`
		}
		return `coalesce(sum(` + column + `) FILTER (WHERE active), 0)`
	}
	sum := func(column string) string { return `coalesce(sum(` + column + `) FILTER (WHERE active), 0)` }
	return `
		SELECT count(*) FILTER (WHERE active AND operated), count(*) FILTER (WHERE active AND operated AND planned),
			count(*) FILTER (WHERE active AND operated AND planned AND ` + classed + `differing > 0), count(*) FILTER (WHERE active AND incomplete),
			count(*) FILTER (WHERE state = 'retracted'), ` + strings.Join([]string{
		sum(`retracted_sections`), of(storage.ComparisonPresent, classed+`roots`, classed+`roots`), of(storage.ComparisonPresent, classed+`differing`, classed+`roots`),
		of(storage.ComparisonIndeterminate, classed+`indeterminate`, classed+`indeterminate_roots`),
		of(storage.ComparisonNotEvaluable, classed+`not_evaluable`, classed+`not_evaluable_roots`),
		of(storage.ComparisonAgrees, `agreeing`, `agreeing`), of(storage.ComparisonNotApplicable, `not_applicable`, `not_applicable`),
		sum(`things`), sum(`things_as_planned`), sum(`things_otherwise`), sum(`things_cannot_be_told`), sum(`things_not_evaluable`), sum(`things_not_applicable`),
	}, `, `) + `
		FROM (SELECT c.*, c.state = 'active' AS active, c.plan_timing IN ('` + storage.TimingProspective + `', '` + storage.TimingLateArrival + `') AS planned
			FROM case_counts AS c WHERE ` + cases.String() + `)`
}

// countRows counts the comparisons one by one, of the cases that have a class or a
// metric asked for.
func (l *listing) countRows(cases conditions, f *storage.ComparisonFilter, n *storage.ComparisonCounts) error {
	where := rowsOf(f)
	where.text, where.args = append(cases.text, where.text...), append(slices.Clone(cases.args), where.args...)
	where.add(`c.state = 'active'`)
	if words := casesWith(f).words; len(words) > 0 && f.CaseUID == "" {
		list := make([]any, len(words))
		for i, w := range words {
			list[i] = w.word
		}
		var having conditions
		having.add(`w.projection = ? AND w.site = ? AND w.kind = ?`, l.projection, l.site, words[0].kind)
		having.oneOf(`w.word`, list)
		where.add(`(c.newest_first, c.uid) IN (SELECT w.newest_first, k.uid FROM comparison_words AS w CROSS JOIN cases AS k ON k.id = w.case_id WHERE `+having.String()+`)`, having.args...)
	}
	count := func(verdict string) string { return `count(*) FILTER (WHERE d.verdict = ` + verdict + `)` }
	return l.tx.QueryRowContext(l.ctx, `
		SELECT `+count(`1 AND d.root`)+`, `+count(`1`)+`, `+count(`2`)+`, `+count(`3`)+`, `+count(`4`)+`, `+count(`5`)+`
		FROM case_counts AS c CROSS JOIN comparisons AS d ON d.projection = c.projection AND d.case_id = c.case_id
		WHERE `+where.String(), where.args...).
		Scan(&n.Roots, &n.Differing, &n.Indeterminate, &n.NotEvaluable, &n.Agreeing, &n.NotApplicable)
}

// Facts lists case facts. A case whose facts were not made yet is left out.
func (s *Store) Facts(ctx context.Context, sites []string, f storage.FactsFilter, after string, limit int) (list []storage.CaseFacts, next string, err error) {
	if limit < 1 {
		return nil, "", errNoLimit
	}
	from := place{key: key{newestFirst: -latest - 1}}
	if after != "" {
		if from, err = parsePlace(after); err != nil {
			return nil, "", err
		}
		from.uid += "\x00" // the least that comes after it
	}
	cases := caseFilter{uid: f.CaseUID, timings: f.PlanTimings, from: f.IncisionFrom, before: f.IncisionBefore, groups: byKind(f.Groups)}
	err = s.lists(ctx, basis(f.Restated), sites, func(all []*listing) error {
		if len(all) > 0 && all[0].version == 0 {
			return storage.ErrNotProjected // a migration leaves no facts
		}
		return walk(all, &cases, from.key, limit+1, func(c listed) (more bool, err error) {
			facts, err := c.in.facts(c)
			if errors.Is(err, sql.ErrNoRows) {
				return true, nil
			}
			list = append(list, facts)
			return len(list) <= limit, err
		})
	})
	if err != nil || len(list) <= limit {
		return list, "", err
	}
	last := &list[limit-1]
	return list[:limit], place{key: key{newestFirst(last.IncisionTime), last.CaseUID}}.token(), nil
}

// byKind puts groups of one kind together, in the order in which the kinds come.
func byKind(groups []storage.Group) (list [][]storage.Group) {
	for _, g := range groups {
		i := slices.IndexFunc(list, func(have []storage.Group) bool { return have[0].Kind == g.Kind })
		if i < 0 {
			list = append(list, []storage.Group{g})
		} else if !slices.Contains(list[i], g) {
			list[i] = append(list[i], g)
		}
	}
	return list
}

func (l *listing) facts(c listed) (out storage.CaseFacts, err error) {
	out = storage.CaseFacts{Site: l.name, CaseUID: c.uid, PlanTiming: c.planTiming}
	var incised sql.NullInt64
	var codec int
	var frame blob
	if err := l.tx.QueryRowContext(l.ctx, `
		SELECT c.external_system, c.external_value, c.incision_time, f.case_version, f.evaluation, f.codec, f.frame
		FROM cases AS c JOIN case_facts AS f ON f.projection = ? AND f.case_id = c.id WHERE c.id = ?`, l.projection, c.id).
		Scan(&out.ExternalIdentifier.System, &out.ExternalIdentifier.Value, &incised, &out.Facts.Version, &out.Facts.Evaluation, &codec, &frame); err != nil {
		return out, err
	}
	out.IncisionTime = instant(incised)
	if out.Facts.Message, err = decode(codec, frame, nil); err != nil {
		return out, err
	}
	out.Children, err = collect(l, `SELECT kind, section, position, message FROM case_children WHERE projection = ? AND case_id = ? ORDER BY kind, section, position`,
		[]any{l.projection, c.id}, func(row scanner) (child storage.Child, err error) {
			err = row.Scan(&child.Kind, &child.Section, &child.Order, (*blob)(&child.Message))
			return child, err
		})
	return out, err
}

// Resources gives the resource ids that were handed over of a case.
func (s *Store) Resources(ctx context.Context, site, uid string) (list []storage.Resource, err error) {
	err = s.list(ctx, storage.ProjectionResources, site, func(l *listing) error {
		list, err = collect(l, `
			SELECT r.type, r.id, r.mapping, r.digest, r.first_version, r.last_version, r.state, r.gone
			FROM cases AS c JOIN face_resources AS r ON r.projection = ? AND r.case_id = c.id
			WHERE c.site = ? AND c.uid = ? ORDER BY r.type, r.id`, []any{l.projection, site, uid}, func(row scanner) (r storage.Resource, err error) {
			var id blob
			err = row.Scan(&r.Type, &id, &r.Mapping, (*blob)(&r.Digest), &r.FirstVersion, &r.LastVersion, &r.State, (*blob)(&r.Gone))
			copy(r.ID[:], id)
			return r, err
		})
		return err
	})
	return list, err
}

// CasesByPrefix gives the cases whose resource ids begin with these 48 bits.
func (s *Store) CasesByPrefix(ctx context.Context, site string, prefix int64) (uids []string, err error) {
	// Asked for the order of uids, SQLite would walk over all of them.
	err = s.each(ctx, `SELECT uid FROM cases WHERE site = ? AND id_prefix = ?`, []any{site, prefix}, func(row scanner) error {
		var uid string
		err := row.Scan(&uid)
		uids = append(uids, uid)
		return err
	})
	slices.Sort(uids)
	return uids, err
}
