// Package sqlite keeps the record in one SQLite file. One goroutine writes and
// commits callers that wait together in one transaction, each behind a savepoint
// of its own; readers have connections of their own.
//
// History of the schema:
//
//	1  the record: cases, identities, sections, revisions, evaluations, findings,
//	   discrepancies, changes, requests, quarantine, policies
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
	"time"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"trigone/internal/storage"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Options are for a store in unusual places.
type Options struct {
	// BatchSize is how many waiting writes are committed together at most; 0: 64.
	BatchSize int
}

// Store is a store in one SQLite file.
type Store struct {
	write *sql.DB // one connection, used by the writer alone
	read  *sql.DB
	queue chan *job
	stop  chan struct{}
	ended chan struct{}
}

const (
	usualBatch = 64
	readers    = 4
	secretSize = 32
)

// Open opens the file, makes it if it is not there, and brings it to this
// version's schema. storage.ErrNewerSchema if a newer version wrote it.
func Open(ctx context.Context, path string, o Options) (*Store, error) {
	if o.BatchSize <= 0 {
		o.BatchSize = usualBatch
	}
	if err := create(path); err != nil {
		return nil, err
	}
	write, err := connect(path, false)
	if err != nil {
		return nil, err
	}
	if err := prepare(ctx, write); err != nil {
		return nil, errors.Join(err, write.Close())
	}
	read, err := connect(path, true)
	if err != nil {
		return nil, errors.Join(err, write.Close())
	}
	s := &Store{write: write, read: read, queue: make(chan *job), stop: make(chan struct{}), ended: make(chan struct{})}
	go s.writer(o.BatchSize)
	return s, nil
}

// create makes the file for its owner alone: it holds patient identifiers.
func create(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("open the store's file: %w", err)
	}
	return f.Close()
}

func connect(path string, readOnly bool) (*sql.DB, error) {
	q := url.Values{}
	for _, pragma := range []string{"journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(ON)", "busy_timeout(10000)"} {
		q.Add("_pragma", pragma)
	}
	if readOnly {
		q.Add("_pragma", "query_only(ON)")
	}
	q.Set("_txlock", "immediate")
	if readOnly {
		q.Set("_txlock", "deferred")
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, fmt.Errorf("open the store: %w", err)
	}
	conns := 1
	if readOnly {
		conns = readers
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

func prepare(ctx context.Context, db *sql.DB) error {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectSQLite3, db, files)
	if err != nil {
		return fmt.Errorf("read the migrations: %w", err)
	}
	have, err := provider.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("read the schema's version: %w", err)
	}
	sources := provider.ListSources()
	if newest := sources[len(sources)-1].Version; have > newest {
		return fmt.Errorf("%w (schema %d, this version knows %d)", storage.ErrNewerSchema, have, newest)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("bring the schema up: %w", err)
	}
	secret := make([]byte, secretSize)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, `INSERT INTO store (key, value) VALUES ('secret', ?) ON CONFLICT DO NOTHING`, secret)
	return err
}

// Secret gives the store's own key.
func (s *Store) Secret(ctx context.Context) ([]byte, error) {
	var secret []byte
	err := s.read.QueryRowContext(ctx, `SELECT value FROM store WHERE key = 'secret'`).Scan(&secret)
	return secret, err
}

// Ping says whether the store can be read and its writer runs.
func (s *Store) Ping(ctx context.Context) error {
	select {
	case <-s.ended:
		return errClosed
	default:
	}
	return s.read.PingContext(ctx)
}

// Close ends the writer after what it has taken in, and closes the file.
func (s *Store) Close() error {
	select {
	case <-s.stop:
		return nil
	default:
	}
	close(s.stop)
	<-s.ended
	return errors.Join(s.read.Close(), s.write.Close())
}

var errClosed = errors.New("the store is closed")

// nanos keeps a time; the zero time is NULL.
func nanos(t time.Time) sql.NullInt64 {
	if t.IsZero() {
		return sql.NullInt64{}
	}
	return sql.NullInt64{Int64: t.UnixNano(), Valid: true}
}

func instant(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}

// notFound turns an empty answer into the store's error.
func notFound(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return storage.ErrNotFound
	}
	return err
}

// unique says whether an error is a broken unique constraint.
func unique(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && (e.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE || e.Code() == sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY)
}
