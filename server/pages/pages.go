// Package pages is the face for people with a browser: pages made on the server, on
// the port of FHIR over HTTP. They are readable without script, fetch nothing from
// elsewhere, and say nothing that identifies in an address. Nothing medical is decided
// here: a page shows what a room answers.
//
// # How to add a page
//
// One file with a value of page, its view beside it in templates, and a line in the
// list of pages:
//
//	var ringPage = page{
//		route:  "/rings/{id}",    // as net/http writes it; the log and the table of rights name it so
//		name:   "Rings",          // in the navigation; only where the route has no {part}
//		group:  referencePages,   // there
//		about:  "rings of the site's table",
//		view:   "ring.html",      // {{define "content"}}...{{end}}, given what answer gave
//		reads:  trigonev1.ReferenceService_ListRings_FullMethodName, // the RPC whose roles it needs
//		answer: func(v *visit) (view, error) {
//			list, err := v.rooms.Book.ListRings(v.ctx(), v.who(), &trigonev1.ListRingsRequest{})
//			return view{title: "Ring " + v.part("id"), content: list}, err
//		},
//	}
//
// A page that shows something of a case says ofRecord, so that the access record has a
// line of each reading, and its rooms tell the cases. What may be sent to it by a form
// says form; it is asked by POST then, and read by v.form. An error of a room becomes
// the page of that refusal by itself. A file to be kept is answered as view{file: ...}.
// A page about the cases of a period, or of a technique, reads them from its address by
// v.selection, shows them in a selectionForm, and gives them to every link (addressOf);
// a number leads to the cases behind it by v.number, where who reads it may see them.
// The route needs a row in the server's table of rights (server/rights.go) and a visit
// in its test; the walk through a browser takes it from the list of pages.
package pages

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/ledger"
	"trigone/internal/policy"
	"trigone/internal/render"
)

// Rooms are what answers for one site.
type Rooms struct {
	Site   string
	Policy policy.Policy
	Book   *casebook.Book
	Desk   *handover.Desk
	Ledger *ledger.Ledger
}

// Config is what the pages work with.
type Config struct {
	// Rooms gives those of the site that a request is about.
	Rooms func(context.Context) Rooms
	// May says whether who asks may take a route, or call an RPC, at that site.
	May func(ctx context.Context, call string) bool
	// Sites gives those at which who asks has rights.
	Sites func(context.Context) []string
	// Admit lets what is read through an RPC in, where that is heavy, or refuses it;
	// leave is called once the page is made.
	Admit func(ctx context.Context, call string) (leave func(), err error)
	// OnRecord refuses what identifies while who reads it cannot be put on record.
	OnRecord func() error
	// SignIn says who a token names, or refuses it; nil: there is no sign-in.
	SignIn func(ctx context.Context, token string) (who string, err error)
	// Version of this software.
	Version string
	Log     *zap.Logger
	Now     func() time.Time
}

// page is one page.
type page struct {
	route string
	name  string
	// group of the navigation, and what the page says, for who has not seen it.
	group pageGroup
	about string
	view  string
	// reads is the RPC that the page reads through; empty: it tells nothing of the record.
	reads string
	// open says that nobody needs to be signed in.
	open bool
	// ofRecord says that what it shows is of cases.
	ofRecord bool
	// form says that it is asked by POST too; post, that it is by POST alone.
	form, post bool
	answer     func(*visit) (view, error)
}

// pageGroup is what pages of the navigation have in common.
type pageGroup string

// The groups, in the order of the navigation.
const (
	departmentPages pageGroup = "The department"
	casesPages      pageGroup = "Cases"
	referencePages  pageGroup = "Reference"
)

// pages are all, in the order of the navigation.
func (f *Face) pages() []*page {
	return []*page{
		&nowPage, &differencesPage, &differencesFilePage, &differencesColumnsPage, &agreementPage, &agreementFilePage, &agreementColumnsPage,
		&outcomesPage, &monitoringPage, &freedomPage, &predictionPage,
		&gapsPage, &comparisonsPage, &comparisonsFilePage, &comparisonsColumnsPage, &countedPage,
		&casesPage, &casePage, &notePage, &noteFilePage, &bundlePage, &tryPage, &rulesPage, &metricsPage, &sourcesPage,
		f.signInPage(), f.signOutPage(), &stylePage, &iconPage,
	}
}

