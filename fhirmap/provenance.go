package fhirmap

import (
	"cmp"
	"slices"
	"strconv"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// source is the section revision that a resource was made from; none: an
// evaluation.
type source struct {
	section  string
	revision int64
}

// sourceOf gives the head of a section.
func (p *producer) sourceOf(section string) source {
	for _, s := range p.c.GetSections() {
		if s.GetSection() == section {
			return source{section, s.GetRevision()}
		}
	}
	return source{}
}

// receivedOf gives when a head was received; a state without that time has the time
// of its change.
func receivedOf(s *trigonev1.SectionStatus, c *trigonev1.Case) *timestamppb.Timestamp {
	if usable(s.GetReceivedTime()) {
		return s.GetReceivedTime()
	}
	return c.GetChangedTime()
}

// provenance says which section revision every resource was made from and under
// which versions the computed ones were computed. A Provenance is only ever added:
// that a revision was received stays true.
func (p *producer) provenance(h History) {
	software, ok := p.reference(typeDevice, softwareKey(p.ev))
	if !ok {
		return
	}
	targets := map[source][]fhir.Reference{}
	var order []source
	for _, r := range p.out {
		if r.device != nil && r.device.Patient == nil {
			continue // the agent itself
		}
		if targets[r.from] == nil {
			order = append(order, r.from)
		}
		targets[r.from] = append(targets[r.from], fhir.Reference{Reference: text(urn(r.id))})
	}
	p.from = source{}
	for _, of := range order {
		if of == (source{}) {
			p.computedBy(h, software, targets[of])
			continue
		}
		activity := "UPDATE"
		if of.revision <= 1 {
			activity = "CREATE"
		}
		p.addProvenance(revisionKey(of), p.recordedOf(of), activity, software, targets[of], []source{of})
	}
}

func revisionKey(s source) string { return s.section + "/" + strconv.FormatInt(s.revision, 10) }

func (p *producer) recordedOf(of source) *timestamppb.Timestamp {
	if of.section == string(valve.AtPlan) {
		for _, r := range p.plans {
			if r.Revision == of.revision {
				return r.Received
			}
		}
	}
	for _, s := range p.c.GetSections() {
		if s.GetSection() == of.section {
			return receivedOf(s, p.c)
		}
	}
	return p.c.GetChangedTime()
}

// computedBy speaks of what was computed under the present versions: an update
// where another state was computed under others.
func (p *producer) computedBy(h History, software fhir.Reference, targets []fhir.Reference) {
	activity := "CREATE"
	if h.computedAnew() {
		activity = "UPDATE"
	}
	var read []source
	for _, s := range p.ev.GetSections() {
		if s.GetRevision() > 0 {
			read = append(read, source{s.GetSection(), s.GetRevision()})
		}
	}
	when := p.ev.GetTime()
	if !usable(when) {
		when = p.c.GetChangedTime()
	}
	p.addProvenance("computed/"+softwareKey(p.ev), when, activity, software, targets, read)
}

func (p *producer) addProvenance(key string, recorded *timestamppb.Timestamp, activity string, software fhir.Reference, targets []fhir.Reference, read []source) {
	when := instant(recorded)
	if when == nil {
		return
	}
	id := resourceID(p.uid, typeProvenance, key)
	x := &fhir.Provenance{
		Id: text(id), Meta: p.meta, Target: targets, Recorded: *when, Activity: standard(operationSystem, activity),
		Agent: []fhir.ProvenanceAgent{{Type: standard(participantSystem, "assembler"), Who: software}},
	}
	slices.SortFunc(read, func(a, b source) int {
		return cmp.Or(cmp.Compare(a.section, b.section), cmp.Compare(a.revision, b.revision))
	})
	for _, s := range read {
		section := identifierOf(p.uid, "section/"+revisionKey(s))
		x.Entity = append(x.Entity, fhir.ProvenanceEntity{Role: fhir.ProvenanceEntityRoleSource, What: fhir.Reference{Identifier: &section}})
	}
	p.add(resource{typ: typeProvenance, id: id, provenance: x})
}
