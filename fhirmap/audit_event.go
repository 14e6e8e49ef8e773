package fhirmap

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-json"
	"github.com/google/uuid"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// TypeAuditEvent is the type of a line of the access record as a resource. It is of no
// case, and none of ResourceTypes: an export has it only if it is asked for.
const TypeAuditEvent = "AuditEvent"

// AccessLine is a line of the access record. It names no patient; the reason of a read
// in an emergency, which is free text, is no part of it.
type AccessLine struct {
	Number    int64
	Time      time.Time
	Site      string
	Caller    string // by the name that the deployment file gives, a pseudonym
	Method    string
	CaseUID   string // empty: none, or several
	Cases     int64  // how many, of an answer about several
	Outcome   string
	RequestID string
	Concerns  int64
	Emergency bool
	// Service says that the service itself is the caller.
	Service bool
	Hash    []byte // of the chain, by which the line is proved
}

// Systems of what an AuditEvent refers to.
const (
	// identitySystem is that of the names of identities, which are the deployment's.
	identitySystem = Base + "/identity"
	accessSystem   = Base + "/access-line"
	caseSystem     = Base + "/case"
)

// Code systems of AuditEvent. Codes and displays were read in HL7's R4 definitions of
// the value sets that AuditEvent's elements are bound to; a test looks them up there.
const (
	dicomSystem       = "http://dicom.nema.org/resources/ontology/DCM"
	auditTypeSystem   = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	interactionSystem = "http://hl7.org/fhir/restful-interaction"
	auditSource       = "http://terminology.hl7.org/CodeSystem/security-source-type"
	entityTypeSystem  = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	objectRoleSystem  = "http://terminology.hl7.org/CodeSystem/object-role"
	actReasonSystem   = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
)

func coded(system, code, display string) fhir.Coding {
	return fhir.Coding{System: text(system), Code: text(code), Display: text(display)}
}

// What a call is in the words of the standards.
var (
	auditRest    = coded(auditTypeSystem, "rest", "RESTful Operation")
	auditRecord  = coded(dicomSystem, "110110", "Patient Record")
	auditQuery   = coded(dicomSystem, "110112", "Query")
	auditExport  = coded(dicomSystem, "110106", "Export")
	auditLog     = coded(dicomSystem, "110101", "Audit Log Used")
	auditProgram = coded(dicomSystem, "110100", "Application Activity")
	auditStart   = coded(dicomSystem, "110120", "Application Start")
	auditStop    = coded(dicomSystem, "110121", "Application Stop")

	interactionRead    = coded(interactionSystem, "read", "read")
	interactionVersion = coded(interactionSystem, "vread", "vread")
	interactionSearch  = coded(interactionSystem, "search-type", "search-type")
	interactionAll     = coded(interactionSystem, "operation", "operation")
)

// event is what a call is.
type event struct {
	typ     fhir.Coding
	subtype *fhir.Coding
	action  string // of audit-event-action: C, R, U, D or E
}

