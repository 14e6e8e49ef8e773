package fhirrest

import (
	"net/http"
	"slices"
	"strings"
	"testing"
)

// Whoever operated or signed is found by pseudonym: what is found is what the rendered
// resources say, one after the other.
func TestSearchByStaff(t *testing.T) {
	f := newFixture(t, 0)
	for _, name := range []string{"saddle-annulus", "neochordae", "several-differences", "core-only", "plan-signed-late"} {
		if err := f.submit(name); err != nil {
			t.Fatal(err)
		}
	}
	told := 0
	for _, tt := range []struct{ typ, param, at string }{
		{"Procedure", "performer", "performer.actor"}, {"ServiceRequest", "requester", "requester"}, {"DeviceRequest", "requester", "requester"},
	} {
		want := map[string][]string{} // by pseudonym
		systems := map[string]string{}
		without := []string{}
		for _, e := range f.search(t, ask(tt.typ, "_count", "1000")).Entry {
			id, _ := e.Resource["id"].(string)
			some := false
			walk(e.Resource, tt.at, func(v any) {
				who, _ := v.(map[string]any)["identifier"].(map[string]any)
				name, _ := who["value"].(string)
				systems[name], _ = who["system"].(string)
				if some = true; !slices.Contains(want[name], id) {
					want[name] = append(want[name], id)
				}
			})
			if !some {
				without = append(without, id)
			}
		}
		found := func(query ...string) []string {
			var list []string
			for _, e := range f.search(t, ask(tt.typ, append(query, "_count", "1000")...)).Entry {
				id, _ := e.Resource["id"].(string)
				list = append(list, id)
			}
			return list
		}
		for name, ids := range want {
			for _, query := range [][2]string{
				{tt.param + ".identifier", name}, {tt.param + ":identifier", systems[name] + "|" + name}, {tt.param + ":Practitioner.identifier", name},
			} {
				if got := found(query[:]...); !slices.Equal(got, ids) {
					t.Errorf("%s by %v: %d found, %d there", tt.typ, query, len(got), len(ids))
				}
			}
			for _, other := range []string{strings.ToUpper(name) + "X", name[:len(name)-1], "|" + name, "urn:example:other|" + name} {
				if got := found(tt.param+".identifier", other); len(got) != 0 {
					t.Errorf("%s by %q: %d found", tt.typ, other, len(got))
				}
			}
			told += len(ids)
		}
		if got := found(tt.param+":missing", "true"); !slices.Equal(got, without) {
			t.Errorf("%s of nobody: %d found, %d there", tt.typ, len(got), len(without))
		}
		for _, query := range [][2]string{{tt.param, "Practitioner/x"}, {tt.param, "x"}, {tt.param + ":Practitioner", "x"}, {tt.param + ".identifier", "a|b|c"}, {tt.param + ".identifier", "a|"}, {tt.param + ".name", "x"}} {
			if got := f.do(t, http.MethodGet, ask(tt.typ, query[0], query[1]), "").status; got != http.StatusBadRequest {
				t.Errorf("%s by %v is answered with %d", tt.typ, query, got)
			}
		}
	}
	if told < 10 {
		t.Errorf("%d resources tell nothing", told)
	}
}
