// Package fhirrest is the read-only FHIR R4 REST face: metadata, read and search
// over the resources of the cases on record, for dashboards. One table says which
// types and parameters there are; the router, the search and the capability
// statement read it. It changes nothing, decides nothing medical, and knows the
// resources only as JSON: fhirmap makes them, handover renders them. The
// server starts it.
//
// # Order
//
// A search answers by the order in which cases were opened, then by id. Neither ever
// moves, so that pages neither skip nor repeat while cases arrive and change.
//
// # Rows
//
// What is found is found by rows, which Index makes with every write (index.go), and
// by the cases that a value names: a patient's, those of an id. Only the cases on a
// page are rendered, and what is answered is held against the search once more.
//
// # Versions
//
// A resource's version is the history number of its case, of which it is a function
// as a whole.
// Earlier versions are not served: the record keeps its revisions, not its
// renderings.
package fhirrest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"mime"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/gzhttp"
	"go.uber.org/zap"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
)

// Fixed is resources that belong to no case, such as code systems: served by read,
// and by search for their canonical URL.
type Fixed struct {
	Types []string
	// Read gives one, encoded; nil or false: there is none.
	Read func(typ, id string) (text []byte, ok bool)
	// List gives those of a type, in the order in which they are answered.
	List func(typ string) []fhirmap.Resource
}

// Config is what a face works with.
type Config struct {
	Desk *handover.Desk
	// Base is the absolute address that resources are named by; its path is the one
	// that is served.
	Base string
	// Fixed may be empty.
	Fixed Fixed
	// Version of this software, Started of this process: for the statement.
	Version string
	Started time.Time
	Log     *zap.Logger
	// Admit lets a search in, or refuses it; leave is called once its answer is made.
	// nil: all are let in.
	Admit func(context.Context) (leave func(), err error)
	// May says whether who asks may take a route; nil: everybody may.
	May func(ctx context.Context, route string) error
	// OnRecord refuses what identifies while who reads it cannot be put on record; nil:
	// nothing is refused.
	OnRecord func() error
	// ExportDir is a folder of its own for the files of exports, which is emptied; empty:
	// there are no exports. AdmitExport lets one in, as Admit does a search.
	ExportDir   string
	AdmitExport func(context.Context) (leave func(), err error)
	// Kept bounds the bytes of rendered resources kept in memory; 0: DefaultKept.
	Kept int
}

// DefaultKept holds about 150 cases of the size of the invented ones: those of a page
// that is asked for again.
const DefaultKept = 64 << 20

// requestTime bounds one request.
const requestTime = 30 * time.Second

// Face answers requests. It is safe for concurrent use.
type Face struct {
	desk     *handover.Desk
	shelf    *shelf
	shapes   *shapes
	base     string
	path     string
	host     string // of base, which may be asked for beside loopback
	zone     *time.Location
	fixed    Fixed
	metadata []byte
	log      *zap.Logger
	admit    func(context.Context) (leave func(), err error)
	may      func(ctx context.Context, route string) error
	onRecord func() error
	handler  http.Handler
	exports  *exports
	rows     int // that one search may read
}

// ErrBase says that the base address cannot be served.
var ErrBase = errors.New("the base address of the REST face is absolute, http or https, without query, fragment or user, such as http://127.0.0.1:7431/fhir")

var basePath = regexp.MustCompile(`^(/[A-Za-z0-9_.-]+)*$`)

