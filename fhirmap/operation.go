package fhirmap

import (
	"slices"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/discrepancy"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Keys of resources within a case.
const (
	parentKey      = "operation"
	replacementKey = "operation/replacement"
	prosthesisKey  = "operation/prosthesis"
)

// softwareKey names the software with its versions: what was computed by an earlier
// one stays its work.
func softwareKey(ev *trigonev1.Evaluation) string {
	return strings.Join([]string{"software", ev.GetSoftwareVersion(), ev.GetCatalogueVersion(), ev.GetRuleSetVersion(), ev.GetCalibrationId()}, "/")
}

func stepKey(id string) string    { return "step/" + id }
func omittedKey(id string) string { return "planned-step/" + id }
func ringKey(id string) string    { return "ring/" + id }
func issueKey(id string) string   { return "finding/" + id }

// software is the Device that computed values and found contradictions: its
// version names the software, the catalogue, the rule set and the calibration.
func (p *producer) software() {
	if p.ev == nil {
		return
	}
	status := fhir.FHIRDeviceStatusActive
	d := &fhir.Device{
		Meta: p.meta, Identifier: p.identifiers(softwareKey(p.ev)), Status: &status,
		Type: local(deviceSystem, softwareDevice),
	}
	for _, v := range []struct{ kind, value string }{
		{softwareVersion, p.ev.GetSoftwareVersion()},
		{catalogueVersion, p.ev.GetCatalogueVersion()},
		{ruleSetVersion, p.ev.GetRuleSetVersion()},
		{calibrationNumber, p.ev.GetCalibrationId()},
	} {
		if v.value != "" {
			d.Version = append(d.Version, fhir.DeviceVersion{Type: local(propertySystem, v.kind), Value: v.value})
		}
	}
	p.addDevice(softwareKey(p.ev), d)
}

func (p *producer) addDevice(key string, d *fhir.Device) fhir.Reference {
	id := resourceID(p.uid, typeDevice, key)
	d.Id = text(id)
	return p.add(resource{typ: typeDevice, id: id, device: d})
}

func (p *producer) addProcedure(key string, proc *fhir.Procedure) fhir.Reference {
	id := resourceID(p.uid, typeProcedure, key)
	proc.Id, proc.Meta, proc.Identifier = text(id), p.meta, p.identifiers(key)
	proc.Subject = *p.subject
	proc.Category, proc.Encounter = standard(snomed, surgicalProcedure), p.encounter()
	return p.add(resource{typ: typeProcedure, id: id, procedure: proc})
}

// operation makes the parent Procedure and its children.
func (p *producer) operation() {
	op := p.file.GetOperation()
	if op == nil {
		return
	}
	p.from = p.sourceOf(string(valve.AtOperation))
	defer func() { p.from = source{} }()
	parent := p.parent(op)
	for _, s := range op.GetSteps() {
		p.performed(s, parent)
	}
	p.omitted(parent)
	if converted(op) {
		p.replacement(op.GetConversion(), parent)
	}
	p.beside(op, parent)
	p.furtherDevices()
}

func converted(op *trigonev1.Operation) bool {
	return op.GetConversion().GetConverted() == trigonev1.Answer_ANSWER_YES
}

func (p *producer) parent(op *trigonev1.Operation) fhir.Reference {
	proc := &fhir.Procedure{
		Code:            local(stepSystem, repairStep),
		BodySite:        []fhir.CodeableConcept{*standard(snomed, mitralValve)},
		PerformedPeriod: operationClock(op).period(),
	}
	switch {
	case converted(op):
		proc.Status = fhir.EventStatusStopped
		proc.StatusReason = local(reasonSystem, conversionReason(op.GetConversion().GetReason()))
	case p.over(op):
		proc.Status = fhir.EventStatusCompleted
	default:
		proc.Status = fhir.EventStatusInProgress
	}
	proc.BasedOn, proc.Performer = p.basedOn(planKey), p.performers("")
	return p.addProcedure(parentKey, proc)
}

// basedOn refers to a request of the plan in force, if the bundle has it.
func (p *producer) basedOn(key func(revision int64) string) []fhir.Reference {
	if !p.inForce {
		return nil
	}
	if request, ok := p.reference(typeRequest, key(p.ev.GetPlanInForce().GetRevision())); ok {
		return []fhir.Reference{request}
	}
	return nil
}

func (p *producer) basedOnStep(id string) []fhir.Reference {
	if id == "" {
		return nil
	}
	return p.basedOn(func(revision int64) string { return plannedStepKey(revision, id) })
}

// over says whether the operation has ended: its end is recorded, or something
// that is known only once theatre is left.
func (p *producer) over(op *trigonev1.Operation) bool {
	return usable(op.GetEndTime()) ||
		op.GetLeftTheatreAlive() != trigonev1.Answer_ANSWER_UNSPECIFIED ||
		len(p.file.GetFollowUps()) > 0 ||
		slices.ContainsFunc(p.file.GetResults(), func(r *trigonev1.Result) bool {
			return r.GetStage() == trigonev1.Stage_STAGE_LEAVING_THEATRE
		})
}

func conversionReason(r trigonev1.ConversionReason) string {
	return qualified(reasonConversion, int32(r), r.String(), conversionPrefix)
}

// qualified adds the reason of the record to what it is a reason of.
func qualified(what string, number int32, name, prefix string) string {
	if number == 0 {
		return what
	}
	return what + "-" + hyphened(enumWord(name, prefix))
}

// performed makes the child of a step that was done; what was taken down again
// is stopped, what a later step revised is completed, and both say so.
func (p *producer) performed(s *trigonev1.PerformedStep, parent fhir.Reference) {
	proc := &fhir.Procedure{
		Status: fhir.EventStatusCompleted,
		PartOf: []fhir.Reference{parent},
		Code:   local(stepSystem, stepCode(s.GetTechnique())), BodySite: bodySites(s.GetTechnique()),
		PerformedPeriod: operationClock(p.file.GetOperation()).period(),
		BasedOn:         p.basedOnStep(p.answers(s)), Performer: p.performers(s.GetId()),
		Extension: stepDetails(s.GetTechnique()),
	}
	reason := func(what string) *fhir.CodeableConcept {
		return local(reasonSystem, qualified(what, int32(s.GetReason()), s.GetReason().String(), deviationPrefix))
	}
	switch s.GetFate() {
	case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN:
		proc.Status = fhir.EventStatusStopped
		proc.StatusReason = reason(reasonTakenDown)
	case trigonev1.StepFate_STEP_FATE_REVISED:
		proc.StatusReason = reason(reasonRevised)
	}
	if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
		device := p.ring(s.GetId(), ring, proc.StatusReason)
		proc.FocalDevice = implanted(device)
		if s.GetFate() == trigonev1.StepFate_STEP_FATE_TAKEN_DOWN {
			proc.FocalDevice = append(proc.FocalDevice, fhir.ProcedureFocalDevice{Action: standard(actionSystem, "explanted"), Manipulated: device})
		}
	}
	p.addProcedure(stepKey(s.GetId()), proc)
}

