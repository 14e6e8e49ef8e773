package fhirtest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"time"

	"trigone/fhirmap"
)

// Breakage spoils one thing in a good bundle, the way in which a careless change of
// the mapping, or of a program between here and the receiver, would.
type Breakage struct {
	Name string
	// Unseen says why no check can see it; empty: one must.
	Unseen string
	spoil  func(s *specimen) bool
}

// Break gives the bundle with the breakage somewhere in it, chosen by the seed; not
// for a bundle that has nothing to break so.
func (b Breakage) Break(bundle []byte, seed uint64) (broken []byte, ok bool) {
	d := json.NewDecoder(bytes.NewReader(bundle))
	d.UseNumber()
	s := &specimen{rand: rand.New(rand.NewPCG(seed, seed))}
	if err := d.Decode(&s.bundle); err != nil || !b.spoil(s) {
		return nil, false
	}
	broken, err := json.Marshal(s.bundle)
	return broken, err == nil
}

var entryNumber = regexp.MustCompile(`entry\[\d+\]`)

// FaultsOf counts the faults of a bundle by their texts, whichever entry they are of.
func FaultsOf(bundle []byte) map[string]int {
	had := map[string]int{}
	for _, f := range CheckInOrder(bundle) {
		had[entryNumber.ReplaceAllString(f, "entry")]++
	}
	return had
}

// NewFaults gives the faults of a bundle beyond those of a good one; entries may have
// moved.
func NewFaults(broken []byte, good map[string]int) []string {
	had := maps.Clone(good)
	var list []string
	for _, f := range CheckInOrder(broken) {
		key := entryNumber.ReplaceAllString(f, "entry")
		if had[key]--; had[key] < 0 {
			list = append(list, f)
		}
	}
	return list
}

// specimen is a bundle under the knife.
type specimen struct {
	bundle object
	rand   *rand.Rand
}

func (s *specimen) entries() []object {
	var list []object
	for _, e := range s.bundle["entry"].(array) {
		list = append(list, e.(object))
	}
	return list
}

func resourceOf(entry object) object { return entry["resource"].(object) }

// entry chooses an entry whose resource has what is asked; nil: there is none.
func (s *specimen) entry(wanted func(r object) bool) object {
	list := slices.DeleteFunc(s.entries(), func(e object) bool { return !wanted(resourceOf(e)) })
	if len(list) == 0 {
		return nil
	}
	return list[s.rand.IntN(len(list))]
}

func (s *specimen) find(wanted func(r object) bool) object {
	if e := s.entry(wanted); e != nil {
		return resourceOf(e)
	}
	return nil
}

func (s *specimen) at(url string) object {
	for _, e := range s.entries() {
		if e["fullUrl"] == url {
			return resourceOf(e)
		}
	}
	return nil
}

func (s *specimen) urlOf(r object) string {
	for _, e := range s.entries() {
		if id := resourceOf(e)["id"]; id == r["id"] && resourceOf(e)["resourceType"] == r["resourceType"] {
			return e["fullUrl"].(string)
		}
	}
	return ""
}

// of is a living resource of a type that has all these elements.
func of(typ string, elements ...string) func(object) bool {
	return func(r object) bool {
		return r["resourceType"] == typ && Status(r) != "entered-in-error" && !slices.ContainsFunc(elements, func(e string) bool { return r[e] == nil })
	}
}

func and(conditions ...func(object) bool) func(object) bool {
	return func(r object) bool {
		return !slices.ContainsFunc(conditions, func(c func(object) bool) bool { return !c(r) })
	}
}

func role(word string) func(object) bool { return func(r object) bool { return roleOf(r) == word } }

func withStatus(word string) func(object) bool {
	return func(r object) bool { return Status(r) == word }
}

func gone(r object) bool { return Status(r) == "entered-in-error" }

func software(r object) bool { return member{typ: "Device", r: r}.software() }

// measured is a number that somebody read.
var measuredNumber = and(of("Observation", "valueQuantity", "subject"), role("measured"))

func publicAndOwn(r object) bool { return len(codings(r["code"])) > 1 }

// first gives the first object of a list.
func first(list any) object { return list.(array)[0].(object) }

// change gives a number a little above another one, in the same decimals.
func change(n any, by func(x string) string) json.Number {
	return json.Number(by(n.(json.Number).String()))
}

// digit writes the first digit anew.
func digit(x string) string {
	for i, c := range x {
		if c >= '1' && c <= '8' {
			return x[:i] + string(c+1) + x[i+1:]
		}
	}
	return "7" + x
}

