package server

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/internal/casefile"
	"trigone/internal/render"
	"trigone/internal/trialplan"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// tryer asks the page on which plans are tried.
type tryer struct {
	t       testing.TB
	address string
}

func (p tryer) post(typed url.Values) (code int, body string, header http.Header) {
	p.t.Helper()
	req, err := http.NewRequestWithContext(p.t.Context(), http.MethodPost, p.address, strings.NewReader(typed.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	raw, err := io.ReadAll(resp.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return resp.StatusCode, string(raw), resp.Header
}

// demoPolicy writes that of the invented hospital, which has a table of rings.
func demoPolicy(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "policy.yaml")
	if err := os.WriteFile(path, testdata.DemoPolicy, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// aPlan is a whole one, of invented numbers.
func aPlan() url.Values {
	return url.Values{
		"do": {"answer"}, trialplan.A2: {"26,25"}, trialplan.P2: {"23.75"}, trialplan.HeightsBy: {trialplan.Echo3D},
		trialplan.AimedLat: {"15"}, trialplan.AimedMed: {"16"}, trialplan.Size: {"harbour-oval 34"}, trialplan.ContactLow: {"6"}, trialplan.ContactTop: {"10"},
		trialplan.Disease: {"billowing"}, trialplan.Segments: {"p2"}, trialplan.Work: {trialplan.Quadrangular}, trialplan.FreeEdge: {"15"}, trialplan.Base: {"14"},
		trialplan.Lateral: {"7"}, trialplan.Medial: {"6"}, trialplan.HeartRate: {"72"}, trialplan.Stroke: {"68"}, trialplan.Gradient: {"4"}, trialplan.LineLow: {"60"},
		trialplan.Depth: {"4"}, trialplan.Septum: {"16"},
	}
}

// What the page says is what the service says of the case file that it gives away: the
// same ranges, the same findings.
func TestAPlanIsTried(t *testing.T) {
	conn, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0", PolicyPath: demoPolicy(t)})
	page := tryer{t, "http://" + running.RESTAddr() + "/try"}
	code, body, header := page.post(aPlan())
	if code != http.StatusOK || header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v", code, header)
	}
	download := aPlan()
	download.Set("do", "download")
	code, text, header := page.post(download)
	if code != http.StatusOK || header.Get("Content-Disposition") != `attachment; filename="plan-to-try.yaml"` || header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v", code, header)
	}
	file, err := casefile.Read(casefile.Source{Name: "plan-to-try.yaml"}, []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if file.GetPatientIdentifier() != nil || file.GetExternalIdentifier() != nil || file.GetPlan().GetSigner() != "" || file.GetPlan().GetSignedTime() != nil || file.GetOperation() != nil {
		t.Errorf("the file is more than a plan to try:\n%s", text)
	}
	answer, err := trigonev1.NewPlanningServiceClient(conn).EvaluatePlan(t.Context(), &trigonev1.EvaluatePlanRequest{CaseFile: file})
	if err != nil {
		t.Fatal(err)
	}
	want := render.TrialOf(answer.GetEvaluation(), file.GetPlan())
	shown := html.UnescapeString(body)
	found := 0
	for _, list := range [][]render.Forecast{want.Contact, want.Line, want.Gradient} {
		for _, f := range list {
			if f.Range == "" || !strings.Contains(shown, f.Range) || !strings.Contains(shown, f.Middle) || strings.Index(shown, f.Range) > strings.Index(shown, "in the middle "+f.Middle) {
				t.Errorf("%s: %s with %s, and the page says otherwise", f.Quantity, f.Range, f.Middle)
			}
			found++
		}
	}
	if found < 3 {
		t.Errorf("%d ranges", found)
	}
	for _, f := range want.Findings {
		if !strings.Contains(shown, f.Message) {
			t.Errorf("the page does not say: %s", f.Message)
		}
	}
	if !strings.Contains(shown, want.Versions) || !strings.Contains(shown, "Trial, not part of a record.") {
		t.Error("the page does not say by what it was judged, or that it is a trial")
	}
	// The four drawings, the last of the site's own sizes.
	for _, title := range []string{"The valve opened and laid flat", "The middle slice", "Aim, prediction and outcome", "The window"} {
		if strings.Count(shown, "<title>"+title)+strings.Count(shown, ">"+title) == 0 {
			t.Errorf("no drawing is called %s", title)
		}
	}
	if n := strings.Count(shown, "<svg"); n != 4 {
		t.Errorf("%d drawings, want 4", n)
	}
	// The first lines, and both harms, whatever is known of them.
	_, bare, _ := page.post(url.Values{"do": {"answer"}, trialplan.A2: {"25"}})
	for name, body := range map[string]string{"whole": shown, "one number": html.UnescapeString(bare)} {
		for _, text := range []string{"towards the outflow tract", "The other harm: narrowing"} {
			if !strings.Contains(body, text) {
				t.Errorf("%s: %q is not on the page", name, text)
			}
		}
		_, after, _ := strings.Cut(body, "</h1>")
		after = strings.TrimSpace(after)
		if !strings.HasPrefix(after, `<p class="first" role="note">This page repeats simple geometry on the numbers you type. Its range is wide and has not been tested against repaired hearts. It does not know chords, tissue or function. It is not advice, chooses nothing, keeps nothing.</p>`) {
			t.Errorf("%s: the first lines are %.120s", name, after)
		}
	}
	if !strings.Contains(bare, "No gradient is shown") {
		t.Error("a gradient without rate and flow")
	}
}

// Of what is typed nothing is kept: no case, no change, no line of the log holds it, and
// the access record has a line without a case.
func TestNothingOfATrialIsKept(t *testing.T) {
	conn, logs, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	page := tryer{t, "http://" + running.RESTAddr() + "/try"}
	for _, do := range []string{"answer", "download", "case", "empty"} {
		typed := aPlan()
		delete(typed, trialplan.Size)
		typed.Set(trialplan.RingAP, "27.13")
		typed.Set("do", do)
		if do == "case" {
			typed.Set("from_case", "urn:example:somewhere|SECRET-77")
		}
		if code, _, _ := page.post(typed); code != http.StatusOK {
			t.Fatalf("%s: %d", do, code)
		}
	}
	for _, a := range lines(t, conn, &trigonev1.ListAccessesRequest{}, 4) {
		if a.GetMethod() != "POST /try" || a.GetCaseName() != "" {
			t.Errorf("the access record says %v", a)
		}
	}
	list, err := trigonev1.NewRecordServiceClient(conn).ListChanges(t.Context(), &trigonev1.ListChangesRequest{})
	if err != nil || len(list.GetChanges()) > 0 {
		t.Errorf("changes after trials: %v, %v", list.GetChanges(), err)
	}
	for _, e := range logs.All() {
		told := e.ContextMap()
		delete(told, "took") // any number may be the time it took
		delete(told, "bytes")
		text := fmt.Sprint(e.Message, told)
		for _, typed := range []string{"27.13", "26,25", "23.75", "SECRET-77", "quadrangular"} {
			if strings.Contains(text, typed) {
				t.Errorf("the log repeats what was typed: %.100s", text)
			}
		}
	}
}

// The values of a case come with how and when they were read, by the right to read it,
// and with a line that names the case.
func TestATrialBeginsFromACase(t *testing.T) {
	conn, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	received, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		t.Fatal(err)
	}
	page := tryer{t, "http://" + running.RESTAddr() + "/try"}
	number := file.GetExternalIdentifier()
	uid := received.GetCaseName()[strings.LastIndexByte(received.GetCaseName(), '/')+1:]
	for _, named := range []string{uid, received.GetCaseName(), number.GetSystem() + "|" + number.GetValue()} {
		code, body, _ := page.post(url.Values{"do": {"case"}, "from_case": {named}})
		if code != http.StatusOK || !strings.Contains(body, "Copied from the case: ") || strings.Contains(body, "There is no such case") {
			t.Errorf("by %s: %d", named, code)
		}
		if strings.Contains(body, file.GetPatientIdentifier().GetValue()) {
			t.Error("the page names the patient")
		}
	}
	// A value that was changed is told beside what the case says.
	_, body, _ := page.post(url.Values{"do": {"answer"}, "from_case": {uid}, trialplan.A2: {"31"}})
	if !strings.Contains(body, "Not as in the case, which says ") {
		t.Error("a changed value is not told")
	}
	for _, named := range []string{"nothing", "sites/other/cases/x", "a|b", "<script>"} {
		code, body, _ := page.post(url.Values{"do": {"case"}, "from_case": {named}})
		if code != http.StatusOK || !strings.Contains(body, "There is no such case, or none that you may read.") || strings.Contains(body, "<script>") {
			t.Errorf("%q: %d", named, code)
		}
	}
	named := 0
	for _, a := range lines(t, conn, &trigonev1.ListAccessesRequest{Case: &trigonev1.CaseReference{Name: received.GetCaseName()}}, 5) {
		if a.GetMethod() == "POST /try" && a.GetCaseName() == received.GetCaseName() {
			named++
		}
	}
	if named != 4 {
		t.Errorf("%d of 4 readings of the case are on record", named)
	}
}

// Whatever is sent, the page answers, and gives nothing back that a browser would read
// as more than text.
func TestAnyFormIsAnswered(t *testing.T) {
	_, logs, running := startWith(t, Options{HTTPListen: "127.0.0.1:0", PolicyPath: demoPolicy(t)})
	page := tryer{t, "http://" + running.RESTAddr() + "/try"}
	const mark = `"><img src=x onerror=alert(1)>'`
	hostile := []string{mark, "24" + mark, "24", "27", "0", "1e9", "-5", strings.Repeat("9", 5000), "\x00", "\xff\xfe", "p2", "{{.}}", "", "2,4"}
	rapid.Check(t, func(t *rapid.T) {
		typed := url.Values{"do": {rapid.SampledFrom([]string{"answer", "answer", "answer", "download", "case", "empty", "template:" + mark, mark, ""}).Draw(t, "do")}}
		add := func(name string, words []trialplan.Word) {
			values := hostile
			for _, w := range words {
				values = append(values[:len(values):len(values)], w.Value, w.Value)
			}
			for range rapid.IntRange(0, 2).Draw(t, name) {
				typed.Add(name, rapid.SampledFrom(values).Draw(t, name+" value"))
			}
		}
		for _, in := range trialplan.Inputs() {
			if !rapid.Bool().Draw(t, in.Title) {
				continue
			}
			for _, p := range in.Parts {
				add(p.Name, p.Words)
			}
		}
		if rapid.Bool().Draw(t, "more") {
			add(trialplan.Not, []trialplan.Word{{Value: "cleft"}})
			add("from_case", nil)
			add(mark, nil)
		}
		code, body, _ := page.post(typed)
		if code >= 500 || code != http.StatusOK && code != http.StatusBadRequest {
			t.Fatalf("%d for %v", code, typed)
		}
		if strings.Contains(body, "<img src=x") || strings.Contains(body, "onerror=alert(1)>") {
			t.Fatalf("markup came back from %v", typed)
		}
	})
	for _, e := range logs.All() {
		if text := fmt.Sprint(e.Message, e.ContextMap()); strings.Contains(text, "onerror") {
			t.Errorf("the log repeats a form: %.100s", text)
		}
	}
}

// A form that is sent by a page elsewhere is refused, and what is sent to it by its
// address is not read.
func TestATrialIsAskedByItsOwnForm(t *testing.T) {
	_, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	address := "http://" + running.RESTAddr() + "/try"
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, address, strings.NewReader(aPlan().Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if err := resp.Body.Close(); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("from elsewhere: %d, %v", resp.StatusCode, err)
	}
	code, body, _ := tryer{t, address + "?" + aPlan().Encode()}.post(url.Values{})
	if code != http.StatusOK || strings.Contains(body, "26,25") || strings.Contains(body, "What the geometry says") {
		t.Errorf("what stands in the address is read: %d", code)
	}
}

// The file of a template with the six entries is a case as well.
func TestEveryTemplateIsAnswered(t *testing.T) {
	_, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	page := tryer{t, "http://" + running.RESTAddr() + "/try"}
	for _, template := range trialplan.Templates() {
		code, body, _ := page.post(url.Values{"do": {"template:" + template.Name}})
		if code != http.StatusOK || strings.Count(body, " selected>") < 2 {
			t.Errorf("%s: %d, %d words chosen", template.Name, code, strings.Count(body, " selected>"))
		}
	}
	if !proto.Equal(trialplan.Read(nil, nil).CaseFile().GetPlan(), &trigonev1.Plan{}) {
		t.Error("an empty form plans something")
	}
}
