package fhirmap

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Types of the resources.
const (
	typeObservation = "Observation"
	typeProcedure   = "Procedure"
	typeDevice      = "Device"
	typeIssue       = "DetectedIssue"
	typeRequest     = "ServiceRequest"
	typeRingRequest = "DeviceRequest"
	typeGoal        = "Goal"
	typeReport      = "DiagnosticReport"
	typeProvenance  = "Provenance"
)

// resource is one resource of a bundle; exactly one of the pointers is set.
type resource struct {
	typ, id     string
	observation *fhir.Observation
	procedure   *fhir.Procedure
	device      *fhir.Device
	issue       *fhir.DetectedIssue
	request     *fhir.ServiceRequest
	ringRequest *deviceRequest
	goal        *fhir.Goal
	report      *fhir.DiagnosticReport
	provenance  *fhir.Provenance
	// from is the section revision that the content was taken from.
	from source
	// unsigned says that a draft, the zero of its enum, is meant.
	unsigned bool
}

// The wrappers embed the library's types without their MarshalJSON, which would
// encode every resource by itself and have the result validated and copied three
// times on its way into the bundle. The present state is encoded in one pass, by a
// library that gives the trees of encoding/json in half of its time.
type (
	bundle struct {
		ResourceType string          `json:"resourceType"`
		Meta         *fhir.Meta      `json:"meta,omitempty"`
		Type         fhir.BundleType `json:"type"`
		Timestamp    *string         `json:"timestamp,omitempty"`
		Entry        []entry         `json:"entry,omitempty"`
	}
	entry struct {
		FullURL  string                   `json:"fullUrl"`
		Resource any                      `json:"resource"`
		Request  *fhir.BundleEntryRequest `json:"request,omitempty"`
	}
	observation struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherObservation
	}
	procedure struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherProcedure
	}
	device struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherDevice
	}
	issue struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherDetectedIssue
	}
	request struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherServiceRequest
	}
	goal struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherGoal
	}
	report struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherDiagnosticReport
	}
	provenance struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherProvenance
	}
)

// deviceRequest is a DeviceRequest: the library's own type always writes both
// forms of code, one of them as an empty object, which is no FHIR.
type deviceRequest struct {
	ResourceType        string                        `json:"resourceType"`
	ID                  *string                       `json:"id,omitempty"`
	Meta                *fhir.Meta                    `json:"meta,omitempty"`
	Text                *fhir.Narrative               `json:"text,omitempty"`
	Extension           []fhir.Extension              `json:"extension,omitempty"`
	Identifier          []fhir.Identifier             `json:"identifier,omitempty"`
	BasedOn             []fhir.Reference              `json:"basedOn,omitempty"`
	PriorRequest        []fhir.Reference              `json:"priorRequest,omitempty"`
	GroupIdentifier     *fhir.Identifier              `json:"groupIdentifier,omitempty"`
	Status              fhir.RequestStatus            `json:"status"`
	Intent              fhir.RequestIntent            `json:"intent"`
	CodeCodeableConcept *fhir.CodeableConcept         `json:"codeCodeableConcept,omitempty"`
	Parameter           []fhir.DeviceRequestParameter `json:"parameter,omitempty"`
	Subject             fhir.Reference                `json:"subject"`
	AuthoredOn          *string                       `json:"authoredOn,omitempty"`
	Requester           *fhir.Reference               `json:"requester,omitempty"`
}

func (r resource) wrapped() any {
	switch {
	case r.observation != nil:
		return observation{typeObservation, (*fhir.OtherObservation)(r.observation)}
	case r.procedure != nil:
		return procedure{typeProcedure, (*fhir.OtherProcedure)(r.procedure)}
	case r.device != nil:
		return device{typeDevice, (*fhir.OtherDevice)(r.device)}
	case r.request != nil:
		return request{typeRequest, (*fhir.OtherServiceRequest)(r.request)}
	case r.ringRequest != nil:
		return r.ringRequest
	case r.goal != nil:
		return goal{typeGoal, (*fhir.OtherGoal)(r.goal)}
	case r.report != nil:
		return report{typeReport, (*fhir.OtherDiagnosticReport)(r.report)}
	case r.provenance != nil:
		return provenance{typeProvenance, (*fhir.OtherProvenance)(r.provenance)}
	}
	return issue{typeIssue, (*fhir.OtherDetectedIssue)(r.issue)}
}

