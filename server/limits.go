package server

import (
	"fmt"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"trigone/internal/casebook"
	"trigone/internal/deployment"
)

// limits keep what each identity takes of the server within its own limits, beside
// those for all.
type limits struct {
	mu sync.Mutex
	by map[string]*taking // by the name of an identity
}

func newLimits() *limits { return &limits{by: map[string]*taking{}} }

// taking is what one identity takes.
type taking struct {
	mu           sync.Mutex
	limits       deployment.Limits // zero: none
	rate         *rate.Limiter
	calls, heavy int
}

// of gives what somebody takes, under the limits that are in force for him now.
func (l *limits) of(who *deployment.Identity) *taking {
	if who == nil {
		return &taking{}
	}
	l.mu.Lock()
	t := l.by[who.Name]
	if t == nil {
		t = &taking{}
		l.by[who.Name] = t
	}
	l.mu.Unlock()
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.limits != who.Limits {
		t.limits = who.Limits
		t.rate = rate.NewLimiter(rate.Limit(who.Limits.RequestsPerSecond), who.Limits.Burst)
	}
	return t
}

// request takes one request.
func (t *taking) request(now time.Time) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.rate == nil || t.rate.AllowN(now, 1) {
		return nil
	}
	missing := (1 - t.rate.TokensAt(now)) / t.limits.RequestsPerSecond
	return tooMuch(casebook.ReasonRate, t.limits.RequestsPerSecond, time.Duration(missing*float64(time.Second)), "you send more requests than your limit, %g a second; wait, or have the limit raised in the deployment file", t.limits.RequestsPerSecond)
}

// call takes a place among the calls that run; end gives it back.
func (t *taking) call() (end func(), err error) {
	return t.take(&t.calls, t.limits.ConcurrentCalls, "you have as many calls running as your limit, %d; let one end")
}

// heavyCall takes a place among the heavy ones.
func (t *taking) heavyCall() (end func(), err error) {
	return t.take(&t.heavy, t.limits.HeavyCalls, "you have as many explorations, exports, bundles, notes and searches running as your limit, %d; let one end")
}

func (t *taking) take(taken *int, most int, text string) (end func(), err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if most > 0 && *taken >= most {
		return nil, tooMuch(casebook.ReasonBusy, float64(most), retryAfter, text, most)
	}
	*taken++
	return func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		*taken--
	}, nil
}

func tooMuch(reason string, limit float64, after time.Duration, format string, args ...any) error {
	return &casebook.Error{Kind: casebook.Exhausted, Reason: reason, Message: fmt.Sprintf(format, args...), RetryAfter: max(after, 10*time.Millisecond),
		About: map[string]string{casebook.AboutLimit: strconv.FormatFloat(limit, 'g', -1, 64)}}
}
