package sqlite

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"

	"trigone/internal/storage"
)

// find looks for the store at path, and begins one where there is none.
func find(path string, mustExist bool) (begun bool, err error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && mustExist:
		return false, fmt.Errorf("%w, and it must: a record was here, or the path is another one", err)
	case errors.Is(err, fs.ErrNotExist):
		return create(path)
	case err != nil:
		return false, err
	case info.Size() == 0 && mustExist:
		return false, fmt.Errorf("%s is empty: %w, and it must", path, fs.ErrNotExist)
	}
	return info.Size() == 0, ownersAlone(path)
}

// create makes the file before SQLite would, with a mode of our own; SQLite gives
// the same mode to the files it keeps beside it.
func create(path string) (begun bool, err error) {
	// SQLite would delete the log as one of no record.
	if left, err := os.Stat(path + "-wal"); err == nil && left.Size() > 0 {
		if _, err := os.Stat(path); err == nil {
			return find(path, false) // a server that started at once with this one has begun it
		}
		return false, fmt.Errorf("%s is gone but its log is there, with the last writes of a record: put the record back, or move %s-wal away to begin a new one", path, path)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return false, nil // by another process, at this moment
	}
	if err != nil {
		return false, err
	}
	if err := f.Close(); err != nil {
		return false, err
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return false, err
	}
	return true, errors.Join(folder.Sync(), folder.Close())
}

// writable says whether this process may write the file; every other fault is met when it
// is opened.
func writable(path string) bool {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err == nil {
		err = f.Close()
	}
	return !errors.Is(err, syscall.EROFS) && !errors.Is(err, fs.ErrPermission)
}

// ownersAlone refuses files that others may read or write: they name patients.
func ownersAlone(path string) error {
	if runtime.GOOS == "windows" { // which keeps rights elsewhere than in the mode
		return nil
	}
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
			return fmt.Errorf("%s is open to others (mode %04o); only its owner may read it: chmod 600", name, info.Mode().Perm())
		}
	}
	return nil
}

// files are those of the record when it was opened, by name: the record itself and its
// write-ahead log. Whoever deletes or replaces one leaves this process with a file
// that nobody finds again.
type files map[string]fs.FileInfo

// filesOf is for when SQLite has opened both.
func filesOf(path string) (files, error) {
	// SQLite keeps the log beside the file itself, not beside a link to it.
	path, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil, err
	}
	list := files{}
	if list[path], err = os.Stat(path); err != nil {
		return nil, err
	}
	log, err := os.Stat(path + "-wal")
	switch {
	case err == nil:
		list[path+"-wal"] = log
	case !errors.Is(err, fs.ErrNotExist): // none lies beside a record that is only read
		return nil, err
	}
	return list, nil
}

// inPlace says whether they are still there. storage.ErrAway.
func (list files) inPlace() error {
	for name, opened := range list {
		there, err := os.Stat(name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("%w: %s is gone", storage.ErrAway, name)
		case err != nil:
			return fmt.Errorf("%w: %w", storage.ErrAway, err)
		case !os.SameFile(opened, there):
			return fmt.Errorf("%w: %s is another file", storage.ErrAway, name)
		}
	}
	return nil
}
