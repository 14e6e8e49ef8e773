package fhirrest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Everything here is invented; there is no such hospital and no such patient.

var codeSystem = []byte(`{"resourceType":"CodeSystem","id":"metric","url":"http://example.org/metric"}`)

var caller = casebook.Principal{Name: "local"}

// named says who asks, as the server does before the face is reached.
func named(ctx context.Context) context.Context { return casebook.WithPrincipal(ctx, caller) }

// fixture is a face on a real server, over a real store that the casebook filled.
type fixture struct {
	book  *casebook.Book
	desk  *handover.Desk
	store storage.Store
	face  *Face
	http  *httptest.Server
	logs  *observer.ObservedLogs
	base  string
	close func() error
	// exports is where files of exports lie.
	exports string
}

// clockwork gives a time that moves on with every write.
type clockwork struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clockwork) read() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Minute)
	return c.now
}

func open(dir string, kept int) (*fixture, error) { return openOf(dir, kept, projectors()) }

func openOf(dir string, kept int, projectors []casebook.Projector) (*fixture, error) {
	clinical, err := policy.BuiltIn()
	if err != nil {
		return nil, err
	}
	return openUnder(dir, kept, clinical, projectors)
}

func openUnder(dir string, kept int, clinical policy.Policy, projectors []casebook.Projector) (*fixture, error) {
	ctx := context.Background()
	store, err := sqlite.Open(ctx, filepath.Join(dir, "s.db"), sqlite.Options{})
	if err != nil {
		return nil, err
	}
	clock := &clockwork{now: time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC)}
	book, err := casebook.New(ctx, casebook.Config{Store: store, Policy: clinical, Software: "test", Now: clock.read, Projectors: projectors})
	if err != nil {
		return nil, err
	}
	desk, err := handover.New(ctx, handover.Config{Archive: book.Archive, Now: clock.read})
	if err != nil {
		return nil, err
	}
	f := &fixture{book: book, desk: desk, store: store}
	core, logs := observer.New(zapcore.DebugLevel)
	f.logs = logs
	f.http = httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f.face.ServeHTTP(w, r.WithContext(named(r.Context())))
	}))
	f.base = "http://" + f.http.Listener.Addr().String() + "/fhir"
	f.exports = filepath.Join(dir, "exports")
	f.face, err = New(Config{
		ExportDir: f.exports,
		Desk:      f.desk, Base: f.base, Version: "test", Started: clock.now, Log: zap.New(core), Kept: kept,
		Fixed: Fixed{Types: []string{"CodeSystem"}, Read: func(typ, id string) ([]byte, bool) {
			return codeSystem, typ == "CodeSystem" && id == "metric"
		}, List: func(typ string) []fhirmap.Resource {
			return []fhirmap.Resource{{Type: typ, ID: "metric", JSON: codeSystem}}
		}},
	})
	if err != nil {
		return nil, err
	}
	f.http.Start()
	f.close = func() error {
		f.http.Close()
		err := errors.Join(f.face.Close(), store.Close())
		if _, left := os.Stat(f.exports); !errors.Is(left, os.ErrNotExist) {
			err = errors.Join(err, errors.New("files of exports are left"))
		}
		if n := logs.FilterMessage(staleRow).Len(); n > 0 {
			err = errors.Join(err, fmt.Errorf("%d rows find what their resources do not say", n))
		}
		return err
	}
	return f, nil
}

func projectors() []casebook.Projector {
	return []casebook.Projector{handover.Resources{}, handover.Search{Index: Index, IndexVersion: IndexVersion()}}
}

// cases gives the cases on record in the order in which they were opened.
func (f *fixture) cases(tb testing.TB) []handover.NumberedCase {
	tb.Helper()
	finder, err := f.desk.Finder(caller)
	if err != nil {
		tb.Fatal(err)
	}
	numbers := make([]int64, 2000)
	for i := range numbers {
		numbers[i] = int64(i)
	}
	list, err := finder.Cases(tb.Context(), numbers, nil)
	if err != nil {
		tb.Fatal(err)
	}
	return list
}

// newFixtureOf makes one whose writes bring the rows of these projectors.
func newFixtureOf(tb testing.TB, projectors ...casebook.Projector) *fixture {
	tb.Helper()
	f, err := openOf(tb.TempDir(), 0, projectors)
	return closing(tb, f, err)
}

