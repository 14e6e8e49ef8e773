package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/storage"
)

// prepared is what a write needs beside itself, made before its turn.
type prepared struct {
	answer    answer
	metrics   frame
	revisions []frame
	rows      []packed
}

// frame is content as it lies in a row.
type frame struct {
	codec   int
	content []byte // nil: there is none
}

// framed packs content without a base; nil stays nil.
func framed(content []byte) (f frame, err error) {
	if len(content) == 0 {
		return frame{content: content}, nil
	}
	f.codec, f.content, err = encode(content, nil)
	return f, err
}

// prepare packs the answer and the rows of a write. The answer it is packed against
// is that of the version the write expects, or the write is stale.
func (s *Store) prepare(ctx context.Context, site string, w *storage.Write) (p prepared, err error) {
	var before []link
	if w.Evaluation != nil && w.Expected > 0 {
		if before, err = s.chain(ctx, answerNewest, site, w.Case.UID); err != nil {
			return p, fmt.Errorf("the answer before cannot be read: %w", err)
		}
	}
	return packWrite(w, before)
}

// packWrite packs a write whose answer follows those of a chain, newest first.
func packWrite(w *storage.Write, before []link) (p prepared, err error) {
	if e := w.Evaluation; e != nil {
		if p.answer, err = packAnswer(e.Answer, before); err != nil {
			return p, fmt.Errorf("the answer cannot be packed: %w", err)
		}
		if p.metrics, err = framed(e.Metrics); err != nil {
			return p, fmt.Errorf("the values cannot be packed: %w", err)
		}
	}
	p.revisions = make([]frame, len(w.Revisions))
	for i := range w.Revisions {
		if p.revisions[i], err = framed(w.Revisions[i].Content); err != nil {
			return p, fmt.Errorf("a revision cannot be packed: %w", err)
		}
	}
	p.rows = make([]packed, len(w.Projected))
	for i := range w.Projected {
		if p.rows[i], err = packRows(&w.Projected[i]); err != nil {
			return p, fmt.Errorf("rows cannot be packed: %w", err)
		}
	}
	return p, nil
}

// append makes one write inside the writer's transaction. The order of its parts
// is the order of errors that storage.Store.Append promises. The counter of the
// site's changes is taken last.
func (t *tx) append(site string, w storage.Write, ready prepared) error {
	if w.Request != nil {
		if err := t.addRequest(site, w.Request); err != nil {
			return err
		}
	}
	if w.Case != nil {
		row, err := t.putCase(site, w.Expected, w.Case)
		if err != nil {
			return err
		}
		id := row.id
		if err := t.project(row, ready.rows); err != nil {
			return err
		}
		if err := t.putPatients(id, w.Expected == 0, w.Case); err != nil {
			return fmt.Errorf("patient identifiers cannot be written: %w", err)
		}
		if err := t.addRevisions(id, w.Case.Version, w.Revisions, ready.revisions); err != nil {
			return fmt.Errorf("a revision cannot be written: %w", err)
		}
		if err := t.addConfirmations(id, w.Case.Version, w.Confirmations); err != nil {
			return fmt.Errorf("a confirmation cannot be written: %w", err)
		}
		if err := t.addAmendments(id, w.Case.Version, w.Amendments); err != nil {
			return fmt.Errorf("an amendment cannot be written: %w", err)
		}
		if w.Evaluation != nil {
			if err := t.addEvaluation(id, &w, ready); err != nil {
				return fmt.Errorf("the evaluation cannot be written: %w", err)
			}
		}
		if w.Erase != storage.EraseNothing {
			discarded, err := t.erase(site, row, &w)
			if err != nil {
				return fmt.Errorf("the case cannot be erased: %w", err)
			}
			w.Changes = append(slices.Clip(w.Changes), discarded...)
		}
	}
	if w.Policy != nil {
		if err := t.addPolicy(site, w.Policy); err != nil {
			return fmt.Errorf("the policy cannot be written: %w", err)
		}
	}
	if w.Quarantined != nil {
		if err := t.putQuarantined(site, w.Quarantined); err != nil {
			return err
		}
	}
	if w.Mark != storage.Unmarked {
		if err := t.keepMark(w.Mark); err != nil {
			return err
		}
	}
	if w.Access != nil {
		if err := t.addAccesses([]storage.Access{*w.Access}); err != nil {
			return fmt.Errorf("the access record cannot be written: %w", err)
		}
	}
	if len(w.Changes) > 0 {
		if err := t.addChanges(site, w.Changes); err != nil {
			return fmt.Errorf("changes cannot be written: %w", err)
		}
	}
	return nil
}

