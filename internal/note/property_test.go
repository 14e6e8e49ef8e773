package note_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/note"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// slips are what a sentence put together from parts must never show.
var slips = regexp.MustCompile(`\.\.|,,|;;| [,;.]|: \.|\( ?\)|%!|<nil>|unspecified| {2}|;\.|,\.|:\.| not recorded not recorded`)

// addresses are the fields without which a case is refused: they say what an entry
// is about.
var addresses = []protoreflect.Name{"id", "patient_identifier", "number", "segment", "commissure", "slice", "scheme", "value", "kind"}

// withdraw clears some fields of a message, at any depth.
func withdraw(source *rand.Rand, m protoreflect.Message, chance int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		d := fields.Get(i)
		if !m.Has(d) || slices.Contains(addresses, d.Name()) {
			continue
		}
		if source.IntN(100) < chance {
			m.Clear(d)
			continue
		}
		switch {
		case d.Message() != nil && d.IsList():
			for j := range m.Get(d).List().Len() {
				withdraw(source, m.Get(d).List().Get(j).Message(), chance)
			}
		case d.Message() != nil && !d.IsMap():
			withdraw(source, m.Mutable(d).Message(), chance)
		}
	}
}

// Whatever is missing from a case, its note reads, invents no number and can be
// written in every form.
func TestAnyPartMayBeMissing(t *testing.T) {
	clinical := builtIn(t)
	names := testdata.Names(testdata.Cases)
	files := map[string]*trigonev1.CaseFile{}
	for _, name := range names {
		files[name] = read(t, testdata.Cases, name)
	}
	refused, built := 0, 0
	for i := range 100 {
		name := names[i%len(names)]
		source := rand.New(rand.NewPCG(uint64(i), 1))
		file := proto.CloneOf(files[name])
		withdraw(source, file.ProtoReflect(), []int{3, 15, 40}[i%3])
		file.PatientIdentifier = files[name].GetPatientIdentifier()
		e, err := casebook.EvaluateFile(clinical, file, "1.0")
		if err != nil {
			refused++
			continue
		}
		built++
		c := &trigonev1.Case{State: trigonev1.CaseState_CASE_STATE_ACTIVE, CaseFile: file, Evaluation: e}
		n, err := note.Build(note.Input{Site: "harbour", Case: c, Annex: i%2 == 0, WithQueries: i%3 == 0})
		if errors.Is(err, note.ErrNoOperation) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range sentencesOf(n) {
			if slip := slips.FindString(s); slip != "" {
				t.Errorf("%s, seed %d: %q in: %s", name, i, slip, s)
			}
		}
		known := map[string][]float64{}
		quantitiesOf(c.ProtoReflect(), known)
		wrong, _ := invented(string(note.Text(n)), known)
		for _, w := range wrong {
			t.Errorf("%s, seed %d: %s is no value of the case", name, i, w)
		}
		if _, err := note.HTML(n); err != nil {
			t.Fatal(err)
		}
		for _, s := range n.Sections {
			for _, b := range s.Blocks {
				if b.Table == nil {
					continue
				}
				for _, row := range b.Table.Rows {
					if len(row) != len(b.Table.Header) {
						t.Errorf("a row of %d cells under %d names in %s", len(row), len(b.Table.Header), s.Key)
					}
				}
			}
		}
	}
	if built < 60 {
		t.Errorf("%d cases were built and %d refused", built, refused)
	}
}

// sentencesOf gives every text of a note.
func sentencesOf(n note.Note) []string {
	list := slices.Concat([]string{n.Title}, n.Status, n.Footer)
	for _, f := range n.Subject {
		list = append(list, f.Value)
	}
	for _, s := range n.Sections {
		for _, b := range s.Blocks {
			list = append(list, b.Subheading, b.Paragraph, b.Fill)
			if b.List != nil {
				for _, i := range b.List.Items {
					list = append(append(list, i.Text), i.Sub...)
				}
			}
			if b.Table != nil {
				list = append(append(list, b.Table.Caption), b.Table.Header...)
				for _, row := range b.Table.Rows {
					list = append(list, row...)
				}
			}
		}
	}
	return list
}

// A contradiction that names no measured value is marked where the section speaks.
func TestContradictoryTimesAreMarked(t *testing.T) {
	file := read(t, testdata.Cases, "triangular-complete-ring")
	op := file.GetOperation()
	op.FirstLeafletCutTime = timestamppb.New(op.GetIncisionTime().AsTime().Add(-time.Hour))
	op.Runs[0].ClampEnd = timestamppb.New(op.GetRuns()[0].GetBypassEnd().AsTime().Add(time.Hour))
	text := joinedLines(string(note.Text(build(t, file))))
	for _, want := range []string{"end of the operation 11:40 [disputed].", "1 [disputed] 90 min", "Incision after first leaflet cut: ", "Cross-clamp outside bypass: "} {
		if !strings.Contains(text, want) {
			t.Errorf("the note does not say %q:\n%s", want, text)
		}
	}
}

