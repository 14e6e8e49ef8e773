package fhirmap

import (
	"slices"
	"strings"
	"time"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// producer makes the resources of one snapshot.
type producer struct {
	uid, site string
	c         *trigonev1.Case
	file      *trigonev1.CaseFile
	ev        *trigonev1.Evaluation
	limits    map[string]settings.Threshold // of the policy; nil: not known
	inForce   bool                          // whether a plan is in force
	plan      *trigonev1.Plan               // that plan; nil: none, or not in the history
	plans     []PlanState                   // of the history, oldest first
	goals     []awaited                     // whose outcome is looked for once it is made
	from      source                        // of what is being made
	subject   *fhir.Reference
	meta      *fhir.Meta
	claims    map[string]*fhir.Meta // meta with a profile, by its id
	history   []fhir.Extension
	retracted map[string]bool // sections
	occasions []*occasion     // in the order of the record, then of the evaluation
	out       []resource
	known     map[string]bool // ids in out
	// identified are the recorded devices that a ring or a prosthesis is.
	identified map[string]bool
	// nobody says that who operated and who signed is left out.
	nobody bool
	asked  func() error // of the history
}

// occasion is a section of the record, or one set of the operation, with what
// every value of it shares.
type occasion struct {
	name     valve.Occasion
	kind     string // code of the record kind
	category string // where the method of a value does not say
	clock    clock
	// inTheatre says that it belongs to the operation.
	inTheatre bool
	stage     trigonev1.Stage
	run       int32
	followUp  trigonev1.FollowUpKind
	// content holds the values with their context.
	content protoreflect.Message
	taken   map[string][]valve.Context // by leaf; filled on first use
	members []fhir.Reference
}

// clock is when something was: an instant or a date, or a period of which one
// end may be open.
type clock struct {
	at         *string
	start, end *string
}

func (c clock) known() bool { return c.at != nil || c.start != nil || c.end != nil }

func (c clock) period() *fhir.Period {
	if c.start == nil && c.end == nil {
		return nil
	}
	return &fhir.Period{Start: c.start, End: c.end}
}

// produce gives the resources of the current snapshot alone; the rest of the history
// only lends a plan revision or a patient identifier that it no longer holds.
func produce(h History) ([]resource, error) {
	if !h.Current.accepted() {
		return nil, nil
	}
	c := h.Current.Case
	p := &producer{
		uid: h.UID, site: h.Site, c: c, ev: c.GetEvaluation(), limits: h.Current.Limits,
		subject: subjectOf(h), meta: tagOf(h), claims: map[string]*fhir.Meta{}, history: historyOf(h), retracted: map[string]bool{}, known: map[string]bool{},
		identified: map[string]bool{}, nobody: h.WithoutStaff,
		asked: h.asked,
	}
	p.plans = h.plans()
	p.inForce, p.plan = planInForce(h, p.plans)
	for _, s := range c.GetSections() {
		p.retracted[s.GetSection()] = s.GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED
	}
	p.file = p.withoutRetracted(c.GetCaseFile())
	p.findOccasions()
	p.software()
	if err := p.requested(); err != nil {
		return nil, err
	}
	p.operation()
	p.outcomes()
	seen, err := p.observations()
	if err != nil {
		return nil, err
	}
	p.reports()
	if err := p.deviations(seen); err != nil {
		return nil, err
	}
	p.answerGoals(seen)
	p.provenance(h)
	p.narratives()
	return p.out, nil
}

// withoutRetracted guards against a record that still holds a retracted section.
func (p *producer) withoutRetracted(f *trigonev1.CaseFile) *trigonev1.CaseFile {
	kept := &trigonev1.CaseFile{}
	if !p.retracted[string(valve.AtIdentity)] {
		kept.Identity = f.GetIdentity()
	}
	if !p.retracted[string(valve.AtPlan)] {
		kept.Plan = f.GetPlan()
	}
	if !p.retracted[string(valve.AtOperation)] {
		kept.Operation = f.GetOperation()
	}
	for _, a := range f.GetAssessments() {
		if !p.retracted[assessmentName+a.GetId()] {
			kept.Assessments = append(kept.Assessments, a)
		}
	}
	for _, r := range f.GetResults() {
		if !p.retracted[resultName+r.GetId()] {
			kept.Results = append(kept.Results, r)
		}
	}
	for _, u := range f.GetFollowUps() {
		if !p.retracted[followUpName+u.GetId()] {
			kept.FollowUps = append(kept.FollowUps, u)
		}
	}
	return kept
}

const (
	assessmentName = "assessment/"
	resultName     = "result/"
	followUpName   = "follow_up/"
)

// planInForce says whether a plan is in force, and finds it among the revisions
// of the history. Which resources a state produces must not depend on the states
// before it: where the plan is not found, its steps are still named, without their
// technique.
func planInForce(h History, plans []PlanState) (inForce bool, plan *trigonev1.Plan) {
	in := h.Current.Case.GetEvaluation().GetPlanInForce()
	switch in.GetTiming() {
	case trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE, trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL:
	default:
		return false, nil
	}
	for _, r := range plans {
		if r.Revision == in.GetRevision() {
			return true, r.Plan
		}
	}
	// The head is not that revision, but most steps keep their ids.
	return true, h.Current.Case.GetCaseFile().GetPlan()
}

// findOccasions lists the sections of the record that values stand in.
func (p *producer) findOccasions() {
	add := func(o occasion) { p.occasions = append(p.occasions, &o) }
	if p.file.GetIdentity() != nil {
		add(occasion{name: valve.AtIdentity, kind: kindIdentity, category: "exam"})
	}
	for _, a := range p.file.GetAssessments() {
		add(occasion{
			name: valve.Occasion(assessmentName + a.GetId()), kind: kindAssessment, category: "imaging",
			clock: at(a.GetStudy().GetTime()), content: a.GetStudy().ProtoReflect(),
		})
	}
	if plan := p.file.GetPlan(); plan != nil {
		add(occasion{name: valve.AtPlan, kind: kindPlan, category: "procedure", clock: at(plan.GetSignedTime())})
	}
	if op := p.file.GetOperation(); op != nil {
		add(occasion{
			name: valve.AtOperation, kind: kindOperation, category: "procedure", inTheatre: true,
			clock: operationClock(op), content: op.ProtoReflect(),
		})
	}
	for _, r := range p.file.GetResults() {
		add(occasion{
			name: valve.Occasion(resultName + r.GetId()), kind: kindResult, category: "imaging", inTheatre: true,
			clock: at(r.GetStudy().GetTime()), stage: r.GetStage(), run: r.GetRun(), content: r.GetStudy().ProtoReflect(),
		})
	}
	for _, u := range p.file.GetFollowUps() {
		when := at(u.GetStudy().GetTime())
		if !when.known() {
			when = clock{at: date(u.GetEchoOn())}
		}
		add(occasion{
			name: valve.Occasion(followUpName + u.GetId()), kind: kindFollowUp, category: "imaging",
			clock: when, content: u.GetStudy().ProtoReflect(), followUp: u.GetKind(),
		})
	}
}

// occasionOf finds the occasion of a value; a set of the operation is made when
// its first value comes.
func (p *producer) occasionOf(v *trigonev1.MetricValue) *occasion {
	name := valve.Occasion(v.GetOccasion())
	for _, o := range p.occasions {
		if o.name == name {
			return o
		}
	}
	o := &occasion{name: name, kind: kindOf(name.Section()), category: "imaging", stage: v.GetStage(), run: v.GetRun()}
	if o.kind == kindOperation {
		op := p.file.GetOperation()
		o.category, o.inTheatre = "procedure", op != nil
		o.content = op.ProtoReflect()
		o.clock = operationClock(op)
		for _, set := range op.GetHeights() {
			if set.GetRun() == v.GetRun() && set.GetStage() == v.GetStage() && usable(set.GetTime()) {
				o.clock = at(set.GetTime())
				break
			}
		}
	}
	p.occasions = append(p.occasions, o)
	return o
}

func kindOf(section string) string {
	head, _, _ := strings.Cut(section, "/")
	switch head {
	case string(valve.AtIdentity):
		return kindIdentity
	case string(valve.AtPlan):
		return kindPlan
	case string(valve.AtOperation):
		return kindOperation
	case strings.TrimSuffix(resultName, "/"):
		return kindResult
	case strings.TrimSuffix(followUpName, "/"):
		return kindFollowUp
	}
	return kindAssessment
}

// add puts a resource into the bundle and gives a reference to it.
func (p *producer) add(r resource) fhir.Reference {
	r.from = p.from
	own := r.extensions()
	*own = slices.Concat(*own, p.history)
	p.claim(r)
	p.out = append(p.out, r)
	p.known[r.id] = true
	return fhir.Reference{Reference: text(urn(r.id))}
}

// reference refers to a resource by type and key if the bundle has it.
func (p *producer) reference(typ, key string) (fhir.Reference, bool) {
	id := resourceID(p.uid, typ, key)
	if !p.known[id] {
		return fhir.Reference{}, false
	}
	return fhir.Reference{Reference: text(urn(id))}, true
}

// identifiers gives the stable identifier of a resource.
func (p *producer) identifiers(key string) []fhir.Identifier {
	return []fhir.Identifier{identifierOf(p.uid, key)}
}

// Times.

func usable(t *timestamppb.Timestamp) bool { return t != nil && t.CheckValid() == nil }

// layout is RFC 3339 to the millisecond: readers differ in how many digits they
// keep.
const layout = "2006-01-02T15:04:05.999Z07:00"

// instant writes a time in UTC.
func instant(t *timestamppb.Timestamp) *string {
	if !usable(t) {
		return nil
	}
	return text(t.AsTime().UTC().Format(layout))
}

func at(t *timestamppb.Timestamp) clock { return clock{at: instant(t)} }

// date passes a civil date on if it is one.
func date(s string) *string {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return nil
	}
	return text(s)
}

