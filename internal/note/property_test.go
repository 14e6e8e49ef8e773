package note_test

import (
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
		n, err := note.Build(note.Input{Site: "harbour", Case: c})
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
	list := append([]string{n.Title, n.Status, n.Running}, n.Footer...)
	for _, f := range n.Subject {
		list = append(list, f.Value)
	}
	for _, s := range n.Sections {
		for _, b := range s.Blocks {
			list = append(list, b.Subheading, b.Paragraph)
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
	for _, want := range []string{"[disputed: incision after first leaflet cut", "[disputed: cross-clamp outside bypass"} {
		if !strings.Contains(text, want) {
			t.Errorf("the note does not say %q:\n%s", want, text)
		}
	}
	before, _, _ := strings.Cut(text, "Contradictions in the record")
	if strings.Count(before, "[disputed: incision after first leaflet cut") != 1 {
		t.Error("the order of times is marked more or less than once")
	}
}

func TestRetractedSectionsAreNamed(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "core-only"))
	c.Sections = []*trigonev1.SectionStatus{
		{Section: "result/off-2", State: trigonev1.SectionState_SECTION_STATE_RETRACTED},
		{Section: "plan", State: trigonev1.SectionState_SECTION_STATE_ACCEPTED},
	}
	n, err := note.Build(note.Input{Case: c})
	if err != nil {
		t.Fatal(err)
	}
	if text := joinedLines(string(note.Text(n))); !strings.Contains(text, "Left out because they were retracted: result/off-2.") {
		t.Errorf("a retracted section is not named:\n%s", text)
	}
}

// A question that a step cites leaves its trace in the note, with what was done
// against what was answered: a step that did otherwise is not said to have followed.
func TestQuestionsAreNamed(t *testing.T) {
	c := evaluated(t, read(t, testdata.Cases, "triangular-complete-ring"))
	op := c.GetCaseFile().GetOperation()
	for _, s := range op.GetSteps() {
		if s.GetTechnique().GetAnnuloplasty() != nil {
			s.AdviceIds = []string{"q-7"}
			s.Technique.GetAnnuloplasty().RingInnerAnteroPosteriorDiameter = &trigonev1.Length{Mm: proto.Float64(27)}
		}
	}
	answered := &trigonev1.FreedomRange{
		Leaf: string(valve.RingInnerAnteroPosteriorDiameter), State: trigonev1.MetricState_METRIC_STATE_VALUE,
		Lower: proto.Float64(20), Upper: proto.Float64(26),
	}
	c.CaseFile.Advice = []*trigonev1.Advice{{
		Id: "q-7", Time: op.GetFirstLeafletCutTime(), Freedom: &trigonev1.Freedom{Ranges: []*trigonev1.FreedomRange{answered}},
	}}
	head := "Question asked of this software while operating (q-7, " + op.GetFirstLeafletCutTime().AsTime().Format("2 January 2006, 15:04") + "): "
	for upper, want := range map[float64]string{
		26: "not followed: inner antero-posterior diameter of the ring 27.0 mm, answered 20.0 to 26.0 mm.",
		28: "followed: inner antero-posterior diameter of the ring 27.0 mm, answered 20.0 to 28.0 mm.",
	} {
		answered.Upper = &upper
		n, err := note.Build(note.Input{Case: c})
		if err != nil {
			t.Fatal(err)
		}
		if text := joinedLines(string(note.Text(n))); !strings.Contains(text, head+want) {
			t.Errorf("the note does not say %q:\n%s", head+want, text)
		}
	}
}
