package fhirtest

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"trigone/fhirmap"
	"trigone/internal/metric"
)

// Whether the resources of a bundle agree with each other, and each with the tables
// that it was made from. No library sees any of this: every element may be right
// and the whole be of two patients.

// member is a resource with where it stands.
type member struct {
	path, url, typ string
	r              object
}

// living says whether the resource still says something.
func (m member) living() bool { return Status(m.r) != "entered-in-error" }

// software is the one resource that is about no patient.
func (m member) software() bool { return m.typ == "Device" && hasCode(m.r["type"], "software") }

func (c *checker) agree(b object) {
	c.byURL = map[string]member{}
	entries, _ := b["entry"].(array)
	for i, e := range entries {
		entry, _ := e.(object)
		r, ok := entry["resource"].(object)
		if !ok {
			continue
		}
		m := member{path: fmt.Sprintf("Bundle.entry[%d].resource", i), r: r}
		m.url, _ = entry["fullUrl"].(string)
		m.typ, _ = r["resourceType"].(string)
		m.path += "(" + m.typ + ")"
		c.members = append(c.members, m)
		c.byURL[m.url] = m
		if id, ok := r["id"].(string); ok {
			c.byURL[m.typ+"/"+id] = m
		}
	}
	c.oneSubject()
	if !c.deIdentified {
		c.ownIdentifiers()
	}
	named := map[string]int{}
	for _, m := range c.members {
		if !m.living() {
			c.keepsNothing(m)
			continue
		}
		c.referencesOnce(m)
		c.quantities(m)
		c.pairs(m.path, m.r)
		if !c.deIdentified {
			c.saysWhatItHolds(m)
		}
		switch m.typ {
		case "Observation":
			c.origin(m)
		case "Procedure":
			c.steps(m)
		case "Provenance":
			c.madeOf(m)
		case "Goal":
			c.planned(m)
		}
		for _, ref := range referencesAt(m.r, "target") {
			if m.typ == "Provenance" {
				named[c.byURL[ref].url]++
			}
		}
	}
	c.panels()
	if slices.ContainsFunc(c.members, func(m member) bool { return m.typ == "Provenance" }) {
		for _, m := range c.members {
			if m.living() && m.typ != "Provenance" && !m.software() && named[m.url] == 0 {
				c.fault(m.path, "no Provenance says where it comes from")
			}
		}
	}
}

func (c *checker) oneSubject() {
	first := ""
	for _, m := range c.members {
		for _, name := range []string{"subject", "patient"} {
			s, has := m.r[name]
			if !has {
				continue
			}
			said, _ := json.Marshal(s)
			if first == "" {
				first = string(said)
			}
			if string(said) != first {
				c.fault(m.path, "another %s than the bundle's first", name)
			}
		}
	}
}

// ownIdentifiers are each of one resource, and all begin with the uid of one case,
// of which the ids are made (RFC 9562, 5.8, as fhirmap/ids.go lays them out).
func (c *checker) ownIdentifiers() {
	uid, seen := "", map[string]bool{}
	for _, m := range c.members {
		list, _ := m.r["identifier"].(array)
		for _, x := range list {
			id, _ := x.(object)
			value, _ := id["value"].(string)
			of, key, _ := strings.Cut(value, "/")
			switch {
			case id["system"] != fhirmap.IdentifierSystem:
				c.fault(m.path, "an identifier of system %v", id["system"])
				continue
			case key == "":
				c.fault(m.path, "identifier %q names a case and nothing in it", value)
			case uid == "":
				uid = of
			case of != uid:
				c.fault(m.path, "identifier %q is of another case", value)
			}
			if seen[m.typ+" "+value] {
				c.fault(m.path, "identifier %q stands twice", value)
			}
			seen[m.typ+" "+value] = true
		}
		for _, name := range []string{"requisition", "groupIdentifier"} {
			if id, has := m.r[name].(object); has && !strings.HasPrefix(fmt.Sprint(id["value"]), uid+"/") {
				c.fault(m.path, "%s %v is of another case", name, id["value"])
			}
		}
		entities, _ := m.r["entity"].(array)
		for _, x := range entities {
			entity, _ := x.(object)
			what, _ := entity["what"].(object)
			id, _ := what["identifier"].(object)
			if !strings.HasPrefix(fmt.Sprint(id["value"]), uid+"/section/") {
				c.fault(m.path, "source %v is no section of the case", id["value"])
			}
		}
	}
	for _, m := range c.members {
		if !m.living() {
			continue // it may be of a mapping that made ids otherwise
		}
		id, has := m.r["id"].(string)
		if bits, ok := fhirmap.PrefixOf(id); has && (!ok || bits != fhirmap.CasePrefix(uid)) {
			c.fault(m.path, "id %s is not of the case %s", id, uid)
		}
		key := keyOf(m.r)
		if has && key != "" && id != idOf(uid, m.typ, key) {
			c.fault(m.path, "id %s is not that of %q", id, key)
		}
		if m.typ == "Observation" {
			c.named(m, strings.Split(key, "|"))
		}
	}
}

