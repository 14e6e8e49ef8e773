package fhirmap

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// mapping says how a public code stands to one of ours.
type mapping struct {
	local       systemCode
	target      Code
	equivalence metric.Equivalence
	comment     string
	// sent says whether the public code is ever sent beside ours.
	sent bool
	// method is the only one at whose values it is, if there is one such.
	method valve.Method
}

// builtInMappings gives those of the tables by which codes are sent, in the order
// of our code systems.
var builtInMappings = sync.OnceValue(func() []mapping {
	var list []mapping
	add := func(local systemCode, code systemCode, e metric.Equivalence, comment string, sent bool) {
		if target, ok := standardIndex()[code]; ok {
			list = append(list, mapping{local: local, target: target, equivalence: e, comment: comment, sent: sent})
		}
	}
	ofCatalogue := func(own string, codes []metric.Coding) {
		for _, c := range codes {
			e := c.Equivalence
			if e == metric.Equivalent && c.Restricted() {
				e = metric.Narrower
			}
			add(systemCode{metricSystem, own}, systemCode{c.System, c.Code}, e, meaning(c), c.Equivalence == metric.Equivalent)
			if len(c.Methods) == 1 {
				list[len(list)-1].method = c.Methods[0]
			}
		}
	}
	for _, l := range metric.Leaves() {
		ofCatalogue(metricCode(l.ID, trigonev1.MetricRole_METRIC_ROLE_MEASURED), l.Codes)
	}
	for _, m := range metric.Metrics() {
		if !strings.HasPrefix(string(m.ID), predictedWord) {
			ofCatalogue(metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_DERIVED), m.Codes)
		}
	}
	// What is sent before a code of ours means the same.
	ofSent := func(c *fhir.CodeableConcept) {
		own := c.Coding[len(c.Coding)-1]
		for _, public := range c.Coding[:len(c.Coding)-1] {
			add(systemCode{*own.System, *own.Code}, systemCode{*public.System, *public.Code}, metric.Equivalent, "", true)
		}
	}
	for _, own := range []string{repairStep, replacementStep} {
		add(systemCode{stepSystem, own}, systemCode{snomed, valveOperation}, metric.Wider, "The public code means an operation on any valve of the heart, of any kind.", false)
	}
	for _, l := range []valve.Leaflet{valve.Anterior, valve.Posterior} {
		ofSent(placeConcept(valve.AtLeaflet(l)))
	}
	ofSent(prosthesisConcept())
	for _, g := range allGrades() {
		own, _ := gradeCode(g)
		if public, ok := gradeCodes[g.Value]; ok {
			add(systemCode{gradeSystem, own}, systemCode{snomed, public}, metric.Wider, "The public code is a word of severity without a scheme; it is sent as the examiner's word.", true)
		}
	}
	return list
})

// prosthesisConcept is the type of the Device of a replacement.
func prosthesisConcept() *fhir.CodeableConcept {
	return both(snomed, valveProsthesis, deviceSystem, prosthesisDevice)
}

// meaning says what a public code asks by its definition and at which values only it
// means the same as ours.
func meaning(c metric.Coding) string {
	var parts []string
	if c.Asks != "" {
		from := "By its name"
		if c.Read {
			from = "By its definition"
		}
		parts = append(parts, from+": "+c.Asks+".")
	}
	switch only := restriction(c); {
	case c.Equivalence == metric.Wider:
		parts = append(parts, "It means more than ours; never sent.")
	case only != "":
		parts = append(parts, "Sent only at values "+only+".")
	case len(parts) > 0:
		parts = append(parts, "Ours is always that.")
	}
	return strings.Join(parts, " ")
}

// restriction tells at which values only a code means the same as ours.
func restriction(c metric.Coding) string {
	var parts []string
	words := func(list []string, before string) {
		if len(list) > 0 {
			parts = append(parts, before+strings.Join(list, " or "))
		}
	}
	var methods, phases, planes []string
	for _, m := range c.Methods {
		methods = append(methods, localIndex()[systemCode{methodSystem, hyphened(string(m))}])
	}
	for _, p := range c.Phases {
		phases = append(phases, spaced(string(p)))
	}
	for _, p := range c.Planes {
		planes = append(planes, spaced(p))
	}
	words(methods, "by ")
	words(phases, "in ")
	words(planes, "in the plane ")
	if c.PlaneByItself != "" {
		parts[len(parts)-1] += " or without one stated (" + c.PlaneByItself + ")"
	}
	if c.OfFlail {
		parts = append(parts, "of a lesion that is flail")
	}
	return strings.Join(parts, ", ")
}

// builtInEquivalents gives what means the same without any restriction: our code
// by the public one, and the public code by its system and ours.
func builtInEquivalents() (of map[systemCode]systemCode, in map[[2]string]string) {
	of, in = map[systemCode]systemCode{}, map[[2]string]string{}
	for _, m := range builtInMappings() {
		if m.equivalence == metric.Equivalent {
			of[systemCode{m.target.System, m.target.Code}] = m.local
			in[[2]string{m.target.System, m.local.system + "|" + m.local.code}] = m.target.Code
		}
	}
	return of, in
}

