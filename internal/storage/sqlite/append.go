package sqlite

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"trigone/internal/storage"
)

// append makes one write inside the writer's transaction. The order of its parts
// is the order of errors that storage.Store.Append promises.
func (t *tx) append(site string, w storage.Write) error {
	if w.Request != nil {
		if err := t.addRequest(site, w.Request); err != nil {
			return err
		}
	}
	if w.Case != nil {
		id, err := t.putCase(site, w.Expected, w.Case)
		if err != nil {
			return err
		}
		if err := t.putPatients(id, w.Expected == 0, w.Case); err != nil {
			return fmt.Errorf("patient identifiers cannot be written: %w", err)
		}
		if err := t.addRevisions(id, w.Case.Version, w.Revisions); err != nil {
			return fmt.Errorf("a revision cannot be written: %w", err)
		}
		if err := t.addConfirmations(id, w.Case.Version, w.Confirmations); err != nil {
			return fmt.Errorf("a confirmation cannot be written: %w", err)
		}
		if w.Evaluation != nil {
			if err := t.addEvaluation(id, w.Case.Version, &w); err != nil {
				return fmt.Errorf("the evaluation cannot be written: %w", err)
			}
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
	if len(w.Changes) > 0 {
		if err := t.addChanges(site, w.Changes); err != nil {
			return fmt.Errorf("changes cannot be written: %w", err)
		}
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

// putCase writes the state of the case if it has the version expected, and gives
// its row.
func (t *tx) putCase(site string, expected int64, c *storage.Case) (id int64, err error) {
	sections, err := json.Marshal(c.Sections)
	if err != nil {
		return 0, fmt.Errorf("the sections cannot be written: %w", err)
	}
	operated, retracted := false, 0
	for _, s := range c.Sections {
		switch {
		case s.State == storage.SectionRetracted:
			retracted++
		case s.Section == storage.OperationSection:
			operated = true
		}
	}
	args := []any{
		site, c.UID, c.Version, c.State, c.ExternalIdentifier.System, c.ExternalIdentifier.Value, nanos(c.OpenedTime), nanos(c.ChangedTime),
		c.Evaluation, nanos(c.IncisionTime), c.PlanTiming, c.MergedInto, string(sections), operated, retracted,
	}
	if expected == 0 {
		id, err = t.number(`
			INSERT INTO cases (site, uid, version, state, external_system, external_value, opened_time, changed_time,
				evaluation, incision_time, plan_timing, merged_into, sections, operated, retracted_sections)
			SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15
			WHERE NOT EXISTS (SELECT 1 FROM cases WHERE site = ?1 AND uid = ?2)
			RETURNING id`, args...)
	} else {
		args = append(args, expected)
		// Most writes leave the columns alone that indexes are made of: then those
		// pages are not written either.
		id, err = t.number(`
			UPDATE cases SET version = ?3, opened_time = ?7, changed_time = ?8,
				evaluation = ?9, incision_time = ?10, plan_timing = ?11, merged_into = ?12, sections = ?13, operated = ?14, retracted_sections = ?15
			WHERE site = ?1 AND uid = ?2 AND version = ?16 AND state = ?4 AND external_system = ?5 AND external_value = ?6
			RETURNING id`, args...)
		if errors.Is(err, sql.ErrNoRows) {
			id, err = t.number(`
				UPDATE cases SET version = ?3, state = ?4, external_system = ?5, external_value = ?6, opened_time = ?7, changed_time = ?8,
					evaluation = ?9, incision_time = ?10, plan_timing = ?11, merged_into = ?12, sections = ?13, operated = ?14, retracted_sections = ?15
				WHERE site = ?1 AND uid = ?2 AND version = ?16
				RETURNING id`, args...)
		}
	}
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return 0, storage.ErrStale
	case isTaken(err):
		return 0, storage.ErrExternalIdentifierTaken
	case err != nil:
		return 0, fmt.Errorf("the case cannot be written: %w", err)
	}
	return id, nil
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

func (t *tx) addRevisions(caseID, version int64, revisions []storage.Revision) error {
	var values []any
	for position := range revisions {
		r := &revisions[position]
		content := bytes(r.Content)
		if r.Section == storage.IdentitySection && content != nil {
			if _, err := t.exec(`INSERT INTO identity_contents (case_id, revision, content) VALUES (?, ?, ?)`, caseID, r.Revision, content); err != nil {
				return err
			}
			content = nil
		}
		values = append(values, caseID, r.Section, r.Revision, version, position, nanos(r.ReceivedTime), nanos(r.SourceTime),
			r.Caller, r.Retraction, r.RetractionReason, r.RetractionText, content)
	}
	return t.insert(`INSERT INTO revisions (case_id, section, revision, case_version, position, received_time, source_time,
		caller, retraction, retraction_reason, retraction_text, content)`, 12, values)
}

func (t *tx) addConfirmations(caseID, version int64, entries []storage.Confirmation) error {
	var values []any
	for position := range entries {
		c := &entries[position]
		values = append(values, caseID, version, position, c.FindingID, c.Rule, c.Kind, c.Caller, nanos(c.Time), c.Reason)
	}
	return t.insert(`INSERT INTO confirmations (case_id, case_version, position, finding_id, rule, kind, caller, time, reason)`, 9, values)
}

func (t *tx) addEvaluation(caseID, version int64, w *storage.Write) error {
	e := w.Evaluation
	if _, err := t.exec(`
		INSERT INTO evaluations (case_id, number, case_version, time, catalogue_version, rule_set_version, policy_hash, calibration_id, software_version, plan_revision, outcome_seen, metrics, answer)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		caseID, e.Number, version, nanos(e.Time), e.CatalogueVersion, e.RuleSetVersion, e.PolicyHash, e.CalibrationID, e.SoftwareVersion, e.PlanRevision, e.OutcomeSeen,
		bytes(e.Metrics), bytes(e.Answer)); err != nil {
		return err
	}
	if w.Expected > 0 {
		if _, err := t.exec(`DELETE FROM findings WHERE case_id = ?`, caseID); err != nil {
			return err
		}
		if _, err := t.exec(`DELETE FROM discrepancies WHERE case_id = ?`, caseID); err != nil {
			return err
		}
	}
	var findings, discrepancies []any
	for position := range w.Findings {
		f := &w.Findings[position]
		findings = append(findings, caseID, position, f.ID, f.Rule, f.Severity, f.Occasion, f.Place, f.Final)
	}
	for i := range w.Discrepancies {
		d := &w.Discrepancies[i]
		discrepancies = append(discrepancies, caseID, d.Order, d.ID, d.Class, d.Verdict, d.Root, bytes(d.Row))
	}
	if err := t.insert(`INSERT INTO findings (case_id, position, id, rule, severity, occasion, place, final)`, 8, findings); err != nil {
		return err
	}
	return t.insert(`INSERT INTO discrepancies (case_id, position, id, class, verdict, root, message)`, 7, discrepancies)
}

func (t *tx) addPolicy(site string, p *storage.Policy) error {
	_, err := t.exec(`INSERT INTO policies (site, hash, version, first_used, text) VALUES (?, ?, ?, ?, ?) ON CONFLICT (site, hash) DO NOTHING`,
		site, p.Hash, p.Version, nanos(p.FirstUsed), p.Text)
	return err
}

// putQuarantined adds a quarantined submit or replaces one that is open.
func (t *tx) putQuarantined(site string, q *storage.Quarantined) error {
	id, err := t.number(`
		INSERT INTO quarantine (site, quarantine_id, case_uid, received_time, caller, state, decision, hash)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (site, quarantine_id) DO UPDATE SET case_uid = excluded.case_uid, received_time = excluded.received_time,
			caller = excluded.caller, state = excluded.state, decision = excluded.decision, hash = excluded.hash
			WHERE state = 'open'
		RETURNING id`,
		site, q.ID, q.CaseUID, nanos(q.ReceivedTime), q.Caller, q.State, q.Decision, bytes(q.Hash))
	if errors.Is(err, sql.ErrNoRows) || isTaken(err) {
		return storage.ErrStale
	}
	if err != nil {
		return fmt.Errorf("the quarantined submit cannot be written: %w", err)
	}
	if _, err := t.exec(`DELETE FROM quarantine_bodies WHERE quarantine = ?`, id); err != nil {
		return fmt.Errorf("the quarantined body cannot be replaced: %w", err)
	}
	if q.Body == nil {
		return nil
	}
	if _, err := t.exec(`INSERT INTO quarantine_bodies (quarantine, body) VALUES (?, ?)`, id, q.Body); err != nil {
		return fmt.Errorf("the quarantined body cannot be written: %w", err)
	}
	return nil
}

// addChanges numbers changes in the transaction that makes them: transactions that
// write are one after the other, so numbers rise with commits, and one that was
// undone is given again.
func (t *tx) addChanges(site string, changes []storage.Change) error {
	last, err := t.number(`SELECT coalesce(max(number), 0) FROM changes WHERE site = ?`, site)
	if err != nil {
		return err
	}
	var values []any
	for i := range changes {
		c := &changes[i]
		values = append(values, site, last+int64(i)+1, c.Kind, c.CaseUID, c.CaseVersion, c.Section, c.Revision, c.State, c.Reason, nanos(c.Time), c.QuarantineID, c.FindingID)
	}
	return t.insert(`INSERT INTO changes (site, number, kind, case_uid, case_version, section, revision, state, reason, time, quarantine_id, finding_id)`, 12, values)
}
