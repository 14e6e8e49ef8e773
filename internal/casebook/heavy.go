package casebook

import (
	"context"
	"runtime"

	"golang.org/x/sync/semaphore"
)

// heavyProcessors is how many processors calculate what is heavy: half stay with
// the other callers.
func heavyProcessors() int { return max(runtime.GOMAXPROCS(0)/2, 1) }

func newHeavyTurns() *semaphore.Weighted { return semaphore.NewWeighted(int64(heavyProcessors())) }

// Turns are those of heavy work, for all books of a server.
type Turns struct{ turns *semaphore.Weighted }

// NewTurns gives turns on half of the processors.
func NewTurns() *Turns { return &Turns{newHeavyTurns()} }

// Turn waits until a piece of heavy work may be calculated, and who got the turn
// calls end after it. Turns are given in the order of asking, so that a piece should
// be small: one variant, one case. A turn is never asked for inside another.
func (a *Archive) Turn(ctx context.Context) (end func(), err error) {
	if a.heavy == nil {
		return func() {}, ctx.Err()
	}
	if err := a.heavy.Acquire(ctx, 1); err != nil {
		return nil, err
	}
	return func() { a.heavy.Release(1) }, nil
}
