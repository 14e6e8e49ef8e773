// Package private writes files that only their owner may read: whatever the
// programs write may be of patients. No other room makes a file but the store.
package private

import (
	"errors"
	"io/fs"
	"os"
)

const (
	fileMode   fs.FileMode = 0o600
	folderMode fs.FileMode = 0o700
)

// Folder makes a folder and those above it; one that is there stays as it is.
func Folder(path string) error { return os.MkdirAll(path, folderMode) }

// Create makes an empty file, or empties one. The mode of a file that was there is
// narrowed too; what is no file, such as a pipe, keeps its own.
func Create(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, fileMode)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && info.Mode().IsRegular() && info.Mode().Perm() != fileMode {
		err = f.Chmod(fileMode)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// Write writes a file whole.
func Write(path string, content []byte) error {
	f, err := Create(path)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	return errors.Join(err, f.Close())
}

// Add adds to the end of a file, which is made if it is not there, and returns when
// that is on disk.
func Add(path string, content []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, fileMode)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	return errors.Join(err, f.Sync(), f.Close())
}
