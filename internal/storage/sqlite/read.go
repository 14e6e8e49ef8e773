package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/storage"
)

// one reads one row; storage.ErrNotFound if there is none.
func (s *Store) one(ctx context.Context, query string, args []any, into ...any) error {
	err := s.read.QueryRowContext(ctx, query, args...).Scan(into...)
	if errors.Is(err, sql.ErrNoRows) {
		return storage.ErrNotFound
	}
	return classed(err)
}

// each reads every row; scan is given the place of each in turn.
func (s *Store) each(ctx context.Context, query string, args []any, scan func(row scanner) error) (err error) {
	defer func() { err = classed(err) }()
	rows, err := s.read.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

type scanner interface{ Scan(into ...any) error }

// conditions are what a WHERE joins by AND.
type conditions struct {
	text []string
	args []any
}

func (c *conditions) add(text string, args ...any) {
	c.text, c.args = append(c.text, text), append(c.args, args...)
}

// oneOf narrows a column to a list; an empty list does not narrow.
func (c *conditions) oneOf(column string, values []any) {
	if len(values) > 0 {
		c.add(column+" IN (?"+strings.Repeat(", ?", len(values)-1)+")", values...)
	}
}

func (c *conditions) String() string { return strings.Join(c.text, " AND ") }

// A position is where a page ended: the key of its last row.

func position(key int64, uid string) string { return strconv.FormatInt(key, 10) + ":" + uid }

func parsePosition(token string) (key int64, uid string, err error) {
	number, uid, ok := strings.Cut(token, ":")
	key, err = strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return 0, "", errForeignToken
	}
	return key, uid, nil
}

var (
	errForeignToken = errors.New("the page token is not one of this listing")
	errNoLimit      = errors.New("a page has at least one row: give a limit from 1")
)

const caseColumns = `c.site, c.uid, c.version, c.state, c.external_system, c.external_value, c.opened_time, c.changed_time,
	c.evaluation, c.incision_time, c.plan_timing, c.merged_into, c.sections, c.erased_time,
	(SELECT json_group_array(json_array(p.system, p.value) ORDER BY p.position) FROM patient_identifiers AS p WHERE p.case_id = c.id)`

// caseScan reads caseColumns.
type caseScan struct {
	c                        storage.Case
	opened, changed, incised sql.NullInt64
	erased                   sql.NullInt64
	sections, patients       string
}

func (r *caseScan) into() []any {
	c := &r.c
	return []any{
		&c.Site, &c.UID, &c.Version, &c.State, &c.ExternalIdentifier.System, &c.ExternalIdentifier.Value, &r.opened, &r.changed,
		&c.Evaluation, &r.incised, &c.PlanTiming, &c.MergedInto, &r.sections, &r.erased, &r.patients,
	}
}

func (r *caseScan) value() (storage.Case, error) {
	r.c.OpenedTime, r.c.ChangedTime, r.c.IncisionTime = instant(r.opened), instant(r.changed), instant(r.incised)
	r.c.ErasedTime = instant(r.erased)
	var patients [][2]string
	if err := errors.Join(json.Unmarshal([]byte(r.sections), &r.c.Sections), json.Unmarshal([]byte(r.patients), &patients)); err != nil {
		return storage.Case{}, fmt.Errorf("a case cannot be read: %w", err)
	}
	for i, p := range patients {
		id := storage.Identifier{System: p[0], Value: p[1]}
		if i == 0 {
			r.c.Patient = id
		} else {
			r.c.FormerPatients = append(r.c.FormerPatients, id)
		}
	}
	return r.c, nil
}

func (s *Store) oneCase(ctx context.Context, where string, args ...any) (storage.Case, error) {
	var r caseScan
	if err := s.one(ctx, `SELECT `+caseColumns+` FROM cases AS c WHERE `+where, args, r.into()...); err != nil {
		return storage.Case{}, err
	}
	return r.value()
}

// Case gives the state of a case by uid.
func (s *Store) Case(ctx context.Context, site, uid string) (storage.Case, error) {
	return s.oneCase(ctx, `c.site = ? AND c.uid = ?`, site, uid)
}

