package fhirrest

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Codes of the invented cases.
const (
	own        = fhirmap.Base + "/CodeSystem/"
	patients   = "urn:example:harbour-hospital:patient"
	gradient   = "http://loinc.org|80073-0"
	millimetre = "http://unitsofmeasure.org|mm"
)

// one is a store with two cases: a plain repair and one that was converted.
func one(t *testing.T) *fixture {
	t.Helper()
	return newFixture(t, 0, "core-only", "commissural-conversion")
}

// byIdentifier names resources as their identifiers do, without the case's uid,
// which is random.
func byIdentifier(list []map[string]any) []string {
	out := []string{}
	for _, r := range list {
		ids, _ := r["identifier"].([]any)
		first, _ := ids[0].(map[string]any)
		value, _ := first["value"].(string)
		_, key, _ := strings.Cut(value, "/")
		out = append(out, key)
	}
	slices.Sort(out)
	return out
}

func TestSearches(t *testing.T) {
	f := one(t)
	id := func(typ, key string) string {
		t.Helper()
		for _, r := range f.pages(t, "/"+typ, nil) {
			if byIdentifier([]map[string]any{r})[0] == key && strings.Contains(fmt.Sprint(r["subject"], r["patient"]), "P-0003") {
				return r["id"].(string)
			}
		}
		t.Fatalf("no %s %s", typ, key)
		return ""
	}
	operation := id("Procedure", "operation")
	converted := "subject:identifier"
	// Every step of that case was tried and taken down; none of the plan's stands.
	stopped := []string{"operation", "step/s-chords-a3", "step/s-commissure", "step/s-ring"}
	notDone := []string{"planned-step/p-chords-a3", "planned-step/p-commissure", "planned-step/p-ring"}
	who := patients + "|P-0003"
	tests := []struct {
		why  string
		path string
		want []string // identifiers behind the case's uid, sorted
	}{
		{"both operations, by our code", ask("Procedure", "code", own+"step|mitral-valve-repair"), []string{"operation", "operation"}},
		{"a code alone is of any system", ask("Procedure", "code", "mitral-valve-repair"), []string{"operation", "operation"}},
		{"a code with the empty system is of none", ask("Procedure", "code", "|mitral-valve-repair"), nil},
		{"one patient's, by identifier", ask("Procedure", "code", "mitral-valve-repair", converted, who), []string{"operation"}},
		{"patient is the same question", ask("Procedure", "code", "mitral-valve-repair", "patient:identifier", who), []string{"operation"}},
		{"a chain to the identifier is that question", ask("Procedure", "code", "mitral-valve-repair", "patient.identifier", who), []string{"operation"}},
		{"so is one from subject", ask("Procedure", "code", "mitral-valve-repair", "subject.identifier", who), []string{"operation"}},
		{"so is one that names the type", ask("Procedure", "code", "mitral-valve-repair", "subject:Patient.identifier", who), []string{"operation"}},
		{"a patient whom nobody is", ask("Procedure", "patient.identifier", patients+"|P-9999"), nil},
		{"a literal patient is never on record", ask("Procedure", "subject", "Patient/P-0003"), nil},
		{"planned and left out, or stopped", ask("Procedure", "status", "stopped,not-done", converted, who), append(slices.Clone(stopped), notDone...)},
		{"a status in its own system", ask("Procedure", "status", "http://hl7.org/fhir/event-status|stopped"), stopped},
		{"not: turned round", ask("Procedure", "status:not", "completed,not-done", converted, who), stopped},
		{"children by reference", ask("Procedure", "part-of", "Procedure/"+operation, "status", "not-done"), notDone},
		{"children by bare id", ask("Procedure", "part-of", operation, "status", "not-done"), notDone},
		{"children by the whole address", ask("Procedure", "part-of", f.base+"/Procedure/"+operation, "status", "not-done"), notDone},
		{"children by type as modifier", ask("Procedure", "part-of:Procedure", operation, "status", "not-done"), notDone},
		{"of another type: none", ask("Procedure", "part-of", "Observation/"+operation), nil},
		{"no parent", ask("Procedure", "part-of:missing", "true"), []string{"operation", "operation"}},
		{"repeating is and", ask("Procedure", "status", "stopped", "status", "completed"), nil},
		{"by id", ask("Procedure", "_id", operation), []string{"operation"}},
		{"no profile is claimed", ask("Procedure", "_profile", "http://example.org/p"), nil},
		{"changed after the end of time", ask("Procedure", "_lastUpdated", "gt2100"), nil},
		{"changed in that year", ask("Procedure", "_lastUpdated", "2026", "_id", operation), []string{"operation"}},
		{"the prosthesis", ask("Device", "type", own+"device|heart-valve-prosthesis"), []string{"operation/prosthesis"}},
		{"the prosthesis, by the public code", ask("Device", "type", "http://snomed.info/sct|25510005"), []string{"operation/prosthesis"}},
		{"what nobody has", ask("DetectedIssue"), nil},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			got := byIdentifier(f.pages(t, tt.path, nil))
			if !slices.Equal(got, sorted(append([]string{}, tt.want...))) {
				t.Errorf("%s\n got %q\nwant %q", tt.path, got, tt.want)
			}
		})
	}
}

// The ids of a search are those of the resources that hold what was asked for; the
// numbers are read off the invented cases.
func TestQuantities(t *testing.T) {
	f := newFixture(t, 0, "triangular-complete-ring")
	values := func(path string) []string {
		t.Helper()
		out := []string{}
		for _, r := range f.pages(t, path, nil) {
			if q, ok := r["valueQuantity"].(map[string]any); ok {
				out = append(out, fmt.Sprint(q["value"]))
			} else {
				out = append(out, "none")
			}
		}
		slices.Sort(out)
		return out
	}
	every := values(ask("Observation", "code", gradient))
	if len(every) < 2 {
		t.Fatalf("gradients %v", every)
	}
	for _, limit := range every {
		above := values(ask("Observation", "code-value-quantity", gradient+"$gt"+limit+"||mm[Hg]"))
		rest := values(ask("Observation", "code-value-quantity", gradient+"$le"+limit+"|http://unitsofmeasure.org|mm[Hg]"))
		if got := sorted(append(above, rest...)); !slices.Equal(got, every) || slices.Contains(above, limit) || !slices.Contains(rest, limit) {
			t.Errorf("above %s: %v, not above: %v, of %v", limit, above, rest, every)
		}
	}
	if got := values(ask("Observation", "code-value-quantity", gradient+"$gt0|"+millimetre)); len(got) != 0 {
		t.Errorf("a gradient in millimetres: %v", got)
	}
	// The numbers are those of the case file: heights measured by echo, contact after
	// the repair.
	height, contact := own+"metric|leaflet-height", own+"metric|coaptation-length"
	for _, tt := range []struct {
		why  string
		path string
		want []string
	}{
		{"heights at the middle of P2", ask("Observation", "code", height, "place", own+"place|p2-segment-mid"), []string{"16"}},
		{"that is not above 16 mm", ask("Observation", "code-value-quantity", height+"$gt16|"+millimetre, "place", own+"place|p2-segment-mid"), []string{}},
		{"contact at A2-P2 on leaving theatre", ask("Observation", "code-value-quantity", contact+"$gt0|"+millimetre, "place", own+"place|a2-p2", "category", own+"occasion|leaving-theatre"), []string{"7.8"}},
		{"a place by its code alone", ask("Observation", "code", contact, "place", "a2-p2", "category", "leaving-theatre"), []string{"7.8"}},
	} {
		if got := values(tt.path); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.why, got, tt.want)
		}
	}
	f = newFixture(t, 0, "several-differences")
	all, parts := values(ask("Observation", "combo-value-quantity", "gt0||mm")), values(ask("Observation", "component-value-quantity", "gt0||mm"))
	if top := values(ask("Observation", "value-quantity", "gt0||mm")); len(all) != len(top)+len(parts) || len(parts) == 0 {
		t.Errorf("%d of all, %d at the top, %d of components", len(all), len(top), len(parts))
	}
	// The tolerance of a difference is a component of it.
	if got := values(ask("Observation", "component-code-value-quantity", own+"record-kind|tolerance$gt0|"+millimetre)); len(got) == 0 {
		t.Error("no difference has a tolerance in millimetres")
	}
}