// keepMark gives a store its mark, or holds against the one it has.
func (t *tx) keepMark(m storage.Mark) error {
	same, err := t.number(`SELECT mark = ? FROM store WHERE mark <> ''`, string(m))
	switch {
	case errors.Is(err, sql.ErrNoRows):
		_, err = t.exec(`UPDATE store SET mark = ?`, string(m))
	case err == nil && same == 0:
		return storage.ErrOtherMark
	}
	if err != nil {
		return fmt.Errorf("the mark of the store cannot be written: %w", err)
	}
	return nil
}

func (t *tx) addRequest(site string, r *storage.Request) error {
	added, err := t.affected(`
		INSERT INTO requests (site, caller, method, request_id, content_hash, case_uid, case_version, evaluation, quarantine_id, time, receipt)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (site, caller, method, request_id) DO NOTHING`,
		site, r.Caller, r.Method, r.RequestID, bytes(r.ContentHash), r.CaseUID, r.CaseVersion, r.Evaluation, r.QuarantineID, nanos(r.Time), bytes(r.Receipt))
	if err != nil {
		return fmt.Errorf("the request cannot be written: %w", err)
	}
	if !added {
		return storage.ErrRequestExists
	}
	return nil
}

// latest is newest_first of a case without incision time.
const latest = math.MaxInt64

// newestFirst orders times, the newest first.
func newestFirst(incision time.Time) int64 {
	if incision.IsZero() {
		return latest
	}
	return min(^incision.UnixNano(), latest-1)
}

// putCase writes the state of the case if it has the version expected, and gives
// its row.
func (t *tx) putCase(site string, expected int64, c *storage.Case) (row caseRow, err error) {
	sections, err := json.Marshal(c.Sections)
	if err != nil {
		return row, fmt.Errorf("the sections cannot be written: %w", err)
	}
	row = caseRow{uid: c.UID, state: c.State, planTiming: c.PlanTiming, newestFirst: newestFirst(c.IncisionTime)}
	for _, s := range c.Sections {
		switch {
		case s.State == storage.SectionRetracted:
			row.retractedSections++
		case s.Section == storage.OperationSection:
			row.operated = true
		}
	}
	if row.site, err = t.site(site); err != nil {
		return row, fmt.Errorf("the site cannot be written: %w", err)
	}
	args := []any{
		site, c.UID, c.Version, c.State, c.ExternalIdentifier.System, c.ExternalIdentifier.Value, nanos(c.OpenedTime), nanos(c.ChangedTime),
		c.Evaluation, nanos(c.IncisionTime), c.PlanTiming, c.MergedInto, string(sections), row.operated, row.retractedSections, row.newestFirst,
	}
	if expected == 0 {
		row.id, err = t.number(`
			INSERT INTO cases (site, uid, version, state, external_system, external_value, opened_time, changed_time,
				evaluation, incision_time, plan_timing, merged_into, sections, operated, retracted_sections, newest_first)
			SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16
			WHERE NOT EXISTS (SELECT 1 FROM cases WHERE site = ?1 AND uid = ?2)
			RETURNING id`, args...)
	} else {
		args = append(args, expected)
		// Most writes leave the columns alone that indexes are made of: then those
		// pages are not written either.
		row.id, err = t.number(`
			UPDATE cases SET version = ?3, opened_time = ?7, changed_time = ?8, evaluation = ?9, incision_time = ?10, plan_timing = ?11,
				merged_into = ?12, sections = ?13, operated = ?14, retracted_sections = ?15, newest_first = ?16
			WHERE site = ?1 AND uid = ?2 AND version = ?17 AND state = ?4 AND external_system = ?5 AND external_value = ?6
			RETURNING id`, args...)
		if errors.Is(err, sql.ErrNoRows) {
			row.id, err = t.number(`
				UPDATE cases SET version = ?3, state = ?4, external_system = ?5, external_value = ?6, opened_time = ?7, changed_time = ?8,
					evaluation = ?9, incision_time = ?10, plan_timing = ?11, merged_into = ?12, sections = ?13, operated = ?14,
					retracted_sections = ?15, newest_first = ?16
				WHERE site = ?1 AND uid = ?2 AND version = ?17
				RETURNING id`, args...)
		}
	}
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return row, storage.ErrStale
	case isTaken(err):
		return row, storage.ErrExternalIdentifierTaken
	case err != nil:
		return row, fmt.Errorf("the case cannot be written: %w", err)
	}
	return row, nil
}

