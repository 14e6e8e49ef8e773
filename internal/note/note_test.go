package note_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/note"
	"trigone/internal/policy"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func read(t *testing.T, folder, name string) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(folder, name)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// disputed is a case whose exit echo has a peak gradient below the mean one.
func disputed(t *testing.T) *trigonev1.CaseFile {
	t.Helper()
	file := read(t, testdata.Cases, "disputed-corrected")
	file.Results = read(t, testdata.Submits, "disputed-gradient-first").GetResults()
	return file
}

func builtIn(t *testing.T) policy.Policy {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// evaluated gives a case as the service has it, not stored.
func evaluated(t *testing.T, file *trigonev1.CaseFile) *trigonev1.Case {
	t.Helper()
	e, err := casebook.EvaluateFile(builtIn(t), file, "1.0")
	if err != nil {
		t.Fatal(err)
	}
	return &trigonev1.Case{State: trigonev1.CaseState_CASE_STATE_ACTIVE, CaseFile: file, Evaluation: e}
}

// build gives the note of a case file with its annex.
func build(t *testing.T, file *trigonev1.CaseFile) note.Note {
	t.Helper()
	return buildWith(t, file, handover.NoteOptions{Annex: true})
}

func buildWith(t *testing.T, file *trigonev1.CaseFile, o handover.NoteOptions) note.Note {
	t.Helper()
	n, err := handover.NoteOfFile(builtIn(t), file, "1.0", o)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func html(t *testing.T, n note.Note) string {
	t.Helper()
	out, err := note.HTML(n)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// The goldens were read as a surgeon would read them; what each is for stands in
// the case's row of testdata/README.md.
func TestGoldens(t *testing.T) {
	cases := map[string]*trigonev1.CaseFile{"disputed": disputed(t), "plan-sheet": planOnly(t)}
	for _, name := range []string{
		"triangular-complete-ring", "missing-measurements", "ring-exchanged", "commissural-conversion", "billowing-second-run",
		"several-differences", "plan-signed-late", "chord-rupture-sliding",
	} {
		cases[name] = read(t, testdata.Cases, name)
	}
	for name, file := range cases {
		n := build(t, file)
		for ending, got := range map[string]string{".txt": string(note.Text(n)), ".html": html(t, n)} {
			path := filepath.Join("testdata", name+ending)
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
					t.Fatal(err)
				}
				continue
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs from the golden file; read the difference and run with -update", path)
			}
		}
	}
}

// planOnly is a case before its operation.
func planOnly(t *testing.T) *trigonev1.CaseFile {
	t.Helper()
	file := read(t, testdata.Cases, "several-differences")
	file.Operation, file.Results, file.FollowUps = nil, nil, nil
	return file
}

// A case without an operation is no operative note: it has a plan sheet, or nothing.
func TestNoOperativeNoteWithoutAnOperation(t *testing.T) {
	n := build(t, planOnly(t))
	text := joinedLines(string(note.Text(n)))
	for _, want := range []string{"Plan sheet: mitral valve operation", "It is no operative note.", "operation not yet operated on", "What is planned", "Transfer of two native chords from P2 to A2."} {
		if !strings.Contains(text, want) {
			t.Errorf("the plan sheet does not say %q:\n%s", want, text)
		}
	}
	for _, never := range []string{"Operative note", "Procedure performed", "Draft for signature"} {
		if strings.Contains(text, never) {
			t.Errorf("the plan sheet says %q", never)
		}
	}
	file := read(t, testdata.Cases, "core-only")
	file.Operation, file.Plan = nil, nil
	if _, err := note.Build(note.Input{Case: evaluated(t, file)}); !errors.Is(err, note.ErrNoOperation) {
		t.Errorf("a case with neither: %v", err)
	}
}

func TestEmptyOperationSaysSo(t *testing.T) {
	whole := read(t, testdata.Cases, "core-only")
	text := string(note.Text(build(t, &trigonev1.CaseFile{
		ExternalIdentifier: whole.GetExternalIdentifier(), PatientIdentifier: whole.GetPatientIdentifier(),
		Identity: &trigonev1.Identity{}, Operation: &trigonev1.Operation{},
	})))
	for _, want := range []string{
		"sex not recorded", "operation not recorded", "Mitral valve operation.", "Time of incision: ____", "Saline test: ____",
		"Grade of mitral regurgitation before the operation: ____", "Blood loss: ____", "Not recorded.", "A ring or band is not recorded.",
		"Follow-up is not recorded.", "The record holds no open contradiction.", "not a medical device",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the note of an empty operation does not say %q:\n%s", want, text)
		}
	}
	if found := quantityPattern.FindString(joinedLines(text)); found != "" {
		t.Errorf("the note of an empty operation has the number %s", found)
	}
}

