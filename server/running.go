package server

import (
	"context"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
)

// streamGrace is how long a stop waits for streams once it waits for nothing else.
const streamGrace = 2 * time.Second

// running counts the calls that answer once and run now.
type running struct{ calls atomic.Int64 }

func (r *running) count(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	r.calls.Add(1)
	defer r.calls.Add(-1)
	return handler(ctx, req)
}

// onlyStreams is closed once the grace of streams is over and no other call runs.
func (r *Running) onlyStreams(ctx context.Context) <-chan struct{} {
	done := make(chan struct{})
	go func() {
		for wait := streamGrace; ; wait = streamGrace / 20 {
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
			if r.running.calls.Load() == 0 {
				close(done)
				return
			}
		}
	}()
	return done
}
