package fhirrest

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/policy"
)

const siteBase = "https://fhir.harbour-hospital.example/trigone"

// underBase puts the same record under a policy with a canonical base.
func (f *fixture) underBase(t *testing.T) {
	t.Helper()
	clinical, err := policy.Parse("p.yaml", []byte("site: "+f.book.Policy.Settings.Site+"\nversion: \"2\"\nzone: Europe/London\nfhir: {canonical_base: \""+siteBase+"\"}\n"), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	book, err := casebook.New(t.Context(), casebook.Config{Store: f.store, Policy: clinical, Software: "test", Projectors: projectors()})
	if err != nil {
		t.Fatal(err)
	}
	desk, err := handover.New(t.Context(), handover.Config{Archive: book.Archive})
	if err != nil {
		t.Fatal(err)
	}
	list, err := desk.Terminology()
	if err != nil {
		t.Fatal(err)
	}
	if err := f.face.Close(); err != nil {
		t.Fatal(err)
	}
	f.exports = filepath.Join(t.TempDir(), "exports")
	if f.face, err = New(Config{
		Desk: desk, Base: f.base, Log: f.face.log, ExportDir: f.exports,
		Fixed: Fixed{Types: []string{fhirmap.TypeCodeSystem, fhirmap.TypeStructureDefinition}, Read: func(typ, id string) ([]byte, bool) {
			r, ok := fhirmap.FindTerminology(list, typ, id)
			return r.JSON, ok
		}, List: func(typ string) []fhirmap.Resource {
			return slices.DeleteFunc(slices.Clone(list), func(r fhirmap.Resource) bool { return r.Type != typ })
		}},
	}); err != nil {
		t.Fatal(err)
	}
}

// ourQueries gives searches by all that is named by us: of each parameter one value
// for each system, from the resources that are there.
func (f *fixture) ourQueries(t *testing.T) (list [][3]string) {
	t.Helper()
	seen := map[[3]string]bool{}
	for _, c := range f.cases(t) {
		content, err := f.face.shelf.open(named(t.Context()), c)
		if err != nil {
			t.Fatal(err)
		}
		for typ, records := range content.byType {
			params := typeNamed(typ).params
			for _, r := range records {
				for i, p := range params {
					if r.values[i] == nil {
						continue
					}
					add := func(name, system, value string) {
						key := [3]string{typ, name, system}
						if !strings.HasPrefix(system, fhirmap.Base) || seen[key] {
							return
						}
						seen[key] = true
						list = append(list, [3]string{typ, name, value})
					}
					v := r.values[i]
					for _, x := range v.codings {
						add(p.name, x.system, x.system+"|"+x.code)
					}
					for _, x := range v.pointers {
						if x.identifier != nil {
							add(p.name+":identifier", x.identifier.system, x.identifier.system+"|"+x.identifier.code)
						}
					}
					for _, x := range v.uris {
						add(p.name, x, x)
					}
					for _, x := range v.pairs {
						for _, code := range x.code {
							for _, concept := range x.concept {
								add(p.name, code.system, code.system+"|"+code.code+"$"+concept.system+"|"+concept.code)
							}
							if len(x.amounts) > 0 {
								add(p.name, code.system, code.system+"|"+code.code+"$ge-1000000")
							}
						}
					}
				}
			}
		}
	}
	// Rows have who operated or signed as a hash alone.
	for _, p := range [][3]string{{"Procedure", "performer", "performer.actor"}, {"ServiceRequest", "requester", "requester"}} {
		for _, e := range f.search(t, ask(p[0], "_count", "1000")).Entry {
			walk(e.Resource, p[2], func(v any) {
				who, _ := v.(map[string]any)["identifier"].(map[string]any)
				key := [3]string{p[0], p[1] + ":identifier", text(who, "system") + "|" + text(who, "value")}
				if !seen[key] {
					seen[key] = true
					list = append(list, key)
				}
			})
		}
	}
	return list
}

// A site with a canonical base is searched by the names that it gives, in rows that
// were written before it had any, and by no other; no answer of the face has another
// name of ours.
func TestSearchUnderACanonicalBase(t *testing.T) {
	f := newFixture(t, 0, "core-only", "commissural-conversion", "neochordae")
	queries := f.ourQueries(t)
	want := map[[3]string][]string{}
	for _, q := range queries {
		if want[q] = sorted(names(f.pages(t, ask(q[0], q[1], q[2]), nil))); len(want[q]) == 0 {
			t.Errorf("%v finds nothing", q)
		}
	}
	if len(queries) < 45 {
		t.Errorf("%d searches by names of ours", len(queries))
	}
	f.underBase(t)
	for _, q := range queries {
		under := strings.ReplaceAll(q[2], fhirmap.Base, siteBase)
		if got := sorted(names(f.pages(t, ask(q[0], q[1], under), nil))); !slices.Equal(got, want[q]) {
			t.Errorf("%s?%s=%s finds %d, %d before", q[0], q[1], under, len(got), len(want[q]))
		}
		if s := f.search(t, ask(q[0], q[1], under, "_summary", "count")); s.Total == nil || *s.Total != len(want[q]) {
			t.Errorf("%s?%s=%s is counted otherwise", q[0], q[1], under)
		}
		if got := f.pages(t, ask(q[0], q[1], q[2]), nil); len(got) != 0 {
			t.Errorf("%v finds %d by the built-in base", q, len(got))
		}
	}
	paths := []string{
		"/metadata", "/CodeSystem?url=" + url.QueryEscape(siteBase+"/CodeSystem/metric"), "/StructureDefinition", "/CodeSystem/place",
		"/Observation?_count=1000", "/Procedure?_revinclude=Observation:part-of&_count=1000",
	}
	for _, typ := range fhirmap.ResourceTypes() {
		paths = append(paths, "/"+typ+"?_count=50")
	}
	for _, path := range paths {
		r := f.do(t, http.MethodGet, path, "")
		if _, builtIn := fhirtest.Unnamed(string(r.body), siteBase); r.status != http.StatusOK || builtIn || !strings.Contains(string(r.body), siteBase+"/") && strings.Contains(string(r.body), `"fullUrl"`) {
			t.Errorf("%s: %d, built-in base %v", path, r.status, builtIn)
		}
	}
	if r := f.do(t, http.MethodGet, "/CodeSystem?url="+url.QueryEscape(fhirmap.Base+"/CodeSystem/metric"), ""); strings.Contains(string(r.body), `"entry"`) {
		t.Error("the built-in name of a code system finds one")
	}
	one := f.search(t, "/Observation?_count=1").Entry[0].Resource
	if r := f.do(t, http.MethodGet, "/"+name(one), ""); !strings.Contains(string(r.body), siteBase+"/identifier") || strings.Contains(string(r.body), fhirmap.Base) {
		t.Errorf("read: %s", r.body)
	}
	_, m := f.export(t, "")
	if len(m.Output) < 5 {
		t.Fatalf("%d files exported", len(m.Output))
	}
	if err := filepath.WalkDir(f.exports, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		if _, builtIn := fhirtest.Unnamed(string(text), siteBase); builtIn || !strings.Contains(string(text), siteBase) {
			t.Errorf("%s: built-in base %v", d.Name(), builtIn)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}