func TestNoNoteOfARetractedOrUnevaluatedCase(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "core-only"))
	c.State = trigonev1.CaseState_CASE_STATE_RETRACTED
	if _, err := note.Build(note.Input{Case: c}); !errors.Is(err, note.ErrRetracted) {
		t.Errorf("a retracted case: %v", err)
	}
	c.State = trigonev1.CaseState_CASE_STATE_MERGED
	if _, err := note.Build(note.Input{Case: c}); !errors.Is(err, note.ErrRetracted) {
		t.Errorf("a merged case: %v", err)
	}
	c.State, c.Evaluation = trigonev1.CaseState_CASE_STATE_ACTIVE, nil
	if _, err := note.Build(note.Input{Case: c}); !errors.Is(err, note.ErrNoEvaluation) {
		t.Errorf("a case without an evaluation: %v", err)
	}
}

func TestDisputedAndConfirmedValuesAreMarked(t *testing.T) {
	c := evaluated(t, disputed(t))
	words := func() string {
		n, err := note.Build(note.Input{Site: "harbour", Case: c, Annex: true})
		if err != nil {
			t.Fatal(err)
		}
		return joinedLines(string(note.Text(n)))
	}
	mean := strings.Replace(units.Format(c.GetCaseFile().GetResults()[0].GetStudy().GetGradient().GetMeanGradient().GetMmhg(), units.MMHg, 0.1), ".0", "", 1)
	open := words()
	if !strings.Contains(open, "Mean gradient "+mean+" [disputed]") || !strings.Contains(open, "Open contradictions: the values named are disputed") || !strings.Contains(open, "Peak gradient below mean: ") {
		t.Errorf("the disputed gradient is not marked:\n%s", open)
	}
	for _, f := range c.GetEvaluation().GetFindings() {
		if f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION {
			f.Confirmed = true
			c.Confirmations = append(c.Confirmations, &trigonev1.Confirmation{
				FindingId: f.GetId(), State: trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING, Reason: "a secret of the reviewer",
				Time: c.GetCaseFile().GetOperation().GetEndTime(),
			})
		}
	}
	confirmed := words()
	if strings.Contains(confirmed, "[disputed") || !strings.Contains(confirmed, "Mean gradient "+mean+" [confirmed by a reviewer]") ||
		!strings.Contains(confirmed, "Confirmed by a reviewer on ") || !strings.Contains(confirmed, "The record holds no open contradiction.") {
		t.Errorf("the confirmed gradient is not marked as such:\n%s", confirmed)
	}
	if strings.Contains(confirmed, "a secret of the reviewer") {
		t.Error("the reviewer's words are never handed on")
	}
}

