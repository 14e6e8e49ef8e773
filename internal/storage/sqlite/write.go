package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"trigone/internal/storage"
)

// job is one write on its way to the disk.
type job struct {
	ctx  context.Context
	site string
	w    storage.Write
	err  error
	done chan struct{}
}

// Append makes one write.
func (s *Store) Append(ctx context.Context, site string, w storage.Write) error {
	if err := w.Check(site); err != nil {
		return err
	}
	j := &job{ctx: ctx, site: site, w: w, done: make(chan struct{})}
	select {
	case s.queue <- j:
	case <-ctx.Done():
		return ctx.Err()
	case <-s.stop:
		return errClosed
	}
	// Once taken in, the outcome is awaited: a caller that went away in between
	// would not know whether its write is on disk.
	<-j.done
	return j.err
}

// writer commits the writes that wait together.
func (s *Store) writer(batchSize int) {
	defer close(s.ended)
	for {
		var first *job
		select {
		case first = <-s.queue:
		case <-s.stop:
			return
		}
		batch := []*job{first}
	gather:
		for len(batch) < batchSize {
			select {
			case j := <-s.queue:
				batch = append(batch, j)
			default:
				break gather
			}
		}
		s.commit(batch)
	}
}

// commit writes a batch in one transaction. A write that fails is undone alone;
// if the transaction fails, all of them have failed.
func (s *Store) commit(batch []*job) {
	err := s.inTransaction(func(tx *sql.Tx) error {
		for _, j := range batch {
			if j.err = j.ctx.Err(); j.err != nil {
				continue
			}
			if _, err := tx.Exec(`SAVEPOINT one`); err != nil {
				return err
			}
			end := `RELEASE one`
			if j.err = apply(tx, j.site, &j.w); j.err != nil {
				end = `ROLLBACK TO one; RELEASE one`
			}
			if _, err := tx.Exec(end); err != nil {
				return err
			}
		}
		return nil
	})
	for _, j := range batch {
		if err != nil && j.err == nil {
			j.err = fmt.Errorf("write to the store: %w", err)
		}
		close(j.done)
	}
}

