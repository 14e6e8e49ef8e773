package fhirmap_test

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

// profileOf gives the profile that a resource of a bundle must meet: by its key,
// which nobody but the tests need read.
func profileOf(r object) string {
	_, key, _ := strings.Cut(identifier(r), "/")
	withdrawn := r["status"] == "entered-in-error"
	switch r["resourceType"] {
	case "Observation":
		kind, _, _ := strings.Cut(key, "|")
		if strings.HasPrefix(key, "fact/") {
			kind = "fact"
		}
		if withdrawn {
			return "observation"
		}
		return map[string]string{
			"value": "metric-value", "grade": "graded-regurgitation", "panel": "panel", "discrepancy": "plan-versus-outcome", "fact": "outcome",
		}[kind]
	case "Procedure":
		switch {
		case withdrawn:
			return "procedure"
		case key == "operation":
			return "operation"
		case strings.HasPrefix(key, "reintervention/"), strings.HasPrefix(key, "return-to-theatre/"):
			return "later-procedure"
		}
		return "operation-step"
	case "Device":
		if withdrawn || strings.HasPrefix(key, "software/") {
			return "device"
		}
		return "implant"
	case "DetectedIssue":
		return "finding"
	}
	return ""
}

// expressions are the rules of the profiles once more, by key; the words are theirs.
var expressions = map[string]func(r object) bool{
	"tri-obs-1": func(r object) bool { return stands(r) || r["status"] == "entered-in-error" },
	"tri-std-1": stands,
	"tri-obs-2": func(r object) bool {
		return !stands(r) || hasValue(r) || r["dataAbsentReason"] != nil || r["component"] != nil || r["hasMember"] != nil
	},
	"tri-obs-3": func(r object) bool {
		for _, c := range walkPath(r, []string{"component"}) {
			if !hasValue(c.(object)) {
				return false
			}
		}
		return true
	},
	"tri-val-1": func(r object) bool { return hasValue(r) || r["dataAbsentReason"] != nil },
	"tri-val-2": func(r object) bool {
		if !hasRole(r, "predicted") {
			return true
		}
		for typ := range choices(r, "value") {
			if typ != "Range" {
				return false
			}
		}
		return true
	},
	"tri-val-3": func(r object) bool { return hasRole(r, "measured") || r["device"] != nil },
	"tri-aga-1": func(r object) bool { return r["status"] == "completed" },
	"tri-dev-1": func(r object) bool {
		return slices.Contains([]any{"active", "inactive", "unknown", "entered-in-error"}, r["status"])
	},
	"tri-dev-2": func(r object) bool {
		for _, p := range walkPath(r, []string{"property"}) {
			if len(walkPath(p, []string{"valueQuantity"}))+len(walkPath(p, []string{"valueCode"})) != 1 {
				return false
			}
		}
		return true
	},
	"tri-iss-1": func(r object) bool { return r["status"] == "final" || r["status"] == "entered-in-error" },
	"tri-iss-2": func(r object) bool {
		return r["status"] != "final" || r["detail"] != nil && len(walkPath(r, []string{"evidence", "code"})) > 0
	},
	"tri-pro-1": func(r object) bool {
		return slices.Contains([]any{"completed", "stopped", "in-progress", "not-done", "entered-in-error"}, r["status"])
	},
	"tri-opr-1": func(r object) bool {
		return r["status"] == "completed" || r["status"] == "in-progress" || r["status"] == "stopped" && r["statusReason"] != nil
	},
	"tri-stp-1": func(r object) bool {
		return r["status"] == "completed" || (r["status"] == "stopped" || r["status"] == "not-done") && r["statusReason"] != nil
	},
	"tri-stp-2": func(r object) bool {
		return r["status"] != "not-done" || len(choices(r, "performed")) == 0 && r["focalDevice"] == nil
	},
}

func stands(r object) bool { return r["status"] == "final" || r["status"] == "amended" }

func hasValue(o object) bool { return len(choices(o, "value")) > 0 }

// hasRole says whether a category's code begins with the word.
func hasRole(r object, word string) bool {
	for _, c := range walkPath(r, []string{"category", "coding", "code"}) {
		if strings.HasPrefix(c.(string), word) {
			return true
		}
	}
	return false
}

