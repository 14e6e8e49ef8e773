package convert

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/repair"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Times and days outside these are none of a record; both years are refused.
const (
	yearBefore = 1900
	yearAfter  = 2200
)

// Check gives every violation of a request or any other message, one for each
// path, in the order of the fields: what is no number, no text, no word of its
// enum, no time; a value together with a reason why there is none; an id or a
// measurement given twice; what lies outside the contract's ranges. A case file
// within it is checked as by CheckFile, with its path before every other. nil
// has no violation. It asks no context: whatever CheckWire lets through takes it
// well below a second.
func Check(m proto.Message) []Violation {
	if m == nil || !m.ProtoReflect().IsValid() {
		return nil
	}
	return check(m).sorted()
}

// CheckFile is Check of a case file; a section of a newer contract is refused.
func CheckFile(file *trigonev1.CaseFile) []Violation { return Check(file) }

// CheckSubmit is CheckFile and what a submit needs beside it: a patient
// identifier with system and value, a case number that is none of nothing, and
// at least one section.
func CheckSubmit(file *trigonev1.CaseFile) []Violation {
	if file == nil {
		file = &trigonev1.CaseFile{}
	}
	c := check(file)
	if e := file.GetExternalIdentifier(); e != nil && blank(e.GetValue()) {
		c.add("external_identifier.value", "is empty; give the case number, or leave external_identifier out")
	}
	if p := file.GetPatientIdentifier(); blank(p.GetSystem()) || blank(p.GetValue()) {
		c.add("patient_identifier", "needs a system and a value; every submit names its patient")
	}
	c.sections(file)
	return c.sorted()
}

// CheckSections is CheckFile of a file that is judged: it has at least one section.
func CheckSections(file *trigonev1.CaseFile) []Violation {
	c := check(file)
	c.sections(file)
	return c.sorted()
}

func (c *checker) sections(file *trigonev1.CaseFile) {
	if len(SectionNames(file)) == 0 {
		c.add(SectionIdentity, "is absent, and so is every other section; give at least one of identity, assessments, plan, operation, results, follow_ups and advice")
	}
}

func blank(text string) bool { return strings.TrimSpace(text) == "" }

func check(m proto.Message) *checker {
	c := &checker{root: m.ProtoReflect().Descriptor(), found: map[string]string{}, within: map[string]bool{}, overlong: map[string]bool{}}
	c.message(m.ProtoReflect())
	// A list beyond its length is refused unread: judging the ranges of millions
	// of entries would only serve who sent them.
	if len(c.overlong) == 0 {
		c.ranges(m)
	}
	return c
}

type checker struct {
	root     protoreflect.MessageDescriptor
	found    map[string]string // message by path
	limits   map[string]string // bound that was passed, by path
	within   map[string]bool   // every path with a violation at or below it
	trail    []step            // where the walk stands
	overlong map[string]bool   // lists that were refused unread, by path
}

// refuse adds a violation of where the walk stands.
func (c *checker) refuse(format string, args ...any) { c.add(c.path(), format, args...) }

// refuseField adds a violation of a field of where the walk stands.
func (c *checker) refuseField(name, format string, args ...any) {
	c.add(below(c.path(), name), format, args...)
}

// add keeps the first violation of a path.
func (c *checker) add(path, format string, args ...any) {
	if _, have := c.found[path]; have {
		return
	}
	c.found[path] = fmt.Sprintf(format, args...)
	for at := path; at != ""; at = parent(at) {
		c.within[at] = true
	}
}

// limit says which bound was passed at a path.
func (c *checker) limit(path string, bound any) {
	if c.limits == nil {
		c.limits = map[string]string{}
	}
	c.limits[path] = fmt.Sprint(bound)
}

// parent gives the path of the field or the entry around a path.
func parent(path string) string {
	if strings.HasSuffix(path, "]") {
		return path[:strings.LastIndexByte(path, '[')]
	}
	return path[:max(strings.LastIndexByte(path, '.'), 0)]
}

