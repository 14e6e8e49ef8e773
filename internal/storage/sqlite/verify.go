package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"trigone/internal/storage"
)

// Verified counts what was compared with its hash.
type Verified struct {
	Cases, Revisions, Texts, Answers, Policies, Rows int
	// Damaged is how often the report was called.
	Damaged int
}

// Verify walks over the whole store as it is at one moment and tells report what is
// damaged: pages and indexes, hashes of revisions, of what identifies, of answers and
// policies, packed rows, gaps in what is numbered without one. It names cases by uid,
// changes nothing, and may run beside a server.
func Verify(ctx context.Context, path string, report func(where string)) (v Verified, err error) {
	defer func() { err = classed(err) }()
	if _, err := find(path, true); err != nil {
		return v, fmt.Errorf("the store cannot be opened: %w", err)
	}
	db, err := connectToRead(path, usualBusy, 1)
	if err != nil {
		return v, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := current(ctx, db); err != nil {
		return v, err
	}
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return v, err
	}
	defer func() { _ = tx.Rollback() }() // it wrote nothing
	w := verifying{ctx: ctx, tx: tx, report: report, Verified: &v}
	for _, part := range []func() error{w.pages, w.gaps, w.revisions, w.texts, w.answers, w.restated, w.policies, w.rows} {
		if err := part(); err != nil {
			return v, err
		}
	}
	return v, nil
}

// current refuses a store of another schema.
func current(ctx context.Context, db *sql.DB) error {
	provider, err := migrator(db)
	if err != nil {
		return err
	}
	is, target, err := provider.GetVersions(ctx)
	switch {
	case err != nil:
		return fmt.Errorf("the store's schema version cannot be read: %w", err)
	case is > target:
		return fmt.Errorf("%w (schema %d, this version knows %d)", storage.ErrNewerSchema, is, target)
	case is < target:
		return fmt.Errorf("the store has schema %d and is to be brought to %d: start trigoned on it once", is, target)
	}
	return nil
}

type verifying struct {
	ctx    context.Context
	tx     *sql.Tx
	report func(where string)
	*Verified
}

func (w *verifying) damaged(format string, args ...any) {
	w.Damaged++
	w.report(fmt.Sprintf(format, args...))
}