// New makes a face.
func New(c Config) (*Face, error) {
	base, err := url.Parse(strings.TrimSuffix(c.Base, "/"))
	if err != nil || base.Host == "" || base.Scheme != "http" && base.Scheme != "https" || base.User != nil ||
		base.RawQuery != "" || base.Fragment != "" || !basePath.MatchString(base.EscapedPath()) {
		return nil, ErrBase
	}
	zone, err := c.Desk.Zone()
	if err != nil {
		return nil, err
	}
	if c.Kept == 0 {
		c.Kept = DefaultKept
	}
	shelf, err := newShelf(c.Desk, zone, c.Kept)
	if err != nil {
		return nil, err
	}
	f := &Face{
		desk: c.Desk, shelf: shelf, shapes: &shapes{public: c.Desk.PublicCodes()}, base: base.String(), path: base.Path, host: base.Hostname(),
		zone: zone, fixed: c.Fixed, log: c.Log, admit: c.Admit, may: c.May, onRecord: c.OnRecord, rows: mostRows,
	}
	if f.exports, err = newExports(c.ExportDir, c.AdmitExport, c.Log); err != nil {
		return nil, err
	}
	if f.metadata, err = f.statement(c.Version, c.Started); err != nil {
		return nil, err
	}
	squeeze, err := gzhttp.NewWrapper(gzhttp.ContentTypeFilter(func(string) bool { return true }))
	if err != nil {
		return nil, err
	}
	f.handler = squeeze(http.HandlerFunc(f.serve))
	return f, nil
}

// Serves says whether an address is one of this face.
func (f *Face) Serves(u *url.URL) bool { return strings.HasPrefix(u.EscapedPath(), f.path+"/") }

// WriteRefusal answers a request that was refused before it came to a face.
func WriteRefusal(w http.ResponseWriter, err error, log *zap.Logger) {
	p := problemOf(err, log, routeNone)
	h := w.Header()
	if p.after > 0 {
		h.Set("Retry-After", strconv.Itoa(max(1, int(p.after.Seconds()))))
	}
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Type", fhirmap.MediaType)
	w.WriteHeader(p.status)
	if _, err := w.Write(p.body()); err != nil {
		log.Debug("the client went away", zap.String("route", routeNone))
	}
}

// exchange is what the log tells of a request. It is filled in on the way.
type exchange struct {
	route   string
	entered bool   // who asks may
	leave   func() // nil: it was let in by nobody
	typ     string // a type of resources of cases, if one was asked for
	ofCases bool   // what was asked for may identify: the access record has a line of it
}

func (x *exchange) end() {
	if x.leave != nil {
		x.leave()
	}
}

type exchangeKey struct{}

// Routes as the log and the table of rights name them: no id and no value is ever
// logged. What is asked of what codes and profiles mean, which belongs to no case, has
// a right of its own, RouteTerminology, on any route.
const (
	routeNone        = "none"
	RouteMetadata    = "metadata"
	RouteTerminology = "terminology"
	RouteType        = "{type}"
	RouteSearch      = "{type}/_search"
	RouteRead        = "{type}/{id}"
	RouteVersion     = "{type}/{id}/_history/{version}"
	// A search that selects by who operated or signed needs a right of its own.
	RouteByStaff = "{type}?performer"
	// Of exports: to begin one, to ask about it or remove it, to fetch a file.
	RouteExport = "$export"
	// An export of who looked needs a right of its own beside.
	RouteExportAccesses = "$export?_type=AuditEvent"
	RouteExportStatus   = "$export-status/{id}"
	RouteExportFile     = "$export-file/{id}/{file}"
)

// Routes gives all of them: each has a row in the server's table of rights.
func Routes() []string {
	return []string{RouteMetadata, RouteTerminology, RouteType, RouteSearch, RouteRead, RouteVersion, RouteByStaff, RouteExport, RouteExportAccesses, RouteExportStatus, RouteExportFile}
}

// enter takes a request to its route, if who asks may: before anything is looked for.
// An answer to a request that did not enter is never sent.
func (f *Face) enter(r *http.Request, x *exchange, route string, terminology bool) error {
	x.route = route
	if x.ofCases = !terminology && route != RouteMetadata; terminology {
		route = RouteTerminology
	}
	if f.may != nil {
		if err := f.may(r.Context(), route); err != nil {
			return err
		}
	}
	if f.onRecord != nil && x.ofCases {
		if err := f.onRecord(); err != nil {
			return err
		}
	}
	x.entered = true
	return nil
}

