package sqlite

import (
	"context"
	"errors"
	"fmt"
)

// Backup writes the store as it is at one moment to a new file, without free pages and
// so without anything that was erased. It may run beside a server.
func Backup(ctx context.Context, path, out string) (err error) {
	defer func() { err = classed(err) }()
	if _, err := find(path, true); err != nil {
		return fmt.Errorf("the store cannot be opened: %w", err)
	}
	if _, err := create(out); err != nil {
		return fmt.Errorf("the backup cannot be made: %w", err)
	}
	db, err := connectToRead(path, usualBusy, 1)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := current(ctx, db); err != nil {
		return err
	}
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, out); err != nil {
		return fmt.Errorf("the backup cannot be written: %w", err)
	}
	return nil
}
