// Package fhirtest helps tests of whoever produces or stores bundles: a check of
// the rules of FHIR R4 and of this project that a decoder does not know, and
// invented histories. No product code calls it.
package fhirtest

import (
	"bytes"
	"cmp"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"maps"
	"math/big"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"trigone/fhirmap"
	"trigone/internal/metric"
	"trigone/internal/units"
)

// Check gives everything that is wrong with a bundle in one of the forms of the
// mapping, transaction, conditional transaction or collection, nil if nothing is. It knows the invariants bdl-1, bdl-3, bdl-4, bdl-7, bdl-8, obs-3, obs-6,
// obs-7, per-1, qty-3, ref-1 and rng-2 of HL7 FHIR R4 4.0.1; that there are no
// empty arrays, objects or strings and no nulls; that every reference resolves
// inside the bundle to a type that may stand there; that every unit is a UCUM code
// of the project's table and every coding stands in the closed table of public
// codes or in one of our code systems; and that every resource carries identifier,
// status, subject and history number.
//
// Codes of a site, if given, may stand in the bundle too, each before a code of ours.
// It complements a strict decoder, which knows elements, types and bindings.
func Check(bundle []byte, site ...metric.SiteCode) []string {
	return check(bundle, checker{site: site})
}

// CheckInOrder is Check for a bundle of a record that no finding calls out of order:
// times lie in their spans and follow each other, and values are plausible.
func CheckInOrder(bundle []byte, site ...metric.SiteCode) []string {
	return check(bundle, checker{site: site, inOrder: true})
}

// CheckPatient is Check for a bundle of a site whose references to the patient have
// this beside the identifier.
func CheckPatient(bundle []byte, reference string) []string {
	return check(bundle, checker{patient: reference})
}

// CheckPart is Check for a part of a case, whose literal references may lead to what
// earlier parts had, by type and id; entered in known beforehand.
func CheckPart(bundle []byte, known map[string]bool) []string {
	c := checker{types: map[string]string{}, part: true}
	for name := range known {
		c.types[name], _, _ = strings.Cut(name, "/")
	}
	return check(bundle, c)
}

// CheckDeIdentified is Check for a de-identified collection, whose resources have
// no identifier.
func CheckDeIdentified(bundle []byte) []string { return check(bundle, checker{deIdentified: true}) }

func check(bundle []byte, c checker) []string {
	decoder := json.NewDecoder(bytes.NewReader(bundle))
	decoder.UseNumber()
	var tree any
	if err := decoder.Decode(&tree); err != nil {
		return []string{fmt.Sprintf("not JSON: %v", err)}
	}
	root, ok := tree.(object)
	if !ok || root["resourceType"] != "Bundle" {
		return []string{"not a Bundle"}
	}
	if c.types == nil {
		c.types = map[string]string{}
	}
	c.bundle(root)
	c.walk("Bundle", "", root)
	if !c.part { // what agrees is told of the whole
		c.agree(root)
	}
	if c.inOrder {
		c.dates(root)
	}
	return c.faults
}

type (
	object = map[string]any
	array  = []any
)

type checker struct {
	faults  []string
	types   map[string]string // what references name -> resource type
	history any
	// deIdentified resources have no identifier.
	deIdentified bool
	site         []metric.SiteCode
	inOrder      bool
	members      []member
	byURL        map[string]member
	// patient is the only reference that names one; empty: none does.
	patient string
	// part has literal references, also to earlier ones.
	part bool
}

func (c *checker) fault(path, format string, args ...any) {
	c.faults = append(c.faults, path+": "+fmt.Sprintf(format, args...))
}

