package demo

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

func start(ctx context.Context, store, policy string, now func() time.Time) (Server, error) {
	running, err := server.Start(ctx, server.Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy, Now: now})
	if err != nil {
		return Server{}, err
	}
	return Server{Addr: running.Addr(), Stop: running.Stop}, nil
}

func TestEveryCaseFileIsTakenIn(t *testing.T) {
	every(t, func(t *testing.T, _, _ string, file *trigonev1.CaseFile) {
		for _, v := range convert.CheckSubmit(file) {
			t.Errorf("%s: %s", v.Path, v.Message)
		}
	})
}

// Every file of testdata is played, every step of the script sends something,
// and each case goes through in the order of time.
func TestScriptIsWhole(t *testing.T) {
	left := map[string]bool{}
	for _, folder := range folders {
		for _, name := range testdata.Names(folder) {
			left[folder+"/"+name] = true
		}
	}
	for _, s := range script {
		var last time.Time
		whole, err := testdata.Read(testdata.Cases, s.name)
		if err != nil {
			t.Fatal(err)
		}
		delete(left, testdata.Cases+"/"+s.name)
		sent := &trigonev1.CaseFile{}
		for i, step := range s.steps {
			at := step.at(whole)
			if at.Before(last) {
				t.Errorf("%s, step %d comes at %s, before the step before it", s.name, i+1, at)
			}
			last = at
			if step.do != send {
				continue
			}
			content, err := step.content(s.name)
			if err != nil {
				t.Fatal(err)
			}
			if len(convert.SectionNames(content)) == 0 {
				t.Errorf("%s, step %d sends nothing", s.name, i+1)
			}
			if step.file != "" {
				delete(left, testdata.Submits+"/"+step.file)
				continue
			}
			content.ExternalIdentifier, content.PatientIdentifier = nil, nil
			replace(sent, content)
		}
		sent.ExternalIdentifier, sent.PatientIdentifier = whole.GetExternalIdentifier(), whole.GetPatientIdentifier()
		if len(convert.SectionNames(sent)) != len(convert.SectionNames(whole)) {
			t.Errorf("%s: %v are sent of %v", s.name, convert.SectionNames(sent), convert.SectionNames(whole))
		}
	}
	for name := range left {
		t.Errorf("%s is never played", name)
	}
}

// replace lays sections over others, as a submit does.
func replace(onto, sections *trigonev1.CaseFile) {
	have := map[string]bool{}
	for _, s := range convert.SectionNames(onto) {
		have[s] = true
	}
	for _, s := range convert.SectionNames(sections) {
		if !have[s] {
			proto.Merge(onto, convert.FileOf(convert.Section(sections, s)))
		}
	}
}

func TestDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("plays the whole demo")
	}
	dir := filepath.Join(t.TempDir(), "out")
	var out bytes.Buffer
	options := Options{Dir: dir, Out: &out, Start: start}
	if err := Run(t.Context(), options); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}

	page := out.String()
	if first, _, _ := strings.Cut(page, "\n"); !strings.HasPrefix(first, "starting") || !strings.Contains(first, "invented data") {
		t.Errorf("the first line says neither that it starts nor that all is invented: %s", first)
	}
	for _, want := range []string{"not a medical device", "range of an uncalibrated model, not advice", "Sources", "Ring size", "quarantined", "some values disputed", "retracted"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for i, line := range strings.Split(page, "\n") {
		if n := text.StringWidth(strings.ReplaceAll(line, dir, "DIR")); n > 120 {
			t.Errorf("line %d is %d columns wide: %s", i+1, n, line)
		}
	}

	checkCases(t, dir)
	checkBundles(t, dir)
	checkDiscrepancies(t, dir)
	checkStore(t, options)
}

// A case file comes back as testdata has it, whatever slips, corrections and
// retractions lay between: all sections of it, each as it was sent last.
func checkCases(t *testing.T, dir string) {
	t.Helper()
	byNumber := map[string]*trigonev1.CaseFile{}
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		byNumber[file.GetExternalIdentifier().GetValue()] = file
	}
	files, err := filepath.Glob(filepath.Join(dir, "cases", "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 16 {
		t.Errorf("%d case files, want at least 16", len(files))
	}
	for _, path := range files {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got := &trigonev1.CaseFile{}
		if err := protojson.Unmarshal(raw, got); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		want := byNumber[got.GetExternalIdentifier().GetValue()]
		if len(convert.SectionNames(got)) != len(convert.SectionNames(want)) {
			t.Errorf("%s holds %v, want %v", path, convert.SectionNames(got), convert.SectionNames(want))
		}
		for _, s := range convert.SectionNames(want) {
			if !proto.Equal(convert.Section(got, s), convert.Section(want, s)) {
				t.Errorf("%s: section %s is not as it was sent last", path, s)
			}
		}
	}
}

func checkBundles(t *testing.T, dir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "bundles", "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != len(script) {
		t.Errorf("%d bundles for %d cases", len(files), len(script))
	}
	for _, path := range files {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var bundle struct {
			ResourceType, Type string
			Entry              []json.RawMessage
		}
		if err := json.Unmarshal(raw, &bundle); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if bundle.ResourceType != "Bundle" || bundle.Type != "transaction" || len(bundle.Entry) == 0 {
			t.Errorf("%s: %s of type %s with %d entries", path, bundle.ResourceType, bundle.Type, len(bundle.Entry))
		}
	}
}

// The classes that the invented cases were made for are found in them.
func checkDiscrepancies(t *testing.T, dir string) {
	t.Helper()
	raw, err := os.Open(filepath.Join(dir, "discrepancies.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(raw).ReadAll()
	if err := errors.Join(err, raw.Close()); err != nil {
		t.Fatal(err)
	}
	if strings.Join(rows[0], ",") != strings.Join(render.CSVColumns, ",") {
		t.Errorf("the header is %v", rows[0])
	}
	at := map[string]int{}
	for i, c := range rows[0] {
		at[c] = i
	}
	found := map[string]bool{}
	for _, r := range rows[1:] {
		found[r[at["case_number"]]+" "+r[at["class"]]] = true
	}
	for _, want := range []struct{ number, class string }{
		{"MV-2026-002", "further_pump_run"},
		{"MV-2026-003", "conversion"},
		{"MV-2026-008", "ring_size"},
		{"MV-2026-008", "target_missed"},
		{"MV-2026-010", "no_plan_in_force"},
		{"MV-2026-018", "step_substituted"},
		{"MV-2026-018", "step_added"},
		{"MV-2026-018", "ring_kind"},
	} {
		if !found[want.number+" "+want.class] {
			t.Errorf("%s of %s is not in the file", want.class, want.number)
		}
	}
}

// An existing store is refused and stays as it is, unless force replaces it.
func checkStore(t *testing.T, options Options) {
	t.Helper()
	path := filepath.Join(options.Dir, StoreName)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	options.Out = &out
	if err := Run(t.Context(), options); !errors.Is(err, ErrStoreExists) {
		t.Errorf("a store that is there gives %v", err)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the refused demo touched the store (%v)", err)
	}
	options.Force = true
	if err := Run(t.Context(), options); err != nil {
		t.Errorf("force: %v", err)
	}
}
