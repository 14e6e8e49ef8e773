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
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"trigone/fhirmap"
	"trigone/internal/access"
	"trigone/internal/convert"
	"trigone/internal/deployment"
	"trigone/internal/identity"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
)

// Options say how a server runs.
type Options struct {
	// Deployment is the deployment file; it says all that follows but Log and Now.
	// Empty: only loopback is served, one site, and whoever reaches the port is 'local'.
	Deployment string
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
	// OperationsListen is a loopback address for health and metrics over HTTP; empty:
	// none.
	OperationsListen string
	// Log takes the log; nil: none.
	Log *zap.Logger
	// Now gives the time of receipt; nil: the system clock.
	Now func() time.Time
}

// Running is a server that has been started.
type Running struct {
	listener   net.Listener
	grpc       *grpc.Server
	health     *health.Server
	store      storage.Store
	log        *zap.Logger
	failed     chan error
	rest       *restFace // nil: not served
	running    *running
	building   *building
	watch      *watch
	keeper     *identity.Keeper // nil: no deployment file
	recorder   *access.Recorder
	operations *operations

	storePath string
	stopping  atomic.Bool
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
var ErrNotLoopback = errors.New("only a loopback address is served without a deployment file, because callers have no identities and anyone who reaches the port could read and write patient records; listen on 127.0.0.1 or [::1], or give --deployment")

// Start opens the store, reads what says how to serve, and serves until Stop.
func Start(ctx context.Context, o Options) (_ *Running, err error) {
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	p, err := planned(o)
	if err != nil {
		return nil, err
	}
	accessKey, err := access.ReadKey(p.accessKeyFile)
	if err != nil {
		return nil, err
	}
	store, err := sqlite.Open(ctx, p.storePath, sqlite.Options{MustExist: p.mustExist})
	if err != nil {
		return nil, fmt.Errorf("open the store: %w", err)
	}
	undo := []func() error{store.Close}
	defer func() {
		if err != nil {
			for _, step := range slices.Backward(undo) {
				err = errors.Join(err, step())
			}
		}
	}()
	houses, err := buildHouses(ctx, housing{store: store, now: o.Now, policies: p.policies, deIdentifiers: p.deIdentifiers, withoutStaff: p.withoutStaff})
	if err != nil {
		return nil, err
	}
	listener, err := listenOn(ctx, p.listen)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	undo = append(undo, listener.Close)
	door := newDoor(houses, p.keeper, o.Log)
	heavy := newHeavy(rooms(), door.limits)
	now := o.Now
	if now == nil {
		now = time.Now
	}
	site := houses.names()[0]
	recorder := access.Start(ctx, access.Config{Store: store, Key: accessKey, Site: site, Log: o.Log, Now: now})
	undo = append(undo, func() error { recorder.Stop(); return nil })
	r := &Running{log: o.Log, health: health.NewServer(), store: store, recorder: recorder, storePath: p.storePath}
	ops := newOperations(p.storePath, r)
	if err := ops.listen(ctx, p.operationsListen, o.Log, r); err != nil {
		return nil, err
	}
	undo = append(undo, ops.stop)
	rec := &record{recorder: recorder, site: site, now: now, seen: ops.seen, log: o.Log}
	door.refused = rec.refused
	face, err := listenREST(ctx, o, p, door, heavy, rec)
	if err != nil {
		return nil, err
	}
	convert.Warm()
	calls := &running{}
	in := newIntake()
	options := []grpc.ServerOption{
		grpc.ReadBufferSize(bufferBytes), grpc.WriteBufferSize(bufferBytes), grpc.MaxRecvMsgSize(maxMessageBytes), grpc.ForceServerCodecV2(in),
		grpc.MaxConcurrentStreams(mostCallsOfConnection), grpc.ConnectionTimeout(handshakeTime),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: idleConnection, Time: pingAfter, Timeout: pingTimeout}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingAtMost, PermitWithoutStream: true}),
		grpc.InTapHandle(door.tap),
		grpc.ChainUnaryInterceptor(calls.count, ops.unary, accessLog(o.Log), recoverPanic(o.Log), rec.unary, deadline, mapErrors(o.Log), door.unary, in.unary, withinDefault, heavy.unary),
		grpc.ChainStreamInterceptor(ops.stream, accessLogStream(o.Log), recoverPanicStream(o.Log), rec.stream, deadlineStream, mapErrorsStream(o.Log), door.stream, in.stream, heavy.stream),
	}
	if c := p.tls("h2"); c != nil {
		options = append(options, grpc.Creds(credentials.NewTLS(c)))
	}
	r.listener, r.running, r.keeper, r.operations, r.rest, r.failed = listener, calls, p.keeper, ops, face, make(chan error, 3)
	r.grpc, r.building = grpc.NewServer(options...), rebuildRows(ctx, store, houses.any().policy, o.Log)
	r.watch = watchStore(ctx, store, r.health, o.Log)
	register(r.grpc, administrationService{
		erasures: &erasures{path: ErasuresFile(p.storePath), key: accessKey, now: now}, keep: p.keeps(recorder, accessKey), log: o.Log,
	})
	healthgrpc.RegisterHealthServer(r.grpc, r.health)
	if p.reflection {
		reflection.Register(r.grpc)
	}
	door.knows(r.grpc)
	p.follow(o.Log)
	go func() {
		r.failed <- r.grpc.Serve(listener)
	}()
	r.rest.serve(r.failed)
	r.operations.serve(r.failed, o.Log)
	for _, site := range houses.names() {
		o.Log.Info("serving", zap.String("address", r.Addr()), zap.String("version", Version()), zap.String("site", site),
			zap.String("policy_hash", houses[site].policy.Hash), zap.Bool("tls", p.tls("h2") != nil), zap.Bool("identities", p.keeper != nil))
	}
	if store.ReadOnly() {
		o.Log.Warn("THE STORE CAN ONLY BE READ: every write is refused until it is writable and the service is started anew", zap.String("store", p.storePath))
	}
	if store.Begun() {
		o.Log.Warn("A NEW RECORD WAS BEGUN: no store was there; call with --must-exist where there is one", zap.String("store", p.storePath))
	}
	return r, nil
}

