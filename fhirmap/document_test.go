package fhirmap_test

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/note"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func noteOf(t *testing.T, h fhirmap.History) note.Note {
	t.Helper()
	n, err := note.Build(note.Input{Site: h.Site, Case: h.Current.Case, Annex: true})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func documentOf(t *testing.T, h fhirmap.History) []byte {
	t.Helper()
	out, err := fhirmap.Document(h, noteOf(t, h))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// histories are the examples of the mapping, and the invented cases as the server
// evaluates them.
func histories(t *testing.T) map[string]fhirmap.History {
	t.Helper()
	all := map[string]fhirmap.History{"complete": fhirtest.Complete(), "disputed": fhirtest.Disputed(), "converted": fhirtest.Converted(), "revised": fhirtest.Revised()}
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("harbour", "1", "UTC")})
		all["case "+name] = historyOf(file, convert.Evaluation(&e))
	}
	return all
}

// Invariants by their names in HL7 FHIR R4 4.0.1: bdl-3 and bdl-9 to bdl-11, cmp-1,
// txt-1 and txt-2; and section 3.3 of its page on documents, that a document holds
// what the composition refers to, directly or indirectly, and nothing else.
func TestDocumentsHold(t *testing.T) {
	for name, h := range histories(t) {
		t.Run(name, func(t *testing.T) {
			out := documentOf(t, h)
			var d object
			if err := json.Unmarshal(out, &d); err != nil {
				t.Fatal(err)
			}
			id, _ := d["identifier"].(object)
			if d["type"] != "document" || id["system"] == nil || id["value"] == nil {
				t.Errorf("bdl-9: type %v with identifier %v", d["type"], id)
			}
			if stamp, _ := d["timestamp"].(string); stamp == "" {
				t.Error("bdl-10: no timestamp")
			}
			entries, _ := d["entry"].(array)
			byURL := map[string]object{}
			for i, e := range entries {
				entry := e.(object)
				if entry["request"] != nil {
					t.Errorf("bdl-3: entry %d has a request", i)
				}
				byURL[entry["fullUrl"].(string)] = entry["resource"].(object)
			}
			first := entries[0].(object)["resource"].(object)
			if first["resourceType"] != "Composition" || first["status"] != "preliminary" || first["date"] == nil || first["title"] == nil {
				t.Fatalf("bdl-11: the first entry is %v", first["resourceType"])
			}
			sections, _ := first["section"].(array)
			if len(sections) == 0 {
				t.Error("the composition has no section")
			}
			for _, s := range append(array{first}, sections...) {
				narrative, _ := s.(object)["text"].(object)
				div, _ := narrative["div"].(string)
				if narrative["status"] != "generated" || !strings.HasPrefix(div, `<div xmlns="http://www.w3.org/1999/xhtml"`) {
					t.Errorf("cmp-1, txt-2: a section without a narrative: %v", s.(object)["title"])
				}
				onlyFormatting(t, div)
			}
			reached := map[string]bool{}
			reach(first, byURL, reached)
			for url, resource := range byURL {
				if resource["resourceType"] != "Composition" && !reached[url] {
					t.Errorf("%v %s is in the document and nothing refers to it", resource["resourceType"], url)
				}
			}
			for url := range reached {
				if byURL[url] == nil {
					t.Errorf("%s is referred to and not in the document", url)
				}
			}
			for _, fault := range fhirtest.Check(asTransaction(t, d)) {
				t.Error(fault)
			}
			if again := documentOf(t, h); string(again) != string(out) {
				t.Error("two documents of one history differ")
			}
		})
	}
}

// reach follows references.
func reach(node any, byURL map[string]object, reached map[string]bool) {
	switch x := node.(type) {
	case object:
		if ref, ok := x["reference"].(string); ok && !reached[ref] {
			reached[ref] = true
			if target := byURL[ref]; target != nil {
				reach(target, byURL, reached)
			}
		}
		for _, v := range x {
			reach(v, byURL, reached)
		}
	case array:
		for _, v := range x {
			reach(v, byURL, reached)
		}
	}
}

// onlyFormatting holds a narrative to txt-1: well-formed, and only elements and
// attributes that format.
func onlyFormatting(t *testing.T, div string) {
	t.Helper()
	elements := " div h3 p ul ol li table caption thead tbody tr th td "
	attributes := " xmlns lang class scope "
	d := xml.NewDecoder(strings.NewReader(div))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("%v in %s", err, div)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		if !strings.Contains(elements, " "+start.Name.Local+" ") {
			t.Errorf("txt-1: element %s", start.Name.Local)
		}
		for _, a := range start.Attr {
			if !strings.Contains(attributes, " "+a.Name.Local+" ") {
				t.Errorf("txt-1: attribute %s of %s", a.Name.Local, start.Name.Local)
			}
		}
	}
}

// asTransaction gives the resources behind the composition as the transaction that
// the checker knows.
func asTransaction(t *testing.T, d object) []byte {
	t.Helper()
	entries := d["entry"].(array)
	var rest array
	for _, e := range entries[1:] {
		entry := e.(object)
		r := entry["resource"].(object)
		rest = append(rest, object{"fullUrl": entry["fullUrl"], "resource": r, "request": object{"method": "PUT", "url": r["resourceType"].(string) + "/" + r["id"].(string)}})
	}
	out, err := json.Marshal(object{"resourceType": "Bundle", "type": "transaction", "meta": d["meta"], "timestamp": d["timestamp"], "entry": rest})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Free text of the record stands in the narrative, escaped, and in no resource.
func TestDocumentEscapesFreeText(t *testing.T) {
	file, err := testdata.Read(testdata.Cases, "billowing-second-run")
	if err != nil {
		t.Fatal(err)
	}
	file.Plan.Rationale = `</div><script>alert("x")</script>` + "\x01"
	e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("harbour", "1", "UTC")})
	h := historyOf(file, convert.Evaluation(&e))
	n, err := note.Build(note.Input{Site: "harbour", Case: h.Current.Case, Annex: true, Plans: []note.PlanRevision{{Number: 1, Plan: file.GetPlan()}}})
	if err != nil {
		t.Fatal(err)
	}
	out, err := fhirmap.Document(h, n)
	if err != nil {
		t.Fatal(err)
	}
	var d object
	if err := json.Unmarshal(out, &d); err != nil {
		t.Fatal(err)
	}
	entries := d["entry"].(array)
	said := false
	for _, s := range entries[0].(object)["resource"].(object)["section"].(array) {
		div := s.(object)["text"].(object)["div"].(string)
		onlyFormatting(t, div)
		said = said || strings.Contains(div, "alert(")
	}
	if !said {
		t.Error("the rationale is not in the note")
	}
	for _, e := range entries[1:] {
		raw, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(raw), "alert(") {
			t.Errorf("a free text is in a resource: %s", raw)
		}
	}
}

func TestNoDocument(t *testing.T) {
	h := fhirtest.Complete()
	n := noteOf(t, h)
	h.Current.Case.State = trigonev1.CaseState_CASE_STATE_RETRACTED
	if _, err := fhirmap.Document(h, n); !errors.Is(err, note.ErrRetracted) {
		t.Errorf("a retracted case: %v", err)
	}
	empty := fhirmap.History{UID: "u", Current: fhirmap.Snapshot{Case: &trigonev1.Case{State: trigonev1.CaseState_CASE_STATE_ACTIVE}}}
	if _, err := fhirmap.Document(empty, note.Note{}); !errors.Is(err, fhirmap.ErrNothing) {
		t.Errorf("a case without anything accepted: %v", err)
	}
}
