package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

// answer is what a call of the program gave.
type answer struct {
	code           int
	stdout, stderr string
}

func call(t *testing.T, args ...string) answer {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(t.Context(), args, &out, &errs)
	return answer{code, out.String(), errs.String()}
}

// feed is call with a text on standard input.
func feed(t *testing.T, text string, args ...string) answer {
	t.Helper()
	var out, errs bytes.Buffer
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(strings.NewReader(text))
	root.SetOut(&out)
	root.SetErr(&errs)
	return answer{report(&errs, root.ExecuteContext(t.Context())), out.String(), errs.String()}
}

// want stops the test if the exit code is another.
func (a answer) want(t *testing.T, code int) answer {
	t.Helper()
	if a.code != code {
		t.Fatalf("exit code %d, want %d\nstdout: %s\nstderr: %s", a.code, code, a.stdout, a.stderr)
	}
	return a
}

func says(t *testing.T, where, got string, wants ...string) {
	t.Helper()
	for _, w := range wants {
		if !strings.Contains(got, w) {
			t.Errorf("%s does not say %q:\n%s", where, w, got)
		}
	}
}

// decode reads a message printed as JSON.
func decode[M proto.Message](t *testing.T, printed string, m M) M {
	t.Helper()
	if err := protojson.Unmarshal([]byte(printed), m); err != nil {
		t.Fatalf("%v in\n%s", err, printed)
	}
	return m
}

// read gives a case file of testdata.
func read(t *testing.T, folder, name string) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(folder, name)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// file writes a case file to a temporary folder.
func file(t *testing.T, content *trigonev1.CaseFile) string {
	t.Helper()
	raw, err := render.JSON(content)
	if err != nil {
		t.Fatal(err)
	}
	return write(t, raw)
}

func write(t *testing.T, raw []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "case.json")
	if err := os.WriteFile(path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// start runs a server on a new store and gives its address.
func start(t *testing.T) string {
	t.Helper()
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "test.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return running.Addr()
}

// What a file or a record holds may hide a line or turn a number around: a terminal
// gets it by number, wherever it is printed.
func TestNothingPrintedIsObeyed(t *testing.T) {
	got := call(t, "check-policy", write(t, []byte("site: harbour\nversion: \"1\u202e3\"\nzone: Europe/London\n"))).want(t, exitOK)
	says(t, "the answer", got.stdout, "version 1<U+202E>3")
	content := read(t, testdata.Cases, "triangular-complete-ring")
	got = call(t, "evaluate", "no\x1b[2Jfile").want(t, exitFailed)
	says(t, "the error", got.stderr, "<U+001B>[2J")
	content.ExternalIdentifier.Value = "MV\x1b[2J"
	got = call(t, "evaluate", file(t, content)).want(t, exitRefused)
	says(t, "the refusal", got.stderr, "external_identifier.value: (6 characters) holds a control character")
	if strings.Contains(got.stderr, "[2J") {
		t.Errorf("the refusal echoes what it refuses: %s", got.stderr)
	}
}

// A correction that came to nothing must not look like one that took effect.
func TestSubmitSaysThatItIsOlder(t *testing.T) {
	address := start(t)
	content := read(t, testdata.Cases, "triangular-complete-ring")
	call(t, "submit", file(t, content), "--server", address, "--source-time", "2026-03-02T15:10:00Z").want(t, exitOK)
	content.Plan.Rationale = "corrected"
	corrected := file(t, content)
	got := call(t, "submit", corrected, "--server", address, "--source-time", "2026-03-02T15:09:00Z").want(t, exitOlder)
	says(t, "the table", got.stdout, "stored as older", "2026-03-02 15:10:00 UTC", "etag 1")
	says(t, "the error", got.stderr, "not as what the record says now")
	got = call(t, "submit", corrected, "--server", address, "--source-time", "2026-03-02T15:08:00Z", "--format", "json").want(t, exitOlder)
	if answer := decode(t, got.stdout, &trigonev1.SubmitCaseResponse{}); len(answer.GetSections()) == 0 {
		t.Errorf("the answer was not printed: %s", got.stdout)
	}
	call(t, "submit", corrected, "--server", address, "--etag", "plan=1").want(t, exitOK)
	got = call(t, "submit", corrected, "--server", address, "--source-time", "2036-03-02T15:08:00Z").want(t, exitRefused)
	says(t, "the refusal", got.stderr, "source_time: is 2036-03-02T15:08:00Z, more than 24 hours after it was received")
}

func TestWrongUse(t *testing.T) {
	tests := []struct {
		name string
		args []string
		says string
	}{
		{"unknown command", []string{"sumbit"}, `no command "sumbit"`},
		{"unknown flag", []string{"rules", "--loud"}, "unknown flag"},
		{"a file is needed", []string{"evaluate"}, "needs FILE"},
		{"one file only", []string{"submit", "a.json", "b.json"}, "needs FILE, and nothing else"},
		{"no arguments are taken", []string{"metrics", "all"}, "takes no arguments"},
		{"a form nobody prints", []string{"rules", "--format", "xml"}, "use table or json or html"},
		{"csv only for discrepancies", []string{"get", "sites/s/cases/u", "--format", "csv"}, "use table or json"},
		{"a case needs its system", []string{"get", "MV-2026-001"}, "SYSTEM|VALUE"},
		{"a case number may not be empty", []string{"bundle", "urn:example:x|"}, "SYSTEM|VALUE"},
		{"no time", []string{"submit", "a.json", "--source-time", "yesterday"}, "--source-time needs a time"},
		{"no etag", []string{"submit", "a.json", "--etag", "plan"}, "SECTION=ETAG"},
		{"no date", []string{"discrepancies", "--from", "2026-13-01"}, "--from needs a time"},
		{"unknown verdict", []string{"discrepancies", "--verdict", "guilty"}, "use one of indeterminate, not_evaluable, present"},
		{"unknown timing", []string{"discrepancies", "--plan-timing", "soon"}, "prospective"},
		{"the demo needs a folder", []string{"demo"}, "--out DIR"},
		{"the demo prints one form", []string{"demo", "--out", "x", "--format", "json"}, "use table"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := call(t, tt.args...).want(t, exitUsage)
			says(t, "stderr", got.stderr, tt.says, "trigone --help")
			if got.stdout != "" {
				t.Errorf("something is printed to stdout: %s", got.stdout)
			}
		})
	}
}

