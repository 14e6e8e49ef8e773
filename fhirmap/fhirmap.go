// Package fhirmap turns a case's history into FHIR R4 resources in one transaction
// bundle: what was planned, what was done, what was found, and by what software it
// was said. It is the only room that knows the FHIR structs; casebook calls it. A
// measured or computed number in a resource comes only from a metric value, a
// difference or a limit of an evaluation, never from the record itself; what the
// record gives are times, steps, grades, labels and the ends of the plan's aims.
// Free text of the record is never sent in a resource; the narrative of a Document
// quotes it, as the operative note does.
//
// # What a bundle holds
//
// Every revision of the plan is a ServiceRequest of intent plan, with a child by
// basedOn for every planned step and a common requisition, a DeviceRequest for a
// planned ring, and Goals: one for every aim, for the dimensions of every planned
// step, and for every metric planned for the valve. A revision replaces the one
// before it, which is revoked; the one in force at incision is completed with the
// operation, which is based on it. A plan is never an Observation or a Procedure.
//
// An operation is a parent Procedure with a child by partOf for every step
// performed, for every planned step left out (not-done) and for a replacement. A
// step that answers a planned one is based on it; one without basedOn was not
// planned, or it cannot be told which planned step it answers. A ring is a Device;
// one taken down again is inactive, implanted and explanted.
//
// Procedures name their performers and requests their requester, by the pseudonym of
// the site's record; the hospital's stay is a logical reference. What was implanted
// carries what its label says: maker, model, lot, serial number, carrier. What was
// done beside the repair is a child of the operation, and what was decided against a
// child that was not done; what was done to the valve afterwards is a Procedure whose
// reason is the operation. Urgency, approach, intention, vital status, complications,
// discharge and readmissions are Observations whose value is a word: of the operation
// by partOf, after it by focus.
//
// Every metric value becomes an Observation of its own: its number stands at the top,
// its place is the body site, its occasion a category, its pump run an extension, so
// that who searches or makes a table of them need know nothing else. Components are
// only the parts of what says nothing in parts: a difference, an outcome in words. The
// Observations of one occasion are the members of a panel; an echo's panel is the result of a
// DiagnosticReport that concludes with the grade. A value carries its band, high or
// low where a caution says so, that caution's limit and the aim of the plan in
// force as reference ranges, and its standard uncertainty and interval as
// extensions. A value after the repair also carries the limit of the policy under
// which it was evaluated, where one bounds it and its source was read.
//
// A contradiction, open or confirmed, and a caution are a DetectedIssue each. A difference between the
// plan in force and the outcome is an Observation, because it is no error. A
// Provenance says of every section revision which resources were made from it, and
// of what was computed under which versions. NotSent lists what stays out, with
// reasons; a test takes every field of the contract away and looks.
//
// # Absence
//
// A measured leaf that is recorded as absent, or disputed by an open
// contradiction, is an Observation with a dataAbsentReason and no value. A
// computed value exists or does not: not evaluable and not applicable send
// nothing. A prediction is a range or nothing. A planned number that is disputed or
// recorded as absent is an empty Quantity that says why.
//
// # Status of the operation
//
// The parent Procedure is stopped where the repair was converted; completed where
// the end is recorded, or where something is recorded that is only known once
// theatre is left (whether alive, an echo on leaving theatre, a follow-up);
// in-progress otherwise. Where the recorded end lies before the incision neither
// time is sent.
//
// # Amendment
//
// An Observation or a DiagnosticReport that an earlier state sent with another value,
// reason or time is amended; otherwise it is final.
//
// # Narrative
//
// Every resource but a Provenance has a generated sentence made of displays of codes
// and of numbers, so that neither text of the record nor an identifier gets in.
//
// # Ids and order of arrival
//
// Every id is a UUID of version 8 from the case's uid and the resource's key, so
// that a repeated bundle changes nothing; its first 48 bits say of which case it is. A bundle is a function of the whole
// history and names every id that any state of the case produced; the newest one
// therefore leaves a receiver where it ends whatever came before, and the
// history number, an extension of every resource, lets a receiver drop what arrives late. What an earlier
// state produced and this one does not is entered in error, with three exceptions:
// requests and goals of an earlier revision of the plan stay, revoked, as long as
// the plan is not retracted; a Provenance has no status and is only ever added, for
// that a revision was received stays true; and the Device of a software version that
// computed something then becomes inactive.
package fhirmap

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// MediaType of every bundle.
const MediaType = "application/fhir+json; fhirVersion=4.0"

