package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"trigone/internal/storage"
)

const caseColumns = `site, uid, version, state, external_system, external_value, opened, changed, evaluation, incision, plan_timing, merged_into`

func scanCase(row interface{ Scan(...any) error }, more ...any) (storage.Case, error) {
	var c storage.Case
	var opened, changed, incision sql.NullInt64
	err := row.Scan(append([]any{
		&c.Site, &c.UID, &c.Version, &c.State, &c.ExternalIdentifier.System, &c.ExternalIdentifier.Value,
		&opened, &changed, &c.Evaluation, &incision, &c.PlanTiming, &c.MergedInto,
	}, more...)...)
	c.OpenedTime, c.ChangedTime, c.IncisionTime = instant(opened), instant(changed), instant(incision)
	return c, err
}

// Case gives the state of a case by uid.
func (s *Store) Case(ctx context.Context, site, uid string) (storage.Case, error) {
	return s.oneCase(ctx, `SELECT `+caseColumns+` FROM cases WHERE site = ? AND uid = ?`, site, uid)
}

// CaseByExternalIdentifier gives the active case that has this case number.
func (s *Store) CaseByExternalIdentifier(ctx context.Context, site string, id storage.Identifier) (storage.Case, error) {
	return s.oneCase(ctx, `SELECT `+caseColumns+` FROM cases WHERE site = ? AND external_system = ? AND external_value = ? AND external_value <> '' AND state = 'active'`,
		site, id.System, id.Value)
}

// oneCase reads a case with its identity and sections from one state of the
// store.
func (s *Store) oneCase(ctx context.Context, query string, args ...any) (c storage.Case, err error) {
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		if c, err = scanCase(tx.QueryRowContext(ctx, query, args...)); err != nil {
			return notFound(err)
		}
		return fill(ctx, tx, &c)
	})
	return c, err
}

func (s *Store) snapshot(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	err = do(tx)
	if end := tx.Rollback(); err == nil && !errors.Is(end, sql.ErrTxDone) {
		err = end
	}
	return err
}

func fill(ctx context.Context, tx *sql.Tx, c *storage.Case) error {
	err := each(ctx, tx, `SELECT place, system, value FROM identities WHERE site = ? AND uid = ? ORDER BY place`, func(rows *sql.Rows) error {
		var place int
		var id storage.Identifier
		if err := rows.Scan(&place, &id.System, &id.Value); err != nil {
			return err
		}
		if place == 0 {
			c.Patient = id
		} else {
			c.FormerPatients = append(c.FormerPatients, id)
		}
		return nil
	}, c.Site, c.UID)
	if err != nil {
		return err
	}
	return each(ctx, tx, `SELECT section, head, state, place FROM sections WHERE site = ? AND uid = ? ORDER BY place`, func(rows *sql.Rows) error {
		var sec storage.Section
		if err := rows.Scan(&sec.Section, &sec.Head, &sec.State, &sec.Order); err != nil {
			return err
		}
		c.Sections = append(c.Sections, sec)
		return nil
	}, c.Site, c.UID)
}

type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func each(ctx context.Context, db querier, query string, row func(*sql.Rows) error, args ...any) (err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// casePosition is where a page of cases ended.
type casePosition struct {
	Changed int64  `json:"c"`
	UID     string `json:"u"`
}

// Cases lists cases by changed time, newest first, then uid.
func (s *Store) Cases(ctx context.Context, site string, f storage.CaseFilter, after string, limit int) (list []storage.CaseRow, next string, err error) {
	where, args := []string{"site = ?"}, []any{site}
	if f.State != "" {
		where, args = append(where, "state = ?"), append(args, f.State)
	}
	if f.DisputedOnly {
		where = append(where, "EXISTS (SELECT 1 FROM findings AS f WHERE f.site = cases.site AND f.uid = cases.uid AND f.severity = 'contradiction')")
	}
	if after != "" {
		var p casePosition
		if err := json.Unmarshal([]byte(after), &p); err != nil {
			return nil, "", fmt.Errorf("position of a page of cases: %w", err)
		}
		where, args = append(where, "(coalesce(changed, 0) < ? OR (coalesce(changed, 0) = ? AND uid > ?))"), append(args, p.Changed, p.Changed, p.UID)
	}
	count := func(severity string) string {
		return `(SELECT count(*) FROM findings AS f WHERE f.site = cases.site AND f.uid = cases.uid AND f.severity = '` + severity + `')`
	}
	query := `SELECT ` + caseColumns + `, coalesce(changed, 0), ` + count("contradiction") + `, ` + count("caution") + `, ` + count("note") + `,
		(SELECT count(*) FROM discrepancies AS d WHERE d.site = cases.site AND d.uid = cases.uid AND d.root AND d.verdict = 'present')
		FROM cases WHERE ` + strings.Join(where, " AND ") + ` ORDER BY coalesce(changed, 0) DESC, uid LIMIT ?`
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		var p casePosition
		if err := each(ctx, tx, query, func(rows *sql.Rows) error {
			if len(list) == limit {
				text, err := json.Marshal(p)
				next = string(text)
				return err
			}
			var r storage.CaseRow
			var changed int64
			c, err := scanCase(rows, &changed, &r.Contradictions, &r.Cautions, &r.Notes, &r.RootCount)
			if err != nil {
				return err
			}
			r.Case = c
			p = casePosition{Changed: changed, UID: c.UID}
			list = append(list, r)
			return nil
		}, append(args, limit+1)...); err != nil {
			return err
		}
		for i := range list {
			if err := fill(ctx, tx, &list[i].Case); err != nil {
				return err
			}
		}
		return nil
	})
	return list, next, err
}