// Every command explains itself with an example of its own use, and the exit
// codes stand in the help.
func TestHelp(t *testing.T) {
	top := call(t, "--help").want(t, exitOK)
	says(t, "help", top.stdout, "Exit codes"+exitCodesHelp(), "not a medical device")
	if bare := call(t).want(t, exitOK); bare.stdout != top.stdout {
		t.Error("without a command the help is not printed")
	}
	names := map[string]bool{}
	for _, c := range newRoot().Commands() {
		if names[c.Name()] {
			t.Errorf("%s stands twice among the commands", c.Name())
		}
		names[c.Name()] = true
		checkExample(t, c)
		says(t, "help", top.stdout, c.Short)
		says(t, c.Name()+" --help", call(t, c.Name(), "--help").want(t, exitOK).stdout, "Usage:\n  trigone "+c.Use, "Examples:", "--server")
		for _, sub := range c.Commands() {
			says(t, c.Name()+" "+sub.Name()+" --help", call(t, c.Name(), sub.Name(), "--help").want(t, exitOK).stdout, "Examples:", "--server")
			checkExample(t, sub)
		}
	}
	for _, want := range []string{
		"demo", "evaluate", "explore", "submit", "get", "bundle", "export", "note", "advise", "confirm", "revoke", "again",
		"discrepancies", "changes", "metrics", "rules", "check-policy", "policy-schema",
	} {
		if !names[want] {
			t.Errorf("there is no command %s", want)
		}
	}
}

// checkExample parses the flags of each line of an example.
func checkExample(t *testing.T, c *cobra.Command) {
	t.Helper()
	if c.Example == "" {
		t.Errorf("%s has no example", c.Name())
	}
	for line := range strings.Lines(c.Example) {
		words := strings.Fields(line)
		if !strings.HasPrefix(strings.Join(words, " ")+" ", c.CommandPath()+" ") {
			t.Errorf("the example of %s is of something else: %q", c.Name(), line)
			continue
		}
		c, _, err := c.Root().Find(words[1:])
		if err != nil {
			t.Error(err)
			continue
		}
		for _, w := range words[2:] {
			name, isFlag := strings.CutPrefix(w, "--")
			if isFlag && c.Flag(name) == nil && c.InheritedFlags().Lookup(name) == nil {
				t.Errorf("the example of %s uses an unknown flag --%s", c.Name(), name)
			}
		}
	}
}