func readPolicy(path string) (policy.Policy, error) {
	if path == "" {
		return policy.BuiltIn()
	}
	return policy.Load(path, fhirmap.Terms{})
}

func register(s *grpc.Server, administration administrationService) {
	trigonev1.RegisterRecordServiceServer(s, recordService{})
	trigonev1.RegisterPlanningServiceServer(s, planningService{})
	trigonev1.RegisterElectronicRecordServiceServer(s, electronicRecordService{})
	trigonev1.RegisterAuditServiceServer(s, auditService{})
	trigonev1.RegisterAdministrationServiceServer(s, administration)
	trigonev1.RegisterReferenceServiceServer(s, referenceService{})
}

func checkLoopback(address string) error {
	if _, _, err := net.SplitHostPort(address); err != nil {
		return fmt.Errorf("the listen address needs a host and a port, such as 127.0.0.1:7430: %w", err)
	}
	if !deployment.Loopback(address) {
		return ErrNotLoopback
	}
	return nil
}

// Addr is the address it serves on.
func (r *Running) Addr() string { return r.listener.Addr().String() }

// RESTAddr is the address of the REST face; empty: it is not served.
func (r *Running) RESTAddr() string { return r.rest.addr() }

// OperationsAddr is the address of health and metrics; empty: they are not served.
func (r *Running) OperationsAddr() string { return r.operations.addr() }

// ready says why no call can be answered; nil: they can.
func (r *Running) ready() error {
	if r.stopping.Load() {
		return errStopping
	}
	ctx, cancel := context.WithTimeout(context.Background(), readyTime)
	defer cancel()
	return r.store.Ping(ctx)
}

// readyTime bounds the question whether the store is there.
const readyTime = 5 * time.Second

var errStopping = errors.New("the service stops")

func (r *Running) accessFigures() (written, waiting, lost float64, failing bool) {
	f := r.recorder.Figures()
	return float64(f.Written), float64(f.Waiting), float64(f.Lost), f.Failing
}

// Failed gives the error if serving ends by itself.
func (r *Running) Failed() <-chan error { return r.failed }

// Stop drains: no new call is taken, running ones end, until ctx is done; then it
// cuts them off. A stream may have no end, or nobody who reads it: it is waited for
// streamGrace, and no longer than the other calls. The store is closed last.
func (r *Running) Stop(ctx context.Context) error {
	r.stopping.Store(true)
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
	r.keeper.Close()
	r.building.end()
	r.watch.end()
	r.recorder.Stop()
	r.log.Info("stopped")
	return errors.Join(r.operations.stop(), r.store.Close())
}

// callTimeout bounds a call that answers once, whatever its client asks for.
const callTimeout = 30 * time.Second
