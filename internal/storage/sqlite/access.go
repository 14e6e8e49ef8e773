package sqlite

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"trigone/internal/storage"
)

// The access record is one chain for the file: there is one writer at a time, which
// reads where the chain ends in the transaction that goes on with it.

// addAccesses adds lines behind the last one.
func (t *tx) addAccesses(lines []storage.Access) error {
	chain, head, err := t.accessHead()
	if err != nil {
		return err
	}
	if head.Number == 0 {
		head.Hash = storage.FirstAccessHash(chain)
	}
	var values []any
	sites := map[string]int64{}
	for i := range lines {
		a := lines[i]
		site, known := sites[a.Site]
		if !known {
			if site, err = t.site(a.Site); err != nil {
				return err
			}
			sites[a.Site] = site
		}
		a.Number, a.ReasonHash = head.Number+1, nil
		if a.Reason != "" {
			a.ReasonHash = hashOf([]byte(a.Reason))
			if _, err := t.exec(`INSERT INTO access_reasons (number, content) VALUES (?, ?)`, a.Number, a.Reason); err != nil {
				return err
			}
		}
		head.Number, head.Hash = a.Number, a.Chained(head.Hash)
		values = append(values, a.Number, nanos(a.Time), site, a.Caller, a.Method, a.CaseUID, a.Cases, a.Outcome, a.RequestID, a.Detail, a.Concerns,
			bytes(a.ReasonHash), head.Hash)
	}
	if err := t.insert(`INSERT INTO accesses (number, time, site, caller, method, case_uid, cases, outcome, request_id, detail, concerns, reason_hash, hash)`, 13, values); err != nil {
		return err
	}
	_, err = t.exec(`UPDATE access_chain SET number = ?, hash = ?`, head.Number, head.Hash)
	return err
}

const accessHead = `SELECT chain, number, hash FROM access_chain`

func (t *tx) accessHead() (chain []byte, h storage.AccessHead, err error) {
	s, err := t.statement(accessHead) //nolint:sqlclosecheck // prepared once for the connection and closed with it
	if err != nil {
		return nil, h, err
	}
	err = s.QueryRow().Scan((*blob)(&h.Chain), &h.Number, (*blob)(&h.Hash))
	return h.Chain, h, err
}

// RecordAccesses adds lines to the access record.
func (s *Store) RecordAccesses(ctx context.Context, lines []storage.Access) error {
	for i := range lines {
		if err := lines[i].Check(); err != nil {
			return err
		}
	}
	if len(lines) == 0 {
		return nil
	}
	if err := s.writer.do(ctx, func(tx *tx) error { return tx.addAccesses(lines) }); err != nil {
		return fmt.Errorf("the access record cannot be written: %w", err)
	}
	return nil
}

// AccessHead gives where the access record ends.
func (s *Store) AccessHead(ctx context.Context) (h storage.AccessHead, err error) {
	err = s.one(ctx, accessHead, nil, (*blob)(&h.Chain), &h.Number, (*blob)(&h.Hash))
	if err == nil && h.Number == 0 {
		h.Hash = storage.FirstAccessHash(h.Chain)
	}
	return h, err
}

// KeepSignedHead keeps a head that was signed.
func (s *Store) KeepSignedHead(ctx context.Context, h storage.SignedHead) error {
	return s.writer.do(ctx, func(tx *tx) error {
		there, err := tx.number(`SELECT count(*) FROM accesses WHERE number = ? AND hash = ?`, h.Number, h.Hash)
		if err != nil {
			return err
		}
		if there == 0 {
			return storage.ErrStale
		}
		_, err = tx.exec(`INSERT INTO access_heads (number, time, hash, key, signature) VALUES (?, ?, ?, ?, ?)
			ON CONFLICT (number) DO UPDATE SET time = excluded.time, hash = excluded.hash, key = excluded.key, signature = excluded.signature`,
			h.Number, nanos(h.Time), h.Hash, h.Key, h.Signature)
		return err
	})
}

const accessColumns = `a.number, a.time, s.site, a.caller, a.method, a.case_uid, a.cases, a.outcome, a.request_id, a.detail, a.concerns, a.reason_hash, a.hash`