// choices gives the elements of a choice by their type.
func choices(o object, name string) map[string]any {
	found := map[string]any{}
	for key, v := range o {
		if typ, ok := strings.CutPrefix(key, name); ok && typ != "" && unicode.IsUpper(rune(typ[0])) {
			found[typ] = v
		}
	}
	return found
}

// conform gives what a resource breaks of a profile of ours and of those it is
// based on. Source: HL7 FHIR R4 4.0.1, ElementDefinition and profiling.
func (all terms) conform(id string, r object, types map[string]string) []string {
	var faults []string
	for id != "" {
		p := all.resources["StructureDefinition/"+id]
		if p == nil {
			return append(faults, "there is no profile "+id)
		}
		if p["type"] != r["resourceType"] {
			faults = append(faults, fmt.Sprintf("%s is of type %v", id, p["type"]))
		}
		for _, x := range at(p, "differential", "element").(array) {
			for _, fault := range all.element(x.(object), r, types) {
				faults = append(faults, id+": "+fault)
			}
		}
		base := p["baseDefinition"].(string)
		id = strings.TrimPrefix(base, fhirmap.Base+"/StructureDefinition/")
		if id == base {
			id = ""
		}
	}
	return faults
}

func (all terms) element(e object, r object, types map[string]string) []string {
	var faults []string
	rules, _ := e["constraint"].(array)
	for _, x := range rules {
		key := x.(object)["key"].(string)
		if holds, known := expressions[key]; !known {
			faults = append(faults, "nobody checks "+key)
		} else if !holds(r) {
			faults = append(faults, key)
		}
	}
	path := strings.Split(e["path"].(string), ".")[1:]
	if len(path) == 0 {
		return faults
	}
	name := path[len(path)-1]
	for _, parent := range walkPath(r, path[:len(path)-1]) {
		o, _ := parent.(object)
		var nodes []any
		if choice, ok := strings.CutSuffix(name, "[x]"); ok {
			for typ, v := range choices(o, choice) {
				allowed := false
				for _, t := range walkPath(e, []string{"type", "code"}) {
					allowed = allowed || strings.EqualFold(t.(string), typ)
				}
				if e["type"] != nil && !allowed {
					faults = append(faults, fmt.Sprintf("%v is a %s", e["path"], typ))
				}
				nodes = append(nodes, v)
			}
		} else {
			nodes = walkPath(o, []string{name})
		}
		if e["min"] != nil && len(nodes) < whole(e["min"]) {
			faults = append(faults, fmt.Sprintf("%v stands %d times, at least %v", e["path"], len(nodes), e["min"]))
		}
		if e["max"] != nil && len(nodes) > whole(e["max"]) {
			faults = append(faults, fmt.Sprintf("%v stands %d times, at most %v", e["path"], len(nodes), e["max"]))
		}
		for _, node := range nodes {
			faults = append(faults, all.node(e, node, types)...)
		}
	}
	return faults
}

// whole reads a number of elements; the profiles use no asterisk.
func whole(x any) int {
	n, err := strconv.Atoi(fmt.Sprint(x))
	if err != nil {
		panic(err)
	}
	return n
}

// node checks patterns, bindings and what a reference points to.
func (all terms) node(e object, node any, types map[string]string) []string {
	var faults []string
	for _, fixed := range []string{"patternCode", "patternUri"} {
		if e[fixed] != nil && node != e[fixed] {
			faults = append(faults, fmt.Sprintf("%v is %v, want %v", e["path"], node, e[fixed]))
		}
	}
	for _, want := range walkPath(e, []string{"patternCodeableConcept", "coding"}) {
		if !slices.ContainsFunc(walkPath(node, []string{"coding"}), func(c any) bool {
			return at(c, "system") == at(want, "system") && at(c, "code") == at(want, "code")
		}) {
			faults = append(faults, fmt.Sprintf("%v is not %v", e["path"], want))
		}
	}
	if set, ok := at(e, "binding", "valueSet").(string); ok {
		codes := all.expand(set)
		coded := at(node, "coding") != nil
		if coded && !slices.ContainsFunc(walkPath(node, []string{"coding"}), func(c any) bool {
			return codes[fmt.Sprintf("%v|%v", at(c, "system"), at(c, "code"))]
		}) {
			faults = append(faults, fmt.Sprintf("%v is of no code of %s: %v", e["path"], set, node))
		}
	}
	if reference, ok := at(node, "reference").(string); ok && e["type"] != nil {
		want := walkPath(e, []string{"type", "targetProfile"})
		typ, found := types[reference]
		if !found { // a literal or a conditional reference
			typ, _, _ = strings.Cut(reference, "/")
			typ, _, _ = strings.Cut(typ, "?")
		}
		if !slices.Contains(want, any("http://hl7.org/fhir/StructureDefinition/"+typ)) {
			faults = append(faults, fmt.Sprintf("%v points to a %s", e["path"], typ))
		}
	}
	return faults
}