func (s *Store) inTransaction(do func(*sql.Tx) error) error {
	tx, err := s.write.Begin()
	if err != nil {
		return err
	}
	if err := do(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

func apply(tx *sql.Tx, site string, w *storage.Write) error {
	if w.Case != nil {
		if err := applyCase(tx, site, w); err != nil {
			return err
		}
	}
	if err := applyEvaluation(tx, site, w); err != nil {
		return err
	}
	if p := w.Policy; p != nil {
		if _, err := tx.Exec(`INSERT INTO policies (site, hash, version, text, first_used) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
			site, p.Hash, p.Version, p.Text, nanos(p.FirstUsed)); err != nil {
			return err
		}
	}
	if r := w.Request; r != nil {
		_, err := tx.Exec(`INSERT INTO requests (caller, site, method, request_id, content_hash, uid, case_version, evaluation, quarantine_id, receipt, time)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			r.Caller, site, r.Method, r.RequestID, bytes(r.ContentHash), r.CaseUID, r.CaseVersion, r.Evaluation, r.QuarantineID, bytes(r.Receipt), nanos(r.Time))
		if unique(err) {
			return storage.ErrRequestExists
		}
		if err != nil {
			return err
		}
	}
	if q := w.Quarantined; q != nil {
		if _, err := tx.Exec(`INSERT INTO quarantine (site, id, uid, body, received, caller, state, decision, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (site, id) DO UPDATE SET state = excluded.state, decision = excluded.decision`,
			site, q.ID, q.CaseUID, bytes(q.Body), nanos(q.ReceivedTime), q.Caller, q.State, q.Decision, bytes(q.Hash)); err != nil {
			return err
		}
	}
	return applyChanges(tx, site, w.Changes)
}

// bytes makes an empty value of none: the columns are never NULL.
func bytes(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

func applyCase(tx *sql.Tx, site string, w *storage.Write) error {
	c := w.Case
	outcome := w.Evaluation != nil && w.Evaluation.OutcomeSeen
	if w.Expected == 0 {
		_, err := tx.Exec(`INSERT INTO cases (site, uid, version, state, external_system, external_value, opened, changed, evaluation, incision, plan_timing, merged_into, outcome_seen)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			site, c.UID, c.Version, c.State, c.ExternalIdentifier.System, c.ExternalIdentifier.Value, nanos(c.OpenedTime), nanos(c.ChangedTime),
			c.Evaluation, nanos(c.IncisionTime), c.PlanTiming, c.MergedInto, outcome)
		if unique(err) {
			return taken(tx, site, c)
		}
		if err != nil {
			return err
		}
	} else {
		result, err := tx.Exec(`UPDATE cases SET version = ?, state = ?, external_system = ?, external_value = ?, changed = ?, evaluation = ?, incision = ?,
			plan_timing = ?, merged_into = ?, outcome_seen = CASE WHEN ? THEN ? ELSE outcome_seen END WHERE site = ? AND uid = ? AND version = ?`,
			c.Version, c.State, c.ExternalIdentifier.System, c.ExternalIdentifier.Value, nanos(c.ChangedTime), c.Evaluation, nanos(c.IncisionTime),
			c.PlanTiming, c.MergedInto, w.Evaluation != nil, outcome, site, c.UID, w.Expected)
		if unique(err) {
			return storage.ErrExternalIdentifierTaken
		}
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n != 1 {
			return errors.Join(err, storage.ErrStale)
		}
	}
	if _, err := tx.Exec(`DELETE FROM identities WHERE site = ? AND uid = ?`, site, c.UID); err != nil {
		return err
	}
	for i, id := range append([]storage.Identifier{c.Patient}, c.FormerPatients...) {
		if _, err := tx.Exec(`INSERT INTO identities (site, uid, place, system, value) VALUES (?, ?, ?, ?, ?)`, site, c.UID, i, id.System, id.Value); err != nil {
			return err
		}
	}
	for _, sec := range c.Sections {
		if _, err := tx.Exec(`INSERT INTO sections (site, uid, section, head, state, place) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT (site, uid, section) DO UPDATE SET head = excluded.head, state = excluded.state, place = excluded.place`,
			site, c.UID, sec.Section, sec.Head, sec.State, sec.Order); err != nil {
			return err
		}
	}
	for _, r := range w.Revisions {
		if _, err := tx.Exec(`INSERT INTO revisions (site, uid, section, revision, content, received, source, caller, retraction, retraction_reason, retraction_text, case_version)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			site, c.UID, r.Section, r.Revision, r.Content, nanos(r.ReceivedTime), nanos(r.SourceTime), r.Caller, r.Retraction, r.RetractionReason, r.RetractionText, c.Version); err != nil {
			return err
		}
	}
	return nil
}

// taken tells which of a new case's keys is in use.
func taken(tx *sql.Tx, site string, c *storage.Case) error {
	var n int
	err := tx.QueryRow(`SELECT count(*) FROM cases WHERE site = ? AND uid = ?`, site, c.UID).Scan(&n)
	if err != nil {
		return err
	}
	if n > 0 {
		return storage.ErrStale
	}
	return storage.ErrExternalIdentifierTaken
}

func applyEvaluation(tx *sql.Tx, site string, w *storage.Write) error {
	e := w.Evaluation
	if e == nil {
		return nil
	}
	uid := w.Case.UID
	if _, err := tx.Exec(`INSERT INTO evaluations (site, uid, number, case_version, time, catalogue_version, rule_set_version, policy_hash, calibration_id,
		software_version, plan_revision, outcome_seen, answer, metrics) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		site, uid, e.Number, w.Case.Version, nanos(e.Time), e.CatalogueVersion, e.RuleSetVersion, e.PolicyHash, e.CalibrationID,
		e.SoftwareVersion, e.PlanRevision, e.OutcomeSeen, bytes(e.Answer), bytes(e.Metrics)); err != nil {
		return err
	}
	for _, table := range []string{"findings", "discrepancies"} {
		if _, err := tx.Exec(`DELETE FROM `+table+` WHERE site = ? AND uid = ?`, site, uid); err != nil {
			return err
		}
	}
	for i, f := range w.Findings {
		if _, err := tx.Exec(`INSERT INTO findings (site, uid, place_no, id, rule, severity, occasion, place, final) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			site, uid, i, f.ID, f.Rule, f.Severity, f.Occasion, f.Place, f.Final); err != nil {
			return err
		}
	}
	for _, d := range w.Discrepancies {
		if _, err := tx.Exec(`INSERT INTO discrepancies (site, uid, place_no, id, class, verdict, root, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			site, uid, d.Order, d.ID, d.Class, d.Verdict, d.Root, bytes(d.Row)); err != nil {
			return err
		}
	}
	return nil
}

// applyChanges numbers changes inside the transaction of the only writer, so that
// numbers rise with commits and none appears below one that was read.
func applyChanges(tx *sql.Tx, site string, changes []storage.Change) error {
	if len(changes) == 0 {
		return nil
	}
	var last int64
	if err := tx.QueryRow(`SELECT coalesce(max(number), 0) FROM changes WHERE site = ?`, site).Scan(&last); err != nil {
		return err
	}
	for _, c := range changes {
		last++
		if _, err := tx.Exec(`INSERT INTO changes (site, number, kind, uid, case_version, section, revision, state, reason, time, quarantine_id)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			site, last, c.Kind, c.CaseUID, c.CaseVersion, c.Section, c.Revision, c.State, c.Reason, nanos(c.Time), c.QuarantineID); err != nil {
			return err
		}
	}
	return nil
}