// ServeHTTP answers one request, and writes one line to the log.
func (f *Face) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	begin := time.Now()
	x := &exchange{route: routeNone}
	counted := &counter{ResponseWriter: w, status: http.StatusOK}
	ctx, cancel := context.WithTimeout(context.WithValue(r.Context(), exchangeKey{}, x), requestTime)
	defer cancel()
	// The answer is made whole, compressed too, before it is sent: a client that does
	// not read keeps nobody waiting.
	whole := &held{header: counted.Header(), status: http.StatusOK}
	func() {
		defer x.end()
		f.handler.ServeHTTP(whole, r.WithContext(ctx))
	}()
	if x.ofCases {
		casebook.AccessOf(ctx).Method(methodWord(r.Method) + " " + strings.Replace(x.route, "{type}", x.typ, 1))
	}
	whole.send(counted, f.log, x.route)
	f.log.Info("request", zap.String("method", methodWord(r.Method)), zap.String("route", x.route), zap.Int("status", counted.status),
		zap.String("caller", casebook.PrincipalOf(ctx).Name), zap.Duration("took", time.Since(begin)), zap.Int64("bytes", counted.bytes))
}

// methodWord keeps invented methods out of the log.
func methodWord(method string) string {
	known := []string{
		http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete,
		http.MethodOptions, http.MethodConnect, http.MethodTrace,
	}
	if slices.Contains(known, method) {
		return method
	}
	return "other"
}

type counter struct {
	http.ResponseWriter
	status int
	bytes  int64
}

// WriteHeader notes the status.
func (c *counter) WriteHeader(status int) {
	c.status = status
	c.ResponseWriter.WriteHeader(status)
}

// Write counts.
func (c *counter) Write(p []byte) (int, error) {
	n, err := c.ResponseWriter.Write(p)
	c.bytes += int64(n)
	return n, err
}

// held is a response that is not sent yet.
type held struct {
	header http.Header
	status int
	body   bytes.Buffer
}

// Header gives the header.
func (h *held) Header() http.Header { return h.header }

// WriteHeader notes the status.
func (h *held) WriteHeader(status int) { h.status = status }

// Write keeps a piece.
func (h *held) Write(p []byte) (int, error) { return h.body.Write(p) }

func (h *held) send(w http.ResponseWriter, log *zap.Logger, route string) {
	w.WriteHeader(h.status)
	if _, err := w.Write(h.body.Bytes()); err != nil {
		log.Debug("the client went away", zap.String("route", route))
	}
}

// answer is a whole response; it is written only when it is complete.
type answer struct {
	status int
	body   []byte
	header http.Header
}

// answered gives a response with a body; one with a version carries it.
func answered(body []byte) answer { return answer{http.StatusOK, body, http.Header{}} }

func (f *Face) serve(w http.ResponseWriter, r *http.Request) {
	x, _ := r.Context().Value(exchangeKey{}).(*exchange)
	a, err := f.guarded(r, x)
	if err != nil {
		p := problemOf(err, f.log, x.route)
		a = answer{p.status, p.body(), http.Header{}}
		if p.allow != "" {
			a.header.Set("Allow", p.allow)
		}
		if p.status == http.StatusServiceUnavailable || p.status == http.StatusTooManyRequests {
			a.header.Set("Retry-After", strconv.Itoa(max(1, int(p.after.Seconds()))))
		}
	}
	h := w.Header()
	for name, list := range a.header {
		h[name] = list
	}
	// What is of a patient is kept by nobody on the way; of the rest a copy is asked
	// about before it is shown again.
	h.Set("Cache-Control", "no-store")
	if !x.ofCases && err == nil {
		h.Set("Cache-Control", "private, no-cache")
	}
	h.Set("X-Content-Type-Options", "nosniff")
	if a.status == http.StatusNotModified || a.status == http.StatusNoContent {
		w.WriteHeader(a.status)
		return
	}
	if a.status == http.StatusAccepted {
		w.WriteHeader(a.status)
		return
	}
	if h.Get("Content-Type") == "" {
		h.Set("Content-Type", fhirmap.MediaType)
	}
	if r.Method == http.MethodHead {
		h.Set("Content-Length", strconv.Itoa(len(a.body)))
		w.WriteHeader(a.status)
		return
	}
	w.WriteHeader(a.status)
	if _, err := w.Write(a.body); err != nil {
		f.log.Warn("an answer was not kept whole", zap.String("route", x.route), zap.Error(err))
	}
}

