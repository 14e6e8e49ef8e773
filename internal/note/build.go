package note

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
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
}

// PlanRevision is one revision of the plan.
type PlanRevision struct {
	Number int64
	Plan   *trigonev1.Plan
}

// Build writes the note.
//
// Errors: ErrNoEvaluation, ErrRetracted.
func Build(in Input) (Note, error) {
	switch in.Case.GetState() {
	case trigonev1.CaseState_CASE_STATE_RETRACTED, trigonev1.CaseState_CASE_STATE_MERGED:
		return Note{}, ErrRetracted
	}
	if in.Case.GetEvaluation() == nil {
		return Note{}, ErrNoEvaluation
	}
	b := newBuilder(in)
	n := Note{
		Title: b.title(), Status: "Draft for signature: not valid until the surgeon has signed it.",
		Subject: b.subject(), Created: b.created(), History: in.History, Footer: b.footer(),
	}
	n.Running = joined(", ", n.Title, "case "+or(clean(b.file.GetExternalIdentifier().GetValue())))
	for _, s := range []struct {
		key, heading string
		blocks       func() []Block
	}{
		{KeyIndication, "Indication", b.indication},
		{KeyFindings, "Findings before the repair", b.findings},
		{KeyPlan, "Plan in force", b.planInForce},
		{KeyChanges, "Changes in theatre", b.changes},
		{KeySteps, "Operation and steps", b.steps},
		{KeyRing, "Ring or band", b.rings},
		{KeyTests, "Tests of the repair", b.tests},
		{KeyRuns, "Pump runs", b.runs},
		{KeyResult, "Result", b.result},
		{KeyComplications, "Conversion and complications", b.complications},
		{KeyFollowUp, "Follow-up", b.followUps},
		{KeyPrediction, "Prediction", b.prediction},
		{KeyContradictions, "Contradictions in the record", b.contradictions},
	} {
		blocks := slices.DeleteFunc(s.blocks(), func(x Block) bool { return x == Block{} })
		if len(blocks) > 0 {
			n.Sections = append(n.Sections, Section{Key: s.key, Heading: s.heading, Blocks: blocks})
		}
	}
	return n, nil
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
	confirmed map[valve.Key]bool
	sections  map[place]mark // of contradictions that name no measured value
	quoted    map[string]bool
}

// place is a section of the record with the pump run that a contradiction speaks of.
type place struct {
	section string
	run     int32
}

// mark holds the rules that dispute what stands at a place, and whether others were
// confirmed.
type mark struct {
	disputed  []string
	confirmed bool
}

func newBuilder(in Input) *builder {
	b := &builder{
		in: in, file: in.Case.GetCaseFile(), ev: in.Case.GetEvaluation(), zone: in.Zone,
		disputed: map[valve.Key]string{}, confirmed: map[valve.Key]bool{}, sections: map[place]mark{}, quoted: map[string]bool{},
	}
	if b.zone == nil {
		b.zone = time.UTC
	}
	b.op = b.file.GetOperation()
	for _, f := range b.ev.GetFindings() {
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
					m.disputed = append(m.disputed, words.Spaced(f.GetRule()))
				}
				b.sections[at] = m
			}
		}
		for _, d := range f.GetDisputes() {
			k := valve.Key{ID: valve.ID(d.GetLeaf()), Place: valve.Place(d.GetPlace()), Occasion: valve.Occasion(d.GetOccasion()), Role: valve.Role(word(d.GetRole()))}
			if f.GetConfirmed() {
				b.confirmed[k] = true
			} else if b.disputed[k] == "" {
				b.disputed[k] = words.Spaced(f.GetRule())
			}
		}
	}
	b.findPlan()
	return b
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

// marks says what is known against or for a value.
func (b *builder) marks(k valve.Key) string {
	switch {
	case b.disputed[k] != "":
		return " [disputed: " + b.disputed[k] + "]"
	case b.confirmed[k]:
		return " [confirmed by a reviewer]"
	}
	return ""
}

// sectionMarks says what is known against or for what a section says of a run: an
// order of times, or facts that exclude each other.
func (b *builder) sectionMarks(section string, run int32) string {
	m := b.sections[place{section, run}]
	switch {
	case len(m.disputed) > 0:
		return " [disputed: " + strings.Join(m.disputed, "; ") + "]"
	case m.confirmed:
		return " [confirmed by a reviewer]"
	}
	return ""
}