func (w *verifying) each(query string, row func(scan func(...any) error) error, args ...any) error {
	rows, err := w.tx.QueryContext(w.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// pages lets SQLite look at its own structure.
func (w *verifying) pages() error {
	if err := w.each(`PRAGMA integrity_check`, func(scan func(...any) error) error {
		var says string
		err := scan(&says)
		if err == nil && says != "ok" {
			w.damaged("the file: %s", says)
		}
		return err
	}); err != nil {
		return err
	}
	return w.each(`PRAGMA foreign_key_check`, func(scan func(...any) error) error {
		var table, parent string
		var row, key any
		err := scan(&table, &row, &parent, &key)
		w.damaged("table %s: a row belongs to none of %s", table, parent)
		return err
	})
}

// gaps looks for rows that are missing where numbers have none.
func (w *verifying) gaps() error {
	for _, q := range []struct{ says, query string }{
		{"changes of site %s are missing", `
			SELECT s.site FROM sites AS s
			WHERE s.last_change <> (SELECT count(*) FROM changes AS c WHERE c.site = s.site AND c.number BETWEEN 1 AND s.last_change)`},
		{"case %s: a version has no change", `
			SELECT c.uid FROM cases AS c LEFT JOIN (SELECT site, case_uid, count(DISTINCT case_version) AS n FROM changes GROUP BY site, case_uid) AS k
			ON k.site = c.site AND k.case_uid = c.uid WHERE coalesce(k.n, 0) <> c.version`},
		{"case %s: a revision is missing", `
			SELECT DISTINCT c.uid FROM cases AS c JOIN revisions AS r ON r.case_id = c.id GROUP BY c.id, r.section HAVING count(*) <> max(r.revision)`},
		{"case %s: the head of a section is missing", `
			SELECT DISTINCT c.uid FROM cases AS c JOIN json_each(c.sections) AS s WHERE s.type = 'object' AND NOT EXISTS (SELECT 1 FROM revisions AS r
			WHERE r.case_id = c.id AND r.section = json_extract(s.value, '$.Section') AND r.revision = json_extract(s.value, '$.Head'))`},
		{"case %s: an evaluation or its answer is missing", `
			SELECT c.uid FROM cases AS c
			WHERE c.evaluation <> (SELECT count(*) FROM evaluations AS e JOIN answers AS a ON a.case_id = e.case_id AND a.number = e.number WHERE e.case_id = c.id)`},
	} {
		if err := w.each(q.query, func(scan func(...any) error) error {
			var of string
			err := scan(&of)
			w.damaged(q.says, of)
			return err
		}); err != nil {
			return err
		}
	}
	return w.each(`SELECT count(*) FROM cases`, func(scan func(...any) error) error { return scan(&w.Cases) })
}

func (w *verifying) revisions() error {
	return w.each(`SELECT c.uid, r.section, r.revision, r.hash, r.codec, r.content FROM revisions AS r JOIN cases AS c ON c.id = r.case_id`,
		func(scan func(...any) error) error {
			var uid, section string
			var number int64
			var codec int
			var hash, packed blob
			if err := scan(&uid, &section, &number, &hash, &codec, &packed); err != nil {
				return err
			}
			w.Revisions++
			if content, err := decode(codec, packed, nil); err != nil || !matches(content, hash) {
				w.damaged("case %s: revision %d of %s does not match its hash", uid, number, section)
			}
			return nil
		})
}

func (w *verifying) texts() error {
	return w.each(`SELECT c.uid, i.case_version, i.hash, i.content FROM identifying_parts AS i JOIN cases AS c ON c.id = i.case_id`,
		func(scan func(...any) error) error {
			var uid string
			var version int64
			var hash, content blob
			if err := scan(&uid, &version, &hash, &content); err != nil {
				return err
			}
			w.Texts++
			if !matches(content, hash) {
				w.damaged("case %s: what identifies in version %d does not match its hash", uid, version)
			}
			return nil
		})
}

// answers reads each against the one before it.
func (w *verifying) answers() error {
	var before string // uid
	var last link
	var content []byte
	return w.each(`SELECT c.uid, a.number, a.codec, a.base, a.hash, a.frame FROM cases AS c JOIN answers AS a ON a.case_id = c.id ORDER BY c.id, a.number`,
		func(scan func(...any) error) error {
			var uid string
			var l link
			if err := scan(&uid, &l.number, &l.codec, &l.base, (*blob)(&l.hash), (*blob)(&l.frame)); err != nil {
				return err
			}
			w.Answers++
			var base []byte
			missing := false
			if l.base > 0 {
				base, missing = content, uid != before || l.base != last.number || content == nil
			}
			before, last, content = uid, l, nil
			if !missing {
				if got, err := decode(l.codec, l.frame, base); err == nil && string(hashOf(got)) == string(l.hash) {
					content = got
					return nil
				}
			}
			w.damaged("case %s: answer %d does not match its hash, or the one before it does not", uid, l.number)
			return nil
		})
}

// restated reads what restatings say, each against the answer it was packed against.
// They can be dropped and made again.
func (w *verifying) restated() error {
	type at struct {
		uid       string
		id        int64
		projected int64
	}
	var list []at
	if err := w.each(`SELECT c.uid, r.case_id, r.projection FROM restated_answers AS r JOIN cases AS c ON c.id = r.case_id`, func(scan func(...any) error) error {
		var a at
		err := scan(&a.uid, &a.id, &a.projected)
		list = append(list, a)
		return err
	}); err != nil {
		return err
	}
	for _, a := range list {
		var chain []link
		if err := w.each(restatedChain, func(scan func(...any) error) error {
			var l link
			err := scan(&l.number, &l.codec, &l.base, (*blob)(&l.hash), (*blob)(&l.frame))
			chain = append(chain, l)
			return err
		}, a.projected, a.id); err != nil {
			return err
		}
		w.Rows++
		if _, err := unpackAnswer(chain); err != nil {
			w.damaged("case %s: what was restated does not match its hash, or the answer beside it does not", a.uid)
		}
	}
	return nil
}

// policies have the SHA-256 of their text as name.
func (w *verifying) policies() error {
	return w.each(`SELECT hash, text FROM policies`, func(scan func(...any) error) error {
		var hash, text string
		if err := scan(&hash, &text); err != nil {
			return err
		}
		w.Policies++
		if sum := sha256.Sum256([]byte(text)); hex.EncodeToString(sum[:]) != hash {
			w.damaged("the policy %s does not match its hash", hash)
		}
		return nil
	})
}

// rows are made from the record: damaged ones are made anew by a rebuild.
func (w *verifying) rows() error {
	if err := w.each(`SELECT c.uid, t.codec, t.frame FROM comparison_texts AS t JOIN cases AS c ON c.id = t.case_id`, func(scan func(...any) error) error {
		var uid string
		var codec int
		var frame blob
		if err := scan(&uid, &codec, &frame); err != nil {
			return err
		}
		w.Rows++
		if _, err := unpackTexts(codec, frame); err != nil {
			w.damaged("case %s: comparisons as listed cannot be read", uid)
		}
		return nil
	}); err != nil {
		return err
	}
	return w.each(`SELECT c.uid, f.codec, f.frame FROM case_facts AS f JOIN cases AS c ON c.id = f.case_id`, func(scan func(...any) error) error {
		var uid string
		var codec int
		var frame blob
		if err := scan(&uid, &codec, &frame); err != nil {
			return err
		}
		w.Rows++
		if _, err := decode(codec, frame, nil); err != nil {
			w.damaged("case %s: facts as listed cannot be read", uid)
		}
		return nil
	})
}