// guarded turns a fault of the program into a problem. The stack is logged; the
// value that was thrown is not, since it may hold content.
func (f *Face) guarded(r *http.Request, x *exchange) (a answer, err error) {
	defer func() {
		if thrown := recover(); thrown != nil {
			f.log.Error("fault of the program", zap.String("route", x.route), zap.ByteString("stack", debug.Stack()))
			a, err = answer{}, fault()
		}
	}()
	if a, err = f.respond(r, x); err == nil && !x.entered {
		f.log.Error("fault of the program: an address that nobody was asked the right to", zap.String("route", x.route))
		return answer{}, fault()
	}
	return a, err
}

// typeName is the form of a type's name, resourceID of an id in FHIR.
var typeName = regexp.MustCompile(`^[A-Z][A-Za-z]{1,63}$`)

var resourceID = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)

const (
	getOnly  = "GET, HEAD"
	getPost  = "GET, HEAD, POST"
	formType = "application/x-www-form-urlencoded"
)

func (f *Face) respond(r *http.Request, x *exchange) (answer, error) {
	if !OwnHost(r.Host, f.host) {
		return answer{}, refuse(http.StatusMisdirectedRequest, issueSecurity, "the host that was asked for is not this one")
	}
	if len(r.RequestURI) > mostAddress {
		return answer{}, refuse(http.StatusRequestURITooLong, issueTooLong, "the address is longer than %d bytes; send the search by POST to _search", mostAddress)
	}
	// The path is taken as it was sent: with an escape in it, it names nothing.
	rest, below := strings.CutPrefix(r.URL.EscapedPath(), f.path+"/")
	if !below {
		return answer{}, notFound()
	}
	segments := strings.Split(rest, "/")
	if r.Method == http.MethodOptions {
		if err := f.enter(r, x, routeNone, true); err != nil {
			return answer{}, err
		}
		return f.options(segments)
	}
	if len(segments) == 1 && segments[0] == "metadata" {
		if err := f.enter(r, x, RouteMetadata, false); err != nil {
			return answer{}, err
		}
		return f.plain(r, func() (answer, error) { return answered(f.metadata), nil })
	}
	if strings.HasPrefix(segments[0], "$export") {
		return f.respondExport(r, x, segments)
	}
	typ := segments[0]
	t := typeNamed(typ)
	if t != nil {
		x.typ = t.name
	}
	fixed := t == nil && slices.Contains(f.fixed.Types, typ)
	switch {
	case t == nil && !fixed:
		return answer{}, notFound()
	case fixed && (len(segments) == 1 || len(segments) == 2 && segments[1] == "_search"):
		if err := f.enter(r, x, RouteType, true); err != nil {
			return answer{}, err
		}
		return f.searchedFixed(r, typ, len(segments) == 2)
	case len(segments) == 1 && t != nil:
		if err := f.enter(r, x, RouteType, false); err != nil {
			return answer{}, err
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			return answer{}, wrongMethod(getOnly)
		}
		return f.searched(r, t)
	case len(segments) == 2 && segments[1] == "_search" && t != nil:
		if err := f.enter(r, x, RouteSearch, false); err != nil {
			return answer{}, err
		}
		if r.Method != http.MethodPost && r.Method != http.MethodGet && r.Method != http.MethodHead {
			return answer{}, wrongMethod(getPost)
		}
		return f.searched(r, t)
	case len(segments) == 2 && resourceID.MatchString(segments[1]):
		if err := f.enter(r, x, RouteRead, fixed); err != nil {
			return answer{}, err
		}
		return f.plain(r, func() (answer, error) {
			if fixed {
				return f.readFixed(typ, segments[1])
			}
			return f.read(r, t, segments[1], "")
		})
	case len(segments) == 4 && segments[2] == "_history" && t != nil && resourceID.MatchString(segments[1]):
		if err := f.enter(r, x, RouteVersion, false); err != nil {
			return answer{}, err
		}
		return f.plain(r, func() (answer, error) { return f.read(r, t, segments[1], segments[3]) })
	}
	return answer{}, notFound()
}