// judge checks every resource of a bundle that has a profile; it counts by profile.
func (all terms) judge(found map[string]object, count map[string]int) []string {
	types := map[string]string{}
	for _, r := range found {
		types["urn:uuid:"+r["id"].(string)] = r["resourceType"].(string)
	}
	var faults []string
	for _, url := range slices.Sorted(maps.Keys(found)) {
		r := found[url]
		id := profileOf(r)
		if id == "" {
			continue
		}
		count[id]++
		for _, fault := range all.conform(id, r, types) {
			faults = append(faults, identifier(r)+": "+fault)
		}
	}
	return faults
}

// isExtension says whether a definition is of an extension: those are looked for by
// TestExtensionsAreDefined.
func isExtension(r fhirmap.Resource) bool {
	return slices.ContainsFunc(fhirmap.Extensions(), func(x fhirmap.Extension) bool { return x.URL == (fhirmap.Site{}).Canonical(r.Type, r.ID) })
}

func TestBundlesMeetTheProfiles(t *testing.T) {
	all := read(t, terminology(t, nil))
	count := map[string]int{}
	for _, example := range fhirtest.Examples() {
		for _, fault := range all.judge(resources(t, transaction(t, example.History)), count) {
			t.Errorf("%s: %s", example.Name, fault)
		}
	}
	for _, r := range terminology(t, nil) {
		if r.Type == fhirmap.TypeStructureDefinition && !isExtension(r) && count[r.ID] == 0 {
			t.Errorf("no stored bundle has a resource of the profile %s", r.ID)
		}
	}
	t.Log(count)
}

// What a profile promises holds for whatever history comes, with and without codes
// of a site.
func TestRandomBundlesMeetTheProfiles(t *testing.T) {
	plain, site := read(t, terminology(t, nil)), read(t, terminology(t, siteCodes()))
	rapid.Check(t, func(t *rapid.T) {
		h := fhirtest.Draw(t)
		all := plain
		if rapid.Bool().Draw(t, "with codes of the site") {
			h.Codes, all = siteCodes(), site
		}
		bundle, err := fhirmap.Transaction(h)
		if err != nil {
			t.Fatal(err)
		}
		for _, fault := range all.judge(resourcesOf(bundle), map[string]int{}) {
			t.Fatal(fault)
		}
	})
}