// Revisions gives every revision of a case in the order of storing.
func (s *Store) Revisions(ctx context.Context, site, uid string) (list []storage.Revision, err error) {
	err = each(ctx, s.read, `SELECT section, revision, content, received, source, caller, retraction, retraction_reason, retraction_text, case_version
		FROM revisions WHERE site = ? AND uid = ? ORDER BY number`, func(rows *sql.Rows) error {
		var r storage.Revision
		var received, source sql.NullInt64
		if err := rows.Scan(&r.Section, &r.Revision, &r.Content, &received, &source, &r.Caller, &r.Retraction, &r.RetractionReason, &r.RetractionText, &r.CaseVersion); err != nil {
			return err
		}
		r.ReceivedTime, r.SourceTime = instant(received), instant(source)
		list = append(list, r)
		return nil
	}, site, uid)
	return list, err
}

const evaluationColumns = `number, case_version, time, catalogue_version, rule_set_version, policy_hash, calibration_id, software_version, plan_revision, outcome_seen, answer, metrics`

func scanEvaluation(row interface{ Scan(...any) error }) (storage.Evaluation, error) {
	var e storage.Evaluation
	var at sql.NullInt64
	err := row.Scan(&e.Number, &e.CaseVersion, &at, &e.CatalogueVersion, &e.RuleSetVersion, &e.PolicyHash, &e.CalibrationID,
		&e.SoftwareVersion, &e.PlanRevision, &e.OutcomeSeen, &e.Answer, &e.Metrics)
	e.Time = instant(at)
	return e, err
}

// Evaluations gives every evaluation of a case, oldest first.
func (s *Store) Evaluations(ctx context.Context, site, uid string) (list []storage.Evaluation, err error) {
	err = each(ctx, s.read, `SELECT `+evaluationColumns+` FROM evaluations WHERE site = ? AND uid = ? ORDER BY number`, func(rows *sql.Rows) error {
		e, err := scanEvaluation(rows)
		list = append(list, e)
		return err
	}, site, uid)
	return list, err
}

// Evaluation gives one evaluation.
func (s *Store) Evaluation(ctx context.Context, site, uid string, number int64) (storage.Evaluation, error) {
	e, err := scanEvaluation(s.read.QueryRowContext(ctx, `SELECT `+evaluationColumns+` FROM evaluations WHERE site = ? AND uid = ? AND number = ?`, site, uid, number))
	return e, notFound(err)
}

// Changes gives changes with a number above after, oldest first.
func (s *Store) Changes(ctx context.Context, site string, after int64, limit int) (list []storage.Change, err error) {
	err = each(ctx, s.read, `SELECT number, kind, uid, case_version, section, revision, state, reason, time, quarantine_id
		FROM changes WHERE site = ? AND number > ? ORDER BY number LIMIT ?`, func(rows *sql.Rows) error {
		var c storage.Change
		var at sql.NullInt64
		if err := rows.Scan(&c.Number, &c.Kind, &c.CaseUID, &c.CaseVersion, &c.Section, &c.Revision, &c.State, &c.Reason, &at, &c.QuarantineID); err != nil {
			return err
		}
		c.Time = instant(at)
		list = append(list, c)
		return nil
	}, site, after, limit)
	return list, err
}

