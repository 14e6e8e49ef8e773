package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/net/netutil"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/server/fhirrest"
)

// The times a connection to the REST face may take: a slow client must not hold
// one for ever. The answer's is longer than a search may take.
const (
	headerTime  = 10 * time.Second
	requestTime = 20 * time.Second
	answerTime  = 60 * time.Second
	idleTime    = 2 * time.Minute
	maxHeader   = 32 << 10
)

// RESTKeptBytes is how much of what it renders the REST face keeps in memory.
const RESTKeptBytes = fhirrest.DefaultKept

// restFace is the REST face on its own port; nil is none.
type restFace struct {
	listener net.Listener
	server   *http.Server
	face     *fhirrest.Face
	log      *zap.Logger
	base     string
	cool     context.CancelFunc // ends the warming up
	warmed   chan struct{}
}

// listenREST opens the port of the REST face, if one is asked for.
func listenREST(ctx context.Context, o Options, desk *handover.Desk, heavy *heavy, rec *record) (*restFace, error) {
	if o.HTTPListen == "" {
		return nil, nil
	}
	var listen net.ListenConfig
	listener, err := listen.Listen(ctx, "tcp", o.HTTPListen)
	if err != nil {
		return nil, fmt.Errorf("listen for HTTP: %w", err)
	}
	base := o.HTTPBaseURL
	if base == "" {
		base = "http://" + listener.Addr().String() + "/fhir"
	}
	now := o.Now
	if now == nil {
		now = time.Now
	}
	fixed, err := terminology(desk)
	if err != nil {
		return nil, joinClose(err, listener)
	}
	face, err := fhirrest.New(fhirrest.Config{Desk: desk, Base: base, Fixed: fixed, Version: Version(), Started: now(), Log: o.Log, Admit: heavy.search, OnRecord: rec.recorder.Admit})
	if err != nil {
		return nil, joinClose(err, listener)
	}
	complaints, err := zap.NewStdLogAt(o.Log, zapcore.WarnLevel)
	if err != nil {
		return nil, joinClose(err, listener)
	}
	return &restFace{listener: netutil.LimitListener(listener, mostConnections), face: face, log: o.Log, base: base, warmed: make(chan struct{}), server: &http.Server{
		Handler: identified(rec.http(face)), ErrorLog: complaints, MaxHeaderBytes: maxHeader,
		ReadHeaderTimeout: headerTime, ReadTimeout: requestTime, WriteTimeout: answerTime, IdleTimeout: idleTime,
	}}, nil
}

// identified says who asks, for every room that the request reaches.
func identified(face http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		face.ServeHTTP(w, r.WithContext(casebook.WithPrincipal(r.Context(), local)))
	})
}

// terminology is what the face serves beside cases: at the end of their canonical
// URLs, the resources that say what codes and profiles mean.
func terminology(desk *handover.Desk) (fhirrest.Fixed, error) {
	list, err := desk.Terminology()
	if err != nil {
		return fhirrest.Fixed{}, fmt.Errorf("terminology: %w", err)
	}
	var fixed fhirrest.Fixed
	for _, r := range list { // sorted by type
		if !slices.Contains(fixed.Types, r.Type) {
			fixed.Types = append(fixed.Types, r.Type)
		}
	}
	fixed.Read = func(typ, id string) ([]byte, bool) {
		r, ok := fhirmap.FindTerminology(list, typ, id)
		return r.JSON, ok
	}
	fixed.List = func(typ string) (of []fhirmap.Resource) {
		for _, r := range list {
			if r.Type == typ {
				of = append(of, r)
			}
		}
		return of
	}
	return fixed, nil
}

func joinClose(err error, listener net.Listener) error { return errors.Join(err, listener.Close()) }

func (f *restFace) addr() string {
	if f == nil {
		return ""
	}
	return f.listener.Addr().String()
}

func (f *restFace) serve(failed chan<- error) {
	if f == nil {
		return
	}
	ctx, cool := context.WithCancel(context.Background())
	f.cool = cool
	go func() {
		f.face.Warm(casebook.WithPrincipal(ctx, local))
		close(f.warmed)
	}()
	go func() {
		if err := f.server.Serve(f.listener); !errors.Is(err, http.ErrServerClosed) {
			failed <- err
		}
	}()
	f.log.Info("serving FHIR", zap.String("address", f.addr()), zap.String("base", f.base))
}

// stop takes no new request and waits for running ones until ctx is done; then it
// cuts them off.
func (f *restFace) stop(ctx context.Context) {
	if f == nil {
		return
	}
	f.cool()
	<-f.warmed // the store is closed next
	if err := f.server.Shutdown(ctx); err != nil {
		f.log.Warn("requests were cut off at the end of the time to drain")
		if err := f.server.Close(); err != nil {
			f.log.Warn("closing the REST face", zap.Error(err))
		}
	}
}