// What was found at one occasion is one question, whatever the record calls the
// entry; the patients and grades are those of the case files.
func TestOccasionIsOneQuestion(t *testing.T) {
	f := newFixture(t, 0, "recurrence", "several-differences", "calcified-unit-slip", "two-triangles", "core-only")
	grade := own + "metric|regurgitation-grade"
	for _, tt := range []struct {
		why  string
		path string
		want []string // patient and grade
	}{
		{"regurgitation at discharge", ask("Observation", "code", grade, "category", own+"occasion|discharge"),
			[]string{"P-0005 trace", "P-0018 mild", "P-0020 mild", "P-0033 trace"}},
		{"at least mild", ask("Observation", "code-value-concept", grade+"$http://snomed.info/sct|255604002", "category", own+"occasion|discharge"),
			[]string{"P-0018 mild", "P-0020 mild"}},
		{"after a year", ask("Observation", "code", grade, "category", own+"occasion|12-months"), []string{"P-0033 severe"}},
		{"at another time", ask("Observation", "code", grade, "category", own+"occasion|other-follow-up"), []string{"P-0024 trace"}},
	} {
		var got []string
		for _, r := range f.pages(t, tt.path, nil) {
			codings := r["valueCodeableConcept"].(map[string]any)["coding"].([]any)
			word, _, _ := strings.Cut(codings[len(codings)-1].(map[string]any)["display"].(string), " (")
			got = append(got, r["subject"].(map[string]any)["identifier"].(map[string]any)["value"].(string)+" "+word)
		}
		slices.Sort(got)
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %q, want %q", tt.why, got, tt.want)
		}
	}
}

func TestIncludes(t *testing.T) {
	f := one(t)
	s := f.search(t, ask("Procedure", "status", "not-done", "subject:identifier", patients+"|P-0003", "_include", "Procedure:part-of:Procedure"))
	parents := map[string]bool{}
	for _, e := range s.Entry {
		for _, p := range anyList(e.Resource["partOf"]) {
			if e.Search.Mode == "match" {
				parents[p["reference"].(string)] = true
			}
		}
	}
	if got := s.ids("include"); len(got) != 1 || !parents[got[0]] {
		t.Errorf("included %v, parents %v", got, parents)
	}
	for _, e := range s.Entry {
		if e.FullURL != f.base+"/"+name(e.Resource) {
			t.Errorf("fullUrl %s of %s", e.FullURL, name(e.Resource))
		}
	}
	parent := s.ids("include")[0]
	_, id, _ := strings.Cut(parent, "/")
	s = f.search(t, ask("Procedure", "_id", id, "_revinclude", "Observation:part-of", "_revinclude", "Procedure:part-of"))
	if got := s.ids("match"); !slices.Equal(got, []string{parent}) {
		t.Errorf("matches %v", got)
	}
	want := []string{}
	for _, typ := range []string{"Observation", "Procedure"} {
		want = append(want, names(f.pages(t, ask(typ, "part-of", parent), nil))...)
	}
	if got := sorted(s.ids("include")); !slices.Equal(got, sorted(want)) || len(got) == 0 {
		t.Errorf("%d included, %d are part of it", len(got), len(want))
	}
	panel := f.search(t, ask("Observation", "has-member:missing", "false", "_include", "Observation:has-member", "_count", "1"))
	if len(panel.ids("match")) != 1 || len(panel.ids("include")) == 0 {
		t.Errorf("a panel with its members: %v, %v", panel.ids("match"), panel.ids("include"))
	}
}

func anyList(v any) []map[string]any {
	var out []map[string]any
	list, _ := v.([]any)
	for _, x := range list {
		if o, ok := x.(map[string]any); ok {
			out = append(out, o)
		}
	}
	return out
}

