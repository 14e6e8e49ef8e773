package note

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Input is what a note is a function of.
type Input struct {
	Site string
	// Zone is the site's time zone; nil: UTC.
	Zone *time.Location
	// Case holds the heads of the record, the states of its sections, its newest
	// evaluation and the confirmations.
	Case *trigonev1.Case
	// Plans are the revisions of the plan that are not retracted, oldest first.
	Plans []PlanRevision
	// History is the history number under which the case is handed over; 0: it is not
	// on record.
	History int64
	// Newest is the newest version of the case where Case is an earlier one; 0: Case
	// is the newest.
	Newest int64
	// Annex adds what is no part of what is signed; WithQueries tells in the body what
	// the software was asked, which the annex tells otherwise.
	Annex, WithQueries bool
	// Signature makes the note the signed one; nil: a draft.
	Signature *Signature
	// Signed are the notes and addenda signed before, oldest first.
	Signed []Signed
	// Addendum makes it an addendum with this text to what was signed.
	Addendum string
}

// PlanRevision is one revision of the plan.
type PlanRevision struct {
	Number int64
	Plan   *trigonev1.Plan
}

// Signature says who signed, and when.
type Signature struct {
	Signer string
	Role   trigonev1.OperatorRole
	Time   time.Time
}

// Signed is a note or an addendum that was signed.
type Signed struct {
	Signature
	// Version is the case version that it says.
	Version  int64
	Addendum bool
	// Changed says that the record changed since.
	Changed bool
}

// Build writes the note; of a case that was planned and not operated on yet, the
// plan sheet.
//
// Errors: ErrNoEvaluation, ErrRetracted, ErrNoOperation.
func Build(in Input) (Note, error) {
	switch in.Case.GetState() {
	case trigonev1.CaseState_CASE_STATE_RETRACTED, trigonev1.CaseState_CASE_STATE_MERGED:
		return Note{}, ErrRetracted
	}
	if in.Case.GetEvaluation() == nil {
		return Note{}, ErrNoEvaluation
	}
	b := newBuilder(in)
	if b.op == nil && b.plan == nil {
		return Note{}, ErrNoOperation
	}
	n := Note{
		Title: b.title(), Status: b.status(), Head: b.head(),
		Subject: b.subject(), Created: b.created(), History: in.History, Footer: b.footer(),
	}
	for _, s := range b.outline() {
		blocks := slices.DeleteFunc(s.blocks(), func(x Block) bool { return x == Block{} })
		if len(blocks) > 0 {
			n.Sections = append(n.Sections, Section{Key: s.key, Heading: s.heading, Blocks: blocks, Annex: s.annex})
		}
	}
	if in.Addendum == "" { // whose words are those of who signs it
		n.spellOut()
	}
	return n, nil
}

// part is a section to be written.
type part struct {
	key, heading string
	blocks       func() []Block
	annex        bool
}

// outline lists the sections in their order.
func (b *builder) outline() []part {
	var list []part
	if b.in.Addendum != "" {
		return []part{{KeyAddendum, "Addendum", b.addendum, false}, {KeySignature, "Signature", b.signature, false}}
	}
	add := func(key, heading string, blocks func() []Block) {
		list = append(list, part{key, heading, blocks, false})
	}
	if b.op == nil {
		add(KeyDiagnosis, "Diagnosis and urgency", b.diagnosis)
		add(KeyPeople, "People", b.people)
		add(KeyIndication, "Indication", b.indication)
		add(KeyFindings, "Findings", b.findings)
		add(KeyPlanned, "What is planned", func() []Block { return append(b.planned(), b.strip()) })
	} else {
		add(KeyProcedure, "Procedure performed", b.procedure)
		add(KeyDiagnosis, "Diagnosis and urgency", b.diagnosis)
		add(KeyPeople, "People", b.people)
		add(KeyIndication, "Indication", b.indication)
		add(KeyFindings, "Findings", b.findings)
		add(KeyAccess, "Access and bypass", b.access)
		add(KeySteps, "What was done", func() []Block { return append(b.steps(), b.strip()) })
		add(KeyTests, "Tests of the repair", b.tests)
		add(KeyRing, "Implants", b.implants)
		add(KeyResult, "Result on leaving theatre", b.result)
		add(KeyChanges, "Difference from the signed plan", b.changes)
		add(KeyComplications, "Complications in theatre", b.complications)
		add(KeyClosing, "Blood, specimens, closure", b.closing)
		add(KeyInstructions, "Leaving theatre", b.leaving)
		if b.in.WithQueries {
			add(KeyQuestions, "Questions asked of the software", b.questions)
		}
	}
	add(KeyNotRecorded, "Not recorded", b.notRecorded)
	add(KeySignature, "Signature", b.signature)
	if !b.in.Annex {
		return list
	}
	annex := func(key, heading string, blocks func() []Block) {
		list = append(list, part{key, heading, blocks, true})
	}
	annex(KeyPlan, "Plan in force", b.planInForce)
	annex(KeyMeasurements, "Measurements before the operation", b.measurements)
	if b.op != nil && !b.in.WithQueries {
		annex(KeyQuestions, "Questions asked of the software", b.questions)
	}
	annex(KeyPrediction, "Prediction", b.prediction)
	annex(KeyDrawings, "Drawings of the prediction", b.drawingsOfPrediction)
	annex(KeyFollowUp, "After leaving theatre", b.followUps)
	annex(KeyContradictions, "Findings of the rules", b.ruleFindings)
	annex(KeyMade, "How this note was made", b.made)
	return list
}

