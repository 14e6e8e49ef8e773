package fhirrest

import (
	"encoding/json"
	"slices"
	"time"
)

// The capability statement's parts, as far as they are stated.
type (
	capability struct {
		ResourceType   string         `json:"resourceType"`
		Status         string         `json:"status"`
		Date           string         `json:"date"`
		Kind           string         `json:"kind"`
		Software       software       `json:"software"`
		Implementation implementation `json:"implementation"`
		FHIRVersion    string         `json:"fhirVersion"`
		Format         []string       `json:"format"`
		Rest           []rest         `json:"rest"`
	}
	software struct {
		Name    string `json:"name"`
		Version string `json:"version"`
	}
	implementation struct {
		Description string `json:"description"`
		URL         string `json:"url"`
	}
	rest struct {
		Mode          string           `json:"mode"`
		Documentation string           `json:"documentation"`
		Resource      []servedResource `json:"resource"`
		Operation     []operation      `json:"operation,omitempty"`
	}
	operation struct {
		Name       string `json:"name"`
		Definition string `json:"definition"`
	}
	servedResource struct {
		Type             string        `json:"type"`
		Documentation    string        `json:"documentation,omitempty"`
		Interaction      []interaction `json:"interaction"`
		Versioning       string        `json:"versioning"`
		ReadHistory      bool          `json:"readHistory"`
		ConditionalRead  string        `json:"conditionalRead"`
		SearchInclude    []string      `json:"searchInclude,omitempty"`
		SearchRevInclude []string      `json:"searchRevInclude,omitempty"`
		SearchParam      []searchParam `json:"searchParam,omitempty"`
	}
	interaction struct {
		Code          string `json:"code"`
		Documentation string `json:"documentation,omitempty"`
	}
	searchParam struct {
		Name          string `json:"name"`
		Definition    string `json:"definition"`
		Type          kind   `json:"type"`
		Documentation string `json:"documentation,omitempty"`
	}
)

const caution = "Read-only record of mitral valve repairs. Decision support for qualified staff, not a medical device: " +
	"clinical judgement, local protocols and licensed practice come first. Predictions are ranges of an uncalibrated model, not advice."

// statement gives the capability statement, made of the table of what is served.
func (f *Face) statement(version string, started time.Time) ([]byte, error) {
	s := capability{
		ResourceType: "CapabilityStatement", Status: "active", Date: started.UTC().Format(time.RFC3339), Kind: "instance",
		Software:       software{"trigone", version},
		Implementation: implementation{caution, f.base},
		FHIRVersion:    "4.0.1", Format: []string{"application/fhir+json", "json"},
		Rest: []rest{{
			Mode: "server",
			Documentation: "Searches by GET and by POST to _search. _count to 1000, _summary=count, _total=accurate, _format json; pages by the next link. " +
				"_sort by _id, _lastUpdated and the dates of the type, with a minus for the latest first. " +
				"A patient is known by identifier: patient.identifier=system|value or subject:identifier=system|value; " +
				"where the site makes ids of identifiers, by subject=Patient/id too. " +
				"A parameter of R4 that is not declared here, a chain, a modifier and every other name that begins with an underscore is refused: " +
				"without it the answer would hold more than was asked for. Names that R4 does not have are left out, and with Prefer: handling=strict refused.",
		}},
	}
	for i := range served {
		s.Rest[0].Resource = append(s.Rest[0].Resource, served[i].statement(f.desk.Canonical))
	}
	for _, name := range f.fixed.Types {
		s.Rest[0].Resource = append(s.Rest[0].Resource, servedResource{
			Type: name, Interaction: []interaction{{Code: "read"}, {Code: "search-type"}}, Versioning: "no-version", ConditionalRead: "not-supported",
			SearchParam: []searchParam{
				{Name: paramID, Definition: searchParameter + "Resource-id", Type: kindToken},
				{Name: paramURL, Definition: searchParameter + urlParameter(name), Type: kindURI},
			},
		})
	}
	if f.exports.dir != "" {
		s.Rest[0].Operation = []operation{{"export", "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export"}}
		s.Rest[0].Documentation += " $export gives who looked as AuditEvent to auditors, if _type names it."
	}
	return json.Marshal(s)
}

func (t *resourceType) statement(canonical func(typ, id string) string) servedResource {
	r := servedResource{
		Type: t.name,
		Interaction: []interaction{
			{Code: "read"},
			{Code: "search-type"},
		},
		// An earlier version is never served: no vread is declared.
		Documentation: "A read with _history and the current version answers; any other version is answered with 404, not-supported.",
		Versioning:    "versioned", ConditionalRead: "full-support",
	}
	for _, p := range t.params {
		r.SearchParam = append(r.SearchParam, searchParam{p.name, t.definition(p, canonical), p.kind, p.documentation()})
	}
	r.SearchInclude = includeNames(t.includes())
	r.SearchRevInclude = includeNames(t.reverseIncludes())
	return r
}

func (p param) documentation() string {
	switch {
	case p.staff:
		return "by pseudonym, as " + p.name + ".identifier or " + p.name + ":identifier; for auditors, and for everybody for his own; modifiers: identifier, and for auditors missing"
	case p.hashed && p.kind == kindToken:
		return "the whole lot number, from the label or behind (10) in a UDI carrier of the form of GS1; capitals, accents, spaces and hyphens make no difference; modifiers: missing, not"
	case p.hashed:
		return "all 14 digits of the device identifier in a UDI carrier of the form of GS1; a beginning is refused, and carriers of other forms have none; modifier: missing"
	case p.kind == kindString:
		return "the beginning; capitals, accents, spaces and hyphens make no difference; modifiers: missing, exact, contains"
	case p.kind == kindToken:
		return "modifiers: missing, not"
	case p.kind == kindReference && len(p.targets) == 0:
		return "modifiers: missing, identifier; a literal reference, Patient/id, is only held where the site makes ids of identifiers"
	case p.kind == kindReference:
		return "modifiers: missing, identifier, type"
	case p.kind == kindDate:
		return "prefixes: eq, ne, gt, lt, ge, le, sa, eb; a date without a zone is meant in the site's; modifier: missing"
	}
	return "modifier: missing"
}

func includeNames(list []include) []string {
	var names []string
	for _, i := range list {
		names = append(names, i.String())
	}
	slices.Sort(names)
	return names
}

// urlParameter names the parameter of R4 that finds a canonical resource by its url: those
// that describe conformance share one.
func urlParameter(resource string) string {
	if resource == "Measure" {
		return "Measure-url"
	}
	return "conformance-url"
}