// Erased counts the cases of a site of which only the row is left.
func (s *Store) Erased(ctx context.Context, site string) (n int, err error) {
	err = s.one(ctx, `SELECT count(*) FROM cases WHERE site = ? AND erased_time IS NOT NULL`, []any{site}, &n)
	return n, err
}

// CaseByExternalIdentifier gives the active case that has this case number.
func (s *Store) CaseByExternalIdentifier(ctx context.Context, site string, id storage.Identifier) (storage.Case, error) {
	return s.oneCase(ctx, `c.site = ? AND c.external_system = ? AND c.external_value = ? AND c.state = 'active' AND c.external_value <> ''`,
		site, id.System, id.Value)
}

const severityCount = `(SELECT count(*) FROM findings AS f WHERE f.case_id = c.id AND f.severity = ?)`

// Cases lists cases, newest change first.
func (s *Store) Cases(ctx context.Context, sites []string, f storage.CaseFilter, after string, limit int) (list []storage.CaseRow, next string, err error) {
	err = s.reading(ctx, func(l *listing) error {
		for _, site := range sites {
			query, args, err := casesQuery(site, f, after, limit)
			if err != nil {
				return err
			}
			rows, err := collect(l, query, args, func(row scanner) (out storage.CaseRow, err error) {
				var r caseScan
				if err := row.Scan(append(r.into(), &out.Contradictions, &out.Cautions, &out.Notes, &out.RootCount)...); err != nil {
					return out, err
				}
				out.Case, err = r.value()
				return out, err
			})
			if err != nil {
				return err
			}
			list = append(list, rows...)
		}
		return nil
	})
	slices.SortFunc(list, func(a, b storage.CaseRow) int {
		return cmp.Or(b.ChangedTime.Compare(a.ChangedTime), strings.Compare(a.UID, b.UID))
	})
	if err != nil || len(list) <= limit {
		return list, "", err
	}
	last := list[limit-1]
	return list[:limit], position(last.ChangedTime.UnixNano(), last.UID), nil
}

func casesQuery(site string, f storage.CaseFilter, after string, limit int) (query string, args []any, err error) {
	if limit < 1 {
		return "", nil, errNoLimit
	}
	var where conditions
	where.add(`c.site = ?`, site)
	by := ``
	if id := f.ExternalIdentifier; id != (storage.Identifier{}) {
		// Few have it: asked for their order by an index, SQLite would walk over all.
		by = ` INDEXED BY cases_of_number`
		where.add(`c.external_value = ? AND c.external_system = ? AND c.external_value <> ''`, id.Value, id.System)
	}
	if f.State != "" {
		where.add(`c.state = ?`, f.State)
	}
	if f.DisputedOnly {
		where.add(`c.id IN (SELECT case_id FROM findings WHERE severity = 'contradiction')`)
	}
	if f.AwaitingIncision {
		where.add(`c.plan_timing = '` + storage.TimingNoIncisionTime + `'`)
	}
	if after != "" {
		changed, uid, err := parsePosition(after)
		if err != nil {
			return "", nil, err
		}
		where.add(`c.changed_time <= ? AND (c.changed_time < ? OR c.uid > ?)`, changed, changed, uid)
	}
	query = `SELECT ` + caseColumns + `, ` + severityCount + `, ` + severityCount + `, ` + severityCount + `,
			coalesce((SELECT n.roots FROM case_counts AS n JOIN sites AS s ON s.id = n.site WHERE n.projection = (` + standingOf + `) AND s.site = c.site AND n.newest_first = c.newest_first AND n.uid = c.uid), 0)
		FROM cases AS c` + by + ` WHERE ` + where.String() + `
		ORDER BY c.changed_time DESC, c.uid LIMIT ?`
	args = append([]any{storage.SeverityContradiction, storage.SeverityCaution, storage.SeverityNote, storage.ProjectionLedger}, where.args...)
	return query, append(args, limit+1), nil
}