// site gives the row of a site, which is made with the first write.
func (t *tx) site(site string) (id int64, err error) {
	id, err = t.number(`SELECT id FROM sites WHERE site = ?`, site)
	if errors.Is(err, sql.ErrNoRows) {
		return t.number(`INSERT INTO sites (site, last_change) VALUES (?, 0) RETURNING id`, site)
	}
	return id, err
}

// putPatients writes the identifiers if they differ from those that stand, so
// that a clinical write leaves identity alone.
func (t *tx) putPatients(caseID int64, opens bool, c *storage.Case) error {
	wanted := append([]storage.Identifier{c.Patient}, c.FormerPatients...)
	if !opens {
		stand, err := t.patients(caseID)
		if err != nil {
			return err
		}
		if slices.Equal(stand, wanted) {
			return nil
		}
		if _, err := t.exec(`DELETE FROM patient_identifiers WHERE case_id = ?`, caseID); err != nil {
			return err
		}
	}
	var values []any
	for position, p := range wanted {
		values = append(values, caseID, position, p.System, p.Value)
	}
	return t.insert(`INSERT INTO patient_identifiers (case_id, position, system, value)`, 4, values)
}

func (t *tx) patients(caseID int64) ([]storage.Identifier, error) {
	rows, err := t.query(`SELECT system, value FROM patient_identifiers WHERE case_id = ? ORDER BY position`, caseID)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []storage.Identifier
	for rows.Next() {
		var id storage.Identifier
		if err := rows.Scan(&id.System, &id.Value); err != nil {
			return nil, err
		}
		list = append(list, id)
	}
	return list, rows.Err()
}

// What an identifying part belongs to.
const (
	partOfRevision     = 1
	partRetractionText = 2
	partConfirmation   = 3
	partAmendment      = 4
	revisionsNothing   = 0 // nothing in it identifies
	revisionsTwo       = 1 // what identifies stands apart
	revisionsWhole     = 2 // as received, before schema 3
)

// identifying collects identifying parts of one write.
type identifying struct {
	caseID, version int64
	values          []any
}

func (p *identifying) add(part, position int, content []byte) {
	p.values = append(p.values, p.caseID, p.version, part, position, hashOf(content), content)
}

// addText leaves an empty text out.
func (p *identifying) addText(part, position int, text string) {
	if text != "" {
		p.add(part, position, []byte(text))
	}
}

func (t *tx) addIdentifying(p identifying) error {
	return t.insert(`INSERT INTO identifying_parts (case_id, case_version, part, position, hash, content)`, 6, p.values)
}

