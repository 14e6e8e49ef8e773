package fhirmap_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/metric"
)

const (
	loincSystem  = "http://loinc.org"
	snomedSystem = "http://snomed.info/sct"
)

// siteCodes are of a system that nobody has.
func siteCodes() []metric.SiteCode {
	const invented = "urn:oid:2.16.840.1.113883.3.9999"
	return []metric.SiteCode{
		{LocalSystem: "step", LocalCode: "leaflet-resection", System: invented, Code: "R-1", Display: "Resection (invented)", Equivalence: "equivalent", Verified: "invented"},
		{LocalSystem: "metric", LocalCode: "mean-gradient", System: invented, Code: "G-1", Display: "Gradient (invented)", Equivalence: "equivalent", Verified: "invented"},
		{LocalSystem: "place", LocalCode: "p2", System: invented, Code: "P", Display: "Posterior (invented)", Equivalence: "wider", Verified: "invented"},
		{LocalSystem: "metric", LocalCode: "predicted-mean-contact", System: invented, Code: "C-1", Display: "Contact (invented)", Equivalence: "narrower", Verified: "invented"},
	}
}

func terminology(t testing.TB, site []metric.SiteCode) []fhirmap.Resource {
	t.Helper()
	list, err := fhirmap.Terminology(fhirmap.Site{Codes: site})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// terms are the resources of Terminology, read again from their JSON.
type terms struct {
	resources map[string]object // by type/id
	concepts  map[string]object // by system|code
	sets      map[string]object // by URL
	expanded  map[string]map[string]bool
}

func read(t testing.TB, list []fhirmap.Resource) terms {
	t.Helper()
	all := terms{map[string]object{}, map[string]object{}, map[string]object{}, map[string]map[string]bool{}}
	for _, r := range list {
		o := decode(t, r.JSON)
		all.resources[r.Type+"/"+r.ID] = o
		switch r.Type {
		case fhirmap.TypeCodeSystem:
			for _, c := range o["concept"].(array) {
				all.concepts[(fhirmap.Site{}).Canonical(r.Type, r.ID)+"|"+c.(object)["code"].(string)] = c.(object)
			}
		case fhirmap.TypeValueSet:
			all.sets[(fhirmap.Site{}).Canonical(r.Type, r.ID)] = o
		}
	}
	return all
}

var closed = func() map[string]fhirmap.Code {
	table := map[string]fhirmap.Code{}
	for _, c := range fhirmap.StandardCodes() {
		table[c.System+"|"+c.Code] = c
	}
	return table
}()

// Names: HL7 FHIR R4 4.0.1, invariants csd-0, vsd-0, cmd-0, sdf-0, spd-0.
var computableName = regexp.MustCompile(`^[A-Z][A-Za-z0-9_]{0,254}$`)

func TestTerminologyIsInOrder(t *testing.T) {
	for _, site := range [][]metric.SiteCode{nil, siteCodes()} {
		list := terminology(t, site)
		again := terminology(t, site)
		names := map[string]bool{}
		for i, r := range list {
			o := decode(t, r.JSON)
			if o["resourceType"] != r.Type || o["id"] != r.ID || o["url"] != fhirmap.Base+"/"+r.Type+"/"+r.ID || o["url"] != (fhirmap.Site{}).Canonical(r.Type, r.ID) {
				t.Errorf("%s %s holds %v %v %v", r.Type, r.ID, o["resourceType"], o["id"], o["url"])
			}
			if o["status"] != "active" || o["version"] == nil || o["description"] == nil || (o["title"] == nil && r.Type != fhirmap.TypeSearchParameter) {
				t.Errorf("%s %s has status %v, version %v, title %v", r.Type, r.ID, o["status"], o["version"], o["title"])
			}
			name, _ := o["name"].(string)
			if !computableName.MatchString(name) || names[name] {
				t.Errorf("%s %s has the name %q", r.Type, r.ID, name)
			}
			names[name] = true
			if !bytes.Equal(r.JSON, again[i].JSON) {
				t.Errorf("%s %s differs from call to call", r.Type, r.ID)
			}
			if i > 0 && list[i-1].Type+"/"+list[i-1].ID >= r.Type+"/"+r.ID {
				t.Errorf("%s %s is out of order", r.Type, r.ID)
			}
			if !bytes.HasPrefix(r.JSON, []byte(`{"resourceType":`)) || bytes.Contains(r.JSON, []byte(`\u003`)) {
				t.Errorf("%s %s does not begin with its type, or is escaped for a page", r.Type, r.ID)
			}
			found, ok := fhirmap.FindTerminology(list, r.Type, r.ID)
			if !ok || !bytes.Equal(found.JSON, r.JSON) {
				t.Errorf("%s %s is not found", r.Type, r.ID)
			}
			noEmpty(t, r.Type+" "+r.ID, o)
		}
		if _, ok := fhirmap.FindTerminology(list, "CodeSystem", "none"); ok {
			t.Error("what is not there is found")
		}
	}
}

// noEmpty: HL7 FHIR R4 4.0.1, JSON representation: no empty strings, arrays and
// objects, no nulls.
func noEmpty(t *testing.T, path string, node any) {
	t.Helper()
	switch x := node.(type) {
	case nil:
		t.Errorf("%s: null", path)
	case string:
		if strings.TrimSpace(x) == "" {
			t.Errorf("%s: empty string", path)
		}
	case array:
		if len(x) == 0 {
			t.Errorf("%s: empty array", path)
		}
		for i, child := range x {
			noEmpty(t, fmt.Sprintf("%s[%d]", path, i), child)
		}
	case object:
		if len(x) == 0 {
			t.Errorf("%s: empty object", path)
		}
		for key, child := range x {
			noEmpty(t, path+"."+key, child)
		}
	}
}

func TestPublishedCodeSystems(t *testing.T) {
	all := read(t, terminology(t, nil))
	// Words of the contract need a definition; a display that is a sentence does not.
	defined := []string{"metric", "place", "grade", "stage", "method", "rule"}
	for _, id := range fhirmap.SystemIDs() {
		s, ok := all.resources["CodeSystem/"+id]
		if !ok {
			t.Errorf("%s is not published", id)
			continue
		}
		concepts := s["concept"].(array)
		if s["content"] != "complete" || s["caseSensitive"] != true || s["count"] != json.Number(fmt.Sprint(len(concepts))) {
			t.Errorf("%s: content %v, case sensitive %v, count %v of %d", id, s["content"], s["caseSensitive"], s["count"], len(concepts))
		}
		codes := map[string]bool{}
		for _, x := range concepts {
			c := x.(object)
			code, _ := c["code"].(string)
			if codes[code] || code != strings.ToLower(code) || strings.ContainsAny(code, "_ /") {
				t.Errorf("%s: code %q stands twice or is no code of ours", id, code)
			}
			codes[code] = true
			if !fhirmap.IsLocal(id, code) {
				t.Errorf("%s: %s is published and not known", id, code)
			}
			if c["display"] == nil || c["display"] == c["definition"] {
				t.Errorf("%s: %s has the display %v and the definition %v", id, code, c["display"], c["definition"])
			}
			if c["definition"] == nil && slices.Contains(defined, id) {
				t.Errorf("%s: %s has no definition", id, code)
			}
		}
	}
	for _, s := range fhirmap.CodeSystems() {
		for _, c := range s.Concepts {
			if published, ok := all.concepts[s.URL+"|"+c.Code]; !ok || published["display"] != c.Display {
				t.Errorf("%s|%s is published as %v", s.URL, c.Code, published)
			}
		}
	}
	if fhirmap.IsLocal("none", "p2") || fhirmap.IsLocal("place", "p4") {
		t.Error("a code that there is not is known")
	}
}

func TestValueSetsResolve(t *testing.T) {
	for _, site := range [][]metric.SiteCode{nil, siteCodes()} {
		all := read(t, terminology(t, site))
		for url, s := range all.sets {
			if n := len(all.expand(url)); n == 0 {
				t.Errorf("%s is empty", url)
			}
			for _, x := range at(s, "compose", "include").(array) {
				include := x.(object)
				// vsd-1, vsd-2.
				if include["system"] == nil && include["valueSet"] == nil {
					t.Errorf("%s includes neither a system nor a set", url)
				}
				system, _ := include["system"].(string)
				if _, ours := all.resources["CodeSystem/"+system[strings.LastIndexByte(system, '/')+1:]]; strings.HasPrefix(system, fhirmap.Base) && !ours {
					t.Errorf("%s includes %s, which is not published", url, system)
				}
				concepts, listed := include["concept"].(array)
				if system != "" && !strings.HasPrefix(system, fhirmap.Base) && !listed {
					t.Errorf("%s includes all of %s", url, system)
				}
				for _, c := range concepts {
					code := c.(object)["code"].(string)
					row, ok := closed[system+"|"+code]
					if !ok && !slices.ContainsFunc(site, func(s metric.SiteCode) bool {
						return s.System == system && s.Code == code && s.Equivalence == "equivalent"
					}) {
						t.Errorf("%s holds %s|%s, which is in no table", url, system, code)
					}
					if ok && c.(object)["display"] != row.Display {
						t.Errorf("%s: display %v of %s", url, c.(object)["display"], code)
					}
				}
				sets, _ := include["valueSet"].(array)
				for _, other := range sets {
					if all.sets[other.(string)] == nil {
						t.Errorf("%s includes %v, which is not published", url, other)
					}
				}
			}
		}
	}
}

// expand gives the codes of a value set as system|code.
func (all terms) expand(url string) map[string]bool {
	if codes, done := all.expanded[url]; done {
		return codes
	}
	codes := map[string]bool{}
	all.expanded[url] = codes
	includes, _ := at(all.sets[url], "compose", "include").(array)
	for _, x := range includes {
		include := x.(object)
		system, _ := include["system"].(string)
		concepts, listed := include["concept"].(array)
		for _, c := range concepts {
			codes[system+"|"+c.(object)["code"].(string)] = true
		}
		if system != "" && !listed {
			for key := range all.concepts {
				if strings.HasPrefix(key, system+"|") {
					codes[key] = true
				}
			}
		}
		sets, _ := include["valueSet"].(array)
		for _, other := range sets {
			for key := range all.expand(other.(string)) {
				codes[key] = true
			}
		}
	}
	return codes
}

// mapped reads the ConceptMap: what it says of a code of ours.
func (all terms) mapped(t *testing.T) map[string][]object {
	t.Helper()
	said := map[string][]object{}
	for _, g := range all.resources["ConceptMap/public-codes"]["group"].(array) {
		group := g.(object)
		for _, e := range group["element"].(array) {
			element := e.(object)
			key := group["source"].(string) + "|" + element["code"].(string)
			if c, ok := all.concepts[key]; !ok || c["display"] != element["display"] {
				t.Errorf("the map speaks of %s, which is not published so", key)
			}
			for _, x := range element["target"].(array) {
				target := x.(object)
				target["system"] = group["target"]
				said[key] = append(said[key], target)
			}
		}
	}
	return said
}

func TestConceptMap(t *testing.T) {
	for _, site := range [][]metric.SiteCode{nil, siteCodes()} {
		all := read(t, terminology(t, site))
		said := all.mapped(t)
		equivalentOf := map[string]string{}
		count := map[any]int{}
		for key := range all.concepts {
			targets := said[key]
			if len(targets) == 0 {
				t.Errorf("the map is silent about %s", key)
			}
			for _, target := range targets {
				count[target["equivalence"]]++
				public := fmt.Sprintf("%v|%v", target["system"], target["code"])
				switch target["equivalence"] {
				case "unmatched":
					if len(targets) > 1 || target["code"] != nil || target["system"] != nil || target["comment"] == nil {
						t.Errorf("%s is unmatched and has %v", key, targets)
					}
					continue
				case "equivalent":
					if other, twice := equivalentOf[public]; twice {
						t.Errorf("%s means the same as %s and as %s", public, key, other)
					}
					equivalentOf[public] = key
					if strings.Contains(key, "|predicted-") {
						t.Errorf("%s shares %s with a measurement", key, public)
					}
				case "narrower":
					// cmd-1 of HL7 FHIR R4 4.0.1.
					if target["comment"] == nil {
						t.Errorf("%s: a narrower code without a comment", key)
					}
				case "wider":
				default:
					t.Errorf("%s has the equivalence %v", key, target["equivalence"])
				}
				row, ok := closed[public]
				if !ok && !slices.ContainsFunc(site, func(s metric.SiteCode) bool { return s.System+"|"+s.Code == public }) {
					t.Errorf("%s is mapped to %s, which is in no table", key, public)
				}
				if ok && target["display"] != row.Display {
					t.Errorf("%s: display %v of %s", key, target["display"], public)
				}
			}
		}
		t.Logf("equivalent %d, narrower %d, wider %d, unmatched %d", count["equivalent"], count["narrower"], count["wider"], count["unmatched"])
	}
}

// What is sent beside a code of ours is what the map says: the same meaning, or the
// same at such values, or the word of a grade.
func TestWhatIsSentIsMapped(t *testing.T) {
	all := read(t, terminology(t, nil))
	said := all.mapped(t)
	pairs := 0
	for _, example := range fhirtest.Examples() {
		concepts(decode(t, transaction(t, example.History)), func(codings array) {
			own := codings[len(codings)-1].(object)
			for _, c := range codings[:len(codings)-1] {
				public := c.(object)
				pairs++
				i := slices.IndexFunc(said[fmt.Sprintf("%v|%v", own["system"], own["code"])], func(target object) bool {
					return target["system"] == public["system"] && target["code"] == public["code"]
				})
				if i < 0 {
					t.Errorf("%s: %v is sent beside %v and not mapped", example.Name, public, own)
					continue
				}
				target := said[fmt.Sprintf("%v|%v", own["system"], own["code"])][i]
				comment, _ := target["comment"].(string)
				if target["equivalence"] != "equivalent" && !strings.Contains(strings.ToLower(comment), "sent") {
					t.Errorf("%s: %v is sent beside %v, and the map says %v, %s", example.Name, public, own, target["equivalence"], comment)
				}
			}
		})
	}
	if pairs < 20 {
		t.Errorf("only %d pairs were found", pairs)
	}
}

// concepts visits the codings of every concept.
func concepts(node any, visit func(codings array)) {
	switch x := node.(type) {
	case array:
		for _, child := range x {
			concepts(child, visit)
		}
	case object:
		if codings, ok := x["coding"].(array); ok && len(codings) > 0 {
			visit(codings)
		}
		for key, child := range x {
			if key != "coding" {
				concepts(child, visit)
			}
		}
	}
}

// Every code of every stored bundle is published or in the closed table, but for
// the keys of a site's ring families, which are the site's.
func TestCodesOfStoredBundlesArePublished(t *testing.T) {
	all := read(t, terminology(t, nil))
	files, err := filepath.Glob("testdata/*.json")
	if err != nil || len(files) < len(fhirtest.Examples()) {
		t.Fatalf("%d bundles, %v", len(files), err)
	}
	seen := 0
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		concepts(decode(t, text), func(codings array) {
			for _, x := range codings {
				c := x.(object)
				seen++
				key := fmt.Sprintf("%v|%v", c["system"], c["code"])
				_, public := closed[key]
				if all.concepts[key] == nil && !public && !strings.Contains(c["system"].(string), "/sites/") {
					t.Errorf("%s: %s is not published", file, key)
				}
			}
		})
	}
	if seen < 300 {
		t.Errorf("only %d codes were found", seen)
	}
}