func implanted(device fhir.Reference) []fhir.ProcedureFocalDevice {
	return []fhir.ProcedureFocalDevice{{Action: standard(actionSystem, "implanted"), Manipulated: device}}
}

// ring makes the Device of a ring or band: active while it is in place, inactive
// for a reason if it is not.
func (p *producer) ring(stepID string, ring *trigonev1.Annuloplasty, gone *fhir.CodeableConcept) fhir.Reference {
	d := p.implant(ringKey(stepID), local(deviceSystem, ringCode(ring)), gone == nil)
	if gone != nil {
		d.StatusReason = []fhir.CodeableConcept{*gone}
	}
	if ring.ImplantedLabel != nil {
		d.Property = append(d.Property, label(ring.GetImplantedLabel()))
	}
	if ring.GetFamilyKey() != "" {
		d.Property = append(d.Property, fhir.DeviceProperty{
			Type: *local(propertySystem, familyProperty), ValueCode: []fhir.CodeableConcept{*p.family(ring)},
		})
	}
	p.identify(d, p.ringLabel(stepID, gone == nil))
	return p.addDevice(ringKey(stepID), d)
}

func (p *producer) implant(key string, kind *fhir.CodeableConcept, inPlace bool) *fhir.Device {
	status := fhir.FHIRDeviceStatusActive
	if !inPlace {
		status = fhir.FHIRDeviceStatusInactive
	}
	return &fhir.Device{Meta: p.meta, Identifier: p.identifiers(key), Status: &status, Type: kind, Patient: p.subject}
}