func (c *checker) bundle(b object) {
	collection := b["type"] == "collection"
	if b["type"] != "transaction" && !collection && (!c.part || b["type"] != "batch") {
		c.fault("Bundle.type", "%v is neither transaction nor collection", b["type"])
	}
	if _, has := b["total"]; has {
		c.fault("Bundle.total", "bdl-1: only a searchset or a history has a total")
	}
	c.history = historyOf(b)
	if c.history == nil {
		c.fault("Bundle.meta", "no history number")
	}
	entries, _ := b["entry"].(array)
	for i, e := range entries {
		path := fmt.Sprintf("Bundle.entry[%d]", i)
		entry, _ := e.(object)
		full, _ := entry["fullUrl"].(string)
		resource, _ := entry["resource"].(object)
		typ, _ := resource["resourceType"].(string)
		id, _ := resource["id"].(string)
		if _, twice := c.types[full]; twice {
			c.fault(path, "bdl-7: fullUrl %s stands twice", full)
		}
		c.types[full] = typ
		if collection || c.part {
			c.types[typ+"/"+id] = typ
		}
		if strings.Contains(full, "/_history/") {
			c.fault(path, "bdl-8: fullUrl is version specific")
		}
		if _, has := entry["response"]; has {
			c.fault(path, "bdl-4: a response in a request")
		}
		request, has := entry["request"].(object)
		if has == collection {
			c.fault(path, "bdl-3: a transaction has a request in every entry, a collection in none")
			continue
		}
		asked, _ := request["url"].(string)
		switch {
		case collection || c.part:
			if id == "" || full != fhirmap.Base+"/"+typ+"/"+id {
				c.fault(path, "fullUrl %q does not agree with type and id %s/%s", full, typ, id)
			}
		case strings.Contains(asked, "?"):
			if id != "" || !strings.HasPrefix(full, "urn:uuid:") || asked != typ+"?identifier="+identifierSearch(resource) {
				c.fault(path, "id %q under %q is updated where %q; a conditional update has no id and searches by identifier", id, full, asked)
			}
		case id == "" || full != "urn:uuid:"+id:
			c.fault(path, "fullUrl %q does not agree with id %q", full, id)
		}
		switch {
		case collection || strings.Contains(asked, "?"):
		case asked != typ+"/"+id:
			c.fault(path, "request %q is not %s/%s", asked, typ, id)
		}
		if !collection && request["method"] != "PUT" {
			c.fault(path, "method %v is not PUT", request["method"])
		}
	}
	for i, e := range entries {
		if entry, ok := e.(object); ok {
			if resource, ok := entry["resource"].(object); ok {
				c.resource(fmt.Sprintf("Bundle.entry[%d].resource", i), resource)
			}
		}
	}
}

// identifierSearch writes a resource's first identifier as the value of a search.
func identifierSearch(resource object) string {
	ids, _ := resource["identifier"].(array)
	if len(ids) == 0 {
		return ""
	}
	id, _ := ids[0].(object)
	value, _ := id["value"].(string)
	return url.QueryEscape(fmt.Sprint(id["system"]) + "|" + value)
}

// historyOf gives the history number of a resource or a bundle, by its extension; nil
// where the tag does not say the same.
func historyOf(resource object) any {
	meta, _ := resource["meta"].(object)
	extensions, _ := resource["extension"].(array)
	if resource["resourceType"] == "Bundle" {
		extensions, _ = meta["extension"].(array)
	}
	var number json.Number
	for _, x := range extensions {
		if e, _ := x.(object); e["url"] == fhirmap.HistoryExtension {
			number, _ = e["valueDecimal"].(json.Number)
		}
	}
	tags, _ := meta["tag"].(array)
	for _, t := range tags {
		if tag, ok := t.(object); ok && tag["system"] == fhirmap.HistorySystem && tag["code"] == number.String() {
			return number
		}
	}
	return nil
}

// statuses that the mapping uses, by type.
var statuses = map[string][]any{
	"Observation":   {"final", "amended", "entered-in-error"},
	"Procedure":     {"completed", "stopped", "in-progress", "not-done", "entered-in-error"},
	"Device":        {"active", "inactive", "unknown", "entered-in-error"},
	"DetectedIssue": {"final", "entered-in-error"},

	"ServiceRequest":   {"draft", "active", "completed", "revoked", "unknown", "entered-in-error"},
	"DeviceRequest":    {"draft", "active", "completed", "revoked", "unknown", "entered-in-error"},
	"DiagnosticReport": {"final", "amended", "entered-in-error"},
	// Of a Goal it is the lifecycle status.
	"Goal": {"proposed", "accepted", "active", "completed", "cancelled", "entered-in-error"},
	// A Provenance has none: it is only ever added.
	"Provenance": {nil},
}

