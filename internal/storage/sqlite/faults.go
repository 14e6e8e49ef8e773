package sqlite

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"trigone/internal/storage"
)

// classOf gives the class of a fault by SQLite's code: the whole code where its kind
// alone would mislead, or else the kind, which is its last byte.
var classOf = map[int]error{
	sqlite3.SQLITE_READONLY_DBMOVED: storage.ErrAway,
	sqlite3.SQLITE_IOERR_CORRUPTFS:  storage.ErrDamaged,
	sqlite3.SQLITE_IOERR_DATA:       storage.ErrDamaged,

	sqlite3.SQLITE_FULL:     storage.ErrFull,
	sqlite3.SQLITE_READONLY: storage.ErrReadOnly,
	sqlite3.SQLITE_IOERR:    storage.ErrAway,
	sqlite3.SQLITE_CANTOPEN: storage.ErrAway,
	sqlite3.SQLITE_BUSY:     storage.ErrBusy,
	sqlite3.SQLITE_CORRUPT:  storage.ErrDamaged,
	sqlite3.SQLITE_NOTADB:   storage.ErrDamaged,
}

// classed says of an error of SQLite which class of faults it is.
func classed(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	class, ok := classOf[e.Code()]
	if !ok {
		class, ok = classOf[e.Code()&0xff]
	}
	if !ok || errors.Is(err, class) {
		return err
	}
	return fmt.Errorf("%w: %w", class, err)
}