// options tells by which methods something is served at an address, as the
// standard's base page asks: the statement says the rest. Nothing of what is on
// record is told by it.
func (f *Face) options(segments []string) (answer, error) {
	a := answer{http.StatusNoContent, nil, http.Header{}}
	a.header.Set("Allow", getOnly+", OPTIONS")
	if segments[len(segments)-1] == "_search" {
		a.header.Set("Allow", getPost+", OPTIONS")
	}
	return a, nil
}

// OwnHost says whether a host that was asked for is this one, or loopback: it guards
// against a page elsewhere whose name was made to point here.
func OwnHost(asked, own string) bool {
	host := asked
	if h, _, err := net.SplitHostPort(asked); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, own) || strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// plain serves an address that takes GET and HEAD.
func (f *Face) plain(r *http.Request, then func() (answer, error)) (answer, error) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return answer{}, wrongMethod(getOnly)
	}
	asked, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return answer{}, refuse(http.StatusBadRequest, issueInvalid, "the query of the address is no list of parameters")
	}
	if err := acceptable(r, asked); err != nil {
		return answer{}, err
	}
	return then()
}

// acceptable says whether the answer is in a form that was asked for.
func acceptable(r *http.Request, asked url.Values) error {
	refusal := refuse(http.StatusNotAcceptable, issueNotSupported, "only application/fhir+json of FHIR 4.0 is served")
	if list, given := asked[paramFormat]; given {
		for _, form := range list {
			// A plus that was not escaped arrives as a space.
			if media, _, err := mime.ParseMediaType(strings.ReplaceAll(form, " ", "+")); err != nil || !jsonForm(media) && media != "json" {
				return refusal
			}
		}
		return nil
	}
	accepted := strings.Join(r.Header.Values("Accept"), ",")
	if strings.Trim(accepted, " \t,") == "" {
		return nil // nothing, or an empty list, asks for nothing
	}
	for _, part := range strings.Split(accepted, ",") {
		media, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		if err != nil {
			continue
		}
		if q, given := params["q"]; given {
			if weight, err := strconv.ParseFloat(q, 64); err != nil || weight <= 0 {
				continue
			}
		}
		if v := params["fhirversion"]; v != "" && v != "4.0" && v != "4.0.1" {
			continue
		}
		if jsonForm(media) || media == "*/*" || media == "application/*" {
			return nil
		}
	}
	return refusal
}

func jsonForm(media string) bool {
	return media == "application/fhir+json" || media == "application/json" || media == "text/json"
}

func (f *Face) readFixed(typ, id string) (answer, error) {
	text, ok := f.fixed.Read(typ, id)
	if !ok || len(text) == 0 {
		return answer{}, notFound()
	}
	return answered(text), nil
}

// read gives a resource; with a version only if that is the current one.
func (f *Face) read(r *http.Request, t *resourceType, id, version string) (answer, error) {
	x, c, err := f.shelf.find(r.Context(), t.name, id)
	if err != nil {
		return answer{}, err
	}
	current := strconv.FormatInt(c.history, 10)
	if version != "" && version != current {
		return answer{}, refuse(http.StatusNotFound, issueNotSupported,
			"only the current version of a resource is served, no earlier one; read it without _history")
	}
	texts, err := f.shelf.texts(c, nil)
	if err != nil {
		return answer{}, err
	}
	a := answered(texts[x.at : x.at+x.length])
	a.header.Set("ETag", `W/"`+current+`"`)
	a.header.Set("Last-Modified", c.changed.UTC().Format(http.TimeFormat))
	if unchanged(r.Header, current, c.changed) {
		a.status = http.StatusNotModified
	}
	return a, nil
}

// unchanged answers the conditions of a read. A tag is stronger than a time.
func unchanged(h http.Header, current string, changed time.Time) bool {
	if tags := h.Values("If-None-Match"); len(tags) > 0 {
		for _, tag := range strings.Split(strings.Join(tags, ","), ",") {
			tag = strings.TrimSpace(tag)
			if tag == "*" || strings.TrimPrefix(tag, "W/") == `"`+current+`"` {
				return true
			}
		}
		return false
	}
	since, err := http.ParseTime(h.Get("If-Modified-Since"))
	return err == nil && !changed.Truncate(time.Second).After(since)
}

