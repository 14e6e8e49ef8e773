package server

import (
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"trigone/internal/deployment"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server/pages"
	"trigone/testdata"
)

// pathOf gives an address of each page; a site's case stands where a route asks for one.
func (s *trusted) pathOf(route, site string) string {
	uid := s.cases[site][strings.LastIndexByte(s.cases[site], '/')+1:]
	return strings.ReplaceAll(route, "{uid}", uid)
}

// page asks for one as a browser does that shows a token, or a cookie.
func (s *trusted) page(method, path, token string, form url.Values, headers ...string) (*http.Client, *http.Request) {
	s.Helper()
	req, err := http.NewRequestWithContext(s.Context(), method, "https://"+s.running.RESTAddr()+path, strings.NewReader(form.Encode()))
	s.ok(err)
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	req.Close = true // the listener takes a bounded number of connections
	web := s.web("")
	web.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return web, req
}

// Every page is walked with every role, about its own site, a foreign one and one that
// there is not, signed in and not: what the table says is what happens.
func TestTheTableOfRightsHoldsForEveryPage(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	cells := 0
	for _, route := range pages.Routes() {
		row := rightOf[pages.PageRight(route)]
		if row.anybody {
			continue
		}
		for _, role := range deployment.Roles() {
			for state, token := range s.states("harbour-" + string(role)) {
				for _, site := range append(slices.Clone(twoSites), "", "nowhere") {
					if state != "signed in" && site != "" {
						continue // nobody is asked about no site
					}
					cells++
					path := s.pathOf(route, "harbour")
					if site != "" {
						path += "?site=" + site
					}
					code, body, header := s.do(s.page(http.MethodGet, path, token, nil))
					where := fmt.Sprintf("%s as %s, %s, at %q: %d", route, role, state, site, code)
					switch {
					case state != "signed in":
						if code != http.StatusUnauthorized || header.Get("WWW-Authenticate") == "" || !strings.Contains(body, "<form") {
							t.Error(where)
						}
					case site != "harbour" && site != "":
						if code != http.StatusNotFound || strings.Contains(body, "nowhere") {
							t.Error(where)
						}
					case !row.allows([]deployment.Role{role}):
						if code != http.StatusForbidden {
							t.Error(where)
						}
					case code != http.StatusOK && code != http.StatusSeeOther:
						t.Error(where)
					}
					if header.Get("Cache-Control") != "no-store" || !strings.Contains(header.Get("Content-Security-Policy"), "default-src 'none'") || header.Get("X-Content-Type-Options") != "nosniff" {
						t.Errorf("%s: %v", where, header)
					}
				}
			}
		}
	}
	t.Logf("%d cells of pages", cells)
}

// Nobody sees on a page what he may not ask for by an RPC.
func TestAPageNeedsTheRightToWhatItReads(t *testing.T) {
	for _, route := range pages.Routes() {
		reads := pages.Reads(route)
		if reads == "" {
			continue
		}
		rpc := rightOf[reads]
		if rpc == nil {
			t.Errorf("%s reads through %s, which is no RPC", route, reads)
			continue
		}
		for _, role := range rightOf[pages.PageRight(route)].roles {
			if !rpc.allows([]deployment.Role{role}) {
				t.Errorf("%s is for %s, who may not call %s", route, role, reads)
			}
		}
	}
}