func TestNoServer(t *testing.T) {
	got := call(t, "changes", "--server", "127.0.0.1:1").want(t, exitFailed)
	says(t, "stderr", got.stderr, "no server answers (UNAVAILABLE)", "trigoned", "--server")
}

func TestTablesWithoutServer(t *testing.T) {
	metrics := call(t, "metrics").want(t, exitOK)
	leaves := call(t, "metrics", "--leaves").want(t, exitOK)
	if len(leaves.stdout) <= len(metrics.stdout) {
		t.Error("--leaves adds nothing")
	}
	rules := call(t, "rules").want(t, exitOK)
	for name, page := range map[string]string{"metrics": leaves.stdout, "rules": rules.stdout} {
		narrow(t, name, page)
	}
	m := decode(t, call(t, "metrics", "--format", "json").want(t, exitOK).stdout, &trigonev1.ListMetricsResponse{})
	r := decode(t, call(t, "rules", "--format", "json").want(t, exitOK).stdout, &trigonev1.ListRulesResponse{})
	if len(m.GetMetrics()) < 15 || len(r.GetRules()) < 12 {
		t.Errorf("%d metrics and %d rules, want at least 15 and 12", len(m.GetMetrics()), len(r.GetRules()))
	}
	for _, rule := range r.GetRules() {
		// A long id is wrapped, so that only its first word is sure to stand whole.
		if first, _, _ := strings.Cut(rule.GetId(), "-"); !strings.Contains(rules.stdout, first) {
			t.Errorf("rule %s is not in the table", rule.GetId())
		}
	}
}

// narrow checks that a page fits a terminal of 120 columns.
func narrow(t *testing.T, name, page string) {
	t.Helper()
	for i, line := range strings.Split(page, "\n") {
		if n := text.StringWidth(line); n > 120 {
			t.Errorf("%s, line %d is %d columns wide: %s", name, i+1, n, line)
		}
	}
}

func TestEvaluate(t *testing.T) {
	good := file(t, read(t, testdata.Cases, "triangular-complete-ring"))
	page := call(t, "evaluate", good).want(t, exitOK)
	says(t, "evaluate", page.stdout, "Prediction (range of an uncalibrated model, not advice)", "Findings: 0 contradictions", "Not evaluable", "not a medical device")
	narrow(t, "evaluate", page.stdout)
	measured := call(t, "evaluate", good, "--measured").want(t, exitOK)
	if strings.Count(measured.stdout, "\n") <= strings.Count(page.stdout, "\n") {
		t.Error("--measured adds nothing")
	}
	e := decode(t, call(t, "evaluate", good, "--format", "json").want(t, exitOK).stdout, &trigonev1.Evaluation{})
	if len(e.GetMetrics()) == 0 || e.GetNumber() != 0 {
		t.Errorf("the JSON has %d metrics and number %d, want some and 0", len(e.GetMetrics()), e.GetNumber())
	}

	wrong := read(t, testdata.Cases, "disputed-corrected")
	wrong.Results = read(t, testdata.Submits, "disputed-gradient-first").GetResults()
	got := call(t, "evaluate", file(t, wrong)).want(t, exitContradiction)
	says(t, "stdout", got.stdout, "Contradiction")
	says(t, "stderr", got.stderr, "contradicts itself")
}

// evaluated gives what is said of a case of testdata.
func evaluated(t *testing.T, name string) *trigonev1.Evaluation {
	t.Helper()
	page := call(t, "evaluate", file(t, read(t, testdata.Cases, name)), "--format", "json").want(t, exitOK)
	return decode(t, page.stdout, &trigonev1.Evaluation{})
}

// The textbook repairs end without contradiction and with at most two cautions;
// more would make the service cry wolf. Common practice, no source.
func TestTextbookRepairsEndQuietly(t *testing.T) {
	for _, name := range []string{"chord-rupture-sliding", "billowing-second-run", "triangular-complete-ring"} {
		n := map[trigonev1.Severity]int{}
		for _, f := range evaluated(t, name).GetFindings() {
			if f.GetFinalState() {
				n[f.GetSeverity()]++
			}
		}
		if n[trigonev1.Severity_SEVERITY_CONTRADICTION] != 0 || n[trigonev1.Severity_SEVERITY_CAUTION] > 2 {
			t.Errorf("%s ends with %d contradictions and %d cautions", name, n[trigonev1.Severity_SEVERITY_CONTRADICTION], n[trigonev1.Severity_SEVERITY_CAUTION])
		}
	}
}

