package server

import (
	"context"
	_ "embed" // the alert rules
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
)

// AlertRules are rules for Prometheus over the metrics of this service, with what to do.
//
//go:embed alerts.yaml
var AlertRules []byte

// Addresses of the listener for operations.
const (
	pathLive    = "/live"    // the process answers
	pathReady   = "/ready"   // it can answer calls: the store is there
	pathMetrics = "/metrics" // in the form of Prometheus
	pathVersion = "/version"
)

// operations are what those see who keep the service running: nothing of any patient.
// They have a listener of their own, so that who may scrape it needs no right to the
// record, and nobody who has one needs to reach it.
type operations struct {
	calls    *prometheus.CounterVec
	took     *prometheus.HistogramVec
	registry *prometheus.Registry

	listener net.Listener // nil: not served
	server   *http.Server
}

// figures are read when somebody asks.
type figures interface {
	ready() error
	accessFigures() (written, waiting, lost float64, failing bool)
}

func newOperations(storePath string, now figures) *operations {
	o := &operations{
		registry: prometheus.NewRegistry(),
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "trigone_calls_total", Help: "Calls by method and outcome. Methods are those of the contract, and routes of FHIR.",
		}, []string{"method", "outcome"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "trigone_call_seconds", Help: "How long calls took, by method.", Buckets: []float64{.001, .003, .01, .03, .1, .3, 1, 3, 10, 30},
		}, []string{"method"}),
	}
	gauge := func(name, help string, value func() float64) {
		o.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	counter := func(name, help string, value func() float64) {
		o.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: name, Help: help}, value))
	}
	yes := func(b bool) float64 {
		if b {
			return 1
		}
		return 0
	}
	size := func(path string) func() float64 {
		return func() float64 {
			info, err := os.Stat(path)
			if err != nil {
				return 0
			}
			return float64(info.Size())
		}
	}
	gauge("trigone_ready", "1 if calls can be answered, 0 if the store is away or damaged.", func() float64 { return yes(now.ready() == nil) })
	gauge("trigone_store_bytes", "Size of the store's file.", size(storePath))
	gauge("trigone_store_log_bytes", "Size of the store's write-ahead log.", size(storePath+"-wal"))
	counter("trigone_access_lines_written_total", "Lines of the access record written for reads since the start.", func() float64 { w, _, _, _ := now.accessFigures(); return w })
	gauge("trigone_access_lines_waiting", "Lines of the access record that wait to be written.", func() float64 { _, w, _, _ := now.accessFigures(); return w })
	gauge("trigone_access_lines_lost", "Lines of the access record that found no room to wait and are not told yet.", func() float64 { _, _, l, _ := now.accessFigures(); return l })
	gauge("trigone_access_failing", "1 while lines of the access record cannot be written.", func() float64 { _, _, _, f := now.accessFigures(); return yes(f) })
	build := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "trigone_build_info", Help: "1, with the version of the software."}, []string{"version", "go"})
	build.WithLabelValues(Version(), runtime.Version()).Set(1)
	o.registry.MustRegister(o.calls, o.took, build, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return o
}

// seen counts a call. method is a name of the contract or a route: both are closed.
func (o *operations) seen(method, outcome string, took time.Duration) {
	o.calls.WithLabelValues(method, outcome).Inc()
	o.took.WithLabelValues(method).Observe(took.Seconds())
}

func (o *operations) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	begin := time.Now()
	resp, err := handler(ctx, req)
	o.seen(shortMethod(info.FullMethod), status.Code(err).String(), time.Since(begin))
	return resp, err
}

func (o *operations) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	begin := time.Now()
	err := handler(srv, stream)
	o.seen(shortMethod(info.FullMethod), status.Code(err).String(), time.Since(begin))
	return err
}

// otherHTTP is the method of a request over HTTP that reached no case.
const otherHTTP = "HTTP other"

// listen opens the port, if one is asked for: on loopback, whatever else is served.
func (o *operations) listen(ctx context.Context, address string, log *zap.Logger, now figures) error {
	if address == "" {
		return nil
	}
	if err := checkLoopback(address); err != nil {
		return errors.New("health and metrics are served on loopback only: whoever gathers them runs beside the service; give 127.0.0.1 or [::1]")
	}
	listener, err := listenOn(ctx, address)
	if err != nil {
		return fmt.Errorf("listen for operations: %w", err)
	}
	mux := http.NewServeMux()
	tell := func(w http.ResponseWriter, code int, says string) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.WriteHeader(code)
		fmt.Fprintln(w, says)
	}
	mux.HandleFunc("GET "+pathLive, func(w http.ResponseWriter, _ *http.Request) { tell(w, http.StatusOK, "live") })
	mux.HandleFunc("GET "+pathReady, func(w http.ResponseWriter, _ *http.Request) {
		if now.ready() != nil {
			tell(w, http.StatusServiceUnavailable, "not ready; the log says why")
			return
		}
		tell(w, http.StatusOK, "ready")
	})
	mux.HandleFunc("GET "+pathVersion, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(map[string]string{"version": Version(), "go": runtime.Version()}) // who asked went away
	})
	mux.Handle("GET "+pathMetrics, promhttp.HandlerFor(o.registry, promhttp.HandlerOpts{}))
	complaints, err := zap.NewStdLogAt(log, zap.WarnLevel)
	if err != nil {
		return joinClose(err, listener)
	}
	o.listener = listener
	o.server = &http.Server{
		Handler: mux, ErrorLog: complaints, MaxHeaderBytes: maxHeader,
		ReadHeaderTimeout: headerTime, ReadTimeout: requestTime, WriteTimeout: answerTime, IdleTimeout: idleTime,
	}
	return nil
}

func (o *operations) serve(failed chan<- error, log *zap.Logger) {
	if o.listener == nil {
		return
	}
	go func() {
		if err := o.server.Serve(o.listener); !errors.Is(err, http.ErrServerClosed) {
			failed <- err
		}
	}()
	log.Info("serving operations", zap.String("address", o.listener.Addr().String()))
}

// stop is last: until then it says that the service is not ready.
func (o *operations) stop() error {
	if o.listener == nil {
		return nil
	}
	return o.server.Close()
}

func (o *operations) addr() string {
	if o.listener == nil {
		return ""
	}
	return o.listener.Addr().String()
}
