package render

import (
	"bytes"
	"encoding/csv"
	"flag"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func load[M proto.Message](t *testing.T, name string, m M) M {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(raw, m); err != nil {
		t.Fatal(err)
	}
	return m
}

// golden compares with a golden file and checks what holds of every page: lines
// of at most 120 columns and none that ends in a blank.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	for i, line := range strings.Split(string(got), "\n") {
		if n := text.StringWidth(line); n > usual {
			t.Errorf("line %d is %d columns wide, more than %d: %s", i+1, n, usual, line)
		}
		if strings.TrimRight(line, " ") != line {
			t.Errorf("line %d ends in a blank: %q", i+1, line)
		}
	}
	same(t, name, got)
}

// same compares with a golden file.
func same(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o640); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; got:\n%s", name, got)
	}
}

func TestGoldenPages(t *testing.T) {
	rich := load(t, "rich.json", &trigonev1.Evaluation{})
	many := load(t, "discrepancies.json", &trigonev1.ListDiscrepanciesResponse{})
	tests := []struct {
		name  string // why this page
		print func(w *bytes.Buffer)
	}{
		{"rich.golden", func(w *bytes.Buffer) { Evaluation(w, rich, EvaluationOptions{Title: "A title"}) }},
		{"rich-measured.golden", func(w *bytes.Buffer) { Evaluation(w, rich, EvaluationOptions{Measured: true}) }},
		{"nothing-known.golden", func(w *bytes.Buffer) { Evaluation(w, &trigonev1.Evaluation{}, EvaluationOptions{}) }},
		{"compared-by-kind.golden", func(w *bytes.Buffer) {
			// One plan was not in force: its case counts below, and not among the things planned.
			late := proto.Clone(rich).(*trigonev1.Evaluation)
			late.PlanInForce = &trigonev1.PlanInForce{Timing: trigonev1.PlanTiming_PLAN_TIMING_RETROSPECTIVE}
			ComparedByKind(w, []*trigonev1.Evaluation{rich, late, {}})
		}},
		{"agreement-not-recorded.golden", func(w *bytes.Buffer) {
			early := &trigonev1.Evaluation{Discrepancies: rich.GetDiscrepancies()}
			Evaluation(w, early, EvaluationOptions{})
		}},
		{"discrepancies.golden", func(w *bytes.Buffer) { Discrepancies(w, many.GetDiscrepancies(), many.GetCounts()) }},
		{"no-discrepancies.golden", func(w *bytes.Buffer) { Discrepancies(w, nil, &trigonev1.DiscrepancyCounts{OperatedCaseCount: 1}) }},
		{"comparisons.golden", func(w *bytes.Buffer) {
			list := load(t, "comparisons.json", &trigonev1.ListComparisonsResponse{})
			Comparisons(w, list.GetComparisons(), list.GetCounts())
		}},
		{"no-comparisons.golden", func(w *bytes.Buffer) { Comparisons(w, nil, &trigonev1.ComparisonCounts{OperatedCaseCount: 1}) }},
		{"facts.golden", func(w *bytes.Buffer) { Facts(w, load(t, "facts.json", &trigonev1.ListCaseFactsResponse{}).GetFacts()) }},
		{"case.golden", func(w *bytes.Buffer) { Case(w, load(t, "case.json", &trigonev1.Case{})) }},
		{"submitted.golden", func(w *bytes.Buffer) { Submitted(w, load(t, "submitted.json", &trigonev1.SubmitCaseResponse{})) }},
		{"quarantined.golden", func(w *bytes.Buffer) {
			Submitted(w, &trigonev1.SubmitCaseResponse{QuarantineId: "q-1", Message: "The submit names a patient that is neither the case's nor a former one."})
		}},
		{"changes.golden", func(w *bytes.Buffer) {
			r := load(t, "changes.json", &trigonev1.ListChangesResponse{})
			Changes(w, r.GetChanges(), r.GetNextCursor())
		}},
		{"desk.golden", func(w *bytes.Buffer) {
			old, younger := "66", "61"
			q := &trigonev1.Quarantined{
				Summary: &trigonev1.QuarantinedSummary{
					QuarantineId: "1b8f9ab8-2d36-4925-a976-7a912c4ebb8c", State: trigonev1.QuarantineState_QUARANTINE_STATE_OPEN,
					ReceivedTime: timestamppb.New(time.Date(2026, 7, 23, 10, 0, 0, 0, time.UTC)), Caller: "engine-1", CaseName: "sites/harbour/cases/u", CaseChanged: true,
				},
				Etag: "3c9ccf09f439-3c9ccf09f439", Explanation: "It names another patient than the case: another number of the same system.",
				PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-2"}, CaseName: "sites/harbour/cases/u", CaseVersion: 2,
				CasePatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-1"}, Message: "2 of 2 sections stored (1 as older than the head); contradictions 0, cautions 1, notes 0.",
				Sections: []*trigonev1.SectionReceipt{
					{Section: "identity", Outcome: trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED},
					{Section: "plan", Outcome: trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER, Note: "Older than the head, which stands."},
				},
				Changes: []*trigonev1.FieldChange{
					{Section: "identity", Path: "age_years", OldValue: &old, NewValue: &younger}, {Section: "identity", Path: "height_cm", NewValue: &old},
				},
				ChangesLeftOut: 3,
			}
			Quarantined(w, q)
			q.Obstacle, q.Sections, q.Changes, q.ChangesLeftOut = "the case is retracted and takes no more sections", nil, nil, 0
			Quarantined(w, q)
			q.Summary.State, q.Decision = trigonev1.QuarantineState_QUARANTINE_STATE_DISCARDED, "of the bed beside"
			q.Summary.DecidedTime, q.Summary.DecidedCaller = q.Summary.ReceivedTime, "reviewer-1"
			Quarantined(w, q)
			Quarantine(w, []*trigonev1.QuarantinedSummary{q.GetSummary()})
			Quarantine(w, nil)
		}},
		{"metrics.golden", func(w *bytes.Buffer) {
			Metrics(w, load(t, "metrics.json", &trigonev1.ListMetricsResponse{}).GetMetrics())
		}},
		{"rules.golden", func(w *bytes.Buffer) { Rules(w, load(t, "rules.json", &trigonev1.ListRulesResponse{}).GetRules()) }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var w bytes.Buffer
			tt.print(&w)
			golden(t, tt.name, w.Bytes())
		})
	}
}