// Status gives a resource's status under whatever name its type has for it, nil for
// a type without one.
func Status(resource map[string]any) any {
	if resource["resourceType"] == "Goal" {
		return resource["lifecycleStatus"]
	}
	return resource["status"]
}

func (c *checker) resource(path string, r object) {
	typ, _ := r["resourceType"].(string)
	allowed, known := statuses[typ]
	if !known {
		c.fault(path, "the mapping makes no %q", typ)
		return
	}
	path += "(" + typ + ")"
	if !slices.Contains(allowed, Status(r)) {
		c.fault(path, "status %v", Status(r))
	}
	if h := historyOf(r); h == nil || h != c.history {
		c.fault(path, "history number %v, the bundle's is %v", h, c.history)
	}
	if !c.deIdentified {
		c.narrative(path, r)
	}
	if typ == "Provenance" {
		c.provenance(path, r)
		return
	}
	if ids, _ := r["identifier"].(array); (len(ids) == 0) != c.deIdentified {
		c.fault(path, "%d identifiers", len(ids))
	}
	subject, what := "subject", "code"
	switch typ {
	case "DeviceRequest":
		what = "codeCodeableConcept"
	case "Goal":
		what = "description"
	case "Device":
		subject, what = "patient", "type"
	case "DetectedIssue":
		subject = "patient"
	}
	// A rule that the table no longer holds is not named in a de-identified bundle.
	mayLack := c.deIdentified && typ == "DetectedIssue"
	if _, has := r[what].(object); !has && !mayLack {
		c.fault(path, "no %s", what)
	}
	if s, has := r[subject].(object); has {
		if _, named := s["display"]; named {
			c.fault(path, "%s carries a display", subject)
		}
		if _, has := s["identifier"].(object); !has {
			c.fault(path, "%s has no identifier", subject)
		}
		if ref, _ := s["reference"].(string); ref != c.patient {
			c.fault(path, "%s refers to %q, not to %q", subject, ref, c.patient)
		}
	} else if typ != "Device" || !hasCode(r["type"], "software") {
		c.fault(path, "no %s", subject)
	}
	switch typ {
	case "Observation":
		c.observation(path, r)
	case "Procedure":
		c.procedure(path, r)
	case "ServiceRequest", "DeviceRequest":
		if r["intent"] != "plan" {
			c.fault(path, "intent %v", r["intent"])
		}
		if r["orderDetail"] != nil && r["code"] == nil {
			c.fault(path, "prr-1: details of no code")
		}
	case "Goal":
		c.goal(path, r)
	}
}

// narrative holds one generated sentence in a div; what vanished says nothing.
func (c *checker) narrative(path string, r object) {
	text, has := r["text"].(object)
	if !has {
		if status := Status(r); status != nil && status != "entered-in-error" {
			c.fault(path, "no narrative")
		}
		return
	}
	div, _ := text["div"].(string)
	var parsed struct {
		XMLName xml.Name `xml:"http://www.w3.org/1999/xhtml div"`
		Text    string   `xml:",chardata"`
		Inner   string   `xml:",innerxml"`
	}
	if err := xml.Unmarshal([]byte(div), &parsed); err != nil {
		c.fault(path, "the narrative is no XHTML: %v", err)
		return
	}
	if text["status"] != "generated" || strings.TrimSpace(parsed.Text) == "" || strings.Contains(parsed.Inner, "<") {
		c.fault(path, "the narrative is not one generated sentence")
	}
}

func (c *checker) provenance(path string, r object) {
	if list, _ := r["target"].(array); len(list) == 0 {
		c.fault(path, "a Provenance of nothing")
	}
	if list, _ := r["agent"].(array); len(list) == 0 {
		c.fault(path, "a Provenance by nobody")
	}
	if _, ok := instant(r["recorded"]); !ok {
		c.fault(path, "recorded %v is no instant", r["recorded"])
	}
	entities, _ := r["entity"].(array)
	for _, e := range entities {
		if entity, _ := e.(object); entity["role"] != "source" {
			c.fault(path, "an entity of role %v", entity["role"])
		}
	}
}

