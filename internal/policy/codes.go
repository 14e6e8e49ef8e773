package policy

import (
	"fmt"

	"trigone/internal/metric"
)

// codeFields are the keys of a code, in the order in which they are told.
var codeFields = []struct {
	field metric.SiteCodeField
	set   func(*metric.SiteCode, string)
}{
	{metric.FieldLocalSystem, func(c *metric.SiteCode, v string) { c.LocalSystem = v }},
	{metric.FieldLocalCode, func(c *metric.SiteCode, v string) { c.LocalCode = v }},
	{metric.FieldSystem, func(c *metric.SiteCode, v string) { c.System = v }},
	{metric.FieldCode, func(c *metric.SiteCode, v string) { c.Code = v }},
	{metric.FieldDisplay, func(c *metric.SiteCode, v string) { c.Display = v }},
	{metric.FieldEquivalence, func(c *metric.SiteCode, v string) { c.Equivalence = metric.Equivalence(v) }},
	{metric.FieldVerified, func(c *metric.SiteCode, v string) { c.Verified = v }},
}

func codeKeys() []string {
	var keys []string
	for _, f := range codeFields {
		keys = append(keys, string(f.field))
	}
	return keys
}

// codes reads the site's public codes. What they may be is said by those who send
// them; here their faults get their places in the text.
func (r *reading) codes(f field) []metric.SiteCode {
	if r.stored {
		return nil
	}
	var list []metric.SiteCode
	var parts []map[string]field
	for _, item := range r.Items(f) {
		before := r.Count()
		c := metric.SiteCode{}
		given := r.Fields(item, codeKeys()...)
		if len(given) == 0 && r.Count() > before {
			continue
		}
		for _, part := range codeFields {
			key := string(part.field)
			value, has := given[key]
			if !has {
				r.Fault(item, "%s has no %s; every entry needs all of its keys", item.Path(), key)
				continue
			}
			if text, ok := r.Text(value); ok {
				part.set(&c, text)
			}
		}
		if r.Count() == before {
			list, parts = append(list, c), append(parts, given)
		}
	}
	if len(list) > 0 && r.terms == nil {
		r.Fault(f, "%s cannot be read here", f.Path())
		return nil
	}
	if len(list) == 0 {
		return nil
	}
	for _, fault := range r.terms.Faults(list) {
		at := parts[fault.Index][string(fault.Field)]
		r.Fault(at, "%s %s", at.Path(), fault.Text)
	}
	return list
}

// codeSchema is the schema of one code. The list of our codes is left to the
// reader: trigone terminology writes it.
func codeSchema(terms Terms) object {
	short := object{"type": "string", "pattern": `\S`, "maxLength": metric.SiteCodeMostLetters}
	entry := entries(object{
		string(metric.FieldLocalSystem): object{"enum": terms.Systems(), "description": "id of a code system of the program"},
		string(metric.FieldLocalCode):   object{"type": "string", "pattern": `^[a-z0-9-]+$`, "description": "code of that system"},
		string(metric.FieldSystem):      object{"type": "string", "pattern": metric.SiteSystemPattern, "description": "address of the public code system"},
		string(metric.FieldCode):        object{"type": []string{"string", "integer"}, "pattern": metric.SiteCodePattern, "maxLength": metric.SiteCodeMostLetters, "description": "the public code"},
		string(metric.FieldDisplay):     short,
		string(metric.FieldEquivalence): object{"enum": metric.SiteEquivalences(), "description": "what the public code is beside the local one"},
		string(metric.FieldVerified):    short,
	})
	entry["type"] = "object"
	entry["required"] = codeKeys()
	return entry
}

func codeText(c metric.SiteCode) string {
	return fmt.Sprintf("%s %s, %s (%s)", c.System, c.Code, c.Display, c.Equivalence)
}
