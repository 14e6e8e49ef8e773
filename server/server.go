// Package server is the gRPC face: it decodes a call, hands it to the casebook,
// the ledger or the desk of handover, and maps refusals to status codes. It wires
// them with store and policy for a process, watches over health and drains on stop. Nothing medical is decided
// here.
package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	"go.uber.org/zap"
	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"trigone/fhirmap"
	"trigone/internal/access"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/handover"
	"trigone/internal/ledger"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
)

// Options say how a server runs.
type Options struct {
	// Listen is a loopback address with a port; port 0 takes a free one.
	Listen string
	// HTTPListen is a loopback address for the FHIR REST face; empty: none.
	HTTPListen string
	// HTTPBaseURL is the address that resources are named by; empty: http, the
	// address served and /fhir.
	HTTPBaseURL string
	// StorePath is the SQLite file; it is made if it is not there.
	StorePath string
	// StoreMustExist refuses to begin a new record.
	StoreMustExist bool
	// PolicyPath is the site's clinical policy; empty: the built-in one.
	PolicyPath string
	// DeIdentificationKeyFile holds the key of de-identified bundles; empty: none
	// are made.
	DeIdentificationKeyFile string
	// AccessKeyFile holds the key that signs the access record; empty: it is not
	// signed, and reads go on while it cannot be written.
	AccessKeyFile string
	// Log takes the log; nil: none.
	Log *zap.Logger
	// Now gives the time of receipt; nil: the system clock.
	Now func() time.Time
}

// Running is a server that has been started.
type Running struct {
	listener net.Listener
	grpc     *grpc.Server
	health   *health.Server
	store    storage.Store
	log      *zap.Logger
	failed   chan error
	rest     *restFace // nil: not served
	running  *running
	building *building
	watch    *watch
	recorder *access.Recorder

	storePath string
}

const (
	// bufferBytes: measured 1.13 times the default's throughput with bundles.
	bufferBytes = 128 << 10
	// maxMessageBytes bounds one request; a case file with meshes stays below.
	maxMessageBytes = 16 << 20
)

// What one caller may take of the connections, and one connection of the calls. A
// connection that says nothing is given up, so that it keeps no place.
const (
	mostConnections       = 256
	mostCallsOfConnection = 128
	handshakeTime         = 10 * time.Second
	idleConnection        = 10 * time.Minute
	pingAfter             = 2 * time.Minute
	pingTimeout           = 20 * time.Second
	pingAtMost            = 10 * time.Second // a client that pings more often is cut off
)

// ErrNotLoopback is the refusal of a public address.
var ErrNotLoopback = errors.New("only a loopback address is served, because callers have no identities yet and anyone who reaches the port could read and write patient records; listen on 127.0.0.1 or [::1]")