// What must never get lost on the way to the page.
func TestEvaluationSaysWhatMatters(t *testing.T) {
	rich := load(t, "rich.json", &trigonev1.Evaluation{})
	var w bytes.Buffer
	Evaluation(&w, rich, EvaluationOptions{})
	page := strings.Join(strings.Fields(w.String()), " ")
	for _, want := range []string{rich.GetCaution(), "range of an uncalibrated model, not advice", "3.1 to 13.9 mm"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, f := range rich.GetFindings() {
		if got := strings.Count(page, f.GetMessage()); got != 1 {
			t.Errorf("finding %s is printed %d times, not once", f.GetId(), got)
		}
	}
}

// A slip of the unit is a note and the cause of a contradiction, which must not
// be read among the notes only.
func TestAWeakerRootHidesNoContradiction(t *testing.T) {
	var w bytes.Buffer
	Findings(&w, &trigonev1.Evaluation{Findings: []*trigonev1.Finding{
		{Id: "c", Rule: "too-short", Severity: trigonev1.Severity_SEVERITY_CONTRADICTION, Message: "It cannot be.", Root: "n"},
		{Id: "n", Rule: "other-unit", Severity: trigonev1.Severity_SEVERITY_NOTE, Message: "It looks like cm."},
	}})
	page := w.String()
	contradiction, note := strings.Index(page, "It cannot be."), strings.Index(page, "  Note")
	if contradiction < 0 || note < contradiction || strings.Count(page, "It cannot be.") != 1 {
		t.Errorf("the contradiction stands once, before the notes:\n%s", page)
	}
	if !strings.Contains(page, "What may have caused it: other unit.") {
		t.Errorf("it does not name its cause:\n%s", page)
	}
}

// A finding whose root is in another severity stands under that root, and one
// whose root is not in the list stands alone: neither is lost.
func TestChildFindingsStandUnderTheirRoot(t *testing.T) {
	e := &trigonev1.Evaluation{Findings: []*trigonev1.Finding{
		{Id: "a", Rule: "root-rule", Severity: trigonev1.Severity_SEVERITY_CAUTION, Message: "The cause."},
		{Id: "b", Rule: "child-rule", Severity: trigonev1.Severity_SEVERITY_NOTE, Message: "The effect.", Root: "a"},
		{Id: "c", Rule: "orphan-rule", Severity: trigonev1.Severity_SEVERITY_NOTE, Message: "Another.", Root: "gone"},
	}}
	var w bytes.Buffer
	Findings(&w, e)
	page := w.String()
	cause, effect, orphan := strings.Index(page, "The cause."), strings.Index(page, "The effect."), strings.Index(page, "Another.")
	if cause < 0 || effect < cause || orphan < effect {
		t.Errorf("the order is not root, child, orphan:\n%s", page)
	}
}

// readSheet reads a file as a spreadsheet does, by a reader that is not ours; rows are
// given by the names of the header.
func readSheet(t *testing.T, write func(io.Writer) error) (header []string, rows []map[string]string) {
	t.Helper()
	var w bytes.Buffer
	if err := write(&w); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&w).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, name := range lines[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return lines[0], rows
}

func TestCSV(t *testing.T) {
	many := load(t, "discrepancies.json", &trigonev1.ListDiscrepanciesResponse{}).GetDiscrepancies()
	many[0].Lower, many[0].Upper = proto.Float64(6), proto.Float64(12.5)
	header, rows := readSheet(t, func(w io.Writer) error { return DiscrepanciesCSV(w, many, Sheet{CaseNumbers: true, Invented: true}) })
	if len(rows) != len(many) {
		t.Fatalf("%d rows for %d discrepancies", len(rows), len(many))
	}
	for _, tt := range []struct {
		row                int
		column, want, says string
	}{
		{0, "case_number", "MV-2026-008", "the number, where it was asked for"},
		{0, "incision_time", many[0].GetIncisionTime().AsTime().Format("2006-01-02 15:04:05"), "a time that a spreadsheet knows and sorts"},
		{0, "class", "ring_size", "the key"},
		{0, "class_words", "ring size", "its words beside it"},
		{0, "planned_low", "6", "a range has two columns"},
		{0, "planned_high", "12.5", "a range has two columns"},
		{0, "basis", "stored", "which judgement"},
		{0, "data", "invented", "the store says so"},
		{0, "difference", "-4", "a number with its sign is a number"},
		{1, "parent", "d-1", "an id"},
		{1, "tolerance", "1", "a number"},
		{1, "unit", "mm[Hg]", "UCUM"},
		{1, "unit_words", "mmHg", "as it is printed"},
		{1, "plan_timing", "prospective", "a word"},
		{1, "planned_low", "", "no range is no 0"},
		{2, "verdict", "not_evaluable", "a word"},
		{2, "verdict_words", "not evaluable", "as it is said"},
		{2, "actual_value", "", "absent is empty"},
	} {
		if got := rows[tt.row][tt.column]; got != tt.want {
			t.Errorf("%s: row %d, %s is %q, want %q", tt.says, tt.row, tt.column, got, tt.want)
		}
	}
	if said := slices.Index(header, "message"); header[0] != "case_number" || said < 0 || said > slices.Index(header, "class") || slices.Index(header, "id") < slices.Index(header, "verdict") {
		t.Errorf("what a person reads comes first, ids last: %v", header)
	}
	if header, rows = readSheet(t, func(w io.Writer) error { return DiscrepanciesCSV(w, many, Sheet{}) }); slices.Contains(header, "case_number") || rows[0]["data"] != "recorded" {
		t.Errorf("case numbers without being asked for, or data said to be invented: %v", header)
	}
}

// The mark stands before everything, once, and only where it was asked for.
func TestMarkOfASheet(t *testing.T) {
	for _, marked := range []bool{false, true} {
		var w bytes.Buffer
		if err := ImplantsCSV(&w, nil, Sheet{Mark: marked}); err != nil {
			t.Fatal(err)
		}
		if text, found := strings.CutPrefix(w.String(), "\xef\xbb\xbf"); found != marked || !strings.HasPrefix(text, "case_number,") {
			t.Errorf("marked %t: %q", marked, w.String())
		}
	}
}

// Columns and dictionary are made of one table: each column has its line, in order, with
// a meaning; the first line says what the file is.
func TestDictionaries(t *testing.T) {
	says := func(d protoreflect.Descriptor) string { return "says of " + string(d.Name()) }
	type sheet struct {
		name             string
		rows, dictionary func(io.Writer, Sheet) error
	}
	sheets := []sheet{
		{"discrepancies", func(w io.Writer, s Sheet) error { return DiscrepanciesCSV(w, nil, s) }, DiscrepanciesDictionary},
		{"comparisons", func(w io.Writer, s Sheet) error { return ComparisonsCSV(w, nil, s) }, ComparisonsDictionary},
		{"implants", func(w io.Writer, s Sheet) error { return ImplantsCSV(w, nil, s) }, ImplantsDictionary},
	}
	for _, rows := range FactRows {
		sheets = append(sheets, sheet{rows, func(w io.Writer, s Sheet) error { return FactsCSV(w, nil, rows, s) }, func(w io.Writer, s Sheet) error { return FactsDictionary(w, rows, s, says) }})
	}
	for _, tt := range sheets {
		for _, s := range []Sheet{{}, {CaseNumbers: true, Invented: true, Basis: trigonev1.Basis_BASIS_STORED}} {
			header, _ := readSheet(t, func(w io.Writer) error { return tt.rows(w, s) })
			_, lines := readSheet(t, func(w io.Writer) error { return tt.dictionary(w, s) })
			if first := lines[0]["meaning"]; lines[0]["column"] != "(the file)" || strings.Contains(first, "Invented cases") != s.Invented || !strings.Contains(first, "Profile department") {
				t.Errorf("%s: the first line is %v", tt.name, lines[0])
			}
			var names []string
			for _, l := range lines[1:] {
				names = append(names, l["column"])
				if l["meaning"] == "" {
					t.Errorf("%s: nobody says what %s means", tt.name, l["column"])
				}
			}
			if !slices.Equal(names, header) {
				t.Errorf("%s: the columns are %v, the dictionary has %v", tt.name, header, names)
			}
			if slices.Sort(names); len(slices.Compact(names)) != len(header) {
				t.Errorf("%s: a column stands twice: %v", tt.name, names)
			}
		}
	}
}

// The same message gives the same bytes, also through protojson's random blanks.
func TestJSONIsCanonical(t *testing.T) {
	rich := load(t, "rich.json", &trigonev1.Evaluation{})
	first, err := JSON(rich)
	if err != nil {
		t.Fatal(err)
	}
	back := &trigonev1.Evaluation{}
	if err := protojson.Unmarshal(first, back); err != nil {
		t.Fatal(err)
	}
	again, err := JSON(back)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, again) || !proto.Equal(rich, back) {
		t.Error("JSON does not come back as it went")
	}
}

