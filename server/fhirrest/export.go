package fhirrest

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/private"
	trigonev1 "trigone/proto/trigone/v1"
)

// An export hands everything over in files of lines, one resource a line, by the
// interface that HL7 publishes for it (FHIR Bulk Data Access, version 2, system level):
// kicked off, asked about, fetched file by file, removed. It is a thin layer over the
// export of the desk. Its files are readable by their owner only, and gone after
// exportKept, with a DELETE, when the service stops, and when it starts.

// Bounds of exports.
const (
	mostExports  = 2 // at once, running or to be fetched
	exportKept   = time.Hour
	mostRunning  = 6 * time.Hour
	mostExported = int64(8) << 30 // bytes of one
	fileBytes    = 8 << 20        // after which another file is begun
	ndjson       = "application/fhir+ndjson"
	secretBytes  = 24
)

// exports are those of one face.
type exports struct {
	dir   string // empty: none are made
	admit func(context.Context) (leave func(), err error)
	log   *zap.Logger

	mu     sync.Mutex
	byID   map[string]*exporting
	ending sync.WaitGroup
}

// exporting is one export.
type exporting struct {
	id, who string
	request string
	dir     string
	since   time.Time
	types   []string
	cancel  context.CancelFunc

	mu          sync.Mutex
	done, total int64 // cases
	files       []*exportedFile
	bytes       int64
	transaction time.Time
	ended       bool
	failed      *problem
	expires     time.Time
}

type exportedFile struct {
	id, typ string
	count   int64
	bytes   int64
	to      *os.File // nil: whole
}

// newExports empties the folder: what a service that was killed left must not stay.
func newExports(dir string, admit func(context.Context) (func(), error), log *zap.Logger) (*exports, error) {
	e := &exports{dir: dir, admit: admit, log: log, byID: map[string]*exporting{}}
	if dir == "" {
		return e, nil
	}
	return e, os.RemoveAll(dir)
}

// secret makes a part of an address that nobody can guess.
func secret() (string, error) {
	b := make([]byte, secretBytes)
	_, err := rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b), err
}

// Close ends every export and removes what they wrote.
func (f *Face) Close() error {
	e := f.exports
	e.mu.Lock()
	for _, x := range e.byID {
		x.cancel()
	}
	clear(e.byID)
	e.mu.Unlock()
	e.ending.Wait()
	if e.dir == "" {
		return nil
	}
	return os.RemoveAll(e.dir)
}

// respondExport serves the addresses of exports.
func (f *Face) respondExport(r *http.Request, x *exchange, segments []string) (answer, error) {
	switch {
	case f.exports.dir == "":
		return answer{}, notFound()
	case len(segments) == 1 && segments[0] == "$export":
		if err := f.enter(r, x, RouteExport, false); err != nil {
			return answer{}, err
		}
		if r.Method != http.MethodGet {
			return answer{}, wrongMethod(http.MethodGet)
		}
		return f.kickOff(r)
	case len(segments) == 2 && segments[0] == "$export-status":
		if err := f.enter(r, x, RouteExportStatus, false); err != nil {
			return answer{}, err
		}
		switch r.Method {
		case http.MethodGet:
			return f.exportStatus(r, segments[1])
		case http.MethodDelete:
			return f.exportRemoved(r, segments[1])
		}
		return answer{}, wrongMethod(http.MethodGet + ", " + http.MethodDelete)
	case len(segments) == 3 && segments[0] == "$export-file":
		if err := f.enter(r, x, RouteExportFile, false); err != nil {
			return answer{}, err
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			return answer{}, wrongMethod(getOnly)
		}
		return f.exportFile(r, segments[1], segments[2])
	}
	return answer{}, notFound()
}

func (f *Face) kickOff(r *http.Request) (answer, error) {
	params, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return answer{}, refuse(http.StatusBadRequest, issueInvalid, "the query of the address is no list of parameters")
	}
	x, err := f.exportOf(r, params)
	if err != nil {
		return answer{}, err
	}
	if err := acceptable(r, url.Values{}); err != nil {
		return answer{}, err
	}
	if !prefers(r.Header, "respond-async") {
		return answer{}, refuse(http.StatusBadRequest, issueInvalid, "an export is made while nobody waits: ask for it with Prefer: respond-async")
	}
	if x.id, err = secret(); err != nil {
		return answer{}, err
	}
	x.who = casebook.PrincipalOf(r.Context()).Name
	x.request = f.base + "/$export"
	if r.URL.RawQuery != "" {
		x.request += "?" + r.URL.RawQuery
	}
	if err := f.exports.begin(r.Context(), f, x); err != nil {
		return answer{}, err
	}
	a := answer{http.StatusAccepted, nil, http.Header{}}
	a.header.Set("Content-Location", f.base+"/$export-status/"+x.id)
	return a, nil
}

