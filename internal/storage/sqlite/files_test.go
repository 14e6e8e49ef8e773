package sqlite

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trigone/internal/storage"
)

// Nothing is acknowledged that went into a file which nobody finds again, and writes
// go on by themselves once it is back.
func TestFilesTakenAway(t *testing.T) {
	for _, test := range []struct {
		why  string
		file string // what follows the path
		away func(t *testing.T, file string)
	}{
		{"the record is deleted", "", remove},
		{"a backup is put in its place", "", replace},
		{"the log is deleted: what is in it would be lost", "-wal", remove},
		{"another log is put in its place", "-wal", replace},
	} {
		t.Run(test.why, func(t *testing.T) {
			folder := t.TempDir()
			path := filepath.Join(folder, "record.db")
			s := openAt(t, path)
			defer closeStore(t, s)
			mustStand(t, s.Append(t.Context(), "harbour", opening("before")))
			kept := filepath.Join(folder, "kept")
			mustStand(t, os.Link(path+test.file, kept))

			test.away(t, path+test.file)
			if err := s.Append(t.Context(), "harbour", opening("during")); !errors.Is(err, storage.ErrAway) || errors.Is(err, storage.ErrUnknownOutcome) {
				t.Errorf("a write is answered by %v, want %v", err, storage.ErrAway)
			}
			if err := s.Ping(t.Context()); !errors.Is(err, storage.ErrAway) {
				t.Errorf("the store says that it is well: %v", err)
			}
			if _, err := s.Case(t.Context(), "harbour", "before"); err != nil {
				t.Errorf("what is on record cannot be read any more: %v", err)
			}

			mustStand(t, os.Rename(kept, path+test.file))
			mustStand(t, s.Ping(t.Context()))
			mustStand(t, s.Append(t.Context(), "harbour", opening("after")))
			if _, err := s.Case(t.Context(), "harbour", "during"); !errors.Is(err, storage.ErrNotFound) {
				t.Errorf("what was refused is there: %v", err)
			}
		})
	}
}

// Files that go while the transaction ends leave its outcome open.
func TestFilesTakenAwayDuringTheCommit(t *testing.T) {
	s, _ := openNew(t)
	calls := 0
	s.writer.inPlace = func() error {
		if calls++; calls == 2 {
			return storage.ErrAway
		}
		return nil
	}
	err := s.Append(t.Context(), "harbour", opening("a"))
	if !errors.Is(err, storage.ErrUnknownOutcome) {
		t.Errorf("answered by %v", err)
	}
	mustStand(t, s.Append(t.Context(), "harbour", opening("b")))
}

func TestALinkToTheRecord(t *testing.T) {
	folder := t.TempDir()
	link := filepath.Join(folder, "link.db")
	mustStand(t, os.Mkdir(filepath.Join(folder, "there"), 0o700))
	mustStand(t, os.Symlink(filepath.Join(folder, "there", "record.db"), link))
	s := openAt(t, filepath.Join(folder, "there", "record.db"))
	closeStore(t, s)
	s = openAt(t, link)
	defer closeStore(t, s)
	mustStand(t, s.Append(t.Context(), "harbour", opening("a")))
}

// Files that name patients are opened only if nobody but their owner may read them.
func TestFilesOpenToOthers(t *testing.T) {
	for _, test := range []struct {
		mode os.FileMode
		says string // in the refusal; empty: opened
	}{{0o600, ""}, {0o640, "chmod 600"}, {0o604, "chmod 600"}, {0o602, "chmod 600"}} {
		path := filepath.Join(t.TempDir(), "record.db")
		closeStore(t, openAt(t, path))
		mustStand(t, os.Chmod(path, test.mode))
		s, err := Open(t.Context(), path, Options{})
		if err == nil {
			closeStore(t, s)
		}
		if (err == nil) != (test.says == "") || err != nil && !strings.Contains(err.Error(), test.says) {
			t.Errorf("mode %04o: %v", test.mode, err)
		}
	}
}

// A record is begun only where nothing is left of one.
func TestRecordBegun(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	if _, err := Open(t.Context(), path, Options{MustExist: true}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("one that must exist: %v", err)
	}
	for _, begun := range []bool{true, false} {
		s := openAt(t, path)
		if s.Begun() != begun {
			t.Errorf("begun: %t, want %t", s.Begun(), begun)
		}
		closeStore(t, s)
	}
	mustStand(t, os.Remove(path))
	mustStand(t, os.WriteFile(path+"-wal", []byte("the last writes"), 0o600))
	if _, err := Open(t.Context(), path, Options{}); err == nil || !strings.Contains(err.Error(), "last writes") {
		t.Errorf("begun over a log that was left: %v", err)
	}
	if _, err := os.Stat(path + "-wal"); err != nil {
		t.Error(err)
	}
}

func remove(t *testing.T, file string) {
	t.Helper()
	mustStand(t, os.Remove(file))
}

func replace(t *testing.T, file string) {
	t.Helper()
	content, err := os.ReadFile(file)
	mustStand(t, err)
	mustStand(t, os.WriteFile(file+".new", content, 0o600))
	mustStand(t, os.Rename(file+".new", file))
}

func mustStand(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
