package casebook

import (
	"context"
	"errors"
	"sync"

	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"

	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// turns let who writes one case write one after the other, in the order in which they
// came: else all but one evaluate for nothing, and some are never served. They hold for
// this process; between processes the store decides by the version of the case.
type turns struct {
	mu sync.Mutex
	of map[string]*turn
}

type turn struct {
	*semaphore.Weighted // gives itself in the order of asking
	callers             int
}

// take waits for the turn of a case, no longer than ctx. giveBack ends it.
func (t *turns) take(ctx context.Context, key string) (giveBack func(), err error) {
	t.mu.Lock()
	if t.of == nil {
		t.of = map[string]*turn{}
	}
	own := t.of[key]
	if own == nil {
		own = &turn{Weighted: semaphore.NewWeighted(1)}
		t.of[key] = own
	}
	own.callers++
	t.mu.Unlock()
	leave := func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if own.callers--; own.callers == 0 {
			delete(t.of, key)
		}
	}
	if err := own.Acquire(ctx, 1); err != nil {
		leave()
		return nil, err
	}
	return func() {
		own.Release(1)
		leave()
	}, nil
}

// standing counts who has the turn of a case or waits for it.
func (t *turns) standing(key string) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	if own := t.of[key]; own != nil {
		return own.callers
	}
	return 0
}

// turnOf waits for the turn of the case that a request writes. One that names none has
// no turn, and one that names it wrongly is refused later.
func (b *Book) turnOf(ctx context.Context, req proto.Message) (giveBack func(), err error) {
	var name string
	var number *trigonev1.Identifier
	switch r := req.(type) {
	case interface {
		GetCase() *trigonev1.CaseReference
	}:
		name, number = r.GetCase().GetName(), r.GetCase().GetExternalIdentifier()
	case *trigonev1.SubmitCaseRequest:
		name, number = r.GetCaseName(), r.GetCaseFile().GetExternalIdentifier()
	}
	if name == "" && number.GetValue() != "" {
		// A case that is not there yet has a line of its own, for who opens it.
		name = "number " + number.GetSystem() + " " + number.GetValue()
		c, err := b.Store.CaseByExternalIdentifier(ctx, b.Policy.Settings.Site, identifier(number))
		switch {
		case err == nil:
			name = b.CaseName(c.UID)
		case !errors.Is(err, storage.ErrNotFound):
			return nil, err
		}
	}
	if name == "" {
		return func() {}, nil
	}
	return b.turns.take(ctx, name)
}