// allMarks joins the marks of a section that has one place in the note, whatever
// run they speak of.
func (b *builder) allMarks(section string) string {
	text := b.sectionMarks(section, 0)
	for run := range int32(16) {
		text += b.sectionMarks(section, run+1)
	}
	return text
}

// format writes a number on the catalogue's grid, with its unit.
func format(id valve.ID, v float64) string {
	unit, grid, ok := metric.Describe(id)
	if !ok {
		return plain(v)
	}
	return strings.ReplaceAll(units.Format(v, unit, grid), " ", unbroken)
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
		reason := q.Descriptor().Fields().ByName("absent_reason")
		return say(trigonev1.AbsentReason(q.Get(reason).Enum()))
	}
	role := valve.Measured
	if occasion == valve.AtPlan {
		role = valve.Planned
	}
	return format(field, v) + b.marks(valve.Key{ID: field, Place: place, Occasion: occasion, Role: role})
}

// number gives the value of a quantity: its first field.
func number(q protoreflect.Message) (float64, bool) {
	d := q.Descriptor().Fields().ByNumber(1)
	if !q.Has(d) {
		return 0, false
	}
	return q.Get(d).Float(), true
}

// isQuantity says whether a message is a measured quantity.
func isQuantity(d protoreflect.MessageDescriptor) bool {
	return d.Fields().ByName("absent_reason") != nil && d.Fields().ByName("context") != nil
}

// dimensions writes every quantity of a technique, in the contract's order; one
// that the catalogue counts as CORE is missed where it is absent.
func (b *builder) dimensions(of proto.Message, place valve.Place, occasion valve.Occasion) []string {
	var list []string
	fields := of.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		d := fields.Get(i)
		if d.Message() == nil || d.IsList() || !isQuantity(d.Message()) {
			continue
		}
		leaf, ok := metric.LeafByID(valve.ID(d.Name()))
		if !ok {
			continue
		}
		value := b.quantity(of, leaf.ID, place, occasion)
		if value == "" && leaf.Tier == metric.Core {
			value = notRecorded
		}
		if value != "" {
			list = append(list, cmp.Or(shortNames[leaf.ID], leaf.Name)+" "+value)
		}
	}
	return list
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

// Times.

func (b *builder) local(t *timestamppb.Timestamp, layout string) string {
	if !usable(t) {
		return ""
	}
	return t.AsTime().In(b.zone).Format(layout)
}

func (b *builder) minute(t *timestamppb.Timestamp) string { return b.local(t, minuteLayout) }

// created is the newest time of the record that says when the case was as it is.
func (b *builder) created() time.Time {
	for _, t := range []*timestamppb.Timestamp{
		b.in.Case.GetChangedTime(), b.ev.GetTime(), b.op.GetEndTime(), b.op.GetIncisionTime(), b.plan.GetSignedTime(),
	} {
		if usable(t) {
			return t.AsTime()
		}
	}
	return time.Unix(0, 0).UTC()
}

// Heading and footer.

func (b *builder) converted() bool {
	return b.op.GetConversion().GetConverted() == trigonev1.Answer_ANSWER_YES
}

func (b *builder) title() string {
	if b.converted() {
		return "Operative note: mitral valve repair, converted to replacement"
	}
	return "Operative note: mitral valve repair"
}

func identifierText(id *trigonev1.Identifier) string {
	if id.GetValue() == "" {
		return notRecorded
	}
	return joined(" ", clean(id.GetValue()), "("+or(clean(id.GetSystem()))+")")
}