// A slip stands as it was typed, and nobody signs it unread: the mark stands behind the
// number until a reviewer has confirmed it.
func TestSlipsAreMarked(t *testing.T) {
	file := read(t, testdata.Cases, "triangular-complete-ring")
	for _, r := range file.GetResults() {
		for _, s := range r.GetStudy().GetLeaflets().GetCoaptation() {
			s.CoaptationLength = &trigonev1.Length{Mm: proto.Float64(0.75)}
		}
	}
	c := evaluated(t, file)
	words := func() string {
		n, err := note.Build(note.Input{Site: "harbour", Case: c})
		if err != nil {
			t.Fatal(err)
		}
		return joinedLines(string(note.Text(n)))
	}
	if text := words(); !strings.Contains(text, " [as typed: check the unit]") || !strings.Contains(text, "[as typed: check the unit] stands behind what may have been typed in another unit") {
		t.Errorf("the slip is not marked:\n%s", text)
	}
	for _, f := range c.GetEvaluation().GetFindings() {
		f.Confirmed = f.GetKind() == trigonev1.RuleKind_RULE_KIND_SLIP
	}
	if text := words(); strings.Contains(text, "check the unit") || !strings.Contains(text, "[confirmed by a reviewer]") {
		t.Errorf("the confirmed slip:\n%s", text)
	}
	if text := words(); strings.Contains(text, "[disputed]") {
		t.Errorf("a slip is not disputed:\n%s", text)
	}
}

// quantityPattern finds a number with its unit; minutes and years are times of the
// note's own reckoning.
var quantityPattern = regexp.MustCompile(`(\d+(?:\.\d+)?) ?(mmHg|mm|cm²|cm/s|cm|mL|ms|kg|%|°|/min)(?:[^²/\w]|$)`)

// unitOf gives the unit that the end of a field's name says.
var unitOf = []struct{ ending, text string }{
	{"mmhg", "mmHg"}, {"cm2", "cm²"}, {"cm_per_s", "cm/s"}, {"per_min", "/min"}, {"percent", "%"},
	{"mm", "mm"}, {"ml", "mL"}, {"ms", "ms"}, {"kg", "kg"}, {"deg", "°"}, {"cm", "cm"},
}

func joinedLines(s string) string { return strings.Join(strings.Fields(s), " ") }

// quantitiesOf collects every number of a message by its unit, those that its
// sentences say included.
func quantitiesOf(m protoreflect.Message, into map[string][]float64) {
	unit := ""
	if d := m.Descriptor().Fields().ByName("unit"); d != nil && d.Kind() == protoreflect.StringKind {
		for _, u := range units.Units() {
			if u.UCUM() == m.Get(d).String() {
				unit = u.Text()
			}
		}
	}
	m.Range(func(d protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case d.Kind() == protoreflect.DoubleKind && !d.IsList():
			u := unit
			for _, of := range unitOf {
				if u == "" && strings.HasSuffix(string(d.Name()), of.ending) {
					u = of.text
				}
			}
			into[u] = append(into[u], v.Float())
		case d.Kind() == protoreflect.StringKind && !d.IsList():
			for _, said := range quantityPattern.FindAllStringSubmatch(v.String(), -1) {
				if n, err := strconv.ParseFloat(said[1], 64); err == nil {
					into[said[2]] = append(into[said[2]], n)
				}
			}
		case d.Message() != nil && d.IsList():
			for i := range v.List().Len() {
				quantitiesOf(v.List().Get(i).Message(), into)
			}
		case d.Message() != nil && !d.IsMap():
			quantitiesOf(v.Message(), into)
		}
		return true
	})
}

// quotation is free text of the record, which the note quotes as it stands, or the
// name of a range.
var quotation = regexp.MustCompile(`“[^”]*”|95 % range`)

// invented gives the numbers of a text that no value of the case rounds to.
func invented(text string, known map[string][]float64) (list []string, n int) {
	for _, m := range quantityPattern.FindAllStringSubmatch(quotation.ReplaceAllString(joinedLines(text), ""), -1) {
		n++
		shown, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return []string{m[0]}, n
		}
		_, fraction, _ := strings.Cut(m[1], ".")
		half := 0.5*math.Pow10(-len(fraction)) + 1e-9
		if !slices.ContainsFunc(known[m[2]], func(v float64) bool { return math.Abs(math.Abs(v)-shown) <= half }) {
			list = append(list, m[0])
		}
	}
	return list, n
}