func scanAccess(row scanner, a *storage.Access, more ...any) error {
	var at sql.NullInt64
	err := row.Scan(append([]any{&a.Number, &at, &a.Site, &a.Caller, &a.Method, &a.CaseUID, &a.Cases, &a.Outcome, &a.RequestID, &a.Detail, &a.Concerns,
		(*blob)(&a.ReasonHash), (*blob)(&a.Hash)}, more...)...)
	a.Time = instant(at)
	return err
}

// Accesses lists lines of the access record, newest first.
func (s *Store) Accesses(ctx context.Context, sites []string, f storage.AccessFilter, after string, limit int) (list []storage.Access, next string, err error) {
	if limit < 1 {
		return nil, "", errNoLimit
	}
	err = s.reading(ctx, func(l *listing) error {
		for _, site := range sites {
			query, args, err := accessesQuery(site, f, after, limit)
			if err != nil {
				return err
			}
			lines, err := collect(l, query, args, func(row scanner) (a storage.Access, err error) {
				var reason sql.NullString
				err = scanAccess(row, &a, &reason)
				a.Reason = reason.String
				return a, err
			})
			if err != nil {
				return err
			}
			list = append(list, lines...)
		}
		return nil
	})
	slices.SortFunc(list, func(a, b storage.Access) int { return cmp.Compare(b.Number, a.Number) })
	if err != nil || len(list) <= limit {
		return list, "", err
	}
	return list[:limit], strconv.FormatInt(list[limit-1].Number, 10), nil
}

const accessesAfter = `SELECT ` + accessColumns + ` FROM accesses AS a CROSS JOIN sites AS s ON s.id = a.site
	WHERE a.site = (SELECT id FROM sites WHERE site = ?) AND a.number > ? ORDER BY a.number LIMIT ?`

// AccessesAfter gives the lines of a site that came behind a number.
func (s *Store) AccessesAfter(ctx context.Context, site string, after int64, limit int) (list []storage.Access, err error) {
	if limit < 1 {
		return nil, errNoLimit
	}
	err = s.each(ctx, accessesAfter, []any{site, after, limit}, func(row scanner) error {
		var a storage.Access
		err := scanAccess(row, &a)
		list = append(list, a)
		return err
	})
	return list, err
}

func accessesQuery(site string, f storage.AccessFilter, after string, limit int) (string, []any, error) {
	var where conditions
	where.add(`a.site = (SELECT id FROM sites WHERE site = ?)`, site)
	if f.CaseUID != "" {
		where.add(`a.case_uid = ? AND a.case_uid <> ''`, f.CaseUID)
	}
	if f.Caller != "" {
		where.add(`a.caller = ?`, f.Caller)
	}
	if f.Number > 0 {
		where.add(`a.number = ?`, f.Number)
	}
	if f.UnsignedEmergencies {
		where.add(`a.detail = 'emergency' AND NOT EXISTS (SELECT 1 FROM accesses AS o WHERE o.concerns = a.number AND o.concerns > 0 AND o.site = a.site AND o.detail = ?)`, storage.AccessSignedOff)
	}
	if after != "" {
		number, err := strconv.ParseInt(after, 10, 64)
		if err != nil {
			return "", nil, errForeignToken
		}
		where.add(`a.number < ?`, number)
	}
	return `SELECT ` + accessColumns + `, r.content FROM accesses AS a CROSS JOIN sites AS s ON s.id = a.site LEFT JOIN access_reasons AS r ON r.number = a.number
		WHERE ` + where.String() + ` ORDER BY a.number DESC LIMIT ?`, append(where.args, limit+1), nil
}

// AccessVerified says what of an access record was proved.
type AccessVerified struct {
	Chain []byte
	Lines int64
	// First and Last are the numbers of the lines at both ends; 0: there is none.
	First, Last         int64
	FirstTime, LastTime time.Time
	Heads               int // signed ones that fit
	// Signed is the number of the last line below a signature that was checked.
	Signed int64
	// Keys are the public keys that signed, in the order in which they first did.
	Keys [][]byte
	// Unknown is whether no key was given, so that whoever can write the file could
	// have signed with one of his own.
	Unknown bool
	// Cut is the mark before the first line: the lines up to its Number were removed for
	// their age; 0: none were.
	Cut storage.AccessCut
}

// ErrChain is what does not fit in an access record; it names the first break.
var ErrChain = storage.ErrChain

func broken(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrChain, fmt.Sprintf(format, args...))
}