func (t *tx) addRevisions(caseID, version int64, revisions []storage.Revision, frames []frame) error {
	var values []any
	apart := identifying{caseID: caseID, version: version}
	for position := range revisions {
		r := &revisions[position]
		parts, hash := revisionsNothing, any(nil)
		if r.Content != nil {
			hash = hashOf(r.Content)
		}
		if r.Identifying != nil {
			parts = revisionsTwo
			apart.add(partOfRevision, position, r.Identifying)
		}
		apart.addText(partRetractionText, position, r.RetractionText)
		values = append(values, caseID, r.Section, r.Revision, version, position, nanos(r.ReceivedTime), nanos(r.SourceTime),
			r.Caller, r.Retraction, r.RetractionReason, parts, hash, frames[position].codec, bytes(frames[position].content))
	}
	if err := t.insert(`INSERT INTO revisions (case_id, section, revision, case_version, position, received_time, source_time,
		caller, retraction, retraction_reason, parts, hash, codec, content)`, 14, values); err != nil {
		return err
	}
	return t.addIdentifying(apart)
}

func (t *tx) addConfirmations(caseID, version int64, entries []storage.Confirmation) error {
	var values []any
	apart := identifying{caseID: caseID, version: version}
	for position := range entries {
		c := &entries[position]
		values = append(values, caseID, version, position, c.FindingID, c.Rule, c.Kind, c.Caller, nanos(c.Time))
		apart.addText(partConfirmation, position, c.Reason)
	}
	if err := t.insert(`INSERT INTO confirmations (case_id, case_version, position, finding_id, rule, kind, caller, time)`, 8, values); err != nil {
		return err
	}
	return t.addIdentifying(apart)
}

func (t *tx) addAmendments(caseID, version int64, entries []storage.Amendment) error {
	var values []any
	apart := identifying{caseID: caseID, version: version}
	for position := range entries {
		a := &entries[position]
		values = append(values, caseID, version, position, a.Kind, a.Caller, nanos(a.Time))
		apart.addText(partAmendment, position, a.Reason)
	}
	if err := t.insert(`INSERT INTO amendments (case_id, case_version, position, kind, caller, time)`, 6, values); err != nil {
		return err
	}
	return t.addIdentifying(apart)
}

