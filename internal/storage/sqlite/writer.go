package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"trigone/internal/storage"
)

// groupSize is how many writes are committed together at most. It bounds what one
// transaction holds in memory; callers beyond it wait one commit longer.
const groupSize = 256

// writer owns the only connection that writes. There is no goroutine for it: a
// caller that finds the writer's turn free takes it and commits every call that
// waits, its own among them. A lone caller so goes to the disk without waking
// another thread, which would cost it as much as the sync of a fast disk.
type writer struct {
	db    *sql.DB
	conn  *sql.Conn
	tx    *tx
	turn  chan struct{} // holds one value while somebody has the turn
	calls chan *call
	stop  chan struct{} // closed when the turn is given no more
	wrote func(writes int)
	// inPlace says whether what is written can be found again.
	inPlace func() error
	busy    time.Duration
	// refuses answers every call where nothing can be written; nil: they are taken.
	refuses error

	// commits and writes are counted for the benchmarks.
	commits, writes atomic.Int64
}

// call is one caller's part of a transaction.
type call struct {
	part func(*tx) error
	// settled is set by whoever comes first: the writer that takes the call, or
	// the caller that gives up. So a caller told that its time is over knows that
	// nothing was stored.
	settled atomic.Bool
	answer  chan error
}

// settle says whether the one that asks comes first.
func (c *call) settle() bool { return c.settled.CompareAndSwap(false, true) }

func newWriter(ctx context.Context, db *sql.DB, busy time.Duration, wrote func(int), inPlace func() error) (*writer, error) {
	conn, err := db.Conn(ctx)
	if err == nil {
		_, err = conn.ExecContext(ctx, `PRAGMA busy_timeout = 0`) // begin waits itself
	}
	if err != nil {
		return nil, fmt.Errorf("the store cannot be opened for writing: %w", err)
	}
	return &writer{
		db: db, conn: conn, tx: &tx{conn: conn, prepared: map[string]*sql.Stmt{}}, busy: busy, wrote: wrote, inPlace: inPlace,
		turn: make(chan struct{}, 1), calls: make(chan *call, groupSize), stop: make(chan struct{}),
	}, nil
}

// do runs part in a transaction and returns when that is on disk, or when ctx
// ends before the call was taken into one. Whatever it fails by, nothing was stored,
// unless storage.ErrUnknownOutcome says otherwise.
func (w *writer) do(ctx context.Context, part func(*tx) error) error {
	if w.refuses != nil {
		return w.refuses
	}
	return classed(w.wait(ctx, part))
}

