package policy

import (
	"fmt"

	"trigone/fhirmap"
	"trigone/internal/metric"
)

// codeFields are the keys of a code, in the order in which they are told.
var codeFields = []struct {
	field fhirmap.SiteCodeField
	set   func(*fhirmap.SiteCode, string)
}{
	{fhirmap.FieldLocalSystem, func(c *fhirmap.SiteCode, v string) { c.LocalSystem = v }},
	{fhirmap.FieldLocalCode, func(c *fhirmap.SiteCode, v string) { c.LocalCode = v }},
	{fhirmap.FieldSystem, func(c *fhirmap.SiteCode, v string) { c.System = v }},
	{fhirmap.FieldCode, func(c *fhirmap.SiteCode, v string) { c.Code = v }},
	{fhirmap.FieldDisplay, func(c *fhirmap.SiteCode, v string) { c.Display = v }},
	{fhirmap.FieldEquivalence, func(c *fhirmap.SiteCode, v string) { c.Equivalence = metric.Equivalence(v) }},
	{fhirmap.FieldVerified, func(c *fhirmap.SiteCode, v string) { c.Verified = v }},
}

func codeKeys() []string {
	var keys []string
	for _, f := range codeFields {
		keys = append(keys, string(f.field))
	}
	return keys
}

// codes reads the site's public codes. What they may be is fhirmap's matter; here
// its faults get their places in the text.
func (r *reading) codes(f field) []fhirmap.SiteCode {
	if r.stored {
		return nil
	}
	var list []fhirmap.SiteCode
	var parts []map[string]field
	for _, item := range r.items(f) {
		before := len(r.faults)
		c := fhirmap.SiteCode{}
		given := r.fields(item, codeKeys()...)
		if len(given) == 0 && len(r.faults) > before {
			continue
		}
		for _, part := range codeFields {
			key := string(part.field)
			value, has := given[key]
			if !has {
				r.fault(item, "%s has no %s; every entry needs all of its keys", item.path(), key)
				continue
			}
			if text, ok := r.text(value); ok {
				part.set(&c, text)
			}
		}
		if len(r.faults) == before {
			list, parts = append(list, c), append(parts, given)
		}
	}
	for _, fault := range fhirmap.SiteCodeFaults(list) {
		at := parts[fault.Index][string(fault.Field)]
		r.fault(at, "%s %s", at.path(), fault.Text)
	}
	return list
}

// codeSchema is the schema of one code. The list of our codes is left to the
// reader: trigone terminology writes it.
func codeSchema() object {
	short := object{"type": "string", "pattern": `\S`, "maxLength": fhirmap.MostTextLetters}
	entry := entries(object{
		string(fhirmap.FieldLocalSystem): object{"enum": fhirmap.SystemIDs(), "description": "id of a code system of the program"},
		string(fhirmap.FieldLocalCode):   object{"type": "string", "pattern": `^[a-z0-9-]+$`, "description": "code of that system"},
		string(fhirmap.FieldSystem):      object{"type": "string", "pattern": fhirmap.SystemPattern, "description": "address of the public code system"},
		string(fhirmap.FieldCode):        object{"type": []string{"string", "integer"}, "pattern": fhirmap.CodePattern, "maxLength": fhirmap.MostTextLetters, "description": "the public code"},
		string(fhirmap.FieldDisplay):     short,
		string(fhirmap.FieldEquivalence): object{"enum": fhirmap.Equivalences(), "description": "what the public code is beside the local one"},
		string(fhirmap.FieldVerified):    short,
	})
	entry["type"] = "object"
	entry["required"] = codeKeys()
	return entry
}

func codeText(c fhirmap.SiteCode) string {
	return fmt.Sprintf("%s %s, %s (%s)", c.System, c.Code, c.Display, c.Equivalence)
}
