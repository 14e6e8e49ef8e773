package casebook

import (
	"context"
	"errors"
	"testing"
	"time"
)

// As many calculate at once as there are turns; who gives up waiting takes none.
func TestTurnsOfHeavyWork(t *testing.T) {
	a := &Archive{heavy: newHeavyTurns()}
	var ends []func()
	for range heavyProcessors() {
		end, err := a.Turn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, end)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := a.Turn(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("one turn too many: %v", err)
	}
	ends[0]()
	if _, err := a.Turn(t.Context()); err != nil {
		t.Errorf("after one has ended: %v", err)
	}
	alone := &Archive{}
	if _, err := alone.Turn(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("alone, called off: %v", err)
	}
}