// A browser signs in by a token that is sent once; after that a cookie stands for it,
// until it is signed out, or the token counts no more.
func TestABrowserSignsIn(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	const asked = "/sources?site=harbour"
	token := s.token("harbour-reader", nil)
	own := []string{"Sec-Fetch-Site", "same-origin"}
	signIn := func(token, to string, headers ...string) (int, string, http.Header) {
		return s.do(s.page(http.MethodPost, "/sign-in", "", url.Values{"token": {token}, "to": {to}}, headers...))
	}
	code, body, header := signIn(token, asked, own...)
	if code != http.StatusSeeOther || header.Get("Location") != asked {
		t.Fatalf("%d %v %s", code, header, body)
	}
	set := header.Get("Set-Cookie")
	for _, want := range []string{"__Host-", "HttpOnly", "Secure", "SameSite=Strict", "Path=/", "Max-Age=1200"} {
		if !strings.Contains(set, want) {
			t.Errorf("the cookie %q has no %s", set, want)
		}
	}
	if strings.Contains(set, token) || strings.Contains(set, "harbour") {
		t.Errorf("the cookie tells the token or who it is: %q", set)
	}
	cookie, _, _ := strings.Cut(set, ";")
	with := append([]string{"Cookie", cookie}, own...)
	see := func(headers ...string) int {
		code, _, _ := s.do(s.page(http.MethodGet, asked, "", nil, headers...))
		return code
	}
	if code := see(with...); code != http.StatusOK {
		t.Errorf("signed in: %d", code)
	}
	if code := see("Cookie", cookie+"x"); code != http.StatusUnauthorized {
		t.Errorf("another cookie: %d", code)
	}
	tests := []struct {
		why     string
		headers []string
		want    int
	}{
		{"from elsewhere", []string{"Sec-Fetch-Site", "cross-site"}, http.StatusForbidden},
		{"from another page of the same machine", []string{"Sec-Fetch-Site", "same-site"}, http.StatusForbidden},
		{"from another origin, by a browser that says only that", []string{"Origin", "https://elsewhere.example"}, http.StatusForbidden},
		{"from here", []string{"Origin", "https://" + s.running.RESTAddr()}, http.StatusSeeOther},
	}
	for _, tt := range tests {
		if code, _, _ := signIn(token, "/", tt.headers...); code != tt.want {
			t.Errorf("%s: %d", tt.why, code)
		}
	}
	for _, to := range []string{"//elsewhere.example/", "https://elsewhere.example/", `/\elsewhere.example`, "/sign-out", "/nothing", "javascript:alert(1)", ""} {
		if _, _, header := signIn(s.token("bay-reader", nil), to, own...); header.Get("Location") != "/" {
			t.Errorf("%q leads to %q", to, header.Get("Location"))
		}
	}
	for state, token := range s.states("harbour-reader") {
		if state == "signed in" {
			continue
		}
		if code, body, header := signIn(token, "/", own...); code != http.StatusUnauthorized || header.Get("Set-Cookie") != "" || !strings.Contains(body, "Nobody is signed in") {
			t.Errorf("%s: %d", state, code)
		}
	}
	if code, _, _ := s.do(s.page(http.MethodGet, "/sign-out", "", nil, with...)); code != http.StatusMethodNotAllowed {
		t.Errorf("an address that signs out: %d", code)
	}
	if code, _, _ := s.do(s.page(http.MethodPost, "/sign-out", "", nil, "Cookie", cookie, "Sec-Fetch-Site", "cross-site")); code != http.StatusForbidden || see(with...) != http.StatusOK {
		t.Errorf("signed out from elsewhere: %d", code)
	}
	if code, _, _ := s.do(s.page(http.MethodPost, "/sign-out", "", nil, with...)); code != http.StatusOK || see(with...) != http.StatusUnauthorized {
		t.Errorf("signed out: %d", code)
	}
	if code, body, _ := s.do(s.page(http.MethodGet, asked+"&access_token="+token, "", nil)); code != http.StatusUnauthorized || strings.Contains(body, token) {
		t.Errorf("a token in an address: %d", code)
	}
	for _, e := range s.logs.All() {
		if text := fmt.Sprint(e.Message, e.ContextMap()); strings.Contains(text, token) || strings.Contains(text, cookie) {
			t.Errorf("the log tells a secret: %.60s", text)
		}
	}
}

// A session is no more than its token: whoever leaves the deployment file is signed out.
func TestASessionEndsWithItsIdentity(t *testing.T) {
	s := trust(t, nil)
	_, _, header := s.do(s.page(http.MethodPost, "/sign-in", "", url.Values{"token": {s.token("harbour-reader", nil)}}, "Sec-Fetch-Site", "same-origin"))
	cookie, _, _ := strings.Cut(header.Get("Set-Cookie"), ";")
	see := func() int {
		code, _, _ := s.do(s.page(http.MethodGet, "/sources", "", nil, "Cookie", cookie))
		return code
	}
	if code := see(); code != http.StatusOK {
		t.Fatal(code)
	}
	s.deploymentOf(func(text string) string {
		return strings.Replace(text, "token_subjects: [harbour-reader]", "token_subjects: [former]", 1)
	})
	s.running.keeper.Look(nil)
	if code := see(); code != http.StatusUnauthorized {
		t.Errorf("after the identity was taken out: %d", code)
	}
}

