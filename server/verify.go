package server

import (
	"context"
	"fmt"

	"trigone/internal/storage/sqlite"
)

// Verified counts what was compared with its hash.
type Verified = sqlite.Verified

// Verify compares everything in a store with its hashes and tells report what is
// damaged. It changes nothing and may run beside a server.
func Verify(ctx context.Context, storePath string, report func(where string)) (Verified, error) {
	v, err := sqlite.Verify(ctx, storePath, report)
	if err != nil {
		return v, fmt.Errorf("verify the store: %w", err)
	}
	return v, nil
}
