package fhirtest_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

type (
	object = map[string]any
	array  = []any
)

// Every row breaks a good bundle in one way and must be caught. Source of the
// invariants: HL7 FHIR R4 4.0.1; the others are the project's own promises.
func TestBrokenBundlesAreCaught(t *testing.T) {
	resource := func(b object, typ string, wanted func(object) bool) object {
		for _, e := range b["entry"].(array) {
			r := e.(object)["resource"].(object)
			if r["resourceType"] == typ && (wanted == nil || wanted(r)) {
				return r
			}
		}
		t.Fatalf("the bundle has no such %s", typ)
		return nil
	}
	has := func(element string) func(object) bool {
		return func(r object) bool { return r[element] != nil }
	}
	key := func(part string) func(object) bool {
		return func(r object) bool {
			return strings.Contains(r["identifier"].(array)[0].(object)["value"].(string), part)
		}
	}
	entry := func(b object, i int) object { return b["entry"].(array)[i].(object) }
	quantity := func(b object) object {
		return resource(b, "Observation", has("valueQuantity"))["valueQuantity"].(object)
	}
	// A code of ours, which stands last.
	coding := func(b object) object {
		codings := resource(b, "Observation", has("valueQuantity"))["code"].(object)["coding"].(array)
		return codings[len(codings)-1].(object)
	}
	type row struct {
		name  string
		spoil func(b object)
		want  string
	}
	tests := []row{
		{"a total on a transaction", func(b object) { b["total"] = 3 }, "bdl-1"},
		{"not a transaction", func(b object) { b["type"] = "batch" }, "neither transaction nor collection"},
		{"an entry without request", func(b object) { delete(entry(b, 0), "request") }, "bdl-3"},
		{"a request in a collection", func(b object) { b["type"] = "collection" }, "bdl-3"},
		{"a collection under urn:uuid", func(b object) {
			b["type"] = "collection"
			for i := range b["entry"].(array) {
				delete(entry(b, i), "request")
			}
		}, "does not agree with type and id"},
		{"a conditional update with an id", func(b object) {
			entry(b, 0)["request"].(object)["url"] = "Device?identifier=x"
		}, "a conditional update has no id"},
		{"a response", func(b object) { entry(b, 0)["response"] = object{"status": "200"} }, "bdl-4"},
		{"one fullUrl twice", func(b object) { entry(b, 1)["fullUrl"] = entry(b, 0)["fullUrl"] }, "bdl-7"},
		{"a version specific fullUrl", func(b object) { entry(b, 0)["fullUrl"] = "https://x/Device/1/_history/2" }, "bdl-8"},
		{"fullUrl and id disagree", func(b object) { entry(b, 0)["fullUrl"] = "urn:uuid:0" }, "does not agree"},
		{"a POST", func(b object) { entry(b, 0)["request"].(object)["method"] = "POST" }, "is not PUT"},
		{"an empty reference range", func(b object) {
			resource(b, "Observation", has("valueQuantity"))["referenceRange"] = array{object{"type": object{"text": "x"}}}
		}, "obs-3"},
		{"a value and a reason for its absence", func(b object) {
			resource(b, "Observation", has("valueQuantity"))["dataAbsentReason"] = object{"text": "x"}
		}, "obs-6"},
		{"the same in a component", func(b object) {
			resource(b, "Observation", has("component"))["component"].(array)[0].(object)["dataAbsentReason"] = object{"text": "x"}
		}, "obs-6"},
		{"the code recurs in a component", func(b object) {
			r := resource(b, "Observation", has("valueQuantity"))
			r["component"] = array{object{"code": r["code"], "valueQuantity": r["valueQuantity"]}}
		}, "obs-7"},
		{"two components of one code", func(b object) {
			r := resource(b, "Observation", has("component"))
			r["component"] = append(r["component"].(array), r["component"].(array)[0])
		}, "two components"},
		{"a component of a value", func(b object) {
			resource(b, "Observation", has("valueQuantity"))["component"] = resource(b, "Observation", has("component"))["component"]
		}, "only a difference, and what is told in words, has components"},
		{"a value of no occasion", func(b object) {
			r := resource(b, "Observation", has("valueQuantity"))
			r["category"] = r["category"].(array)[:2]
		}, "of 0 occasions"},
		{"two values", func(b object) { resource(b, "Observation", has("valueQuantity"))["valueString"] = "x" }, "more than one value"},
		{"neither value nor reason", func(b object) { delete(resource(b, "Observation", has("valueQuantity")), "valueQuantity") }, "neither value nor reason"},
		{"a prediction as a number", func(b object) {
			c := resource(b, "Observation", key("predicted-from-plan"))
			c["valueQuantity"] = c["valueRange"].(object)["low"]
			delete(c, "valueRange")
		}, "a prediction is a range"},
		{"a range upside down", func(b object) {
			x := resource(b, "Observation", key("predicted-from-plan"))["valueRange"].(object)
			x["low"], x["high"] = x["high"], x["low"]
		}, "rng-2"},
		{"a period upside down", func(b object) {
			x := resource(b, "Procedure", has("performedPeriod"))["performedPeriod"].(object)
			x["start"], x["end"] = x["end"], x["start"]
		}, "per-1"},
		{"a coded unit without a system", func(b object) { delete(quantity(b), "system") }, "qty-3"},
		{"a unit that is not UCUM", func(b object) { quantity(b)["code"] = "mmHg" }, "not in the table of units"},
		{"a number as text", func(b object) { quantity(b)["value"] = "3.2" }, "no number"},
		{"no coded unit", func(b object) { delete(quantity(b), "code") }, "no coded unit"},
		{"a reference to nothing", func(b object) {
			resource(b, "Procedure", has("partOf"))["partOf"].(array)[0].(object)["reference"] = "urn:uuid:gone"
		}, "resolves to nothing"},
		{"a reference to something that is not contained", func(b object) {
			resource(b, "Procedure", has("partOf"))["partOf"].(array)[0].(object)["reference"] = "#1"
		}, "ref-1"},
		{"a reference to the wrong type", func(b object) {
			resource(b, "Procedure", has("partOf"))["partOf"].(array)[0].(object)["reference"] = entry(b, 0)["fullUrl"]
		}, "partOf refers to a Device"},
		{"a literal reference to the patient", func(b object) {
			resource(b, "Procedure", nil)["subject"].(object)["reference"] = "Patient/1"
		}, "resolves to nothing"},
		{"a name of the patient", func(b object) { resource(b, "Procedure", nil)["subject"].(object)["display"] = "x" }, "display"},
		{"no subject", func(b object) { delete(resource(b, "Observation", nil), "subject") }, "no subject"},
		{"a Device of nobody", func(b object) { delete(resource(b, "Device", has("patient")), "patient") }, "no patient"},
		{"an empty array", func(b object) { resource(b, "Observation", nil)["note"] = array{} }, "empty array"},
		{"an empty object", func(b object) { resource(b, "Observation", nil)["bodySite"] = object{} }, "empty object"},
		{"an empty string", func(b object) { coding(b)["display"] = "" }, "empty string"},
		{"null", func(b object) { resource(b, "Observation", nil)["issued"] = nil }, "null"},
		{"a code of a public system that is in no table", func(b object) { coding(b)["system"], coding(b)["code"] = "http://loinc.org", "1-8" }, "in no table"},
		{"a code that our system does not hold", func(b object) { coding(b)["code"] = "mean-gradient-2" }, "is not a code of"},
		{"another display of a public code", func(b object) {
			resource(b, "Procedure", nil)["category"].(object)["coding"].(array)[0].(object)["display"] = "Surgery"
		}, "is not the table's"},
		{"no history number", func(b object) { delete(resource(b, "Device", nil), "meta") }, "history number"},
		{"another history number", func(b object) {
			resource(b, "Device", nil)["extension"].(array)[0].(object)["valueDecimal"] = 9
		}, "history number"},
		{"a tag that says another", func(b object) {
			resource(b, "Device", nil)["meta"].(object)["tag"].(array)[0].(object)["code"] = "9"
		}, "history number"},
		{"no extension with it", func(b object) { delete(resource(b, "Device", nil), "extension") }, "history number"},
		{"no identifier", func(b object) { delete(resource(b, "Observation", nil), "identifier") }, "0 identifiers"},
		{"no code", func(b object) { delete(resource(b, "Observation", nil), "code") }, "no code"},
		{"a status out of a forgotten enum", func(b object) { resource(b, "Observation", nil)["status"] = "registered" }, "status registered"},
		{"an unknown enum number", func(b object) { resource(b, "Procedure", nil)["status"] = "<unknown>" }, "status <unknown>"},
		{"done although not done", func(b object) {
			resource(b, "Procedure", func(r object) bool { return r["status"] == "not-done" })["performedDateTime"] = "2026"
		}, "not done and performed"},
		{"not done for no reason", func(b object) {
			delete(resource(b, "Procedure", func(r object) bool { return r["status"] == "not-done" }), "statusReason")
		}, "without a reason"},
		{"a type that the mapping does not make", func(b object) { entry(b, 0)["resource"].(object)["resourceType"] = "CarePlan" }, "makes no"},
	}
	ofPlan := []row{
		{"no narrative", func(b object) { delete(resource(b, "Observation", nil), "text") }, "no narrative"},
		{"a narrative that is no XHTML", func(b object) {
			resource(b, "Goal", nil)["text"].(object)["div"] = `<div xmlns="http://www.w3.org/1999/xhtml">a < b</div>`
		}, "no XHTML"},
		{"a narrative in no namespace", func(b object) { resource(b, "Goal", nil)["text"].(object)["div"] = `<div>x</div>` }, "no XHTML"},
		{"markup in a narrative", func(b object) {
			resource(b, "Goal", nil)["text"].(object)["div"] = `<div xmlns="http://www.w3.org/1999/xhtml">a<script>x</script></div>`
		}, "not one generated sentence"},
		{"an order", func(b object) { resource(b, "ServiceRequest", nil)["intent"] = "order" }, "intent order"},
		{"a forgotten intent", func(b object) { delete(resource(b, "DeviceRequest", nil), "intent") }, "intent <nil>"},
		{"details of no code", func(b object) { delete(resource(b, "ServiceRequest", has("orderDetail")), "code") }, "prr-1"},
		{"a lifecycle status that the mapping does not use", func(b object) { resource(b, "Goal", nil)["lifecycleStatus"] = "on-hold" }, "status on-hold"},
		{"a detail without a measure", func(b object) { delete(resource(b, "Goal", nil)["target"].(array)[0].(object), "measure") }, "gol-1"},
		{"two details", func(b object) {
			target := resource(b, "Goal", key("/dimensions/"))["target"].(array)[0].(object)
			target["detailInteger"] = 1
		}, "2 details"},
		{"a goal without a target", func(b object) { delete(resource(b, "Goal", nil), "target") }, "without a target"},
		{"a goal that is answered by a step", func(b object) {
			resource(b, "Goal", nil)["outcomeReference"] = resource(b, "Procedure", has("partOf"))["partOf"]
		}, "outcomeReference refers to a Procedure"},
		{"a planned number in an unknown unit", func(b object) {
			resource(b, "Goal", key("/dimensions/"))["target"].(array)[0].(object)["detailQuantity"].(object)["code"] = "cm3"
		}, "not in the table of units"},
		{"an extension that is in no table", func(b object) {
			resource(b, "Goal", nil)["extension"] = array{object{"url": "https://x", "valueCode": "y"}}
		}, "in no table"},
		{"an extension with a value of another type", func(b object) {
			resource(b, "Goal", nil)["extension"] = array{object{"url": "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty", "valueString": "y"}}
		}, "want valueDecimal"},
		{"a Provenance of nothing", func(b object) { delete(resource(b, "Provenance", nil), "target") }, "of nothing"},
		{"a Provenance by nobody", func(b object) { delete(resource(b, "Provenance", nil), "agent") }, "by nobody"},
		{"a Provenance of no time", func(b object) { resource(b, "Provenance", nil)["recorded"] = "2026-03-03" }, "no instant"},
		{"a source that reads derivation out of a forgotten enum", func(b object) {
			resource(b, "Provenance", has("entity"))["entity"].(array)[0].(object)["role"] = "derivation"
		}, "role derivation"},
	}
	spoiled := func(h fhirmap.History, tt row) {
		good, err := fhirmap.Transaction(h)
		if err != nil {
			t.Fatal(err)
		}
		if faults := fhirtest.Check(good); faults != nil {
			t.Fatalf("the good bundle is refused: %v", faults)
		}
		d := json.NewDecoder(bytes.NewReader(good))
		d.UseNumber()
		var b object
		if err := d.Decode(&b); err != nil {
			t.Fatal(err)
		}
		tt.spoil(b)
		broken, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		if faults := strings.Join(fhirtest.Check(broken), "\n"); !strings.Contains(faults, tt.want) {
			t.Errorf("%s is not caught; want %q in %q", tt.name, tt.want, faults)
		}
	}
	for _, tt := range tests {
		spoiled(fhirtest.Complete(), tt)
	}
	for _, tt := range ofPlan {
		spoiled(fhirtest.Planned(), tt)
	}
	for _, text := range []string{"", "{", "[]", `{"resourceType":"Observation"}`} {
		if fhirtest.Check([]byte(text)) == nil {
			t.Errorf("%q passes", text)
		}
	}
}