// caseConditions are the filters that narrow cases.
func caseConditions(site string, f storage.DiscrepancyFilter) ([]string, []any) {
	where, args := []string{"c.site = ?"}, []any{site}
	add := func(condition string, arg any) { where, args = append(where, condition), append(args, arg) }
	if f.CaseUID != "" {
		add("c.uid = ?", f.CaseUID)
	}
	if !f.IncisionFrom.IsZero() {
		add("c.incision >= ?", f.IncisionFrom.UnixNano())
	}
	if !f.IncisionBefore.IsZero() {
		add("c.incision < ?", f.IncisionBefore.UnixNano())
	}
	if len(f.PlanTimings) > 0 {
		condition, in := oneOf("c.plan_timing", f.PlanTimings)
		where, args = append(where, condition), append(args, in...)
	}
	return where, args
}

// rowConditions are the filters that narrow discrepancies within cases.
func rowConditions(f storage.DiscrepancyFilter) (where []string, args []any) {
	for column, values := range map[string][]string{"d.class": f.Classes, "d.verdict": f.Verdicts} {
		if len(values) > 0 {
			condition, in := oneOf(column, values)
			where, args = append(where, condition), append(args, in...)
		}
	}
	if f.RootsOnly {
		where = append(where, "d.root")
	}
	return where, args
}

func oneOf(column string, values []string) (string, []any) {
	args := make([]any, len(values))
	for i, v := range values {
		args[i] = v
	}
	return column + " IN (?" + strings.Repeat(", ?", len(values)-1) + ")", args
}

// discrepancyPosition is where a page of discrepancies ended.
type discrepancyPosition struct {
	System string `json:"s"`
	Value  string `json:"v"`
	UID    string `json:"u"`
	Order  int64  `json:"o"`
}

// Discrepancies lists rows by case number, then order.
func (s *Store) Discrepancies(ctx context.Context, site string, f storage.DiscrepancyFilter, after string, limit int) (list []storage.CaseDiscrepancy, next string, err error) {
	where, args := caseConditions(site, f)
	rowWhere, rowArgs := rowConditions(f)
	where, args = append(append(where, "c.state = 'active'"), rowWhere...), append(args, rowArgs...)
	if after != "" {
		var p discrepancyPosition
		if err := json.Unmarshal([]byte(after), &p); err != nil {
			return nil, "", fmt.Errorf("position of a page of discrepancies: %w", err)
		}
		where = append(where, "(c.external_system, c.external_value, c.uid, d.place_no) > (?, ?, ?, ?)")
		args = append(args, p.System, p.Value, p.UID, p.Order)
	}
	var p discrepancyPosition
	err = each(ctx, s.read, `SELECT c.uid, c.external_system, c.external_value, c.incision, c.plan_timing, d.id, d.class, d.verdict, d.root, d.place_no, d.body
		FROM discrepancies AS d JOIN cases AS c ON c.site = d.site AND c.uid = d.uid WHERE `+strings.Join(where, " AND ")+`
		ORDER BY c.external_system, c.external_value, c.uid, d.place_no LIMIT ?`, func(rows *sql.Rows) error {
		if len(list) == limit {
			text, err := json.Marshal(p)
			next = string(text)
			return err
		}
		var r storage.CaseDiscrepancy
		var incision sql.NullInt64
		d := &r.Discrepancy
		if err := rows.Scan(&r.CaseUID, &r.ExternalIdentifier.System, &r.ExternalIdentifier.Value, &incision, &r.PlanTiming,
			&d.ID, &d.Class, &d.Verdict, &d.Root, &d.Order, &d.Row); err != nil {
			return err
		}
		r.IncisionTime = instant(incision)
		p = discrepancyPosition{System: r.ExternalIdentifier.System, Value: r.ExternalIdentifier.Value, UID: r.CaseUID, Order: d.Order}
		list = append(list, r)
		return nil
	}, append(args, limit+1)...)
	return list, next, err
}