// view is what a page shows.
type view struct {
	title string
	// first stands before everything else, the usual caution too.
	first string
	// content is given to the page's template.
	content any
	// invented says that the data are.
	invented bool
	// status is 200 if it is not set.
	status int
	// to sends the browser on, instead of a page.
	to string
	// file is sent as it is, instead of a page.
	file *file
}

// file is something that is not made of a template.
type file struct {
	// name under which it is kept; it says what, never who. Empty: it is shown.
	name, media string
	body        []byte
	// kept says that a browser may keep it: it is the same for everybody.
	kept bool
	// policy is its own Content-Security-Policy.
	policy string
}

// visit is one request for a page.
type visit struct {
	r     *http.Request
	w     http.ResponseWriter
	face  *Face
	page  *page
	rooms Rooms
}

func (v *visit) ctx() context.Context { return v.r.Context() }

func (v *visit) who() casebook.Principal { return casebook.PrincipalOf(v.r.Context()) }

// part gives a part of the address that the route names.
func (v *visit) part(name string) string { return v.r.PathValue(name) }

// asked gives what the address asks after its question mark.
func (v *visit) asked() url.Values { return v.r.URL.Query() }

// form gives what was sent by a form.
func (v *visit) form() url.Values { return v.r.PostForm }

// sent says whether a form was sent.
func (v *visit) sent() bool { return v.r.Method == http.MethodPost }

// may says whether who asks may call an RPC, or take a route, at this site.
func (v *visit) may(call string) bool { return v.face.config.May(v.ctx(), call) }