// builder holds what the sections are written from.
type builder struct {
	in        Input
	file      *trigonev1.CaseFile
	ev        *trigonev1.Evaluation
	op        *trigonev1.Operation
	plan      *trigonev1.Plan // in force, or else the last revision
	revision  int64           // its number; 0: not known
	effective bool            // whether it is in force
	zone      *time.Location
	disputed  map[valve.Key]string // rule, by the value it disputes
	slips     map[valve.Key]bool   // likely typed in another unit, and not confirmed
	confirmed map[valve.Key]bool
	sections  map[place]mark // of contradictions that name no measured value
	quoted    map[string]bool
	missing   []string // what a reader looks for and the record does not have
}

// place is a section of the record with the pump run that a contradiction speaks of.
type place struct {
	section string
	run     int32
}

// mark says whether what stands at a place is disputed, and whether it was
// confirmed.
type mark struct{ disputed, confirmed bool }

func newBuilder(in Input) *builder {
	b := &builder{
		in: in, file: in.Case.GetCaseFile(), ev: in.Case.GetEvaluation(), zone: in.Zone,
		disputed: map[valve.Key]string{}, slips: map[valve.Key]bool{}, confirmed: map[valve.Key]bool{}, sections: map[place]mark{}, quoted: map[string]bool{},
	}
	if b.zone == nil {
		b.zone = time.UTC
	}
	b.op = b.file.GetOperation()
	for _, f := range b.ev.GetFindings() {
		for _, d := range f.GetQuestions() {
			if f.GetConfirmed() {
				b.confirmed[namedBy(d)] = true
			} else {
				b.slips[namedBy(d)] = true
			}
		}
		if f.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION {
			continue
		}
		if len(f.GetDisputes()) == 0 {
			for _, s := range f.GetSections() {
				at := place{s, f.GetRun()}
				m := b.sections[at]
				if f.GetConfirmed() {
					m.confirmed = true
				} else {
					m.disputed = true
				}
				b.sections[at] = m
			}
		}
		for _, d := range f.GetDisputes() {
			if f.GetConfirmed() {
				b.confirmed[namedBy(d)] = true
			} else {
				b.disputed[namedBy(d)] = f.GetRule()
			}
		}
	}
	b.findPlan()
	return b
}

func namedBy(v *trigonev1.InputValue) valve.Key {
	return valve.Key{ID: valve.ID(v.GetLeaf()), Place: valve.Place(v.GetPlace()), Occasion: valve.Occasion(v.GetOccasion()), Role: valve.Role(word(v.GetRole()))}
}

// findPlan finds the revision in force among the revisions, or else the last one.
func (b *builder) findPlan() {
	switch b.ev.GetPlanInForce().GetTiming() {
	case trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE, trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL:
		b.effective = true
	}
	head := b.headRevision()
	if b.effective {
		b.revision = b.ev.GetPlanInForce().GetRevision()
		for _, p := range b.in.Plans {
			if p.Number == b.revision {
				b.plan = p.Plan
			}
		}
		if b.plan == nil && (head == 0 || head == b.revision) {
			b.plan = b.file.GetPlan()
		}
		return
	}
	b.plan, b.revision = b.file.GetPlan(), head
	if n := len(b.in.Plans); n > 0 {
		b.plan, b.revision = b.in.Plans[n-1].Plan, b.in.Plans[n-1].Number
	}
}