func TestRetractedSectionsAreNamed(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "core-only"))
	c.Sections = []*trigonev1.SectionStatus{
		{Section: "result/off-2", State: trigonev1.SectionState_SECTION_STATE_RETRACTED},
		{Section: "plan", State: trigonev1.SectionState_SECTION_STATE_ACCEPTED},
	}
	n, err := note.Build(note.Input{Case: c, Annex: true})
	if err != nil {
		t.Fatal(err)
	}
	if text := joinedLines(string(note.Text(n))); !strings.Contains(text, "Left out because they were retracted: result/off-2.") {
		t.Errorf("a retracted section is not named:\n%s", text)
	}
}

// What the software was asked stands in the annex, or in the body if it is asked for,
// and in neither else.
func TestQuestionsStandWhereTheyAreAskedFor(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "triangular-complete-ring"))
	op := c.GetCaseFile().GetOperation()
	for _, s := range op.GetSteps() {
		if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
			s.AdviceIds = []string{"question-7"}
			ring.RingInnerAnteroPosteriorDiameter = &trigonev1.Length{Mm: proto.Float64(27)}
		}
	}
	c.CaseFile.Advice = []*trigonev1.Advice{{
		Id: "question-7", Time: op.GetFirstLeafletCutTime(), Freedom: &trigonev1.Freedom{Ranges: []*trigonev1.FreedomRange{{
			Leaf: string(valve.RingInnerAnteroPosteriorDiameter), State: trigonev1.MetricState_METRIC_STATE_VALUE,
			Lower: proto.Float64(20), Upper: proto.Float64(26),
		}}},
	}}
	for _, tt := range []struct {
		why            string
		annex, queries bool
		want           string // body, annex or neither
	}{
		{"a note for signature does not speak of software", false, false, "neither"},
		{"the annex does", true, false, "annex"},
		{"the surgeon wants it in the note", false, true, "body"},
		{"it is said once", true, true, "body"},
	} {
		n, err := note.Build(note.Input{Case: c, Annex: tt.annex, WithQueries: tt.queries})
		if err != nil {
			t.Fatal(err)
		}
		got := "neither"
		for _, s := range n.Sections {
			if s.Key == note.KeyQuestions {
				if got != "neither" {
					t.Errorf("%s: it is said twice", tt.why)
				}
				if got = "body"; s.Annex {
					got = "annex"
				}
			}
		}
		// What was done counts: a step that cites an answer and did otherwise did not follow it.
		const not = "Semi-rigid complete ring: not followed: inner antero-posterior diameter of the ring 27.0 mm, answered 20.0 to 26.0 mm."
		text := joinedLines(string(note.Text(n)))
		if said := strings.Contains(text, "Question question-7") && strings.Contains(text, not); got != tt.want || said != (tt.want != "neither") {
			t.Errorf("%s: it stands in %s, want %s", tt.why, got, tt.want)
		}
	}
}

// What is signed holds no finding of a rule, no range of the model, no version of
// software, nothing that came after the operation and no word of judgement.
func TestTheBodyIsTheSurgeons(t *testing.T) {
	never := regexp.MustCompile(`(?i)trigone\b|catalogue|rule set|policy|calibrat|95 %|predict|deviation|tolerance|outside the|cannot tell|discharge|follow-up|limit of|advice|\bdiscrepanc`)
	for _, name := range testdata.Names(testdata.Cases) {
		file := read(t, testdata.Cases, name)
		n := buildWith(t, file, handover.NoteOptions{})
		for _, s := range n.Sections {
			if s.Annex {
				t.Errorf("%s: %s stands in a note that was asked for without an annex", name, s.Key)
			}
		}
		for _, s := range sentencesOf(n) {
			if found := never.FindString(quotation.ReplaceAllString(s, "")); found != "" {
				t.Errorf("%s: the body says %q: %s", name, found, s)
			}
		}
		if len(file.GetFollowUps()) > 0 && !strings.Contains(string(note.Text(build(t, file))), "After leaving theatre") {
			t.Errorf("%s: the annex does not tell the follow-up", name)
		}
	}
}

// Every page of a text has a head, and no page begins or ends with a heading alone.
func TestTextPages(t *testing.T) {
	for _, name := range testdata.Names(testdata.Cases) {
		n := build(t, read(t, testdata.Cases, name))
		headings := map[string]bool{}
		for _, s := range n.Sections {
			headings[s.Heading] = true
		}
		pages := strings.Split(string(note.Text(n)), "\f")
		for i, page := range pages {
			lines := strings.Split(strings.TrimRight(page, "\n"), "\n")
			head := joinedLines(strings.Join(lines[:3], " "))
			for _, want := range []string{n.Head.Patient, n.Head.Case, n.Head.Operation, "record " + n.Head.Version, "DRAFT", fmt.Sprintf("page %d of %d", i+1, len(pages))} {
				if !strings.Contains(head, want) {
					t.Errorf("%s: the head of page %d does not say %q: %s", name, i+1, want, head)
				}
			}
			if len(lines) > 60 {
				t.Errorf("%s: page %d has %d lines", name, i+1, len(lines))
			}
			if last := lines[len(lines)-2]; headings[last] {
				t.Errorf("%s: page %d ends with the heading %q", name, i+1, last)
			}
		}
	}
}