func (w *writer) wait(ctx context.Context, part func(*tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c := &call{part: part, answer: make(chan error, 1)}
	select {
	case w.calls <- c:
	case <-ctx.Done():
		return ctx.Err()
	case <-w.stop:
		return errClosed
	}
	for {
		select {
		case err := <-c.answer:
			return err
		case w.turn <- struct{}{}:
			if err := w.lead(ctx); err != nil && c.settle() {
				return err
			}
		case <-ctx.Done():
			if c.settle() {
				return ctx.Err()
			}
			return <-c.answer
		case <-w.stop:
			if c.settle() {
				return errClosed
			}
			return <-c.answer
		}
	}
}

// close commits what waits and keeps the turn for good.
func (w *writer) close() error {
	if w.refuses != nil {
		return nil
	}
	w.turn <- struct{}{}
	var err error
	for len(w.calls) > 0 && err == nil {
		err = w.group(context.Background())
	}
	close(w.stop)
	return errors.Join(err, w.tx.close(), w.conn.Close(), w.db.Close())
}

// lead uses the turn and gives it back.
func (w *writer) lead(ctx context.Context) error {
	defer func() { <-w.turn }()
	return w.group(ctx)
}

// group commits the calls that wait and those that come while their transaction
// is being put together. It fails, with no call taken, if the transaction cannot
// begin or ctx ends before it does; every call taken has its answer. Only who has
// the turn may call it.
func (w *writer) group(ctx context.Context) error {
	if len(w.calls) == 0 {
		return nil
	}
	if err := w.begin(ctx); err != nil {
		return err
	}
	var taken []*call
	var results []error
	var failed error
	for failed == nil {
		c := w.next(taken)
		if c == nil {
			break
		}
		if c.settle() {
			err, failure := w.tx.part(c.part)
			taken, results, failed = append(taken, c), append(results, err), failure
		}
	}
	if failed == nil {
		failed = w.commit()
	}
	if failed != nil {
		// SQLite may have rolled back by itself; then there is nothing to undo.
		_, _ = w.tx.exec(`ROLLBACK`)
	}
	stored := 0
	for i, c := range taken {
		switch {
		case results[i] == nil && failed != nil:
			results[i] = fmt.Errorf("the store cannot be written: %w", failed)
		case results[i] == nil:
			stored++
		}
		c.answer <- results[i]
	}
	if stored > 0 && failed == nil {
		w.commits.Add(1)
		w.writes.Add(int64(stored))
		w.wrote(stored)
	}
	return nil
}

// commit ends the transaction. Files that were taken away before it refuse it; after
// it they leave open whether anybody will ever read what it wrote. So does an error of
// the commit itself: of one whose sync failed, a later start may find all. A full disk
// alone is met before the last page of the transaction, and so before it counts.
func (w *writer) commit() error {
	if err := w.inPlace(); err != nil {
		return err
	}
	_, err := w.tx.exec(`COMMIT`)
	if errors.Is(classed(err), storage.ErrFull) {
		return err
	}
	if err == nil {
		err = w.inPlace()
	}
	if err != nil {
		return fmt.Errorf("%w: %w", storage.ErrUnknownOutcome, err)
	}
	return nil
}

// begin waits for another process that writes, but no longer than ctx.
func (w *writer) begin(ctx context.Context) error {
	last := time.Now().Add(w.busy)
	for wait := time.Millisecond; ; wait = min(2*wait, 50*time.Millisecond) {
		_, err := w.tx.exec(`BEGIN IMMEDIATE`)
		if err == nil {
			return nil
		}
		if !isBusy(err) || time.Now().After(last) {
			return fmt.Errorf("the store cannot be written: %w", err)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// next gives another call that waits, or nil if there is none or the group is
// full.
func (w *writer) next(taken []*call) *call {
	if len(taken) == groupSize {
		return nil
	}
	select {
	case c := <-w.calls:
		return c
	default:
		return nil
	}
}

// tx is the writer's transaction. Its statements are prepared once.
type tx struct {
	conn     *sql.Conn
	prepared map[string]*sql.Stmt
}

// part runs one caller's part: all of it, or nothing if it returns an error. A
// failure is one of the transaction as a whole.
func (t *tx) part(do func(*tx) error) (err, failure error) {
	if _, err := t.exec(`SAVEPOINT part`); err != nil {
		return err, err
	}
	err = do(t)
	if err != nil {
		if _, failure := t.exec(`ROLLBACK TO part`); failure != nil {
			return err, failure
		}
	}
	if _, failure := t.exec(`RELEASE part`); failure != nil {
		return err, failure
	}
	return err, nil
}

func (t *tx) statement(query string) (*sql.Stmt, error) {
	if s, ok := t.prepared[query]; ok {
		return s, nil
	}
	// No context of a caller: an interrupted statement would roll back everybody.
	s, err := t.conn.PrepareContext(context.Background(), query)
	if err != nil {
		return nil, err
	}
	t.prepared[query] = s
	return s, nil
}

func (t *tx) exec(query string, args ...any) (sql.Result, error) {
	s, err := t.statement(query) //nolint:sqlclosecheck // prepared once for the connection and closed with it
	if err != nil {
		return nil, err
	}
	return s.Exec(args...)
}

func (t *tx) query(query string, args ...any) (*sql.Rows, error) {
	s, err := t.statement(query) //nolint:sqlclosecheck // prepared once for the connection and closed with it
	if err != nil {
		return nil, err
	}
	return s.Query(args...)
}

// rowsPerInsert is how many rows one statement inserts at most: enough for most
// writes, and few enough to prepare one statement per number.
const rowsPerInsert = 16

// insert adds rows; values are those of all rows, one after the other. Each
// statement costs more than each row, so rows share one.
func (t *tx) insert(into string, columns int, values []any) error {
	row := "(?" + strings.Repeat(", ?", columns-1) + ")"
	for chunk := range slices.Chunk(values, rowsPerInsert*columns) {
		query := into + " VALUES " + row + strings.Repeat(", "+row, len(chunk)/columns-1)
		if _, err := t.exec(query, chunk...); err != nil {
			return err
		}
	}
	return nil
}

// number gives the number that a statement returns; sql.ErrNoRows if it returns no row.
func (t *tx) number(query string, args ...any) (n int64, err error) {
	s, err := t.statement(query) //nolint:sqlclosecheck // prepared once for the connection and closed with it
	if err != nil {
		return 0, err
	}
	err = s.QueryRow(args...).Scan(&n)
	return n, err
}

// affected says whether a statement touched a row.
func (t *tx) affected(query string, args ...any) (bool, error) {
	result, err := t.exec(query, args...)
	if err != nil {
		return false, err
	}
	n, err := result.RowsAffected()
	return n > 0, err
}

func (t *tx) close() error {
	var errs []error
	for _, s := range t.prepared {
		errs = append(errs, s.Close())
	}
	return errors.Join(errs...)
}
