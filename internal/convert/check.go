package convert

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

// Times outside these are no times of a record; both years are refused.
const (
	yearBefore = 1900
	yearAfter  = 2200
)

var ranges = sync.OnceValues(func() (protovalidate.Validator, error) {
	return protovalidate.New(protovalidate.WithMessages(&trigonev1.CaseFile{}))
})

// Warm prepares the checks, which the first call would otherwise pay for.
func Warm() { Check(&trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{}}) }

// Check gives every violation of a message: what is no number, no text, no word
// of its enum or no time, and what lies outside the contract's ranges.
func Check(m proto.Message) []Violation {
	c := &checker{order: map[string]int{}}
	if m.ProtoReflect().IsValid() {
		c.message(m.ProtoReflect(), "")
		c.ranges(m)
	}
	return c.sorted()
}

// CheckSubmit is CheckFile and what a submit needs beside it.
func CheckSubmit(file *trigonev1.CaseFile) []Violation {
	var list []Violation
	id := file.GetPatientIdentifier()
	if strings.TrimSpace(id.GetSystem()) == "" || strings.TrimSpace(id.GetValue()) == "" {
		list = append(list, Violation{"patient_identifier", "needs a system and a value; every submit names its patient"})
	}
	if e := file.GetExternalIdentifier(); e != nil && strings.TrimSpace(e.GetValue()) == "" {
		list = append(list, Violation{"external_identifier.value", "is empty; give the case number, or leave external_identifier out"})
	}
	list = append(list, CheckFile(file)...)
	if len(SectionNames(file)) == 0 {
		list = append(list, Violation{"case_file", "holds no section; give identity, an assessment, a plan, an operation, a result, a follow-up or advice"})
	}
	return list
}

type checker struct {
	list  []Violation
	order map[string]int
}

func (c *checker) add(path, format string, args ...any) {
	if !slices.ContainsFunc(c.list, func(v Violation) bool { return v.Path == path }) {
		c.list = append(c.list, Violation{path, fmt.Sprintf(format, args...)})
	}
}

func (c *checker) visit(path string) {
	if _, seen := c.order[path]; !seen {
		c.order[path] = len(c.order)
	}
}

// sorted gives the violations in the order of the fields.
func (c *checker) sorted() []Violation {
	position := func(v Violation) int {
		if i, ok := c.order[v.Path]; ok {
			return i
		}
		return len(c.order)
	}
	slices.SortStableFunc(c.list, func(a, b Violation) int { return cmp.Compare(position(a), position(b)) })
	return c.list
}

func (c *checker) message(m protoreflect.Message, path string) {
	if t, ok := m.Interface().(*timestamppb.Timestamp); ok {
		if !t.IsValid() || t.AsTime().Year() <= yearBefore || t.AsTime().Year() >= yearAfter {
			c.add(path, "is no time between %d and %d; give the instant with its zone", yearBefore+1, yearAfter-1)
		}
		return
	}
	if name, ok := quantities[m.Descriptor().FullName()]; ok {
		fields := m.Descriptor().Fields()
		if m.Has(fields.ByName(name)) && m.Has(fields.ByName("absent_reason")) {
			c.visit(path)
			c.add(path, "has a value and a reason why it has none; give one of them")
		}
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		at := join(path, fd)
		c.visit(at)
		switch {
		case !m.Has(fd):
		case fd.IsList():
			list := m.Get(fd).List()
			for j := range list.Len() {
				element := fmt.Sprintf("%s[%d]", at, j)
				c.visit(element)
				c.value(fd, list.Get(j), element)
			}
		default:
			c.value(fd, m.Get(fd), at)
		}
	}
}

func (c *checker) value(fd protoreflect.FieldDescriptor, v protoreflect.Value, path string) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		c.message(v.Message(), path)
	case protoreflect.DoubleKind:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			c.add(path, "is not a finite number; leave the value out if it is not known and say why in absent_reason")
		}
	case protoreflect.EnumKind:
		if fd.Enum().Values().ByNumber(v.Enum()) == nil {
			c.add(path, "has the number %d, which %s does not define; use one of its values", v.Enum(), fd.Enum().Name())
		}
	case protoreflect.StringKind:
		text := v.String()
		switch {
		case !utf8.ValidString(text):
			c.add(path, "(%d bytes) is not UTF-8; encode the text as UTF-8", len(text))
		case strings.ContainsRune(text, 0):
			c.add(path, "(%d characters) holds a NUL character; remove it", utf8.RuneCountInString(text))
		}
	}
}