// Amendments gives every change of identity of a case, oldest first.
func (s *Store) Amendments(ctx context.Context, site, uid string) ([]storage.Amendment, error) {
	var list []storage.Amendment
	err := s.each(ctx, `
		SELECT a.kind, a.caller, a.time, i.content, i.hash, a.case_version
		FROM cases AS c JOIN amendments AS a ON a.case_id = c.id
		LEFT JOIN identifying_parts AS i ON i.case_id = c.id AND i.case_version = a.case_version AND i.part = ? AND i.position = a.position
		WHERE c.site = ? AND c.uid = ? ORDER BY a.case_version, a.position`, []any{partAmendment, site, uid}, func(row scanner) error {
		var a storage.Amendment
		var at sql.NullInt64
		var text reason
		err := row.Scan(&a.Kind, &a.Caller, &at, &text.content, &text.hash, &a.CaseVersion)
		if err == nil && !text.matches() {
			err = fmt.Errorf("the reason of an amendment: %w", storage.ErrDamaged)
		}
		a.Time, a.Reason = instant(at), string(text.content)
		list = append(list, a)
		return err
	})
	return list, err
}

// Confirmations gives every entry on confirmations of a case, oldest first.
func (s *Store) Confirmations(ctx context.Context, site, uid string) ([]storage.Confirmation, error) {
	var list []storage.Confirmation
	err := s.each(ctx, `
		SELECT f.finding_id, f.rule, f.kind, f.caller, f.time, i.content, i.hash, f.case_version
		FROM cases AS c JOIN confirmations AS f ON f.case_id = c.id
		LEFT JOIN identifying_parts AS i ON i.case_id = c.id AND i.case_version = f.case_version AND i.part = ? AND i.position = f.position
		WHERE c.site = ? AND c.uid = ?
		ORDER BY f.case_version, f.position`, []any{partConfirmation, site, uid}, func(row scanner) error {
		var c storage.Confirmation
		var at sql.NullInt64
		var text reason
		err := row.Scan(&c.FindingID, &c.Rule, &c.Kind, &c.Caller, &at, &text.content, &text.hash, &c.CaseVersion)
		if err == nil && !text.matches() {
			err = fmt.Errorf("the reason of a confirmation: %w", storage.ErrDamaged)
		}
		c.Time, c.Reason = instant(at), string(text.content)
		list = append(list, c)
		return err
	})
	return list, err
}

// Changes gives changes with a number above after, oldest first.
func (s *Store) Changes(ctx context.Context, site string, after int64, limit int) ([]storage.Change, error) {
	if limit < 1 {
		return nil, errNoLimit
	}
	var list []storage.Change
	err := s.each(ctx, `
		SELECT number, kind, case_uid, case_version, section, revision, state, reason, time, quarantine_id, finding_id
		FROM changes WHERE site = ? AND number > ?
		ORDER BY number LIMIT ?`, []any{site, after, limit}, func(row scanner) error {
		var c storage.Change
		var at sql.NullInt64
		err := row.Scan(&c.Number, &c.Kind, &c.CaseUID, &c.CaseVersion, &c.Section, &c.Revision, &c.State, &c.Reason, &at, &c.QuarantineID, &c.FindingID)
		c.Time = instant(at)
		list = append(list, c)
		return err
	})
	return list, err
}

// Request gives the row of an earlier request.
func (s *Store) Request(ctx context.Context, caller, site, method, requestID string) (storage.Request, error) {
	r := storage.Request{Caller: caller, Site: site, Method: method, RequestID: requestID}
	var at sql.NullInt64
	err := s.one(ctx, `
		SELECT content_hash, case_uid, case_version, evaluation, quarantine_id, time, receipt
		FROM requests WHERE site = ? AND caller = ? AND method = ? AND request_id = ?`, []any{site, caller, method, requestID},
		(*blob)(&r.ContentHash), &r.CaseUID, &r.CaseVersion, &r.Evaluation, &r.QuarantineID, &at, (*blob)(&r.Receipt))
	if err != nil {
		return storage.Request{}, err
	}
	r.Time = instant(at)
	return r, nil
}

// quarantineColumns are those of which the list is made.
const quarantineColumns = `q.quarantine_id, q.case_uid, q.case_version, q.sections, q.received_time, q.caller, q.state, q.decided_time, q.decided_caller`

