package server

import (
	"context"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/health"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"

	"trigone/internal/storage"
)

// watchEvery is how often the store is looked at.
const watchEvery = time.Second

// watch looks at the store and says to who asks for health whether it is well.
type watch struct {
	stop context.CancelFunc
	done chan struct{}
}

// watchStore begins. A store that cannot be written but read serves reads and is well:
// each write is told.
func watchStore(ctx context.Context, store storage.Store, health *health.Server, log *zap.Logger) *watch {
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	w := &watch{stop: stop, done: make(chan struct{})}
	go func() {
		defer close(w.done)
		well := true
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(watchEvery):
			}
			asked, cancel := context.WithTimeout(ctx, callTimeout)
			err := store.Ping(asked)
			cancel()
			switch {
			case ctx.Err() != nil || (err == nil) == well:
				continue
			case err == nil:
				log.Warn("the store is well again")
				health.SetServingStatus("", healthgrpc.HealthCheckResponse_SERVING)
			default:
				log.Error("THE STORE IS NOT WELL, and health says so until it is", zap.Error(err))
				health.SetServingStatus("", healthgrpc.HealthCheckResponse_NOT_SERVING)
			}
			well = err == nil
		}
	}()
	return w
}

func (w *watch) end() {
	w.stop()
	<-w.done
}
