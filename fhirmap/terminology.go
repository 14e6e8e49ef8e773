package fhirmap

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
)

// Types of the resources that say what our codes and profiles mean.
const (
	TypeCodeSystem          = "CodeSystem"
	TypeValueSet            = "ValueSet"
	TypeConceptMap          = "ConceptMap"
	TypeStructureDefinition = "StructureDefinition"
	TypeSearchParameter     = "SearchParameter"
)

// canonical gives the URL of a resource of ours, at which it is also to be served.
func canonical(typ, id string) string { return Base + "/" + typ + "/" + id }

// Terminology gives the resources that say what our output means, made from the
// tables the output itself is made from: a CodeSystem for each of our systems, a
// ValueSet for each bound element, the ConceptMap to public codes, the profiles, our
// extensions and our search parameters. The codes of a site are told by the ConceptMap
// and the ValueSets, its reference to the patient by the profiles. The order is that of
// type, then id, and never changes
// otherwise.
//
// Errors: a fault of a site's code, see SiteCodeFaults.
func Terminology(site Site) ([]Resource, error) {
	if faults := SiteCodeFaults(site.Codes); len(faults) > 0 {
		f := faults[0]
		return nil, fmt.Errorf("code %d of the site: %s %s", f.Index+1, f.Field, f.Text)
	}
	var list []Resource
	add := func(typ, id string, wrapped any) error {
		r, err := encoded(typ, id, wrapped)
		list = append(list, r)
		return err
	}
	for _, s := range CodeSystems() {
		if err := add(TypeCodeSystem, lastPart(s.URL), codeSystemResource(s)); err != nil {
			return nil, err
		}
	}
	m := conceptMap(site.Codes)
	if err := add(TypeConceptMap, *m.Id, conceptMapJSON{TypeConceptMap, (*fhir.OtherConceptMap)(&m)}); err != nil {
		return nil, err
	}
	for _, m := range measures() {
		if err := add(TypeMeasure, *m.Id, measureJSON{TypeMeasure, (*fhir.OtherMeasure)(&m)}); err != nil {
			return nil, err
		}
	}
	for _, p := range searchParameters() {
		if err := add(TypeSearchParameter, *p.Id, searchParameterJSON{TypeSearchParameter, (*fhir.OtherSearchParameter)(&p)}); err != nil {
			return nil, err
		}
	}
	for _, p := range profiles() {
		d := p.definition(site.Patient)
		if err := add(TypeStructureDefinition, p.id, structureDefinitionJSON{TypeStructureDefinition, (*fhir.OtherStructureDefinition)(&d)}); err != nil {
			return nil, err
		}
	}
	for _, x := range Extensions() {
		if !strings.HasPrefix(x.URL, Base) {
			continue // HL7's own
		}
		d := extensionDefinition(x)
		if err := add(TypeStructureDefinition, lastPart(x.URL), structureDefinitionJSON{TypeStructureDefinition, (*fhir.OtherStructureDefinition)(&d)}); err != nil {
			return nil, err
		}
	}
	for _, s := range valueSets() {
		v := s.resource(site.Codes)
		if err := add(TypeValueSet, s.id, valueSetJSON{TypeValueSet, (*fhir.OtherValueSet)(&v)}); err != nil {
			return nil, err
		}
	}
	for i := range list {
		list[i].JSON = site.Named(list[i].JSON)
	}
	slices.SortFunc(list, byTypeAndID)
	return list, nil
}

func encoded(typ, id string, wrapped any) (Resource, error) {
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	if err := e.Encode(wrapped); err != nil {
		return Resource{}, fmt.Errorf("%s %s: %w", typ, id, err)
	}
	return Resource{typ, id, bytes.TrimRight(text.Bytes(), "\n")}, nil
}

// FindTerminology looks a resource of Terminology up by type and id.
func FindTerminology(list []Resource, typ, id string) (Resource, bool) {
	i, ok := slices.BinarySearchFunc(list, Resource{Type: typ, ID: id}, byTypeAndID)
	if !ok {
		return Resource{}, false
	}
	return list[i], true
}