// Every number with a unit in a note is a value of the record or of its evaluation,
// under the same unit.
func TestNumbersAreOfTheRecord(t *testing.T) {
	total := 0
	for _, name := range append(testdata.Names(testdata.Cases), "disputed") {
		file := disputed(t)
		if name != "disputed" {
			file = read(t, testdata.Cases, name)
		}
		c := evaluated(t, file)
		known := map[string][]float64{}
		quantitiesOf(c.ProtoReflect(), known)
		text := string(note.Text(build(t, file)))
		wrong, n := invented(text, known)
		for _, w := range wrong {
			t.Errorf("%s: %s is no value of the case", name, w)
		}
		total += n
	}
	if total < 800 {
		t.Errorf("only %d numbers were looked at; the pattern misses them", total)
	}
	if wrong, _ := invented("coaptation length 7.3 mm", map[string][]float64{"mm": {7.2, 7.36}, "mmHg": {7.3}}); len(wrong) != 1 {
		t.Error("an invented number is not caught")
	}
}

// A value that is withdrawn is no longer in the note.
func TestWithdrawnValueIsGone(t *testing.T) {
	file := read(t, testdata.Cases, "triangular-complete-ring")
	resection := file.GetOperation().GetSteps()[0].GetTechnique().GetLeafletResection()
	if resection == nil {
		t.Fatal("the first step is no resection")
	}
	resection.ResectionFreeEdgeWidth = nil
	text := joinedLines(string(note.Text(build(t, file))))
	if !strings.Contains(text, "Triangular resection at P2: width along the free edge: ____") {
		t.Errorf("the note does not ask for the width that is missing:\n%s", text)
	}
}

func TestSameCaseSameBytes(t *testing.T) {
	for _, name := range []string{"billowing-second-run", "missing-measurements"} {
		a, b := build(t, read(t, testdata.Cases, name)), build(t, read(t, testdata.Cases, name))
		if !bytes.Equal(note.Text(a), note.Text(b)) || html(t, a) != html(t, b) {
			t.Errorf("%s: two notes of one case differ", name)
		}
		first := pdf(t, a)
		for range 3 {
			if !bytes.Equal(first, pdf(t, b)) {
				t.Fatalf("%s: two PDFs of one case differ", name)
			}
		}
		if !bytes.Contains(first, []byte("/CreationDate (D:"+a.Created.UTC().Format("20060102150405"))) {
			t.Errorf("%s: the PDF was not made at the time of the record, %s", name, a.Created.Format(time.RFC3339))
		}
	}
}

const hostile = `<script>alert("x")</script><img src=x onerror=alert(1)> & </div> javascript:` + "\x01\u202e\x00 Łukasz ≥ 5 🫀\nsecond line"

// withHostileText puts a text into every free text of a case.
func withHostileText(file *trigonev1.CaseFile) {
	file.Plan.Rationale = hostile
	file.Plan.Steps[0].Rationale = hostile + "1"
	file.Assessments[0].Note = hostile + "2"
	file.Operation.Note = hostile + "3"
	file.Operation.Steps[0].ReasonText = hostile + "4"
	file.Operation.Runs[0].ReasonText = hostile + "5"
	file.Results[0].DecisionText = hostile + "6"
	file.FollowUps[0].Note = hostile + "7"
}

var tagPattern = regexp.MustCompile(`<\s*/?\s*([a-zA-Z!][a-zA-Z0-9]*)`)