// checkStatus refuses a status that the mapping does not use. The library's enums
// begin with a valid word and write an unknown number as a word, so that a
// forgotten status would look like a meant one.
func (r resource) checkStatus() error {
	switch {
	case r.observation != nil:
		return checkObservationStatus(r.typ, r.observation.Status)
	case r.procedure != nil:
		switch r.procedure.Status {
		case fhir.EventStatusCompleted, fhir.EventStatusStopped, fhir.EventStatusInProgress, fhir.EventStatusNotDone, fhir.EventStatusEnteredInError:
			return nil
		}
		return fmt.Errorf("%s has status %d, which the mapping does not use", r.typ, r.procedure.Status)
	case r.device != nil:
		if s := r.device.Status; s != nil {
			switch *s {
			case fhir.FHIRDeviceStatusActive, fhir.FHIRDeviceStatusInactive, fhir.FHIRDeviceStatusUnknown, fhir.FHIRDeviceStatusEnteredInError:
				return nil
			}
		}
		return fmt.Errorf("%s has a status that the mapping does not use", r.typ)
	case r.issue != nil:
		return checkObservationStatus(r.typ, r.issue.Status)
	case r.request != nil:
		return r.checkRequest(r.request.Status, r.request.Intent)
	case r.ringRequest != nil:
		return r.checkRequest(r.ringRequest.Status, r.ringRequest.Intent)
	case r.goal != nil:
		switch r.goal.LifecycleStatus {
		case fhir.GoalLifecycleStatusProposed:
			if r.unsigned {
				return nil
			}
		case fhir.GoalLifecycleStatusAccepted, fhir.GoalLifecycleStatusActive, fhir.GoalLifecycleStatusCompleted,
			fhir.GoalLifecycleStatusCancelled, fhir.GoalLifecycleStatusEnteredInError:
			return nil
		}
		return fmt.Errorf("%s has lifecycle status %d, which the mapping does not use", r.typ, r.goal.LifecycleStatus)
	case r.report != nil:
		switch r.report.Status {
		case fhir.DiagnosticReportStatusFinal, fhir.DiagnosticReportStatusAmended, fhir.DiagnosticReportStatusEnteredInError:
			return nil
		}
		return fmt.Errorf("%s has status %d, which the mapping does not use", r.typ, r.report.Status)
	case r.provenance != nil:
		for _, e := range r.provenance.Entity {
			if e.Role != fhir.ProvenanceEntityRoleSource {
				return fmt.Errorf("%s has an entity of role %d, which the mapping does not use", r.typ, e.Role)
			}
		}
		return nil
	}
	return fmt.Errorf("%s without content", r.typ)
}

// checkRequest refuses what is no plan, and a draft that is not meant.
func (r resource) checkRequest(s fhir.RequestStatus, intent fhir.RequestIntent) error {
	if intent != fhir.RequestIntentPlan {
		return fmt.Errorf("%s has intent %d, which the mapping does not use", r.typ, intent)
	}
	switch s {
	case fhir.RequestStatusDraft:
		if r.unsigned {
			return nil
		}
	case fhir.RequestStatusActive, fhir.RequestStatusCompleted, fhir.RequestStatusRevoked, fhir.RequestStatusUnknown, fhir.RequestStatusEnteredInError:
		return nil
	}
	return fmt.Errorf("%s has status %d, which the mapping does not use", r.typ, s)
}