// address gives that of a page at this site; values are pairs of name and value, of
// which empty ones are left out.
func (v *visit) address(path string, values ...string) string {
	q := url.Values{}
	if len(v.face.config.Sites(v.ctx())) > 1 {
		q.Set(siteAsked, v.rooms.Site)
	}
	for i := 0; i+1 < len(values); i += 2 {
		if values[i+1] != "" {
			q.Set(values[i], values[i+1])
		}
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

const (
	siteAsked = "site"
	// mostForm bounds what a form sends, mostAddress the address.
	mostForm    = 64 << 10
	mostAddress = 4 << 10
	requestTime = 30 * time.Second
)

// contentPolicy lets a page fetch its stylesheet from here and send its forms to here,
// and nothing else.
const contentPolicy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// Face answers requests. It is safe for concurrent use.
type Face struct {
	config   Config
	list     []*page
	views    map[string]*template.Template
	sessions *sessions
	style    string // address of the stylesheet
}

//go:embed templates/*.html
var templates embed.FS

//go:embed style.css
var style []byte

//go:embed icon.svg
var icon []byte

var styleVersion = func() string {
	sum := sha256.Sum256(style)
	return hex.EncodeToString(sum[:6])
}()

// New makes the pages.
func New(c Config) (*Face, error) {
	f := &Face{config: c, views: map[string]*template.Template{}, sessions: newSessions(c.Now)}
	f.list, f.style = f.pages(), stylePath+"?v="+styleVersion
	frame, err := template.New("frame.html").ParseFS(templates, "templates/frame.html", "templates/pieces.html")
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	names := []string{problemView}
	for _, p := range f.list {
		if p.view != "" {
			names = append(names, p.view)
		}
	}
	for _, name := range names {
		own, err := frame.Clone()
		if err != nil {
			return nil, fmt.Errorf("pages: %w", err)
		}
		if f.views[name], err = own.ParseFS(templates, "templates/"+name); err != nil {
			return nil, fmt.Errorf("pages: %w", err)
		}
	}
	return f, nil
}

// Routes gives the routes of all pages: each has a row in the server's table of rights.
func Routes() []string {
	var list []string
	for _, p := range (&Face{}).pages() {
		list = append(list, p.route)
	}
	return list
}

// Reads gives the RPC that the page of a route reads through; empty: none.
func Reads(route string) string {
	for _, p := range (&Face{}).pages() {
		if p.route == route {
			return p.reads
		}
	}
	return ""
}

// match gives the page of an address, and notes the parts that its route names; nil:
// there is none. The path is taken as it was sent: with an escape in it, it names
// nothing.
func (f *Face) match(r *http.Request) *page {
	asked := strings.Split(r.URL.EscapedPath(), "/")
	for _, p := range f.list {
		route := strings.Split(p.route, "/")
		if len(route) != len(asked) {
			continue
		}
		parts, fits := map[string]string{}, true
		for i, piece := range route {
			name, open := strings.CutPrefix(piece, "{")
			switch {
			case open && asked[i] != "" && !strings.Contains(asked[i], "%"):
				parts[strings.TrimSuffix(name, "}")] = asked[i]
			case piece != asked[i]:
				fits = false
			}
		}
		if fits {
			for name, value := range parts {
				r.SetPathValue(name, value)
			}
			return p
		}
	}
	return nil
}

// Route gives the route of an address, and whether nobody needs to be signed in to take
// it; empty: there is no such page.
func (f *Face) Route(r *http.Request) (route string, open bool) {
	if p := f.match(r); p != nil {
		return p.route, p.open
	}
	return "", true
}

// SiteAsked gives the site that an address names; empty: it names none.
func SiteAsked(r *http.Request) string { return r.URL.Query().Get(siteAsked) }

// ServeHTTP answers a request of somebody who is let in, or for a page that is open,
// and writes one line to the log.
func (f *Face) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	begin := time.Now()
	ctx, cancel := context.WithTimeout(r.Context(), requestTime)
	defer cancel()
	v := &visit{r: r.WithContext(ctx), w: w, face: f}
	v.page = f.match(v.r)
	shown, err := f.guarded(v)
	if err != nil {
		shown = f.refusal(v, err)
	}
	if v.page != nil && v.page.ofRecord {
		casebook.AccessOf(ctx).Method(methodWord(r.Method) + " " + v.page.route)
	}
	status, bytes := f.send(v, shown)
	f.log(v, status, begin, bytes)
}

// Refuse answers a request that was refused before it came here: who is not signed in
// is asked to.
func (f *Face) Refuse(w http.ResponseWriter, r *http.Request, err error) (status int) {
	v := &visit{r: r, w: w, face: f}
	v.page = f.match(r)
	status, _ = f.send(v, f.refusal(v, err))
	return status
}

func (f *Face) log(v *visit, status int, begin time.Time, bytes int) {
	route, caller := "none", cmp.Or(v.who().Name, "nobody")
	if v.page != nil {
		route = v.page.route
	}
	f.config.Log.Info("request", zap.String("method", methodWord(v.r.Method)), zap.String("route", "page "+route), zap.Int("status", status),
		zap.String("caller", caller), zap.Duration("took", time.Since(begin)), zap.Int("bytes", bytes))
}

// methodWord keeps invented methods out of the log.
func methodWord(method string) string {
	if slices.Contains([]string{http.MethodGet, http.MethodHead, http.MethodPost}, method) {
		return method
	}
	return "other"
}

// guarded turns a fault of the program into a refusal. The stack is logged; the value
// that was thrown is not, since it may hold content.
func (f *Face) guarded(v *visit) (shown view, err error) {
	defer func() {
		if thrown := recover(); thrown != nil {
			f.config.Log.Error("fault of the program", zap.ByteString("stack", debug.Stack()))
			shown, err = view{}, errFault
		}
	}()
	return f.answer(v)
}

func (f *Face) answer(v *visit) (view, error) {
	p := v.page
	if p == nil {
		return view{}, casebook.Refuse(casebook.NotFound, "", "there is no page at this address")
	}
	switch v.r.Method {
	case http.MethodGet, http.MethodHead:
		if p.post {
			return view{}, errMethod
		}
	case http.MethodPost:
		if !p.form && !p.post {
			return view{}, errMethod
		}
		if err := crossOrigin.Check(v.r); err != nil {
			return view{}, casebook.Refuse(casebook.PermissionDenied, "", "the form was sent from another site than this one; open the page here and send it again")
		}
		v.r.Body = http.MaxBytesReader(v.w, v.r.Body, mostForm)
		if err := v.r.ParseForm(); err != nil {
			return view{}, casebook.Refuse(casebook.Invalid, "", "the form cannot be read, or is larger than %d KB", mostForm>>10)
		}
	default:
		return view{}, errMethod
	}
	if len(v.r.RequestURI) > mostAddress {
		return view{}, casebook.Refuse(casebook.Invalid, "", "the address is longer than %d bytes", mostAddress)
	}
	if !p.open {
		if !v.may(PageRight(p.route)) {
			return view{}, casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight, "your roles do not include this page; the README of the service lists which do")
		}
		v.rooms = f.config.Rooms(v.ctx())
	}
	if p.ofRecord {
		if err := f.config.OnRecord(); err != nil {
			return view{}, err
		}
	}
	if p.reads != "" {
		leave, err := f.config.Admit(v.ctx(), p.reads)
		if err != nil {
			return view{}, err
		}
		defer leave()
	}
	return p.answer(v)
}

