package fhirrest

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
)

// sample is a value that a parameter of each kind understands.
var sample = map[kind]string{
	kindToken: "x", kindDate: "2026", kindReference: "x", kindQuantity: "1", kindURI: "http://example.org/x", kindString: "x",
}

// TestStatementIsTrue asks the server for everything that its statement declares,
// and for what it does not.
func TestStatementIsTrue(t *testing.T) {
	if testing.Short() {
		t.Skip("one search after the other, of every parameter")
	}
	f := all(t)
	r := f.do(t, http.MethodGet, "/metadata", "")
	var s capability
	if err := json.Unmarshal(r.body, &s); err != nil || r.status != http.StatusOK {
		t.Fatalf("%d, %v", r.status, err)
	}
	// Source: the CapabilityStatement's definition in R4 4.0.1 (required elements,
	// cpb-1, cpb-2, cpb-14; kind instance needs an implementation).
	if s.ResourceType != "CapabilityStatement" || s.Kind != "instance" || s.Status != "active" || s.Date == "" || s.FHIRVersion != "4.0.1" ||
		len(s.Format) == 0 || len(s.Rest) != 1 || s.Rest[0].Mode != "server" || s.Implementation.URL != f.base ||
		!strings.Contains(s.Implementation.Description, "not a medical device") {
		t.Errorf("%+v", s)
	}
	strict := []string{"Prefer", "handling=strict"}
	status := func(path string, headers ...string) int {
		t.Helper()
		return f.do(t, http.MethodGet, path, "", headers...).status
	}
	all := definitions(t)
	declared := map[string]servedResource{}
	for _, res := range s.Rest[0].Resource {
		if _, twice := declared[res.Type]; twice {
			t.Errorf("%s stands twice (cpb-9)", res.Type)
		}
		declared[res.Type] = res
	}
	for _, res := range s.Rest[0].Resource {
		if res.Type == "CodeSystem" {
			if status("/CodeSystem/metric") != http.StatusOK || status("/CodeSystem/other") != http.StatusNotFound {
				t.Error("fixed resources are served by read")
			}
			if status("/CodeSystem?url=x&_id=y", strict...) != http.StatusOK || status("/CodeSystem?name=x") != http.StatusBadRequest || len(res.SearchParam) != 2 {
				t.Error("fixed resources are searched by url and _id, and by nothing else")
			}
			continue
		}
		seen := map[string]bool{}
		for _, p := range res.SearchParam {
			if seen[p.Name] {
				t.Errorf("%s.%s stands twice (cpb-12)", res.Type, p.Name)
			}
			seen[p.Name] = true
			value := sample[p.Type]
			if p.Type == kindComposite {
				value = "x$1"
			}
			if p.Name == "udi-di" {
				value = "00000000000123"
			}
			name := p.Name
			if typeNamed(res.Type).params[typeNamed(res.Type).position(name)].staff {
				name += ".identifier"
			}
			if got := status(ask(res.Type, name, value, "_count", "1"), strict...); got != http.StatusOK {
				t.Errorf("%s.%s is declared and answered with %d", res.Type, p.Name, got)
			}
		}
		for _, d := range all {
			if (d.typ == res.Type || d.typ == "Resource") && !seen[d.name] {
				for _, prefer := range []string{"handling=strict", "handling=lenient"} {
					if got := status(ask(res.Type, d.name, "x"), "Prefer", prefer); got != http.StatusBadRequest {
						t.Errorf("%s.%s is not declared and answered with %d under %s", res.Type, d.name, got, prefer)
					}
				}
			}
		}
		for other := range declared {
			t2 := typeNamed(other)
			if t2 == nil {
				continue
			}
			for _, p := range t2.params {
				text := other + ":" + p.name
				if other == res.Type {
					want := http.StatusBadRequest
					if slices.Contains(res.SearchInclude, text) {
						want = http.StatusOK
					}
					if got := status(ask(res.Type, "_include", text, "_count", "1")); got != want {
						t.Errorf("%s with _include %s: %d, want %d", res.Type, text, got, want)
					}
				}
				want := http.StatusBadRequest
				if slices.Contains(res.SearchRevInclude, text) {
					want = http.StatusOK
				}
				if got := status(ask(res.Type, "_revinclude", text, "_count", "1")); got != want {
					t.Errorf("%s with _revinclude %s: %d, want %d", res.Type, text, got, want)
				}
			}
		}
		if codes := len(res.Interaction); codes != 2 || res.ReadHistory {
			t.Errorf("%s declares %v", res.Type, res.Interaction)
		}
	}
	// What is on record of a type that is not declared would be lost silently.
	for _, c := range f.cases(t) {
		rendered, err := f.desk.CaseResources(t.Context(), caller, c.UID)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range rendered.Resources {
			if _, ok := declared[x.Type]; !ok {
				t.Fatalf("the mapping makes a %s, which the table of this face does not have", x.Type)
			}
		}
	}
	for _, typ := range []string{"Patient", "Encounter", "Bundle", "observation"} {
		if got := status("/" + typ); got != http.StatusNotFound {
			t.Errorf("%s: %d", typ, got)
		}
	}
}
