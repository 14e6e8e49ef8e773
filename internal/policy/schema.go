package policy

import (
	"encoding/json"
	"fmt"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/strictyaml"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// object is a piece of a JSON schema.
type object = map[string]any

// Schema gives the JSON schema of a policy, draft 2020-12, made from the same
// tables that the file is read by; schema.json in this folder is its printed
// form. It says less than the reader: that a zone is known, a label is given once
// and a range has its ends in order is told by check-policy.
func Schema(terms Terms) ([]byte, error) {
	number := func(low, high float64) object { return object{"type": "number", "minimum": low, "maximum": high} }
	built := settings.BuiltIn("", "", "")

	thresholds := object{}
	for _, name := range built.ThresholdNames() {
		t := built.Threshold(name)
		p := number(t.Lowest, t.Highest)
		p["description"] = described(t.Summary, t.Unit)
		p["default"] = t.Value
		thresholds[name] = p
	}
	tolerances := object{}
	for name, t := range built.Tolerances {
		tolerances[string(name)] = entries(object{
			keyAbsolute:        with(number(0, mostOf(t.Absolute)), t.Absolute),
			keyRelativePercent: with(number(0, mostPercent), float64(t.Relative.Percent())),
			keyRepeatability:   repeatability(t, number(0, mostOf(t.Repeatability))),
		})
	}
	deviations := object{}
	for _, leaf := range metric.Leaves() {
		deviations[string(leaf.ID)] = object{
			"type": "number", "exclusiveMinimum": 0, "maximum": leaf.High, "description": described("standard deviation of "+leaf.Name, leaf.Unit),
		}
	}
	schema := entries(object{
		keySite:       object{"type": "string", "pattern": siteID.String(), "description": "id of the site, part of every case's name"},
		keyVersion:    object{"type": []string{"string", "number"}, "pattern": `\S`, "description": "version of this policy"},
		keyZone:       object{"type": "string", "minLength": 1, "not": object{"const": "Local"}, "description": "time zone of the site, a name of the IANA database"},
		keyThresholds: entries(thresholds),
		keyTolerances: entries(tolerances),
		keyInputSDs:   entries(deviations),
		keyRingTable:  object{"type": []string{"array", "null"}, "items": ringSchema(), "description": "labelled sizes of the site's rings and bands"},
		keyCodes:      object{"type": []string{"array", "null"}, "items": codeSchema(terms), "description": "public codes that the site is licensed for, beside those of the program"},
		keyFHIR:       fhirSchema(),
		keyErased:     object{"enum": []string{erasedRemoved, erasedCut}, "default": erasedRemoved, "description": "what is kept of a case that an administrator erases: nothing, or, without its name, the year, the age by decade, the techniques and how it ended"},
		keyRules:      object{"type": []string{"array", "null"}, "maxItems": mostRules, "items": siteRuleSchema(), "description": "rules of the site"},
		keyMonitoring: monitoringSchema(),
		keyCalibrated: object{"type": []string{"array", "null"}, "items": calibrationSchema(), "description": "corrections of predictions, fitted by trigone calibrate to the site's own cases and signed"},
	})
	schema["type"] = "object"
	schema["required"] = []string{keySite, keyVersion, keyZone}
	schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	schema["title"] = "Clinical policy of a site"
	schema["description"] = "Decision support for qualified staff, not a medical device."
	text, err := json.MarshalIndent(schema, "", "  ")
	if err != nil {
		return nil, err
	}
	return append(text, '\n'), nil
}

// entries is an object that takes these keys only; a key without any stands for
// none.
func entries(properties object) object {
	return object{"type": []string{"object", "null"}, "properties": properties, "additionalProperties": false}
}

func with(o object, builtIn float64) object {
	o["default"] = builtIn
	return o
}

func described(text string, u units.Unit) string {
	if unit := u.Text(); unit != "" {
		return text + ", in " + unit
	}
	return text
}

func ringSchema() object {
	ofLeaf := func(id valve.ID) object {
		low, high, _ := leafBounds(id)
		o := object{"type": "number", "minimum": low, "maximum": high}
		if low == 0 {
			delete(o, "minimum")
			o["exclusiveMinimum"] = 0
		}
		return o
	}
	properties := object{
		keyFamily: object{"type": "string", "pattern": strictyaml.PlainKey.String(), "description": "key of the family, the site's own"},
		keyLabel:  object{"type": "number", "exclusiveMinimum": 0, "maximum": mostLabel, "description": "label as printed on the device"},
		keyKind:   object{"enum": []string{completeRing, posteriorBand}},
	}
	never := map[string]object{completeRing: {}, posteriorBand: {}}
	for _, d := range ringDimensions {
		properties[d.key] = ofLeaf(d.leaf)
		for kind, keys := range never {
			if kind != d.only {
				keys[d.key] = false
			}
		}
	}
	for _, d := range ringRanges {
		properties[d.key] = entries(object{keyLow: ofLeaf(d.leaf), keyHigh: ofLeaf(d.leaf)})
	}
	ring := entries(properties)
	ring["type"] = "object"
	ring["required"] = []string{keyFamily, keyLabel, keyKind}
	var kinds []object
	for _, kind := range []string{completeRing, posteriorBand} {
		kinds = append(kinds, object{
			"if":   object{"properties": object{keyKind: object{"const": kind}}, "required": []string{keyKind}},
			"then": object{"properties": never[kind]},
		})
	}
	ring["allOf"] = kinds
	return ring
}

// repeatability describes the repeatability coefficient: one that is made of the
// reading's standard deviation has no number to begin with.
func repeatability(t settings.Tolerance, p object) object {
	if t.PerSD == 0 {
		return with(p, t.Repeatability)
	}
	p["description"] = fmt.Sprintf("left out: %g standard deviations of the reading", t.PerSD)
	return p
}