// headRevision is the number of the plan's head; 0: not known.
func (b *builder) headRevision() int64 {
	for _, s := range b.in.Case.GetSections() {
		if s.GetSection() == string(valve.AtPlan) {
			return s.GetRevision()
		}
	}
	return 0
}

// Values.

// look gives a text that a reader looks for; where the record has it not it is
// named in the block to be filled in.
func (b *builder) look(name, text string) string {
	if text == "" {
		b.misses(name)
	}
	return text
}

// misses names what is to be filled in by hand.
func (b *builder) misses(name string) {
	if name = words.Capital(name); !slices.Contains(b.missing, name) {
		b.missing = append(b.missing, name)
	}
}

const (
	markSlip      = " [as typed: check the unit]"
	markDisputed  = " [disputed]"
	markConfirmed = " [confirmed by a reviewer]"
)

// marks says what is known against or for a value.
func (b *builder) marks(k valve.Key) string {
	switch {
	case b.disputed[k] != "":
		return markDisputed
	case b.slips[k]:
		return markSlip
	case b.confirmed[k]:
		return markConfirmed
	}
	return ""
}

// sectionMarks says what is known against or for what a section says of a run: an
// order of times, or facts that exclude each other.
func (b *builder) sectionMarks(section string, run int32) string {
	switch m := b.sections[place{section, run}]; {
	case m.disputed:
		return markDisputed
	case m.confirmed:
		return markConfirmed
	}
	return ""
}

// allMarks joins the marks of a section that has one place in the note, whatever
// run they speak of.
func (b *builder) allMarks(section string) string {
	text := ""
	for run := range int32(17) {
		if m := b.sectionMarks(section, run); m == markDisputed || text == "" {
			text = m
		}
	}
	return text
}

// format writes a number with its unit, on the catalogue's grid but without zeros
// that only fill it: 16 mm, not 16.0 mm.
func format(id valve.ID, v float64) string {
	unit, grid, ok := metric.Describe(id)
	if !ok {
		return plain(v)
	}
	number, rest, spaced := strings.Cut(units.Format(v, unit, grid), " ")
	if strings.Contains(number, ".") {
		end := strings.IndexFunc(number, func(r rune) bool { return r != '.' && r != '-' && (r < '0' || r > '9') })
		tail := ""
		if end >= 0 {
			number, tail = number[:end], number[end:]
		}
		number = strings.TrimSuffix(strings.TrimRight(number, "0"), ".") + tail
	}
	if spaced {
		return number + unbroken + rest
	}
	return number
}

// unbroken is the space that no line ends at: a number and its unit stay together.
const unbroken = "\u00a0"

// quantity writes the quantity that a field of a message holds: its value with
// what is known against it, or the reason why there is none; empty: neither.
func (b *builder) quantity(of proto.Message, field valve.ID, place valve.Place, occasion valve.Occasion) string {
	m := of.ProtoReflect()
	d := m.Descriptor().Fields().ByName(protoreflect.Name(field))
	if !m.IsValid() || d == nil || !m.Has(d) {
		return ""
	}
	q := m.Get(d).Message()
	v, known := number(q)
	if !known {
		return absent(q)
	}
	return format(field, v) + b.marks(keyOf(field, place, occasion))
}

func keyOf(field valve.ID, place valve.Place, occasion valve.Occasion) valve.Key {
	role := valve.Measured
	if occasion == valve.AtPlan {
		role = valve.Planned
	}
	return valve.Key{ID: field, Place: place, Occasion: occasion, Role: role}
}

// absent says why a quantity has no value; what was measured and is not in the
// record is missing like what nobody speaks of.
func absent(q protoreflect.Message) string {
	reason := q.Descriptor().Fields().ByName("absent_reason")
	switch trigonev1.AbsentReason(q.Get(reason).Enum()) {
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_PERFORMED:
		return "not measured"
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_POSSIBLE:
		return "could not be measured"
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_APPLICABLE:
		return notApplicable
	}
	return ""
}

const notApplicable = "does not apply"

// value gives the number of a quantity, if it has one.
func value(of proto.Message, field valve.ID) (float64, bool) {
	m := of.ProtoReflect()
	d := m.Descriptor().Fields().ByName(protoreflect.Name(field))
	if !m.IsValid() || d == nil || !m.Has(d) {
		return 0, false
	}
	return number(m.Get(d).Message())
}

