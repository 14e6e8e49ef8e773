package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"trigone/fhirmap"
	"trigone/internal/handover"
	"trigone/server/fhirrest"
	"trigone/server/pages"
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

// exportsBeside ends the name of the folder, beside the store, of the files of exports.
const exportsBeside = ".exports"

// restFace is what is served over HTTP, behind one door: the REST face, one for each
// site, and the pages; nil is none.
type restFace struct {
	listener net.Listener
	server   *http.Server
	door     *door
	faces    map[string]*fhirrest.Face // by site
	pages    *pages.Face
	host     string // of base
	record   *record
	log      *zap.Logger
	base     string
	exports  string // the folder of the files of exports, of all sites
}

// listenREST opens the port of the REST face, if one is asked for.
func listenREST(ctx context.Context, o Options, p *plan, door *door, heavy *heavy, rec *record) (*restFace, error) {
	if p.httpListen == "" {
		return nil, nil
	}
	listener, err := listenOn(ctx, p.httpListen)
	if err != nil {
		return nil, fmt.Errorf("listen for HTTP: %w", err)
	}
	secured := p.tls("h2", "http/1.1")
	f := &restFace{listener: listener, door: door, log: o.Log, record: rec, base: p.httpBaseURL, exports: p.storePath + exportsBeside, faces: map[string]*fhirrest.Face{}}
	if f.base == "" {
		f.base = "http://" + listener.Addr().String() + "/fhir"
		if secured != nil {
			f.base = "https://" + listener.Addr().String() + "/fhir"
		}
	}
	if err := f.open(o, p, door, heavy, rec); err != nil {
		return nil, joinClose(err, listener)
	}
	if err := f.openPages(o, door, heavy, rec); err != nil {
		return nil, joinClose(err, listener)
	}
	complaints, err := zap.NewStdLogAt(o.Log, zapcore.WarnLevel)
	if err != nil {
		return nil, joinClose(err, listener)
	}
	f.server = &http.Server{
		Handler: f, TLSConfig: secured, ErrorLog: complaints, MaxHeaderBytes: maxHeader,
		ReadHeaderTimeout: headerTime, ReadTimeout: requestTime, WriteTimeout: answerTime, IdleTimeout: idleTime,
	}
	return f, nil
}

// open makes a face for each site.
func (f *restFace) open(o Options, p *plan, door *door, heavy *heavy, rec *record) error {
	now := o.Now
	if now == nil {
		now = time.Now
	}
	for site, h := range door.houses {
		fixed, err := terminology(h.desk)
		if err != nil {
			return err
		}
		base := strings.TrimSuffix(f.base, "/")
		if p.bySite {
			base += "/" + site
		}
		f.faces[site], err = fhirrest.New(fhirrest.Config{
			Desk: h.desk, Base: base, Fixed: fixed, Version: Version(), Started: now(), Log: o.Log,
			Admit: heavy.search, May: door.mayRoute, OnRecord: rec.recorder.Admit, Kept: RESTKeptBytes / len(door.houses),
			ExportDir: filepath.Join(f.exports, site), AdmitExport: heavy.export,
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// ofFHIR says whether an address is below the one that FHIR is served at, of whichever
// site.
func (f *restFace) ofFHIR(r *http.Request) bool {
	base, err := url.Parse(f.base)
	return err == nil && strings.HasPrefix(r.URL.EscapedPath(), strings.TrimSuffix(base.EscapedPath(), "/")+"/")
}

// faceOf gives the face whose address was asked for, and its site; nil: it is none's.
func (f *restFace) faceOf(r *http.Request) (http.Handler, string) {
	for site, face := range f.faces {
		if len(f.faces) == 1 || face.Serves(r.URL) {
			return f.record.http(face), site
		}
	}
	return nil, ""
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
	go func() {
		serve := func() error { return f.server.Serve(f.listener) }
		if f.server.TLSConfig != nil {
			serve = func() error { return f.server.ServeTLS(f.listener, "", "") }
		}
		if err := serve(); !errors.Is(err, http.ErrServerClosed) {
			failed <- err
		}
	}()
	f.log.Info("serving FHIR and pages", zap.String("address", f.addr()), zap.String("base", f.base))
}

// stop takes no new request and waits for running ones until ctx is done; then it
// cuts them off.
func (f *restFace) stop(ctx context.Context) {
	if f == nil {
		return
	}
	if err := f.server.Shutdown(ctx); err != nil {
		f.log.Warn("requests were cut off at the end of the time to drain")
		if err := f.server.Close(); err != nil {
			f.log.Warn("closing the REST face", zap.Error(err))
		}
	}
	for _, face := range f.faces {
		if err := face.Close(); err != nil {
			f.log.Warn("removing the files of exports", zap.Error(err))
		}
	}
	if err := os.Remove(f.exports); err != nil && !errors.Is(err, os.ErrNotExist) {
		f.log.Warn("removing the folder of exports", zap.Error(err))
	}
}