// ErrNothing says that the case has no section that is not retracted and that
// nothing of it was ever sent, so that there is nothing to send.
var ErrNothing = errors.New("no state of the case had an accepted section; submit one first")

// Transaction gives the case as a transaction bundle of PUT requests, in JSON:
// the current state, and entered-in-error for every resource that was sent and that
// this state does not produce; a retracted or merged case gives all of them
// entered-in-error. What is entered in error names the current patient; an erased
// case must therefore come without a patient identifier.
//
// Errors: ErrNothing; ErrPatient; or a fault of an evaluation that would send a wrong number
// (a value that is not finite, an unknown unit, two values under one key), naming
// metric, place and occasion.
func Transaction(h History) ([]byte, error) {
	h = h.inTransaction()
	a, err := assemble(h)
	if err != nil {
		return nil, err
	}
	return h.leaving(a.encode(fhir.BundleTypeTransaction, func(typ, id string) (string, *fhir.BundleEntryRequest) {
		return urn(id), put(typ + "/" + id)
	}))
}

func put(url string) *fhir.BundleEntryRequest {
	return &fhir.BundleEntryRequest{Method: fhir.HTTPVerbPUT, Url: url}
}

// Resource is one encoded resource of a case.
type Resource struct {
	Type, ID string
	JSON     []byte
}

// Resources gives what Transaction sends, each resource by itself, in the same
// order and with the same errors.
func Resources(h History) ([]Resource, error) {
	a, err := assemble(h)
	if err != nil {
		return nil, err
	}
	return h.leavingAll(a.resources())
}

func (a assembly) resources() ([]Resource, error) {
	h := a.h
	list := make([]Resource, 0, len(a.living)+len(a.ended))
	for _, r := range a.living {
		if err := cmp.Or(h.asked(), r.checkStatus()); err != nil {
			return nil, err
		}
		text, err := json.Marshal(r.wrapped())
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", r.typ, r.id, err)
		}
		list = append(list, Resource{r.typ, r.id, text})
	}
	for _, row := range a.ended {
		if err := h.asked(); err != nil {
			return nil, err
		}
		text, err := a.ending.append(nil, row)
		if err != nil {
			return nil, err
		}
		list = append(list, Resource{row.Type, row.ID, text})
	}
	return list, nil
}

// ResourceID names a resource.
type ResourceID struct{ Type, ID string }

// IDs gives the resources that one snapshot produces by itself, by type and id.
func IDs(uid string, s Snapshot) ([]ResourceID, error) {
	resources, err := produce(History{UID: uid, Current: s})
	if err != nil {
		return nil, err
	}
	list := make([]ResourceID, len(resources))
	for i, r := range resources {
		list[i] = ResourceID{r.typ, r.id}
	}
	slices.SortFunc(list, func(a, b ResourceID) int {
		return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID))
	})
	return list, nil
}

// assembly is what is sent of a case.
type assembly struct {
	h      History
	living []resource // of the current state
	ended  []Sent     // what was sent and is not made any more, by type and id
	ending ending
}

// assemble puts together what the current state makes and what ended before.
func assemble(h History) (assembly, error) {
	living, err := produce(h)
	if err != nil {
		return assembly{}, err
	}
	return assembleOf(h, living)
}

// assembleOf does it with what the current state made.
func assembleOf(h History, living []resource) (assembly, error) {
	a := assembly{h: h, living: living}
	if !h.Current.accepted() && len(h.Sent) == 0 {
		return a, ErrNothing
	}
	if _, err := h.patientLink(); err != nil {
		return a, err
	}
	var err error
	if a.ending, err = newEnding(h); err != nil {
		return a, err
	}
	stated := make(map[string]resource, len(a.living))
	for _, r := range a.living {
		stated[r.id] = r
	}
	a.ended = make([]Sent, 0, len(h.Sent))
	for _, row := range h.Sent {
		if r, is := stated[row.ID]; is {
			if amends(r.digest(), row) {
				r.amend()
			}
			continue
		}
		if !row.ended() {
			// Another mapping made it, and no write came since.
			if row.Gone, row.State, err = unknownForm(row.Type, row.ID).ended(); err != nil {
				return a, err
			}
		}
		if row.Gone, err = withoutBars(row); err != nil {
			return a, err
		}
		if row.Gone != nil {
			a.ended = append(a.ended, row)
		}
	}
	slices.SortFunc(a.ended, sentInOrder)
	a.ending.codes.put(a.living)
	return a, nil
}
