package fhirmap_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
)

// What stands claims the profile that it is to meet and meets it, in every form;
// what has ended claims none, nor does a type without a profile.
func TestProfilesAreClaimedWhereTheyHold(t *testing.T) {
	all := read(t, terminology(t, nil))
	forms := map[string]func(fhirmap.History) ([]byte, error){
		"transaction": fhirmap.Transaction, "conditional transaction": fhirmap.ConditionalTransaction, "collection": fhirmap.Collection,
	}
	onHistories(t, func(t rapid.TB, h fhirmap.History, _ []fhirmap.Snapshot) {
		for name, form := range forms {
			found := map[string]object{}
			for _, e := range entriesOf(tree(t, mustForm(t, form, h))) {
				found[e["fullUrl"].(string)] = e["resource"].(object)
			}
			claimed(t, all, name, found)
		}
		list, err := fhirmap.Resources(h)
		if err != nil {
			t.Fatal(err)
		}
		if list, err = fhirmap.Literal(list); err != nil {
			t.Fatal(err)
		}
		exported := map[string]object{}
		for _, r := range list {
			exported[r.Type+"/"+r.ID] = tree(t, r.JSON)
		}
		claimed(t, all, "export", exported)
	})
}

func claimed(t rapid.TB, all terms, form string, found map[string]object) {
	const base = fhirmap.Base + "/StructureDefinition/"
	types := map[string]string{}
	for url, r := range found {
		types[url] = r["resourceType"].(string)
	}
	for _, r := range found {
		claims := walkPath(r, []string{"meta", "profile"})
		want := profileOf(r)
		if r["status"] == "entered-in-error" || want == "device" && r["status"] != "active" {
			want = "" // withdrawn, or a software that computes nothing any more
		}
		switch {
		case want == "" && len(claims) == 0:
			continue
		case len(claims) != 1 || claims[0] != base+want:
			t.Errorf("%s: %v %s claims %v, want %s", form, r["resourceType"], identifier(r), claims, want)
			continue
		}
		for _, fault := range all.conform(strings.TrimPrefix(claims[0].(string), base), r, types) {
			t.Errorf("%s: %s claims %s: %s", form, identifier(r), want, fault)
		}
	}
}
