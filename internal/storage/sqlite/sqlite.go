// Package sqlite keeps the record in one SQLite file: an answer to Append means
// that the write is on disk. It implements storage.Store and knows nothing of
// what the bytes mean. The server opens it and hands it to the casebook.
//
// There is one writer at a time. It takes every caller that waits into one
// transaction, each behind a savepoint of its own, so that many share one sync of
// the disk and one caller's ErrStale undoes nobody else's write. Reads go to a
// pool of connections of their own that cannot write; a row or a page is read by
// one statement and so from one state of the store. The write-ahead log is copied
// into the file beside the writer, so that few callers wait for that.
//
// More than one process may have the file open: nothing that decides is
// remembered between transactions.
//
// History of the schema, one file in migrations per line, never edited once
// released:
//
//	schema  released with  what changed
//	1       first release  the record
//	2       first release  confirmations; a change names its finding
//	3       first release  answers as frames, identifying parts apart, projections
//	4       first release  indexes of what a case was before
//	5       first release  the access record
//	6       first release  erasure
//	7       first release  rows by which resources are found
//	8       first release  whether a store is of invented cases or of real ones
//	9       first release  the index of cases that are awaited
//	10      first release  the list of quarantined submits
//	11      first release  the index of case numbers
//	12      first release  where the access record was cut
//	13      first release  an index of comparisons that hold numbers
//	14      first release  what is kept of erased cases
//	15      first release  by which formula and calibration a prediction was made
package sqlite

import (
	"context"
	"crypto/rand"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"trigone/internal/storage"
)

//go:embed migrations/*.sql migrations/*/*.sql
var migrations embed.FS

// Options are what a deployment may set; the zero value serves a hospital.
type Options struct {
	// Readers is how many reads run at once; 0: 4.
	Readers int
	// Busy is how long a write waits for another process that writes; 0: 5 s.
	Busy time.Duration
	// MustExist refuses to begin a new record: fs.ErrNotExist.
	MustExist bool
}

const (
	usualReaders = 4
	usualBusy    = 5 * time.Second
)

// Store is a store in one SQLite file.
type Store struct {
	read   *sql.DB
	writer *writer
	checks *checkpointer
	files  files
	begun  bool

	closing   sync.Once
	closedErr error
}

var _ storage.Store = (*Store)(nil)

// Open opens the store at path. It makes the file, readable for its owner alone,
// if there is none, and brings an older schema up to this version's.
// storage.ErrNewerSchema if a newer version wrote it: then nothing is changed. On a disk
// that can only be read, every write is answered by storage.ErrReadOnly.
func Open(ctx context.Context, path string, o Options) (_ *Store, err error) {
	if o.Readers <= 0 {
		o.Readers = usualReaders
	}
	if o.Busy <= 0 {
		o.Busy = usualBusy
	}
	begun, err := find(path, o.MustExist)
	if err != nil {
		return nil, fmt.Errorf("the store cannot be opened: %w", err)
	}
	if !writable(path) {
		return openToRead(ctx, path, o)
	}
	// What SQLite itself does where it can: as durable, and up to twice as fast.
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return nil, err
	}
	write, err := connect(path, o.Busy, 1, "rw")
	if err != nil {
		return nil, err
	}
	s := &Store{begun: begun}
	defer func() {
		if err != nil {
			_ = write.Close() // err says what went wrong first
			if s.read != nil {
				_ = s.read.Close()
			}
		}
	}()
	if err := migrate(ctx, write); err != nil {
		return nil, err
	}
	if err := makeSecret(ctx, write); err != nil {
		return nil, fmt.Errorf("the store's secret cannot be made: %w", err)
	}
	if s.read, err = connect(path, o.Busy, o.Readers, "ro"); err != nil {
		return nil, err
	}
	checkpoints, err := connect(path, o.Busy, 1, "rw")
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = checkpoints.Close()
		}
	}()
	if err := errors.Join(openAll(ctx, s.read, o.Readers), openAll(ctx, checkpoints, 1)); err != nil {
		return nil, fmt.Errorf("the store cannot be opened: %w", err)
	}
	if s.files, err = filesOf(path); err != nil {
		return nil, fmt.Errorf("the store cannot be opened: %w", err)
	}
	s.checks = newCheckpointer(checkpoints)
	if s.writer, err = newWriter(ctx, write, o.Busy, s.checks.wrote, s.files.inPlace); err != nil {
		return nil, errors.Join(err, s.checks.close())
	}
	return s, nil
}

// openToRead opens a store of this schema that cannot be written.
func openToRead(ctx context.Context, path string, o Options) (*Store, error) {
	db, err := connectToRead(path, o.Busy, o.Readers)
	if err != nil {
		return nil, err
	}
	s := &Store{read: db, writer: &writer{refuses: storage.ErrReadOnly}}
	err = errors.Join(current(ctx, db), openAll(ctx, db, o.Readers))
	if err == nil {
		s.files, err = filesOf(path)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("the store can only be read, and cannot be opened so: %w", classed(err)), db.Close())
	}
	return s, nil
}

// ReadOnly says that it was opened to be read only.
func (s *Store) ReadOnly() bool { return s.writer.refuses != nil }

// Begun says that opening it began a new record.
func (s *Store) Begun() bool { return s.begun }