const codesGolden = "testdata/codes.golden"

// Receivers store our codes: one that was published once is there for ever. The
// list may only grow; -update adds what is new and removes nothing.
func TestCodesAreNeverRemoved(t *testing.T) {
	var now []string
	for key := range read(t, terminology(t, nil)).concepts {
		now = append(now, strings.Replace(strings.TrimPrefix(key, fhirmap.Base+"/CodeSystem/"), "|", " ", 1))
	}
	slices.Sort(now)
	text, err := os.ReadFile(codesGolden)
	if err != nil && !*update {
		t.Fatal(err)
	}
	before := strings.Fields(strings.ReplaceAll(string(text), " ", "|"))
	for i, line := range before {
		before[i] = strings.Replace(line, "|", " ", 1)
	}
	for _, line := range before {
		if _, still := slices.BinarySearch(now, line); !still {
			t.Errorf("%q was published and is there no more; a code is never removed or renamed, make a new one beside it", line)
		}
	}
	if t.Failed() {
		return
	}
	if *update {
		if err := os.WriteFile(codesGolden, []byte(strings.Join(now, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	for _, line := range now {
		if !slices.Contains(before, line) {
			t.Errorf("%q is new; the list in %s may only grow, run the tests with -update", line, codesGolden)
		}
	}
}

// One golden file for each kind. That of the ConceptMap leaves out what is unmatched:
// it is every other code of codes.golden.
func TestGoldenTerminology(t *testing.T) {
	list := terminology(t, siteCodes())
	for _, name := range []string{
		"CodeSystem/grade", "ConceptMap/public-codes", "SearchParameter/place", "StructureDefinition/metric-value", "StructureDefinition/operation-step", "ValueSet/step",
	} {
		typ, id, _ := strings.Cut(name, "/")
		r, ok := fhirmap.FindTerminology(list, typ, id)
		if !ok {
			t.Errorf("there is no %s", name)
			continue
		}
		text := r.JSON
		if typ == fhirmap.TypeConceptMap {
			o := decode(t, text)
			o["group"] = slices.DeleteFunc(o["group"].(array), func(g any) bool { return at(g, "target") == nil })
			delete(o, "version") // counts what is unmatched, too
			var err error
			if text, err = json.Marshal(o); err != nil {
				t.Fatal(err)
			}
		}
		var indented bytes.Buffer
		if err := json.Indent(&indented, text, "", "  "); err != nil {
			t.Fatal(err)
		}
		indented.WriteByte('\n')
		file := filepath.Join("testdata", "terminology", typ+"-"+id+".json")
		if *update {
			if err := os.WriteFile(file, indented.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(indented.Bytes(), want) {
			t.Errorf("%s differs; look at the difference and run the tests with -update", file)
		}
	}
}

// Codes of a site.

func TestSiteCodesAreSentBeforeOurs(t *testing.T) {
	plain := fhirtest.Complete()
	with := plain
	with.Codes = siteCodes()
	before, after := transaction(t, plain), transaction(t, with)
	for _, fault := range fhirtest.Check(after, with.Codes...) {
		t.Error(fault)
	}
	if len(fhirtest.Check(after)) == 0 {
		t.Error("the check does not see a code that is in no table")
	}
	for _, tt := range []struct {
		why, key string
		path     []any
		want     []string
	}{
		{"public first where the step had none", "step/s-resection", []any{"code"}, []string{"R-1", "leaflet-resection"}},
		{"after a built-in one of another system", "value|mean_gradient|result/exit|measured|doppler", []any{"code"}, []string{"80073-0", "G-1", "mean-gradient"}},
		{"a wider one is not sent", "step/s-resection", []any{"bodySite", 0}, []string{"p2"}},
		{"nor a narrower one", "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"code"}, []string{"predicted-mean-contact"}},
	} {
		t.Run(tt.why, func(t *testing.T) {
			var got []string
			codings, _ := at(at(byKey(t, after, tt.key), tt.path...), "coding").(array)
			for _, c := range codings {
				got = append(got, c.(object)["code"].(string))
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("%v has the codes %v, want %v", tt.path, got, tt.want)
			}
		})
	}
	a, b := resources(t, before), resources(t, after)
	if len(a) != len(b) {
		t.Errorf("%d resources without, %d with codes of the site", len(a), len(b))
	}
	for url := range a {
		if b[url] == nil {
			t.Errorf("%s has another id with codes of the site", url)
		}
	}
	if !bytes.Equal(before, transaction(t, plain)) {
		t.Error("codes of one site stay for the next bundle")
	}
}

// What was withdrawn keeps its codes, the site's too.
func TestWithdrawnResourcesKeepSiteCodes(t *testing.T) {
	for _, example := range fhirtest.Examples() {
		if example.Name != "retracted" {
			continue
		}
		h := example.History
		h.Codes = siteCodes()
		bundle := transaction(t, h)
		found := 0
		concepts(decode(t, bundle), func(codings array) {
			if len(codings) > 1 && at(codings[0], "code") == "R-1" {
				found++
			}
		})
		if found == 0 {
			t.Error("no withdrawn step has the site's code")
		}
		return
	}
	t.Error("there is no retracted example")
}

func TestTerminologyRefusesWrongSiteCodes(t *testing.T) {
	wrong := siteCodes()
	wrong[1].LocalCode = "mean-gradients"
	if _, err := fhirmap.Terminology(fhirmap.Site{Codes: wrong}); err == nil || !strings.Contains(err.Error(), "code 2 of the site: local_code is no code of metric") {
		t.Errorf("%v", err)
	}
}

// Check digits: every LOINC and SNOMED CT code of the closed table has the right one
// (the tables were copied from renderings of DICOM PS3.16, so that they are
// evidence for the two procedures as well), and no digit can be changed, nor two
// neighbours exchanged in a SNOMED CT code, without its being seen.
func TestCheckDigits(t *testing.T) {
	faulty := func(system, code string) bool {
		c := metric.SiteCode{LocalSystem: "step", LocalCode: "patch", System: system, Code: code, Display: "x", Equivalence: "wider", Verified: "x"}
		return len(fhirmap.SiteCodeFaults([]metric.SiteCode{c})) > 0
	}
	var codes []fhirmap.Code
	for _, c := range fhirmap.StandardCodes() {
		if c.System == loincSystem || c.System == snomedSystem {
			codes = append(codes, c)
			if faulty(c.System, c.Code) {
				t.Errorf("%s %s has a wrong check digit", c.System, c.Code)
			}
		}
	}
	if len(codes) < 40 {
		t.Fatalf("only %d codes", len(codes))
	}
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(codes).Draw(t, "code")
		text := []byte(c.Code)
		i := rapid.IntRange(0, len(text)-1).Draw(t, "digit")
		digit := byte('0' + rapid.IntRange(0, 9).Draw(t, "to"))
		if text[i] == '-' || text[i] == digit || (i == 0 && digit == '0') {
			return
		}
		text[i] = digit
		if !faulty(c.System, string(text)) {
			t.Fatalf("%s for %s is not seen", text, c.Code)
		}
	})
	for _, c := range codes {
		for i := range len(c.Code) - 1 {
			text := []byte(c.Code)
			text[i], text[i+1] = text[i+1], text[i]
			if c.System == snomedSystem && string(text) != c.Code && !faulty(c.System, string(text)) {
				t.Errorf("%s for %s is not seen", text, c.Code)
			}
		}
	}
}

// The search parameter's expression is a union of paths; each finds places.
func TestPlaceParameterFindsPlaces(t *testing.T) {
	all := read(t, terminology(t, nil))
	p := all.resources["SearchParameter/place"]
	places := all.expand(fhirmap.Base + "/ValueSet/body-site")
	bundle := resources(t, transaction(t, fhirtest.Complete()))
	for _, path := range strings.Split(p["expression"].(string), " | ") {
		parts := strings.Split(path, ".")
		if !slices.Contains(p["base"].(array), any(parts[0])) {
			t.Errorf("%s is of no base type", path)
		}
		found := 0
		for _, r := range bundle {
			if r["resourceType"] != parts[0] {
				continue
			}
			for _, node := range walkPath(r, parts[1:]) {
				concepts(node, func(codings array) {
					for _, c := range codings {
						if places[fmt.Sprintf("%v|%v", at(c, "system"), at(c, "code"))] {
							found++
						}
					}
				})
			}
		}
		if found == 0 {
			t.Errorf("%s finds no place", path)
		}
	}
}

// walkPath gives the nodes at a path, through lists.
func walkPath(node any, path []string) []any {
	if list, ok := node.(array); ok {
		var found []any
		for _, x := range list {
			found = append(found, walkPath(x, path)...)
		}
		return found
	}
	if node == nil {
		return nil
	}
	if len(path) == 0 {
		return []any{node}
	}
	o, _ := node.(object)
	return walkPath(o[path[0]], path[1:])
}