// A posterior leaflet of 24 mm that nothing shortens is spoken of at plan and
// after run 1; shortened to 15 mm in run 2 it is not spoken of any more. The
// limit of 20 mm: common practice, no source.
func TestLongPosteriorLeafletIsSpokenOf(t *testing.T) {
	var at []string
	for _, f := range evaluated(t, "billowing-second-run").GetFindings() {
		if f.GetRule() == "posterior-leaflet-high" {
			at = append(at, f.GetOccasion())
			if f.GetFinalState() {
				t.Errorf("it is spoken of at the end: %s", f.GetMessage())
			}
		}
	}
	if len(at) != 2 || at[0] != "plan" && at[1] != "plan" || !strings.Contains(strings.Join(at, " "), "operation/run1") {
		t.Errorf("it is spoken of at %v, want plan and run 1", at)
	}
}

// A conversion is one difference; what followed from it stands under it and is
// not counted again.
func TestConversionIsOneRoot(t *testing.T) {
	e := evaluated(t, "commissural-conversion")
	var roots []string
	children := 0
	for _, d := range e.GetDiscrepancies() {
		switch {
		case d.GetVerdict() != trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT:
		case d.GetParent() == "":
			roots = append(roots, d.GetClass())
		default:
			children++
		}
	}
	if len(roots) != 1 || roots[0] != "conversion" || children < 3 {
		t.Errorf("roots %v with %d children, want conversion alone with its three steps at least", roots, children)
	}
}

// A complete ring with inner dimensions and heights by echo: the model speaks, and
// only as a range.
func TestFullPrediction(t *testing.T) {
	ranges := 0
	for _, m := range evaluated(t, "triangular-complete-ring").GetMetrics() {
		if m.GetRole() != trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN || m.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE {
			continue
		}
		if m.Lower == nil || m.Upper == nil || m.GetLower() >= m.GetValue() || m.GetValue() >= m.GetUpper() {
			t.Errorf("%s is no range: %v to %v about %v", m.GetMetric(), m.Lower, m.Upper, m.GetValue())
		}
		ranges++
	}
	if ranges == 0 {
		t.Error("nothing is predicted")
	}
}

func TestEvaluateBadInput(t *testing.T) {
	bad := read(t, testdata.Cases, "triangular-complete-ring")
	bad.Assessments[1].Study.Annulus.AnnulusArea.Cm2 = proto.Float64(-12)
	bad.Results[0].Study.Gradient.MeanGradient.Mmhg = proto.Float64(99999)
	got := call(t, "evaluate", file(t, bad)).want(t, exitRefused)
	lines := strings.Split(got.stderr, "\n")
	for _, path := range []string{"annulus_area", "mean_gradient"} {
		found := 0
		for _, l := range lines[1:] {
			if strings.HasPrefix(l, "  ") && strings.Contains(l, path) {
				found++
			}
		}
		if found != 1 {
			t.Errorf("%s stands on %d lines, not one:\n%s", path, found, got.stderr)
		}
	}
	says(t, "stderr", call(t, "evaluate", write(t, []byte("{"))).want(t, exitRefused).stderr, ":1:1: the text is no JSON")
	says(t, "stderr", call(t, "evaluate", write(t, []byte(`{"plann": {}}`))).want(t, exitRefused).stderr, ":1:2: plann is no field of a case file; the nearest are plan")
	says(t, "stderr", call(t, "evaluate", filepath.Join(t.TempDir(), "none.json")).want(t, exitFailed).stderr, "read the case file")
	says(t, "stderr", call(t, "evaluate", file(t, bad), "--policy", filepath.Join(t.TempDir(), "none.yaml")).want(t, exitFailed).stderr, "none.yaml")
}

const number = "urn:example:harbour-hospital:case|MV-2026-008"

