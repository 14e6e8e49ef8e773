package convert

import (
	"fmt"
	"iter"
	"strings"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// Names of sections: these words, or a kind and the client's id behind a slash.
const (
	SectionIdentity  = "identity"
	SectionPlan      = "plan"
	SectionOperation = "operation"

	kindAssessment = "assessment"
	kindResult     = "result"
	kindFollowUp   = "follow_up"
	kindAdvice     = "advice"

	fieldAssessments = "assessments"
	fieldResults     = "results"
	fieldFollowUps   = "follow_ups"
	fieldAdvice      = "advice"
)

type namedSection struct {
	name    string
	field   string // of the case file
	entry   int    // of the field; 0 where it is no list
	message proto.Message
}

// path gives where the section stands in its case file.
func (s namedSection) path() string {
	if s.field == SectionIdentity || s.field == SectionPlan || s.field == SectionOperation {
		return s.field
	}
	return entry(s.field, s.entry)
}

// sections lists what a case file holds, in the order of its fields.
func sections(file *trigonev1.CaseFile) []namedSection {
	var list []namedSection
	add := func(name, field string, entry int, m proto.Message) {
		list = append(list, namedSection{name, field, entry, m})
	}
	if file.GetIdentity() != nil {
		add(SectionIdentity, SectionIdentity, 0, file.GetIdentity())
	}
	for i, s := range file.GetAssessments() {
		add(kindAssessment+"/"+s.GetId(), fieldAssessments, i, s)
	}
	if file.GetPlan() != nil {
		add(SectionPlan, SectionPlan, 0, file.GetPlan())
	}
	if file.GetOperation() != nil {
		add(SectionOperation, SectionOperation, 0, file.GetOperation())
	}
	for i, s := range file.GetResults() {
		add(kindResult+"/"+s.GetId(), fieldResults, i, s)
	}
	for i, s := range file.GetFollowUps() {
		add(kindFollowUp+"/"+s.GetId(), fieldFollowUps, i, s)
	}
	for i, s := range file.GetAdvice() {
		add(kindAdvice+"/"+s.GetId(), fieldAdvice, i, s)
	}
	return list
}

// Sections gives the sections of a case file by name, in the order of its fields.
func Sections(file *trigonev1.CaseFile) iter.Seq2[string, proto.Message] {
	return func(yield func(string, proto.Message) bool) {
		for _, s := range sections(file) {
			if !yield(s.name, s.message) {
				return
			}
		}
	}
}

// SectionNames gives the names of the sections of a case file, in the order of
// its fields.
func SectionNames(file *trigonev1.CaseFile) []string {
	var names []string
	for name := range Sections(file) {
		names = append(names, name)
	}
	return names
}

// Section gives a section of a case file by name, or nil.
func Section(file *trigonev1.CaseFile, name string) proto.Message {
	for has, section := range Sections(file) {
		if has == name {
			return section
		}
	}
	return nil
}

// FileOf gives a case file that holds one section alone.
func FileOf(section proto.Message) *trigonev1.CaseFile {
	file := &trigonev1.CaseFile{}
	AddSection(file, section)
	return file
}

// AddSection puts a section into a case file, behind those of its kind.
func AddSection(file *trigonev1.CaseFile, section proto.Message) {
	switch s := section.(type) {
	case *trigonev1.Identity:
		file.Identity = s
	case *trigonev1.Assessment:
		file.Assessments = append(file.Assessments, s)
	case *trigonev1.Plan:
		file.Plan = s
	case *trigonev1.Operation:
		file.Operation = s
	case *trigonev1.Result:
		file.Results = append(file.Results, s)
	case *trigonev1.FollowUp:
		file.FollowUps = append(file.FollowUps, s)
	case *trigonev1.Advice:
		file.Advice = append(file.Advice, s)
	}
}

// MarshalSection gives the bytes of a section, the same for equal ones; unknown
// fields are kept.
func MarshalSection(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

// UnmarshalSection reads a section's bytes by its name.
func UnmarshalSection(name string, content []byte) (proto.Message, error) {
	kind, _, _ := strings.Cut(name, "/")
	var m proto.Message
	switch kind {
	case SectionIdentity:
		m = &trigonev1.Identity{}
	case SectionPlan:
		m = &trigonev1.Plan{}
	case SectionOperation:
		m = &trigonev1.Operation{}
	case kindAssessment:
		m = &trigonev1.Assessment{}
	case kindResult:
		m = &trigonev1.Result{}
	case kindFollowUp:
		m = &trigonev1.FollowUp{}
	case kindAdvice:
		m = &trigonev1.Advice{}
	default:
		return nil, fmt.Errorf("no section has the name %q", name)
	}
	return m, proto.Unmarshal(content, m)
}

// MarshalParts gives the bytes of the two parts of a section, each the same for
// equal sections; identifying is nil where nothing identifies.
func MarshalParts(m proto.Message) (clinical, identifying []byte, err error) {
	first, second := Part(m)
	if clinical, err = MarshalSection(first); err != nil || second == nil {
		return clinical, nil, err
	}
	identifying, err = MarshalSection(second)
	return clinical, identifying, err
}

// UnmarshalParts reads a section from the bytes of its parts, by its name. Without
// identifying it is the section without what identifies.
func UnmarshalParts(name string, clinical, identifying []byte) (proto.Message, error) {
	m, err := UnmarshalSection(name, clinical)
	if err != nil || len(identifying) == 0 {
		return m, err
	}
	second, err := UnmarshalSection(name, identifying)
	if err != nil {
		return nil, err
	}
	return Join(m, second)
}

// SectionName gives the name of a section.
func SectionName(section proto.Message) string { return SectionNames(FileOf(section))[0] }