// VerifyAccess walks over the access record of a store as it is at one moment, which
// may run beside a server. Every line must follow the one before it, every signed head
// must fit, and heads that were kept elsewhere must be part of it. keys are the public
// keys that may have signed; none: those that the store names. ErrChain names the first
// break.
func VerifyAccess(ctx context.Context, path string, keys [][]byte, elsewhere []storage.SignedHead) (v AccessVerified, err error) {
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
	c := chainCheck{verifying: verifying{ctx: ctx, tx: tx}, AccessVerified: &v, keys: keys}
	v.Unknown = len(keys) == 0
	return v, c.check(elsewhere)
}

// ProveAccesses proves the lines from the first to one.
func (s *Store) ProveAccesses(ctx context.Context, number int64, keys [][]byte) (hash []byte, err error) {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, classed(err)
	}
	defer func() { _ = tx.Rollback() }() // it wrote nothing
	c := chainCheck{verifying: verifying{ctx: ctx, tx: tx}, AccessVerified: &AccessVerified{}, keys: keys}
	if _, err = c.walk(nil, number); err == nil && c.number != number {
		err = broken("line %d is missing", number)
	}
	return c.before, classed(err)
}

// keptHead is a head that the chain is held against. One from elsewhere that nobody
// signed is believed: who gives it says where it was kept.
type keptHead struct {
	storage.SignedHead
	elsewhere bool
}

type chainCheck struct {
	verifying
	*AccessVerified
	keys  [][]byte
	heads map[int64][]keptHead
	// removed is whether a line says that the lines before the first one were removed.
	removed bool
	// number and before are of the line that was walked over last, and its hash.
	number int64
	before []byte
}

func (c *chainCheck) check(elsewhere []storage.SignedHead) error {
	end, err := c.walk(elsewhere, math.MaxInt64)
	if err != nil {
		return err
	}
	if c.Cut.Number > 0 && !c.removed {
		return broken("lines 1 to %d are missing, and no line says that they were removed", c.Cut.Number)
	}
	if end.Number != c.number || (c.number > 0 && string(end.Hash) != string(c.before)) {
		return broken("it is cut off behind line %d: line %d was the last one", c.number, end.Number)
	}
	for n := range c.heads {
		if n > c.number {
			return broken("it is cut off behind line %d: line %d was there when a head was signed", c.number, n)
		}
	}
	return c.reasons()
}

// walk holds each line up to a number against the one before it, and gives where the
// chain ends.
func (c *chainCheck) walk(elsewhere []storage.SignedHead, last int64) (end storage.AccessHead, err error) {
	if err := c.each(accessHead, func(scan func(...any) error) error {
		return scan((*blob)(&end.Chain), &end.Number, (*blob)(&end.Hash))
	}); err != nil {
		return end, err
	}
	c.Chain = end.Chain
	if err := c.collect(end.Chain, elsewhere); err != nil {
		return end, err
	}
	mark, err := c.mark()
	if err != nil {
		return end, err
	}
	c.number, c.before = 0, storage.FirstAccessHash(end.Chain)
	return end, c.each(`SELECT `+accessColumns+` FROM accesses AS a LEFT JOIN sites AS s ON s.id = a.site WHERE a.number <= ? ORDER BY a.number`, func(scan func(...any) error) error {
		var a storage.Access
		if err := scanAccess(scanFunc(scan), &a); err != nil {
			return broken("line %d cannot be read: %v", c.number+1, err)
		}
		number, before := c.number, c.before
		if c.First == 0 {
			c.First, c.FirstTime = a.Number, a.Time
			if a.Number > 1 {
				if err := c.cut(a.Number-1, mark); err != nil {
					return err
				}
				number, before = a.Number-1, c.Cut.Hash
			}
		}
		switch {
		case a.Number == number+2:
			return broken("line %d is missing", number+1)
		case a.Number != number+1:
			return broken("lines %d to %d are missing", number+1, a.Number-1)
		}
		if got := a.Chained(before); string(got) != string(a.Hash) {
			return broken("line %d of %s is not the one that was written there: it, or the line before it, was changed or moved", a.Number, a.Time.Format(time.RFC3339))
		}
		c.number, c.before = a.Number, a.Hash
		c.Lines++
		c.Last, c.LastTime = a.Number, a.Time
		if a.Detail == storage.AccessRemoved && a.Concerns == c.First-1 {
			c.removed = true
		}
		return c.fits(c.number, c.before)
	}, last)
}