// sorted gives the violations in the order of the fields.
func (c *checker) sorted() []Violation {
	type placed struct {
		Violation
		at []int
	}
	var list []placed
	for path, message := range c.found {
		list = append(list, placed{Violation{path, message, c.limits[path]}, position(c.root, path)})
	}
	slices.SortFunc(list, func(a, b placed) int {
		if by := slices.Compare(a.at, b.at); by != 0 {
			return by
		}
		return strings.Compare(a.Path, b.Path)
	})
	var out []Violation
	for _, v := range list {
		out = append(out, v.Violation)
	}
	return out
}

// position gives where a path stands in its message: field and entry, outermost
// first.
func position(md protoreflect.MessageDescriptor, path string) []int {
	var at []int
	for part := range strings.SplitSeq(path, ".") {
		name, entry, listed := strings.Cut(part, "[")
		var fd protoreflect.FieldDescriptor
		if md != nil {
			fd = md.Fields().ByName(protoreflect.Name(name))
		}
		if fd == nil {
			return append(at, math.MaxInt)
		}
		at = append(at, fd.Index())
		if listed {
			i, _ := strconv.Atoi(strings.TrimSuffix(entry, "]"))
			at = append(at, i)
		}
		md = fd.Message()
	}
	return at
}

func below(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func entry(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// step is one step of the walk into the message that is checked.
type step struct {
	name  protoreflect.Name // of a field; empty: an entry of the list
	entry int
}

// enter goes into a field, leave out of it or of an entry.
func (c *checker) enter(fd protoreflect.FieldDescriptor) {
	c.trail = append(c.trail, step{name: fd.Name()})
}

func (c *checker) enterEntry(i int) { c.trail = append(c.trail, step{entry: i}) }

func (c *checker) leave() { c.trail = c.trail[:len(c.trail)-1] }

// path gives the field path of where the walk stands; of the whole message it is
// empty. It is written out only where something is said of it: that is seldom,
// and there are thousands of fields.
func (c *checker) path() string { return pathOf(c.trail) }

func pathOf(trail []step) string {
	var path string
	for _, s := range trail {
		if s.name == "" {
			path = entry(path, s.entry)
		} else {
			path = below(path, string(s.name))
		}
	}
	return path
}

// message checks a message: its fields first, then what they say together.
func (c *checker) message(m protoreflect.Message) {
	if t, ok := m.Interface().(*timestamppb.Timestamp); ok {
		if !t.IsValid() || !aYear(t.AsTime()) {
			c.refuse("is no time between %d and %d; give the instant with its zone", yearBefore+1, yearAfter-1)
		}
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		switch {
		case !m.Has(fd):
		case fd.IsList():
			c.enter(fd)
			c.list(fd, m.Get(fd).List())
			c.leave()
		default:
			c.enter(fd)
			c.value(fd, m.Get(fd))
			c.leave()
		}
	}
	c.meaning(m)
}

func aYear(t time.Time) bool { return t.Year() > yearBefore && t.Year() < yearAfter }

func (c *checker) list(fd protoreflect.FieldDescriptor, list protoreflect.List) {
	if most := maxItems(fd); list.Len() > most {
		c.refuse("has %d entries; the contract takes at most %d; leave the others out", list.Len(), most)
		c.limit(c.path(), most)
		c.overlong[c.path()] = true
		return
	}
	if fd.Kind() == protoreflect.DoubleKind {
		c.numbers(list)
		return
	}
	for i := range list.Len() {
		c.enterEntry(i)
		c.value(fd, list.Get(i))
		c.leave()
	}
}

// numbers names the first entry of a list of numbers that is none, and how many
// there are: a contour has thousands.
func (c *checker) numbers(list protoreflect.List) {
	first, others := -1, 0
	for i := range list.Len() {
		switch {
		case finite(list.Get(i).Float()):
		case first < 0:
			first = i
		default:
			others++
		}
	}
	switch {
	case first >= 0 && others > 0:
		c.add(entry(c.path(), first), "is not a finite number, nor are %d others of this list; leave out the points that are not known", others)
	case first >= 0:
		c.add(entry(c.path(), first), "is not a finite number; leave out the point if it is not known")
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func (c *checker) value(fd protoreflect.FieldDescriptor, v protoreflect.Value) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		c.message(v.Message())
	case protoreflect.DoubleKind:
		switch {
		case finite(v.Float()):
		case isQuantityValue(fd):
			c.refuse("is not a finite number; leave the value out if it is not known and say why in absent_reason")
		default:
			c.refuse("is not a finite number; leave it out if it is not known")
		}
	case protoreflect.EnumKind:
		if fd.Enum().Values().ByNumber(v.Enum()) == nil {
			c.refuse("has the number %d, which %s does not define; use one of its values", v.Enum(), fd.Enum().Name())
		}
	case protoreflect.StringKind:
		c.text(fd, v.String())
	}
}

// text checks a text; what it says is never repeated.
func (c *checker) text(fd protoreflect.FieldDescriptor, text string) {
	length := utf8.RuneCountInString(text)
	switch {
	case !utf8.ValidString(text):
		c.refuse("(%d bytes) is not UTF-8; encode the text as UTF-8", len(text))
	case strings.ContainsRune(text, 0):
		c.refuse("(%d characters) holds a NUL character; remove it", length)
	case strings.ContainsFunc(text, controls):
		c.refuse("(%d characters) holds a control character; remove it", length)
	case !isProse(fd) && strings.ContainsFunc(text, unseen):
		c.refuse("(%d characters) holds a break, a tab or a character that cannot be seen; remove it", length)
	case isDay(fd) && text != "":
		if day, err := time.Parse(time.DateOnly, text); err != nil || !aYear(day) {
			c.refuse("(%d characters) is no day of the calendar between %d and %d; give YYYY-MM-DD", length, yearBefore+1, yearAfter-1)
		}
	case fd.IsList() && refersByID(fd) && !idPattern().MatchString(text):
		c.refuse("%s", anID.sentence(text))
	}
}

// controls are characters that no text of the record has: FHIR's strings allow of
// them breaks and tabs only.
func controls(r rune) bool {
	return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t'
}

// unseen are those by which two identifiers differ that look alike, or by which one
// looks like another: breaks, joiners, marks of direction.
func unseen(r rune) bool {
	return unicode.IsControl(r) || r > unicode.MaxLatin1 && unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) || r == '\u00AD'
}

// meaning checks what the fields of a message say together.
func (c *checker) meaning(m protoreflect.Message) {
	if name, ok := quantities[m.Descriptor().FullName()]; ok {
		fields := m.Descriptor().Fields()
		if m.Has(fields.ByName(name)) && m.Has(fields.ByName("absent_reason")) {
			c.refuse("has a value and a reason why it has none; give one of them")
		}
		return
	}
	switch m := m.Interface().(type) {
	case *trigonev1.CaseFile:
		c.file(m)
	case *trigonev1.Plan:
		unique(c, "steps", "id", m.GetSteps(), (*trigonev1.PlannedStep).GetId)
		unique(c, "targets", "id", m.GetTargets(), (*trigonev1.Target).GetId)
	case *trigonev1.Operation:
		c.operation(m)
	case *trigonev1.FollowUp:
		unique(c, "complications", "id", m.GetComplications(), (*trigonev1.Complication).GetId)
		unique(c, "reinterventions", "id", m.GetReinterventions(), (*trigonev1.Reintervention).GetId)
		unique(c, "returns_to_theatre", "id", m.GetReturnsToTheatre(), (*trigonev1.ReturnToTheatre).GetId)
		unique(c, "readmissions", "id", m.GetReadmissions(), (*trigonev1.Readmission).GetId)
	case *trigonev1.Leaflets:
		unique(c, "lesions", "id", m.GetLesions(), (*trigonev1.Lesion).GetId)
	case *trigonev1.Grade:
		g := gradeOf(m)
		if (m.GetScheme() != 0 || m.GetValue() != 0) && !g.Known() && !c.within[c.path()] {
			c.refuseField("value", "is not a value of its scheme, or scheme or value is missing; give both, of one scheme")
		}
	case *trigonev1.LeafletHeight:
		if m.GetSegment() == 0 && m.GetCommissure() == 0 {
			c.refuse("names no leaflet; give a segment or a commissure")
		}
	case *trigonev1.Scallop:
		if m.GetSegment() == 0 {
			c.refuseField("segment", "is missing; name the scallop")
		}
	case *trigonev1.ChordLengthAt:
		if m.GetSegment() == 0 && m.GetCommissure() == 0 {
			c.refuse("names no place; give a segment or a commissure; one length for the whole step stands in %s", valve.ArtificialChordLength)
		}
	case *trigonev1.Complication:
		if g := Word(m.GetGrade()); g != "" && !slices.Contains(repair.ComplicationGrades(Word(m.GetKind())), g) && !c.within[c.path()] {
			c.refuseField("grade", "is none of the grades of this kind of complication; the contract names the kind beside each grade")
		}
	case *trigonev1.InkMark:
		if m.GetSegment() == 0 {
			c.refuseField("segment", "is missing; name the segment")
		}
	case *trigonev1.Coaptation:
		if m.GetSlice() == 0 {
			c.refuseField("slice", "is missing; name the slice")
		}
	case *trigonev1.ConcomitantProcedure:
		if kinds := detailOf(m); kinds != nil && !slices.Contains(kinds, m.GetKind()) {
			c.refuseField("kind", "does not fit the detail that is given with it; name the kind that the detail is of, or leave the detail out")
		}
	case *trigonev1.AnnulusShape:
		c.shape(m)
	case *trigonev1.LeafletPoints:
		c.points("points_mm", len(m.GetPointsMm()))
		c.triangles("triangles", m.GetTriangles(), len(m.GetPointsMm())/numbersOfPoint)
	}
}

// detailOf gives the kinds of procedure that the detail given with one fits; nil:
// there is none.
func detailOf(m *trigonev1.ConcomitantProcedure) []trigonev1.ConcomitantKind {
	switch m.GetDetail().(type) {
	case *trigonev1.ConcomitantProcedure_Tricuspid:
		return []trigonev1.ConcomitantKind{
			trigonev1.ConcomitantKind_CONCOMITANT_KIND_TRICUSPID_REPAIR, trigonev1.ConcomitantKind_CONCOMITANT_KIND_TRICUSPID_REPLACEMENT,
		}
	case *trigonev1.ConcomitantProcedure_Ablation:
		return []trigonev1.ConcomitantKind{trigonev1.ConcomitantKind_CONCOMITANT_KIND_ABLATION}
	case *trigonev1.ConcomitantProcedure_Appendage:
		return []trigonev1.ConcomitantKind{trigonev1.ConcomitantKind_CONCOMITANT_KIND_APPENDAGE_CLOSURE}
	case *trigonev1.ConcomitantProcedure_Coronary:
		return []trigonev1.ConcomitantKind{trigonev1.ConcomitantKind_CONCOMITANT_KIND_CORONARY_BYPASS}
	}
	return nil
}

const numbersOfPoint, cornersOfTriangle = 3, 3

func (c *checker) shape(m *trigonev1.AnnulusShape) {
	c.points("contour_mm", len(m.GetContourMm()))
	for name, v := range map[string][]float64{
		"lateral_commissure_mm": m.GetLateralCommissureMm(), "medial_commissure_mm": m.GetMedialCommissureMm(),
		"mid_anterior_mm": m.GetMidAnteriorMm(), "mid_posterior_mm": m.GetMidPosteriorMm(), "atrial_point_mm": m.GetAtrialPointMm(),
	} {
		if len(v) != 0 && len(v) != numbersOfPoint {
			c.refuseField(name, "has %d numbers; a point has three, x y z", len(v))
		}
	}
}

func (c *checker) points(name string, numbers int) {
	if numbers%numbersOfPoint != 0 {
		c.refuseField(name, "has %d numbers; every point has three, x y z", numbers)
	}
}

func (c *checker) triangles(name string, corners []int32, points int) {
	if c.unread(name) {
		return
	}
	if len(corners)%cornersOfTriangle != 0 {
		c.refuseField(name, "has %d numbers; a triangle has three", len(corners))
	}
	for _, i := range corners {
		if i < 0 || int(i) >= points {
			c.refuseField(name, "names point %d of %d; points are counted from 0", i, points)
			return
		}
	}
}

func (c *checker) operation(m *trigonev1.Operation) {
	unique(c, "steps", "id", m.GetSteps(), (*trigonev1.PerformedStep).GetId)
	unique(c, "runs", "number", m.GetRuns(), func(r *trigonev1.PumpRun) string { return strconv.Itoa(int(r.GetNumber())) })
	unique(c, "devices", "id", m.GetDevices(), (*trigonev1.Device).GetId)
	unique(c, "complications", "id", m.GetComplications(), (*trigonev1.Complication).GetId)
	// Saline and ink tests share their ids: a place names a test by its id alone.
	tests := map[string]bool{}
	if c.unread("saline_tests") || c.unread("ink_tests") {
		return
	}
	for i, t := range m.GetSalineTests() {
		c.once(tests, "saline_tests", i, "id", t.GetId())
	}
	for i, t := range m.GetInkTests() {
		c.once(tests, "ink_tests", i, "id", t.GetId())
	}
}

// unread says whether a list of where the walk stands was refused for its length.
func (c *checker) unread(list string) bool {
	return len(c.overlong) > 0 && c.overlong[below(c.path(), list)]
}

// unique refuses an id that an earlier entry of the list has.
func unique[T any](c *checker, list, field string, entries []T, key func(T) string) {
	if c.unread(list) {
		return
	}
	seen := map[string]bool{}
	for i, e := range entries {
		c.once(seen, list, i, field, key(e))
	}
}

func (c *checker) once(seen map[string]bool, list string, i int, field, key string) {
	if key != "" && seen[key] {
		c.add(below(entry(below(c.path(), list), i), field), "is given for the second time; give every entry an id of its own")
	}
	seen[key] = true
}

// file checks what the sections of a case file say together.
func (c *checker) file(file *trigonev1.CaseFile) {
	unique(c, fieldAssessments, "id", file.GetAssessments(), (*trigonev1.Assessment).GetId)
	unique(c, fieldResults, "id", file.GetResults(), (*trigonev1.Result).GetId)
	unique(c, fieldFollowUps, "id", file.GetFollowUps(), (*trigonev1.FollowUp).GetId)
	unique(c, fieldAdvice, "id", file.GetAdvice(), (*trigonev1.Advice).GetId)
	c.unknownSections(file)
	if len(c.overlong) == 0 {
		c.twice(file)
	}
}

// unknownSections refuses a section of a newer contract: it would be dropped.
func (c *checker) unknownSections(file *trigonev1.CaseFile) {
	raw := file.ProtoReflect().GetUnknown()
	for len(raw) > 0 {
		number, _, size := protowire.ConsumeField(raw)
		if size < 0 {
			return
		}
		c.refuseField(fmt.Sprintf("field %d", number), "is a section that this server does not know and cannot keep; update the server, or leave the section out")
		raw = raw[size:]
	}
}

// twice refuses a measured value that is given twice for one place and occasion.
// Paths are written out only once there is such a value.
func (c *checker) twice(file *trigonev1.CaseFile) {
	plain := newCollector()
	for _, s := range sections(file) {
		plain.measure(s.name, s.message, "")
	}
	if !plain.twice {
		return
	}
	path := c.path()
	col := newCollector()
	col.paths = map[valve.Key]string{}
	col.again = func(at, first string) {
		if !c.explained(at) {
			c.add(at, "is the same measurement as %s; give it once, a second method belongs in a second assessment", first)
		}
	}
	for _, s := range sections(file) {
		col.measure(s.name, s.message, below(path, s.path()))
	}
}

// explained says whether a measurement's coming twice is told already: by a fault
// of its own, of the entry that says where it was taken, or by a second use of
// the id of what it belongs to.
func (c *checker) explained(path string) bool {
	if c.within[path] {
		return true
	}
	nearest := true
	for at := parent(path); at != ""; at = parent(at) {
		if !strings.HasSuffix(at, "]") {
			continue
		}
		if nearest && c.within[at] {
			return true
		}
		nearest = false
		if c.within[below(at, "id")] {
			return true
		}
	}
	return false
}

func gradeOf(g *trigonev1.Grade) repair.Grade {
	return repair.Grade{Scheme: Word(g.GetScheme()), Value: Word(g.GetValue())}
}
