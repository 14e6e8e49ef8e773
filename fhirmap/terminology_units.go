package fhirmap

import (
	"encoding/json"
	"strings"
	"sync"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// Properties of a quantity's code, by which a receiver can tell a value in a wrong
// unit, which no validator of the standard sees.
const (
	unitProperty = "unit"
	lowProperty  = "plausible-low"
	highProperty = "plausible-high"
)

// propertiesOf gives what a code system says of its codes besides what they mean.
func propertiesOf(system string) []fhir.CodeSystemProperty {
	if system != metricSystem {
		return nil
	}
	property := func(code, says string, typ fhir.PropertyType) fhir.CodeSystemProperty {
		return fhir.CodeSystemProperty{Code: code, Uri: text(system + "#" + code), Description: text(says), Type: typ}
	}
	return []fhir.CodeSystemProperty{
		property(unitProperty, "Unit of every value of the quantity, a code of UCUM.", fhir.PropertyTypeString),
		property(lowProperty, "Lowest plausible value, in that unit. What was measured is sent as it was recorded, and may lie beyond.", fhir.PropertyTypeDecimal),
		property(highProperty, "Highest plausible value, in that unit. What was measured is sent as it was recorded, and may lie beyond.", fhir.PropertyTypeDecimal),
	}
}

// bounds are a quantity's unit and what is plausible of it; high 0: no bounds.
type bounds struct {
	unit            units.Unit
	low, high, grid float64
}

var boundsOfCodes = sync.OnceValue(func() map[string]bounds {
	all := map[string]bounds{}
	for _, l := range metric.Leaves() {
		all[metricCode(l.ID, trigonev1.MetricRole_METRIC_ROLE_MEASURED)] = bounds{l.Unit, l.Low, l.High, l.Grid}
	}
	for _, m := range metric.Metrics() {
		b := bounds{m.Unit, m.Low, m.High, m.Grid}
		all[metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_DERIVED)] = b
		if !strings.HasPrefix(string(m.ID), predictedWord) {
			all[metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN)] = b
		}
	}
	return all
})

// measuredIn gives the unit and the plausible range of a quantity's code.
func measuredIn(system, code string) []propertyJSON {
	b, known := boundsOfCodes()[code]
	if system != metricSystem || !known {
		return nil
	}
	list := []propertyJSON{{Code: unitProperty, ValueString: b.unit.UCUM()}}
	if b.high == 0 {
		return list
	}
	number := func(x float64) json.Number { return json.Number(units.FormatNumber(x, b.grid)) }
	return append(list, propertyJSON{Code: lowProperty, ValueDecimal: number(b.low)}, propertyJSON{Code: highProperty, ValueDecimal: number(b.high)})
}