func TestReads(t *testing.T) {
	f := one(t)
	s := f.search(t, ask("Procedure", "status", "stopped"))
	path := "/" + s.ids("match")[0]
	r := f.do(t, http.MethodGet, path, "")
	etag, modified := r.header.Get("ETag"), r.header.Get("Last-Modified")
	if r.status != http.StatusOK || etag != `W/"1001"` || modified == "" || r.header.Get("Content-Type") != fhirmap.MediaType {
		t.Fatalf("%d %v", r.status, r.header)
	}
	var got map[string]any
	if err := json.Unmarshal(r.body, &got); err != nil || "/"+name(got) != path {
		t.Fatalf("%v: %.200s", err, r.body)
	}
	if meta, _ := got["meta"].(map[string]any); meta["versionId"] != "1001" || meta["lastUpdated"] == nil {
		t.Errorf("meta %v", got["meta"])
	}
	_, id, _ := strings.Cut(path[1:], "/")
	tests := []struct {
		why     string
		method  string
		path    string
		headers []string
		status  int
	}{
		{"the version that is held", http.MethodGet, path, []string{"If-None-Match", etag}, http.StatusNotModified},
		{"one of several", http.MethodGet, path, []string{"If-None-Match", `W/"7", "1001"`}, http.StatusNotModified},
		{"any version", http.MethodGet, path, []string{"If-None-Match", "*"}, http.StatusNotModified},
		{"another version", http.MethodGet, path, []string{"If-None-Match", `W/"2001"`}, http.StatusOK},
		{"not changed since", http.MethodGet, path, []string{"If-Modified-Since", modified}, http.StatusNotModified},
		{"changed since", http.MethodGet, path, []string{"If-Modified-Since", "Tue, 01 Jan 2019 00:00:00 GMT"}, http.StatusOK},
		{"a tag goes before a time", http.MethodGet, path, []string{"If-Modified-Since", modified, "If-None-Match", `W/"2001"`}, http.StatusOK},
		{"the current version by number", http.MethodGet, path + "/_history/1001", nil, http.StatusOK},
		{"a version that was not yet", http.MethodGet, path + "/_history/2001", nil, http.StatusNotFound},
		{"no version", http.MethodGet, path + "/_history/x", nil, http.StatusNotFound},
		{"the history itself", http.MethodGet, path + "/_history", nil, http.StatusNotFound},
		{"the id under another type", http.MethodGet, "/Observation/" + id, nil, http.StatusNotFound},
		{"the id in capitals is another id", http.MethodGet, "/Procedure/" + strings.ToUpper(id), nil, http.StatusNotFound},
		{"an id that nobody has", http.MethodGet, "/Procedure/3411847e-3602-8cef-bd96-12567f70e942", nil, http.StatusNotFound},
		{"an id of a former kind", http.MethodGet, "/Procedure/3411847e-3602-5cef-bd96-12567f70e942", nil, http.StatusNotFound},
		{"an invented id that begins like the case", http.MethodGet, "/Procedure/" + id[:len("455aaf52-bb17")] + "-8cef-bd96-12567f70e942", nil, http.StatusNotFound},
		{"head", http.MethodHead, path, nil, http.StatusOK},
		{"head of what is not there", http.MethodHead, "/Procedure/none", nil, http.StatusNotFound},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			r := f.do(t, tt.method, tt.path, "", tt.headers...)
			if r.status != tt.status || (tt.method == http.MethodHead || tt.status == http.StatusNotModified) != (len(r.body) == 0) {
				t.Errorf("%d, want %d; %.200s", r.status, tt.status, r.body)
			}
		})
	}
	// The next write raises the version, and a reader who holds the old one is told.
	file, err := testdata.Read(testdata.Cases, "commissural-conversion")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.book.RetractCase(t.Context(), caller, &trigonev1.RetractCaseRequest{
		Case: &trigonev1.CaseReference{ExternalIdentifier: file.GetExternalIdentifier()}, CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
	}); err != nil {
		t.Fatal(err)
	}
	r = f.do(t, http.MethodGet, path, "", "If-None-Match", etag)
	if r.status != http.StatusOK || r.header.Get("ETag") != `W/"2001"` || !strings.Contains(string(r.body), `"status":"entered-in-error"`) {
		t.Errorf("after the retraction: %d %v %.300s", r.status, r.header, r.body)
	}
}

