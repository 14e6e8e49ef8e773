package server

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"regexp"

	"trigone/internal/access"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
)

// AccessVerified says what of an access record was proved.
type AccessVerified = sqlite.AccessVerified

// AccessProof is what an access record is held against.
type AccessProof struct {
	// KeyFile holds the key that signed, or its public half; empty: keys are taken from
	// the store, which proves less.
	KeyFile string
	// Heads are heads as the log printed them, LogFiles are logs that hold some.
	Heads, LogFiles []string
}

// VerifyAccess proves that the access record of a store is whole, or names the first
// break. It changes nothing and may run beside a server.
func VerifyAccess(ctx context.Context, storePath string, p AccessProof) (AccessVerified, error) {
	var keys [][]byte
	if p.KeyFile != "" {
		key, err := access.ReadPublicKey(p.KeyFile)
		if err != nil {
			return AccessVerified{}, err
		}
		keys = append(keys, key)
	}
	var heads []storage.SignedHead
	for _, text := range p.Heads {
		h, err := storage.ParseSignedHead(text)
		if err != nil {
			return AccessVerified{}, err
		}
		heads = append(heads, h)
	}
	for _, path := range p.LogFiles {
		found, err := headsIn(path)
		if err != nil {
			return AccessVerified{}, fmt.Errorf("heads in %s: %w", path, err)
		}
		heads = append(heads, found...)
	}
	v, err := sqlite.VerifyAccess(ctx, storePath, keys, heads)
	if err != nil {
		return v, fmt.Errorf("verify the access record: %w", err)
	}
	return v, nil
}

var printedHead = regexp.MustCompile(`head:[0-9a-f]{32}:[0-9]+:-?[0-9]+:[0-9a-f]{64}:[0-9a-f]*:[A-Za-z0-9_-]*`)

// headsIn reads the heads that a log holds.
func headsIn(path string) (list []storage.SignedHead, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // it was only read
	for lines := bufio.NewReader(f); ; {
		line, err := lines.ReadBytes('\n')
		for _, text := range printedHead.FindAll(line, -1) {
			h, err := storage.ParseSignedHead(string(text))
			if err != nil {
				return nil, err
			}
			list = append(list, h)
		}
		if err == io.EOF {
			return list, nil
		}
		if err != nil {
			return nil, err
		}
	}
}