func (b *builder) subject() []Field {
	fields := []Field{{"Hospital site", clean(b.in.Site)}, {"Case", identifierText(b.file.GetExternalIdentifier())}}
	if name := b.in.Case.GetName(); name != "" {
		fields = append(fields, Field{"Record", clean(name)})
	}
	fields = append(fields, Field{"Patient", identifierText(b.file.GetPatientIdentifier())}, Field{"Sex, age, body", b.body()})
	operation := notRecorded
	if t := b.op.GetIncisionTime(); usable(t) {
		operation = b.local(t, dayLayout)
	}
	fields = append(fields, Field{"Date of operation", operation}, Field{"Team (pseudonyms)", or(b.team())})
	return fields
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

func (b *builder) team() string {
	var list []string
	for _, o := range b.setting().GetOperators() {
		role := say(o.GetRole())
		if role == "" {
			role = "role not recorded"
		}
		list = append(list, cmp.Or(clean(o.GetPseudonym()), "pseudonym not recorded")+" ("+role+")")
	}
	return strings.Join(list, ", ")
}

func (b *builder) footer() []string {
	hash := b.ev.GetPolicyHash()
	made := fmt.Sprintf("Written by trigone %s from the record: catalogue %s, rule set %s, policy %s, %s.",
		or(b.ev.GetSoftwareVersion()), or(b.ev.GetCatalogueVersion()), or(b.ev.GetRuleSetVersion()), or(hash[:min(len(hash), 12)]), b.historyText())
	list := []string{made, fmt.Sprintf("Times are those of the zone %s.", b.zone)}
	var retracted []string
	for _, s := range b.in.Case.GetSections() {
		if s.GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED {
			retracted = append(retracted, clean(s.GetSection()))
		}
	}
	if len(retracted) > 0 {
		list = append(list, "Left out because they were retracted: "+words.And(retracted)+".")
	}
	return append(list, words.Sentence(clean(b.ev.GetCaution())),
		"This is a draft: whoever operated checks it, corrects the record where it is wrong, and signs.")
}

func (b *builder) historyText() string {
	if n := b.in.History; n > 0 {
		return "history number " + strconv.FormatInt(n, 10)
	}
	return "not on record"
}

func paragraph(sentences ...string) Block { return Block{Paragraph: joined(" ", sentences...)} }

func list(items []Item) Block { return Block{List: &List{Items: items}} }

// Indication.

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
	return joined(" ", cmp.Or(say(a.GetKind()), "examination"), onDay(b.local(a.GetStudy().GetTime(), dayLayout)), "("+clean(a.GetId())+")")
}

func onDay(s string) string {
	if s == "" {
		return "on a day not recorded"
	}
	return "on " + s
}

func (b *builder) indication() []Block {
	i := b.plan.GetIndication()
	var triggers []string
	for _, t := range i.GetTriggers() {
		if w := say(t); w != "" {
			triggers = append(triggers, w)
		}
	}
	var why string
	switch {
	case len(triggers) > 0:
		why = "The operation was indicated by " + words.And(triggers) + partial(i.GetTriggersRecorded()) + "."
	case i.GetTriggersRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		why = "No finding that counts towards an operation is recorded, and the list is complete."
	default:
		why = "What indicated the operation is not recorded."
	}
	blocks := []Block{paragraph(why,
		words.Sentence("Functional class "+or(say(i.GetFunctionalClass()))),
		words.Sentence("Disease of the valve: "+or(say(i.GetAetiology()))))}
	var grades []Item
	for _, a := range b.assessments() {
		r := a.GetStudy().GetRegurgitation()
		if g := gradeName(r.GetGrade()); g != "" {
			grades = append(grades, Item{Text: words.Sentence(joined(" ", g+" mitral regurgitation", bracketed(say(r.GetTiming())), "in", b.examination(a)))})
		}
	}
	if len(grades) == 0 {
		blocks = append(blocks, paragraph("The grade of mitral regurgitation before the operation is not recorded."))
	} else {
		blocks = append(blocks, list(grades))
	}
	if t := b.severity(); len(t.Rows) > 0 {
		blocks = append(blocks, Block{Table: t})
	} else {
		blocks = append(blocks, paragraph("Parameters of severity are not recorded."))
	}
	return blocks
}

func partial(r trigonev1.Recorded) string {
	if r == trigonev1.Recorded_RECORDED_COMPLETE {
		return ""
	}
	return " (the list may not be complete)"
}

