package server

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"trigone/internal/deployment"
	"trigone/server/pages"
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
		if code, body, header := signIn(token, "/", own...); code != http.StatusUnauthorized || header.Get("Set-Cookie") != "" || !strings.Contains(body, "nobody is signed in") {
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