func TestFreeTextIsEscaped(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "billowing-second-run"))
	withHostileText(c.GetCaseFile())
	n, err := note.Build(note.Input{Site: "harbour", Case: c, Annex: true})
	if err != nil {
		t.Fatal(err)
	}
	known := []string{
		"!DOCTYPE", "html", "head", "meta", "title", "style", "body", "header", "main", "footer", "section", "h1", "h2", "h3", "p", "ul", "ol", "li",
		"table", "caption", "thead", "tbody", "tr", "th", "td", "div", "span", "br",
		"figure", "svg", "desc", "g", "path", "rect", "circle", "text",
	}
	page := strings.ReplaceAll(html(t, n), `xmlns="http://www.w3.org/2000/svg"`, "") // a name, which nobody fetches
	for _, m := range tagPattern.FindAllStringSubmatch(page, -1) {
		if !slices.Contains(known, m[1]) {
			t.Errorf("the page has an element %s", m[1])
		}
	}
	for i := range 7 {
		if want := "second line" + strconv.Itoa(i+1); !strings.Contains(page, want) {
			t.Errorf("the free text that ends in %q is not in the note", want)
		}
	}
	if !strings.Contains(page, "&lt;script&gt;") || strings.ContainsAny(page, "\x00\x01\u202e") {
		t.Error("a free text is not escaped, or a control character is left")
	}
	if !strings.Contains(page, `http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; style-src &#39;sha256-`) {
		t.Error("the page does not forbid what it does not need")
	}
	for _, fetched := range []string{"http://", "https://", "url(", "src="} {
		if i := strings.Index(strings.ReplaceAll(page, "src=x onerror", ""), fetched); i >= 0 {
			t.Errorf("the page may fetch something: %s", page[max(0, i-40):i+40])
		}
	}
	for _, s := range n.Words().Sections {
		div, err := note.Narrative(s.Blocks)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, s.Key, div)
	}
	text := string(note.Text(n))
	if !strings.Contains(joinedLines(text), `“<script>alert("x")</script>`) {
		t.Error("the text form does not quote the free text as it is")
	}
	// A PDF of them is made, and says what the font has no sign for.
	strings := stringsOf(t, pdf(t, n))
	if !slices.ContainsFunc(strings, func(s string) bool { return bytes.Contains([]byte(s), []byte("Łukasz")) }) ||
		!slices.ContainsFunc(strings, func(s string) bool { return bytes.Contains([]byte(s), []byte("[U+1FAC0]")) }) {
		t.Error("the PDF loses signs of a free text")
	}
}

// wellFormed parses XHTML as XML, without HTML's leniency.
func wellFormed(t *testing.T, where, div string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(div))
	d.Strict = true
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("%s: %v in\n%s", where, err, div)
		}
	}
}

// Headings, tables and language are what a screen reader needs.
func TestPageIsAccessible(t *testing.T) {
	page := html(t, build(t, read(t, testdata.Cases, "ring-exchanged")))
	if strings.Count(page, "<h1>") != 1 || !strings.Contains(page, `<html lang="en">`) || !strings.Contains(page, "<main>") {
		t.Error("the page has no single heading, language or main part")
	}
	for _, table := range strings.Split(page, "<table>")[1:] {
		head, _, _ := strings.Cut(table, "</table>")
		if !strings.Contains(head, `<th scope="col">`) || !strings.Contains(head, `<th scope="row">`) {
			t.Errorf("a table has no headers:\n%s", head)
		}
		if strings.Contains(head, `<th scope="col"></th>`) {
			t.Errorf("a column has no name:\n%s", head)
		}
	}
}

func TestTextIsNarrow(t *testing.T) {
	for _, name := range testdata.Names(testdata.Cases) {
		for line := range strings.Lines(string(note.Text(build(t, read(t, testdata.Cases, name))))) {
			if n := len([]rune(strings.Trim(line, "\f\n"))); n > 96 {
				t.Errorf("%s: a line of %d columns: %s", name, n, line)
			}
		}
	}
}

// A plan signed in time judges although a later revision is the head: the note
// speaks of the one in force.
func TestPlanInForceIsNotTheHead(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "triangular-complete-ring"))
	inForce := c.GetCaseFile().GetPlan()
	head := proto.CloneOf(inForce)
	head.Rationale = "written after the operation"
	c.CaseFile.Plan = head
	n, err := note.Build(note.Input{Case: c, Annex: true, Plans: []note.PlanRevision{{Number: 1, Plan: inForce}, {Number: 2, Plan: head}}})
	if err != nil {
		t.Fatal(err)
	}
	text := joinedLines(string(note.Text(n)))
	if !strings.Contains(text, "The plan in force is revision 1") || !strings.Contains(text, "The record holds 2 revisions of the plan.") ||
		strings.Contains(text, "written after the operation") {
		t.Errorf("the note does not speak of the plan in force:\n%s", text)
	}

	// Without its revisions the head is not taken for the plan in force.
	c.Sections = []*trigonev1.SectionStatus{{Section: "plan", Revision: 2, State: trigonev1.SectionState_SECTION_STATE_ACCEPTED}}
	if n, err = note.Build(note.Input{Case: c, Annex: true}); err != nil {
		t.Fatal(err)
	}
	text = joinedLines(string(note.Text(n)))
	if !strings.Contains(text, "The plan in force is revision 1, which is not at hand.") || strings.Contains(text, "written after the operation") {
		t.Errorf("the head is taken for the plan in force:\n%s", text)
	}
}

