// Package access keeps the access record: one line an access, in a chain that shows
// when a line was changed, removed or moved. A write carries its line in its own
// transaction; lines of reads wait here for a moment and are written together. The end
// of the chain is signed with a key that the store does not hold, and printed to the
// log, so that a chain that was cut off at its end is found out too. The server asks it
// before it answers what identifies.
package access

import (
	"context"
	"crypto/ed25519"
	"errors"
	"sync"
	"time"

	"go.uber.org/zap"

	"trigone/internal/casebook"
	"trigone/internal/storage"
)

const (
	// flushEvery is how long a line of a read waits at most, beside the write itself:
	// what a process that is killed loses.
	flushEvery = 50 * time.Millisecond
	// flushTime bounds one attempt to write lines; after a failure the next one waits
	// retryEvery.
	flushTime  = 10 * time.Second
	retryEvery = time.Second
	// mostWaiting bounds the lines that wait. Those of emergencies are beyond it.
	mostWaiting = 10_000
	// A head is signed after as many lines, or as long after a line.
	signAfterLines = 1000
	signAfter      = time.Minute
)

// ReasonNotRecorded is the stable reason of the refusal of a read that could not be
// put on record.
const ReasonNotRecorded = "ACCESS_NOT_RECORDED"

// Self is the caller of lines that the service itself writes.
const Self = storage.AccessSelf

// Methods of the service's own lines.
const (
	methodStart = "Start"
	methodStop  = "Stop"
	methodLost  = "LinesLost"
)

// Config is what a recorder works with.
type Config struct {
	Store Store
	// Key signs heads; nil: they are printed without a signature, and reads are
	// answered even while lines cannot be written.
	Key  ed25519.PrivateKey
	Site string
	Log  *zap.Logger
	Now  func() time.Time
}

// Store is what a recorder needs of the store.
type Store interface {
	RecordAccesses(ctx context.Context, lines []storage.Access) error
	AccessHead(ctx context.Context) (storage.AccessHead, error)
	KeepSignedHead(ctx context.Context, h storage.SignedHead) error
}

// Recorder writes lines. It is safe for concurrent use.
type Recorder struct {
	c    Config
	wake chan struct{}
	stop chan struct{}
	done chan struct{}
	once sync.Once

	writing sync.Mutex // held while lines are written, so that they are in their order
	mu      sync.Mutex
	waiting []storage.Access
	failing error // why lines cannot be written; nil: they can
	lost    int64
	written int64

	signed     int64 // number of the last head that was signed
	signedTime time.Time
}

// Start begins a recorder, with a line of its own.
func Start(ctx context.Context, c Config) *Recorder {
	r := &Recorder{c: c, wake: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{}), signedTime: c.Now()}
	if r.Add(r.own(methodStart)); c.Key != nil {
		r.flush(ctx) // nothing is shown before it is known whether lines can be written
	}
	go r.run(context.WithoutCancel(ctx))
	return r
}

func (r *Recorder) own(method string) storage.Access {
	return storage.Access{Time: r.c.Now().UTC(), Site: r.c.Site, Caller: Self, Method: method, Outcome: "OK"}
}

// Admit lets a call in whose line is written after it; not while lines cannot be
// written, if a site asked for a record that proves something.
func (r *Recorder) Admit() error {
	if r.c.Key == nil {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.failing == nil && len(r.waiting) < mostWaiting {
		return nil
	}
	return &casebook.Error{
		Kind: casebook.Unavailable, Reason: ReasonNotRecorded, RetryAfter: retryEvery,
		Message: "who reads what cannot be put on record, so nothing is shown: use the printed plan; whoever has the right to may read in an emergency, with a reason",
	}
}

// Add adds the line of a call that ended.
func (r *Recorder) Add(line storage.Access) {
	r.add(line)
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func (r *Recorder) add(line storage.Access) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.waiting) >= mostWaiting && line.Detail != storage.AccessEmergency {
		r.lost++
		return
	}
	r.waiting = append(r.waiting, line)
}

// Settle returns when every line that was added before is written, or could not be: who
// asks who looked sees those too.
func (r *Recorder) Settle(ctx context.Context) { r.flush(ctx) }

// Figures are how many lines were written, wait and were lost since the start, and
// whether they can be written.
type Figures struct {
	Written, Waiting, Lost int64
	Failing                bool
}