func checkObservationStatus(typ string, s fhir.ObservationStatus) error {
	switch s {
	case fhir.ObservationStatusFinal, fhir.ObservationStatusAmended, fhir.ObservationStatusEnteredInError:
		return nil
	}
	return fmt.Errorf("%s has status %d, which the mapping does not use", typ, s)
}

// address gives where a resource stands in a bundle and what is asked of the
// receiver; nil: nothing.
type address func(typ, id string) (fullURL string, request *fhir.BundleEntryRequest)

// envelope puts resources into a bundle that is ready to be encoded.
func envelope(h History, kind fhir.BundleType, resources []resource, at address) (bundle, error) {
	b := bundle{
		ResourceType: "Bundle", Meta: bundleMeta(h), Type: kind,
		Timestamp: instant(h.Current.Case.GetChangedTime()),
		Entry:     make([]entry, 0, len(resources)),
	}
	for _, r := range resources {
		if err := cmp.Or(h.asked(), r.checkStatus()); err != nil {
			return bundle{}, err
		}
		e := entry{Resource: r.wrapped()}
		e.FullURL, e.Request = at(r.typ, r.id)
		b.Entry = append(b.Entry, e)
	}
	return b, nil
}

// encode writes the bundle: what is living in one pass, what has ended as it is
// kept.
func (a assembly) encode(kind fhir.BundleType, at address) ([]byte, error) {
	b, err := envelope(a.h, kind, a.living, at)
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(b)
	if err != nil {
		return nil, err
	}
	return a.withEnded(text, len(b.Entry) > 0, at)
}

// withEnded writes what has ended behind the entries of an encoded bundle. What at
// gives no URL for is left out.
func (a assembly) withEnded(bundle []byte, entries bool, at address) ([]byte, error) {
	const addresses = 256 // of one entry
	size := 0
	for _, row := range a.ended {
		size += len(row.Gone) + a.ending.room() + addresses
	}
	out := slices.Grow(bundle, size)
	if entries {
		out = out[:len(out)-len("]}")]
	} else {
		out = out[:len(out)-len("}")]
	}
	for _, row := range a.ended {
		fullURL, request := at(row.Type, row.ID)
		if fullURL == "" {
			continue
		}
		if entries {
			out = append(out, ',')
		} else {
			out = append(out, `,"entry":[`...)
			entries = true
		}
		// URLs are made of types, ids and escaped text: nothing in them needs quoting.
		out = append(out, `{"fullUrl":"`...)
		out = append(out, fullURL...)
		out = append(out, `","resource":`...)
		if err := a.h.asked(); err != nil {
			return nil, err
		}
		var err error
		if out, err = a.ending.append(out, row); err != nil {
			return nil, err
		}
		if request != nil {
			out = append(out, `,"request":{"method":"`...)
			out = append(out, request.Method.Code()...)
			out = append(out, `","url":"`...)
			out = append(out, request.Url...)
			out = append(out, `"}`...)
		}
		out = append(out, '}')
	}
	if entries {
		out = append(out, ']')
	}
	return append(out, '}'), nil
}

func urn(id string) string { return "urn:uuid:" + id }

// tagOf carries the case's history number as a tag.
func tagOf(h History) *fhir.Meta {
	return &fhir.Meta{Tag: []fhir.Coding{{
		System: text(HistorySystem), Code: text(strconv.FormatInt(h.Number(), 10)),
	}}}
}

// historyOf carries the case's history number as an extension. It may be larger than
// an integer of FHIR, which has 32 bits.
func historyOf(h History) []fhir.Extension {
	number := json.Number(strconv.FormatInt(h.Number(), 10))
	return []fhir.Extension{{Url: HistoryExtension, ValueDecimal: &number}}
}

// bundleMeta carries it in a bundle.
func bundleMeta(h History) *fhir.Meta {
	meta := tagOf(h)
	meta.Extension = historyOf(h)
	return meta
}