// severityValues are the parameters behind the grade and the indication, in the
// order in which they are read.
var severityValues = []valve.ID{
	valve.VenaContractaWidth, valve.VenaContractaArea,
	"regurgitant_orifice_area_by_flow_convergence", valve.StatedRegurgitantOrificeArea,
	"regurgitant_volume_by_flow_convergence", "regurgitant_volume_from_inflow", valve.StatedRegurgitantVolume,
	"regurgitant_fraction_by_flow_convergence", "regurgitant_fraction_from_inflow", valve.StatedRegurgitantFraction,
	valve.LeftVentricularEndDiastolicDiameter, valve.LeftVentricularEndSystolicDiameter,
	"left_ventricular_ejection_fraction", valve.StatedLeftVentricularEjectionFraction,
	"left_atrial_volume_index", valve.LeftAtrialDiameter,
	"pulmonary_artery_systolic_pressure", valve.StatedPulmonaryArterySystolicPressure,
	valve.MeanGradient,
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

func (b *builder) severity() *Table {
	t := &Table{Caption: "Parameters behind the grade and the indication", Header: []string{"Parameter", "Value", "Band", "Examination"}}
	bands := false
	for _, id := range severityValues {
		for _, a := range b.assessments() {
			for _, v := range b.ev.GetMetrics() {
				if v.GetMetric() == string(id) && v.GetOccasion() == string(assessmentOccasion(a)) && v.Value != nil {
					t.Rows = append(t.Rows, []string{words.Capital(valueName(id)), b.value(v), clean(v.GetBand()), clean(a.GetId())})
					bands = bands || v.GetBand() != ""
				}
			}
		}
	}
	if !bands {
		t.Header = slices.Delete(t.Header, 2, 3)
		for i := range t.Rows {
			t.Rows[i] = slices.Delete(t.Rows[i], 2, 3)
		}
	}
	return t
}

// value writes a value of the evaluation.
func (b *builder) value(v *trigonev1.MetricValue) string {
	return format(valve.ID(v.GetMetric()), v.GetValue()) + b.marks(valve.Key{
		ID: valve.ID(v.GetMetric()), Place: valve.Place(v.GetPlace()), Occasion: valve.Occasion(v.GetOccasion()), Role: valve.Role(word(v.GetRole())),
	})
}

// Findings.

func (b *builder) findings() []Block {
	var blocks []Block
	heights, annulus := false, false
	for _, a := range b.assessments() {
		own := b.finding(a)
		if len(own) == 0 {
			continue
		}
		heights = heights || len(a.GetStudy().GetLeaflets().GetHeights()) > 0
		annulus = annulus || a.GetStudy().GetAnnulus() != nil
		blocks = append(blocks, Block{Subheading: words.Capital(b.examination(a)) + b.allMarks(string(assessmentOccasion(a)))})
		blocks = append(blocks, own...)
	}
	var missing []string
	if len(blocks) == 0 {
		return []Block{paragraph("Mechanism, lesions, leaflet heights and annulus before the repair are not recorded.")}
	}
	if !heights {
		missing = append(missing, "Leaflet heights before the repair are not recorded.")
	}
	if !annulus {
		missing = append(missing, "The annulus was not measured before the repair, or the measurement is not recorded.")
	}
	if len(missing) > 0 {
		blocks = append(blocks, paragraph(missing...))
	}
	return blocks
}

// finding says what one examination found of mechanism, lesions and annulus.
func (b *builder) finding(a *trigonev1.Assessment) []Block {
	study, o := a.GetStudy(), assessmentOccasion(a)
	var blocks []Block
	var sentences []string
	var mechanisms []string
	for _, m := range study.GetRegurgitation().GetMechanisms() {
		mechanisms = append(mechanisms, say(m))
	}
	if len(mechanisms) > 0 {
		sentences = append(sentences, words.Sentence("Mechanism: "+strings.Join(mechanisms, "; ")))
	}
	var jets []string
	for _, j := range study.GetRegurgitation().GetJets() {
		if from := locationName(j.GetOrigin()); from != "" {
			jets = append(jets, joined(" ", at(from), bracketed(say(j.GetDirection()))))
		}
	}
	if len(jets) > 0 {
		sentences = append(sentences, words.Sentence("The regurgitation arises "+words.And(jets)))
	}
	if s := b.annulus(study, o); s != "" {
		sentences = append(sentences, s)
	}
	if len(sentences) > 0 {
		blocks = append(blocks, paragraph(sentences...))
	}
	if items := b.lesions(study, o); len(items) > 0 {
		blocks = append(blocks, list(items))
	} else if study.GetLeaflets().GetLesionsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		blocks = append(blocks, paragraph("No lesion was found."))
	}
	if t := b.segments(study, o); len(t.Rows) > 0 {
		blocks = append(blocks, Block{Table: t})
	}
	if note := b.quote(a.GetNote()); note != "" {
		blocks = append(blocks, paragraph("Note of the examiner: "+note))
	}
	return blocks
}