// cut asks for the mark that must stand where the lines up to a number are missing. The
// hash of the last of them is in it, so that the next line has something to follow.
func (c *chainCheck) cut(number int64, mark storage.AccessCut) error {
	switch {
	case mark.Number != number:
		return broken("lines 1 to %d are missing, and no mark says that they were removed", number)
	case !c.signedBy(mark.Key, mark.Signed(), mark.Signature):
		return broken("lines 1 to %d are missing, and the mark that says so was not signed by a key that may", number)
	}
	c.Cut = mark
	return c.fits(number, mark.Hash)
}

// mark reads the mark of the last cut; its Number is 0 where there was none.
func (c *chainCheck) mark() (cut storage.AccessCut, err error) {
	cut.Chain = c.Chain
	return cut, c.each(`SELECT number, hash, before, time, site, caller, key, signature FROM access_cut`, func(scan func(...any) error) error {
		var before, at sql.NullInt64
		err := scan(&cut.Number, (*blob)(&cut.Hash), &before, &at, &cut.Site, &cut.Caller, (*blob)(&cut.Key), (*blob)(&cut.Signature))
		cut.Before, cut.Time = instant(before), instant(at)
		return err
	})
}

// collect reads the heads that are kept, beside those from elsewhere.
func (c *chainCheck) collect(chain []byte, elsewhere []storage.SignedHead) error {
	c.heads = map[int64][]keptHead{}
	for _, h := range elsewhere {
		if string(h.Chain) != string(chain) {
			return broken("the head of line %d that was given belongs to the record of another store", h.Number)
		}
		c.heads[h.Number] = append(c.heads[h.Number], keptHead{h, true})
	}
	return c.each(`SELECT number, time, hash, key, signature FROM access_heads ORDER BY number`, func(scan func(...any) error) error {
		h := storage.SignedHead{AccessHead: storage.AccessHead{Chain: chain}}
		var at sql.NullInt64
		if err := scan(&h.Number, &at, (*blob)(&h.Hash), (*blob)(&h.Key), (*blob)(&h.Signature)); err != nil {
			return err
		}
		h.Time = instant(at)
		c.heads[h.Number] = append(c.heads[h.Number], keptHead{h, false})
		return nil
	})
}

// trusted says whether a head was signed by a key that may.
func (c *chainCheck) trusted(h keptHead) bool {
	if h.elsewhere && len(h.Signature) == 0 {
		return true
	}
	return c.signedBy(h.Key, h.Signed(), h.Signature)
}

// signedBy says whether a key that may has signed.
func (c *chainCheck) signedBy(key, signed, signature []byte) bool {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, signed, signature) {
		return false
	}
	known := len(c.keys) == 0
	for _, k := range c.keys {
		known = known || string(k) == string(key)
	}
	return known
}

// fits holds the heads of a line against it.
func (c *chainCheck) fits(number int64, hash []byte) error {
	for _, h := range c.heads[number] {
		switch {
		case !c.trusted(h):
			return broken("the head of line %d was not signed by a key that may", number)
		case string(h.Hash) != string(hash):
			return broken("line %d, or one before it, is not the one whose head was signed", number)
		}
		c.Heads, c.Signed = c.Heads+1, number
		seen := len(h.Key) == 0
		for _, k := range c.Keys {
			seen = seen || string(k) == string(h.Key)
		}
		if !seen {
			c.Keys = append(c.Keys, h.Key)
		}
	}
	return nil
}

// reasons holds what was given as reason against its hash; one that was erased is no
// break.
func (c *chainCheck) reasons() error {
	return c.each(`SELECT r.number, r.content, a.reason_hash FROM access_reasons AS r LEFT JOIN accesses AS a ON a.number = r.number ORDER BY r.number`, func(scan func(...any) error) error {
		var number int64
		var content string
		var hash blob
		if err := scan(&number, &content, &hash); err != nil {
			return err
		}
		if string(hashOf([]byte(content))) != string(hash) {
			return broken("the reason of line %d is not the one that was written", number)
		}
		return nil
	})
}

type scanFunc func(...any) error

// Scan implements scanner.
func (f scanFunc) Scan(into ...any) error { return f(into...) }