// exportOf reads what is asked for. What would narrow it and is not served is refused.
func (f *Face) exportOf(r *http.Request, params url.Values) (*exporting, error) {
	x := &exporting{}
	strict, err := handling(r.Header)
	if err != nil {
		return nil, err
	}
	for name, list := range params {
		if len(list) > 1 && name != "_type" {
			return nil, bad(name, "stands more than once")
		}
		switch name {
		case "_outputFormat":
			// A plus that was not escaped arrives as a space.
			if !slices.Contains([]string{ndjson, "application/ndjson", "ndjson"}, strings.ReplaceAll(list[0], " ", "+")) {
				return nil, bad(name, "is served with the value application/fhir+ndjson only")
			}
		case "_since":
			since, err := parseSpan(list[0], f.zone)
			if err != nil {
				return nil, bad(name, "%s", err.Error())
			}
			x.since = since.from
		case "_type":
			for _, typ := range strings.Split(strings.Join(list, ","), ",") {
				switch {
				case typ == fhirmap.TypeAuditEvent:
					if f.may != nil {
						if err := f.may(r.Context(), RouteExportAccesses); err != nil {
							return nil, err
						}
					}
					x.types = append(x.types, typ)
				case typeNamed(typ) != nil:
					x.types = append(x.types, typ)
				case prefersLenient(r.Header) && typeName.MatchString(typ): // there is none of it
				default:
					return nil, bad(name, "names a type of which nothing is on record; there are %s, and for auditors AuditEvent; with Prefer: handling=lenient others are left out", servedNames())
				}
			}
			if len(x.types) == 0 {
				return nil, bad(name, "names no type of which anything is on record")
			}
		default:
			if strict || !slices.Contains(withoutEffect, name) {
				return nil, bad(name, "is not served for an export; _outputFormat, _since and _type are")
			}
		}
	}
	return x, nil
}

func servedNames() string {
	var names []string
	for _, t := range served {
		names = append(names, t.name)
	}
	return strings.Join(names, ", ")
}

// begin starts an export, if there is room for it.
func (e *exports) begin(ctx context.Context, f *Face, x *exporting) error {
	e.mu.Lock()
	full := len(e.byID) >= mostExports
	if !full {
		e.byID[x.id] = x
	}
	e.mu.Unlock()
	noRoom := func() error {
		p := refuse(http.StatusTooManyRequests, issueThrottled, "%d exports run or wait to be fetched; fetch and DELETE one, or come back when they have expired", mostExports)
		p.after = time.Minute
		return p
	}
	if full {
		return noRoom()
	}
	leave := func() {}
	if e.admit != nil {
		var err error
		if leave, err = e.admit(ctx); err != nil {
			e.drop(x.id)
			return err
		}
	}
	x.dir = filepath.Join(e.dir, x.id)
	if err := private.Folder(x.dir); err != nil {
		leave()
		e.drop(x.id)
		return err
	}
	// It goes on when the request has been answered, and the line of the access record
	// that was its own has been written: who fetches a file has one.
	run, cancel := context.WithTimeout(casebook.WithPrincipal(context.Background(), casebook.PrincipalOf(ctx)), mostRunning)
	x.cancel = cancel
	e.ending.Go(func() {
		defer cancel()
		defer leave()
		e.run(run, f, x)
	})
	return nil
}

// drop forgets an export and removes its files.
func (e *exports) drop(id string) {
	e.mu.Lock()
	x := e.byID[id]
	delete(e.byID, id)
	e.mu.Unlock()
	if x == nil || x.dir == "" {
		return
	}
	x.dropFiles(e.log)
}

var errExported = refuse(http.StatusInsufficientStorage, issueTooCostly, "the export is larger than %d GiB; narrow it by _type or _since", mostExported>>30)

func (e *exports) run(ctx context.Context, f *Face, x *exporting) {
	err := f.desk.ExportSince(ctx, casebook.PrincipalOf(ctx), x.types, x.since, x.take)
	err = errors.Join(err, x.close())
	x.mu.Lock()
	x.ended, x.expires = true, time.Now().Add(exportKept)
	switch {
	case ctx.Err() != nil && errors.Is(context.Cause(ctx), context.Canceled):
		x.failed = notFound() // removed by a DELETE, or at the end
	case err != nil:
		x.failed = problemOf(err, e.log, RouteExport)
	}
	failed := x.failed != nil
	x.mu.Unlock()
	e.log.Info("export", zap.Bool("failed", failed), zap.Int64("cases", x.done), zap.Int64("bytes", x.bytes))
	e.mu.Lock()
	_, kept := e.byID[x.id]
	e.mu.Unlock()
	if !kept {
		x.dropFiles(e.log)
		return
	}
	time.AfterFunc(exportKept, func() { e.drop(x.id) })
}

func (x *exporting) dropFiles(log *zap.Logger) {
	if err := os.RemoveAll(x.dir); err != nil {
		log.Error("files of an export cannot be removed", zap.Error(err))
	}
}