// PageRight is how the table of rights names a page.
func PageRight(route string) string { return "page " + route }

// crossOrigin refuses what a page elsewhere makes a browser send.
var crossOrigin = http.NewCrossOriginProtection()

// link is one of the navigation.
type link struct {
	Name, Address string
	Here          bool
}

// shell is what the frame shows around a page.
type shell struct {
	Title, First, Caution, Style, Version string
	Who, Site                             string
	Signed, Invented                      bool
	Groups                                []linkGroup
	Sites                                 []link
	Content                               any
}

// linkGroup are pages of the navigation that belong together.
type linkGroup struct {
	Name  pageGroup
	Links []link
}

func (f *Face) shell(v *visit, shown view) shell {
	s := shell{Title: shown.title, First: shown.first, Caution: render.Caution, Style: f.style, Version: f.config.Version, Invented: shown.invented, Content: shown.content}
	if v.rooms.Site == "" {
		return s
	}
	s.Who, s.Site = v.who().Name, v.rooms.Site
	s.Signed = f.Token(v.r) != ""
	for _, p := range f.list {
		if p.name == "" || !v.may(PageRight(p.route)) {
			continue
		}
		if len(s.Groups) == 0 || s.Groups[len(s.Groups)-1].Name != p.group {
			s.Groups = append(s.Groups, linkGroup{Name: p.group})
		}
		at := &s.Groups[len(s.Groups)-1]
		at.Links = append(at.Links, link{p.name, v.address(p.route), p.route == v.page.route})
	}
	if own := f.config.Sites(v.ctx()); len(own) > 1 {
		for _, site := range own {
			s.Sites = append(s.Sites, link{site, v.page.start() + "?" + url.Values{siteAsked: {site}}.Encode(), site == s.Site})
		}
	}
	return s
}

// start is where one comes to who chooses another site: what belongs to one site is not
// at another.
func (p *page) start() string {
	path, _, _ := strings.Cut(p.route, "/{")
	return path
}

func (f *Face) send(v *visit, shown view) (status, written int) {
	h := v.w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Content-Security-Policy", contentPolicy)
	h.Set("Cache-Control", "no-store")
	status = max(shown.status, http.StatusOK)
	if shown.to != "" {
		h.Set("Location", shown.to)
		v.w.WriteHeader(http.StatusSeeOther)
		return http.StatusSeeOther, 0
	}
	body, media := []byte(nil), "text/html; charset=utf-8"
	if shown.file != nil {
		body, media = shown.file.body, shown.file.media
		if shown.file.kept {
			h.Set("Cache-Control", "private, max-age=31536000, immutable")
		}
		if shown.file.name != "" {
			h.Set("Content-Disposition", `attachment; filename="`+shown.file.name+`"`)
		}
		if shown.file.policy != "" {
			h.Set("Content-Security-Policy", shown.file.policy)
		}
	} else {
		var err error
		if body, err = f.made(v, shown); err != nil {
			f.config.Log.Error("a page cannot be made", zap.Error(err))
			status, body = http.StatusInternalServerError, []byte("a fault of the service; its log tells more")
			media = "text/plain; charset=utf-8"
		}
	}
	h.Set("Content-Type", media)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	v.w.WriteHeader(status)
	if v.r.Method == http.MethodHead {
		return status, 0
	}
	n, err := v.w.Write(body)
	if err != nil {
		f.config.Log.Debug("the client went away")
	}
	return status, n
}

// made makes a page whole before anything of it is sent.
func (f *Face) made(v *visit, shown view) ([]byte, error) {
	name := problemView
	if _, refused := shown.content.(problem); !refused && v.page != nil {
		name = v.page.view
	}
	if f.views[name] == nil {
		return nil, fmt.Errorf("the page %s has no view", v.page.route)
	}
	var b bytes.Buffer
	if err := f.views[name].ExecuteTemplate(&b, "frame.html", f.shell(v, shown)); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

const stylePath = "/style.css"

var stylePage = page{route: stylePath, open: true, answer: func(*visit) (view, error) {
	return view{file: &file{media: "text/css; charset=utf-8", body: style, kept: true}}, nil
}}

var iconPage = page{route: "/icon.svg", open: true, answer: func(*visit) (view, error) {
	return view{file: &file{media: "image/svg+xml", body: icon, kept: true}}, nil
}}

var (
	errFault  = errors.New("fault of the program")
	errMethod = errors.New("this page is not asked in this way")
)
