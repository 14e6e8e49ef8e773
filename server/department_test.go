package server

import (
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap/zapcore"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// site asks for pages of a server on loopback.
type site struct {
	testing.TB
	base string
}

func (s site) page(path string) (status int, body string, header http.Header) {
	s.Helper()
	resp, err := http.Get(s.base + path) //nolint:noctx // a test of its own server
	if err != nil {
		s.Fatal(err)
	}
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		s.Fatal(err)
	}
	if err := resp.Body.Close(); err != nil {
		s.Fatal(err)
	}
	return resp.StatusCode, string(text), resp.Header
}

// shown gives a page that there is.
func (s site) shown(path string) string {
	s.Helper()
	status, body, _ := s.page(path)
	if status != http.StatusOK {
		s.Fatalf("%s: %d %s", path, status, texts(body))
	}
	return body
}

var markup, between = regexp.MustCompile(`<[^>]*>`), regexp.MustCompile(`\s+`)

// texts gives what a page says.
func texts(body string) string {
	_, main, _ := strings.Cut(body, "<main")
	return html.UnescapeString(strings.TrimSpace(between.ReplaceAllString(markup.ReplaceAllString("<main"+main, " "), " ")))
}

// department serves invented cases, of every kind of difference some.
func department(t *testing.T, names ...string) site {
	t.Helper()
	// Plans come before the operations, and who looks comes after them.
	now := time.Date(2026, 1, 2, 8, 0, 0, 0, time.UTC)
	var clock atomic.Pointer[time.Time]
	clock.Store(&now)
	conn, logs, running := startWith(t, Options{HTTPListen: "127.0.0.1:0", Now: func() time.Time { return *clock.Load() }})
	t.Cleanup(func() {
		for _, e := range logs.FilterLevelExact(zapcore.ErrorLevel).All() {
			t.Error(e.Message, e.ContextMap())
		}
	})
	record := trigonev1.NewRecordServiceClient(conn)
	for _, name := range names {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
			t.Fatal(name, err)
		}
	}
	after := now.AddDate(1, 0, 0)
	clock.Store(&after)
	return site{t, "http://" + running.RESTAddr()}
}

var inDepartment = []string{
	"several-differences", "ring-exchanged", "smaller-ring", "commissural-conversion", "billowing-second-run", "triangular-complete-ring", "no-plan",
	"plan-signed-late", "neochordae", "measured-twice", "core-only", "saddle-annulus",
}

// departmentPages are those that figures of a department stand on.
var departmentPages = []string{"/", "/differences", "/agreement", "/outcomes", "/monitoring", "/freedom", "/prediction", "/gaps", "/comparisons", "/counted"}

// A number on a page leads to as many cases, or lines, as it says.
func TestNumbersLeadToTheirCases(t *testing.T) {
	s := department(t, inDepartment...)
	// The first number of what a link says, and where it leads.
	links := regexp.MustCompile(`<a href="(/(?:counted|comparisons|differences|gaps)\?[^"]*)">(\d+)[^<]*</a>`)
	rows := map[string]*regexp.Regexp{
		"counted":     regexp.MustCompile(`<th role="rowheader" scope="row" class="date">`),
		"gaps":        regexp.MustCompile(`<td role="cell" data-label="Missing">`),
		"differences": regexp.MustCompile(`<th role="rowheader" scope="row">[^<]*</th><td role="cell" data-label="Place">`),
		"comparisons": regexp.MustCompile(`<th role="rowheader" scope="row">[^<]*</th><td role="cell" data-label="Place">`),
	}
	followed := map[string]int{}
	for _, from := range []string{"/", "/differences", "/differences?technique=leaflet_resection", "/agreement", "/agreement?by=technique", "/prediction", "/monitoring", "/freedom", "/outcomes", "/gaps"} {
		for _, m := range links.FindAllStringSubmatch(s.shown(from), -1) {
			to := html.UnescapeString(m[1])
			want, err := strconv.Atoi(m[2])
			if err != nil {
				t.Fatal(err)
			}
			page, _, _ := strings.Cut(to[1:], "?")
			body := s.shown(to)
			got := len(rows[page].FindAllString(body, -1))
			switch {
			case page == "differences" && !strings.Contains(to, "class="):
				// Cases that differ, and the list of their differences.
				if got < want {
					t.Errorf("%s: %d lead to %d lines: %s", from, want, got, to)
				}
			case page == "comparisons":
				// Of each patient one counts.
				if got < want {
					t.Errorf("%s: %d pairs lead to %d comparisons: %s", from, want, got, to)
				}
			case page == "differences":
				// What stands on the page of the class.
				if body := between.ReplaceAllString(body, " "); !strings.Contains(body, "The differences") {
					t.Errorf("%s: no list at %s", from, to)
				}
				lines := len(rows[page].FindAllString(body, -1))
				if lines != want {
					t.Errorf("%s: %d of a class lead to %d lines: %s", from, want, lines, to)
				}
			case got != want:
				t.Errorf("%s: %d cases lead to %d: %s", from, want, got, to)
			}
			followed[page]++
		}
	}
	for page := range rows {
		if followed[page] < 3 {
			t.Errorf("only %d numbers lead to %s: the test looks at nothing", followed[page], page)
		}
	}
}