// ranges adds what the contract's own rules refuse and the walk did not.
func (c *checker) ranges(m proto.Message) {
	validator, err := ranges()
	if err != nil {
		panic(fmt.Sprintf("convert: the contract's ranges cannot be compiled: %v", err))
	}
	var failed *protovalidate.ValidationError
	if err := validator.Validate(m); err == nil || !errors.As(err, &failed) {
		if err != nil {
			panic(fmt.Sprintf("convert: the contract's ranges cannot be judged: %v", err))
		}
		return
	}
	for _, v := range failed.Violations {
		// The value itself is never printed: it may be text of the record.
		c.add(protovalidate.FieldPathString(v.Proto.GetField()), "%s; check the value and its unit", strings.TrimPrefix(v.Proto.GetMessage(), "value "))
	}
}

// CheckFile gives every violation of a case file: not finite, out of the
// contract's bounds, unknown enum numbers, NUL, text too long, a value together
// with an absent reason, duplicate ids, unknown sections.
func CheckFile(file *trigonev1.CaseFile) []Violation {
	if file == nil {
		return nil
	}
	c := &checker{order: map[string]int{}}
	c.message(file.ProtoReflect(), "")
	c.ranges(file)
	c.unknownSections(file)
	c.meaning(file.ProtoReflect(), "")
	c.ids(file)
	c.twice(file)
	return c.sorted()
}

// unknownSections refuses a section of a newer contract: it would be dropped.
func (c *checker) unknownSections(file *trigonev1.CaseFile) {
	raw := file.ProtoReflect().GetUnknown()
	for len(raw) > 0 {
		number, _, size := protowire.ConsumeField(raw)
		if size < 0 {
			return
		}
		c.add(fmt.Sprintf("field %d", number), "is a section that this server does not know and cannot keep; update the server, or leave the section out")
		raw = raw[size:]
	}
}

// meaning checks what a message says in more than one field.
func (c *checker) meaning(m protoreflect.Message, path string) {
	switch m := m.Interface().(type) {
	case *trigonev1.Grade:
		g := gradeOf(m)
		if (g.Scheme != "" || g.Value != "") && !g.Known() && !c.hasBelow(path) {
			c.add(path+".value", "is not a value of its scheme, or scheme or value is missing; give both, of one scheme")
		}
	case *trigonev1.LeafletHeight:
		if m.GetSegment() == 0 && m.GetCommissure() == 0 {
			c.add(path, "names no leaflet; give a segment or a commissure")
		}
	case *trigonev1.Scallop:
		if m.GetSegment() == 0 {
			c.add(path+".segment", "is missing; name the scallop")
		}
	case *trigonev1.InkMark:
		if m.GetSegment() == 0 {
			c.add(path+".segment", "is missing; name the segment")
		}
	case *trigonev1.Coaptation:
		if m.GetSlice() == 0 {
			c.add(path+".slice", "is missing; name the slice")
		}
	case *trigonev1.AnnulusShape:
		c.points(path+".contour_mm", len(m.GetContourMm()))
		for name, v := range map[string][]float64{
			"lateral_commissure_mm": m.GetLateralCommissureMm(), "medial_commissure_mm": m.GetMedialCommissureMm(),
			"mid_anterior_mm": m.GetMidAnteriorMm(), "mid_posterior_mm": m.GetMidPosteriorMm(), "atrial_point_mm": m.GetAtrialPointMm(),
		} {
			if len(v) != 0 && len(v) != 3 {
				c.add(path+"."+name, "has %d numbers; a point has three, x y z", len(v))
			}
		}
	case *trigonev1.LeafletPoints:
		c.points(path+".points_mm", len(m.GetPointsMm()))
		if len(m.GetTriangles())%3 != 0 {
			c.add(path+".triangles", "has %d numbers; a triangle has three", len(m.GetTriangles()))
		}
		for _, i := range m.GetTriangles() {
			if i < 0 || int(i) >= len(m.GetPointsMm())/3 {
				c.add(path+".triangles", "names point %d of %d; points are counted from 0", i, len(m.GetPointsMm())/3)
				break
			}
		}
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !m.Has(fd) {
			continue
		}
		at := join(path, fd)
		switch {
		case fd.Message() != nil && fd.IsList():
			for j := range m.Get(fd).List().Len() {
				c.meaning(m.Get(fd).List().Get(j).Message(), fmt.Sprintf("%s[%d]", at, j))
			}
		case fd.Message() != nil:
			c.meaning(m.Get(fd).Message(), at)
		case fd.Kind() == protoreflect.StringKind && !fd.IsList() && civilDate(fd):
			if text := m.Get(fd).String(); text != "" && !c.hasBelow(at) {
				if _, err := time.Parse(time.DateOnly, text); err != nil {
					c.add(at, "is no day of the calendar; give YYYY-MM-DD")
				}
			}
		}
	}
}