// eventsByMethod says what each call of the contract is, by its name without the
// service; a test asks for each. EvaluatePlan and the like execute and keep nothing.
var eventsByMethod = map[string]event{
	"SubmitCase": {auditRecord, nil, "U"}, "FileQuarantined": {auditRecord, nil, "U"}, "AmendIdentity": {auditRecord, nil, "U"},
	"ConfirmFinding": {auditRecord, nil, "U"}, "RevokeConfirmation": {auditRecord, nil, "U"}, "SignOperativeNote": {auditRecord, nil, "U"},
	"RunRetention": {auditRecord, nil, "D"}, "RetractSection": {auditRecord, nil, "D"}, "RetractCase": {auditRecord, nil, "D"}, "EraseIdentity": {auditRecord, nil, "D"}, "EraseCase": {auditRecord, nil, "D"},
	"GetCase": {auditRecord, nil, "R"}, "GetCaseInEmergency": {auditRecord, nil, "R"}, "ListRevisions": {auditRecord, nil, "R"}, "GetOperativeNote": {auditRecord, nil, "R"},
	"GetQuarantined": {auditRecord, nil, "R"}, "EvaluateAgain": {auditRecord, nil, "R"},
	"EvaluatePlan": {auditRecord, nil, "E"}, "ExplorePlans": {auditRecord, nil, "E"}, "CalibratePrediction": {auditQuery, nil, "E"},
	"GetBundle": {auditExport, nil, "R"}, "ExportResources": {auditExport, nil, "R"},
	"ListCases":          {auditQuery, nil, "E"},
	"ListChanges":        {auditQuery, nil, "E"},
	"ListDiscrepancies":  {auditQuery, nil, "E"},
	"ListComparisons":    {auditQuery, nil, "E"},
	"ListCaseFacts":      {auditQuery, nil, "E"},
	"EstimateFreedom":    {auditQuery, nil, "E"},
	"FindImplants":       {auditQuery, nil, "E"},
	"SummarizeAgreement": {auditQuery, nil, "E"},
	"MonitorOutcomes":    {auditQuery, nil, "E"},
	"SummarizeOutcomes":  {auditQuery, nil, "E"},
	"ListQuarantined":    {auditQuery, nil, "E"},
	"SummarizeLedger":    {auditQuery, nil, "E"},
	"ListGaps":           {auditQuery, nil, "E"},
	"SubmitTheatreCount": {auditRecord, nil, "U"},
	"ExtractTable":       {auditExport, nil, "R"},
	"ListAccesses":       {auditLog, nil, "R"}, "SignOffAccess": {auditLog, nil, "U"},
}

// eventOf gives what a line's call is.
func eventOf(l AccessLine) event {
	if l.Service {
		switch l.Method {
		case "Start":
			return event{auditProgram, &auditStart, "E"}
		case "Stop":
			return event{auditProgram, &auditStop, "E"}
		}
		return event{auditProgram, nil, "E"}
	}
	if _, name, ok := strings.Cut(l.Method, "Service/"); ok {
		if e, known := eventsByMethod[name]; known {
			return e
		}
		return event{auditRecord, nil, ""}
	}
	verb, route, _ := strings.Cut(l.Method, " ")
	switch {
	case strings.HasPrefix(route, "$export-file"):
		return event{auditExport, &interactionAll, "R"}
	case strings.HasPrefix(route, "$"):
		return event{auditRest, &interactionAll, "E"}
	case strings.HasPrefix(route, "/") && verb == "POST":
		return event{auditRecord, nil, "E"}
	case strings.HasPrefix(route, "/"), verb == "page":
		return event{auditRecord, nil, "R"} // a page
	case strings.Contains(route, "/_history/"):
		return event{auditRest, &interactionVersion, "R"}
	case strings.HasSuffix(route, "/{id}"):
		return event{auditRest, &interactionRead, "R"}
	case route != "":
		return event{auditRest, &interactionSearch, "E"}
	}
	return event{auditRest, nil, "E"} // refused before it was known what it asks for
}

// outcomeOf gives what came of a call in the words of audit-event-outcome: 0 success, 4
// minor failure, 8 serious failure. A stream that has begun has been let in.
func outcomeOf(outcome string) string {
	switch outcome {
	case "OK", "BEGUN":
		return "0"
	case "Internal", "Unknown", "DataLoss", "Unavailable":
		return "8"
	}
	if code, http := strings.CutPrefix(outcome, "HTTP "); http {
		switch {
		case strings.HasPrefix(code, "5"):
			return "8"
		case strings.HasPrefix(code, "2"), strings.HasPrefix(code, "3"):
			return "0"
		}
	}
	return "4"
}