func (t *tx) addEvaluation(caseID int64, w *storage.Write, ready prepared) error {
	e, a := w.Evaluation, ready.answer
	if _, err := t.exec(`
		INSERT INTO evaluations (case_id, number, case_version, time, catalogue_version, rule_set_version, policy_hash, calibration_id, software_version, plan_revision, outcome_seen)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		caseID, e.Number, w.Case.Version, nanos(e.Time), e.CatalogueVersion, e.RuleSetVersion, e.PolicyHash, e.CalibrationID, e.SoftwareVersion, e.PlanRevision, e.OutcomeSeen); err != nil {
		return err
	}
	if _, err := t.exec(`INSERT INTO answers (case_id, number, codec, base, hash, frame) VALUES (?, ?, ?, ?, ?, ?)`,
		caseID, e.Number, a.codec, a.base, a.hash, a.frame); err != nil {
		return err
	}
	if w.Expected > 0 {
		for _, table := range []string{"metrics", "findings"} {
			if _, err := t.exec(`DELETE FROM `+table+` WHERE case_id = ?`, caseID); err != nil {
				return err
			}
		}
	}
	if e.Metrics != nil {
		if _, err := t.exec(`INSERT INTO metrics (case_id, evaluation, codec, packed) VALUES (?, ?, ?, ?)`,
			caseID, e.Number, ready.metrics.codec, ready.metrics.content); err != nil {
			return err
		}
	}
	var findings []any
	for position := range w.Findings {
		f := &w.Findings[position]
		findings = append(findings, caseID, position, f.ID, f.Rule, f.Severity, f.Occasion, f.Place, f.Final)
	}
	return t.insert(`INSERT INTO findings (case_id, position, id, rule, severity, occasion, place, final)`, 8, findings)
}

func (t *tx) addPolicy(site string, p *storage.Policy) error {
	_, err := t.exec(`INSERT INTO policies (site, hash, version, first_used, text) VALUES (?, ?, ?, ?, ?) ON CONFLICT (site, hash) DO NOTHING`,
		site, p.Hash, p.Version, nanos(p.FirstUsed), p.Text)
	return err
}

// putQuarantined adds a quarantined submit or replaces one that is open.
func (t *tx) putQuarantined(site string, q *storage.Quarantined) error {
	id, err := t.number(`
		INSERT INTO quarantine (site, quarantine_id, case_uid, case_version, sections, received_time, caller, state, decided_time, decided_caller, hash)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (site, quarantine_id) DO UPDATE SET case_uid = excluded.case_uid, case_version = excluded.case_version,
			sections = excluded.sections, received_time = excluded.received_time, caller = excluded.caller, state = excluded.state,
			decided_time = excluded.decided_time, decided_caller = excluded.decided_caller, hash = excluded.hash
			WHERE state = 'open'
		RETURNING id`,
		site, q.ID, q.CaseUID, q.CaseVersion, strings.Join(q.Sections, "\n"), nanos(q.ReceivedTime), q.Caller, q.State, nanos(q.DecidedTime), q.DecidedCaller, bytes(q.Hash))
	if errors.Is(err, sql.ErrNoRows) || isTaken(err) {
		return storage.ErrStale
	}
	if err != nil {
		return fmt.Errorf("the quarantined submit cannot be written: %w", err)
	}
	if _, err := t.exec(`DELETE FROM quarantine_parts WHERE quarantine = ?`, id); err != nil {
		return fmt.Errorf("the quarantined body cannot be replaced: %w", err)
	}
	if q.Body == nil && q.Decision == "" {
		return nil
	}
	if _, err := t.exec(`INSERT INTO quarantine_parts (quarantine, body, decision) VALUES (?, ?, ?)`, id, bytes(q.Body), q.Decision); err != nil {
		return fmt.Errorf("the quarantined body cannot be written: %w", err)
	}
	return nil
}

// addChanges numbers changes in the transaction that makes them, from the counter
// of their site: transactions that write are one after the other, so numbers rise
// with commits, and one that was undone is given again.
func (t *tx) addChanges(site string, changes []storage.Change) error {
	last, err := t.number(`
		INSERT INTO sites (site, last_change) VALUES (?1, ?2)
		ON CONFLICT (site) DO UPDATE SET last_change = last_change + ?2
		RETURNING last_change`, site, len(changes))
	if err != nil {
		return err
	}
	first := last - int64(len(changes)) + 1
	var values []any
	for i := range changes {
		c := &changes[i]
		values = append(values, site, first+int64(i), c.Kind, c.CaseUID, c.CaseVersion, c.Section, c.Revision, c.State, c.Reason, nanos(c.Time), c.QuarantineID, c.FindingID)
	}
	return t.insert(`INSERT INTO changes (site, number, kind, case_uid, case_version, section, revision, state, reason, time, quarantine_id, finding_id)`, 12, values)
}

// Mapping gives the number of what resources are made by.
func (s *Store) Mapping(ctx context.Context, site string, m storage.Mapping) (_ storage.Mapping, isNew bool, err error) {
	if site == "" || m.Version == "" {
		return m, false, errors.New("a mapping has a site and a version")
	}
	stands, err := newestMapping(s.read.QueryContext(ctx, mappingOfSite, site))
	if err != nil {
		return m, false, fmt.Errorf("the mapping cannot be read: %w", classed(err))
	}
	if sameMapping(stands, m) {
		return stands, false, nil // most starts write nothing
	}
	err = s.writer.do(ctx, func(tx *tx) error {
		isNew = false
		stands, err := newestMapping(tx.query(mappingOfSite, site))
		if err != nil {
			return err
		}
		if sameMapping(stands, m) {
			m = stands
			return nil
		}
		isNew, m.Number = true, stands.Number+1
		if _, err := tx.exec(`INSERT INTO mappings (site, number, version, codes_hash, first_used) VALUES (?, ?, ?, ?, ?)`,
			site, m.Number, m.Version, present(m.CodesHash), nanos(m.FirstUsed)); err != nil {
			return err
		}
		// Nobody followed a site that has no changes.
		changed, err := tx.number(`SELECT coalesce(max(last_change), 0) FROM sites WHERE site = ?`, site)
		if err != nil || changed == 0 {
			return err
		}
		return tx.addChanges(site, []storage.Change{{Kind: storage.ChangeMappingChanged, Time: m.FirstUsed}})
	})
	if err != nil {
		return storage.Mapping{}, false, fmt.Errorf("the mapping cannot be written: %w", err)
	}
	return m, isNew, nil
}

func sameMapping(a, b storage.Mapping) bool {
	return a.Version == b.Version && string(a.CodesHash) == string(b.CodesHash)
}

const mappingOfSite = `SELECT number, version, codes_hash, first_used FROM mappings WHERE site = ? ORDER BY number DESC LIMIT 1`

// newestMapping reads it from the rows of mappingOfSite; the zero one if there is none.
func newestMapping(rows *sql.Rows, err error) (m storage.Mapping, _ error) {
	if err != nil {
		return m, err
	}
	defer rows.Close()
	if rows.Next() {
		var first sql.NullInt64
		if err := rows.Scan(&m.Number, &m.Version, (*blob)(&m.CodesHash), &first); err != nil {
			return m, err
		}
		m.FirstUsed = instant(first)
	}
	return m, rows.Err()
}

// SplitRevisions puts the two parts in place of revisions that are whole.
func (s *Store) SplitRevisions(ctx context.Context, site, uid string, revisions []storage.Revision) error {
	frames := make([]frame, len(revisions))
	for i := range revisions {
		var err error
		if frames[i], err = framed(present(revisions[i].Content)); err != nil {
			return err
		}
	}
	return s.writer.do(ctx, func(tx *tx) error {
		c, _, err := tx.caseRow(site, uid)
		if err != nil {
			return err
		}
		for i := range revisions {
			if err := tx.split(c.id, &revisions[i], frames[i]); err != nil {
				return fmt.Errorf("revision %d of %s cannot be split: %w", revisions[i].Revision, revisions[i].Section, err)
			}
		}
		return nil
	})
}

func (t *tx) split(caseID int64, r *storage.Revision, f frame) error {
	parts := revisionsNothing
	if r.Identifying != nil {
		parts = revisionsTwo
	}
	wasWhole, err := t.affected(`UPDATE revisions SET parts = ?, hash = ?, codec = ?, content = ? WHERE case_id = ? AND section = ? AND revision = ? AND parts = ?`,
		parts, hashOf(r.Content), f.codec, f.content, caseID, r.Section, r.Revision, revisionsWhole)
	if err != nil || !wasWhole {
		return err
	}
	const of = ` FROM revisions WHERE case_id = ? AND section = ? AND revision = ?`
	if _, err := t.exec(`DELETE FROM identifying_parts WHERE case_id = ? AND part = ? AND (case_version, position) = (SELECT case_version, position`+of+`)`,
		caseID, partOfRevision, caseID, r.Section, r.Revision); err != nil || r.Identifying == nil {
		return err
	}
	_, err = t.exec(`INSERT INTO identifying_parts (case_id, case_version, part, position, hash, content) SELECT case_id, case_version, ?, position, ?, ?`+of,
		partOfRevision, hashOf(r.Identifying), r.Identifying, caseID, r.Section, r.Revision)
	return err
}

// EraseIdentifying removes what identifies the patient of a case.
func (s *Store) EraseIdentifying(ctx context.Context, site, uid string) error {
	return s.writer.do(ctx, func(tx *tx) error {
		c, _, err := tx.caseRow(site, uid)
		if err != nil {
			return err
		}
		whole, err := tx.number(`SELECT count(*) FROM revisions WHERE case_id = ? AND parts = ?`, c.id, revisionsWhole)
		if err != nil {
			return err
		}
		if whole > 0 {
			return storage.ErrWhole
		}
		for _, table := range []string{"identifying_parts", "patient_identifiers"} {
			if _, err := tx.exec(`DELETE FROM `+table+` WHERE case_id = ?`, c.id); err != nil {
				return fmt.Errorf("%s cannot be erased: %w", table, err)
			}
		}
		if _, err := tx.exec(`UPDATE cases SET external_system = '', external_value = '' WHERE id = ?`, c.id); err != nil {
			return fmt.Errorf("the case number cannot be erased: %w", err)
		}
		return nil
	})
}