// civilDate says whether a text field holds a date: its name is or ends in on or
// date.
func civilDate(fd protoreflect.FieldDescriptor) bool {
	name := string(fd.Name())
	return name == "on" || name == "date" || strings.HasSuffix(name, "_on")
}

// hasBelow says whether a violation at the path or below it is told already.
func (c *checker) hasBelow(path string) bool {
	return slices.ContainsFunc(c.list, func(v Violation) bool { return v.Path == path || strings.HasPrefix(v.Path, path+".") })
}

func (c *checker) points(path string, numbers int) {
	if numbers%3 != 0 {
		c.add(path, "has %d numbers; every point has three, x y z", numbers)
	}
}

// ids refuses an id that is given twice.
func (c *checker) ids(file *trigonev1.CaseFile) {
	assessments := c.unique("assessments", "id")
	for i, s := range file.GetAssessments() {
		assessments(i, s.GetId())
		c.lesions(fmt.Sprintf("assessments[%d].study", i), s.GetStudy())
	}
	results := c.unique("results", "id")
	for i, s := range file.GetResults() {
		results(i, s.GetId())
		c.lesions(fmt.Sprintf("results[%d].study", i), s.GetStudy())
	}
	followUps := c.unique("follow_ups", "id")
	for i, s := range file.GetFollowUps() {
		followUps(i, s.GetId())
		c.lesions(fmt.Sprintf("follow_ups[%d].study", i), s.GetStudy())
	}
	advice := c.unique("advice", "id")
	for i, s := range file.GetAdvice() {
		advice(i, s.GetId())
	}
	planned, targets := c.unique("plan.steps", "id"), c.unique("plan.targets", "id")
	for i, s := range file.GetPlan().GetSteps() {
		planned(i, s.GetId())
	}
	for i, s := range file.GetPlan().GetTargets() {
		targets(i, s.GetId())
	}
	op := file.GetOperation()
	performed, runs := c.unique("operation.steps", "id"), c.unique("operation.runs", "number")
	for i, s := range op.GetSteps() {
		performed(i, s.GetId())
	}
	for i, s := range op.GetRuns() {
		runs(i, fmt.Sprint(s.GetNumber()))
	}
	tests := map[string]bool{}
	for i, s := range op.GetSalineTests() {
		c.once(tests, fmt.Sprintf("operation.saline_tests[%d].id", i), s.GetId())
	}
	for i, s := range op.GetInkTests() {
		c.once(tests, fmt.Sprintf("operation.ink_tests[%d].id", i), s.GetId())
	}
}

func (c *checker) lesions(path string, s *trigonev1.Study) {
	lesions := c.unique(path+".leaflets.lesions", "id")
	for i, l := range s.GetLeaflets().GetLesions() {
		lesions(i, l.GetId())
	}
}

func (c *checker) unique(path, field string) func(i int, id string) {
	seen := map[string]bool{}
	return func(i int, id string) { c.once(seen, fmt.Sprintf("%s[%d].%s", path, i, field), id) }
}

func (c *checker) once(seen map[string]bool, path, id string) {
	if id != "" && seen[id] {
		c.add(path, "is given for the second time; ids are unique in the case")
	}
	seen[id] = true
}

// twice refuses a measured value that is given twice for one place and occasion.
func (c *checker) twice(file *trigonev1.CaseFile) {
	col := newCollector()
	col.again = func(path, first string) {
		if !c.hasBelow(path) {
			c.add(path, "is the same measurement as %s; give it once, a second method belongs in a second assessment", first)
		}
	}
	index := map[string]int{}
	for _, s := range sections(file) {
		kind, _, numbered := strings.Cut(s.name, "/")
		path := kind
		if numbered {
			field := map[string]string{kindAssessment: "assessments", kindResult: "results", kindFollowUp: "follow_ups", kindAdvice: "advice"}[kind]
			path = fmt.Sprintf("%s[%d]", field, index[kind])
			index[kind]++
		}
		col.measure(s.name, s.message, path)
	}
}

func gradeOf(g *trigonev1.Grade) repair.Grade {
	return repair.Grade{Scheme: Word(g.GetScheme()), Value: Word(g.GetValue())}
}