// connectToRead opens a store that need not be writable. SQLite reads one without a log
// only if it may make one, or is told that nobody writes: true on a disk that nobody can
// write.
func connectToRead(path string, busy time.Duration, connections int) (*sql.DB, error) {
	mode := "ro"
	if log, err := os.Stat(path + "-wal"); !writable(path) && (err != nil || log.Size() == 0) {
		mode = "immutable"
	}
	return connect(path, busy, connections, mode)
}

func connect(path string, busy time.Duration, connections int, mode string) (*sql.DB, error) {
	q := url.Values{"mode": {mode}, "_pragma": {
		"busy_timeout(" + strconv.FormatInt(busy.Milliseconds(), 10) + ")",
		"foreign_keys(ON)",
		"temp_store(MEMORY)", // savepoints keep no file
	}}
	switch mode {
	case "immutable":
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	case "rw":
		q.Add("_pragma", "journal_mode(WAL)")
		q.Add("_pragma", "synchronous(FULL)")
		// The checkpointer does it; this bounds the log if it falls behind.
		q.Add("_pragma", "wal_autocheckpoint("+strconv.Itoa(longLog)+")")
		q.Set("_txlock", "immediate")
	}
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: filepath.ToSlash(absolute)}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, fmt.Errorf("the store cannot be opened: %w", err)
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// openAll opens the connections now: one that is opened later would have the file that
// lies there then.
func openAll(ctx context.Context, db *sql.DB, connections int) error {
	for range connections {
		c, err := db.Conn(ctx)
		if err != nil {
			return err
		}
		defer func() { _ = c.Close() }() // gives it back
		if _, err := c.ExecContext(ctx, `SELECT secret FROM store`); err != nil {
			return err
		}
	}
	return nil
}

func migrator(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true),
		goose.WithGoMigrations(goose.NewGoMigration(3, &goose.GoFunc{RunTx: toSchema3}, nil)))
}

func migrate(ctx context.Context, db *sql.DB) error {
	provider, err := migrator(db)
	if err != nil {
		return fmt.Errorf("the store's migrations cannot be read: %w", err)
	}
	for last, tries := int64(-1), 0; ; {
		current, target, err := provider.GetVersions(ctx)
		switch {
		case errors.Is(classed(err), storage.ErrBusy) && tries < 50:
			// A server that started at once with this one is turning the new file to its
			// log: for that moment SQLite waits for nobody, whatever it was told.
			tries++
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(20 * time.Millisecond):
			}
			continue
		case err != nil:
			return fmt.Errorf("the store's schema version cannot be read: %w", err)
		case current > target:
			return fmt.Errorf("%w (schema %d, this version knows %d)", storage.ErrNewerSchema, current, target)
		case current == target:
			return nil
		}
		// A failure may mean that another process did it first: then the schema
		// has moved on since the last attempt.
		if _, err := provider.Up(ctx); err != nil && current == last {
			return fmt.Errorf("the store cannot be brought to schema %d: %w", target, err)
		}
		last = current
	}
}

// makeSecret makes the secret of a store that has none yet.
func makeSecret(ctx context.Context, db *sql.DB) error {
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	_, err := db.ExecContext(ctx, `INSERT INTO store (id, secret) VALUES (1, ?) ON CONFLICT (id) DO NOTHING`, secret)
	return err
}

// Secret gives the store's own key.
func (s *Store) Secret(ctx context.Context) ([]byte, error) {
	var secret []byte
	err := s.read.QueryRowContext(ctx, `SELECT secret FROM store`).Scan(&secret)
	return secret, classed(err)
}

// Mark says which kind of cases the store keeps.
func (s *Store) Mark(ctx context.Context) (m storage.Mark, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT mark FROM store`).Scan(&m)
	return m, classed(err)
}

// Append makes one write.
func (s *Store) Append(ctx context.Context, site string, w storage.Write) error {
	if err := w.Check(site); err != nil {
		return err
	}
	ready, err := s.prepare(ctx, site, &w)
	if err != nil {
		return err
	}
	return s.writer.do(ctx, func(tx *tx) error { return tx.append(site, w, ready) })
}

// Ping says whether the store can be read and is where it was opened.
func (s *Store) Ping(ctx context.Context) error {
	if _, err := s.Secret(ctx); err != nil {
		return fmt.Errorf("the store cannot be read: %w", err)
	}
	return s.files.inPlace()
}

// Close finishes the writes that wait, then releases the file.
func (s *Store) Close() error {
	s.closing.Do(func() {
		// The checkpointer last: the writer tells it of every commit.
		s.closedErr = errors.Join(s.read.Close(), s.writer.close(), s.checks.close())
	})
	return s.closedErr
}

// errClosed is what a closed store answers to a write.
var errClosed = errors.New("the store is closed")

// nanos gives a time as it is kept.
func nanos(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixNano()
}

// instant reads a time.
func instant(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}

// bytes gives content as it is kept: nil as NULL.
func bytes(b []byte) any {
	if b == nil {
		return nil
	}
	return b
}

// blob reads content; database/sql alone would not tell empty from NULL.
type blob []byte

// Scan implements sql.Scanner.
func (b *blob) Scan(value any) error {
	switch v := value.(type) {
	case nil:
		*b = nil
	case []byte:
		*b = append([]byte{}, v...)
	default:
		return fmt.Errorf("a column of bytes holds %T", value)
	}
	return nil
}

// isTaken says whether a unique index refused a row.
func isTaken(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE
}

// isBusy says whether another connection holds the lock.
func isBusy(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_BUSY
}