// retold puts other words into the narrative.
func retold(r object, before, after string) bool {
	text, ok := r["text"].(object)
	if !ok {
		return false
	}
	div, _ := text["div"].(string)
	other := strings.ReplaceAll(div, html.EscapeString(before), html.EscapeString(after))
	text["div"] = other
	return other != div
}

func spokenNumber(q object) string {
	words := q["value"].(json.Number).String()
	if unit := q["unit"].(string); unit != "1" && unit != "label" {
		words += " " + unit
	}
	return words
}

// on breaks one resource that has what is asked.
func on(wanted func(object) bool, spoil func(s *specimen, r object) bool) func(*specimen) bool {
	return func(s *specimen) bool {
		for range 20 { // another one, where the first cannot be broken so
			r := s.find(wanted)
			if r == nil {
				return false
			}
			before, err := json.Marshal(r)
			if err != nil {
				return false
			}
			if spoil(s, r) {
				return true
			}
			clear(r)
			d := json.NewDecoder(bytes.NewReader(before))
			d.UseNumber()
			if d.Decode(&r) != nil {
				return false
			}
		}
		return false
	}
}

// two breaks a pair of resources.
func two(wanted func(object) bool, spoil func(s *specimen, a, b object) bool) func(*specimen) bool {
	return on(wanted, func(s *specimen, a object) bool {
		b := s.find(func(r object) bool { return wanted(r) && r["id"] != a["id"] })
		return b != nil && spoil(s, a, b)
	})
}

func without(element string) func(*specimen, object) bool {
	return func(_ *specimen, r object) bool {
		_, has := r[element]
		delete(r, element)
		return has
	}
}

// shorter takes one out of a list of references.
func shorter(name string) func(*specimen, object) bool {
	return func(s *specimen, r object) bool {
		list := r[name].(array)
		if len(list) < 2 {
			return false
		}
		i := s.rand.IntN(len(list))
		r[name] = slices.Delete(slices.Clone(list), i, i+1)
		return true
	}
}

func repeated(name string) func(*specimen, object) bool {
	return func(_ *specimen, r object) bool {
		list := r[name].(array)
		r[name] = append(list, list[0])
		return true
	}
}

func toItself(name string) func(*specimen, object) bool {
	return func(s *specimen, r object) bool {
		r[name] = array{object{"reference": s.urlOf(r)}}
		return true
	}
}

// elsewhere lets a reference lead to another resource of the kind.
func elsewhere(name string, to func(object) bool) func(*specimen, object) bool {
	return func(s *specimen, r object) bool {
		now := referencesAt(r, name)
		other := s.find(func(x object) bool { return to(x) && !slices.Contains(now, s.urlOf(x)) && x["id"] != r["id"] })
		if other == nil {
			return false
		}
		reference := object{"reference": s.urlOf(other)}
		if _, many := r[name].(array); many {
			r[name] = array{reference}
		} else {
			r[name] = reference
		}
		return true
	}
}

func becomes(status string) func(*specimen, object) bool {
	return func(_ *specimen, r object) bool {
		name := "status"
		if r["resourceType"] == "Goal" {
			name = "lifecycleStatus"
		}
		before := r[name]
		r[name] = status
		return before != status
	}
}

// move moves the time of a resource.
func move(by time.Duration) func(*specimen, object) bool {
	return func(_ *specimen, r object) bool {
		moved := false
		shift := func(o object, name string) {
			if t, ok := instant(o[name]); ok {
				o[name] = t.Add(by).Format(time.RFC3339)
				moved = true
			}
		}
		for _, name := range []string{"effectiveDateTime", "authoredOn", "recorded"} {
			shift(r, name)
		}
		for _, name := range []string{"effectivePeriod", "performedPeriod"} {
			if p, ok := r[name].(object); ok {
				shift(p, "start")
				shift(p, "end")
			}
		}
		return moved
	}
}

// anotherCode writes another code of the same system, as the tables have it.
func anotherCode(coding object) bool {
	system := coding["system"]
	for _, s := range fhirmap.CodeSystems() {
		if s.URL == system {
			for _, c := range s.Concepts {
				if c.Code != coding["code"] {
					coding["code"], coding["display"] = c.Code, c.Display
					return true
				}
			}
		}
	}
	for _, c := range fhirmap.StandardCodes() {
		if c.System == system && c.Code != coding["code"] {
			coding["code"], coding["display"] = c.Code, c.Display
			return true
		}
	}
	return false
}

func otherCodeOf(name string) func(*specimen, object) bool {
	return func(s *specimen, r object) bool {
		concept := r[name]
		if list, many := concept.(array); many {
			concept = list[s.rand.IntN(len(list))]
		}
		list := codings(concept)
		return len(list) > 0 && anotherCode(list[len(list)-1])
	}
}