func (c *checker) goal(path string, r object) {
	targets, _ := r["target"].(array)
	if len(targets) == 0 && r["lifecycleStatus"] != "entered-in-error" {
		c.fault(path, "a goal without a target")
	}
	for i, x := range targets {
		target, _ := x.(object)
		details := 0
		for key := range target {
			if strings.HasPrefix(key, "detail") {
				details++
			}
		}
		if details > 1 {
			c.fault(path, "target %d has %d details", i, details)
		}
		if details > 0 && target["measure"] == nil {
			c.fault(path, "gol-1: a detail without a measure")
		}
	}
}

func (c *checker) procedure(path string, r object) {
	if r["status"] != "not-done" {
		return
	}
	for key := range r {
		if strings.HasPrefix(key, "performed") {
			c.fault(path, "not done and %s", key)
		}
	}
	if _, has := r["statusReason"]; !has {
		c.fault(path, "not done without a reason")
	}
}

func values(o object) []string {
	var list []string
	for key := range o {
		if strings.HasPrefix(key, "value") {
			list = append(list, key)
		}
	}
	slices.Sort(list)
	return list
}

func (c *checker) observation(path string, r object) {
	components, _ := r["component"].(array)
	c.valueOrReason(path, r)
	if len(values(r)) == 0 && r["dataAbsentReason"] == nil && len(components) == 0 && r["hasMember"] == nil && r["status"] != "entered-in-error" {
		c.fault(path, "neither value nor reason")
	}
	prediction, difference, occasions := false, false, 0
	categories, _ := r["category"].(array)
	for _, category := range categories {
		prediction = prediction || hasCode(category, "predicted-from-plan") || hasCode(category, "predicted-from-execution")
		difference = difference || hasCode(category, "plan-versus-outcome")
		for _, c := range codings(category) {
			if c["system"] == fhirmap.Base+"/CodeSystem/occasion" {
				occasions++
			}
		}
	}
	inWords := slices.ContainsFunc(codings(r["code"]), func(c object) bool { return c["system"] == fhirmap.Base+"/CodeSystem/outcome" })
	if components != nil && !difference && !inWords {
		c.fault(path, "only a difference, and what is told in words, has components")
	}
	if occasions > 1 || occasions == 0 && !difference && r["status"] != "entered-in-error" {
		c.fault(path, "of %d occasions", occasions)
	}
	if prediction && r["valueQuantity"] != nil {
		c.fault(path, "a prediction is a range, not a number")
	}
	ranges, _ := r["referenceRange"].(array)
	for _, x := range ranges {
		if rr, _ := x.(object); rr["low"] == nil && rr["high"] == nil && rr["text"] == nil {
			c.fault(path, "obs-3: a reference range without low, high or text")
		}
	}
	for i, x := range components {
		component, _ := x.(object)
		at := fmt.Sprintf("%s.component[%d]", path, i)
		c.valueOrReason(at, component)
		if len(values(component)) == 0 && component["dataAbsentReason"] == nil {
			c.fault(at, "neither value nor reason")
		}
		if len(values(r)) > 0 && overlap(r["code"], component["code"]) {
			c.fault(at, "obs-7: the code of the Observation recurs beside its value")
		}
		for _, other := range components[:i] {
			if o, _ := other.(object); overlap(o["code"], component["code"]) {
				c.fault(at, "two components of one code")
			}
		}
	}
}

func (c *checker) valueOrReason(path string, o object) {
	v := values(o)
	if len(v) > 1 {
		c.fault(path, "more than one value: %s", strings.Join(v, ", "))
	}
	if len(v) > 0 && o["dataAbsentReason"] != nil {
		c.fault(path, "obs-6: a value and a reason for its absence")
	}
}

func codings(concept any) []object {
	o, _ := concept.(object)
	list, _ := o["coding"].(array)
	var found []object
	for _, x := range list {
		if coding, ok := x.(object); ok {
			found = append(found, coding)
		}
	}
	return found
}

