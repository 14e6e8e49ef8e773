package pages

import (
	"crypto/rand"
	"crypto/sha256"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"trigone/internal/casebook"
)

// A session stands for a token that was shown once, so that a browser need not send it
// with each request. It is kept in memory under the hash of what the browser holds, and
// says nothing by itself: with each request the token is asked anew who it names, so
// that one that expires or is withdrawn ends its session too.
const (
	// The prefix makes browsers hold it to this host, over TLS, for all of its paths.
	cookieName = "__Host-trigone"
	// idleTime is how long a session lasts of which nothing is heard, sessionTime how
	// long at most; turnTime is how long one value of the cookie is given out, and
	// graceTime how long it counts after: a browser may have sent some requests already.
	idleTime    = 20 * time.Minute
	sessionTime = 10 * time.Hour
	turnTime    = 5 * time.Minute
	graceTime   = 30 * time.Second
	// mostSessions of one identity at once: the oldest ends.
	mostSessions = 8
)

type sessions struct {
	now  func() time.Time
	mu   sync.Mutex
	list map[[sha256.Size]byte]*session
}

type session struct {
	token, who          string
	begun, heard, given time.Time
	// until is when this value of the cookie ends, after another was given; zero: it is
	// the newest.
	until time.Time
}

func newSessions(now func() time.Time) *sessions {
	if now == nil {
		now = time.Now
	}
	return &sessions{now: now, list: map[[sha256.Size]byte]*session{}}
}

func (s *session) over(now time.Time) bool {
	return now.Sub(s.heard) > idleTime || now.Sub(s.begun) > sessionTime || !s.until.IsZero() && now.After(s.until)
}

// begin makes a session of a token, and gives the value of its cookie.
func (s *sessions) begin(token, who string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	var oldest [sha256.Size]byte
	own := 0
	for id, x := range s.list {
		if x.over(now) {
			delete(s.list, id)
		} else if x.who == who {
			if own++; own == 1 || x.begun.Before(s.list[oldest].begun) {
				oldest = id
			}
		}
	}
	if own >= mostSessions {
		delete(s.list, oldest)
	}
	return s.put(&session{token: token, who: who, begun: now, heard: now, given: now})
}

func (s *sessions) put(x *session) string {
	secret := rand.Text()
	s.list[sha256.Sum256([]byte(secret))] = x
	return secret
}

// of gives the session of a cookie; nil: there is none.
func (s *sessions) of(secret string) *session {
	id, now := sha256.Sum256([]byte(secret)), s.now()
	x := s.list[id]
	if x == nil {
		return nil
	}
	if x.over(now) {
		delete(s.list, id)
		return nil
	}
	x.heard = now
	return x
}

func (s *sessions) token(secret string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if x := s.of(secret); x != nil {
		return x.token
	}
	return ""
}

// turn gives the value that takes the place of a cookie's, once it is time.
func (s *sessions) turn(secret string) (next string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x, now := s.of(secret), s.now()
	if x == nil || !x.until.IsZero() || now.Sub(x.given) <= turnTime {
		return ""
	}
	turned := *x
	turned.given = now
	x.until = now.Add(graceTime)
	return s.put(&turned)
}

func (s *sessions) end(secret string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ended := s.list[sha256.Sum256([]byte(secret))]
	for id, x := range s.list {
		// What was turned shares the token and the beginning.
		if ended != nil && x.token == ended.token && x.begun.Equal(ended.begun) {
			delete(s.list, id)
		}
	}
}

func cookieOf(r *http.Request) string {
	if c, err := r.Cookie(cookieName); err == nil {
		return c.Value
	}
	return ""
}

func setCookie(w http.ResponseWriter, value string, age int) {
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: value, Path: "/", MaxAge: age, Secure: true, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// Token gives the token that a browser's session stands for; empty: it has none.
func (f *Face) Token(r *http.Request) string {
	if f.config.SignIn == nil || cookieOf(r) == "" {
		return ""
	}
	return f.sessions.token(cookieOf(r))
}

// Turn gives the browser another value of its cookie, once it is time.
func (f *Face) Turn(w http.ResponseWriter, r *http.Request) {
	if next := f.sessions.turn(cookieOf(r)); next != "" {
		setCookie(w, next, int(idleTime.Seconds()))
	}
}

// way gives where one who signs in comes then: to the page that was asked for.
func (f *Face) way(r *http.Request) string {
	if p := f.match(r); p == nil || p.post || p.open || r.Method == http.MethodPost || r.URL.Query().Has("access_token") {
		return "/"
	}
	return r.URL.RequestURI()
}

// ownWay takes such a place from a form: only a page of ours is one.
func (f *Face) ownWay(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, `\`) {
		return "/"
	}
	r := &http.Request{Method: http.MethodGet, URL: u}
	return f.way(r)
}

func (f *Face) signInPage() *page {
	return &page{route: "/sign-in", view: problemView, open: true, form: true, answer: func(v *visit) (view, error) {
		if f.config.SignIn == nil {
			return view{to: "/"}, nil
		}
		if !v.sent() {
			return view{title: "Sign in", content: problem{SignIn: true, To: "/"}}, nil
		}
		to := f.ownWay(v.form().Get("to"))
		token := strings.TrimSpace(v.form().Get("token"))
		who, err := f.config.SignIn(v.ctx(), token)
		if err != nil {
			shown := f.refusal(v, err)
			if p, ok := shown.content.(problem); ok {
				p.To = to
				shown.content = p
			}
			return shown, nil
		}
		f.sessions.end(cookieOf(v.r))
		setCookie(v.w, f.sessions.begin(token, who), int(idleTime.Seconds()))
		return view{to: to}, nil
	}}
}

func (f *Face) signOutPage() *page {
	return &page{route: "/sign-out", view: problemView, open: true, post: true, answer: func(v *visit) (view, error) {
		f.sessions.end(cookieOf(v.r))
		setCookie(v.w, "", -1)
		return view{title: "Signed out", content: problem{Text: "You are signed out.", SignIn: f.config.SignIn != nil, To: "/"}}, nil
	}}
}

// FromSession refuses a form that comes with a session and from nowhere: every browser
// that holds such a cookie says where a form comes from.
func FromSession(r *http.Request) error {
	if r.Method == http.MethodPost && r.Header.Get("Origin") == "" && r.Header.Get("Sec-Fetch-Site") == "" {
		return casebook.Refuse(casebook.PermissionDenied, "", "the form does not say where it comes from; open the page here and send it again")
	}
	return nil
}