// A profile can be broken, every rule of it and every kind of constraint, and it is
// seen.
func TestProfilesCanBeBroken(t *testing.T) {
	all := read(t, terminology(t, nil))
	complete := func(key string) object { return byKey(t, transaction(t, fhirtest.Complete()), key) }
	const (
		gradient   = "value|mean_gradient|result/exit|measured|doppler"
		prediction = "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2"
		difference = "discrepancy|step_omitted/p-cleft"
		grade      = "grade|regurgitation_grade|assessment/tee"
		panel      = "panel|result/exit"
		software   = "software/0.1.0/1/1/"
		// The one resource that is taken from another example.
		contradiction = "finding/1f1f1f1f1f1f1f1f"
	)
	foreign := object{"coding": array{object{"system": "http://example.org/other", "code": "x"}}}
	for _, tt := range []struct {
		why, key string
		change   func(r object)
		want     string
	}{
		{"a value of nobody", gradient, func(r object) { delete(r, "subject") }, "Observation.subject stands 0 times"},
		{"a literal reference to the patient", gradient, func(r object) { r["subject"].(object)["reference"] = "Patient/1" }, "Observation.subject.reference stands 1 times"},
		{"a patient by name", "operation", func(r object) { r["subject"].(object)["display"] = "invented" }, "Procedure.subject.display stands 1 times"},
		{"another kind of subject", gradient, func(r object) { r["subject"].(object)["type"] = "Group" }, "Observation.subject.type is Group"},
		{"a code of others", gradient, func(r object) { r["code"] = foreign }, "Observation.code is of no code of"},
		{"a preliminary value", gradient, func(r object) { r["status"] = "preliminary" }, "tri-obs-1"},
		{"a value without a role", gradient, func(r object) { r["category"] = r["category"].(array)[:1] }, "Observation.category stands 1 times"},
		{"a value of no occasion", gradient, func(r object) { r["category"] = r["category"].(array)[:2] }, "Observation.category stands 2 times"},
		{"a panel of no occasion", panel, func(r object) { r["category"] = r["category"].(array)[:1] }, "Observation.category stands 1 times"},
		{"a value with components", gradient, func(r object) { r["component"] = array{complete(difference)["component"].(array)[0]} }, "Observation.component stands 1 times"},
		{"neither value nor reason", gradient, func(r object) { delete(r, "valueQuantity") }, "tri-val-1"},
		{"nothing at all", gradient, func(r object) { delete(r, "valueQuantity") }, "tri-obs-2"},
		{"a component without a value", difference, func(r object) { delete(r["component"].(array)[0].(object), "valueCodeableConcept") }, "tri-obs-3"},
		{"a predicted number", prediction, func(r object) { r["valueQuantity"] = object{} }, "tri-val-2"},
		{"a prediction by nobody", prediction, func(r object) { delete(r, "device") }, "tri-val-3"},
		{"a time of day", gradient, func(r object) { r["effectiveInstant"] = r["effectiveDateTime"] }, "Observation.effective[x] is a Instant"},
		{"a value as text", gradient, func(r object) { r["valueString"] = "3.2" }, "Observation.value[x] is a String"},
		{"part of an Observation", gradient, func(r object) { r["partOf"].(array)[0].(object)["reference"] = "urn:uuid:" + r["id"].(string) }, "Observation.partOf points to a Observation"},
		{"a place of others", prediction, func(r object) { r["bodySite"] = foreign }, "Observation.bodySite is of no code of"},
		{"a part of others", difference, func(r object) { r["component"].(array)[0].(object)["code"] = foreign }, "Observation.component.code is of no code of"},
		{"a grade of others", grade, func(r object) { r["valueCodeableConcept"] = foreign }, "Observation.value[x] is of no code of"},
		{"a grade without a grade", grade, func(r object) { delete(r, "valueCodeableConcept") }, "Observation.value[x] stands 0 times"},
		{"a panel without members", panel, func(r object) { delete(r, "hasMember") }, "Observation.hasMember stands 0 times"},
		{"a panel with a value", panel, func(r object) { r["valueInteger"] = 1 }, "Observation.value[x] stands 1 times"},
		{"a planned operation", "operation", func(r object) { r["status"] = "preparation" }, "tri-pro-1"},
		{"an operation on hold", "operation", func(r object) { r["status"] = "not-done" }, "tri-opr-1"},
		{"an operation that is a step", "operation", func(r object) { r["code"] = complete("step/s-resection")["code"] }, "Procedure.code is not"},
		{"an operation that is no surgery", "operation", func(r object) { delete(r, "category") }, "Procedure.category stands 0 times"},
		{"a step of nothing", "step/s-resection", func(r object) { delete(r, "partOf") }, "Procedure.partOf stands 0 times"},
		{"stopped without a reason", "step/s-ring-1", func(r object) { delete(r, "statusReason") }, "tri-stp-1"},
		{"not done and timed", "planned-step/p-cleft", func(r object) { r["performedPeriod"] = object{} }, "tri-stp-2"},
		{"a reason of others", "step/s-ring-1", func(r object) { r["statusReason"] = foreign }, "Procedure.statusReason is of no code of"},
		{"an action of others", "step/s-ring-1", func(r object) { r["focalDevice"].(array)[0].(object)["action"] = foreign }, "Procedure.focalDevice.action is of no code of"},
		{"a carrier without its text", "ring/s-ring-2", func(r object) { r["udiCarrier"] = array{object{}} }, "Device.udiCarrier.carrierHRF stands 0 times"},
		{"a performer by name", "operation", func(r object) { at(r, "performer", 0, "actor").(object)["display"] = "invented" }, "Procedure.performer.actor.display stands 1 times"},
		{"a performer who is nobody", "operation", func(r object) { delete(at(r, "performer", 0, "actor").(object), "identifier") }, "Procedure.performer.actor.identifier stands 0 times"},
		{"a role of others", "operation", func(r object) { at(r, "performer", 0).(object)["function"] = foreign }, "Procedure.performer.function is of no code of"},
		{"a complication of others", "fact/complication/operation/c-low", func(r object) { r["valueCodeableConcept"] = foreign }, "Observation.value[x] is of no code of"},
		{"an event after a ring", "fact/complication/follow_up/one-year/c-kidney", func(r object) {
			r["focus"] = array{complete("step/s-ring-1")["focalDevice"].(array)[0].(object)["manipulated"]}
		}, "Observation.focus points to a Device"},
		{"a part without a value", "fact/complication/operation/c-low", func(r object) { delete(at(r, "component", 0).(object), "valueCodeableConcept") }, "Observation.component.value[x] stands 0 times"},
		{"done again and not done", "reintervention/follow_up/one-year/r-1", func(r object) { r["status"], r["statusReason"] = "not-done", object{} }, "tri-aga-1"},
		{"done again as a step", "reintervention/follow_up/one-year/r-1", func(r object) { r["partOf"] = complete("step/s-resection")["partOf"] }, "Procedure.partOf stands 1 times"},
		{"a ring in nobody", "ring/s-ring-2", func(r object) { delete(r, "patient") }, "Device.patient stands 0 times"},
		{"a device of another kind", software, func(r object) { r["type"] = foreign }, "Device.type is of no code of"},
		{"a version of something else", software, func(r object) { r["version"].(array)[0].(object)["type"] = foreign }, "Device.version.type is of no code of"},
		{"a device without a status", "ring/s-ring-2", func(r object) { delete(r, "status") }, "Device.status stands 0 times"},
		{"a device of another status", "ring/s-ring-2", func(r object) { r["status"] = "lost" }, "tri-dev-1"},
		{"a property with two values", "ring/s-ring-2", func(r object) { r["property"].(array)[0].(object)["valueCode"] = array{foreign} }, "tri-dev-2"},
		{"a rule of others", contradiction, func(r object) { r["code"] = foreign }, "DetectedIssue.code is of no code of"},
		{"a preliminary issue", contradiction, func(r object) { r["status"] = "preliminary" }, "tri-iss-1"},
		{"an issue without words", contradiction, func(r object) { delete(r, "detail") }, "tri-iss-2"},
		{"an issue of the software", contradiction, func(r object) { r["implicated"].(array)[0].(object)["reference"] = at(r, "author", "reference") }, "DetectedIssue.implicated points to a Device"},
	} {
		t.Run(tt.why, func(t *testing.T) {
			history := fhirtest.Complete()
			if tt.key == contradiction {
				history = fhirtest.Disputed()
			}
			found := resources(t, transaction(t, history))
			for _, r := range found {
				if _, key, _ := strings.Cut(identifier(r), "/"); key == tt.key {
					tt.change(r)
				}
			}
			faults := all.judge(found, map[string]int{})
			if !slices.ContainsFunc(faults, func(f string) bool { return strings.Contains(f, tt.want) }) {
				t.Errorf("want a fault with %q, got\n%s", tt.want, strings.Join(faults, "\n"))
			}
		})
	}
}

// Every extension that is used has a definition of ours or of R4.
func TestExtensionsAreDefined(t *testing.T) {
	all := read(t, terminology(t, nil))
	var visit func(name string, node any)
	visit = func(name string, node any) {
		switch x := node.(type) {
		case array:
			for _, child := range x {
				visit(name, child)
			}
		case object:
			if name == "extension" || name == "modifierExtension" {
				url, _ := x["url"].(string)
				id, ours := strings.CutPrefix(url, fhirmap.Base+"/StructureDefinition/")
				if ours && all.resources["StructureDefinition/"+id] == nil || !ours && !strings.HasPrefix(url, "http://hl7.org/fhir/StructureDefinition/") {
					t.Errorf("the extension %s has no definition", url)
				}
			}
			for key, child := range x {
				visit(key, child)
			}
		}
	}
	for _, example := range fhirtest.Examples() {
		visit("", decode(t, transaction(t, example.History)))
	}
}