// number gives the value of a quantity: its first field.
func number(q protoreflect.Message) (float64, bool) {
	d := q.Descriptor().Fields().ByNumber(1)
	if !q.Has(d) {
		return 0, false
	}
	return q.Get(d).Float(), true
}

// quote gives a text of the record in quotation marks, once.
func (b *builder) quote(s string) string {
	s = clean(s)
	if s == "" || b.quoted[s] {
		return ""
	}
	b.quoted[s] = true
	return "“" + s + "”"
}

// typed gives a text that the operation's report is made of, in quotation marks.
func typed(s string) string {
	if s = clean(s); s == "" {
		return ""
	}
	return "“" + s + "”"
}

// Times.

func (b *builder) local(t *timestamppb.Timestamp, layout string) string {
	if !usable(t) {
		return ""
	}
	return t.AsTime().In(b.zone).Format(layout)
}

func (b *builder) minute(t *timestamppb.Timestamp) string { return b.local(t, minuteLayout) }

// clock gives a time of the operation: without its day where that is the day of the
// operation.
func (b *builder) clock(t *timestamppb.Timestamp) string {
	if day := b.local(t, dayLayout); day != "" && day == b.local(b.op.GetIncisionTime(), dayLayout) {
		return b.local(t, clockLayout)
	}
	return b.minute(t)
}

// created is the newest time of the record that says when the case was as it is.
func (b *builder) created() time.Time {
	if b.in.Signature != nil {
		return b.in.Signature.Time
	}
	for _, t := range []*timestamppb.Timestamp{
		b.in.Case.GetChangedTime(), b.ev.GetTime(), b.op.GetEndTime(), b.op.GetIncisionTime(), b.plan.GetSignedTime(),
	} {
		if usable(t) {
			return t.AsTime()
		}
	}
	return time.Unix(0, 0).UTC()
}

// Head and footer.

func (b *builder) converted() bool {
	return b.op.GetConversion().GetConverted() == trigonev1.Answer_ANSWER_YES
}

func (b *builder) title() string {
	switch {
	case b.in.Addendum != "":
		return "Addendum to the operative note: mitral valve operation"
	case b.op == nil:
		return "Plan sheet: mitral valve operation"
	}
	return "Operative note: mitral valve operation"
}

func (b *builder) head() Head {
	h := Head{
		Patient: or(clean(b.file.GetPatientIdentifier().GetValue())), PatientSystem: clean(b.file.GetPatientIdentifier().GetSystem()),
		Case:      or(clean(b.file.GetExternalIdentifier().GetValue())),
		Operation: b.dateOfOperation(), Version: b.version(), Status: "DRAFT",
	}
	if b.in.Signature != nil {
		h.Status = "FINAL"
	}
	return h
}

// dateOfOperation is that of the incision.
func (b *builder) dateOfOperation() string {
	if b.op == nil {
		return "not yet operated on"
	}
	return or(b.local(b.op.GetIncisionTime(), dayLayout))
}

func (b *builder) version() string {
	n := b.in.Case.GetCaseVersion()
	if n == 0 {
		return "not stored"
	}
	return fmt.Sprintf("version %d", n)
}

// status says what the note is worth.
func (b *builder) status() []string {
	if s := b.in.Signature; s != nil {
		return []string{words.Sentence("Signed by " + b.signedBy(*s))}
	}
	list := []string{"Draft for signature: not valid until the surgeon has signed it."}
	if b.op == nil {
		list = []string{"Plan sheet: no operation is recorded. It is no operative note."}
	}
	if n := b.in.Newest; n > 0 {
		list = append(list, fmt.Sprintf("It says what the record said at version %d; the newest version is %d. Identifiers are the present ones.", b.in.Case.GetCaseVersion(), n))
	}
	if n := len(b.in.Signed); n > 0 {
		last := b.in.Signed[n-1]
		what := "the operative note"
		if last.Addendum {
			what = "an addendum"
		}
		changed := "the record has not changed since"
		if last.Changed {
			changed = fmt.Sprintf("the record has changed since version %d. What was signed stays as it is", last.Version)
		}
		list = append(list, words.Sentence(fmt.Sprintf("Of version %d %s was signed by %s; %s", last.Version, what, b.signedBy(last.Signature), changed)))
	}
	return list
}

func (b *builder) signedBy(s Signature) string {
	return joined(", ", clean(s.Signer), roleName(s.Role), "on "+s.Time.In(b.zone).Format(minuteLayout))
}