// The library's own type writes every detail of an entity in both of its forms, one of
// them empty, which is no FHIR.
type (
	auditEvent struct {
		ResourceType   string                 `json:"resourceType"`
		ID             string                 `json:"id"`
		Type           fhir.Coding            `json:"type"`
		Subtype        []fhir.Coding          `json:"subtype,omitempty"`
		Action         string                 `json:"action,omitempty"`
		Recorded       string                 `json:"recorded"`
		Outcome        string                 `json:"outcome"`
		OutcomeDesc    string                 `json:"outcomeDesc,omitempty"`
		PurposeOfEvent []fhir.CodeableConcept `json:"purposeOfEvent,omitempty"`
		Agent          []fhir.AuditEventAgent `json:"agent"`
		Source         fhir.AuditEventSource  `json:"source"`
		Entity         []auditEntity          `json:"entity"`
	}
	auditEntity struct {
		What   *fhir.Reference `json:"what,omitempty"`
		Type   *fhir.Coding    `json:"type,omitempty"`
		Role   *fhir.Coding    `json:"role,omitempty"`
		Detail []auditDetail   `json:"detail,omitempty"`
	}
	auditDetail struct {
		Type        string `json:"type"`
		ValueString string `json:"valueString"`
	}
)

func logical(system, value string) *fhir.Reference {
	return &fhir.Reference{Identifier: &fhir.Identifier{System: text(system), Value: text(value)}}
}

// AuditEvent gives a line of the access record as a resource, with the names that the
// site has for what is ours: who called, what, about which case, when, and what came of
// it. Its id is made of the line's hash, so that it is the same wherever it is made.
func (s Site) AuditEvent(l AccessLine) (Resource, error) {
	of := hashOf("access", string(l.Hash))
	var id uuid.UUID
	copy(id[:], of[:])
	e, system, line, security := eventOf(l), coded(entityTypeSystem, "2", "System Object"), coded(objectRoleSystem, "4", "Domain Resource"), coded(objectRoleSystem, "13", "Security Resource")
	out := auditEvent{
		ResourceType: TypeAuditEvent, ID: versionEight(id).String(), Type: e.typ, Action: e.action, Recorded: l.Time.UTC().Format("2006-01-02T15:04:05.000000000Z07:00"),
		Outcome: outcomeOf(l.Outcome), OutcomeDesc: l.Outcome,
		Agent:  []fhir.AuditEventAgent{{Who: logical(identitySystem, l.Caller), Requestor: true}},
		Source: fhir.AuditEventSource{Site: text(l.Site), Observer: *logical(identitySystem, "trigoned"), Type: []fhir.Coding{coded(auditSource, "4", "Application Server")}},
	}
	if e.subtype != nil {
		out.Subtype = []fhir.Coding{*e.subtype}
	}
	if l.Emergency {
		out.PurposeOfEvent = []fhir.CodeableConcept{{Coding: []fhir.Coding{coded(actReasonSystem, "BTG", "break the glass")}}}
	}
	if l.CaseUID != "" {
		out.Entity = append(out.Entity, auditEntity{What: logical(caseSystem, l.CaseUID), Type: &system, Role: &line})
	}
	itself := auditEntity{What: logical(accessSystem, hex.EncodeToString(l.Hash)), Type: &system, Role: &security}
	detail := func(typ, value string) {
		if value != "" && value != "0" {
			itself.Detail = append(itself.Detail, auditDetail{typ, value})
		}
	}
	detail("call", l.Method)
	detail("line", strconv.FormatInt(l.Number, 10))
	detail("cases", strconv.FormatInt(l.Cases, 10))
	detail("request-id", l.RequestID)
	detail("concerns-line", strconv.FormatInt(l.Concerns, 10))
	out.Entity = append(out.Entity, itself)
	content, err := json.Marshal(out)
	if err != nil {
		return Resource{}, fmt.Errorf("line %d of the access record: %w", l.Number, err)
	}
	return Resource{TypeAuditEvent, out.ID, s.Named(content)}, nil
}