func TestNumbers(t *testing.T) {
	tests := []struct {
		name  string
		value float64
		unit  string
		want  string
	}{
		{"binary noise of a grid is not printed", 0.1 + 0.2, "cm2", "0.3 cm²"},
		{"a whole number has no point", 38, "mm", "38 mm"},
		{"a pure number has no unit", 1.25, "1", "1.25"},
		{"UCUM becomes readable", 5.8, "mm[Hg]", "5.8 mmHg"},
		{"no negative zero", -0.0000001, "mm", "0 mm"},
		{"an unknown unit is printed as it is", 2, "furlong", "2 furlong"},
	}
	for _, tt := range tests {
		if got := quantity(tt.value, decimals(tt.value), tt.unit); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

func TestPlacesAndOccasions(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "p2": "P2", "p2/segment_mid": "P2", "p2/seam_lateral_edge": "P2, suture line, lateral edge", "a2_p2": "A2-P2", "p1_p2": "P1-P2",
		"lateral_commissure": "lateral commissure", "posterior": "posterior", "step:s-ring": "s-ring", "step:s-1/medial_side": "s-1, medial side",
		"test:ink-1/p2": "ink-1, P2", "lesion:flail-p2": "flail-p2",
	} {
		if got := place(in); got != want {
			t.Errorf("place %q is printed %q, want %q", in, got, want)
		}
	}
	for in, want := range map[string]string{
		"": "whole case", "plan": "plan", "assessment/tte": "assessment tte", "operation/run1/after_ring": "operation, run 1, after ring", "follow_up/discharge": "follow-up discharge",
	} {
		if got := occasion(in); got != want {
			t.Errorf("occasion %q is printed %q, want %q", in, got, want)
		}
	}
}

// The missing of an evaluation are leaves at a place of an occasion; an id with a
// hyphen stays as it is.
func TestMissing(t *testing.T) {
	tests := []struct {
		names []string
		known string
		want  string
	}{
		{nil, "", ""},
		{[]string{"mean_gradient"}, "", "mean gradient"},
		{[]string{"leaflet_height at p2/segment_mid of operation/run1/after_ring"}, "", "leaflet height at P2 of operation, run 1, after ring"},
		{[]string{"outflow_tract_diameter of result/off-1", "heart_rate of result/exit"}, "result/off-1", "outflow tract diameter and heart rate of result exit"},
		{[]string{"a", "b", "c"}, "", "a, b and c"},
	}
	for _, tt := range tests {
		if got := listed(tt.names, tt.known); got != tt.want {
			t.Errorf("%v with %q known: %q, want %q", tt.names, tt.known, got, tt.want)
		}
	}
}

func TestWord(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{Word(trigonev1.SectionState_SECTION_STATE_DISPUTED), "disputed"},
		{Word(trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL), "late arrival"},
		{Word(trigonev1.PlanTiming_PLAN_TIMING_UNSPECIFIED), ""},
		{Word(trigonev1.PlanTiming(99)), "unknown (99)"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}

// In a file of comma-separated values absent is empty and zero is zero.
func TestMessagesAsCSV(t *testing.T) {
	stored, restated := Sheet{Basis: trigonev1.Basis_BASIS_STORED}, Sheet{Basis: trigonev1.Basis_BASIS_RESTATED}
	read := func(write func(io.Writer) error) []map[string]string {
		t.Helper()
		_, rows := readSheet(t, write)
		return rows
	}
	want := func(why string, row map[string]string, column, value string) {
		t.Helper()
		if got, there := row[column]; !there || got != value {
			t.Errorf("%s: %s is %q (there: %t), want %q", why, column, got, there, value)
		}
	}
	facts := load(t, "facts.json", &trigonev1.ListCaseFactsResponse{}).GetFacts()
	cases := read(func(w io.Writer) error { return FactsCSV(w, facts, "cases", stored) })
	want("of what was answered", cases[0], "basis", "stored")
	want("a time", cases[0], "times_incision_time", "2026-04-21 08:25:00")
	want("a number that is zero", cases[0], "outcome_died_on_day", "0")
	want("a number that is absent", cases[1], "outcome_died_on_day", "")
	want("a word", cases[0], "times_plan_timing", "prospective")
	want("a word that is not recorded", cases[1], "repair_converted", "")
	want("a list of words", cases[0], "repair_techniques_done", "annuloplasty; artificial_chord; leaflet_resection")
	want("a list of messages", cases[0], "team_operators", "surgeon-1:surgeon; echo-2:echocardiographer")
	want("counts by verdict", cases[0], "counts_comparisons", "present:2; agrees:14")
	if _, there := cases[0]["echoes"]; there {
		t.Error("what a case may have several of is a column of the cases")
	}
	devices := read(func(w io.Writer) error { return FactsCSV(w, facts, "devices", restated) })
	want("a row that a case may have several of names its case", devices[0], "case_name", facts[0].GetCaseName())
	want("of another basis", devices[0], "basis", "restated")
	want("sizers", devices[0], "sizers", "28:fits; 30:too_large")
	echoes := read(func(w io.Writer) error { return FactsCSV(w, facts, "echoes", stored) })
	want("no regurgitation has the rank 0", echoes[0], "grade_rank", "0")
	want("a message inside", echoes[0], "grade_scheme", "five_step")

	list := load(t, "comparisons.json", &trigonev1.ListComparisonsResponse{}).GetComparisons()
	comparisons := read(func(w io.Writer) error { return ComparisonsCSV(w, list, restated) })
	if len(comparisons) != len(list) {
		t.Errorf("%d lines for %d comparisons", len(comparisons), len(list))
	}
	want("basis of a comparison", comparisons[0], "basis", "restated")
	want("verdict", comparisons[0], "verdict", "agrees")
	want("said of every line", comparisons[6], "agreements_recorded", "false")
}

// A prediction is held against the first set off bypass and that on leaving theatre:
// the two lines differ, whatever the verdict.
func TestPredictionNamesItsSet(t *testing.T) {
	for kind := range trigonev1.ComparisonKind_name {
		c := &trigonev1.Comparison{
			Kind: trigonev1.ComparisonKind(kind), Metric: "coaptation_length", Place: "a2_p2", Stage: trigonev1.Stage_STAGE_OFF_BYPASS,
			Verdict: trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_APPLICABLE, NotApplicableBecause: "restricted leaflet motion",
		}
		off := comparisonCells(c)
		c.Stage = trigonev1.Stage_STAGE_LEAVING_THEATRE
		if leaving := comparisonCells(c); ofPrediction(c) != (!reflect.DeepEqual(off, leaving)) {
			t.Errorf("%s: %v and %v", c.GetKind(), off, leaving)
		}
	}
}

// An explanation speaks of ids, places and occasions as a sentence does.
func TestExplanationsAreReadable(t *testing.T) {
	for said, want := range map[string]string{
		"P2 as measured: operation/run1/after_leaflet_work":              "P2 as measured: operation, run 1, after leaflet work",
		"leaflet_height at p2/seam 1.20 mm assumed":                      "leaflet height at P2, suture line 1.20 mm assumed",
		"ring_inner_antero_posterior_diameter at step:p-ring 1.00 mm":    "ring inner antero-posterior diameter at p-ring 1.00 mm",
		"coaptation_depth at a2_p2 (not measured)":                       "coaptation depth at A2-P2 (not measured)",
		"chords hold the closure line where it was found: result/exit":   "chords hold the closure line where it was found: result exit",
		"leaflet_height at a2/segment_mid 2.10 mm":                       "leaflet height at A2 2.10 mm",
		"a count, no probability; aorto-mitral angle 130.0° (below 120)": "a count, no probability; aorto-mitral angle 130.0° (below 120)",
	} {
		if got := readable(said); got != want {
			t.Errorf("%q is read as %q, want %q", said, got, want)
		}
	}
}