// take writes what the desk sends.
func (x *exporting) take(r *trigonev1.ExportResourcesResponse) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if p := r.GetProgress(); p != nil {
		x.done, x.total = p.GetCasesDone(), p.GetCasesTotal()
	}
	if end := r.GetEnd(); end != nil {
		x.transaction = end.GetTransactionTime().AsTime()
	}
	c := r.GetChunk()
	if c == nil || typeNamed(c.GetResourceType()) == nil && c.GetResourceType() != fhirmap.TypeAuditEvent {
		return nil
	}
	if x.bytes += int64(len(c.GetNdjson())); x.bytes > mostExported {
		return errExported
	}
	at := slices.IndexFunc(x.files, func(f *exportedFile) bool { return f.typ == c.GetResourceType() && f.to != nil })
	if at < 0 {
		id, err := secret()
		if err != nil {
			return err
		}
		to, err := private.Create(filepath.Join(x.dir, id))
		if err != nil {
			return err
		}
		x.files, at = append(x.files, &exportedFile{id: id, typ: c.GetResourceType(), to: to}), len(x.files)
	}
	file := x.files[at]
	if _, err := file.to.WriteString(c.GetNdjson()); err != nil {
		return err
	}
	file.count += int64(c.GetCount())
	if file.bytes += int64(len(c.GetNdjson())); file.bytes >= fileBytes {
		to := file.to
		file.to = nil
		return to.Close()
	}
	return nil
}

func (x *exporting) close() (err error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, f := range x.files {
		if f.to != nil {
			err = errors.Join(err, f.to.Close())
			f.to = nil
		}
	}
	slices.SortStableFunc(x.files, func(a, b *exportedFile) int { return cmp.Compare(a.typ, b.typ) })
	return err
}

// exporting gives an export of who asks.
func (f *Face) exporting(r *http.Request, id string) (*exporting, error) {
	f.exports.mu.Lock()
	defer f.exports.mu.Unlock()
	x := f.exports.byID[id]
	if x == nil || x.who != casebook.PrincipalOf(r.Context()).Name {
		return nil, notFound()
	}
	return x, nil
}

// The manifest of an export, as the standard has it.
type (
	manifest struct {
		TransactionTime     string           `json:"transactionTime"`
		Request             string           `json:"request"`
		RequiresAccessToken bool             `json:"requiresAccessToken"`
		Output              []manifestOutput `json:"output"`
		Error               []manifestOutput `json:"error"`
	}
	manifestOutput struct {
		Type  string `json:"type"`
		URL   string `json:"url"`
		Count int64  `json:"count"`
	}
)

func (f *Face) exportStatus(r *http.Request, id string) (answer, error) {
	x, err := f.exporting(r, id)
	if err != nil {
		return answer{}, err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.ended {
		a := answer{http.StatusAccepted, nil, http.Header{}}
		a.header.Set("X-Progress", strconv.FormatInt(x.done, 10)+" of "+strconv.FormatInt(x.total, 10)+" cases")
		a.header.Set("Retry-After", "1")
		return a, nil
	}
	if x.failed != nil {
		return answer{}, x.failed
	}
	m := manifest{
		TransactionTime: x.transaction.UTC().Format(time.RFC3339Nano), Request: x.request, RequiresAccessToken: r.Header.Get("Authorization") != "",
		Output: []manifestOutput{}, Error: []manifestOutput{},
	}
	for _, file := range x.files {
		m.Output = append(m.Output, manifestOutput{file.typ, f.base + "/$export-file/" + x.id + "/" + file.id, file.count})
	}
	text, err := json.Marshal(m)
	if err != nil {
		return answer{}, err
	}
	a := answered(text)
	a.header.Set("Content-Type", "application/json")
	a.header.Set("Expires", x.expires.UTC().Format(http.TimeFormat))
	return a, nil
}

func (f *Face) exportRemoved(r *http.Request, id string) (answer, error) {
	x, err := f.exporting(r, id)
	if err != nil {
		return answer{}, err
	}
	x.cancel()
	f.exports.drop(id)
	return answer{http.StatusAccepted, nil, http.Header{}}, nil
}

func (f *Face) exportFile(r *http.Request, id, file string) (answer, error) {
	x, err := f.exporting(r, id)
	if err != nil {
		return answer{}, err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.ended || x.failed != nil || !slices.ContainsFunc(x.files, func(e *exportedFile) bool { return e.id == file }) {
		return answer{}, notFound()
	}
	text, err := os.ReadFile(filepath.Join(x.dir, file))
	if errors.Is(err, os.ErrNotExist) {
		return answer{}, notFound() // it was removed meanwhile
	}
	if err != nil {
		return answer{}, err
	}
	casebook.AccessOf(r.Context()).Cases(int(x.done))
	a := answered(text)
	a.header.Set("Content-Type", ndjson)
	return a, nil
}
