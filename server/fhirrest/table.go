package fhirrest

import (
	"slices"
	"strings"

	"trigone/fhirmap"
)

// kind is a kind of search parameter, in FHIR's words.
type kind string

const (
	kindToken     kind = "token"
	kindDate      kind = "date"
	kindReference kind = "reference"
	kindQuantity  kind = "quantity"
	kindComposite kind = "composite"
	kindURI       kind = "uri"
	kindString    kind = "string"
)

// param is one search parameter of a type: what it is called, where its values
// stand in the encoded resource, and where R4 defines it.
type param struct {
	name string
	kind kind
	// paths lead to the values, by member names joined with dots; lists are walked
	// through. For a composite they lead to the elements its parts stand in.
	paths []string
	// shared is the id of the definition where it is not Type-name.
	shared string
	// system is that of a bare code, which its element's binding fixes.
	system string
	// targets are the served types a reference may name: those it can be included
	// by. None: the patient, who is known by identifier.
	targets []string
	// value is the member beside code that a composite binds to it.
	value string
	// valueKind is that member's kind.
	valueKind kind
	// union names the parameters whose values this one searches beside its own.
	union []string
	// own is the id of our definition, where R4 has no such parameter.
	own string
	// hashed says that values identify: they stand in no row but as a hash, and only
	// a whole one can be found.
	hashed bool
	// staff says that it selects by who operated or signed, which not everybody may who
	// reads: see Face.selects. Somebody is known by pseudonym, as identifier only.
	staff bool
	// within gives what is searched of a text at a path; nil: all of it.
	within func(path, text string) string
}

// ofPatient says that the parameter names the patient.
func (p param) ofPatient() bool { return p.kind == kindReference && len(p.targets) == 0 && !p.staff }

// patientPrefix begins a literal reference to a patient, for sites that have chosen it.
const patientPrefix = "Patient/"

// resourceType is a served type with its parameters.
type resourceType struct {
	name   string
	params []param
	// refused are the other parameters that R4 has for the type: a search that names
	// one would be answered with more than was asked for.
	refused []string
}

const searchParameter = "http://hl7.org/fhir/SearchParameter/"

// definition is the canonical address of the parameter's definition: in R4, or ours as
// it is named here.
func (t resourceType) definition(p param, canonical func(typ, id string) string) string {
	if p.own != "" {
		return canonical(fhirmap.TypeSearchParameter, p.own)
	}
	if p.shared != "" {
		return searchParameter + p.shared
	}
	return searchParameter + t.name + "-" + p.name
}

// Value sets' systems of bare codes.
const (
	requestStatus = "http://hl7.org/fhir/request-status"
	requestIntent = "http://hl7.org/fhir/request-intent"
)

func token(name string, paths ...string) param {
	return param{name: name, kind: kindToken, paths: paths}
}
func code(name, path, system string) param {
	return param{name: name, kind: kindToken, paths: []string{path}, system: system}
}
func date(name string, paths ...string) param { return param{name: name, kind: kindDate, paths: paths} }
func quantity(name string, paths ...string) param {
	return param{name: name, kind: kindQuantity, paths: paths}
}
func reference(name, path string, targets ...string) param {
	return param{name: name, kind: kindReference, paths: []string{path}, targets: targets}
}
func composite(name, value string, of kind, elements ...string) param {
	return param{name: name, kind: kindComposite, paths: elements, value: value, valueKind: of}
}

// combo searches an Observation and its components alike.
func combo(k kind, name string) param {
	return param{name: "combo-" + name, kind: k, union: []string{name, "component-" + name}}
}

func (p param) of(value kind) param {
	p.valueKind = value
	return p
}

// atPlace searches the sites in the valve; R4 has a parameter for them at neither type.
func atPlace() param {
	p := token(fhirmap.SearchPlace, "bodySite")
	p.own = fhirmap.SearchPlace
	return p
}

// label searches a text of a label of an implant.
func label(name, path string) param {
	return param{name: name, kind: kindString, paths: []string{path}}
}

// lotNumber searches lots: R4 has no parameter for them. A token is compared as a
// whole.
func lotNumber() param {
	const carrier = "udiCarrier.carrierHRF"
	p := token(fhirmap.SearchLotNumber, "lotNumber", carrier)
	p.own, p.hashed = fhirmap.SearchLotNumber, true
	p.within = func(path, text string) string {
		if path == carrier {
			return fhirmap.LotInCarrier(text)
		}
		return text
	}
	return p
}

// deviceIdentifier searches what a carrier says of which product it is.
func deviceIdentifier() param {
	p := label("udi-di", "udiCarrier.deviceIdentifier")
	p.hashed = true
	return p
}

// staff searches by who operated or signed.
func staff(name, path string) param {
	return param{name: name, kind: kindReference, paths: []string{path}, hashed: true, staff: true}
}

