package server

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"time"

	"trigone/internal/access"
	"trigone/internal/casebook"
	"trigone/internal/private"
	"trigone/internal/storage"
)

// erasure is a line of the list of erasures: what a restored backup must lose again.
// It names a case by its uid, and nobody.
type erasure struct {
	Site string          `json:"site"`
	Case string          `json:"case"`
	What storage.Erasure `json:"what"`
	Time time.Time       `json:"time"`
	// Signature is by the key of the access record, of the rest; empty: there is none.
	Signature []byte `json:"signature,omitempty"`
}

func (e erasure) signed() []byte {
	return fmt.Appendf(nil, "erasure\x00%s\x00%s\x00%s\x00%d", e.Site, e.Case, e.What, e.Time.UnixNano())
}

// erasures is the list, a file beside the store that is kept with the backups. nil keeps
// none.
type erasures struct {
	mu   sync.Mutex
	path string
	key  ed25519.PrivateKey
	now  func() time.Time
}

// ErasuresFile gives where the list of a store lies.
func ErasuresFile(storePath string) string { return storePath + ".erasures" }

// add writes a line before the erasure is answered.
func (l *erasures) add(site, uid string, what storage.Erasure) error {
	if l == nil {
		return nil
	}
	e := erasure{Site: site, Case: uid, What: what, Time: l.now().UTC()}
	if l.key != nil {
		e.Signature = ed25519.Sign(l.key, e.signed())
	}
	line, err := json.Marshal(e)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return private.Add(l.path, append(line, '\n'))
}

// readErasures reads a list; with a key every line must be signed by it.
func readErasures(path, keyFile string) (list []erasure, err error) {
	if path == "" {
		return nil, nil
	}
	var key ed25519.PublicKey
	if keyFile != "" {
		if key, err = access.ReadPublicKey(keyFile); err != nil {
			return nil, err
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the list of erasures: %w", err)
	}
	for lines, n := bufio.NewScanner(bytes.NewReader(text)), 1; lines.Scan(); n++ {
		var e erasure
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			return nil, fmt.Errorf("line %d of the list of erasures cannot be read: %w", n, err)
		}
		if key != nil && !ed25519.Verify(key, e.signed(), e.Signature) {
			return nil, fmt.Errorf("line %d of the list of erasures was not signed by this key: whoever wrote it, a restored record must not lose a case by it", n)
		}
		list = append(list, e)
	}
	return list, nil
}

// eraseAgain makes the erasures of a list that a store does not know.
func eraseAgain(ctx context.Context, storePath, policyPath string, list []erasure) (made int, err error) {
	if len(list) == 0 {
		return 0, nil
	}
	clinical, err := readPolicy(policyPath)
	if err != nil {
		return 0, err
	}
	return made, inStore(ctx, storePath, func(store storage.Store) error {
		for _, e := range list {
			p := clinical
			p.Settings.Site = e.Site
			book, err := casebook.New(ctx, casebook.Config{Store: store, Policy: p, Software: Version(), Projectors: projectors()})
			if err != nil {
				return err
			}
			done, err := book.EraseAgain(ctx, casebook.Principal{Name: access.Self}, e.Case, e.What)
			if err != nil {
				return fmt.Errorf("case %s: %w", e.Case, err)
			}
			if done {
				made++
			}
		}
		if made == 0 {
			return nil
		}
		return store.Purge(ctx)
	})
}
