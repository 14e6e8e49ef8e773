package demo

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/render"
	"trigone/internal/rules"
	"trigone/internal/valve"
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
// each case goes through in the order of time, and nothing is sent before it was
// measured.
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
			for _, study := range studies(content) {
				if taken := study.GetTime(); taken != nil && taken.AsTime().After(at) {
					t.Errorf("%s, step %d sends at %s what is measured at %s only", s.name, i+1, at, taken.AsTime())
				}
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

func studies(file *trigonev1.CaseFile) []*trigonev1.Study {
	var list []*trigonev1.Study
	for _, a := range file.GetAssessments() {
		list = append(list, a.GetStudy())
	}
	for _, r := range file.GetResults() {
		list = append(list, r.GetStudy())
	}
	for _, f := range file.GetFollowUps() {
		list = append(list, f.GetStudy())
	}
	return list
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
	var cases []played
	options := Options{Dir: dir, Out: &out, Start: start, Draw: drawnAs, played: func(list []played) { cases = list }}
	if err := Run(t.Context(), options); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}

	page := out.String()
	if first, _, _ := strings.Cut(page, "\n"); !strings.HasPrefix(first, "starting") || !strings.Contains(first, "invented data") {
		t.Errorf("the first line says neither that it starts nor that all is invented: %s", first)
	}
	for _, want := range []string{"not a medical device", "range of an uncalibrated model, not advice", "Sources", "Ring size", "quarantined", "some values disputed", "retracted",
		"under rule set 1 approximate", "under rule set " + rules.SetVersion + " exact", "105 variants", "49 variants, 33 without a caution", "advice/after-leaflet-work", "no stage is told",
		"outside the model's domain: restricted leaflet motion"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for i, line := range strings.Split(page, "\n") {
		if n := text.StringWidth(strings.ReplaceAll(line, dir, "DIR")); n > 120 {
			t.Errorf("line %d is %d columns wide: %s", i+1, n, line)
		}
	}

	checkModes(t, dir)
	checkCases(t, dir)
	checkNotes(t, dir)
	checkBundles(t, dir)
	checkDiscrepancies(t, dir)
	checkIndex(t, dir)
	checkFiring(t, cases)
	checkMetrics(t, cases)
	checkComparisons(t, cases, page)
	checkShows(t, cases)
	checkAdvice(t, cases)
	checkConfirmations(t, cases)
	checkStore(t, options)
}

// What the demo writes, the store with it, only its owner may read, as what the
// programs write of real patients.
func checkModes(t *testing.T, dir string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s may be read or written by others: %v", strings.TrimPrefix(path, dir), info.Mode())
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
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
	if want := len(script) - 1; len(files) != want || want < 26 {
		t.Errorf("%d case files, want at least 26: one for every case but the retracted one", len(files))
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
		// What was answered in theatre is the server's own section.
		got.Advice = nil
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

func checkNotes(t *testing.T, dir string) {
	t.Helper()
	cases, err := filepath.Glob(filepath.Join(dir, "cases", "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range cases {
		name := strings.TrimSuffix(filepath.Base(path), ".json")
		note, err := os.ReadFile(filepath.Join(dir, "notes", name+".html"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(note), name) || !strings.Contains(string(note), "Draft for signature") {
			t.Errorf("the note of %s names neither the case nor that it is a draft", name)
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
	mark := make([]byte, 3)
	if _, err := io.ReadFull(raw, mark); err != nil || string(mark) != "\xef\xbb\xbf" {
		t.Errorf("the file begins with %x, %v, not with the mark that office programs look for", mark, err)
	}
	rows, err := csv.NewReader(raw).ReadAll()
	if err := errors.Join(err, raw.Close()); err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, c := range rows[0] {
		at[c] = i
	}
	found := map[string]bool{}
	for _, r := range rows[1:] {
		found[r[at["case_number"]]+" "+r[at["class"]]+" "+r[at["verdict"]]] = true
	}
	for _, class := range discrepancy.Classes() {
		numbers := shownBy[class]
		if len(numbers) == 0 {
			t.Errorf("no case is said to show %s, %s", class.Reference(), class)
		}
		verdict := discrepancy.Present
		if class == discrepancy.NotEvaluable {
			verdict = discrepancy.NotJudged
		}
		for _, number := range numbers {
			if !found[number+" "+string(class)+" "+string(verdict)] {
				t.Errorf("%s %s, %s, of %s is not in the file", verdict, class.Reference(), class, number)
			}
		}
	}
	if len(shownBy) != len(discrepancy.Classes()) {
		t.Errorf("%d classes are said to be shown, there are %d", len(shownBy), len(discrepancy.Classes()))
	}
	if !found["MV-2026-018 target_missed indeterminate"] {
		t.Error("no case shows a difference within the error of measurement")
	}
}

// shownBy says which cases were invented to show a class of discrepancy.
var shownBy = map[discrepancy.Class][]string{
	discrepancy.StepOmitted:           {"MV-2026-003", "MV-2026-018"},
	discrepancy.StepAdded:             {"MV-2026-018", "MV-2026-023"},
	discrepancy.StepRelocated:         {"MV-2026-018"},
	discrepancy.StepSubstituted:       {"MV-2026-018"},
	discrepancy.StepParameter:         {"MV-2026-006", "MV-2026-007"},
	discrepancy.RingSize:              {"MV-2026-008", "MV-2026-031"},
	discrepancy.RingKind:              {"MV-2026-018"},
	discrepancy.TargetMissed:          {"MV-2026-034"},
	discrepancy.OutsideInterval:       {"MV-2026-034"},
	discrepancy.OutsideSiteTolerance:  {"MV-2026-002"},
	discrepancy.ResidualRegurgitation: {"MV-2026-002", "MV-2026-009"},
	discrepancy.NewFinding:            {"MV-2026-002"},
	discrepancy.FurtherPumpRun:        {"MV-2026-002", "MV-2026-003", "MV-2026-009"},
	discrepancy.Conversion:            {"MV-2026-003"},
	discrepancy.NoPlanInForce:         {"MV-2026-010", "MV-2026-011"},
	discrepancy.NotEvaluable:          {"MV-2026-035"},
	discrepancy.RecordConflict:        {"MV-2026-035"},
}

// Which rules speak of which case, at the end or on the way to it, and which
// never do; every severity is shown by a case.
func checkFiring(t *testing.T, cases []played) {
	t.Helper()
	fired := map[string]bool{}
	severities := map[rules.Severity]bool{}
	var page strings.Builder
	fmt.Fprintf(&page, "Rules that speak of the %d cases of the demo, under its own policy. In brackets: on the way only.\n\n", len(cases))
	for _, c := range cases {
		end := map[string]bool{}
		for _, f := range c.stored.GetEvaluation().GetFindings() {
			end[f.GetRule()] = true
		}
		var list []string
		for _, r := range rules.All() {
			switch {
			case end[r.ID]:
				list = append(list, r.ID)
			case slices.Contains(c.passing, r.ID):
				list = append(list, "("+r.ID+")")
			default:
				continue
			}
			fired[r.ID], severities[r.Severity] = true, true
		}
		fmt.Fprintf(&page, "%s %s: %s\n", c.number, c.story.name, cmp.Or(strings.Join(list, ", "), "none"))
	}
	var silent []string
	for _, r := range rules.All() {
		if !fired[r.ID] && r.InSet("") {
			silent = append(silent, r.ID)
		}
	}
	fmt.Fprintf(&page, "\n%d rules speak, %d never do:\n  %s\n", len(fired), len(silent), strings.Join(silent, "\n  "))
	for _, s := range []rules.Severity{rules.Contradiction, rules.Caution, rules.Note} {
		if !severities[s] {
			t.Errorf("no case shows a %s", s)
		}
	}
	golden(t, "firing.golden", page.String())
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := errors.Join(os.MkdirAll("testdata", 0o750), os.WriteFile(path, []byte(got), 0o640)); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s changed; look at the difference and run the test with -update. Got:\n%s", name, got)
	}
}

// neverValued are the metrics that have a value in no invented case, with the
// reason.
var neverValued = map[valve.ID]string{
	metric.IDHalfTimeOrifice:         "no invented case records the half-time, a poor guide to the orifice after a repair",
	metric.IDDecelerationOrifice:     "no invented case records the deceleration time, a poor guide to the orifice after a repair",
	metric.IDContinuityOrifice:       "needs the integrals of inflow and outflow of a valve that is hardly regurgitant; the cases record both only where more than mild regurgitation is",
	metric.IDIndexedEffectiveOrifice: "as the area by continuity that it is made of",
}

// Every metric of the catalogue has a value in some case, through the server and
// its store, or is named with the reason.
func checkMetrics(t *testing.T, cases []played) {
	t.Helper()
	valued := map[valve.ID]bool{}
	for _, c := range cases {
		for _, m := range c.stored.GetEvaluation().GetMetrics() {
			id := valve.ID(m.GetMetric())
			valued[id] = valued[id] || m.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE
		}
	}
	for _, m := range metric.Metrics() {
		why, listed := neverValued[m.ID]
		switch {
		case !valued[m.ID] && why == "":
			t.Errorf("%s has a value in no invented case, and no reason is given", m.ID)
		case valued[m.ID] && listed:
			t.Errorf("%s has a value and is listed as never having one", m.ID)
		}
	}
	for id := range neverValued {
		if _, ok := metric.MetricByID(id); !ok {
			t.Errorf("%s is no metric", id)
		}
	}
}

// At least a hundred comparisons agree, every verdict occurs, and the page counts
// the things planned as the cases' own comparisons do.
func checkComparisons(t *testing.T, cases []played, page string) {
	t.Helper()
	counts := map[trigonev1.ComparisonVerdict]int{}
	kinds := map[trigonev1.ComparisonKind]bool{}
	var planned [][]*trigonev1.Comparison
	z := 0
	for _, c := range cases {
		e := c.stored.GetEvaluation()
		for _, m := range e.GetComparisons() {
			counts[m.GetVerdict()]++
			kinds[m.GetKind()] = true
			if m.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN && m.GetStage() == trigonev1.Stage_STAGE_LEAVING_THEATRE && m.Z != nil {
				z++
			}
		}
		if e.GetPlanInForce().GetRevision() > 0 {
			planned = append(planned, e.GetComparisons())
		}
		differ := 0
		for _, m := range e.GetComparisons() {
			if m.GetDiscrepancyId() != "" {
				differ++
			}
		}
		if differ != len(e.GetDiscrepancies()) {
			t.Errorf("%s: %d comparisons are discrepancies, %d are told", c.story.name, differ, len(e.GetDiscrepancies()))
		}
	}
	if agree := counts[trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES]; agree < 100 {
		t.Errorf("%d comparisons agree, want at least 100", agree)
	}
	for v := range trigonev1.ComparisonVerdict_name {
		if v != 0 && counts[trigonev1.ComparisonVerdict(v)] == 0 {
			t.Errorf("no comparison is %v", trigonev1.ComparisonVerdict(v))
		}
	}
	for k := range trigonev1.ComparisonKind_name {
		if k != 0 && !kinds[trigonev1.ComparisonKind(k)] {
			t.Errorf("no comparison is of the kind %v", trigonev1.ComparisonKind(k))
		}
	}
	if z < 10 {
		t.Errorf("%d cases have a z from the plan on leaving theatre", z)
	}
	if want := convert.ThingsText(convert.ThingsPlanned(planned...)); !strings.Contains(strings.ReplaceAll(page, "\n", " "), want) {
		t.Errorf("the page does not say: %s", want)
	}
}

// Whatever a case is said to show is said of it, and every chapter begins with a
// case.
func checkShows(t *testing.T, cases []played) {
	t.Helper()
	byName := map[string]*trigonev1.Case{}
	for _, c := range cases {
		byName[c.story.name] = c.stored
	}
	for name, list := range shows {
		for _, r := range list {
			for _, f := range r.facts {
				if f.told(byName[name]) == "" {
					t.Errorf("%s: nothing is said of %+v", name, f)
				}
			}
		}
	}
	for name := range chapters {
		if byName[name] == nil {
			t.Errorf("a chapter begins with %s, which is no case", name)
		}
	}
}

// The answer given in theatre is on record and cited, and it says that the planned
// ring no longer fits. By hand: A2 26, P2 12.5, entry of coaptation 5 mm deep, aims 5 mm
// of coaptation and a closure line at most at 80 %: ring up to
// √((26 − 5)² − 5²) + √((12.5 − 5)² − 5²) = 26.0, below the 27 planned, and from 24.9,
// where √((0.8·d)² + 5²) − √((0.2·d)² + 5²) = 26 − 12.5.
func checkAdvice(t *testing.T, cases []played) {
	t.Helper()
	for _, c := range cases {
		if c.story.name != "advice-in-theatre" {
			continue
		}
		file := c.stored.GetCaseFile()
		if len(file.GetAdvice()) != 1 {
			t.Fatalf("%d advices are on record, want 1", len(file.GetAdvice()))
		}
		freedom := file.GetAdvice()[0].GetFreedom()
		if !slices.ContainsFunc(freedom.GetRanges(), func(r *trigonev1.FreedomRange) bool {
			return r.GetLeaf() == "ring_inner_antero_posterior_diameter" && r.GetLower() == 24.9 && r.GetUpper() == 26.0
		}) {
			t.Errorf("the ring's range is not 24.9 to 26.0 mm: %v", freedom.GetRanges())
		}
		if !slices.ContainsFunc(freedom.GetUnfitSteps(), func(u *trigonev1.UnfitStep) bool { return u.GetPlannedStepId() == "p-ring" }) {
			t.Error("the planned ring is not said to fit no longer")
		}
		if !slices.ContainsFunc(file.GetOperation().GetSteps(), func(s *trigonev1.PerformedStep) bool {
			return slices.Contains(s.GetAdviceIds(), file.GetAdvice()[0].GetId())
		}) {
			t.Error("no step cites the advice")
		}
	}
}

func checkConfirmations(t *testing.T, cases []played) {
	t.Helper()
	for _, c := range cases {
		if c.story.name != "measured-twice" {
			continue
		}
		var states []string
		for _, x := range c.stored.GetConfirmations() {
			states = append(states, render.Word(x.GetState()))
		}
		if want := []string{"revoked", "standing", "lapsed"}; !slices.Equal(states, want) {
			t.Errorf("confirmations %v, want %v", states, want)
		}
		for _, s := range c.stored.GetSections() {
			if s.GetState() == trigonev1.SectionState_SECTION_STATE_DISPUTED {
				t.Errorf("section %s is disputed, though what contradicts was confirmed or corrected", s.GetSection())
			}
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
