package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"trigone/internal/storage"
)

// What a case was before: its revisions and its evaluations, of which a read takes
// those that are asked for.

// revisionColumns are read of a revision r, revisionParts joins what they need.
const revisionColumns = `r.section, r.revision, r.parts, r.codec, r.content, r.hash, i.content, i.hash, r.received_time, r.source_time, r.caller,
	r.retraction, r.retraction_reason, x.content, x.hash, r.case_version, r.position`

const revisionParts = `
	LEFT JOIN identifying_parts AS i ON i.case_id = c.id AND i.case_version = r.case_version AND i.part = ? AND i.position = r.position
	LEFT JOIN identifying_parts AS x ON x.case_id = c.id AND x.case_version = r.case_version AND x.part = ? AND x.position = r.position`

// revisionRow is a revision with its place in the write of its version.
type revisionRow struct {
	storage.Revision
	position int64
}

// revisions reads the revisions that from, a join of c with r, and where give.
func (s *Store) revisions(ctx context.Context, from string, fromArgs []any, rest string, restArgs ...any) ([]revisionRow, error) {
	return s.firstRevisions(ctx, math.MaxInt, from, fromArgs, rest, restArgs...)
}

// errEnough ends a reading.
var errEnough = errors.New("no more is read")

// firstRevisions ends with the first revision that makes all before it come to more than
// a number of bytes; that one is read too.
func (s *Store) firstRevisions(ctx context.Context, bytes int, from string, fromArgs []any, rest string, restArgs ...any) ([]revisionRow, error) {
	var list []revisionRow
	args := slices.Concat(fromArgs, []any{partOfRevision, partRetractionText}, restArgs)
	err := s.each(ctx, `SELECT `+revisionColumns+` FROM `+from+revisionParts+` `+rest, args, func(row scanner) error {
		var r revisionRow
		var received, source sql.NullInt64
		var parts, codec int
		var content []byte
		var text reason
		if err := row.Scan(&r.Section, &r.Revision.Revision, &parts, &codec, (*blob)(&content), (*blob)(&r.ContentHash), (*blob)(&r.Identifying), (*blob)(&r.IdentifyingHash),
			&received, &source, &r.Caller, &r.Retraction, &r.RetractionReason, &text.content, &text.hash, &r.CaseVersion, &r.position); err != nil {
			return err
		}
		r.ReceivedTime, r.SourceTime, r.RetractionText = instant(received), instant(source), string(text.content)
		var err error
		if r.Content, err = decode(codec, content, nil); err != nil {
			return fmt.Errorf("revision %d of %s: %w", r.Revision.Revision, r.Section, err)
		}
		if !matches(r.Content, r.ContentHash) || !matches(r.Identifying, r.IdentifyingHash) || !text.matches() {
			return fmt.Errorf("revision %d of %s: %w", r.Revision.Revision, r.Section, storage.ErrDamaged)
		}
		switch {
		case parts == revisionsWhole && r.Content == nil: // identity was kept apart before it was split
			r.Whole, r.Content, r.ContentHash, r.Identifying, r.IdentifyingHash = true, r.Identifying, r.IdentifyingHash, nil, nil
		case parts == revisionsWhole:
			r.Whole = true
		case parts == revisionsTwo && r.Identifying == nil:
			r.Erased = true
		}
		list = append(list, r)
		if bytes -= len(r.Content) + len(r.Identifying); bytes < 0 && len(list) > 1 {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return list, err
}

// reason is a free text that stands apart, with its hash.
type reason struct{ content, hash blob }

func (r reason) matches() bool { return matches(r.content, r.hash) }

// matches says whether content is what its hash was made of; content that is not
// there matches.
func matches(content, hash []byte) bool {
	return content == nil || string(hashOf(content)) == string(hash)
}

func plainRevisions(rows []revisionRow, err error) ([]storage.Revision, error) {
	var list []storage.Revision
	for _, r := range rows {
		list = append(list, r.Revision)
	}
	return list, err
}

// Revisions gives every revision of a case in the order of storing.
func (s *Store) Revisions(ctx context.Context, site, uid string) ([]storage.Revision, error) {
	return plainRevisions(s.revisions(ctx, `cases AS c JOIN revisions AS r ON r.case_id = c.id`, nil,
		`WHERE c.site = ? AND c.uid = ? ORDER BY r.case_version, r.position`, site, uid))
}

// RevisionsIn gives the revisions of a case in these ranges, in the order of storing.
func (s *Store) RevisionsIn(ctx context.Context, site, uid string, ranges []storage.RevisionRange) ([]storage.Revision, error) {
	if len(ranges) == 0 {
		return nil, nil
	}
	keys := make([][3]any, len(ranges))
	for i, r := range ranges {
		keys[i] = [3]any{r.Section, r.From, r.To}
	}
	list, err := json.Marshal(keys)
	if err != nil {
		return nil, err
	}
	return plainRevisions(s.revisions(ctx, `cases AS c CROSS JOIN json_each(?) AS k
		CROSS JOIN revisions AS r ON r.case_id = c.id AND r.section = k.value ->> 0 AND r.revision BETWEEN k.value ->> 1 AND k.value ->> 2`,
		[]any{string(list)}, `WHERE c.site = ? AND c.uid = ? ORDER BY r.case_version, r.position`, site, uid))
}

// RevisionPage lists the revisions of a case, or of one section of it, in the order of
// storing.
func (s *Store) RevisionPage(ctx context.Context, site, uid, section, after string, limit int) ([]storage.Revision, string, error) {
	if limit < 1 {
		return nil, "", errNoLimit
	}
	var where conditions
	where.add(`c.site = ? AND c.uid = ?`, site, uid)
	var version, place int64
	if after != "" {
		first, second, err := parsePosition(after)
		if err == nil {
			place, err = strconv.ParseInt(second, 10, 64)
		}
		if err != nil {
			return nil, "", errForeignToken
		}
		version = first
	}
	// Within a section the order of storing is that of the numbers, which are its key.
	order, next := `r.case_version, r.position`, func(r revisionRow) string { return position(r.CaseVersion, strconv.FormatInt(r.position, 10)) }
	if section != "" {
		where.add(`r.section = ?`, section)
		order, next = `r.revision`, func(r revisionRow) string { return position(0, strconv.FormatInt(r.Revision.Revision, 10)) }
	}
	switch {
	case after == "":
	case section != "":
		where.add(`r.revision > ?`, place)
	default:
		where.add(`(r.case_version, r.position) > (?, ?)`, version, place)
	}
	list, err := s.firstRevisions(ctx, storage.MostBytesOfPage, `cases AS c CROSS JOIN revisions AS r ON r.case_id = c.id`, nil,
		`WHERE `+where.String()+` ORDER BY `+order+` LIMIT ?`, append(where.args, limit+1)...)
	token, size := "", 0
	for i, r := range list {
		if size += len(r.Content) + len(r.Identifying); i == limit || i > 0 && size > storage.MostBytesOfPage {
			list = list[:i]
			token = next(list[i-1])
			break
		}
	}
	page, err := plainRevisions(list, err)
	return page, token, err
}

const evaluationColumns = `e.number, e.case_version, e.time, e.catalogue_version, e.rule_set_version, e.policy_hash, e.calibration_id,
	e.software_version, e.plan_revision, e.outcome_seen`

func (s *Store) evaluations(ctx context.Context, query string, args ...any) ([]storage.EvaluationHeader, error) {
	var list []storage.EvaluationHeader
	err := s.each(ctx, query, args, func(row scanner) error {
		var e storage.EvaluationHeader
		var at sql.NullInt64
		err := row.Scan(&e.Number, &e.CaseVersion, &at, &e.CatalogueVersion, &e.RuleSetVersion, &e.PolicyHash, &e.CalibrationID,
			&e.SoftwareVersion, &e.PlanRevision, &e.OutcomeSeen)
		e.Time = instant(at)
		list = append(list, e)
		return err
	})
	return list, err
}

// EvaluationHeaders gives every evaluation of a case, oldest first.
func (s *Store) EvaluationHeaders(ctx context.Context, site, uid string) ([]storage.EvaluationHeader, error) {
	return s.evaluations(ctx, `SELECT `+evaluationColumns+` FROM cases AS c JOIN evaluations AS e ON e.case_id = c.id
		WHERE c.site = ? AND c.uid = ? ORDER BY e.number`, site, uid)
}

// EvaluationsThatCount gives the evaluations that a new one rests on.
func (s *Store) EvaluationsThatCount(ctx context.Context, site, uid string, newest, planFrom, planTo int64) ([]storage.EvaluationHeader, error) {
	ofPlan := func(end string, outcome int) string {
		return fmt.Sprintf(`UNION SELECT id, (SELECT %s(number) FROM evaluations AS e WHERE e.case_id = plans.id AND e.plan_revision = plans.revision AND e.outcome_seen = %d AND e.number <= ?5) FROM plans `, end, outcome)
	}
	return s.evaluations(ctx, `
		WITH RECURSIVE
			one AS (SELECT id FROM cases WHERE site = ?1 AND uid = ?2),
			plans (id, revision) AS (SELECT id, ?3 FROM one WHERE ?3 <= ?4 UNION ALL SELECT id, revision + 1 FROM plans WHERE revision < ?4),
			numbers (id, number) AS (
				SELECT id, ?5 FROM one
				UNION SELECT id, (SELECT e.number FROM evaluations AS e WHERE e.case_id = one.id AND e.outcome_seen = 1 AND e.number <= ?5 ORDER BY e.number LIMIT 1) FROM one
				`+ofPlan("min", 0)+ofPlan("max", 0)+ofPlan("min", 1)+ofPlan("max", 1)+`)
		SELECT `+evaluationColumns+` FROM numbers AS n CROSS JOIN evaluations AS e ON e.case_id = n.id AND e.number = n.number
		ORDER BY e.number`, site, uid, planFrom, planTo, newest)
}