// Figures gives them.
func (r *Recorder) Figures() Figures {
	r.mu.Lock()
	defer r.mu.Unlock()
	return Figures{Written: r.written, Waiting: int64(len(r.waiting)), Lost: r.lost, Failing: r.failing != nil}
}

// Stop writes what waits and signs the last head.
func (r *Recorder) Stop() {
	r.once.Do(func() { close(r.stop) })
	<-r.done
}

func (r *Recorder) run(ctx context.Context) {
	defer close(r.done)
	sign := time.NewTicker(signAfter)
	defer sign.Stop()
	for {
		select {
		case <-r.wake:
		case <-sign.C:
		case <-r.stop:
			r.add(r.own(methodStop))
			if r.flush(ctx) {
				r.sign(ctx, true)
			}
			return
		}
		wait := flushEvery
		if !r.flush(ctx) {
			wait = retryEvery
		} else {
			r.sign(ctx, false)
		}
		select {
		case <-time.After(wait):
		case <-r.stop: // the loop sees it next
		}
		r.again()
	}
}

// again wakes the loop if lines wait.
func (r *Recorder) again() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.waiting) > 0 {
		select {
		case r.wake <- struct{}{}:
		default:
		}
	}
}

// flush writes what waits; false: it could not be.
func (r *Recorder) flush(ctx context.Context) bool {
	r.writing.Lock()
	defer r.writing.Unlock()
	r.mu.Lock()
	lines := r.waiting
	if r.lost > 0 && r.failing == nil {
		lost := r.own(methodLost)
		lost.Cases, r.lost = r.lost, 0
		lines = append(lines, lost)
	}
	r.waiting = nil
	r.mu.Unlock()
	if len(lines) == 0 {
		return true
	}
	ctx, cancel := context.WithTimeout(ctx, flushTime)
	defer cancel()
	err := r.c.Store.RecordAccesses(ctx, lines)
	r.mu.Lock()
	defer r.mu.Unlock()
	switch was := r.failing; {
	case err != nil:
		// Of an outcome that is not known some may stand twice then, and none is missing.
		r.waiting = append(lines, r.waiting...)
		if was == nil {
			level := zap.ErrorLevel
			if errors.Is(err, storage.ErrReadOnly) {
				level = zap.WarnLevel // as the server says of every write
			}
			r.c.Log.Log(level, "LINES OF THE ACCESS RECORD CANNOT BE WRITTEN", zap.Bool("reads_are_refused", r.c.Key != nil), zap.Error(err))
		}
	default:
		r.written += int64(len(lines))
		if was != nil {
			r.c.Log.Warn("lines of the access record are written again")
		}
	}
	r.failing = err
	return err == nil
}

// sign signs where the chain ends, if that is due, and prints it.
func (r *Recorder) sign(ctx context.Context, now bool) {
	ctx, cancel := context.WithTimeout(ctx, flushTime)
	defer cancel()
	at, err := r.c.Store.AccessHead(ctx)
	if err == nil {
		if at.Number == r.signed || (!now && at.Number-r.signed < signAfterLines && r.c.Now().Sub(r.signedTime) < signAfter) {
			return
		}
		err = r.keep(ctx, at)
	}
	if err != nil && !errors.Is(err, storage.ErrReadOnly) {
		r.c.Log.Error("the head of the access record was not signed", zap.Error(err))
	}
}

// SignCut signs where the chain is cut; only with a key.
func (r *Recorder) SignCut(c storage.AccessCut) storage.AccessCut {
	c.Key = r.c.Key.Public().(ed25519.PublicKey)
	c.Signature = ed25519.Sign(r.c.Key, c.Signed())
	return c
}

func (r *Recorder) keep(ctx context.Context, at storage.AccessHead) error {
	h := storage.SignedHead{AccessHead: at, Time: r.c.Now().UTC()}
	if r.c.Key != nil {
		h.Key = r.c.Key.Public().(ed25519.PublicKey)
		h.Signature = ed25519.Sign(r.c.Key, h.Signed())
		if err := r.c.Store.KeepSignedHead(ctx, h); err != nil {
			return err
		}
	}
	r.signed, r.signedTime = at.Number, h.Time
	r.c.Log.Info("access head", zap.String("head", h.String()), zap.Bool("signed", r.c.Key != nil))
	return nil
}