func TestRecord(t *testing.T) {
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	whole := read(t, testdata.Cases, "smaller-ring")
	path := file(t, whole)

	dry := call(t, with("submit", path, "--validate-only")...).want(t, exitOK)
	says(t, "dry run", dry.stdout, "Not stored")
	says(t, "stderr", call(t, with("get", number)...).want(t, exitRefused).stderr, "NOT_FOUND")

	first := call(t, with("submit", path, "--source-time", "2026-05-01T08:00:00Z", "--request-id", "r-1")...).want(t, exitOK)
	says(t, "submit", first.stdout, "created", "operation", "accepted", "version 1")
	again := call(t, with("submit", path, "--source-time", "2026-05-01T08:00:00Z", "--request-id", "r-1")...).want(t, exitOK)
	if again.stdout != first.stdout {
		t.Errorf("a retry is answered otherwise:\n%s\n%s", first.stdout, again.stdout)
	}

	changed := proto.CloneOf(whole)
	changed.Results[0].Study.Gradient.MeanGradient.Mmhg = proto.Float64(5.1)
	newer := file(t, changed)
	says(t, "stderr", call(t, with("submit", newer, "--source-time", "2026-05-01T08:00:00Z", "--request-id", "r-1")...).want(t, exitRefused).stderr, "ALREADY_EXISTS")
	says(t, "stderr", call(t, with("submit", newer)...).want(t, exitRefused).stderr, "FAILED_PRECONDITION")
	says(t, "stderr", call(t, with("submit", newer, "--etag", "result/exit=7")...).want(t, exitRefused).stderr, "ABORTED")
	says(t, "submit", call(t, with("submit", newer, "--etag", "result/exit=1")...).want(t, exitOK).stdout, "replaced", "unchanged")

	page := call(t, with("get", number)...).want(t, exitOK)
	says(t, "get", page.stdout, "MV-2026-008", "result/exit", "Findings:")
	narrow(t, "get", page.stdout)
	stored := decode(t, call(t, with("get", number, "--format", "json")...).want(t, exitOK).stdout, &trigonev1.Case{})
	only := decode(t, call(t, with("get", stored.GetName(), "--case-file")...).want(t, exitOK).stdout, &trigonev1.CaseFile{})
	if !proto.Equal(only, changed) || !proto.Equal(stored.GetCaseFile(), changed) {
		t.Error("the case file does not come back as it went")
	}

	var bundle struct {
		ResourceType, Type string
		Entry              []json.RawMessage
	}
	if err := json.Unmarshal([]byte(call(t, with("bundle", number)...).want(t, exitOK).stdout), &bundle); err != nil {
		t.Fatal(err)
	}
	if bundle.ResourceType != "Bundle" || bundle.Type != "transaction" || len(bundle.Entry) == 0 {
		t.Errorf("resource %s of type %s with %d entries is no transaction", bundle.ResourceType, bundle.Type, len(bundle.Entry))
	}
}

func TestRefusedViolationsStandOnTheirOwnLines(t *testing.T) {
	address := start(t)
	bad := read(t, testdata.Cases, "no-plan")
	bad.PatientIdentifier = nil
	bad.ExternalIdentifier.Value = ""
	area := bad.Assessments[1].Study.Annulus.AnnulusArea
	right := area.Cm2
	area.Cm2 = proto.Float64(-12)
	got := call(t, "submit", file(t, bad), "--server", address).want(t, exitRefused)
	says(t, "what is seen before it is sent", got.stderr, "case.json:", ": assessments[1].study.annulus.annulus_area.cm2: is -12")
	area.Cm2 = right
	got = call(t, "submit", file(t, bad), "--server", address).want(t, exitRefused)
	says(t, "stderr", got.stderr, "INVALID_ARGUMENT", "\n  case_file.patient_identifier", "\n  case_file.external_identifier.value")
}