// clinical names the definition that R4 shares between types.
func clinical(p param) param {
	p.shared = "clinical-" + p.name
	return p
}

// common are the parameters of every type.
var common = []param{
	{name: "_id", kind: kindToken, paths: []string{"id"}, shared: "Resource-id"},
	{name: "_lastUpdated", kind: kindDate, paths: []string{"meta.lastUpdated"}, shared: "Resource-lastUpdated"},
	{name: "_profile", kind: kindURI, paths: []string{"meta.profile"}, shared: "Resource-profile"},
}

// The element that is the resource itself.
const whole = ""

// served is the one table of what is served: the router, the search, the includes
// and the capability statement read it. A parameter is one of R4 4.0.1, whose list
// testdata holds, or one that fhirmap publishes; a test compares.
var served = withCommon([]resourceType{
	{name: "DetectedIssue", params: []param{
		token("code", "code"),
		date("identified", "identifiedDateTime", "identifiedPeriod"),
		clinical(token("identifier", "identifier")),
		reference("implicated", "implicated", "Observation", "Procedure", "Device"),
		clinical(reference("patient", "patient")),
	}, refused: []string{"author"}},
	{name: "Device", params: []param{
		token("identifier", "identifier"),
		lotNumber(),
		label("manufacturer", "manufacturer"),
		label("model", "modelNumber"),
		reference("patient", "patient"),
		code("status", "status", "http://hl7.org/fhir/device-status"),
		token("type", "type"),
		deviceIdentifier(),
	}, refused: []string{"device-name", "location", "organization", "udi-carrier", "url"}},
	{name: "DeviceRequest", params: []param{
		date("authored-on", "authoredOn"),
		reference("based-on", "basedOn", "ServiceRequest"),
		clinical(token("code", "codeCodeableConcept")),
		date("event-date", "occurrenceDateTime", "occurrencePeriod"),
		token("group-identifier", "groupIdentifier"),
		clinical(token("identifier", "identifier")),
		code("intent", "intent", requestIntent),
		clinical(reference("patient", "subject")),
		reference("prior-request", "priorRequest", "DeviceRequest"),
		staff("requester", "requester"),
		code("status", "status", requestStatus),
		reference("subject", "subject"),
	}, refused: []string{"device", "encounter", "instantiates-canonical", "instantiates-uri", "insurance", "performer"}},
	{name: "DiagnosticReport", params: []param{
		reference("based-on", "basedOn", "ServiceRequest"),
		token("category", "category"),
		clinical(token("code", "code")),
		token("conclusion", "conclusionCode"),
		clinical(date("date", "effectiveDateTime", "effectivePeriod")),
		clinical(token("identifier", "identifier")),
		date("issued", "issued"),
		clinical(reference("patient", "subject")),
		reference("result", "result", "Observation"),
		code("status", "status", "http://hl7.org/fhir/diagnostic-report-status"),
		reference("subject", "subject"),
	}, refused: []string{"encounter", "media", "performer", "results-interpreter", "specimen"}},
	{name: "Goal", params: []param{
		token("achievement-status", "achievementStatus"),
		token("category", "category"),
		clinical(token("identifier", "identifier")),
		code("lifecycle-status", "lifecycleStatus", "http://hl7.org/fhir/goal-status"),
		clinical(reference("patient", "subject")),
		date("start-date", "startDate"),
		reference("subject", "subject"),
		date("target-date", "target.dueDate"),
	}},
	{name: "Observation", params: []param{
		reference("based-on", "basedOn", "ServiceRequest", "DeviceRequest"),
		token("category", "category"),
		clinical(token("code", "code")),
		composite("code-value-concept", "valueCodeableConcept", kindToken, whole),
		composite("code-value-quantity", "valueQuantity", kindQuantity, whole),
		combo(kindToken, "code"),
		combo(kindComposite, "code-value-concept").of(kindToken),
		combo(kindComposite, "code-value-quantity").of(kindQuantity),
		combo(kindToken, "data-absent-reason"),
		combo(kindToken, "value-concept"),
		combo(kindQuantity, "value-quantity"),
		token("component-code", "component.code"),
		composite("component-code-value-concept", "valueCodeableConcept", kindToken, "component"),
		composite("component-code-value-quantity", "valueQuantity", kindQuantity, "component"),
		token("component-data-absent-reason", "component.dataAbsentReason"),
		token("component-value-concept", "component.valueCodeableConcept"),
		quantity("component-value-quantity", "component.valueQuantity"),
		token("data-absent-reason", "dataAbsentReason"),
		clinical(date("date", "effectiveDateTime", "effectivePeriod", "effectiveInstant")),
		reference("derived-from", "derivedFrom", "Observation"),
		reference("device", "device", "Device"),
		reference("focus", "focus", "Device", "Procedure", "Observation"),
		reference("has-member", "hasMember", "Observation"),
		clinical(token("identifier", "identifier")),
		token("method", "method"),
		reference("part-of", "partOf", "Procedure"),
		clinical(reference("patient", "subject")),
		atPlace(),
		code("status", "status", "http://hl7.org/fhir/observation-status"),
		reference("subject", "subject"),
		token("value-concept", "valueCodeableConcept"),
		quantity("value-quantity", "valueQuantity"),
	}, refused: []string{"code-value-date", "code-value-string", "encounter", "performer", "specimen", "value-date", "value-string"}},
	{name: "Procedure", params: []param{
		reference("based-on", "basedOn", "ServiceRequest"),
		token("category", "category"),
		clinical(token("code", "code")),
		clinical(date("date", "performedDateTime", "performedPeriod")),
		clinical(token("identifier", "identifier")),
		reference("part-of", "partOf", "Procedure", "Observation"),
		clinical(reference("patient", "subject")),
		staff("performer", "performer.actor"),
		atPlace(),
		token("reason-code", "reasonCode"),
		reference("reason-reference", "reasonReference", "Observation", "Procedure", "DiagnosticReport"),
		code("status", "status", "http://hl7.org/fhir/event-status"),
		reference("subject", "subject"),
	}, refused: []string{"encounter", "instantiates-canonical", "instantiates-uri", "location"}},
	{name: "Provenance", params: []param{
		reference("agent", "agent.who", "Device"),
		token("agent-role", "agent.role"),
		token("agent-type", "agent.type"),
		reference("entity", "entity.what", "Observation", "Procedure", "ServiceRequest", "DeviceRequest", "Goal", "DiagnosticReport"),
		date("recorded", "recorded"),
		reference("target", "target", "DetectedIssue", "Device", "DeviceRequest", "DiagnosticReport", "Goal", "Observation", "Procedure", "ServiceRequest"),
		date("when", "occurredDateTime"),
	}, refused: []string{"location", "patient", "signature-type"}},
	{name: "ServiceRequest", params: []param{
		date("authored", "authoredOn"),
		reference("based-on", "basedOn", "ServiceRequest"),
		token("body-site", "bodySite"),
		token("category", "category"),
		clinical(token("code", "code")),
		clinical(token("identifier", "identifier")),
		code("intent", "intent", requestIntent),
		date("occurrence", "occurrenceDateTime", "occurrencePeriod"),
		clinical(reference("patient", "subject")),
		reference("replaces", "replaces", "ServiceRequest"),
		staff("requester", "requester"),
		token("requisition", "requisition"),
		code("status", "status", requestStatus),
		reference("subject", "subject"),
	}, refused: []string{"encounter", "instantiates-canonical", "instantiates-uri", "performer", "performer-type", "priority", "specimen"}},
})