// selects refuses a search by who operated or signed, unless who asks may select by
// anybody or asks for himself alone: by the pseudonyms that are tied to his identity.
func (f *Face) selects(ctx context.Context, q query) error {
	own := casebook.PrincipalOf(ctx).Operators
	others := slices.ContainsFunc(q.staff, func(who string) bool { return !slices.Contains(own, who) })
	if !q.staffed && !others || f.may == nil || f.may(ctx, RouteByStaff) == nil {
		return nil
	}
	return refuse(http.StatusForbidden, issueForbidden, "who operated or signed may be selected by an auditor, and by everybody for the pseudonyms that are his own; leave performer and requester out, or ask for your own pseudonym")
}

func (f *Face) searched(r *http.Request, t *resourceType) (answer, error) {
	params, err := parameters(r)
	if err != nil {
		return answer{}, err
	}
	if err := acceptable(r, params); err != nil {
		return answer{}, err
	}
	strict, err := handling(r.Header)
	if err != nil {
		return answer{}, err
	}
	q, err := parseQuery(t, params, strict, f.zone, f.base, f.desk)
	if err != nil {
		return answer{}, err
	}
	if err := f.selects(r.Context(), q); err != nil {
		return answer{}, err
	}
	if err := f.admitted(r.Context()); err != nil {
		return answer{}, err
	}
	found, err := f.search(r.Context(), q)
	if err != nil {
		return answer{}, err
	}
	body, err := f.bundle(q, found)
	if err != nil {
		return answer{}, err
	}
	return answered(body), nil
}

// admitted lets a search in until its answer is made.
func (f *Face) admitted(ctx context.Context) error {
	x, ok := ctx.Value(exchangeKey{}).(*exchange)
	if f.admit == nil || !ok {
		return nil
	}
	leave, err := f.admit(ctx)
	x.leave = leave
	return err
}

// parameters gives those of the address and, by POST, those of the form.
func parameters(r *http.Request) (url.Values, error) {
	noList := refuse(http.StatusBadRequest, issueInvalid, "the parameters are no list of names and values; escape the percent sign as %%25, the semicolon as %%3B and the ampersand as %%26")
	params, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, noList
	}
	if r.Method != http.MethodPost {
		return params, nil
	}
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != formType {
		return nil, refuse(http.StatusUnsupportedMediaType, issueNotSupported, "a search by POST sends its parameters as %s", formType)
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, mostBody+1))
	if err != nil {
		return nil, refuse(http.StatusBadRequest, issueInvalid, "the form could not be read to its end")
	}
	if len(body) > mostBody {
		return nil, refuse(http.StatusRequestEntityTooLarge, issueTooLong, "the form is longer than %d bytes", mostBody)
	}
	form, err := url.ParseQuery(string(body))
	if err != nil {
		return nil, noList
	}
	for name, list := range form {
		params[name] = append(params[name], list...)
	}
	return params, nil
}

// preferences gives the names and values of Prefer.
func preferences(h http.Header) [][2]string {
	var list [][2]string
	for _, preference := range strings.FieldsFunc(strings.Join(h.Values("Prefer"), ","), func(r rune) bool { return r == ',' || r == ';' }) {
		name, value, _ := strings.Cut(strings.TrimSpace(preference), "=")
		list = append(list, [2]string{strings.ToLower(strings.TrimSpace(name)), strings.ToLower(strings.Trim(strings.TrimSpace(value), `"`))})
	}
	return list
}

// prefers says whether a preference without a value is stated.
func prefers(h http.Header, name string) bool {
	return slices.ContainsFunc(preferences(h), func(p [2]string) bool { return p[0] == name })
}

// prefersLenient says whether leniency was asked for by name.
func prefersLenient(h http.Header) bool {
	return slices.Contains(preferences(h), [2]string{"handling", "lenient"})
}

// handling reads Prefer: handling=strict or lenient, the default.
func handling(h http.Header) (strict bool, err error) {
	for _, p := range preferences(h) {
		if p[0] != "handling" {
			continue
		}
		switch p[1] {
		case "strict":
			return true, nil
		case "lenient":
			return false, nil
		}
		return false, refuse(http.StatusBadRequest, issueValue, "the preference of handling is strict or lenient")
	}
	return false, nil
}