const otherUID = "99999999-0000-4000-8000-000000000000"

func identifierOf(r object) object { return first(r["identifier"]) }

var (
	anyObservation = of("Observation", "subject", "identifier")
	panel          = and(of("Observation", "hasMember"), role(""))
	computed       = and(of("Observation", "device"), role("derived"))
	step           = of("Procedure", "partOf")
	operation      = func(r object) bool { return of("Procedure")(r) && r["partOf"] == nil }
	ring           = of("Device", "patient")
	plan           = func(r object) bool { return of("ServiceRequest")(r) && r["basedOn"] == nil }
	provenance     = of("Provenance", "target")
	inTheatre      = and(of("Observation", "partOf", "effectiveDateTime"), role("measured"))
)

// Why some breakages are seen by nobody who has only the bundle.
const (
	onlyTheRecord = "the bundle agrees with itself; only the record knows the other value"
	mayBeMissing  = "what is missing may not have been recorded"
	ofTheHistory  = "only an earlier bundle tells"
)

// Breakages gives the ways in which bundles are broken, by the kind of what is
// spoiled.
func Breakages() []Breakage {
	return []Breakage{
		// Values.
		{Name: "a value that the narrative does not say", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			q["value"] = change(q["value"], digit)
			return true
		})},
		{Name: "another value, told by the narrative too", Unseen: onlyTheRecord, spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			x, _ := q["value"].(json.Number).Float64()
			row, known := ofMetric(r["code"])
			before := spokenNumber(q)
			q["value"] = change(q["value"], digit)
			y, _ := q["value"].(json.Number).Float64()
			return known && y > x && y <= row.high && retold(r, before, spokenNumber(q))
		})},
		{Name: "a value a hundred times as large, told by the narrative too", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			x, _ := q["value"].(json.Number).Float64()
			row, known := ofMetric(r["code"])
			before := spokenNumber(q)
			q["value"] = json.Number(fmt.Sprint(x * 100))
			return known && row.high > 0 && x*100 > row.high && retold(r, before, spokenNumber(q))
		})},
		{Name: "a value with another sign, told by the narrative too", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			row, known := ofMetric(r["code"])
			before := spokenNumber(q)
			q["value"] = "-" + q["value"].(json.Number)
			return known && row.high > 0 && row.low >= 0 && before[0] != '0' && retold(r, before, spokenNumber(q))
		})},
		{Name: "two values exchanged", spoil: two(measuredNumber, func(_ *specimen, a, b object) bool {
			x, y := a["valueQuantity"].(object), b["valueQuantity"].(object)
			same := x["value"] == y["value"]
			x["value"], y["value"] = y["value"], x["value"]
			return !same
		})},
		{Name: "another unit", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			same := q["code"] == "kg"
			q["code"], q["unit"] = "kg", "kg"
			return !same
		})},
		{Name: "another unit, told by the narrative too", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			before, same := spokenNumber(q), q["code"] == "cm"
			q["code"], q["unit"] = "cm", "cm"
			return !same && retold(r, before, spokenNumber(q))
		})},
		{Name: "a unit for readers that is not the coded one", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			q := r["valueQuantity"].(object)
			before, same := spokenNumber(q), q["unit"] == "kg"
			q["unit"] = "kg"
			return !same && retold(r, before, spokenNumber(q))
		})},
		{Name: "a unit without its code", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			delete(r["valueQuantity"].(object), "code")
			return true
		})},
		{Name: "no value and no reason", spoil: on(measuredNumber, without("valueQuantity"))},
		{Name: "a number in the place of a reason", spoil: on(of("Observation", "dataAbsentReason"), func(_ *specimen, r object) bool {
			delete(r, "dataAbsentReason")
			r["valueQuantity"] = object{"value": json.Number("0"), "unit": "mm", "system": ucum, "code": "mm"}
			return true
		})},
		{Name: "a number beside the reason", spoil: on(of("Observation", "dataAbsentReason"), func(_ *specimen, r object) bool {
			r["valueQuantity"] = object{"value": json.Number("0"), "unit": "mm", "system": ucum, "code": "mm"}
			return true
		})},
		{Name: "another reason", spoil: on(of("Observation", "dataAbsentReason"), otherCodeOf("dataAbsentReason"))},
		{Name: "a prediction's range that the narrative does not say", spoil: on(of("Observation", "valueRange"), func(_ *specimen, r object) bool {
			low := r["valueRange"].(object)["low"].(object)
			low["value"] = json.Number("-" + strings.TrimPrefix(low["value"].(json.Number).String(), "-"))
			return low["value"] != json.Number("-0")
		})},
		{Name: "the middle of a prediction as a number", spoil: on(of("Observation", "valueRange"), func(_ *specimen, r object) bool {
			r["valueQuantity"] = r["valueRange"].(object)["low"]
			delete(r, "valueRange")
			return true
		})},
		{Name: "a limit in another unit", spoil: on(of("Observation", "referenceRange"), func(_ *specimen, r object) bool {
			for _, end := range []string{"low", "high"} {
				if q, ok := first(r["referenceRange"])[end].(object); ok {
					q["code"], q["unit"] = "kg", "kg"
					return true
				}
			}
			return false
		})},
		{Name: "an aim in another unit", spoil: on(of("Goal", "target"), func(_ *specimen, r object) bool {
			if q, ok := first(r["target"])["detailQuantity"].(object); ok {
				q["code"], q["unit"] = "kg", "kg"
				return true
			}
			return false
		})},
		{Name: "an aim's other end", spoil: on(of("Goal", "target"), func(_ *specimen, r object) bool {
			ends, _ := first(r["target"])["detailRange"].(object)
			q, ok := ends["high"].(object)
			if ok {
				q["value"] = change(q["value"], digit)
			}
			return ok
		})},
		{Name: "a planned ring's other dimension", spoil: on(of("DeviceRequest", "parameter"), func(_ *specimen, r object) bool {
			for _, x := range r["parameter"].(array) {
				if q, ok := x.(object)["valueQuantity"].(object); ok {
					q["value"] = change(q["value"], digit)
					return true
				}
			}
			return false
		})},

		// Codes.
		{Name: "another public code beside ours", spoil: on(and(measuredNumber, publicAndOwn), func(_ *specimen, r object) bool {
			return anotherCode(codings(r["code"])[0])
		})},
		{Name: "the public code of another metric", spoil: two(and(measuredNumber, publicAndOwn), func(_ *specimen, a, b object) bool {
			x, y := codings(a["code"])[0], codings(b["code"])[0]
			same := x["code"] == y["code"]
			for key := range x {
				x[key] = y[key]
			}
			return !same
		})},
		{Name: "our code of another metric", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			list := codings(r["code"])
			return anotherCode(list[len(list)-1])
		})},
		{Name: "both codes of another metric", spoil: two(measuredNumber, func(_ *specimen, a, b object) bool {
			same := said(a["code"]) == said(b["code"])
			a["code"] = b["code"]
			return !same
		})},
		{Name: "no public code", Unseen: "which public code is sent depends on the reading, which may not fulfil its condition", spoil: on(and(measuredNumber, publicAndOwn), func(_ *specimen, r object) bool {
			r["code"].(object)["coding"] = array{codings(r["code"])[1]}
			return true
		})},
		{Name: "another display of ours", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			list := codings(r["code"])
			list[len(list)-1]["display"] = "something else"
			return true
		})},
		{Name: "another display of a public code", spoil: on(and(measuredNumber, publicAndOwn), func(_ *specimen, r object) bool {
			codings(r["code"])[0]["display"] = "something else"
			return true
		})},
		{Name: "a code of a system that is not ours", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			list := codings(r["code"])
			list[len(list)-1]["system"] = "https://example.org/elsewhere"
			return true
		})},
		{Name: "another place", spoil: on(of("Observation", "bodySite"), otherCodeOf("bodySite"))},
		{Name: "another step's place", spoil: on(of("Procedure", "bodySite", "partOf"), otherCodeOf("bodySite"))},
		{Name: "another method", spoil: on(and(measuredNumber, of("Observation", "method")), otherCodeOf("method"))},
		{Name: "no method", spoil: on(and(measuredNumber, of("Observation", "method")), without("method"))},
		{Name: "what was measured said to be derived", spoil: on(measuredNumber, func(_ *specimen, r object) bool { return otherRole(r, "derived") })},
		{Name: "what was derived said to be measured", spoil: on(computed, func(_ *specimen, r object) bool { return otherRole(r, "measured") })},
		{Name: "a prediction said to be measured", spoil: on(and(of("Observation"), role("predicted-from-plan")), func(_ *specimen, r object) bool { return otherRole(r, "measured") })},
		{Name: "no word of where a value comes from", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			r["category"] = r["category"].(array)[:1]
			return true
		})},
		{Name: "another step", spoil: on(and(step, of("Procedure", "code")), otherCodeOf("code"))},
		{Name: "another planned step", spoil: on(of("ServiceRequest", "basedOn"), otherCodeOf("code"))},
		{Name: "another detail of a planned step", spoil: on(of("ServiceRequest", "orderDetail"), otherCodeOf("orderDetail"))},
		{Name: "another kind of ring", spoil: on(of("Device", "patient"), otherCodeOf("type"))},
		{Name: "another kind of planned ring", spoil: on(of("DeviceRequest"), otherCodeOf("codeCodeableConcept"))},
		{Name: "another word of severity beside a grade", spoil: on(of("Observation", "valueCodeableConcept"), func(_ *specimen, r object) bool {
			list := codings(r["valueCodeableConcept"])
			return len(list) > 1 && anotherCode(list[0])
		})},
		{Name: "another grade", spoil: on(of("Observation", "valueCodeableConcept"), otherCodeOf("valueCodeableConcept"))},
		{Name: "another conclusion of a report", spoil: on(of("DiagnosticReport", "conclusionCode"), func(_ *specimen, r object) bool {
			r["conclusionCode"] = array{object{"text": "Mitral regurgitation: another one"}}
			return true
		})},
		{Name: "another reason why a step was left out", spoil: on(of("Procedure", "statusReason"), otherCodeOf("statusReason"))},

		// References.
		{Name: "one value of another patient", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			r["subject"].(object)["identifier"].(object)["value"] = "P-9999"
			return true
		})},
		{Name: "one value of a patient of another hospital", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			r["subject"].(object)["identifier"].(object)["system"] = "urn:example:elsewhere"
			return true
		})},
		{Name: "a ring of another patient", spoil: on(ring, func(_ *specimen, r object) bool {
			r["patient"].(object)["identifier"].(object)["value"] = "P-9999"
			return true
		})},
		{Name: "a value of nobody", spoil: on(anyObservation, without("subject"))},
		{Name: "a panel lacks a member", spoil: on(panel, shorter("hasMember"))},
		{Name: "a panel names a member twice", spoil: on(panel, repeated("hasMember"))},
		{Name: "a panel names itself", spoil: on(panel, toItself("hasMember"))},
		{Name: "a member of two panels", spoil: two(panel, func(_ *specimen, a, b object) bool {
			a["hasMember"] = append(a["hasMember"].(array), b["hasMember"].(array)[0])
			return true
		})},
		{Name: "a value derived from itself", spoil: on(of("Observation", "derivedFrom"), toItself("derivedFrom"))},
		{Name: "an input twice", spoil: on(of("Observation", "derivedFrom"), repeated("derivedFrom"))},
		{Name: "an input lost", Unseen: "inputs may be values that are not sent, such as planned ones", spoil: on(of("Observation", "derivedFrom"), shorter("derivedFrom"))},
		{Name: "a measurement that was derived", spoil: on(measuredNumber, func(s *specimen, r object) bool {
			r["derivedFrom"] = array{object{"reference": s.urlOf(s.find(panel))}}
			return true
		})},
		{Name: "a step of no operation", spoil: on(step, without("partOf"))},
		{Name: "a step of itself", spoil: on(step, toItself("partOf"))},
		{Name: "a step of another step", spoil: on(step, elsewhere("partOf", step))},
		{Name: "a step that answers the whole plan", spoil: on(of("Procedure", "partOf", "basedOn"), elsewhere("basedOn", plan))},
		{Name: "a step that answers another planned step", Unseen: "a planned step may be answered by another technique", spoil: on(of("Procedure", "partOf", "basedOn"), func(s *specimen, r object) bool {
			asked := s.at(referencesAt(r, "basedOn")[0])
			return elsewhere("basedOn", and(of("ServiceRequest", "basedOn"), func(x object) bool {
				return x["authoredOn"] == asked["authoredOn"]
			}))(s, r)
		})},
		{Name: "an annuloplasty without a ring", spoil: on(and(of("Procedure", "focalDevice"), func(r object) bool { return hasCode(r["code"], "annuloplasty") }), without("focalDevice"))},
		{Name: "a step that acts on software", spoil: on(of("Procedure", "focalDevice"), func(s *specimen, r object) bool {
			first(r["focalDevice"])["manipulated"] = object{"reference": s.urlOf(s.find(software))}
			return true
		})},
		{Name: "two steps with one ring", spoil: two(of("Procedure", "focalDevice"), func(_ *specimen, a, b object) bool {
			a["focalDevice"] = b["focalDevice"]
			return true
		})},
		{Name: "a value that no software computed", spoil: on(computed, without("device"))},
		{Name: "a value that a ring computed", spoil: on(computed, elsewhere("device", ring))},
		{Name: "a measurement by software", spoil: on(measuredNumber, func(s *specimen, r object) bool {
			r["device"] = object{"reference": s.urlOf(s.find(software))}
			return true
		})},
		{Name: "a report of nothing", spoil: on(of("DiagnosticReport", "result"), without("result"))},
		{Name: "a report of another panel", spoil: on(of("DiagnosticReport", "result"), elsewhere("result", panel))},
		{Name: "a report of a single value", spoil: on(of("DiagnosticReport", "result"), elsewhere("result", measuredNumber))},
		{Name: "an operation without one of its reports", spoil: on(of("Procedure", "report"), shorter("report"))},
		{Name: "a contradiction that names one value less", Unseen: "how many values a rule read, only its finding knows", spoil: on(of("DetectedIssue", "implicated"), shorter("implicated"))},
		{Name: "a source that names one resource less", spoil: on(provenance, func(s *specimen, r object) bool {
			once := map[string]int{}
			for _, e := range s.entries() {
				if resourceOf(e)["resourceType"] == "Provenance" {
					for _, ref := range referencesAt(resourceOf(e), "target") {
						once[ref]++
					}
				}
			}
			list := r["target"].(array)
			i := slices.IndexFunc(list, func(x any) bool {
				ref := x.(object)["reference"].(string)
				return once[ref] == 1 && !gone(s.at(ref))
			})
			if i < 0 || len(list) < 2 {
				return false
			}
			r["target"] = slices.Delete(slices.Clone(list), i, i+1)
			return true
		})},
		{Name: "a source that names one resource twice", spoil: on(provenance, repeated("target"))},
		{Name: "a resource of no section", spoil: on(of("Provenance", "entity"), func(s *specimen, r object) bool {
			recorded := func(ref string) bool {
				to := s.at(ref)
				return !gone(to) && to["device"] == nil && to["resourceType"] != "DetectedIssue"
			}
			return slices.ContainsFunc(referencesAt(r, "target"), recorded) && without("entity")(s, r)
		})},
		{Name: "a section of another case", spoil: on(of("Provenance", "entity"), func(_ *specimen, r object) bool {
			id := first(r["entity"])["what"].(object)["identifier"].(object)
			_, rest, _ := strings.Cut(id["value"].(string), "/")
			id["value"] = otherUID + "/" + rest
			return true
		})},
		{Name: "a source made by a ring", spoil: on(provenance, func(s *specimen, r object) bool {
			device := s.find(ring)
			if device != nil {
				first(r["agent"])["who"] = object{"reference": s.urlOf(device)}
			}
			return device != nil
		})},
		{Name: "a goal of no plan", spoil: on(of("Goal", "addresses"), without("addresses"))},
		{Name: "what is left of a resource that was taken out", spoil: func(s *specimen) bool {
			taken := s.entry(measuredNumber)
			if taken == nil {
				return false
			}
			s.bundle["entry"] = slices.DeleteFunc(s.bundle["entry"].(array), func(e any) bool { return e.(object)["fullUrl"] == taken["fullUrl"] })
			return true
		}},
		{Name: "a resource taken out with every word of it", Unseen: mayBeMissing, spoil: func(s *specimen) bool {
			// The first of two members, so that its panel stays one.
			whole := s.find(and(panel, func(r object) bool { return len(r["hasMember"].(array)) > 1 }))
			if whole == nil {
				return false
			}
			url := referencesAt(whole, "hasMember")[0]
			taken := s.entry(func(r object) bool { return measuredNumber(r) && s.urlOf(r) == url })
			if taken == nil {
				return false
			}
			s.bundle["entry"] = slices.DeleteFunc(s.bundle["entry"].(array), func(e any) bool { return e.(object)["fullUrl"] == taken["fullUrl"] })
			forget(s.bundle, taken["fullUrl"].(string))
			return true
		}},
		{Name: "a reference to what was entered in error", spoil: func(s *specimen) bool {
			dead, r := s.find(and(gone, func(r object) bool { return r["resourceType"] == "Observation" })), s.find(panel)
			if dead == nil || r == nil {
				return false
			}
			r["hasMember"] = append(r["hasMember"].(array), object{"reference": s.urlOf(dead)})
			return true
		}},

		// Identifiers and ids.
		{Name: "an identifier of two resources", spoil: two(anyObservation, func(_ *specimen, a, b object) bool {
			identifierOf(a)["value"] = identifierOf(b)["value"]
			return true
		})},
		{Name: "two identifiers exchanged", spoil: two(anyObservation, func(_ *specimen, a, b object) bool {
			a["identifier"], b["identifier"] = b["identifier"], a["identifier"]
			return true
		})},
		{Name: "an identifier of another case", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			_, rest, _ := strings.Cut(identifierOf(r)["value"].(string), "/")
			identifierOf(r)["value"] = otherUID + "/" + rest
			return true
		})},
		{Name: "an identifier of nothing in the case", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			of, _, _ := strings.Cut(identifierOf(r)["value"].(string), "/")
			identifierOf(r)["value"] = of
			return true
		})},
		{Name: "no identifier", spoil: on(anyObservation, without("identifier"))},
		{Name: "an identifier of another system", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			identifierOf(r)["system"] = "urn:example:elsewhere"
			return true
		})},
		{Name: "an id of another case", spoil: func(s *specimen) bool {
			e := s.entry(and(anyObservation, role("plan-versus-outcome")))
			if e == nil {
				return false
			}
			return otherID(s, e, func(id string) string { return "00000000-0000" + id[13:] })
		}},
		{Name: "an id of another resource of the case", spoil: func(s *specimen) bool {
			e := s.entry(anyObservation)
			if e == nil {
				return false
			}
			return otherID(s, e, func(id string) string { return id[:len(id)-4] + "0000" })
		}},
		{Name: "a step of another requisition", spoil: on(of("ServiceRequest", "requisition", "basedOn"), func(_ *specimen, r object) bool {
			id := r["requisition"].(object)
			_, rest, _ := strings.Cut(id["value"].(string), "/")
			id["value"] = otherUID + "/" + rest
			return true
		})},
		{Name: "another history number", spoil: on(anyObservation, func(_ *specimen, r object) bool {
			return replaceHistory(r, fmt.Sprint(historyOf(r)))
		})},

		// Statuses.
		{Name: "an error that keeps its value", spoil: on(measuredNumber, becomes("entered-in-error"))},
		{Name: "an error that is one no more", spoil: func(s *specimen) bool {
			r := s.find(and(gone, func(r object) bool { return r["resourceType"] == "Observation" }))
			if r != nil {
				r["status"] = "final"
			}
			return r != nil
		}},
		{Name: "an error with its value back", spoil: func(s *specimen) bool {
			r := s.find(and(gone, func(r object) bool { return r["resourceType"] == "Observation" }))
			if r != nil {
				r["valueQuantity"] = object{"value": json.Number("1"), "unit": "mm", "system": ucum, "code": "mm"}
			}
			return r != nil
		}},
		{Name: "a result that is preliminary", spoil: on(measuredNumber, becomes("preliminary"))},
		{Name: "a first result that was amended", Unseen: ofTheHistory, spoil: on(and(measuredNumber, withStatus("final")), becomes("amended"))},
		{Name: "done, and said not to be", spoil: on(and(step, withStatus("completed")), becomes("not-done"))},
		{Name: "not done, and said to be", spoil: on(and(step, withStatus("not-done")), becomes("completed"))},
		{Name: "a planned step that is still to be done", spoil: on(and(of("ServiceRequest", "basedOn"), withStatus("completed")), becomes("active"))},
		{Name: "a planned step that was never asked for", spoil: on(and(of("ServiceRequest", "basedOn"), withStatus("completed")), becomes("revoked"))},
		{Name: "a ring that is not there", spoil: on(and(ring, withStatus("active")), becomes("inactive"))},
		{Name: "an operation that goes on", spoil: on(and(operation, withStatus("completed")), becomes("in-progress"))},
		{Name: "a goal that was given up", spoil: on(and(of("Goal"), withStatus("completed")), becomes("cancelled"))},

		// Dates.
		{Name: "a result a year later", spoil: on(inTheatre, move(365*24*time.Hour))},
		{Name: "a result a day before the operation", spoil: on(inTheatre, func(s *specimen, r object) bool {
			start, _ := spanOf(s.at(referencesAt(r, "partOf")[0]))
			return !start.IsZero() && move(-24*time.Hour)(s, r)
		})},
		{Name: "a panel's other time", spoil: on(and(panel, of("Observation", "effectiveDateTime")), move(-48*time.Hour))},
		{Name: "a report's other time", spoil: on(of("DiagnosticReport", "effectiveDateTime"), move(-time.Hour))},
		{Name: "a step that outlasts the operation", spoil: on(of("Procedure", "partOf", "performedPeriod"), func(s *specimen, r object) bool {
			_, end := spanOf(s.at(referencesAt(r, "partOf")[0]))
			return !end.IsZero() && move(12*time.Hour)(s, r)
		})},
		{Name: "an operation a day earlier", spoil: on(and(operation, of("Procedure", "performedPeriod")), func(s *specimen, r object) bool {
			_, end := spanOf(r)
			inside := s.find(func(x object) bool { return inTheatre(x) && slices.Contains(referencesAt(x, "partOf"), s.urlOf(r)) })
			return !end.IsZero() && inside != nil && move(-24*time.Hour)(s, r)
		})},
		{Name: "a plan of after the operation", spoil: on(and(plan, of("ServiceRequest", "authoredOn"), withStatus("completed")), move(30*24*time.Hour))},
		{Name: "received a year before it was seen", spoil: on(of("Provenance", "entity"), func(s *specimen, r object) bool {
			recorded, _ := instant(r["recorded"])
			timed := func(ref string) bool {
				start, _ := spanOf(s.at(ref))
				return !start.IsZero() && start.Before(recorded)
			}
			return slices.ContainsFunc(referencesAt(r, "target"), timed) && move(-365*24*time.Hour)(s, r)
		})},
		{Name: "received after the bundle was made", spoil: on(provenance, move(3650*24*time.Hour))},
		{Name: "a bundle made before its operation", spoil: func(s *specimen) bool {
			t, ok := instant(s.bundle["timestamp"])
			s.bundle["timestamp"] = t.AddDate(-1, 0, 0).Format(time.RFC3339)
			return ok
		}},

		// Narratives.
		{Name: "the narrative of another value", spoil: two(measuredNumber, func(_ *specimen, a, b object) bool {
			same := said(a["code"]) == said(b["code"])
			a["text"], b["text"] = b["text"], a["text"]
			return !same
		})},
		{Name: "a narrative that says nothing of the value", spoil: on(measuredNumber, func(_ *specimen, r object) bool {
			r["text"].(object)["div"] = `<div xmlns="http://www.w3.org/1999/xhtml">` + html.EscapeString(said(r["code"])) + `</div>`
			return true
		})},
		{Name: "no narrative", spoil: on(measuredNumber, without("text"))},
		{Name: "a narrative of another status", spoil: on(and(step, withStatus("completed")), func(_ *specimen, r object) bool {
			return retold(r, "Completed", "Stopped")
		})},
	}
}

