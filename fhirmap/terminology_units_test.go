package fhirmap_test

import (
	"encoding/json"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/metric"
	"trigone/internal/units"
)

// A receiver reads from the published code system in which unit a quantity is and
// what is plausible of it: those of the catalogue's row, for every quantity.
func TestPublishedUnitsAreTheCatalogues(t *testing.T) {
	list, err := fhirmap.Terminology(fhirmap.Site{})
	if err != nil {
		t.Fatal(err)
	}
	published, ok := fhirmap.FindTerminology(list, fhirmap.TypeCodeSystem, "metric")
	if !ok {
		t.Fatal("no code system of quantities")
	}
	said := map[string]map[string]any{}
	for _, c := range tree(t, published.JSON)["concept"].(array) {
		concept := c.(object)
		properties := map[string]any{}
		for _, p := range asArray(concept["property"]) {
			property := p.(object)
			for _, form := range []string{"valueString", "valueDecimal"} {
				if property[form] != nil {
					properties[property["code"].(string)] = property[form]
				}
			}
		}
		said[concept["code"].(string)] = properties
	}
	seen := 0
	same := func(code string, unit units.Unit, low, high, grid float64) {
		t.Helper()
		got := said[strings.ReplaceAll(code, "_", "-")]
		want := map[string]any{"unit": unit.UCUM()}
		if high != 0 {
			want["plausible-low"], want["plausible-high"] = json.Number(units.FormatNumber(low, grid)), json.Number(units.FormatNumber(high, grid))
			seen++
		}
		if len(got) != len(want) {
			t.Errorf("%s: %v, want %v", code, got, want)
		}
		for key, v := range want {
			if got[key] != v {
				t.Errorf("%s: %s is %v, want %v", code, key, got[key], v)
			}
		}
	}
	for _, l := range metric.Leaves() {
		same(string(l.ID), l.Unit, l.Low, l.High, l.Grid)
	}
	for _, m := range metric.Metrics() {
		same(string(m.ID), m.Unit, m.Low, m.High, m.Grid)
		if !strings.HasPrefix(string(m.ID), "predicted_") {
			same("predicted_"+string(m.ID), m.Unit, m.Low, m.High, m.Grid)
		}
	}
	if seen == 0 {
		t.Error("no quantity has a plausible range")
	}
	if len(said["regurgitation-grade"]) != 0 {
		t.Error("a grade has a unit")
	}
}