func closing(tb testing.TB, f *fixture, err error) *fixture {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := f.close(); err != nil {
			tb.Error(err)
		}
	})
	return f
}

func newFixture(tb testing.TB, kept int, names ...string) *fixture {
	tb.Helper()
	f, err := open(tb.TempDir(), kept)
	f = closing(tb, f, err)
	for _, name := range names {
		if err := f.submit(name); err != nil {
			tb.Fatalf("%s: %v", name, err)
		}
	}
	return f
}

func (f *fixture) submit(name string) error {
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		return err
	}
	_, err = f.book.SubmitCase(context.Background(), caller, &trigonev1.SubmitCaseRequest{CaseFile: file})
	return err
}

// shared is one store with every invented case, for tests that only read. TestMain
// closes it.
var shared = struct {
	sync.Mutex
	f *fixture
}{}

func all(tb testing.TB) *fixture {
	tb.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.f == nil {
		f, err := open(sharedDir, 0)
		if err != nil {
			tb.Fatal(err)
		}
		shared.f = f
		for _, name := range testdata.Names(testdata.Cases) {
			if err := f.submit(name); err != nil {
				tb.Fatalf("%s: %v", name, err)
			}
		}
	}
	return shared.f
}

// response is an answer, read.
type response struct {
	status int
	header http.Header
	body   []byte
}

func (f *fixture) do(tb testing.TB, method, path string, body string, headers ...string) response {
	tb.Helper()
	address := path
	if !strings.HasPrefix(path, "http://") {
		address = f.base + path
	}
	req, err := http.NewRequestWithContext(tb.Context(), method, address, strings.NewReader(body))
	if err != nil {
		tb.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
		}
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := f.http.Client().Do(req)
	if err != nil {
		tb.Fatal(err)
	}
	text, err := io.ReadAll(resp.Body)
	if err := resp.Body.Close(); err != nil {
		tb.Error(err)
	}
	if err != nil {
		tb.Fatal(err)
	}
	return response{resp.StatusCode, resp.Header, text}
}

// set is a searchset, decoded by the test's own eyes.
type set struct {
	ResourceType string
	Type         string
	Total        *int
	Link         []link
	Entry        []struct {
		FullURL  string
		Resource map[string]any
		Search   mode
	}
}

func (s set) next() string {
	for _, l := range s.Link {
		if l.Relation == "next" {
			return l.URL
		}
	}
	return ""
}

func (s set) self() string {
	for _, l := range s.Link {
		if l.Relation == "self" {
			return l.URL
		}
	}
	return ""
}

func (s set) ids(how string) []string {
	ids := []string{}
	for _, e := range s.Entry {
		if e.Search.Mode == how {
			ids = append(ids, name(e.Resource))
		}
	}
	return ids
}

func name(r map[string]any) string {
	typ, _ := r["resourceType"].(string)
	id, _ := r["id"].(string)
	return typ + "/" + id
}

func (f *fixture) search(tb testing.TB, path string) set {
	tb.Helper()
	r := f.do(tb, http.MethodGet, path, "", "Prefer", "handling=strict")
	if r.status != http.StatusOK {
		tb.Fatalf("%s: %d %s", path, r.status, r.body)
	}
	return decodeSet(tb, r.body)
}

func decodeSet(tb testing.TB, body []byte) set {
	tb.Helper()
	var s set
	if err := json.Unmarshal(body, &s); err != nil || s.ResourceType != "Bundle" || s.Type != "searchset" {
		tb.Fatalf("%v in %.300s", err, body)
	}
	return s
}

// pages follows next to the end; between pages it calls meanwhile.
func (f *fixture) pages(tb testing.TB, path string, meanwhile func(page int)) []map[string]any {
	tb.Helper()
	var list []map[string]any
	for page := 0; path != ""; page++ {
		s := f.search(tb, path)
		for _, e := range s.Entry {
			if e.Search.Mode == "match" {
				list = append(list, e.Resource)
			}
		}
		path = s.next()
		if meanwhile != nil {
			meanwhile(page)
		}
	}
	return list
}

func names(list []map[string]any) []string {
	out := make([]string, len(list))
	for i, r := range list {
		out[i] = name(r)
	}
	return out
}

func sorted(list []string) []string {
	list = slices.Clone(list)
	slices.Sort(list)
	return list
}

// ask writes a query.
func ask(typ string, pairs ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return "/" + typ + "?" + v.Encode()
}
