package sqlite

import "database/sql"

// The write-ahead log is copied into the file after this many writes, about a
// thousand pages; a log of longLog pages (16 MiB) is copied by the writer itself,
// which then waits, because copying beside a writer that never rests cannot
// finish.
const (
	writesPerCheckpoint = 64
	longLog             = 4096
)

// checkpointer copies the write-ahead log into the file on a connection of its
// own, beside the writer.
type checkpointer struct {
	db     *sql.DB
	due    chan struct{}
	done   chan struct{}
	writes int // since the last one; the writer's alone
}

func newCheckpointer(db *sql.DB) *checkpointer {
	c := &checkpointer{db: db, due: make(chan struct{}, 1), done: make(chan struct{})}
	go func() {
		defer close(c.done)
		for range c.due {
			// A failure is no loss: the log keeps everything until the next one,
			// and the writer meets a full or broken disk itself.
			_, _ = c.db.Exec(`PRAGMA wal_checkpoint(PASSIVE)`)
		}
	}()
	return c
}

// wrote is called by the writer after each commit.
func (c *checkpointer) wrote(writes int) {
	c.writes += writes
	if c.writes < writesPerCheckpoint {
		return
	}
	select {
	case c.due <- struct{}{}:
		c.writes = 0
	default: // one is due already
	}
}

// close is for when the writer has ended.
func (c *checkpointer) close() error {
	if c == nil {
		return nil // of a store that is only read
	}
	close(c.due)
	<-c.done
	return c.db.Close()
}
