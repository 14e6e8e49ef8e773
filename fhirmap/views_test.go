package fhirmap_test

import (
	"encoding/json"
	"regexp"
	"slices"
	"testing"

	"trigone/fhirmap"
)

// Names as the guide SQL on FHIR, version 2, asks: they become names of tables and
// columns. That a runner fills them is tested by internal/fhircheck/node.
func TestViews(t *testing.T) {
	list, err := fhirmap.Views(fhirmap.Site{})
	if err != nil || len(list) == 0 {
		t.Fatalf("%d views, %v", len(list), err)
	}
	name := regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*$`)
	seen := map[string]bool{}
	for _, r := range list {
		var v struct {
			ResourceType, URL, Name, Resource string
			Select                            []struct {
				Column []struct{ Name, Path, Type string }
			}
		}
		if err := json.Unmarshal(r.JSON, &v); err != nil {
			t.Fatal(err)
		}
		if v.ResourceType != fhirmap.TypeView || v.URL != (fhirmap.Site{}).Canonical(r.Type, r.ID) || !name.MatchString(v.Name) || seen[v.Name] {
			t.Errorf("%s is %s %s at %s", r.ID, v.ResourceType, v.Name, v.URL)
		}
		seen[v.Name] = true
		if !slices.Contains(fhirmap.ResourceTypes(), v.Resource) {
			t.Errorf("%s is of %s, which no bundle has", r.ID, v.Resource)
		}
		columns := map[string]bool{}
		for _, s := range v.Select {
			for _, c := range s.Column {
				if !name.MatchString(c.Name) || columns[c.Name] || c.Path == "" || c.Type == "" {
					t.Errorf("%s has the column %+v twice or incomplete", r.ID, c)
				}
				columns[c.Name] = true
			}
		}
		if !columns["id"] || !columns["patient"] {
			t.Errorf("%s does not say of what and of whom", r.ID)
		}
	}
}