func TestDiscrepanciesAndChanges(t *testing.T) {
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	for _, name := range []string{"smaller-ring", "no-plan"} {
		call(t, with("submit", file(t, read(t, testdata.Cases, name)))...).want(t, exitOK)
	}

	page := call(t, with("discrepancies")...).want(t, exitOK)
	says(t, "discrepancies", page.stdout, "MV-2026-008", "Ring size", "MV-2026-010", "No plan in force", "not an error")
	narrow(t, "discrepancies", page.stdout)
	all := decode(t, call(t, with("discrepancies", "--format", "json")...).want(t, exitOK).stdout, &trigonev1.ListDiscrepanciesResponse{})
	some := decode(t, call(t, with("discrepancies", "--format", "json", "--class", "ring_size")...).want(t, exitOK).stdout, &trigonev1.ListDiscrepanciesResponse{})
	if n := len(some.GetDiscrepancies()); n != 1 || len(all.GetDiscrepancies()) <= n {
		t.Errorf("%d of %d discrepancies are of the ring's size, want one of several", n, len(all.GetDiscrepancies()))
	}
	one := decode(t, call(t, with("discrepancies", "--format", "json", "--case", number)...).want(t, exitOK).stdout, &trigonev1.ListDiscrepanciesResponse{})
	for _, d := range one.GetDiscrepancies() {
		if d.GetExternalIdentifier().GetValue() != "MV-2026-008" {
			t.Errorf("--case lets %v through", d.GetExternalIdentifier())
		}
	}
	for _, list := range []string{"discrepancies", "comparisons", "facts"} {
		says(t, "no restating", call(t, with(list, "--basis", "restated")...).want(t, exitRefused).stderr, "trigoned restate")
		says(t, "the basis", call(t, with(list, "--format", "json", "--basis", "stored")...).want(t, exitOK).stdout, "BASIS_STORED")
		call(t, with(list, "--basis", "today")...).want(t, exitUsage)
	}
	none := decode(t, call(t, with("discrepancies", "--format", "json", "--before", "2026-01-01")...).want(t, exitOK).stdout, &trigonev1.ListDiscrepanciesResponse{})
	if len(none.GetDiscrepancies()) != 0 {
		t.Errorf("--before lets %d through", len(none.GetDiscrepancies()))
	}
	columns := filepath.Join(t.TempDir(), "columns.csv")
	sheet := func(args ...string) [][]string {
		t.Helper()
		text, marked := strings.CutPrefix(call(t, with(append(args, "--format", "csv")...)...).want(t, exitOK).stdout, "\ufeff")
		if marked != slices.Contains(args, "--bom") {
			t.Errorf("%v: marked %t", args, marked)
		}
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows
	}
	for _, list := range []string{"discrepancies", "comparisons", "facts"} {
		rows := sheet(list, "--bom", "--dictionary", columns)
		text, err := os.ReadFile(columns)
		if err != nil {
			t.Fatal(err)
		}
		dictionary, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(text), "\ufeff"))).ReadAll()
		if err != nil || len(dictionary) != len(rows[0])+2 || slices.ContainsFunc(dictionary, func(line []string) bool { return line[1] == "" }) {
			t.Errorf("%s: %d lines of the dictionary for %d columns, %v", list, len(dictionary), len(rows[0]), err)
		}
		if rows[1][slices.Index(rows[0], "data")] != "invented" || slices.Contains(rows[0], "case_number") {
			t.Errorf("%s: %v", list, rows[:2])
		}
		says(t, "stderr", call(t, with(list, "--bom")...).want(t, exitUsage).stderr, "--format csv")
		says(t, list, call(t, with(list)...).want(t, exitOK).stdout, "Invented cases: this store keeps no others.")
	}
	if rows := sheet("discrepancies", "--with-case-numbers"); len(rows) != len(all.GetDiscrepancies())+1 || rows[0][0] != "case_number" || !strings.HasPrefix(rows[1][0], "MV-2026-") {
		t.Errorf("%d rows for %d discrepancies: %v", len(rows), len(all.GetDiscrepancies()), rows[:2])
	}

	changes := decode(t, call(t, with("changes", "--format", "json")...).want(t, exitOK).stdout, &trigonev1.ListChangesResponse{})
	if len(changes.GetChanges()) == 0 || changes.GetNextCursor() == "" {
		t.Fatalf("%d changes, cursor %q", len(changes.GetChanges()), changes.GetNextCursor())
	}
	rest := call(t, with("changes", "--cursor", changes.GetNextCursor())...).want(t, exitOK)
	says(t, "changes", rest.stdout, "Next cursor: ")
	if strings.Contains(rest.stdout, "submitted") {
		t.Errorf("after the cursor there is something left:\n%s", rest.stdout)
	}
	narrow(t, "changes", call(t, with("changes")...).want(t, exitOK).stdout)
	says(t, "stderr", call(t, with("changes", "--cursor", "forged")...).want(t, exitRefused).stderr, "INVALID_ARGUMENT", "\n  cursor")
}
