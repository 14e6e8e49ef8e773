package convert

import (
	"bytes"
	"slices"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

func everySection() *trigonev1.CaseFile {
	return &trigonev1.CaseFile{
		Identity:    &trigonev1.Identity{Sex: trigonev1.Sex_SEX_FEMALE},
		Assessments: []*trigonev1.Assessment{{Id: "tte", Note: "one"}, {Id: "tee", Note: "two"}},
		Plan:        &trigonev1.Plan{Signer: "s1"},
		Operation:   &trigonev1.Operation{Note: "three"},
		Results:     []*trigonev1.Result{{Id: "exit", DecisionText: "four"}},
		FollowUps:   []*trigonev1.FollowUp{{Id: "discharge", Note: "five"}},
		Advice:      []*trigonev1.Advice{{Id: "a1", Plan: &trigonev1.Plan{Signer: "s2"}}},
	}
}

func TestSectionsByName(t *testing.T) {
	file := everySection()
	want := []string{"identity", "assessment/tte", "assessment/tee", "plan", "operation", "result/exit", "follow_up/discharge", "advice/a1"}
	if got := SectionNames(file); !slices.Equal(got, want) {
		t.Fatalf("sections %v, want %v", got, want)
	}
	together := &trigonev1.CaseFile{}
	for _, name := range want {
		m := Section(file, name)
		if m == nil {
			t.Fatalf("no section %s", name)
		}
		alone := FileOf(m)
		if got := SectionNames(alone); !slices.Equal(got, []string{name}) {
			t.Errorf("a file of %s holds %v", name, got)
		}
		proto.Merge(together, alone)
	}
	if !proto.Equal(together, file) {
		t.Errorf("taken apart and put together: %v", together)
	}
	for _, name := range []string{"", "assessment", "assessment/", "assessment/none", "plan/x", "results/exit"} {
		if m := Section(file, name); m != nil {
			t.Errorf("%q gives %v", name, m)
		}
	}
	if got := SectionNames(&trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{Value: "x"}}); got != nil {
		t.Errorf("a patient is no section: %v", got)
	}
	if Section(nil, "plan") != nil || SectionNames(nil) != nil {
		t.Error("no file has no sections")
	}
}

// A section comes back as it was, with what a newer contract added to it, and
// equal sections have equal bytes.
func TestSectionBytes(t *testing.T) {
	file := everySection()
	for _, name := range SectionNames(file) {
		m := Section(file, name)
		m.ProtoReflect().SetUnknown(protowire.AppendString(protowire.AppendTag(nil, 999, protowire.BytesType), "later"))
		content, err := MarshalSection(m)
		if err != nil {
			t.Fatal(err)
		}
		back, err := UnmarshalSection(name, content)
		if err != nil || !proto.Equal(back, m) {
			t.Errorf("%s comes back as %v, %v", name, back, err)
		}
		if again, err := MarshalSection(proto.Clone(m)); err != nil || !bytes.Equal(again, content) {
			t.Errorf("%s: other bytes the second time, %v", name, err)
		}
		if _, err := UnmarshalSection(name, []byte{0xff}); err == nil {
			t.Errorf("%s was read from bytes that are no message", name)
		}
	}
	for _, name := range []string{"", "nonsense", "assessments/x"} {
		if _, err := UnmarshalSection(name, nil); err == nil {
			t.Errorf("%q is a section", name)
		}
	}
}

// Every grade of a complication belongs to a kind, and every grade of a kind is one
// of the contract.
func TestGradesOfComplications(t *testing.T) {
	grades, has := wordsIn(trigonev1.ComplicationGrade(0).Descriptor()), map[string]bool{"": true}
	for _, kind := range wordsIn(trigonev1.ComplicationKind(0).Descriptor()) {
		for _, g := range repair.ComplicationGrades(kind) {
			if has[g] = true; !slices.Contains(grades, g) {
				t.Errorf("%s: the contract has no grade %q", kind, g)
			}
		}
	}
	for _, g := range grades {
		if !has[g] {
			t.Errorf("no kind of complication has the grade %q", g)
		}
	}
}