func builtInTarget(local, public systemCode) (metric.Equivalence, bool) {
	for _, m := range builtInMappings() {
		if m.local == local && m.target.System == public.system && m.target.Code == public.code {
			return m.equivalence, true
		}
	}
	return "", false
}

// mappings gives the built-in ones and those of the site.
func mappings(site []metric.SiteCode) []mapping {
	list := slices.Clone(builtInMappings())
	for _, c := range site {
		own, _ := ownSystem(c.LocalSystem)
		list = append(list, mapping{
			local: systemCode{own, c.LocalCode}, target: Code{c.System, c.Code, c.Display, c.Verified}, equivalence: c.Equivalence,
			comment: fmt.Sprintf("Given by the site: %s", c.Verified), sent: c.Equivalence == metric.Equivalent,
		})
	}
	return list
}

const conceptMapID = "public-codes"

// Comments of a concept that has no public code.
const (
	noneVerified   = "No public code was verified to mean this."
	predictionOnly = "A prediction shares no code with a measurement."
)

// conceptMap tells for every code of ours which public code it has and how that
// one stands to it.
func conceptMap(site []metric.SiteCode) fhir.ConceptMap {
	byLocal := map[systemCode][]mapping{}
	var targets []string
	for _, m := range mappings(site) {
		byLocal[m.local] = append(byLocal[m.local], m)
		if !slices.Contains(targets, m.target.System) {
			targets = append(targets, m.target.System)
		}
	}
	slices.Sort(targets)
	r := fhir.ConceptMap{
		Id: text(conceptMapID), Url: text(canonical(TypeConceptMap, conceptMapID)), Name: text(computable(conceptMapID)),
		Title: text("Our codes and public codes"), Status: fhir.PublicationStatusActive, Publisher: text(publisher), Copyright: text(licences),
		Description: text("How public codes stand to ours. The first equivalent one that fits is sent before ours, a narrower one only where its comment says so, a wider one never but for grades; a code of the site is sent beside it. Displays of LOINC codes are those of DICOM; no release of LOINC or SNOMED CT was looked at for what is built in."),
	}
	statements := 0
	for _, s := range CodeSystems() {
		for _, target := range targets {
			g := fhir.ConceptMapGroup{Source: text(s.URL), Target: text(target)}
			for _, c := range published(s) {
				e := fhir.ConceptMapGroupElement{Code: text(c.code), Display: text(c.display)}
				for _, m := range byLocal[systemCode{s.URL, c.code}] {
					if m.target.System == target {
						e.Target = append(e.Target, fhir.ConceptMapGroupElementTarget{
							Code: text(m.target.Code), Display: text(m.target.Display), Equivalence: equivalence(m.equivalence), Comment: text(m.comment),
							DependsOn: dependsOn(m),
						})
					}
				}
				if len(e.Target) > 0 {
					statements += len(e.Target)
					g.Element = append(g.Element, e)
				}
			}
			if len(g.Element) > 0 {
				r.Group = append(r.Group, g)
			}
		}
		// R4 lets a group have no target where all of it is unmatched.
		none := fhir.ConceptMapGroup{Source: text(s.URL)}
		for _, c := range published(s) {
			if len(byLocal[systemCode{s.URL, c.code}]) > 0 {
				continue
			}
			why := noneVerified
			if s.URL == metricSystem && strings.HasPrefix(c.code, hyphened(predictedWord)) {
				why = predictionOnly
			}
			statements++
			none.Element = append(none.Element, fhir.ConceptMapGroupElement{
				Code: text(c.code), Display: text(c.display),
				Target: []fhir.ConceptMapGroupElementTarget{{Equivalence: fhir.ConceptMapEquivalenceUnmatched, Comment: text(why)}},
			})
		}
		if len(none.Element) > 0 {
			r.Group = append(r.Group, none)
		}
	}
	r.Version = counted(statements, site)
	return r
}

// dependsOn says by which method a value has to be: of what a code asks, this alone
// is an element of an Observation.
func dependsOn(m mapping) []fhir.ConceptMapGroupElementTargetDependsOn {
	if m.method == "" {
		return nil
	}
	code := hyphened(string(m.method))
	return []fhir.ConceptMapGroupElementTargetDependsOn{{
		Property: r4Definitions + typeObservation + "#" + typeObservation + ".method", System: text(methodSystem), Value: code,
		Display: text(localIndex()[systemCode{methodSystem, code}]),
	}}
}

// equivalence gives the library's word; the library begins its own with another
// one, so that a forgotten word would look like a meant one.
func equivalence(e metric.Equivalence) fhir.ConceptMapEquivalence {
	switch e {
	case metric.Equivalent:
		return fhir.ConceptMapEquivalenceEquivalent
	case metric.Wider:
		return fhir.ConceptMapEquivalenceWider
	case metric.Narrower:
		return fhir.ConceptMapEquivalenceNarrower
	}
	panic("fhirmap: no equivalence " + string(e))
}
