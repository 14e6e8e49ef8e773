package casebook

import (
	"context"
	"sync"

	"trigone/internal/storage"
)

// Access collects what the line of the access record says of a call while the call
// runs. Rooms tell it which cases they read; a write takes the line into its own
// transaction. It is safe for concurrent use, and nil takes everything and keeps
// nothing.
type Access struct {
	mu      sync.Mutex
	line    storage.Access
	uids    map[string]bool
	several int64
	written bool
	// beside are the lines of the call at further sites: each site's record tells of
	// its own cases alone.
	beside []*Access
}

// NewAccess begins the line of a call.
func NewAccess(line storage.Access) *Access { return &Access{line: line, uids: map[string]bool{}} }

type accessKey struct{}

// WithAccess puts the line of a call into its context.
func WithAccess(ctx context.Context, a *Access) context.Context {
	return context.WithValue(ctx, accessKey{}, a)
}

// AccessOf gives the line of a call; nil where none is kept.
func AccessOf(ctx context.Context) *Access {
	a, _ := ctx.Value(accessKey{}).(*Access)
	return a
}

// mostNamed is how many cases are told apart: beyond one, a line says how many.
const mostNamed = 1000

// Case says that the call read or wrote a case.
func (a *Access) Case(uid string) {
	if a == nil || uid == "" {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.uids[uid]:
	case len(a.uids) < mostNamed:
		a.uids[uid] = true
	default:
		a.several++
	}
}

// Cases says that the call told of as many cases more, none of which is named.
func (a *Access) Cases(n int) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.several += int64(n)
}

// Method says by which route it came, where that is known only on the way.
func (a *Access) Method(method string) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.line.Method = method
}

// Site says at which site it was.
func (a *Access) Site(site string) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.line.Site = site
}

// At gives the line of the call at one of its sites, and begins it if there is none: a
// list over several sites has one at each.
func (a *Access) At(site string) *Access {
	if a == nil {
		return nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.line.Site == site {
		return a
	}
	for _, b := range a.beside {
		if b.line.Site == site {
			return b
		}
	}
	line := a.line
	line.Site = site
	b := NewAccess(line)
	a.beside = append(a.beside, b)
	return b
}

// Lines gives the lines of a call that ended so, of all of its sites, less those that
// are on record already.
func (a *Access) Lines(outcome string) []storage.Access {
	a.mu.Lock()
	all := append([]*Access{a}, a.beside...)
	a.mu.Unlock()
	var list []storage.Access
	for _, one := range all {
		if line, ok := one.Line(outcome); ok {
			list = append(list, line)
		}
	}
	return list
}

// Emergency says that the call reads what could not be put on record, and why.
func (a *Access) Emergency(reason string) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.line.Detail, a.line.Reason = storage.AccessEmergency, reason
}

// Tells says something beside, in words of the program.
func (a *Access) Tells(detail string) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.line.Detail = detail
}

// SignsOff says that the call signs off an earlier line.
func (a *Access) SignsOff(number int64) {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.line.Detail, a.line.Concerns = storage.AccessSignedOff, number
}

// Now gives the line as it is, to be written before the call is answered; the call has
// no other one then.
func (a *Access) Now() (line storage.Access, ok bool) {
	if a == nil {
		return line, false
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.written = true
	line = a.filled()
	line.Outcome = outcomeOK
	return line, true
}

func (a *Access) filled() storage.Access {
	line := a.line
	if len(a.uids) == 1 && a.several == 0 {
		for uid := range a.uids {
			line.CaseUID = uid
		}
		return line
	}
	line.Cases = int64(len(a.uids)) + a.several
	return line
}

// outcomeOK is the outcome of a call that was answered.
const outcomeOK = "OK"

// ofWrite gives the line for the transaction of a write of this case, or of none;
// nil: no line is kept.
func (a *Access) ofWrite(uid string) *storage.Access {
	if a == nil {
		return nil
	}
	a.Case(uid)
	a.mu.Lock()
	defer a.mu.Unlock()
	line := a.filled()
	line.Outcome = outcomeOK
	return &line
}

// wrote says that the line is on record with what it wrote.
func (a *Access) wrote() {
	if a == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.written = true
}

// Line gives the line of a call that ended so; not if it is on record already.
func (a *Access) Line(outcome string) (line storage.Access, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	line = a.filled()
	line.Outcome = outcome
	return line, !a.written || outcome != outcomeOK
}