// Every address that a page of the department leads to is there.
func TestPagesOfTheDepartmentLeadSomewhere(t *testing.T) {
	s := department(t, inDepartment...)
	addresses := regexp.MustCompile(` (?:href|action)="(/[^"#]*)`)
	seen := map[string]bool{}
	for _, from := range departmentPages {
		for _, m := range addresses.FindAllStringSubmatch(s.shown(from), -1) {
			to := html.UnescapeString(m[1])
			if seen[to] {
				continue
			}
			seen[to] = true
			if status, _, _ := s.page(to); status != http.StatusOK {
				t.Errorf("%s leads to %s: %d", from, to, status)
			}
		}
	}
	if len(seen) < 80 {
		t.Errorf("only %d addresses", len(seen))
	}
}

// Where there is nothing a page says why, and what to do; it never says 0 for nothing.
func TestPagesOfNothing(t *testing.T) {
	none := regexp.MustCompile(`\b0 (of|cases?|%)|NaN|Inf|<no value>`)
	empty := department(t)
	for _, path := range departmentPages {
		said := texts(empty.shown(path))
		if none.MatchString(said) && !strings.HasPrefix(path, "/co") {
			t.Errorf("%s of an empty store: %s", path, said)
		}
		if !strings.Contains(said, "not a medical device") {
			t.Errorf("%s: no caution", path)
		}
	}
	for _, path := range []string{"/", "/differences", "/agreement", "/prediction"} {
		if said := texts(empty.shown(path)); !strings.Contains(said, "No operation is on record yet") || !strings.Contains(said, "trigone submit") {
			t.Errorf("%s of an empty store: %s", path, said)
		}
	}
	one := department(t, "core-only")
	for _, path := range []string{"/differences", "/agreement", "/prediction"} {
		said := texts(one.shown(path + "?from=1990-01-01&to=1990-12-31"))
		if !strings.Contains(said, "cases operated on from 1 January 1990 to 31 December 1990") || !strings.Contains(said, "1 operated case in all") {
			t.Errorf("%s of an empty period: %s", path, said)
		}
		if said := texts(one.shown(path)); none.MatchString(said) || !strings.Contains(said, "Invented data") {
			t.Errorf("%s of one case: %s", path, said)
		}
	}
}