func byTypeAndID(a, b Resource) int {
	return slices.Compare([]string{a.Type, a.ID}, []string{b.Type, b.ID})
}

// The wrappers put the type first; see encode.go for why they embed the library's
// types without their MarshalJSON.
type (
	codeSystemJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherCodeSystem
		Concept []conceptJSON `json:"concept,omitempty"`
	}
	// The library writes every form of a property's value, empty ones too.
	conceptJSON struct {
		Code       string         `json:"code"`
		Display    string         `json:"display,omitempty"`
		Definition string         `json:"definition,omitempty"`
		Property   []propertyJSON `json:"property,omitempty"`
	}
	propertyJSON struct {
		Code         string      `json:"code"`
		ValueString  string      `json:"valueString,omitempty"`
		ValueDecimal json.Number `json:"valueDecimal,omitempty"`
	}
	valueSetJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherValueSet
	}
	conceptMapJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherConceptMap
	}
	structureDefinitionJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherStructureDefinition
	}
	searchParameterJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherSearchParameter
	}
)

// publisher of every resource.
const publisher = "trigone"

// licences stands in every resource that names codes of others.
const licences = "Names codes of LOINC, SNOMED CT or DICOM without their content. Each has a licence of its own, which is the user's matter; SNOMED CT needs a national or affiliate licence."

// counted is the version of a resource that only grows: how many codes it has says
// which ones. With codes of a site it also says which those are.
func counted(codes int, site []metric.SiteCode) *string {
	version := "1." + strconv.Itoa(codes)
	if len(site) > 0 {
		sum := sha256.Sum256(fmt.Appendf(nil, "%q", site))
		version += "-site-" + hex.EncodeToString(sum[:4])
	}
	return text(version)
}

func pointer[T any](v T) *T { return &v }

// The search parameters of our own, each id also its code.
const (
	SearchLotNumber = "lot-number"
	SearchPlace     = "place"
)

// searchParameters gives the search parameters that R4 lacks: Device has none for the
// lot number, by which implants are recalled, and neither Observation nor Procedure
// has one for where in the valve it is.
func searchParameters() []fhir.SearchParameter {
	return []fhir.SearchParameter{{
		Id: text(SearchLotNumber), Url: canonical(TypeSearchParameter, SearchLotNumber), Version: text("1"), Name: "TrigoneLotNumber",
		Status: fhir.PublicationStatusActive, Publisher: text(publisher),
		Description: "The lot number of an implant: the whole of lotNumber, or the one behind (10) in a UDI carrier in the human readable form of GS1. Capitals, accents, spaces and hyphens make no difference.",
		Code:        SearchLotNumber, Base: []fhir.ResourceType{fhir.ResourceTypeDevice},
		Type:       fhir.SearchParamTypeToken,
		Expression: text("Device.lotNumber | Device.udiCarrier.carrierHRF"),
		XpathUsage: pointer(fhir.XPathUsageTypeNormal),
		MultipleOr: pointer(true), MultipleAnd: pointer(true),
	}, {
		Id: text(SearchPlace), Url: canonical(TypeSearchParameter, SearchPlace), Version: text("2"), Name: "TrigonePlace",
		Status: fhir.PublicationStatusActive, Publisher: text(publisher),
		Description: "Where in the mitral valve: the place of a value or of a difference, or the site of a step. A token of the place CodeSystem or of a public code beside it.",
		Code:        SearchPlace, Base: []fhir.ResourceType{fhir.ResourceTypeObservation, fhir.ResourceTypeProcedure},
		Type:       fhir.SearchParamTypeToken,
		Expression: text("Observation.bodySite | Procedure.bodySite"),
		XpathUsage: pointer(fhir.XPathUsageTypeNormal),
		MultipleOr: pointer(true), MultipleAnd: pointer(true),
	}}
}