// extensions gives those of the resource as a whole.
func (r resource) extensions() *[]fhir.Extension {
	switch {
	case r.observation != nil:
		return &r.observation.Extension
	case r.procedure != nil:
		return &r.procedure.Extension
	case r.device != nil:
		return &r.device.Extension
	case r.issue != nil:
		return &r.issue.Extension
	case r.request != nil:
		return &r.request.Extension
	case r.ringRequest != nil:
		return &r.ringRequest.Extension
	case r.goal != nil:
		return &r.goal.Extension
	case r.report != nil:
		return &r.report.Extension
	}
	return &r.provenance.Extension
}

// enteredInError gives the resource as it is when it should never have been:
// what it was about and whose, and no statement. meta and history carry the history
// number.
func (r resource) enteredInError(subject *fhir.Reference, meta *fhir.Meta, history []fhir.Extension) resource {
	gone := resource{typ: r.typ, id: r.id}
	switch {
	case r.observation != nil:
		// The vital signs profile wants a category, a time and a value here too.
		o := r.observation
		gone.observation = &fhir.Observation{
			Id: o.Id, Meta: meta, Identifier: o.Identifier, Code: notVital(o.Code), Subject: subject,
			Status: fhir.ObservationStatusEnteredInError,
		}
	case r.procedure != nil:
		p := r.procedure
		gone.procedure = &fhir.Procedure{
			Id: p.Id, Meta: meta, Identifier: p.Identifier, Code: p.Code, Subject: *subject,
			Status: fhir.EventStatusEnteredInError,
		}
	case r.device != nil:
		d := r.device
		status := fhir.FHIRDeviceStatusEnteredInError
		gone.device = &fhir.Device{Id: d.Id, Meta: meta, Identifier: d.Identifier, Type: d.Type, Status: &status}
		if d.Patient != nil {
			gone.device.Patient = subject
			break
		}
		// Software that is no longer in use was none in error.
		kept, status := *d, fhir.FHIRDeviceStatusInactive
		kept.Meta, kept.Status = meta, &status
		kept.Text = narrative(deviceText(&kept))
		gone.device = &kept
	case r.issue != nil:
		i := r.issue
		gone.issue = &fhir.DetectedIssue{
			Id: i.Id, Meta: meta, Identifier: i.Identifier, Code: i.Code, Patient: subject,
			Status: fhir.ObservationStatusEnteredInError,
		}
	case r.request != nil:
		q := r.request
		gone.request = &fhir.ServiceRequest{
			Id: q.Id, Meta: meta, Identifier: q.Identifier, Code: q.Code, Subject: *subject,
			Intent: fhir.RequestIntentPlan, Status: fhir.RequestStatusEnteredInError,
		}
	case r.ringRequest != nil:
		q := r.ringRequest
		gone.ringRequest = &deviceRequest{
			ResourceType: typeRingRequest, ID: q.ID, Meta: meta, Identifier: q.Identifier, CodeCodeableConcept: q.CodeCodeableConcept,
			Subject: *subject, Intent: fhir.RequestIntentPlan, Status: fhir.RequestStatusEnteredInError,
		}
	case r.goal != nil:
		g := r.goal
		gone.goal = &fhir.Goal{
			Id: g.Id, Meta: meta, Identifier: g.Identifier, Description: g.Description, Subject: *subject,
			LifecycleStatus: fhir.GoalLifecycleStatusEnteredInError,
		}
	case r.report != nil:
		d := r.report
		gone.report = &fhir.DiagnosticReport{
			Id: d.Id, Meta: meta, Identifier: d.Identifier, Code: d.Code, Subject: subject,
			Status: fhir.DiagnosticReportStatusEnteredInError,
		}
	case r.provenance != nil:
		// That a revision was received stays true whatever became of it; what it
		// names is in the bundle under the same ids.
		kept := *r.provenance
		kept.Meta = meta
		gone.provenance = &kept
	}
	*gone.extensions() = history
	return gone
}

// text gives a pointer to a text, or nil for an empty one: FHIR has no empty
// strings.
func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