func label(size float64) fhir.DeviceProperty {
	return fhir.DeviceProperty{Type: *local(propertySystem, labelProperty), ValueQuantity: []fhir.Quantity{*labelQuantity(size)}}
}

// omitted makes a not-done child for every step of the plan in force that was
// left out. Where no plan is in force nothing was left out of it.
func (p *producer) omitted(parent fhir.Reference) {
	if !p.inForce {
		return
	}
	for _, d := range p.ev.GetDiscrepancies() {
		id := d.GetPlannedStepId()
		if d.GetClass() != classOmitted || d.GetVerdict() != trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT || id == "" ||
			p.known[resourceID(p.uid, typeProcedure, omittedKey(id))] {
			continue
		}
		var technique *trigonev1.Technique
		for _, s := range p.plan.GetSteps() {
			if s.GetId() == id {
				technique = s.GetTechnique()
			}
		}
		p.addProcedure(omittedKey(id), &fhir.Procedure{
			Status: fhir.EventStatusNotDone, StatusReason: local(reasonSystem, p.omissionReason(d)),
			PartOf: []fhir.Reference{parent}, BasedOn: p.basedOnStep(id),
			Code: local(stepSystem, stepCode(technique)), BodySite: bodySites(technique),
		})
	}
}

// Classes of discrepancies that the mapping reads.
const (
	classOmitted    = string(discrepancy.StepOmitted)
	classAdded      = string(discrepancy.StepAdded)
	classConversion = string(discrepancy.Conversion)
)

// omissionReason: the reason of the record, else a conversion as the root, else
// the plan's own revision.
func (p *producer) omissionReason(d *trigonev1.Discrepancy) string {
	word := hyphened(enumWord(d.GetReason(), deviationPrefix))
	if _, ok := localIndex()[systemCode{reasonSystem, word}]; ok {
		return word
	}
	for _, root := range p.ev.GetDiscrepancies() {
		if root.GetId() == d.GetParent() && root.GetClass() == classConversion {
			return conversionReason(p.file.GetOperation().GetConversion().GetReason())
		}
	}
	if d.GetPlanRevised() {
		return reasonPlanRevised
	}
	return reasonNotRecorded
}

// replacement makes the completed child and the prosthesis of a conversion.
func (p *producer) replacement(c *trigonev1.Conversion, parent fhir.Reference) {
	d := p.implant(prosthesisKey, prosthesisConcept(), true)
	if c.ProsthesisLabel != nil {
		d.Property = append(d.Property, label(c.GetProsthesisLabel()))
	}
	if kind := c.GetProsthesis(); kind != trigonev1.ProsthesisKind_PROSTHESIS_KIND_UNSPECIFIED {
		d.Property = append(d.Property, fhir.DeviceProperty{
			Type:      *local(propertySystem, prosthesisKind),
			ValueCode: []fhir.CodeableConcept{*local(propertySystem, hyphened(enumWord(kind.String(), "PROSTHESIS_KIND_")))},
		})
	}
	p.identify(d, p.labelled(trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS, "", true))
	proc := &fhir.Procedure{
		Status: fhir.EventStatusCompleted, PartOf: []fhir.Reference{parent},
		Code:        local(stepSystem, replacementStep),
		BodySite:    []fhir.CodeableConcept{*standard(snomed, mitralValve)},
		FocalDevice: implanted(p.addDevice(prosthesisKey, d)),
	}
	// A replacement later in the same stay was not done in this period.
	if c.GetPoint() != trigonev1.ConversionPoint_CONVERSION_POINT_SAME_STAY {
		proc.PerformedPeriod = operationClock(p.file.GetOperation()).period()
	}
	p.addProcedure(replacementKey, proc)
}