// operationClock is the period from incision to the end. An end before the
// incision contradicts itself: then neither is known.
func operationClock(op *trigonev1.Operation) clock {
	start, end := op.GetIncisionTime(), op.GetEndTime()
	if usable(start) && usable(end) && end.AsTime().Before(start.AsTime()) {
		return clock{}
	}
	return clock{start: instant(start), end: instant(end)}
}

// Codes.

// standard makes a concept of one public code; one that the closed table
// does not hold gives nil.
func standard(system, code string) *fhir.CodeableConcept {
	c, ok := standardIndex()[systemCode{system, code}]
	if !ok {
		return nil
	}
	return &fhir.CodeableConcept{Coding: []fhir.Coding{{System: text(c.System), Code: text(c.Code), Display: text(c.Display)}}}
}

// localCoding gives a code of one of our systems with its display, if it has one.
func localCoding(system, code string) fhir.Coding {
	return fhir.Coding{System: text(system), Code: text(code), Display: text(localIndex()[systemCode{system, code}])}
}

func local(system, code string) *fhir.CodeableConcept {
	return &fhir.CodeableConcept{Coding: []fhir.Coding{localCoding(system, code)}}
}

// both puts a public code that means the same before ours.
func both(system, code, ownSystem, own string) *fhir.CodeableConcept {
	c := standard(system, code)
	if c == nil {
		return local(ownSystem, own)
	}
	c.Coding = append(c.Coding, localCoding(ownSystem, own))
	return c
}