type quarantineScan struct {
	out               storage.Quarantined
	sections          string
	received, decided sql.NullInt64
}

func (q *quarantineScan) into() []any {
	return []any{&q.out.ID, &q.out.CaseUID, &q.out.CaseVersion, &q.sections, &q.received, &q.out.Caller, &q.out.State, &q.decided, &q.out.DecidedCaller}
}

func (q *quarantineScan) value() storage.Quarantined {
	if q.sections != "" {
		q.out.Sections = strings.Split(q.sections, "\n")
	}
	q.out.ReceivedTime, q.out.DecidedTime = instant(q.received), instant(q.decided)
	return q.out
}

func (s *Store) quarantined(ctx context.Context, where string, args ...any) (storage.Quarantined, error) {
	var q quarantineScan
	err := s.one(ctx, `
		SELECT `+quarantineColumns+`, p.body, coalesce(p.decision, ''), q.hash
		FROM quarantine AS q LEFT JOIN quarantine_parts AS p ON p.quarantine = q.id
		WHERE `+where, args,
		append(q.into(), (*blob)(&q.out.Body), &q.out.Decision, (*blob)(&q.out.Hash))...)
	if err != nil {
		return storage.Quarantined{}, err
	}
	return q.value(), nil
}

// QuarantinedPage lists quarantined submits of a state.
func (s *Store) QuarantinedPage(ctx context.Context, site string, f storage.QuarantineFilter, after string, limit int) (list []storage.Quarantined, next string, err error) {
	if limit < 1 {
		return nil, "", errNoLimit
	}
	query, args, err := quarantinePage(site, f, after, limit+1)
	if err != nil {
		return nil, "", err
	}
	err = s.each(ctx, query, args, func(row scanner) error {
		var q quarantineScan
		err := row.Scan(q.into()...)
		list = append(list, q.value())
		return err
	})
	if err != nil || len(list) <= limit {
		return list, "", err
	}
	last := list[limit-1]
	return list[:limit], position(last.ReceivedTime.UnixNano(), last.ID), nil
}

// quarantinePage gives the statement of a page. A submit always has the time at which
// it came.
func quarantinePage(site string, f storage.QuarantineFilter, after string, limit int) (query string, args []any, err error) {
	var where conditions
	where.add(`q.site = ? AND q.state = ?`, site, f.State)
	if f.CaseUID != "" {
		where.add(`q.case_uid = ? AND q.case_uid <> ''`, f.CaseUID)
	}
	if after != "" {
		received, id, err := parsePosition(after)
		if err != nil {
			return "", nil, err
		}
		where.add(`q.received_time <= ? AND (q.received_time < ? OR q.quarantine_id > ?)`, received, received, id)
	}
	return `SELECT ` + quarantineColumns + ` FROM quarantine AS q WHERE ` + where.String() + ` ORDER BY q.received_time DESC, q.quarantine_id LIMIT ?`,
		append(where.args, limit), nil
}

// Quarantined gives a quarantined submit.
func (s *Store) Quarantined(ctx context.Context, site, id string) (storage.Quarantined, error) {
	return s.quarantined(ctx, `q.site = ? AND q.quarantine_id = ?`, site, id)
}

// QuarantinedByHash gives the open quarantined submit with this hash.
func (s *Store) QuarantinedByHash(ctx context.Context, site string, hash []byte) (storage.Quarantined, error) {
	return s.quarantined(ctx, `q.site = ? AND q.hash = ? AND q.state = 'open'`, site, bytes(hash))
}

// Policy gives a policy's text.
func (s *Store) Policy(ctx context.Context, site, hash string) (storage.Policy, error) {
	p := storage.Policy{Hash: hash}
	var first sql.NullInt64
	err := s.one(ctx, `SELECT version, first_used, text FROM policies WHERE site = ? AND hash = ?`, []any{site, hash}, &p.Version, &first, &p.Text)
	if err != nil {
		return storage.Policy{}, err
	}
	p.FirstUsed = instant(first)
	return p, nil
}