// stepCode gives our code of a technique.
func stepCode(t *trigonev1.Technique) string {
	if further := t.GetFurtherTechnique().GetKind(); further != trigonev1.FurtherTechniqueKind_FURTHER_TECHNIQUE_KIND_UNSPECIFIED {
		return hyphened(enumWord(further.String(), furtherPrefix))
	}
	m := t.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	if field == nil {
		return unknownStep
	}
	return hyphened(string(field.Name()))
}

// bodySites gives where a technique works: the structure where a public code was
// verified, then the places.
func bodySites(t *trigonev1.Technique) []fhir.CodeableConcept {
	var sites []fhir.CodeableConcept
	place := func(places ...valve.Place) {
		for _, p := range places {
			if p != valve.Nowhere {
				sites = append(sites, *placeConcept(p))
			}
		}
	}
	segments := func(list []trigonev1.Segment) {
		for _, s := range list {
			place(locationPlace(&trigonev1.Location{At: &trigonev1.Location_Segment{Segment: s}}))
		}
	}
	locations := func(list ...*trigonev1.Location) {
		for _, l := range list {
			place(locationPlace(l))
		}
	}
	commissure := func(c trigonev1.Commissure) {
		place(locationPlace(&trigonev1.Location{At: &trigonev1.Location_Commissure{Commissure: c}}))
	}
	switch k := t.GetKind().(type) {
	case *trigonev1.Technique_Annuloplasty:
		sites = append(sites, *standard(snomed, mitralAnnulus))
	case *trigonev1.Technique_ArtificialChord:
		sites = append(sites, *standard(snomed, chords))
		locations(k.ArtificialChord.GetTargets()...)
	case *trigonev1.Technique_ChordTransfer:
		sites = append(sites, *standard(snomed, chords))
		locations(k.ChordTransfer.GetFrom(), k.ChordTransfer.GetTo())
	case *trigonev1.Technique_CleftClosure:
		locations(k.CleftClosure.GetLocation())
	case *trigonev1.Technique_CommissuralClosure:
		commissure(k.CommissuralClosure.GetCommissure())
	case *trigonev1.Technique_EdgeToEdge:
		if s := k.EdgeToEdge.GetSlice(); s != 0 {
			place(valve.AtSlice(valve.Slice(enumWord(s.String(), "SLICE_"))))
		}
	case *trigonev1.Technique_HeightReduction:
		segments(k.HeightReduction.GetSegments())
	case *trigonev1.Technique_LeafletResection:
		segments(k.LeafletResection.GetSegments())
		commissure(k.LeafletResection.GetCommissure())
	case *trigonev1.Technique_Plication:
		sites = append(sites, *standard(snomed, mitralAnnulus))
		segments(k.Plication.GetSegments())
	case *trigonev1.Technique_SlidingPlasty:
		place(valve.AtLeaflet(valve.Posterior))
	case *trigonev1.Technique_FurtherTechnique:
		locations(k.FurtherTechnique.GetLocations()...)
	}
	return sites
}

// stepOf gives the step an instance key speaks of.
func stepOf(instance string) string { return strings.TrimPrefix(instance, "step:") }