// placeConcept gives the code of a place.
func placeConcept(place valve.Place) *fhir.CodeableConcept {
	code := hyphened(string(place))
	switch place {
	case valve.AtLeaflet(valve.Anterior):
		return both(snomed, anteriorLeaflet, placeSystem, code)
	case valve.AtLeaflet(valve.Posterior):
		return both(snomed, posteriorLeaflet, placeSystem, code)
	}
	return local(placeSystem, code)
}

// locationPlace gives the place of a location of the record, or nowhere.
func locationPlace(l *trigonev1.Location) valve.Place {
	switch x := l.GetAt().(type) {
	case *trigonev1.Location_Segment:
		if x.Segment != 0 {
			return valve.AtSegment(valve.Segment(enumWord(x.Segment.String(), "SEGMENT_")))
		}
	case *trigonev1.Location_Boundary:
		if x.Boundary != 0 {
			return valve.AtBoundary(valve.Boundary(enumWord(x.Boundary.String(), "BOUNDARY_")))
		}
	case *trigonev1.Location_Commissure:
		if x.Commissure != 0 {
			return valve.AtCommissure(valve.Commissure(enumWord(x.Commissure.String(), "COMMISSURE_")))
		}
	case *trigonev1.Location_Leaflet:
		if x.Leaflet != 0 {
			return valve.AtLeaflet(valve.Leaflet(enumWord(x.Leaflet.String(), "LEAFLET_")))
		}
	}
	return valve.Nowhere
}