// What an address asks for and no page knows is refused, never left out: the page would
// be about other cases than were meant.
func TestAddressesOfTheDepartment(t *testing.T) {
	s := department(t, "core-only")
	tests := []struct {
		why, asked string
		want       int
		says       string
	}{
		{"a period", "from=2026-01-01&to=2026-12-31", http.StatusOK, "Cases operated on from 1 January 2026 to 31 December 2026"},
		{"one end", "to=2026-12-31", http.StatusOK, "up to 31 December 2026"},
		{"what a form sends of what was left empty", "from=&to=&technique=&aetiology=&leaflet=", http.StatusOK, "All cases"},
		{"two words of a kind", "technique=annuloplasty&technique=plication", http.StatusOK, "annuloplasty or"},
		{"any kind of word", "urgency=elective", http.StatusOK, "urgency: elective"},
		{"turned round", "from=2026-02-01&to=2026-01-01", http.StatusBadRequest, "ends before it begins"},
		{"no date", "from=01.02.2026", http.StatusBadRequest, "such as 2026-03-01"},
		{"no day", "from=2026-02-30", http.StatusBadRequest, "such as 2026-03-01"},
		{"past every calendar", "to=9999-12-31", http.StatusBadRequest, "between 1900 and 2200"},
		{"a name that nobody knows", "technic=annuloplasty", http.StatusBadRequest, "does not know"},
		{"a thing twice", "from=2026-01-01&from=2026-02-01", http.StatusBadRequest, "twice"},
		{"a mark-up", "technique=%3Cb%3E", http.StatusOK, "technique: <b>"},
	}
	for _, path := range departmentPages[1:] {
		for _, tt := range tests {
			status, body, _ := s.page(path + "?" + tt.asked)
			if status != tt.want || !strings.Contains(texts(body), tt.says) || strings.Contains(body, "<b>") {
				t.Errorf("%s, %s: %d %s", path, tt.why, status, texts(body))
			}
		}
	}
	for _, path := range []string{"/differences", "/agreement", "/prediction", "/comparisons", "/counted", "/gaps"} {
		if status, body, _ := s.page(path + "?operator=surgeon-1"); status != http.StatusBadRequest {
			t.Errorf("%s by operator: %d %s", path, status, texts(body))
		}
	}
	for _, asked := range []string{"/differences?verdict=agrees", "/differences?class=nothing", "/comparisons?kind=nothing", "/comparisons?metric=nothing", "/agreement?kind=conversion", "/agreement?by=operator", "/counted?only=nothing", "/counted?chart=nothing", "/counted?outcome=nothing", "/outcomes?units=wards", "/counted?event=nothing", "/freedom?grade=none", "/counted?only=operated&chart=conversion", "/gaps?gap=nothing", "/comparisons?page=x"} {
		if status, body, _ := s.page(asked); status != http.StatusBadRequest {
			t.Errorf("%s: %d %s", asked, status, texts(body))
		}
	}
}

// A list is taken away as a file that office programs open, with what its columns mean;
// it names no case by its number.
func TestListsAsFiles(t *testing.T) {
	s := department(t, inDepartment...)
	for _, list := range []string{"differences", "comparisons", "agreement"} {
		status, body, header := s.page("/" + list + ".csv")
		if status != http.StatusOK || !strings.HasPrefix(body, "\ufeff") || !strings.HasPrefix(header.Get("Content-Type"), "text/csv") || header.Get("Content-Disposition") != `attachment; filename="`+list+`.csv"` {
			t.Errorf("%s: %d %v %.40q", list, status, header, body)
		}
		if strings.Contains(body, "MV-2026") || !strings.Contains(body, "invented") || strings.Count(body, "\n") < 3 {
			t.Errorf("%s names a case, says not what it is, or is empty: %.200s", list, body)
		}
		columns, _, _ := strings.Cut(strings.TrimPrefix(body, "\ufeff"), "\n")
		_, dictionary, _ := s.page("/" + list + "-columns.csv")
		for _, column := range strings.Split(strings.TrimSpace(columns), ",") {
			if !strings.Contains(dictionary, "\n"+column+",") {
				t.Errorf("%s: the column %s is not told", list, column)
			}
		}
	}
	whole, narrowed := 0, 0
	for path, lines := range map[string]*int{"/differences.csv": &whole, "/differences.csv?class=ring_size": &narrowed} {
		_, body, _ := s.page(path)
		*lines = strings.Count(body, "\n") - 1
	}
	if narrowed < 1 || narrowed >= whole {
		t.Errorf("%d lines of a class, %d of all", narrowed, whole)
	}
}

// Who has no right to figures is told so on the first page, sees no number of them, and
// is led to what is his; nobody is led to what he may not see.
func TestTheFirstPageForEverybody(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	links := regexp.MustCompile(` href="([^"#]*)"`)
	for role, figures := range map[string]bool{"planner": false, "recorder": false, "reader": false, "reviewer": true, "auditor": true, "administrator": false} {
		token := s.token("harbour-"+role, nil)
		status, body, _ := s.do(s.page(http.MethodGet, "/", token, nil))
		if status != http.StatusOK || strings.Contains(body, "What changed") != figures || strings.Contains(body, "for reviewers and auditors") == figures {
			t.Errorf("%s: %d %s", role, status, texts(body))
		}
		for _, m := range links.FindAllStringSubmatch(body, -1) {
			to := html.UnescapeString(m[1])
			if u, err := url.Parse(to); err != nil || u.IsAbs() {
				t.Errorf("%s is led to %q", role, to)
			}
			if status, _, _ := s.do(s.page(http.MethodGet, to, token, nil)); status != http.StatusOK {
				t.Errorf("%s is led to %s: %d", role, to, status)
			}
		}
	}
}
