package fhirmap

import (
	"maps"
	"slices"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
)

// valueSet is what one element, or several alike, may hold.
type valueSet struct {
	id, title string
	// systems are ours; all their codes are in.
	systems []string
	// beside are the public codes that may stand there, as system and code.
	beside []systemCode
	// sets are other value sets that are in.
	sets []string
}

// Ids of the value sets that profiles bind to.
const (
	setMetric         = "metric"
	setPanel          = "record-kind"
	setCode           = "observation-code"
	setCategory       = "observation-category"
	setMethod         = "method"
	setPlace          = "place"
	setBodySite       = "body-site"
	setGrade          = "grade"
	setStage          = "stage"
	setAbsent         = "data-absent-reason"
	setStep           = "step"
	setStatusReason   = "status-reason"
	setDeviceAction   = "device-action"
	setDevice         = "device"
	setProperty       = "device-property"
	setRule           = "rule"
	setDifference     = "plan-versus-outcome"
	setVerdict        = "verdict"
	setInterpretation = "interpretation"
	setFinding        = "finding"
	setMitigation     = "mitigation"
	setOutcome        = "outcome"
	setComponent      = "component-code"
)

// valueSets gives all of them. Which public codes stand beside ours is what the
// mappings say.
func valueSets() []valueSet {
	anatomy := []systemCode{{snomed, mitralValve}, {snomed, mitralAnnulus}, {snomed, chords}}
	return []valueSet{
		{id: setMetric, title: "Code of a quantity or a grade", systems: []string{metricSystem}},
		{id: setPanel, title: "Code of a panel, and of a part of a difference", systems: []string{kindSystem}},
		{id: setCode, title: "Code of an Observation", sets: []string{setMetric, setPanel, setDifference, setOutcome}},
		{id: setDifference, title: "Class of a difference between plan and outcome", systems: []string{discrepancySystem}},
		{id: setVerdict, title: "Verdict on a difference", systems: []string{verdictSystem}},
		{id: setInterpretation, title: "Interpretation of a value", systems: []string{bandSystem}, beside: ofSystem(interpretationSystem)},
		{id: setCategory, title: "Category of an Observation, where its value comes from, and the occasion", systems: []string{roleSystem, occasionSystem}, beside: ofSystem(categorySystem)},
		{id: setMethod, title: "Method of measurement", systems: []string{methodSystem}},
		{id: setPlace, title: "Place in the mitral valve", systems: []string{placeSystem}},
		{id: setComponent, title: "Code of a component: part of a difference, or of what is told in words", sets: []string{setPanel, setOutcome}},
		{id: setBodySite, title: "Site of a step, of a value or of a lesion", sets: []string{setPlace}, beside: anatomy},
		{id: setGrade, title: "Grade of regurgitation", systems: []string{gradeSystem}},
		{id: setStage, title: "Stage of the operation", systems: []string{stageSystem}},
		{id: setAbsent, title: "Why there is no value", beside: ofSystem(absentSystem)},
		{id: setStep, title: "Step of a repair", systems: []string{stepSystem}},
		{id: setStatusReason, title: "Reason of a step's status", systems: []string{reasonSystem}},
		{id: setDeviceAction, title: "What was done with a device", beside: ofSystem(actionSystem)},
		{id: setDevice, title: "Kind of a device", systems: []string{deviceSystem}},
		{id: setProperty, title: "Property of a device, or of what it is the version", systems: []string{propertySystem}},
		{id: setRule, title: "Rule of a contradiction", systems: []string{ruleSystem}},
		{id: setFinding, title: "Kind of a finding", systems: []string{findingSystem}},
		{id: setMitigation, title: "What was done about a contradiction", systems: []string{mitigationSystem}},
		{id: setOutcome, title: "What is told in words, and the words", systems: []string{outcomeSystem}},
	}
}

// ofSystem gives every code of the closed table that is of one system.
func ofSystem(system string) []systemCode {
	var list []systemCode
	for _, c := range standardCodes {
		if c.System == system {
			list = append(list, systemCode{c.System, c.Code})
		}
	}
	return list
}

func (s valueSet) resource(site []metric.SiteCode) fhir.ValueSet {
	r := fhir.ValueSet{
		Id: text(s.id), Url: text(canonical(TypeValueSet, s.id)), Name: text(computable(s.id) + "Values"), Title: text(s.title),
		Status: fhir.PublicationStatusActive, Publisher: text(publisher), Description: text(s.title + "."),
		Compose: &fhir.ValueSetCompose{},
	}
	include := func(i fhir.ValueSetComposeInclude) { r.Compose.Include = append(r.Compose.Include, i) }
	for _, system := range s.systems {
		include(fhir.ValueSetComposeInclude{System: text(system)})
	}
	public := s.public(site)
	for _, system := range slices.Sorted(maps.Keys(public)) {
		i := fhir.ValueSetComposeInclude{System: text(system)}
		for _, c := range public[system] {
			i.Concept = append(i.Concept, fhir.ValueSetComposeIncludeConcept{Code: c.Code, Display: text(c.Display)})
		}
		include(i)
		if system == loinc || system == snomed || system == dicom {
			r.Copyright = text(licences)
		}
	}
	for _, other := range s.sets {
		include(fhir.ValueSetComposeInclude{ValueSet: []string{canonical(TypeValueSet, other)}})
	}
	if size := s.size(site); size > s.size(nil) {
		r.Version = counted(size, site)
	} else {
		r.Version = counted(size, nil)
	}
	return r
}

// public gives the public codes by system: those beside, and every one that is
// sent beside a code of ours.
func (s valueSet) public(site []metric.SiteCode) map[string][]Code {
	all := map[string][]Code{}
	add := func(c Code) {
		if !slices.ContainsFunc(all[c.System], func(x Code) bool { return x.Code == c.Code }) {
			all[c.System] = append(all[c.System], c)
		}
	}
	for _, c := range s.beside {
		add(standardIndex()[c])
	}
	for _, m := range mappings(site) {
		if slices.Contains(s.systems, m.local.system) && m.sent {
			add(m.target)
		}
	}
	return all
}

// size is the number of its codes.
func (s valueSet) size(site []metric.SiteCode) int {
	n := 0
	for _, system := range s.systems {
		n += len(publishedConcepts()[system])
	}
	for _, list := range s.public(site) {
		n += len(list)
	}
	for _, other := range valueSets() {
		if slices.Contains(s.sets, other.id) {
			n += other.size(site)
		}
	}
	return n
}