// otherRole says of a value that it comes from elsewhere.
func otherRole(r object, word string) bool {
	for _, category := range r["category"].(array) {
		for _, x := range codings(category) {
			if x["system"] != roleSystem {
				continue
			}
			for _, s := range fhirmap.CodeSystems() {
				for _, c := range s.Concepts {
					if s.URL == roleSystem && c.Code == word {
						before, _ := x["display"].(string)
						x["code"], x["display"] = word, c.Display
						retold(r, strings.ToLower(before), strings.ToLower(c.Display))
						return true
					}
				}
			}
		}
	}
	return false
}

// otherID gives an entry another id, and everything that refers to it.
func otherID(s *specimen, e object, other func(string) string) bool {
	r := resourceOf(e)
	id, ok := r["id"].(string)
	if !ok {
		return false
	}
	before, after := []byte(id), []byte(other(id))
	text, err := json.Marshal(s.bundle)
	if err != nil {
		return false
	}
	d := json.NewDecoder(bytes.NewReader(bytes.ReplaceAll(text, before, after)))
	d.UseNumber()
	clear(s.bundle)
	return d.Decode(&s.bundle) == nil
}

// replaceHistory gives one resource another history number than its bundle's,
// wherever the mapping keeps it.
func replaceHistory(r object, number string) bool {
	replaced := false
	var walk func(node any)
	walk = func(node any) {
		switch x := node.(type) {
		case array:
			for _, child := range x {
				walk(child)
			}
		case object:
			for key, v := range x {
				if fmt.Sprint(v) == number {
					if _, isNumber := v.(json.Number); isNumber {
						x[key] = json.Number("1")
					} else {
						x[key] = "1"
					}
					replaced = true
					continue
				}
				walk(v)
			}
		}
	}
	walk(r["meta"])
	walk(r["extension"])
	return replaced
}

// forget takes out every reference to what is gone.
func forget(node any, url string) {
	switch x := node.(type) {
	case array:
		for _, child := range x {
			forget(child, url)
		}
	case object:
		for _, key := range slices.Collect(maps.Keys(x)) {
			list, many := x[key].(array)
			if !many {
				forget(x[key], url)
				continue
			}
			list = slices.DeleteFunc(list, func(child any) bool {
				o, _ := child.(object)
				return o["reference"] == url
			})
			if x[key] = list; len(list) == 0 {
				delete(x, key)
				continue
			}
			forget(list, url)
		}
	}
}