// Start opens the store, reads the policy and serves until Stop.
func Start(ctx context.Context, o Options) (*Running, error) {
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if err := checkLoopback(o.Listen); err != nil {
		return nil, err
	}
	if o.HTTPListen != "" {
		if err := checkLoopback(o.HTTPListen); err != nil {
			return nil, err
		}
	}
	clinical, err := readPolicy(o.PolicyPath)
	if err != nil {
		return nil, err
	}
	deIdentifier, err := readDeIdentifier(o.DeIdentificationKeyFile)
	if err != nil {
		return nil, err
	}
	accessKey, err := access.ReadKey(o.AccessKeyFile)
	if err != nil {
		return nil, err
	}
	store, err := sqlite.Open(ctx, o.StorePath, sqlite.Options{MustExist: o.StoreMustExist})
	if err != nil {
		return nil, fmt.Errorf("open the store: %w", err)
	}
	book, err := casebook.New(ctx, casebook.Config{Store: store, Policy: clinical, Software: Version(), Now: o.Now, Projectors: projectors(), WriteNote: handover.WriteSigned(clinical)})
	if err != nil {
		return nil, errors.Join(err, store.Close())
	}
	desk, err := handover.New(ctx, handover.Config{Archive: book.Archive, Now: o.Now, DeIdentifier: deIdentifier})
	if err != nil {
		return nil, errors.Join(err, store.Close())
	}
	var listen net.ListenConfig
	listener, err := listen.Listen(ctx, "tcp", o.Listen)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("listen: %w", err), store.Close())
	}
	listener = netutil.LimitListener(listener, mostConnections)
	heavy := newHeavy(rooms())
	now := o.Now
	if now == nil {
		now = time.Now
	}
	recorder := access.Start(ctx, access.Config{Store: store, Key: accessKey, Site: clinical.Settings.Site, Log: o.Log, Now: now})
	rec := &record{recorder: recorder, site: clinical.Settings.Site, now: now}
	face, err := listenREST(ctx, o, desk, heavy, rec)
	if err != nil {
		recorder.Stop()
		return nil, errors.Join(err, listener.Close(), store.Close())
	}
	convert.Warm()
	calls := &running{}
	in := newIntake()
	r := &Running{
		listener: listener, store: store, log: o.Log, health: health.NewServer(), running: calls,
		grpc: grpc.NewServer(
			grpc.ReadBufferSize(bufferBytes), grpc.WriteBufferSize(bufferBytes), grpc.MaxRecvMsgSize(maxMessageBytes), grpc.ForceServerCodecV2(in),
			grpc.MaxConcurrentStreams(mostCallsOfConnection), grpc.ConnectionTimeout(handshakeTime),
			grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: idleConnection, Time: pingAfter, Timeout: pingTimeout}),
			grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingAtMost, PermitWithoutStream: true}),
			grpc.ChainUnaryInterceptor(calls.count, accessLog(o.Log), recoverPanic(o.Log), identify, rec.unary, deadline, mapErrors(o.Log), in.unary, heavy.unary),
			grpc.ChainStreamInterceptor(accessLogStream(o.Log), recoverPanicStream(o.Log), identifyStream, rec.stream, deadlineStream, mapErrorsStream(o.Log), in.stream, heavy.stream),
		),
		failed: make(chan error, 2), rest: face, recorder: recorder, storePath: o.StorePath, building: build(ctx, store, clinical, o.Log),
	}
	r.watch = watchStore(ctx, store, r.health, o.Log)
	register(r.grpc, book, desk)
	healthgrpc.RegisterHealthServer(r.grpc, r.health)
	reflection.Register(r.grpc)
	go func() {
		r.failed <- r.grpc.Serve(listener)
	}()
	r.rest.serve(r.failed)
	o.Log.Info("serving", zap.String("address", r.Addr()), zap.String("version", Version()),
		zap.String("site", clinical.Settings.Site), zap.String("policy_hash", clinical.Hash))
	if store.ReadOnly() {
		o.Log.Warn("THE STORE CAN ONLY BE READ: every write is refused until it is writable and the service is started anew", zap.String("store", o.StorePath))
	}
	if store.Begun() {
		o.Log.Warn("A NEW RECORD WAS BEGUN: no store was there; call with --must-exist where there is one", zap.String("store", o.StorePath))
	}
	return r, nil
}

func readPolicy(path string) (policy.Policy, error) {
	if path == "" {
		return policy.BuiltIn()
	}
	return policy.Load(path, fhirmap.Terms{})
}

func register(s *grpc.Server, book *casebook.Book, desk *handover.Desk) {
	trigonev1.RegisterRecordServiceServer(s, recordService{book: book})
	trigonev1.RegisterPlanningServiceServer(s, planningService{book: book})
	trigonev1.RegisterElectronicRecordServiceServer(s, electronicRecordService{book: book, desk: desk})
	trigonev1.RegisterAuditServiceServer(s, auditService{ledger: ledger.New(book.Archive)})
	trigonev1.RegisterReferenceServiceServer(s, referenceService{book: book})
}

func checkLoopback(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("the listen address needs a host and a port, such as 127.0.0.1:7430: %w", err)
	}
	if host == "localhost" {
		return nil
	}
	ip := net.ParseIP(host)
	if ip == nil || !ip.IsLoopback() {
		return ErrNotLoopback
	}
	return nil
}

// Addr is the address it serves on.
func (r *Running) Addr() string { return r.listener.Addr().String() }

// RESTAddr is the address of the REST face; empty: it is not served.
func (r *Running) RESTAddr() string { return r.rest.addr() }

// Failed gives the error if serving ends by itself.
func (r *Running) Failed() <-chan error { return r.failed }

// Stop drains: no new call is taken, running ones end, until ctx is done; then it
// cuts them off. A stream may have no end, or nobody who reads it: it is waited for
// streamGrace, and no longer than the other calls. The store is closed last.
func (r *Running) Stop(ctx context.Context) error {
	r.health.Shutdown()
	stopped := make(chan struct{})
	go func() {
		r.rest.stop(ctx)
		close(stopped)
	}()
	drained := make(chan struct{})
	go func() {
		r.grpc.GracefulStop()
		close(drained)
	}()
	select {
	case <-drained:
	case <-ctx.Done():
		r.log.Warn("calls were cut off at the end of the time to drain")
		r.grpc.Stop()
		<-drained
	case <-r.onlyStreams(ctx):
		r.log.Info("streams were cut off: who reads them asks again")
		r.grpc.Stop()
		<-drained
	}
	<-stopped
	r.building.end()
	r.watch.end()
	r.recorder.Stop()
	r.log.Info("stopped")
	return r.store.Close()
}

// callTimeout bounds a call that answers once, whatever its client asks for.
const callTimeout = 30 * time.Second