// fromIdentifier is the way back from what is written for signs at which receivers
// cut an identifier.
var fromIdentifier = strings.NewReplacer("~", "|", "%7E", "~", "%2C", ",", "%24", "$", "%5C", `\`, "%25", "%")

// keyOf gives what of the case an identifier names.
func keyOf(r object) string {
	list, _ := r["identifier"].(array)
	if len(list) == 0 {
		return ""
	}
	id, _ := list[0].(object)
	_, key, _ := strings.Cut(fmt.Sprint(id["value"]), "/")
	return fromIdentifier.Replace(key)
}

// idOf makes an id from the uid of a case and a key in it: a UUID of version 8, of
// SHA-256 of both.
func idOf(uid, typ, key string) string {
	of, thing := sha256.Sum256([]byte("case\x00"+uid)), sha256.Sum256([]byte("resource\x00"+uid+"\x00"+typ+"\x00"+key))
	id := append(of[:6:6], thing[:10]...)
	id[6], id[8] = id[6]&0x0f|0x80, id[8]&0x3f|0x80
	text := hex.EncodeToString(id)
	return strings.Join([]string{text[:8], text[8:12], text[12:16], text[16:20], text[20:]}, "-")
}

// named: a value is of the metric, role, method and place that its identifier names:
// value, metric, occasion, role, then method and place where there are any.
func (c *checker) named(m member, key []string) {
	if key[0] != "value" || len(key) < 4 {
		return
	}
	code := func(word string) string { return strings.NewReplacer("_", "-", "/", "-").Replace(word) }
	own := func(concept any, system string) string {
		for _, x := range codings(concept) {
			if x["system"] == fhirmap.Base+"/CodeSystem/"+system {
				return fmt.Sprint(x["code"])
			}
		}
		return ""
	}
	if got := own(m.r["code"], "metric"); strings.TrimPrefix(got, "predicted-") != strings.TrimPrefix(code(key[1]), "predicted-") {
		c.fault(m.path, "is %q, its identifier names %q", got, key[1])
	}
	if got := roleOf(m.r); got != key[3] {
		c.fault(m.path, "is %q, its identifier names %q", got, key[3])
	}
	rest := key[4:]
	if method := own(m.r["method"], "method"); method != "" && (len(rest) == 0 || rest[0] != method) {
		c.fault(m.path, "is by %q, its identifier names none or another", method)
	} else if method != "" {
		rest = rest[1:]
	}
	if len(rest) > 1 {
		c.fault(m.path, "does not say the method %q that its identifier names", rest[0])
		return
	}
	place := own(m.r["bodySite"], "place")
	if len(rest) == 0 {
		if place != "" {
			c.fault(m.path, "is at %q, its identifier names no place", place)
		}
		return
	}
	instance, at, _ := strings.Cut(rest[0], "/")
	if !strings.Contains(instance, ":") {
		at = rest[0]
	} else if at == "" {
		return // at the place of a lesion, a step or a test
	}
	if place != code(at) {
		c.fault(m.path, "is at %q, its identifier names %q", place, at)
	}
}

// kept is what a resource that was entered in error still says: what it was and
// whose, nothing of what it stated.
var kept = []string{
	"resourceType", "id", "meta", "identifier", "status", "lifecycleStatus", "intent", "subject", "patient", "code", "type", "description",
	"codeCodeableConcept", "extension",
}

func (c *checker) keepsNothing(m member) {
	for _, key := range slices.Sorted(maps.Keys(m.r)) {
		if !slices.Contains(kept, key) {
			c.fault(m.path, "entered in error and keeps %s", key)
		}
	}
}

// referencesAt gives what the references of one element name, in order.
func referencesAt(r object, name string) []string {
	var list []string
	add := func(x any) {
		o, _ := x.(object)
		if ref, ok := o["reference"].(string); ok {
			list = append(list, ref)
		}
	}
	if all, ok := r[name].(array); ok {
		for _, x := range all {
			add(x)
		}
	} else {
		add(r[name])
	}
	return list
}

func (c *checker) referencesOnce(m member) {
	for _, name := range slices.Sorted(maps.Keys(m.r)) {
		seen := map[string]bool{}
		for _, ref := range referencesAt(m.r, name) {
			to := c.byURL[ref]
			if to.url == m.url {
				c.fault(m.path, "%s refers to the resource itself", name)
			}
			if seen[ref] {
				c.fault(m.path, "%s names %s twice", name, ref)
			}
			seen[ref] = true
			if to.r != nil && !to.living() && m.typ != "Provenance" {
				c.fault(m.path, "%s refers to what was entered in error", name)
			}
		}
	}
}

// row is a quantity's unit and what is plausible of it.
type row struct {
	unit      string
	low, high float64
}

var quantityRows = sync.OnceValue(func() map[string]row {
	rows := map[string]row{}
	code := func(id string) string { return strings.ReplaceAll(id, "_", "-") }
	for _, l := range metric.Leaves() {
		rows[code(string(l.ID))] = row{l.Unit.UCUM(), l.Low, l.High}
	}
	for _, m := range metric.Metrics() {
		r := row{m.Unit.UCUM(), m.Low, m.High}
		rows[code(string(m.ID))] = r
		rows["predicted-"+code(string(m.ID))] = r
	}
	return rows
})

const metricSystem = fhirmap.Base + "/CodeSystem/metric"

// ofMetric gives the row of a concept's quantity.
func ofMetric(concept any) (row, bool) {
	for _, x := range codings(concept) {
		if x["system"] == metricSystem {
			r, ok := quantityRows()[fmt.Sprint(x["code"])]
			return r, ok
		}
	}
	return row{}, false
}

// quantities of a concept of the catalogue are in its unit, and plausible where the
// record is in order.
func (c *checker) quantities(m member) {
	judge := func(path string, concept any, of object) {
		r, known := ofMetric(concept)
		if !known {
			return
		}
		each := func(name string, q any, stated bool) {
			o, is := q.(object)
			if !is || withoutNumber(o) {
				return
			}
			if o["code"] != r.unit {
				c.fault(path+"."+name, "is in %v, the quantity in %s", o["code"], r.unit)
			}
			x := number(o)
			if x == nil || !stated || !c.inOrder || r.high == 0 {
				return
			}
			if v, _ := x.Float64(); v < r.low || v > r.high {
				c.fault(path+"."+name, "%v %s is beyond what is plausible, %v to %v", o["value"], r.unit, r.low, r.high)
			}
		}
		for _, name := range slices.Sorted(maps.Keys(of)) {
			switch name {
			case "valueQuantity", "detailQuantity":
				each(name, of[name], true)
			case "valueRange", "detailRange":
				ends, _ := of[name].(object)
				each(name+".low", ends["low"], true)
				each(name+".high", ends["high"], true)
			case "referenceRange":
				list, _ := of[name].(array)
				for _, x := range list {
					ends, _ := x.(object)
					each(name+".low", ends["low"], false)
					each(name+".high", ends["high"], false)
				}
			}
		}
	}
	judge(m.path, m.r["code"], m.r)
	components, _ := m.r["component"].(array)
	for i, x := range components {
		component, _ := x.(object)
		path := fmt.Sprintf("%s.component[%d]", m.path, i)
		if _, own := ofMetric(component["code"]); own {
			judge(path, component["code"], component)
		} else if isPlace(component["code"]) {
			judge(path, m.r["code"], component)
		}
	}
	for _, name := range []string{"target", "parameter"} {
		list, _ := m.r[name].(array)
		for i, x := range list {
			part, _ := x.(object)
			concept := part["measure"]
			if name == "parameter" {
				concept = part["code"]
			}
			judge(fmt.Sprintf("%s.%s[%d]", m.path, name, i), concept, part)
		}
	}
}

func isPlace(concept any) bool {
	return slices.ContainsFunc(codings(concept), func(x object) bool { return x["system"] == fhirmap.Base+"/CodeSystem/place" })
}

// published are the pairs of the ConceptMap: "system|code system|code", ours first.
var publishedPairs = sync.OnceValue(func() map[string]bool {
	list, err := fhirmap.Terminology(fhirmap.Site{})
	if err != nil {
		panic(err) // no codes of a site, no fault
	}
	pairs := map[string]bool{}
	for _, r := range list {
		if r.Type != fhirmap.TypeConceptMap {
			continue
		}
		var m struct {
			Group []struct {
				Source, Target string
				Element        []struct {
					Code   string
					Target []struct{ Code string }
				}
			}
		}
		if err := json.Unmarshal(r.JSON, &m); err != nil {
			panic(err)
		}
		for _, g := range m.Group {
			for _, e := range g.Element {
				for _, t := range e.Target {
					if t.Code != "" {
						pairs[g.Source+"|"+e.Code+" "+g.Target+"|"+t.Code] = true
					}
				}
			}
		}
	}
	return pairs
})

// pairs of a public code and one of ours are rows of the published map; every word
// of the same concept is about the same thing.
func (c *checker) pairs(path string, node any) {
	switch x := node.(type) {
	case array:
		for i, child := range x {
			c.pairs(fmt.Sprintf("%s[%d]", path, i), child)
		}
	case object:
		list := codings(x)
		for _, own := range list {
			if !strings.HasPrefix(fmt.Sprint(own["system"]), fhirmap.Base) {
				continue
			}
			for _, public := range list {
				system := fmt.Sprint(public["system"])
				if strings.HasPrefix(system, fhirmap.Base) || c.ofSite(public) {
					continue
				}
				pair := fmt.Sprintf("%v|%v %s|%v", own["system"], own["code"], system, public["code"])
				if !publishedPairs()[pair] {
					c.fault(path, "%s is no row of the concept map", pair)
				}
			}
		}
		for _, key := range slices.Sorted(maps.Keys(x)) {
			c.pairs(path+"."+key, x[key])
		}
	}
}

func (c *checker) ofSite(coding object) bool {
	return slices.ContainsFunc(c.site, func(s metric.SiteCode) bool { return s.System == coding["system"] && s.Code == coding["code"] })
}

// said is how a concept is told to a reader: its text, or the last display.
func said(concept any) string {
	o, _ := concept.(object)
	if text, ok := o["text"].(string); ok {
		return text
	}
	list := codings(concept)
	for _, x := range slices.Backward(list) {
		if d, ok := x["display"].(string); ok {
			return d
		}
	}
	return ""
}

var (
	tag     = regexp.MustCompile(`<[^>]*>`)
	decimal = regexp.MustCompile(`\d+\.\d+`)
)

// told is a text as it is compared: without case, and numbers without the zeros
// that some readers drop.
func told(text string) string {
	return decimal.ReplaceAllStringFunc(strings.ToLower(text), func(n string) string {
		return strings.TrimSuffix(strings.TrimRight(n, "0"), ".")
	})
}

// saysWhatItHolds: whoever reads the narrative alone reads the code, every value
// with its unit, the place and the reason for what is missing.
func (c *checker) saysWhatItHolds(m member) {
	text, has := m.r["text"].(object)
	if !has {
		return
	}
	div, _ := text["div"].(string)
	sentence := told(html.UnescapeString(tag.ReplaceAllString(div, "")))
	want := func(what, words string) {
		if words != "" && !strings.Contains(sentence, told(words)) {
			c.fault(m.path, "the narrative does not say the %s %q", what, words)
		}
	}
	quantity := func(q any) {
		o, _ := q.(object)
		n, ok := o["value"].(json.Number)
		if !ok {
			return
		}
		words := n.String()
		if unit, _ := o["unit"].(string); unit != "1" && unit != "label" {
			words += " " + unit
		}
		want("value", " "+words)
	}
	values := func(o object, before string) {
		for key, x := range o {
			switch strings.TrimPrefix(strings.TrimPrefix(key, "value"), "detail") {
			case "Quantity":
				quantity(x)
			case "Range":
				ends, _ := x.(object)
				quantity(ends["low"])
				quantity(ends["high"])
			case "CodeableConcept":
				if words := said(x); words != "" {
					want("value", before+words)
				}
			case "dataAbsentReason":
				want("reason", said(x))
			}
		}
	}
	concepts := func(name string) {
		list, many := m.r[name].(array)
		if !many {
			list = array{m.r[name]}
		}
		for _, x := range list {
			want(name, said(x))
		}
	}
	parts := func(list any, what string) {
		all, _ := list.(array)
		for _, x := range all {
			part, _ := x.(object)
			if quantified(part) {
				want(what, strings.Split(said(part[what]), ";")[0])
			}
			values(part, " ")
		}
	}
	concepts("bodySite")
	for _, name := range []string{"conclusionCode", "achievementStatus", "codeCodeableConcept", "description"} {
		concepts(name)
	}
	if m.typ != "DetectedIssue" {
		concepts("code")
	} else if detail, ok := m.r["detail"].(string); ok {
		want("detail", detail)
	}
	switch m.typ {
	case "Observation":
		values(m.r, ": ")
		parts(m.r["component"], "code")
	case "Goal":
		parts(m.r["target"], "measure")
	case "DeviceRequest":
		list, _ := m.r["parameter"].(array)
		for _, x := range list {
			part, _ := x.(object)
			if part["valueCodeableConcept"] == nil {
				values(part, " ")
			}
		}
	case "Device":
		concepts("type")
	}
	if m.typ == "Goal" || m.typ == "Observation" || m.typ == "DiagnosticReport" || m.typ == "DetectedIssue" {
		return
	}
	status := strings.ReplaceAll(fmt.Sprint(m.r["status"]), "-", " ")
	if m.typ == "Device" || m.typ == "DeviceRequest" {
		want("status", ": "+status)
		return
	}
	// How it stands and why is the end of the sentence.
	end := []string{status, said(m.r["statusReason"])}
	details, _ := m.r["orderDetail"].(array)
	for _, x := range details {
		end = append(end, said(x))
	}
	end = slices.DeleteFunc(end, func(s string) bool { return s == "" })
	if m.typ != "Provenance" && !strings.HasSuffix(sentence, told(": "+strings.Join(end, ", "))) {
		c.fault(m.path, "the narrative does not end with %q", strings.Join(end, ", "))
	}
}

// quantified says whether a part holds more than a count, which no sentence names.
func quantified(o object) bool {
	for key := range o {
		if key == "valueQuantity" || key == "valueRange" || key == "valueCodeableConcept" || key == "dataAbsentReason" || strings.HasPrefix(key, "detail") {
			return true
		}
	}
	return false
}

const (
	roleSystem = fhirmap.Base + "/CodeSystem/role"
	difference = "plan-versus-outcome"
)

// roleOf says where an Observation's value comes from; empty for what is no value.
func roleOf(r object) string {
	categories, _ := r["category"].(array)
	for _, category := range categories {
		for _, x := range codings(category) {
			if x["system"] == roleSystem {
				return fmt.Sprint(x["code"])
			}
		}
	}
	return ""
}

// origin: what was measured names no software and no inputs, what was computed
// names the software.
func (c *checker) origin(m member) {
	role := roleOf(m.r)
	if _, quantity := ofMetric(m.r["code"]); quantity && role == "" {
		c.fault(m.path, "a quantity that does not say where it comes from")
	}
	if reason, ok := m.r["dataAbsentReason"].(object); ok && reason["text"] != nil && !hasCode(reason, "not-performed") {
		c.fault(m.path, "a reason of our own words beside another code than not-performed")
	}
	devices := referencesAt(m.r, "device")
	switch role {
	case "", "measured":
		if len(devices) > 0 || len(referencesAt(m.r, "derivedFrom")) > 0 {
			c.fault(m.path, "was not computed and names a device or what it was derived from")
		}
		return
	}
	for _, ref := range devices {
		if !c.byURL[ref].software() {
			c.fault(m.path, "was computed by a device that is no software")
		}
	}
	if len(devices) != 1 {
		c.fault(m.path, "was computed by %d devices", len(devices))
	}
}

// steps are parts of the one operation and answer planned steps; the operation
// answers the plan. A ring that was sewn in is named by its step, and is a ring.
func (c *checker) steps(m member) {
	isStep := m.r["partOf"] != nil
	alone := slices.ContainsFunc(codings(m.r["code"]), func(x object) bool {
		code := fmt.Sprint(x["code"])
		return code == "mitral-valve-repair" || strings.HasPrefix(code, "reintervention") || strings.HasPrefix(code, "return-to-theatre")
	})
	if !isStep && !alone {
		c.fault(m.path, "a step of no operation")
	}
	for _, ref := range referencesAt(m.r, "partOf") {
		if whole := c.byURL[ref]; whole.r != nil && whole.r["partOf"] != nil {
			c.fault(m.path, "part of a step, not of the operation")
		}
	}
	for _, ref := range referencesAt(m.r, "basedOn") {
		if asked := c.byURL[ref]; asked.r != nil && (asked.r["basedOn"] != nil) != isStep {
			c.fault(m.path, "a step answers a planned step, the operation a plan")
		}
	}
	list, _ := m.r["focalDevice"].(array)
	for _, x := range list {
		focal, _ := x.(object)
		for _, ref := range referencesAt(focal, "manipulated") {
			if to := c.byURL[ref]; to.r != nil && (to.software() || to.r["patient"] == nil) {
				c.fault(m.path, "acts on a device that is in no patient")
			}
		}
	}
	if done := m.r["status"] == "completed" || m.r["status"] == "stopped"; done && hasCode(m.r["code"], "annuloplasty") && len(list) == 0 {
		c.fault(m.path, "an annuloplasty without a device")
	}
}

// lifecycles of a goal by the status of the request it belongs to.
var lifecycles = map[any]string{"draft": "proposed", "active": "active", "completed": "completed", "revoked": "cancelled", "unknown": "accepted"}

// planned: a goal belongs to a plan, and goes with it.
func (c *checker) planned(m member) {
	addresses := referencesAt(m.r, "addresses")
	if len(addresses) == 0 && c.inOrder {
		c.fault(m.path, "a goal of no plan")
	}
	for _, ref := range addresses {
		if asked := c.byURL[ref]; asked.r != nil && lifecycles[Status(asked.r)] != Status(m.r) {
			c.fault(m.path, "%v, while what it belongs to is %v", Status(m.r), Status(asked.r))
		}
	}
}

// madeOf: a Provenance names who, and the section revisions that were read; only
// what was computed may have read nothing that is named.
func (c *checker) madeOf(m member) {
	if m.r["entity"] == nil && !c.deIdentified {
		for _, ref := range referencesAt(m.r, "target") {
			if to := c.byURL[ref]; to.r != nil && to.living() && to.typ != "DetectedIssue" && to.r["device"] == nil {
				c.fault(m.path, "no section is the source of a %s", to.typ)
			}
		}
	}
	agents, _ := m.r["agent"].(array)
	for _, x := range agents {
		agent, _ := x.(object)
		for _, ref := range referencesAt(agent, "who") {
			if to := c.byURL[ref]; to.r != nil && !to.software() {
				c.fault(m.path, "made by a device that is no software")
			}
		}
	}
}

// panels: every value stands in exactly one panel, which holds no other case's and
// no plan's; a report is of one panel and of its time; a ring is of one step.
func (c *checker) panels() {
	in, of := map[string]int{}, map[string]int{}
	for _, m := range c.members {
		if !m.living() {
			continue
		}
		for _, ref := range referencesAt(m.r, "hasMember") {
			if roleOf(m.r) == "" {
				in[c.byURL[ref].url]++
			}
		}
		list, _ := m.r["focalDevice"].(array)
		rings := map[string]bool{}
		for _, x := range list {
			focal, _ := x.(object)
			for _, ref := range referencesAt(focal, "manipulated") {
				rings[c.byURL[ref].url] = true
			}
		}
		for url := range rings {
			of[url]++
		}
		if m.typ == "DiagnosticReport" {
			results := referencesAt(m.r, "result")
			if len(results) == 0 {
				c.fault(m.path, "a report of nothing")
			}
			for _, ref := range results {
				panel := c.byURL[ref]
				if panel.r != nil && (panel.r["hasMember"] == nil || !sameTime(panel.r, m.r) || !c.deIdentified && occasionOf(panel.r) != occasionOf(m.r)) {
					c.fault(m.path, "its result is no panel of its occasion")
				}
				for _, whole := range referencesAt(panel.r, "partOf") {
					if op := c.byURL[whole]; op.r != nil && !c.deIdentified && !namesReport(op.r, m.r) {
						c.fault(op.path, "does not name a report that was made in theatre")
					}
				}
			}
		}
	}
	for _, m := range c.members {
		if !m.living() {
			continue
		}
		switch role := roleOf(m.r); {
		case m.typ == "Observation" && role != "" && role != difference && in[m.url] != 1:
			c.fault(m.path, "stands in %d panels", in[m.url])
		case m.typ == "Device" && !m.software() && (of[m.url] > 1 || c.inOrder && of[m.url] == 0 && isRing(m.r["type"])):
			c.fault(m.path, "is named by %d steps", of[m.url])
		}
	}
}

// namesReport says whether an operation names a report, by its identifier.
func namesReport(operation, report object) bool {
	list, _ := operation["report"].(array)
	own, _ := report["identifier"].(array)
	return slices.ContainsFunc(list, func(x any) bool {
		ref, _ := x.(object)
		return ref["reference"] == nil && len(own) == 1 && reflect.DeepEqual(ref["identifier"], own[0])
	})
}

// isRing says whether a device is a ring or band: only those are always of a step.
func isRing(kind any) bool {
	return slices.ContainsFunc(codings(kind), func(x object) bool {
		code := fmt.Sprint(x["code"])
		return strings.HasSuffix(code, "-ring") || strings.HasSuffix(code, "-band") || code == "annuloplasty-device"
	})
}

// occasionOf gives what stands behind the kind in the identifier of a panel or a
// report.
func occasionOf(r object) string {
	return strings.TrimPrefix(strings.TrimPrefix(keyOf(r), "panel"), "report")
}

func sameTime(a, b object) bool {
	for _, name := range []string{"effectiveDateTime", "effectivePeriod"} {
		x, _ := json.Marshal(a[name])
		y, _ := json.Marshal(b[name])
		if string(x) != string(y) {
			return false
		}
	}
	return true
}

// dates of a record that is in order. A record may be out of order: then findings
// say so, and what was recorded is sent all the same.
func (c *checker) dates(b object) {
	const (
		ahead = 24 * time.Hour // as far as a source's clock may be ahead
		stay  = 12 * time.Hour // the longest that one stays in theatre
	)
	made, _ := instant(b["timestamp"])
	for _, m := range c.members {
		if !m.living() {
			continue
		}
		start, end := spanOf(m.r)
		if !made.IsZero() && start.After(made.Add(ahead)) {
			c.fault(m.path, "begins after the bundle was made")
		}
		within := func(ref string) {
			whole := c.byURL[ref]
			if from, to := spanOf(whole.r); whole.r != nil && (!start.IsZero() && start.Before(from) || !to.IsZero() && end.After(to)) {
				c.fault(m.path, "lies outside of the %s that it is part of", whole.typ)
			}
		}
		for _, ref := range referencesAt(m.r, "partOf") {
			// A difference may be told of a plan that came later, and what came of an
			// operation is seen after it.
			if role := roleOf(m.r); m.typ != "Observation" || m.r["hasMember"] != nil || role == "measured" || role == "derived" {
				within(ref)
			}
		}
		for _, ref := range referencesAt(m.r, "hasMember") {
			if roleOf(m.r) != "" {
				continue
			}
			part := c.byURL[ref]
			from, to := spanOf(part.r)
			if m.r["effectiveDateTime"] != nil { // a test has a time of its own, beside its set's
				from, to = from.Add(stay), to.Add(-stay)
			}
			if !from.IsZero() && !start.IsZero() && (from.Before(start) || (!end.IsZero() && to.After(end))) {
				c.fault(part.path, "lies outside of the time of its panel")
			}
		}
		for _, ref := range referencesAt(m.r, "basedOn") {
			if asked, ok := instant(c.byURL[ref].r["authoredOn"]); ok && !start.IsZero() && m.typ == "Procedure" && asked.After(start) {
				c.fault(m.path, "was done before it was planned")
			}
		}
		for _, ref := range referencesAt(m.r, "supportingInfo") {
			authored, ok := instant(m.r["authoredOn"])
			if read, _ := spanOf(c.byURL[ref].r); ok && !read.IsZero() && read.After(authored) {
				c.fault(m.path, "rests on what was seen after it was signed")
			}
		}
		if recorded, ok := instant(m.r["recorded"]); ok {
			if !made.IsZero() && recorded.After(made) {
				c.fault(m.path, "was recorded after the bundle was made")
			}
			for _, ref := range referencesAt(m.r, "target") {
				seen, _ := spanOf(c.byURL[ref].r)
				if signed, ok := instant(c.byURL[ref].r["authoredOn"]); ok {
					seen = signed
				}
				if !seen.IsZero() && seen.After(recorded.Add(ahead)) {
					c.fault(m.path, "was recorded before it was seen")
				}
			}
		}
	}
}

// spanOf gives when a resource was, zero where it does not say; a day is its span.
func spanOf(r object) (start, end time.Time) {
	for _, name := range []string{"effective", "performed"} {
		if p, ok := r[name+"Period"].(object); ok {
			start, _ = instant(p["start"])
			end, _ = instant(p["end"])
			return start, end
		}
		if t, ok := instant(r[name+"DateTime"]); ok {
			return t, t
		}
		if s, ok := r[name+"DateTime"].(string); ok {
			if day, err := time.Parse(time.DateOnly, s); err == nil {
				return day, day.Add(24 * time.Hour)
			}
		}
	}
	return time.Time{}, time.Time{}
}