func withCommon(types []resourceType) []resourceType {
	for i := range types {
		types[i].params = append(slices.Clone(common), types[i].params...)
	}
	return types
}

func typeNamed(name string) *resourceType {
	for i := range served {
		if served[i].name == name {
			return &served[i]
		}
	}
	return nil
}

// position gives where among the type's parameters one stands, or -1.
func (t *resourceType) position(name string) int {
	return slices.IndexFunc(t.params, func(p param) bool { return p.name == name })
}

// include is a reference parameter by which resources are added to a page.
type include struct {
	source string // type that refers
	param  int
	target string // only this type; empty: any
}

func (i include) String() string { return i.source + ":" + typeNamed(i.source).params[i.param].name }

// includes gives by what resources that this type refers to can be added.
func (t *resourceType) includes() []include {
	var list []include
	for i, p := range t.params {
		if len(p.targets) > 0 {
			list = append(list, include{source: t.name, param: i})
		}
	}
	return list
}

// reverseIncludes gives by what resources that refer to this type can be added.
func (t *resourceType) reverseIncludes() []include {
	var list []include
	for _, s := range served {
		for i, p := range s.params {
			if slices.Contains(p.targets, t.name) {
				list = append(list, include{source: s.name, param: i})
			}
		}
	}
	return list
}

// parseInclude reads Type:parameter or Type:parameter:Target.
func parseInclude(text string, allowed []include) (include, bool) {
	parts := strings.Split(text, ":")
	if len(parts) != 2 && len(parts) != 3 {
		return include{}, false
	}
	for _, i := range allowed {
		p := typeNamed(i.source).params[i.param]
		if i.source != parts[0] || p.name != parts[1] {
			continue
		}
		if len(parts) == 3 {
			if !slices.Contains(p.targets, parts[2]) {
				return include{}, false
			}
			i.target = parts[2]
		}
		return i, true
	}
	return include{}, false
}