func (b *builder) annulus(study *trigonev1.Study, o valve.Occasion) string {
	an := study.GetAnnulus()
	if an == nil {
		return ""
	}
	var parts []string
	for _, d := range []struct {
		field    valve.ID
		name     string
		expected bool
	}{
		{valve.AnnulusAnteroPosteriorDiameter, "antero-posterior diameter", true},
		{valve.AnnulusIntercommissuralDiameter, "intercommissural diameter", true},
		{valve.AnnulusArea, "area", false}, {valve.AnnulusPerimeter, "perimeter", false},
		{valve.IntertrigonalDistance, "distance between the trigones", false},
		{valve.AnnularDisjunction, "annular disjunction", false},
	} {
		v := b.quantity(an, d.field, valve.Nowhere, o)
		if v == "" && d.expected {
			v = notRecorded
		}
		if v != "" {
			parts = append(parts, d.name+" "+v)
		}
	}
	text := "Annulus: " + strings.Join(parts, ", ")
	if c := say(an.GetCalcification()); c != "" {
		text += "; calcification: " + c
		if at := segmentNames(an.GetCalcifiedAt()); at != "" {
			text += " (" + at + ")"
		}
	}
	return words.Sentence(text)
}

// lesions says each lesion with its measures.
func (b *builder) lesions(study *trigonev1.Study, o valve.Occasion) []Item {
	var items []Item
	for _, l := range study.GetLeaflets().GetLesions() {
		var what []string
		for _, k := range l.GetKinds() {
			what = append(what, say(k))
		}
		text := cmp.Or(words.Capital(locationName(l.GetLocation())), "Place not recorded") + ": " + cmp.Or(words.And(what), "lesion of a kind not recorded")
		if l.GetFlail() == trigonev1.Answer_ANSWER_YES {
			text += ", flail"
		}
		if dims := b.dimensions(l, valve.AtLesion(l.GetId()), o); len(dims) > 0 {
			text += "; " + strings.Join(dims, ", ")
		}
		items = append(items, Item{Text: words.Sentence(text)})
	}
	return items
}

// segments puts motion and heights of one examination side by side.
func (b *builder) segments(study *trigonev1.Study, o valve.Occasion) *Table {
	leaflets := study.GetLeaflets()
	t := &Table{Caption: "Segments", Header: []string{"Place", "Motion", "Leaflet height"}}
	var places []string
	motion, height := map[string][]string{}, map[string][]string{}
	add := func(place string) string {
		place = cmp.Or(words.Capital(place), "Place not recorded")
		if !slices.Contains(places, place) {
			places = append(places, place)
		}
		return place
	}
	for _, d := range leaflets.GetDysfunctions() {
		p := add(locationName(d.GetLocation()))
		motion[p] = append(motion[p], or(say(d.GetType())))
	}
	for _, h := range leaflets.GetHeights() {
		p := add(placeName(heightPlace(h)))
		height[p] = append(height[p], or(b.quantity(h, valve.LeafletHeight, heightPlace(h), o)))
	}
	slices.Sort(places)
	for _, p := range places {
		t.Rows = append(t.Rows, []string{p, strings.Join(motion[p], "; "), strings.Join(height[p], "; ")})
	}
	return t.filled()
}

func heightPlace(h *trigonev1.LeafletHeight) valve.Place {
	if c := h.GetCommissure(); c != trigonev1.Commissure_COMMISSURE_UNSPECIFIED {
		return valve.AtCommissure(valve.Commissure(word(c)))
	}
	return valve.AtStation(valve.Segment(word(h.GetSegment())), valve.Station(word(h.GetStation())))
}

// filled drops the columns in which nothing is recorded, and says 'not recorded'
// in the gaps of the others.
func (t *Table) filled() *Table {
	out := &Table{Caption: t.Caption, Rows: make([][]string, len(t.Rows))}
	for i, name := range t.Header {
		if i > 0 && !slices.ContainsFunc(t.Rows, func(row []string) bool { return row[i] != "" }) {
			continue
		}
		out.Header = append(out.Header, name)
		for j, row := range t.Rows {
			out.Rows[j] = append(out.Rows[j], or(row[i]))
		}
	}
	return out
}