// Whatever is asked, the answer is an OperationOutcome that holds no value of the
// question.
func TestRefusals(t *testing.T) {
	f := all(t)
	const secret = "P-SECRET-1"
	long := strings.Repeat("x", mostAddress)
	many := make([]string, 0, 2*mostParams+2)
	for range mostParams + 1 {
		many = append(many, "code", secret)
	}
	strict, lenient := []string{"Prefer", "handling=strict"}, []string{"Prefer", "handling=lenient"}
	tests := []struct {
		why     string
		method  string
		path    string
		body    string
		headers []string
		status  int
	}{
		{"an unknown parameter under strict", "GET", "/Observation?P-SECRET-1=1", "", strict, 400},
		{"a parameter of another type under strict", "GET", "/Procedure?component-code=x", "", strict, 400},
		{"a chain under strict", "GET", "/Observation?part-of.code=x", "", strict, 400},
		{"a chain", "GET", "/Observation?part-of.code=x", "", lenient, 400},
		{"a chain along a type", "GET", "/Observation?subject:Patient.name=P-SECRET-1", "", lenient, 400},
		{"a chain to another identifier", "GET", "/Observation?part-of.identifier=P-SECRET-1", "", lenient, 400},
		{"a patient's identifier of what has no patient", "GET", "/Provenance?patient.identifier=P-SECRET-1", "", lenient, 400},
		{"a reverse chain", "GET", "/Procedure?_has:Observation:part-of:code=x", "", lenient, 400},
		{"a filter", "GET", "/Observation?_filter=code%20eq%20x", "", lenient, 400},
		{"a text", "GET", "/Observation?_text=x", "", lenient, 400},
		{"a content", "GET", "/Observation?_content=x", "", lenient, 400},
		{"a list", "GET", "/Observation?_list=x", "", lenient, 400},
		{"a named query", "GET", "/Observation?_query=x", "", lenient, 400},
		{"types", "GET", "/Observation?_type=Procedure", "", lenient, 400},
		{"a tag", "GET", "/Observation?_tag=x", "", lenient, 400},
		{"all identifiers of a system", "GET", "/Observation?identifier=urn:x|", "", lenient, 400},
		{"all patients of a system", "GET", "/Observation?patient.identifier=urn:x|", "", lenient, 400},
		{"all but an identifier", "GET", "/Observation?identifier:not=x/y", "", lenient, 400},
		{"a label", "GET", "/Observation?_security=x", "", lenient, 400},
		{"a source", "GET", "/Observation?_source=x", "", lenient, 400},
		{"contained ones", "GET", "/Observation?_contained=true", "", lenient, 400},
		{"a control of a later version", "GET", "/Observation?_language=en", "", lenient, 400},
		{"a parameter of R4 that is not served", "GET", "/Observation?performer=Practitioner/P-SECRET-1", "", lenient, 400},
		{"an unknown parameter with a modifier", "GET", "/Observation?ward:exact=P-SECRET-1", "", lenient, 400},
		{"a beginning of a device identifier", "GET", "/Device?udi-di=0000000000012", "", lenient, 400},
		{"more than a device identifier", "GET", "/Device?udi-di=000000000001234", "", lenient, 400},
		{"a part of a device identifier", "GET", "/Device?udi-di:contains=00000000000123", "", lenient, 400},
		{"a carrier", "GET", "/Device?udi-carrier=P-SECRET-1", "", lenient, 400},
		{"a name of a device", "GET", "/Device?device-name=P-SECRET-1", "", lenient, 400},
		{"a part of a lot", "GET", "/Device?lot-number:contains=P-SECRET-1", "", lenient, 400},
		{"a lot of a system", "GET", "/Device?lot-number=urn:x|P-SECRET-1", "", lenient, 400},
		{"a lot of nothing", "GET", "/Device?lot-number=-", "", lenient, 400},
		{"a serial number under strict", "GET", "/Device?serial-number=P-SECRET-1", "", strict, 400},
		{"a maker of nothing", "GET", "/Device?manufacturer=%20-", "", lenient, 400},
		{"all but a maker", "GET", "/Device?manufacturer:not=x", "", lenient, 400},
		{"text as a modifier", "GET", "/Observation?code:text=x", "", lenient, 400},
		{"an order by a code", "GET", "/Observation?_sort=code", "", lenient, 400},
		{"an order by nothing", "GET", "/Observation?_sort=", "", lenient, 400},
		{"an order by two minuses", "GET", "/Observation?_sort=--date", "", lenient, 400},
		{"an order with a modifier", "GET", "/Observation?_sort:desc=date", "", lenient, 400},
		{"two orders", "GET", "/Observation?_sort=date&_sort=_id", "", lenient, 400},
		{"a term by its name", "GET", "/CodeSystem?name=x", "", lenient, 400},
		{"a preference that is none", "GET", "/Observation", "", []string{"Prefer", "handling=harsh"}, 400},
		{"an empty value", "GET", "/Observation?code=", "", nil, 400},
		{"an empty value in a list", "GET", "/Observation?code=a,,b", "", nil, 400},
		{"a token of three parts", "GET", "/Observation?code=a|b|" + secret, "", nil, 400},
		{"a token of nothing", "GET", "/Observation?code=|", "", nil, 400},
		{"an escape of nothing", "GET", ask("Observation", "code", `a\`), "", nil, 400},
		{"an escape that is none", "GET", ask("Observation", "code", `a\x`), "", nil, 400},
		{"a modifier that is not served", "GET", "/Observation?code:in=x", "", nil, 400},
		{"a modifier of another kind", "GET", "/Observation?date:not=2026", "", nil, 400},
		{"a type that the reference cannot have", "GET", "/Procedure?part-of:Device=x", "", nil, 400},
		{"missing is true or false", "GET", "/Observation?code:missing=" + secret, "", nil, 400},
		{"a day that is not in the calendar", "GET", "/Observation?date=2026-02-30", "", nil, 400},
		{"the year 0", "GET", "/Observation?date=0000", "", nil, 400},
		{"an hour without minutes", "GET", "/Observation?date=2026-01-01T10", "", nil, 400},
		{"a plus that was not escaped", "GET", "/Observation?date=2026-01-01T10:00:00+01:00", "", nil, 400},
		{"about is not served", "GET", "/Observation?date=ap2026", "", nil, 400},
		{"no number", "GET", "/Observation?value-quantity=NaN", "", nil, 400},
		{"a number that would take for ever", "GET", "/Observation?value-quantity=1e999999999", "", nil, 400},
		{"a quantity of two parts", "GET", "/Observation?value-quantity=1|mm", "", nil, 400},
		{"a quantity with a system and no code", "GET", "/Observation?value-quantity=1|http://unitsofmeasure.org|", "", nil, 400},
		{"a composite of one part", "GET", "/Observation?code-value-quantity=x", "", nil, 400},
		{"a reference with a query in it", "GET", ask("Observation", "part-of", "Procedure/1?x="+secret), "", nil, 400},
		{"a negative count", "GET", "/Observation?_count=-1", "", nil, 400},
		{"a count that is no number", "GET", "/Observation?_count=ten", "", nil, 400},
		{"two counts", "GET", "/Observation?_count=1&_count=2", "", nil, 400},
		{"a summary that is not served", "GET", "/Observation?_summary=text", "", nil, 400},
		{"a total that is not served", "GET", "/Observation?_total=estimate", "", nil, 400},
		{"a cursor of nobody", "GET", "/Observation?_cursor=" + secret, "", nil, 400},
		{"an include that is none", "GET", "/Observation?_include=" + secret, "", nil, 400},
		{"an include of all", "GET", "/Observation?_include=*", "", nil, 400},
		{"an include that goes on", "GET", "/Observation?_include:iterate=Observation:part-of", "", nil, 400},
		{"no UTF-8", "GET", "/Observation?code=%ff", "", nil, 400},
		{"a NUL", "GET", "/Observation?code=%00", "", nil, 400},
		{"a broken escape", "GET", "/Observation?code=%zz", "", nil, 400},
		{"a semicolon", "GET", "/Observation?code=a;b", "", nil, 400},
		{"a broken escape beside a read", "GET", "/Observation/x?_format=%zz", "", nil, 400},
		{"too many parameters", "GET", ask("Observation", many...), "", nil, 400},
		{"too many values", "POST", "/Observation/_search", "code=" + strings.Repeat("a,", mostValues) + "a", []string{"Content-Type", formType}, 400},
		{"a long address", "GET", "/Observation?code=" + long, "", nil, 414},
		{"a form that is none", "POST", "/Observation/_search", "{}", []string{"Content-Type", "application/json"}, 415},
		{"a form without a type", "POST", "/Observation/_search", "code=x", nil, 415},
		{"a long form", "POST", "/Observation/_search", "code=" + strings.Repeat("x", mostBody), []string{"Content-Type", formType}, 413},
		{"XML", "GET", "/Observation?_format=xml", "", nil, 406},
		{"XML by header", "GET", "/Observation", "", []string{"Accept", "application/fhir+xml"}, 406},
		{"JSON refused by weight", "GET", "/metadata", "", []string{"Accept", "application/fhir+json;q=0, text/html"}, 406},
		{"another version of FHIR", "GET", "/metadata", "", []string{"Accept", "application/fhir+json; fhirVersion=3.0"}, 406},
		{"a resource to be made", "POST", "/Observation", "{}", []string{"Content-Type", fhirmap.MediaType}, 405},
		{"a resource to be replaced", "PUT", "/Observation/x", "{}", nil, 405},
		{"a resource to be removed", "DELETE", "/Observation/x", "", nil, 405},
		{"a resource to be patched", "PATCH", "/Observation/x", "{}", nil, 405},
		{"a statement to be written", "POST", "/metadata", "", nil, 405},
		{"put to a search", "PUT", "/Observation/_search", "", nil, 405},
		{"a method nobody knows", "BREW", "/Observation", "", nil, 405},
		{"the base itself", "GET", "", "", nil, 404},
		{"the base with a slash", "GET", "/", "", nil, 404},
		{"a slash too many", "GET", "/Observation/", "", nil, 404},
		{"two slashes", "GET", "//Observation", "", nil, 404},
		{"up and down", "GET", "/../fhir/Observation", "", nil, 404},
		{"up and down, escaped", "GET", "/%2e%2e/fhir/metadata", "", nil, 404},
		{"an escaped letter", "GET", "/%4fbservation", "", nil, 404},
		{"an escaped slash", "GET", "/Observation%2fx", "", nil, 404},
		{"a path parameter", "GET", "/Observation;x=1/y", "", nil, 404},
		{"an operation", "GET", "/Observation/$lastn", "", nil, 404},
		{"an id with a letter FHIR does not have", "GET", "/Observation/a_b", "", nil, 404},
		{"an id that is too long", "GET", "/Observation/" + strings.Repeat("a", 65), "", nil, 404},
		{"the id .", "GET", "/Observation/.", "", nil, 404},
		{"a path below an id", "GET", "/Observation/a/b", "", nil, 404},
		{"outside of the base", "GET", "http://" + f.http.Listener.Addr().String() + "/debug/pprof", "", nil, 404},
		{"a name that was made to point here", "GET", "/metadata", "", []string{"Host", "rebound.example"}, 421},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			r := f.do(t, tt.method, tt.path, tt.body, tt.headers...)
			var o outcome
			if err := json.Unmarshal(r.body, &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) == 0 || o.Issue[0].Diagnostics == "" {
				t.Errorf("%v in %.200s", err, r.body)
			}
			if r.status != tt.status || strings.Contains(string(r.body), secret) || r.header.Get("Content-Type") != fhirmap.MediaType {
				t.Errorf("%d, want %d: %s", r.status, tt.status, r.body)
			}
			if (r.status == http.StatusMethodNotAllowed) != (r.header.Get("Allow") != "") {
				t.Errorf("Allow is %q", r.header.Get("Allow"))
			}
		})
	}
}

func TestForms(t *testing.T) {
	f := one(t)
	path := ask("Procedure", "status", "not-done")
	want := f.search(t, path)
	if len(want.Entry) == 0 {
		t.Fatal("nothing is found")
	}
	tests := []struct {
		why     string
		method  string
		path    string
		body    string
		headers []string
	}{
		{"by POST", "POST", "/Procedure/_search", "status=not-done", []string{"Content-Type", formType}},
		{"by POST, with a character set", "POST", "/Procedure/_search", "status=not-done", []string{"Content-Type", formType + "; charset=utf-8"}},
		{"by POST, half in the address", "POST", "/Procedure/_search?status=not-done", "", []string{"Content-Type", formType}},
		{"by GET to _search", "GET", "/Procedure/_search?status=not-done", "", nil},
		{"a form that was asked for by parameter", "GET", path + "&_format=json", "", []string{"Accept", "text/html"}},
		{"with a plus that became a space", "GET", path + "&_format=application/fhir+json", "", nil},
		{"any form", "GET", path, "", []string{"Accept", "text/html, */*;q=0.1"}},
		{"an empty Accept is none", "GET", path, "", []string{"Accept", ""}},
		{"a list of nothing is none", "GET", path, "", []string{"Accept", " , "}},
		{"JSON", "GET", path, "", []string{"Accept", "application/json"}},
		{"FHIR of this version", "GET", path, "", []string{"Accept", "application/fhir+json; fhirVersion=4.0"}},
		{"leniently", "GET", path + "&nonsense=1&_pretty=true&_=1", "", []string{"Prefer", "handling=lenient"}},
		{"localhost is this host", "GET", path, "", []string{"Host", "localhost:99"}},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			r := f.do(t, tt.method, tt.path, tt.body, tt.headers...)
			if r.status != http.StatusOK {
				t.Fatalf("%d %s", r.status, r.body)
			}
			if got := decodeSet(t, r.body); !slices.Equal(got.ids("match"), want.ids("match")) || got.self() != want.self() {
				t.Errorf("%v at %s, want %v", got.ids("match"), got.self(), want.ids("match"))
			}
		})
	}
	r := f.do(t, "HEAD", path, "", "Accept-Encoding", "identity")
	whole := f.do(t, "GET", path, "", "Accept-Encoding", "identity")
	if r.status != 200 || len(r.body) != 0 || r.header.Get("Content-Length") != fmt.Sprint(len(whole.body)) {
		t.Errorf("HEAD: %d, %v", r.status, r.header)
	}
	squeezed := f.do(t, "GET", path, "", "Accept-Encoding", "gzip")
	if squeezed.header.Get("Content-Encoding") != "gzip" || len(squeezed.body) >= len(whole.body) {
		t.Errorf("gzip: %v, %d bytes of %d", squeezed.header, len(squeezed.body), len(whole.body))
	}
}

func TestCounts(t *testing.T) {
	f := one(t)
	every := f.pages(t, "/Observation", nil)
	for _, path := range []string{ask("Observation", "_summary", "count"), ask("Observation", "_count", "0")} {
		if s := f.search(t, path); s.Total == nil || *s.Total != len(every) || len(s.Entry) != 0 || s.next() != "" {
			t.Errorf("%s: %v of %d, %d entries", path, s.Total, len(every), len(s.Entry))
		}
	}
	if s := f.search(t, ask("Observation", "_total", "accurate", "_count", "3")); s.Total == nil || *s.Total != len(every) || len(s.Entry) != 3 || s.next() == "" {
		t.Errorf("total %v, %d entries", s.Total, len(s.Entry))
	}
	for _, huge := range []string{"1001", "99999999999999999999"} {
		if s := f.search(t, ask("Observation", "_count", huge)); !strings.Contains(s.self(), "_count=1000") {
			t.Errorf("_count=%s gives self %s", huge, s.self())
		}
	}
	if s := f.search(t, "/Observation"); len(s.Entry) != min(len(every), usualCount) || s.Total != nil {
		t.Errorf("%d entries by default", len(s.Entry))
	}
}

// An order that was asked for is that of the pages too: every resource once, by the
// keys as the decoded resources have them.
func TestSort(t *testing.T) {
	f := newFixture(t, 0, "core-only", "commissural-conversion", "retracted-result")
	date := func(r map[string]any) string {
		if at, ok := r["effectiveDateTime"].(string); ok {
			return at
		}
		p, _ := r["effectivePeriod"].(map[string]any)
		at, _ := p["start"].(string)
		return at
	}
	zone, err := f.desk.Zone()
	if err != nil {
		t.Fatal(err)
	}
	when := func(text string) time.Time {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			at, _ = time.ParseInLocation(time.DateOnly, text, zone)
		}
		return at
	}
	every := names(f.pages(t, ask("Observation", "_count", "1000"), nil))
	dates := map[string]bool{}
	for _, order := range []string{"date", "-date", "_id", "-_id", "-date,_id", "date,-_id", "-_lastUpdated", "_lastUpdated,-date"} {
		whole := f.pages(t, ask("Observation", "_count", "1000", "_sort", order), nil)
		if got := names(f.pages(t, ask("Observation", "_count", "17", "_sort", order), nil)); !slices.Equal(got, names(whole)) {
			t.Errorf("by %s the pages are another order than the whole", order)
		}
		if !slices.Equal(sorted(names(whole)), sorted(every)) {
			t.Errorf("by %s %d are found of %d", order, len(whole), len(every))
		}
		for i := 1; i < len(whole); i++ {
			a, b := whole[i-1], whole[i]
			first, second := date(a), date(b)
			dates[first] = true
			x, y := when(first), when(second)
			updated := func(r map[string]any) string { return r["meta"].(map[string]any)["lastUpdated"].(string) }
			id := strings.Compare(name(a), name(b))
			bad := map[string]bool{
				"date": x.After(y), "-date": x.Before(y), "_id": id > 0, "-_id": id < 0,
				"-date,_id": x.Before(y) || x.Equal(y) && id > 0, "date,-_id": x.After(y) || x.Equal(y) && id < 0,
				"-_lastUpdated":      updated(a) < updated(b),
				"_lastUpdated,-date": updated(a) > updated(b) || updated(a) == updated(b) && x.Before(y),
			}[order]
			if first != "" && second != "" && bad || second != "" && first == "" && strings.HasSuffix(order, "date") && !strings.HasPrefix(order, "_") {
				t.Fatalf("by %s: %s before %s", order, first, second)
			}
		}
	}
	if len(dates) < 5 {
		t.Errorf("only %d times to be sorted by", len(dates))
	}
	newest := f.pages(t, ask("Procedure", "_sort", "-date", "_count", "1"), nil)
	if len(newest) == 0 || f.search(t, ask("Procedure", "_sort", "-date", "_count", "1")).self() == f.search(t, ask("Procedure", "_count", "1")).self() {
		t.Error("the order is not in self")
	}
}

// What an address takes is told without a question about what is on record.
func TestOptions(t *testing.T) {
	f := one(t)
	for path, want := range map[string]string{"/metadata": "GET, HEAD, OPTIONS", "/Observation": "GET, HEAD, OPTIONS", "/Observation/_search": "GET, HEAD, POST, OPTIONS", "/Procedure/none": "GET, HEAD, OPTIONS"} {
		if r := f.do(t, http.MethodOptions, path, ""); r.status != http.StatusNoContent || r.header.Get("Allow") != want || len(r.body) != 0 {
			t.Errorf("%s: %d, Allow %q, %q", path, r.status, r.header.Get("Allow"), r.body)
		}
	}
}

// Resources of no case are found by their canonical URL.
func TestFixedSearch(t *testing.T) {
	f := one(t)
	for query, want := range map[string]int{
		"": 1, "?url=http://example.org/metric": 1, "?url=http://example.org/other": 0, "?_id=metric": 1, "?_id=other,metric": 1,
		"?_count=1": 1, "?_count=5": 1,
		"?url=http://example.org/metric&_id=other": 0, "/_search?url=http://example.org/metric": 1,
	} {
		s := f.search(t, "/CodeSystem"+query)
		if len(s.Entry) != want || s.Total == nil || *s.Total != want {
			t.Errorf("%q: %d entries, total %v", query, len(s.Entry), s.Total)
		}
	}
	// R4, search, paging: _count=0 is treated like a count.
	for _, query := range []string{"?_count=0", "?_count=1&_offset=1", "?_offset=1"} {
		if s := f.search(t, "/CodeSystem"+query); len(s.Entry) != 0 || *s.Total != 1 || len(s.Link) != 1 {
			t.Errorf("%s: %d entries, total %d, links %v", query, len(s.Entry), *s.Total, s.Link)
		}
	}
	for _, query := range []string{"?_count=x", "?_count=-1", "?_offset=x", "?_offset=-1", "?_count=1&_count=2"} {
		if r := f.do(t, http.MethodGet, "/CodeSystem"+query, ""); r.status != http.StatusBadRequest {
			t.Errorf("%s: %d", query, r.status)
		}
	}
	if s := f.search(t, "/CodeSystem?_summary=count"); len(s.Entry) != 0 || *s.Total != 1 {
		t.Errorf("a count: %d entries, total %d", len(s.Entry), *s.Total)
	}
	r := f.do(t, http.MethodPost, "/CodeSystem/_search", "url=http://example.org/metric", "Content-Type", formType)
	if s := decodeSet(t, r.body); len(s.Entry) != 1 || s.Entry[0].FullURL != f.base+"/CodeSystem/metric" {
		t.Errorf("by POST: %s", r.body)
	}
}

// A search that would read too much is answered without a total, or refused with how
// to narrow it; its pages go on until all is found.
func TestSearchesReadSoMuch(t *testing.T) {
	f := newFixture(t, 0, "core-only", "commissural-conversion", "retracted-result")
	rare := ask("Observation", "date", "ge2026-03-12", "category", own+"role|derived", "_count", "5")
	want := names(f.pages(t, rare, nil))
	every := names(f.pages(t, "/Observation?_count=1000", nil))
	f.face.rows = 20
	if got := names(f.pages(t, rare, nil)); !slices.Equal(got, want) || len(got) == 0 {
		t.Errorf("%d found in short reads, %d at once", len(got), len(want))
	}
	if got := names(f.pages(t, "/Observation?_count=1000", nil)); !slices.Equal(got, every) {
		t.Errorf("%d found in short reads, %d at once", len(got), len(every))
	}
	s := f.search(t, "/Observation?_total=accurate&_count=3")
	if s.Total != nil || len(s.ids("match")) == 0 || len(s.ids("outcome")) != 1 || s.next() == "" {
		t.Errorf("a total %v, %d found, %d outcomes", s.Total, len(s.ids("match")), len(s.ids("outcome")))
	}
	for _, path := range []string{"/Observation?_summary=count", "/Observation?_sort=-date"} {
		if r := f.do(t, "GET", path, ""); r.status != http.StatusBadRequest || !strings.Contains(string(r.body), issueTooCostly) || !strings.Contains(string(r.body), "narrow it") {
			t.Errorf("%s: %d %s", path, r.status, r.body)
		}
	}
	// What names a case reads that one.
	f.face.rows = 500
	if s := f.search(t, ask("Observation", "patient.identifier", patients+"|P-0003", "_summary", "count")); s.Total == nil || *s.Total == 0 {
		t.Error("one patient's are not counted")
	}
}

// A site's own code finds what ours does, though no row has it: the policy may change
// without a case being written.
func TestSearchByTheCodesOfThePolicyInForce(t *testing.T) {
	f := one(t)
	licensed, err := policy.Parse("licensed.yaml", []byte(`site: `+f.book.Policy.Settings.Site+`
version: "2"
zone: Europe/London
codes:
  - {local_system: metric, local_code: mean-gradient, system: "urn:oid:2.16.840.1.113883.3.9999", code: G-1, display: Mean (invented), equivalence: equivalent, verified: invented}
`), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	ours, other := ask("Observation", "code", own+"metric|mean-gradient"), ask("Observation", "code", "urn:oid:2.16.840.1.113883.3.9999|G-1")
	if got := f.pages(t, other, nil); len(got) != 0 {
		t.Errorf("%d by a code that nobody has", len(got))
	}
	book, err := casebook.New(t.Context(), casebook.Config{Store: f.store, Policy: licensed, Software: "test", Projectors: projectors()})
	if err != nil {
		t.Fatal(err)
	}
	desk, err := handover.New(t.Context(), handover.Config{Archive: book.Archive})
	if err != nil {
		t.Fatal(err)
	}
	if f.face, err = New(Config{Desk: desk, Base: f.base, Log: zap.NewNop()}); err != nil {
		t.Fatal(err)
	}
	want := byIdentifier(f.pages(t, ours, nil))
	if got := byIdentifier(f.pages(t, other, nil)); !slices.Equal(got, want) || len(got) == 0 {
		t.Errorf("%d by the site's code, %d by ours", len(got), len(want))
	}
	if s := f.search(t, other+"&_summary=count"); s.Total == nil || *s.Total != len(want) {
		t.Errorf("a total of %d", len(want))
	}
}

// A page token of another question, or one that was changed, is refused; one of a
// second face on the same store is taken, since the key is the store's.
func TestCursors(t *testing.T) {
	f := one(t)
	first := f.search(t, ask("Observation", "_count", "2", "category", "imaging"))
	next := first.next()
	if strings.Contains(next, "offset") || f.do(t, "GET", next, "").status != 200 {
		t.Fatalf("next is %s", next)
	}
	for why, path := range map[string]string{
		"another question":   strings.Replace(next, "imaging", "procedure", 1),
		"another page size":  strings.Replace(next, "_count=2", "_count=3", 1),
		"another type":       strings.Replace(next, "/Observation?", "/Procedure?", 1),
		"a changed cursor":   strings.Replace(next, "_cursor=", "_cursor=A", 1),
		"half of the cursor": strings.Replace(next, "_cursor=", "_cursor=&x=", 1),
	} {
		if r := f.do(t, "GET", path, ""); r.status != http.StatusBadRequest {
			t.Errorf("%s: %d", why, r.status)
		}
	}
	again, err := New(Config{Desk: f.desk, Base: f.base, Version: "test", Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	want := f.search(t, next)
	f.face = again
	if got := f.search(t, next); !slices.Equal(got.ids("match"), want.ids("match")) {
		t.Error("a second process answers another page")
	}
}

// Pages to the end are the whole set, and what was there when the first was asked
// for comes once, in the same order, while cases arrive between them.
func TestPagesWhileCasesArrive(t *testing.T) {
	arriving := []string{"neochordae", "no-plan", "smaller-ring", "ring-exchanged", "sliding-unequal"}
	f := newFixture(t, 0, "core-only", "commissural-conversion", "retracted-result")
	path := ask("Observation", "category", own+"role|derived", "_count", "7")
	before := names(f.pages(t, ask("Observation", "category", own+"role|derived", "_count", "1000"), nil))
	paged := names(f.pages(t, path, func(page int) {
		if page < len(arriving) {
			if err := f.submit(arriving[page]); err != nil {
				t.Fatal(err)
			}
		}
	}))
	after := names(f.pages(t, ask("Observation", "category", own+"role|derived", "_count", "1000"), nil))
	if len(before) < 20 || len(after) <= len(before) {
		t.Fatalf("%d before, %d after", len(before), len(after))
	}
	if !slices.Equal(paged, after) || !slices.Equal(after[:len(before)], before) {
		t.Errorf("%d paged, %d unpaged, %d before", len(paged), len(after), len(before))
	}
}

// With no room for more than one case the answers are the same.
func TestSmallShelf(t *testing.T) {
	names3 := []string{"core-only", "commissural-conversion", "retracted-result"}
	f := newFixture(t, 300<<10, names3...)
	for range 2 {
		got := byIdentifier(f.pages(t, ask("Observation", "_count", "1000"), nil))
		want := byIdentifier(newFixture(t, 0, names3...).pages(t, ask("Observation", "_count", "1000"), nil))
		if !slices.Equal(got, want) || len(got) < 100 {
			t.Errorf("%d with a small shelf, %d with a large one", len(got), len(want))
		}
	}
	if f.face.shelf.bytes > 300<<10 || len(f.face.shelf.kept) == 3 {
		t.Errorf("%d bytes are kept of %d cases", f.face.shelf.bytes, len(f.face.shelf.kept))
	}
}

// A case that cannot be rendered hides no other: the search says that one is
// missing, and the others are still read.
func TestOneCaseThatCannotBeRendered(t *testing.T) {
	dir := t.TempDir()
	f, err := open(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := f.close(); err != nil {
			t.Error(err)
		}
	}()
	for _, n := range []string{"core-only", "commissural-conversion"} {
		if err := f.submit(n); err != nil {
			t.Fatal(err)
		}
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, "s.db"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.ExecContext(t.Context(), "UPDATE answers SET frame = x'ff' WHERE case_id = (SELECT min(id) FROM cases)")
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s := f.search(t, ask("Procedure", "code", "mitral-valve-repair"))
	if len(s.ids("match")) != 1 || len(s.ids("outcome")) != 1 {
		t.Fatalf("matches %v, outcomes %v", s.ids("match"), s.ids("outcome"))
	}
	if r := f.do(t, "GET", "/"+s.ids("match")[0], ""); r.status != http.StatusOK {
		t.Errorf("the other case: %d %s", r.status, r.body)
	}
	of := fmt.Sprintf("%012x", fhirmap.CasePrefix(f.cases(t)[0].UID))
	if r := f.do(t, "GET", "/Procedure/"+of[:8]+"-"+of[8:]+"-8cef-bd96-12567f70e942", ""); r.status != http.StatusInternalServerError || !strings.Contains(string(r.body), issueNoStore) || !strings.Contains(string(r.body), "does not match its hash") {
		t.Errorf("what may be of the broken case: %d %s", r.status, r.body)
	}
	if r := f.do(t, "GET", "/Procedure/3411847e-3602-8cef-bd96-12567f70e942", ""); r.status != http.StatusNotFound {
		t.Errorf("what is of no case: %d %s", r.status, r.body)
	}
	if f.logs.FilterMessage("case cannot be rendered").Len() == 0 {
		t.Error("the log does not name the case")
	}
}

// A fault of the store says what it is, and what to do; each class as the service
// answers it to its other callers.
func TestFaultsOfTheStoreAreTold(t *testing.T) {
	for why, test := range map[string]struct {
		err    error
		status int
		after  time.Duration
		says   string
	}{
		"away":             {storage.ErrAway, 503, 10 * time.Second, "put the file back"},
		"another writes":   {storage.ErrBusy, 503, time.Second, "ask again"},
		"read only":        {storage.ErrReadOnly, 503, 30 * time.Second, "make it writable"},
		"full":             {storage.ErrFull, 429, 30 * time.Second, "make room"},
		"unknown outcome":  {storage.ErrUnknownOutcome, 503, time.Second, "ask again"},
		"damaged":          {storage.ErrDamaged, 500, 0, "set the store back to a backup"},
		"between versions": {storage.ErrNotProjected, 503, 0, "finish trigoned rebuild"},
		"anything else":    {errors.New("P-SECRET-1 is in here"), 500, 0, "its log tells more"},
	} {
		core, logs := observer.New(zapcore.DebugLevel)
		p := problemOf(fmt.Errorf("case P-SECRET-1: %w", test.err), zap.New(core), RouteRead)
		body := string(p.body())
		if p.status != test.status || p.after != test.after || !strings.Contains(body, test.says) || strings.Contains(body, "P-SECRET-1") || strings.Contains(body, "request_id") {
			t.Errorf("%s: %d after %v, %s", why, p.status, p.after, body)
		}
		if logs.Len() != 1 {
			t.Errorf("%s: %d lines of the log", why, logs.Len())
		}
	}
}

// The log has one line a request, and nothing of what was asked for.
func TestLogHoldsNoQuestion(t *testing.T) {
	f := one(t)
	f.logs.TakeAll()
	s := f.search(t, ask("Procedure", "subject:identifier", patients+"|P-0003"))
	id := s.ids("match")[0]
	f.do(t, "GET", "/"+id, "")
	f.do(t, "GET", "/"+id+"/_history/9", "")
	f.do(t, "POST", "/Procedure/_search", "subject:identifier=P-0003", "Content-Type", formType)
	f.do(t, "P-0003", "/P-0003/P-0003", "")
	want := []struct{ method, route string }{
		{"GET", RouteType}, {"GET", RouteRead}, {"GET", RouteVersion}, {"POST", RouteSearch}, {"other", routeNone},
	}
	lines := f.logs.FilterMessage("request").All()
	if len(lines) != len(want) {
		t.Fatalf("%d lines for %d requests", len(lines), len(want))
	}
	for i, line := range lines {
		m := line.ContextMap()
		if m["method"] != want[i].method || m["route"] != want[i].route || m["bytes"].(int64) == 0 {
			t.Errorf("line %d: %v", i, m)
		}
		if text := fmt.Sprint(m); strings.Contains(text, "P-0003") || strings.Contains(text, strings.Split(id, "/")[1]) {
			t.Errorf("line %d tells too much: %s", i, text)
		}
	}
}

// A fault of the program is an OperationOutcome, and its line in the log has no
// content.
func TestPanicIsAnOutcome(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	f := one(t)
	face, err := New(Config{Desk: f.desk, Base: f.base, Log: zap.New(core), Fixed: Fixed{
		Types: []string{"CodeSystem"}, Read: func(string, string) ([]byte, bool) { panic("P-SECRET-1 is in here") },
	}})
	if err != nil {
		t.Fatal(err)
	}
	f.face = face
	r := f.do(t, "GET", "/CodeSystem/x", "")
	if r.status != 500 || !strings.Contains(string(r.body), "OperationOutcome") || strings.Contains(string(r.body), "P-SECRET-1") {
		t.Errorf("%d %s", r.status, r.body)
	}
	if faults := logs.FilterMessage("fault of the program").All(); len(faults) != 1 || strings.Contains(fmt.Sprint(faults[0].Context), "P-SECRET-1 is") {
		t.Errorf("%v", faults)
	}
}

// A search that finds no room is asked to come again; what is let in leaves before
// its answer is sent. A read needs no room.
func TestSearchesAreLetIn(t *testing.T) {
	f := one(t)
	in, full := 0, false
	face, err := New(Config{Desk: f.desk, Base: f.base, Log: zap.NewNop(), Admit: func(context.Context) (func(), error) {
		if full {
			return nil, &casebook.Error{Kind: casebook.Exhausted, Message: "full"}
		}
		in++
		return func() { in-- }, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(path string, w http.ResponseWriter) {
		req := httptest.NewRequestWithContext(named(t.Context()), http.MethodGet, f.base+path, nil)
		req.Header.Set("Accept-Encoding", "gzip")
		face.ServeHTTP(w, req)
	}
	w := &leaving{ResponseRecorder: httptest.NewRecorder(), left: func() bool { return in == 0 }}
	if ask("/Observation?_count=100", w); w.Code != http.StatusOK || w.Body.Len() == 0 || w.early || w.Header().Get("Content-Encoding") != "gzip" {
		t.Errorf("%d, %d bytes, sent while it was in: %v; %v", w.Code, w.Body.Len(), w.early, w.Header())
	}
	full = true
	refused := httptest.NewRecorder()
	if ask("/Observation", refused); refused.Code != http.StatusTooManyRequests || refused.Header().Get("Retry-After") == "" || !strings.Contains(refused.Body.String(), issueThrottled) {
		t.Errorf("%d %v %s", refused.Code, refused.Header(), refused.Body)
	}
	plain := httptest.NewRecorder()
	if ask("/metadata", plain); plain.Code != http.StatusOK {
		t.Errorf("metadata: %d", plain.Code)
	}
}

// leaving notes whether anything was sent before who was let in had left.
type leaving struct {
	*httptest.ResponseRecorder
	left  func() bool
	early bool
}

func (l *leaving) Write(p []byte) (int, error) {
	l.early = l.early || !l.left()
	return l.ResponseRecorder.Write(p)
}

func TestBaseAddress(t *testing.T) {
	f := all(t)
	for base, ok := range map[string]bool{
		"http://127.0.0.1:7431/fhir": true, "https://records.example/a/b": true, "http://127.0.0.1:7431/fhir/": true, "http://[::1]:7431": true,
		"": false, "/fhir": false, "ftp://x/fhir": false, "http:///fhir": false, "http://u:p@x/fhir": false, "http://x/fhir?a=b": false,
		"http://x/fhir#a": false, "http://x/a%20b": false, "http://x//fhir": false,
	} {
		if _, err := New(Config{Desk: f.desk, Base: base, Log: zap.NewNop()}); (err == nil) != ok {
			t.Errorf("%q: %v", base, err)
		}
	}
}

// Searches, reads and submits at once: each search is one of the states between.
func TestTogether(t *testing.T) {
	f := newFixture(t, 700<<10, "core-only")
	var wg sync.WaitGroup
	wg.Go(func() {
		for _, n := range []string{"commissural-conversion", "retracted-result", "no-plan"} {
			if err := f.submit(n); err != nil {
				t.Error(err)
			}
		}
	})
	for range 4 {
		wg.Go(func() {
			for last := 0; last < 4; {
				list := f.pages(t, ask("Procedure", "code", "mitral-valve-repair", "_count", "1"), nil)
				if len(list) < last {
					t.Errorf("%d operations after %d", len(list), last)
				}
				last = max(last, len(list))
				f.do(t, "GET", "/"+name(list[0]), "")
			}
		})
	}
	wg.Wait()
}

// The server takes connections of IPv6 loopback by its own name too.
func TestOwnHost(t *testing.T) {
	f := all(t)
	for host, ok := range map[string]bool{
		"127.0.0.1": true, "127.0.0.1:80": true, "[::1]:80": true, "::1": true, "localhost": true, "LOCALHOST:1": true,
		"10.0.0.1": false, "example.org": false, "127.0.0.1.example.org": false, "": false,
	} {
		if OwnHost(host, f.face.host) != ok {
			t.Errorf("%q", host)
		}
	}
	if _, _, err := net.SplitHostPort("[::1]:80"); err != nil {
		t.Error(err)
	}
}