// CountDiscrepancies counts what that list is drawn from.
func (s *Store) CountDiscrepancies(ctx context.Context, site string, f storage.DiscrepancyFilter) (n storage.DiscrepancyCounts, err error) {
	where, args := caseConditions(site, f)
	rowWhere, rowArgs := rowConditions(f)
	cases := strings.Join(where, " AND ")
	active := cases + " AND c.state = 'active'"
	planned := "c.plan_timing IN ('prospective', 'late_arrival')"
	rows := strings.Join(append([]string{active}, rowWhere...), " AND ")
	err = s.snapshot(ctx, func(tx *sql.Tx) error {
		one := func(into *int, query string, args ...any) error {
			return tx.QueryRowContext(ctx, query, args...).Scan(into)
		}
		joined := `SELECT count(*) FROM discrepancies AS d JOIN cases AS c ON c.site = d.site AND c.uid = d.uid WHERE `
		return errors.Join(
			one(&n.OperatedCases, `SELECT count(*) FROM cases AS c WHERE `+active+` AND c.outcome_seen`, args...),
			one(&n.PlannedCases, `SELECT count(*) FROM cases AS c WHERE `+active+` AND c.outcome_seen AND `+planned, args...),
			one(&n.DifferingCases, `SELECT count(*) FROM cases AS c WHERE `+active+` AND c.outcome_seen AND `+planned+`
				AND EXISTS (SELECT 1 FROM discrepancies AS d WHERE d.site = c.site AND d.uid = c.uid AND d.verdict = 'present')`, args...),
			one(&n.RetractedCases, `SELECT count(*) FROM cases AS c WHERE `+cases+` AND c.state = 'retracted'`, args...),
			one(&n.RetractedSections, `SELECT count(*) FROM sections AS s JOIN cases AS c ON c.site = s.site AND c.uid = s.uid WHERE `+active+` AND s.state = 'retracted'`, args...),
			one(&n.Roots, joined+rows+` AND d.root AND d.verdict = 'present'`, append(args, rowArgs...)...),
			one(&n.Indeterminate, joined+rows+` AND d.verdict = 'indeterminate'`, append(args, rowArgs...)...),
			one(&n.NotEvaluable, joined+rows+` AND d.verdict = 'not_evaluable'`, append(args, rowArgs...)...),
		)
	})
	return n, err
}

// Request gives the row of an earlier request.
func (s *Store) Request(ctx context.Context, caller, site, method, requestID string) (storage.Request, error) {
	var r storage.Request
	var at sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT caller, site, method, request_id, content_hash, uid, case_version, evaluation, quarantine_id, receipt, time
		FROM requests WHERE caller = ? AND site = ? AND method = ? AND request_id = ?`, caller, site, method, requestID).Scan(
		&r.Caller, &r.Site, &r.Method, &r.RequestID, &r.ContentHash, &r.CaseUID, &r.CaseVersion, &r.Evaluation, &r.QuarantineID, &r.Receipt, &at)
	r.Time = instant(at)
	return r, notFound(err)
}

const quarantineColumns = `id, uid, body, received, caller, state, decision, hash`

func scanQuarantined(row *sql.Row) (storage.Quarantined, error) {
	var q storage.Quarantined
	var received sql.NullInt64
	err := row.Scan(&q.ID, &q.CaseUID, &q.Body, &received, &q.Caller, &q.State, &q.Decision, &q.Hash)
	q.ReceivedTime = instant(received)
	return q, notFound(err)
}

// Quarantined gives a quarantined submit.
func (s *Store) Quarantined(ctx context.Context, site, id string) (storage.Quarantined, error) {
	return scanQuarantined(s.read.QueryRowContext(ctx, `SELECT `+quarantineColumns+` FROM quarantine WHERE site = ? AND id = ?`, site, id))
}

// QuarantinedByHash gives the open quarantined submit with this hash.
func (s *Store) QuarantinedByHash(ctx context.Context, site string, hash []byte) (storage.Quarantined, error) {
	return scanQuarantined(s.read.QueryRowContext(ctx, `SELECT `+quarantineColumns+` FROM quarantine WHERE site = ? AND hash = ? AND state = 'open' ORDER BY received, id LIMIT 1`, site, hash))
}

// Policy gives a policy's text.
func (s *Store) Policy(ctx context.Context, site, hash string) (storage.Policy, error) {
	var p storage.Policy
	var at sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT hash, version, text, first_used FROM policies WHERE site = ? AND hash = ?`, site, hash).Scan(&p.Hash, &p.Version, &p.Text, &at)
	p.FirstUsed = instant(at)
	return p, notFound(err)
}