// Another host name that was made to point here is answered nothing.
func TestPagesOfAnotherHost(t *testing.T) {
	_, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	for host, want := range map[string]int{"": http.StatusOK, "localhost:80": http.StatusOK, "elsewhere.example": http.StatusNotFound} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+running.RESTAddr()+"/sources", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Host = host
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if err := resp.Body.Close(); err != nil || resp.StatusCode != want {
			t.Errorf("%q: %d, %v", host, resp.StatusCode, err)
		}
	}
}

// What identifies stands inside a page alone: in no title, no address that it leads to,
// no header and no log; and who read it has a line.
func TestPagesKeepWhatIdentifiesToThemselves(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	file, err := testdata.Read(testdata.Cases, "core-only")
	s.ok(err)
	number, patient := file.GetExternalIdentifier(), file.GetPatientIdentifier()
	secrets := []string{number.GetValue(), patient.GetValue(), url.QueryEscape(number.GetSystem()), patient.GetSystem()}
	token := s.token("both", nil)
	uid := s.pathOf("{uid}", "harbour")
	titles, addresses := regexp.MustCompile(`<title>(.*)</title>`), regexp.MustCompile(` (?:href|action|src)="([^"]*)"`)
	hides := func(where, text string) {
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells %q: %.100s", where, secret, text)
			}
		}
	}
	identified := 0
	for _, route := range pages.Routes() {
		path := s.pathOf(route, "harbour")
		code, body, header := s.do(s.page(http.MethodGet, path+"?site=harbour", token, nil))
		if strings.Contains(body, number.GetValue()) {
			identified++
		}
		hides(path+", in its header", fmt.Sprint(header))
		if code != http.StatusOK || !strings.HasPrefix(header.Get("Content-Type"), "text/html") {
			continue
		}
		hides(path+", in its title", titles.FindString(body))
		for _, m := range addresses.FindAllStringSubmatch(body, -1) {
			hides(path+", in an address", m[1])
		}
	}
	if identified < 3 {
		t.Errorf("only %d pages show the case's number: the test looks at nothing", identified)
	}
	find := func(number, system string) (int, string, http.Header) {
		return s.do(s.page(http.MethodPost, "/cases?site=harbour", token, url.Values{"number": {number}, "system": {system}}, "Sec-Fetch-Site", "same-origin"))
	}
	code, _, header := find(number.GetValue(), number.GetSystem())
	if code != http.StatusSeeOther || header.Get("Location") != "/cases/"+uid+"?site=harbour" {
		t.Errorf("a case by its number: %d to %q", code, header.Get("Location"))
	}
	if code, body, _ := find("NO-SUCH-NUMBER", number.GetSystem()); code != http.StatusOK || !strings.Contains(body, "No case of this site") || strings.Contains(body, "NO-SUCH-NUMBER") {
		t.Errorf("a number that no case has: %d", code)
	}
	for _, e := range s.logs.All() {
		hides("the log", fmt.Sprint(e.Message, e.ContextMap()))
		if strings.Contains(fmt.Sprint(e.ContextMap()), uid) {
			t.Errorf("the log names a case: %v", e.ContextMap())
		}
	}
	audit := trigonev1.NewAuditServiceClient(s.conn(""))
	lines := map[string]bool{}
	wanted := []string{"GET /cases", "GET /cases/{uid}", "GET /cases/{uid}/note", "GET /cases/{uid}/note.pdf", "GET /cases/{uid}/bundle", "POST /cases"}
	for range 500 { // lines of reads are written together, a moment later
		list, err := audit.ListAccesses(s.as("both"), &trigonev1.ListAccessesRequest{Parent: "sites/harbour", Caller: "both", PageSize: 200})
		s.ok(err)
		for _, a := range list.GetAccesses() {
			if a.GetCaseName() == s.cases["harbour"] {
				lines[a.GetMethod()] = true
			}
		}
		if !slices.ContainsFunc(wanted, func(method string) bool { return !lines[method] }) {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	for _, want := range wanted {
		if !lines[want] {
			t.Errorf("no line of %s: %v", want, lines)
		}
	}
}

// A case of another site, and one that there is not, are answered by the same page.
func TestAForeignCaseHasThePageOfNone(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	token := s.token("harbour-reader", nil)
	for _, route := range pages.Routes() {
		if !strings.Contains(route, "{uid}") {
			continue
		}
		foreign, other, _ := s.do(s.page(http.MethodGet, s.pathOf(route, "bay"), token, nil))
		none, text, _ := s.do(s.page(http.MethodGet, strings.ReplaceAll(route, "{uid}", "00000000-0000-4000-8000-000000000000"), token, nil))
		if foreign != http.StatusNotFound || none != foreign || other != text {
			t.Errorf("%s: %d and %d", route, foreign, none)
		}
	}
}

// What rules, metrics, sources and a case lead to is there.
func TestLinksOfTheReferenceLeadSomewhere(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	token := s.token("harbour-reader", nil)
	bodies := map[string]string{}
	for _, path := range []string{"/rules", "/metrics", "/sources", s.pathOf("/cases/{uid}", "harbour")} {
		code, body, _ := s.do(s.page(http.MethodGet, path, token, nil))
		if code != http.StatusOK {
			t.Fatal(path, code)
		}
		bodies[path] = body
	}
	links := regexp.MustCompile(` href="([^"#]*)#([^"]+)"`)
	count := 0
	for from, body := range bodies {
		for _, m := range links.FindAllStringSubmatch(html.UnescapeString(body), -1) {
			to := m[1]
			if to == "" {
				to = from
			}
			count++
			if !strings.Contains(bodies[to], ` id="`+m[2]+`"`) {
				t.Errorf("%s leads to %s#%s, which is not there", from, to, m[2])
			}
		}
	}
	if count < 500 {
		t.Errorf("only %d links were found", count)
	}
	for asked, want := range map[string]string{
		"/rules?q=COAPTATION-longer-than-leaflet": "1 rule with", "/rules?q=nothing-has-this": "0 rules with", "/rules?subject=Note&q=zzz": "0 rules with",
		"/metrics?q=angle_corrected_regurgitant_volume": "1 metric or measured value with", "/rules?q=%3Cscript%3E": "0 rules with “&lt;script&gt;”",
	} {
		if _, body, _ := s.do(s.page(http.MethodGet, asked, token, nil)); !strings.Contains(body, want) {
			t.Errorf("%s does not say %q", asked, want)
		}
	}
}

// A case that is erased has a page that says so, and nothing else; before, it is drawn.
func TestThePageOfAnErasedCase(t *testing.T) {
	conn, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	file, err := testdata.Read(testdata.Cases, "base-gap-open")
	if err != nil {
		t.Fatal(err)
	}
	made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		t.Fatal(err)
	}
	see := func() string {
		resp, err := http.Get("http://" + running.RESTAddr() + strings.TrimPrefix(made.GetCaseName(), "sites/harbour"))
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
			t.Fatal(resp.StatusCode, err)
		}
		return string(text)
	}
	number := file.GetExternalIdentifier().GetValue()
	for _, want := range []string{number, "<svg", "Invented data", "Plan revision", "95 % range", "/metrics#"} {
		if text := see(); !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if _, err := trigonev1.NewAdministrationServiceClient(conn).EraseCase(t.Context(), &trigonev1.EraseCaseRequest{
		Case: &trigonev1.CaseReference{Name: made.GetCaseName()}, CaseVersion: made.GetCaseVersion(),
	}); err != nil {
		t.Fatal(err)
	}
	text := see()
	if !strings.Contains(text, "was erased on") || strings.Contains(text, number) || strings.Contains(text, "<svg") {
		t.Error("the page of an erased case says something else")
	}
}