// In May London is an hour ahead of UTC (IANA time zone database, Europe/London).
func TestTimesAreOfTheSitesZone(t *testing.T) {
	file := read(t, testdata.Cases, "ring-exchanged")
	incision := file.GetOperation().GetIncisionTime().AsTime()
	if incision.Format(time.RFC3339) != "2026-05-05T08:25:00Z" {
		t.Fatalf("the case begins at %s", incision)
	}
	text := joinedLines(string(note.Text(build(t, file))))
	if !strings.Contains(text, "Incision 09:25;") || !strings.Contains(text, "Date of operation 5 May 2026") || !strings.Contains(text, "Times are those of the zone Europe/London.") {
		t.Errorf("the incision is not told in the site's zone:\n%s", text)
	}
}

// How neochordae, implants and systolic anterior motion are told.
func TestSentencesOfTheTrade(t *testing.T) {
	text := joinedLines(string(note.Text(buildWith(t, read(t, testdata.Cases, "billowing-second-run"), handover.NoteOptions{}))))
	for _, want := range []string{
		"Neochordae: two pairs (four strands), expanded polytetrafluoroethylene CV-5, 16 mm, anterolateral (posterior head), to P2,",
		"Serial number SN-260127-1-38", "Label attached ____",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the note does not say %q:\n%s", want, text)
		}
	}
	if n := strings.Count(strings.ToLower(text), "systolic anterior motion"); n != 1 || strings.Count(strings.ToLower(text), "anterior motion") < 3 {
		t.Errorf("systolic anterior motion is spelled out %d times:\n%s", n, text)
	}
	if strings.Contains(text, "gone on again") || strings.Contains(text, "100 %") || strings.Contains(text, " at off ") {
		t.Errorf("the note has a sentence that does not read:\n%s", text)
	}
}

// What identifies an implant, and complications, say 'not recorded' in their place;
// everything else that is missing is asked for once, at the end.
func TestMissingIsAskedForOnce(t *testing.T) {
	for _, name := range testdata.Names(testdata.Cases) {
		n := buildWith(t, read(t, testdata.Cases, name), handover.NoteOptions{})
		asked := map[string]bool{}
		for _, s := range n.Sections {
			for _, b := range s.Blocks {
				if b.Fill != "" {
					if asked[b.Fill] {
						t.Errorf("%s: %q is asked for twice", name, b.Fill)
					}
					asked[b.Fill] = true
				}
				switch s.Key {
				case note.KeyRing, note.KeyComplications, note.KeyPeople, note.KeyNotRecorded:
					continue
				}
				if strings.Contains(quotation.ReplaceAllString(b.Paragraph, ""), "not recorded") {
					t.Errorf("%s: %s says in its place: %s", name, s.Key, b.Paragraph)
				}
			}
		}
	}
}

// A valve that was to be replaced was not converted.
func TestIntendedReplacementIsNoConversion(t *testing.T) {
	file := read(t, testdata.Cases, "commissural-conversion")
	file.GetOperation().GetSetting().IntendedProcedure = &trigonev1.IntendedProcedure{Kind: trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPLACEMENT}
	text := joinedLines(string(note.Text(buildWith(t, file, handover.NoteOptions{}))))
	if !strings.Contains(text, "Mitral valve replacement (biological prosthesis, labelled size 29)") || strings.Contains(text, "Converted") || strings.Contains(text, "given up") {
		t.Errorf("a replacement that was intended is told as a conversion:\n%s", text)
	}
}