func hasCode(concept any, code string) bool {
	return slices.ContainsFunc(codings(concept), func(c object) bool { return c["code"] == code })
}

func overlap(a, b any) bool {
	for _, x := range codings(a) {
		for _, y := range codings(b) {
			if x["system"] == y["system"] && x["code"] == y["code"] {
				return true
			}
		}
	}
	return false
}

// targets says which types a reference may point to, by the element's name.
var targets = map[string][]string{
	"partOf":           {"Procedure"},
	"derivedFrom":      {"Observation"},
	"hasMember":        {"Observation"},
	"device":           {"Device"},
	"author":           {"Device"},
	"manipulated":      {"Device"},
	"focus":            {"Device", "Procedure", "Observation"},
	"basedOn":          {"ServiceRequest"},
	"replaces":         {"ServiceRequest"},
	"addresses":        {"ServiceRequest"},
	"priorRequest":     {"DeviceRequest"},
	"supportingInfo":   {"DiagnosticReport"},
	"report":           {"DiagnosticReport"},
	"result":           {"Observation"},
	"outcomeReference": {"Observation"},
	"who":              {"Device"},
	"target":           {"Device", "Procedure", "Observation", "DetectedIssue", "ServiceRequest", "DeviceRequest", "Goal", "DiagnosticReport"},
	"implicated":       {"Observation", "Procedure", "ServiceRequest"},
	"reasonReference":  {"Procedure"},
	"usedReference":    {"Device"},
}

// walk judges what may stand anywhere.
func (c *checker) walk(path, name string, node any) {
	switch x := node.(type) {
	case nil:
		c.fault(path, "null")
	case string:
		if strings.TrimSpace(x) == "" {
			c.fault(path, "empty string")
		}
	case array:
		if len(x) == 0 {
			c.fault(path, "empty array")
		}
		for i, child := range x {
			c.walk(fmt.Sprintf("%s[%d]", path, i), name, child)
		}
	case object:
		if len(x) == 0 {
			c.fault(path, "empty object")
		}
		c.object(path, name, x)
		for _, key := range slices.Sorted(maps.Keys(x)) {
			c.walk(path+"."+key, key, x[key])
		}
	}
}