func identifierText(id *trigonev1.Identifier) string {
	if id.GetValue() == "" {
		return notRecorded
	}
	return joined(" ", clean(id.GetValue()), "("+or(clean(id.GetSystem()))+")")
}

func (b *builder) subject() []Field {
	return []Field{
		{Name: "Patient", Value: identifierText(b.file.GetPatientIdentifier())},
		{Name: "Sex, age, body", Value: b.body()},
		{Name: "Case", Value: identifierText(b.file.GetExternalIdentifier())},
		{Name: "Hospital site", Value: clean(b.in.Site)},
		{Name: "Date of operation", Value: b.dateOfOperation()},
		{Name: "Record", Value: joined(", ", clean(b.in.Case.GetName()), b.version())},
	}
}

func (b *builder) body() string {
	id := b.file.GetIdentity()
	sex := say(id.GetSex())
	if sex == "" {
		sex = "sex not recorded"
	}
	age := "age not recorded"
	if id != nil && id.AgeYears != nil {
		age = fmt.Sprintf("%d years", id.GetAgeYears())
	}
	parts := []string{sex, age}
	if id != nil && id.HeightCm != nil {
		parts = append(parts, format(valve.BodyHeight, id.GetHeightCm())+b.marks(identityKey(valve.BodyHeight)))
	}
	if id != nil && id.WeightKg != nil {
		parts = append(parts, format(valve.BodyWeight, id.GetWeightKg())+b.marks(identityKey(valve.BodyWeight)))
	}
	return strings.Join(parts, ", ")
}

func identityKey(leaf valve.ID) valve.Key {
	return valve.Key{ID: leaf, Occasion: valve.AtIdentity, Role: valve.Measured}
}

// setting is what kind of operation it was, or else was planned.
func (b *builder) setting() *trigonev1.CaseSetting {
	if s := b.op.GetSetting(); s != nil {
		return s
	}
	return b.plan.GetSetting()
}

func (b *builder) footer() []string {
	list := []string{fmt.Sprintf("Times are those of the zone %s. People stand under the pseudonyms of the record, which holds no names.", b.zone)}
	if b.anyDisputed() && b.in.Addendum == "" {
		list = append(list, "[disputed] stands behind what contradicts something else in the record; correct it, or have it confirmed, before signing.")
	}
	if len(b.slips) > 0 && b.in.Addendum == "" {
		list = append(list, "[as typed: check the unit] stands behind what may have been typed in another unit; correct it, or have it confirmed, before signing.")
	}
	if b.in.Signature == nil {
		list = append(list, "This is a draft: whoever operated checks it, corrects the record where it is wrong, and signs.")
	}
	return list
}

func (b *builder) anyDisputed() bool {
	for _, f := range b.ev.GetFindings() {
		if f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION && !f.GetConfirmed() {
			return true
		}
	}
	return false
}

func paragraph(sentences ...string) Block { return Block{Paragraph: joined(" ", sentences...)} }

func list(items []Item) Block {
	if len(items) == 0 {
		return Block{}
	}
	return Block{List: &List{Items: items}}
}

// assessments are the examinations before the operation, oldest first.
func (b *builder) assessments() []*trigonev1.Assessment {
	all := slices.Clone(b.file.GetAssessments())
	slices.SortStableFunc(all, func(x, y *trigonev1.Assessment) int {
		tx, ty := x.GetStudy().GetTime(), y.GetStudy().GetTime()
		if !usable(tx) || !usable(ty) {
			return 0
		}
		return tx.AsTime().Compare(ty.AsTime())
	})
	return all
}

func assessmentOccasion(a *trigonev1.Assessment) valve.Occasion {
	return valve.Occasion("assessment/" + a.GetId())
}

// examination names an assessment.
func (b *builder) examination(a *trigonev1.Assessment) string {
	return joined(" ", cmp.Or(say(a.GetKind()), "examination"), onDay(b.local(a.GetStudy().GetTime(), dayLayout)))
}

func onDay(s string) string {
	if s == "" {
		return "on a day not recorded"
	}
	return "on " + s
}

func partial(r trigonev1.Recorded) string {
	if r == trigonev1.Recorded_RECORDED_COMPLETE {
		return ""
	}
	return " (the list may not be complete)"
}

// valueName names a leaf or a metric.
func valueName(id valve.ID) string {
	if l, ok := metric.LeafByID(id); ok {
		return l.Name
	}
	if m, ok := metric.MetricByID(id); ok {
		return m.Name
	}
	return words.Spaced(string(id))
}
