package fhirmap

import (
	"fmt"
	"strconv"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	trigonev1 "trigone/proto/trigone/v1"
)

// Types of the resources.
const (
	typeObservation = "Observation"
	typeProcedure   = "Procedure"
	typeDevice      = "Device"
	typeIssue       = "DetectedIssue"
)

// resource is one resource of a bundle; exactly one of the pointers is set.
type resource struct {
	typ, id     string
	observation *fhir.Observation
	procedure   *fhir.Procedure
	device      *fhir.Device
	issue       *fhir.DetectedIssue
}

// The wrappers embed the library's types without their MarshalJSON, which would
// encode every resource by itself and have the result validated and copied three
// times on its way into the bundle. The whole bundle is encoded in one pass, by a
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
)

func (r resource) wrapped() any {
	switch {
	case r.observation != nil:
		return observation{typeObservation, (*fhir.OtherObservation)(r.observation)}
	case r.procedure != nil:
		return procedure{typeProcedure, (*fhir.OtherProcedure)(r.procedure)}
	case r.device != nil:
		return device{typeDevice, (*fhir.OtherDevice)(r.device)}
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
			case fhir.FHIRDeviceStatusActive, fhir.FHIRDeviceStatusInactive, fhir.FHIRDeviceStatusEnteredInError:
				return nil
			}
		}
		return fmt.Errorf("%s has a status that the mapping does not use", r.typ)
	case r.issue != nil:
		return checkObservationStatus(r.typ, r.issue.Status)
	}
	return fmt.Errorf("%s without content", r.typ)
}

func checkObservationStatus(typ string, s fhir.ObservationStatus) error {
	switch s {
	case fhir.ObservationStatusFinal, fhir.ObservationStatusEnteredInError:
		return nil
	}
	return fmt.Errorf("%s has status %d, which the mapping does not use", typ, s)
}

// envelope puts the resources into a bundle that is ready to be encoded.
func envelope(c *trigonev1.Case, resources []resource) (bundle, error) {
	b := bundle{
		ResourceType: "Bundle", Meta: tagOf(c), Type: fhir.BundleTypeTransaction,
		Timestamp: instant(c.GetChangedTime()),
		Entry:     make([]entry, 0, len(resources)),
	}
	for _, r := range resources {
		if err := r.checkStatus(); err != nil {
			return bundle{}, err
		}
		b.Entry = append(b.Entry, entry{
			FullURL: urn(r.id), Resource: r.wrapped(),
			Request: &fhir.BundleEntryRequest{Method: fhir.HTTPVerbPUT, Url: r.typ + "/" + r.id},
		})
	}
	return b, nil
}

func encode(c *trigonev1.Case, resources []resource) ([]byte, error) {
	b, err := envelope(c, resources)
	if err != nil {
		return nil, err
	}
	return json.Marshal(b)
}

func urn(id string) string { return "urn:uuid:" + id }

// tagOf carries the case's history number.
func tagOf(c *trigonev1.Case) *fhir.Meta {
	return &fhir.Meta{Tag: []fhir.Coding{{
		System: text(HistorySystem), Code: text(strconv.FormatInt(c.GetCaseVersion(), 10)),
	}}}
}

// enteredInError gives the resource as it is when it should never have been:
// what it was about and whose, and no statement.
func (r resource) enteredInError(subject *fhir.Reference, meta *fhir.Meta) resource {
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
		}
	case r.issue != nil:
		i := r.issue
		gone.issue = &fhir.DetectedIssue{
			Id: i.Id, Meta: meta, Identifier: i.Identifier, Code: i.Code, Patient: subject,
			Status: fhir.ObservationStatusEnteredInError,
		}
	}
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