func (c *checker) object(path, name string, o object) {
	if ref, has := o["reference"].(string); has && (c.patient == "" || ref != c.patient || name != "subject" && name != "patient") {
		c.reference(path, name, ref)
	}
	// What R4 escapes in a search is cut by receivers all the same.
	if value, _ := o["value"].(string); o["system"] == fhirmap.IdentifierSystem && strings.ContainsAny(value, `|,$\`) {
		c.fault(path, "the identifier %q holds what searches divide by", value)
	}
	switch {
	case strings.HasSuffix(name, "Period"):
		c.period(path, o)
	case name == "extension":
		c.extension(path, o)
	case name == "valueRange" || name == "detailRange" || name == "referenceRange":
		if low, high := number(o["low"]), number(o["high"]); low != nil && high != nil && low.Cmp(high) > 0 {
			c.fault(path, "rng-2: low above high")
		}
	case name == "coding" || name == "tag":
		c.coding(path, o)
	}
	if name == "valueQuantity" || name == "detailQuantity" || name == "low" || name == "high" {
		c.quantity(path, o)
	}
}

// extension must be one that the mapping declares, with one value of its type.
func (c *checker) extension(path string, o object) {
	for _, e := range fhirmap.Extensions() {
		if e.URL != o["url"] {
			continue
		}
		want := "value" + strings.ToUpper(e.Type[:1]) + e.Type[1:]
		if v := values(o); !slices.Equal(v, []string{want}) {
			c.fault(path, "the extension has %v, want %s", v, want)
		}
		return
	}
	c.fault(path, "extension %v is in no table", o["url"])
}

// withoutNumber says whether a quantity says why it has no number.
func withoutNumber(o object) bool {
	extensions, _ := o["extension"].(array)
	return len(o) == 1 && slices.ContainsFunc(extensions, func(x any) bool {
		e, _ := x.(object)
		return e["valueCode"] != nil
	})
}

func (c *checker) reference(path, name, ref string) {
	if strings.HasPrefix(ref, "#") {
		c.fault(path, "ref-1: %s is not contained", ref)
		return
	}
	typ, found := c.types[ref]
	if !found {
		c.fault(path, "reference %s resolves to nothing in the bundle", ref)
		return
	}
	if allowed, known := targets[name]; !known || !slices.Contains(allowed, typ) {
		c.fault(path, "%s refers to a %s", name, typ)
	}
}

func (c *checker) period(path string, o object) {
	start, okStart := instant(o["start"])
	end, okEnd := instant(o["end"])
	if okStart && okEnd && end.Before(start) {
		c.fault(path, "per-1: the end lies before the start")
	}
}

func instant(x any) (time.Time, bool) {
	s, _ := x.(string)
	t, err := time.Parse(time.RFC3339, s)
	return t, err == nil
}

func number(quantity any) *big.Rat {
	o, _ := quantity.(object)
	n, ok := o["value"].(json.Number)
	if !ok {
		return nil
	}
	r, _ := new(big.Rat).SetString(n.String())
	return r
}

const ucum = "http://unitsofmeasure.org"

func (c *checker) quantity(path string, o object) {
	if withoutNumber(o) {
		return
	}
	if _, ok := o["value"].(json.Number); !ok {
		c.fault(path, "the value is no number")
	}
	code, hasCode := o["code"].(string)
	if !hasCode {
		c.fault(path, "no coded unit")
		return
	}
	if o["system"] == nil {
		c.fault(path, "qty-3: a coded unit without a system")
		return
	}
	text, known := unitTexts()[code]
	if o["system"] != ucum || !known {
		c.fault(path, "unit %q is not in the table of units", code)
		return
	}
	if o["unit"] != text && (code != "1" || o["unit"] != "label") {
		c.fault(path, "unit %v for readers, %s in code", o["unit"], code)
	}
}

// unitTexts are the texts for readers by UCUM code.
var unitTexts = sync.OnceValue(func() map[string]string {
	texts := map[string]string{}
	for _, u := range units.Units() {
		texts[u.UCUM()] = cmp.Or(u.Text(), u.UCUM())
	}
	return texts
})

type ownSystem struct {
	open     bool
	displays map[string]string
}

var ownCodes = sync.OnceValue(func() map[string]ownSystem {
	systems := map[string]ownSystem{}
	for _, s := range fhirmap.CodeSystems() {
		own := ownSystem{s.Open, map[string]string{}}
		for _, x := range s.Concepts {
			own.displays[x.Code] = x.Display
		}
		systems[s.URL] = own
	}
	return systems
})

var publicDisplays = sync.OnceValue(func() map[[2]string]string {
	displays := map[[2]string]string{}
	for _, s := range fhirmap.StandardCodes() {
		displays[[2]string{s.System, s.Code}] = s.Display
	}
	return displays
})

func (c *checker) coding(path string, o object) {
	system, _ := o["system"].(string)
	code, _ := o["code"].(string)
	if code == "" {
		c.fault(path, "a coding without a code")
		return
	}
	if system == fhirmap.HistorySystem {
		return
	}
	if strings.HasPrefix(system, fhirmap.Base+"/sites/") && (strings.HasSuffix(system, "/ring-family") || strings.HasSuffix(system, "/outcome-definition")) {
		return
	}
	if own, ours := ownCodes()[system]; ours {
		if display, known := own.displays[code]; !known && !own.open {
			c.fault(path, "%q is not a code of %s", code, system)
		} else if known && o["display"] != nil && o["display"] != display {
			c.fault(path, "display %v of %s is not the table's", o["display"], code)
		}
		return
	}
	if display, known := publicDisplays()[[2]string{system, code}]; known {
		if o["display"] != display {
			c.fault(path, "display %v of %s is not the table's", o["display"], code)
		}
		return
	}
	if slices.ContainsFunc(c.site, func(s metric.SiteCode) bool { return s.System == system && s.Code == code }) {
		return
	}
	c.fault(path, "%s|%s is in no table", system, code)
}
