package policy

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/internal/metric"
	"trigone/internal/settings"
)

var update = flag.Bool("update", false, "rewrite the printed schema")

// compiled compiles the schema with a library that knows nothing of this project,
// which also checks it against the meta-schema of its draft.
func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := Schema(fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("policy.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("policy.json")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// document reads YAML as the schema's library wants it; ok is false for what an
// editor could not read either.
func document(text string) (doc any, ok bool) {
	var v any
	if err := yaml.Unmarshal([]byte(text), &v); err != nil {
		return nil, false
	}
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, false
	}
	doc, err = jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	return doc, err == nil
}

func TestPrintedSchemaIsTheTables(t *testing.T) {
	text, err := Schema(fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("schema.json", text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	printed, err := os.ReadFile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(printed, text) {
		t.Error("schema.json is not what the tables say; go test ./internal/policy -update rewrites it")
	}
}

func TestSchemaTakesTheBuiltInPolicy(t *testing.T) {
	doc, ok := document(string(builtIn))
	if !ok {
		t.Fatal("the built-in policy is no YAML to the library")
	}
	if err := compiled(t).Validate(doc); err != nil {
		t.Error(err)
	}
}

// What the reader refuses and a schema cannot say, or an editor's YAML reads in
// another way.
var beyondSchema = map[string]string{
	"key given twice":       "a document in memory has each key once",
	"threshold given twice": "as above",
	"not a number":          "JSON has no such number",
	"infinite":              "as above",
	"010, which is 8 or 10 to different readers": "the schema sees a number",
	"another base":                                "as above",
	"a zone nobody knows":                         "the list of zones is the machine's",
	"a zone outside the database":                 "as above",
	"an alias, which would hide what is in force": "resolved before the schema sees it",
	"a second document":                           "a document is checked alone",
	"not YAML":                                    "no document",
	"not UTF-8":                                   "no document",
	"nothing":                                     "no document",
	"comments only":                               "no document",
	"an exponent without a point is a text":       "a number to the library",
	"a label twice":                               "uniqueness by two keys",
	"a number changed after the fit":              "a hash",
	"the technique changed after the fit":         "a hash",
	"signed before its last case":                 "compares two times",
	"fitted to another formula":                   "the formulas are the program's",
	"the same predictions twice":                  "uniqueness by three keys",
	"two kinds in one family":                     "compares entries",
	"a range the wrong way round":                 "compares two numbers",
	"antero-posterior above transverse":           "compares two numbers",
	"an orifice larger than its own rectangle":    "arithmetic",
	"a code of ours that there is not":            "the list is long; trigone terminology writes it",
	"a system of ours":                            "an address like others",
	"a LOINC code typed wrongly":                  "its check digit is arithmetic",
	"a SNOMED CT code typed wrongly":              "as above",
	"a vital sign":                                "a matter of the profile of another standard",
	"a built-in code":                             "compares with the program's tables",
	"a built-in code told otherwise":              "as above",
	"a second equivalent beside a built-in one":   "as above",
	"a public code of another code of ours":       "as above",
	"one code twice":                              "compares entries",
	"a value that nobody measures":                "the list is long; trigone metrics --leaves writes it",
	"a place that there is not":                   "a grammar",
	"a name that the rule does not read":          "an expression",
	"a word that never comes":                     "an expression",
	"no true or false":                            "an expression",
	"a word for a number":                         "an expression",
	"a whole number that is reckoned with":        "an expression",
	"a division":                                  "an expression",
	"a loop":                                      "an expression",
	"a pattern":                                   "an expression",
	"a clock":                                     "an expression",
	"nesting":                                     "an expression",
	"nesting behind signs":                        "an expression",
	"a message of what is not read":               "compares with another key",
	"a message of several lines":                  "told by check-policy",
	"a caution without a source":                  "looks at four keys",
	"a test that says otherwise":                  "judges",
	"a test of what is not read":                  "compares with another key",
	"a test by a word that never comes":           "as above",
	"no test in which it fires":                   "counts entries",
	"an id twice":                                 "compares entries",
	"two equivalents in one system":               "as above",
	"one public code for two of ours":             "as above",
	"rates the wrong way round":                   "compares two numbers",
	"one chart twice":                             "compares entries",
	"odds without a baseline":                     "looks at another key",
	"nobody says how many cases":                  "as above",
	"a baseline that ends first":                  "compares two days",
	"no day":                                      "a calendar",
}

// Reader and schema agree: every fault of the tables of this package is one to the
// schema too, but for those named with the reason.
func TestSchemaRefusesWhatTheReaderRefuses(t *testing.T) {
	schema := compiled(t)
	for _, tt := range slices.Concat(faults(), ringFaults(), codeFaults(), fhirFaults(), siteRuleFaults(), monitoringFaults(), calibrationFaults()) {
		t.Run(tt.why, func(t *testing.T) {
			doc, ok := document(tt.text)
			refused := !ok || schema.Validate(doc) != nil
			if _, excused := beyondSchema[tt.why]; !refused && !excused {
				t.Errorf("the schema takes what the reader refuses:\n%s", tt.text)
			}
		})
	}
}

// Whatever is drawn around the bounds of all tables: reader and schema agree.
func TestSchemaAndReaderAgree(t *testing.T) {
	schema := compiled(t)
	built := settings.BuiltIn("north", "7", "UTC")
	rapid.Check(t, func(t *rapid.T) {
		line := rapid.OneOf(
			rapid.Custom(func(t *rapid.T) string {
				limit := built.Threshold(rapid.SampledFrom(built.ThresholdNames()).Draw(t, "threshold"))
				span := limit.Highest - limit.Lowest
				v := rapid.OneOf(rapid.Float64Range(limit.Lowest-span, limit.Highest+span), rapid.SampledFrom([]float64{limit.Lowest, limit.Highest})).Draw(t, "value")
				return "thresholds: {" + limit.Name + ": " + number(v) + "}\n"
			}),
			rapid.Custom(func(t *rapid.T) string {
				name := rapid.SampledFrom(sortedKeys(built.Tolerances)).Draw(t, "tolerance")
				part := rapid.SampledFrom([]string{keyAbsolute, keyRelativePercent, keyRepeatability}).Draw(t, "part")
				return "tolerances: {" + string(name) + ": {" + part + ": " + number(rapid.Float64Range(-10, 200).Draw(t, "value")) + "}}\n"
			}),
			rapid.Custom(func(t *rapid.T) string {
				leaf := rapid.SampledFrom(metric.Leaves()).Draw(t, "leaf")
				return "input_sds: {" + string(leaf.ID) + ": " + number(rapid.Float64Range(-1, 2*leaf.High).Draw(t, "sd")) + "}\n"
			}),
			rapid.Custom(func(t *rapid.T) string {
				d := rapid.SampledFrom(ringDimensions).Draw(t, "dimension")
				low, high, _ := leafBounds(d.leaf)
				kind := rapid.SampledFrom([]string{completeRing, posteriorBand}).Draw(t, "kind")
				return "ring_table:\n  - {family: f, label: 28, kind: " + kind + ", " + d.key + ": " + number(rapid.Float64Range(low-5, high+5).Draw(t, "value")) + "}\n"
			}),
		).Draw(t, "line")
		_, err := parsed("p.yaml", []byte(head+line))
		doc, ok := document(head + line)
		if !ok {
			t.Fatalf("no document: %s", line)
		}
		if refused := schema.Validate(doc); (err == nil) != (refused == nil) {
			t.Fatalf("%s: reader %v, schema %v", line, err, refused)
		}
	})
}

const ringHead = head + "ring_table:\n"

func ringFaults() []faultRow {
	ring := func(rest string) string { return ringHead + "  - {family: invented, label: 28, " + rest + "}\n" }
	return []faultRow{
		{"the table is no list", head + "ring_table: {a: 1}\n", "bad.yaml:4:1: ring_table holds keys with values where a list is needed"},
		{"an entry is a number", ringHead + "  - 28\n", "bad.yaml:5:5: ring_table[0] holds a number where keys with values are needed"},
		{"no family", ringHead + "  - {label: 28, kind: complete_ring}\n", "bad.yaml:5:6: ring_table[0] has no family"},
		{"no label", ringHead + "  - family: invented\n    kind: complete_ring\n", "bad.yaml:5:5: ring_table[0] has no label"},
		{"no kind", ringHead + "  - {family: invented, label: 28}\n", "bad.yaml:5:6: ring_table[0] has no kind"},
		{"a family of two words", ringHead + "  - {family: two words, label: 28, kind: complete_ring}\n", "bad.yaml:5:14: ring_table[0].family is no key of a family"},
		{"a label in quotes", ringHead + "  - {family: invented, label: \"28\", kind: complete_ring}\n", "bad.yaml:5:31: ring_table[0].label holds a text where a number is needed"},
		{"a label of 0", ringHead + "  - {family: invented, label: 0, kind: complete_ring}\n", "bad.yaml:5:31: ring_table[0].label is 0; give above 0 and at most 100"},
		{"a kind nobody has", ring("kind: ring"), "bad.yaml:5:41: ring_table[0].kind is no kind of a ring; give complete_ring or posterior_band"},
		{"an unknown key", ring("kind: complete_ring, diameter: 28"), "bad.yaml:5:56: ring_table[0].diameter is no key here"},
		{"centimetres for millimetres", ring("kind: complete_ring, inner_antero_posterior_mm: 2.6"), "bad.yaml:5:83: ring_table[0].inner_antero_posterior_mm is 2.6; give 16 to 36 mm"},
		{"an orifice in mm2", ring("kind: complete_ring, orifice_area_cm2: 620"), "ring_table[0].orifice_area_cm2 is 620; give 3 to 13 cm²"},
		{"a band has no inner diameter", ring("kind: posterior_band, inner_transverse_mm: 30"), "ring_table[0].inner_transverse_mm is of a complete_ring only"},
		{"a ring has no band length", ring("kind: complete_ring, band_length_mm: 60"), "ring_table[0].band_length_mm is of a posterior_band only"},
		{"a bare number for a range", ring("kind: complete_ring, intertrigonal_mm: 30"), "ring_table[0].intertrigonal_mm holds a number where keys with values are needed"},
		{"a range the wrong way round", ring("kind: complete_ring, intertrigonal_mm: {low: 30, high: 28}"), "ring_table[0].intertrigonal_mm.low is 30, above the high end of 28"},
		{"an end beyond what a leaf can be", ring("kind: complete_ring, sizer_anterior_height_mm: {low: 200}"), "ring_table[0].sizer_anterior_height_mm.low is 200; give 5 to 45 mm"},
		{"antero-posterior above transverse", ring("kind: complete_ring, inner_antero_posterior_mm: 33, inner_transverse_mm: 26"), "is 33 mm, above the transverse diameter of 26 mm"},
		{"an orifice larger than its own rectangle", ring("kind: complete_ring, inner_antero_posterior_mm: 20, inner_transverse_mm: 26, orifice_area_cm2: 5.3"), "more than the rectangle of both inner diameters, 5.2 cm2"},
		{"a label twice", ring("kind: complete_ring") + "  - {family: invented, label: 28.0, kind: complete_ring}\n", "bad.yaml:6:6: ring_table[1] is label 28 of family invented a second time, first in ring_table[0]"},
		{"two kinds in one family", ring("kind: complete_ring") + "  - {family: invented, label: 30, kind: posterior_band}\n", "bad.yaml:6:6: ring_table[1] is a posterior_band in family invented, which has a complete_ring before it"},
	}
}

func TestFaultsOfTheRingTable(t *testing.T) {
	for _, tt := range ringFaults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

func TestRingTable(t *testing.T) {
	p, err := parsed("north.yaml", []byte(ringHead+`
  - family: invented-ring
    label: 28
    kind: complete_ring
    inner_antero_posterior_mm: 24
    inner_transverse_mm: 31
    orifice_area_cm2: 6
    sizer_anterior_leaflet_area_cm2: {low: 5.5, high: 6.5}
    sizer_anterior_height_mm: {low: 22}
    intertrigonal_mm:
  - {family: invented-ring, label: 30, kind: complete_ring}
  - {family: invented-band, label: 28, kind: posterior_band, band_length_mm: 60}
`))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(p.Settings.Rings); n != 3 {
		t.Fatalf("%d entries", n)
	}
	ring, ok := p.Settings.Ring("invented-ring", 28)
	if !ok {
		t.Fatal("the size is not found")
	}
	value := func(what string, m interface{ Get() (float64, bool) }, want float64) {
		t.Helper()
		if v, have := m.Get(); !have || v != want {
			t.Errorf("%s is %v (%v), want %v", what, v, have, want)
		}
	}
	value("antero-posterior", ring.InnerAnteroPosteriorMM, 24)
	value("transverse", ring.InnerTransverseMM, 31)
	value("orifice", ring.OrificeAreaCM2, 6)
	value("leaflet area, low", ring.SizerAnteriorLeafletAreaCM2Low, 5.5)
	value("leaflet area, high", ring.SizerAnteriorLeafletAreaCM2High, 6.5)
	value("leaflet height, low", ring.SizerAnteriorHeightMMLow, 22)
	if ring.SizerAnteriorHeightMMHigh.IsSome() || ring.IntertrigonalMMLow.IsSome() || ring.BandLengthMM.IsSome() {
		t.Error("what was not given has a value")
	}
	if band, _ := p.Settings.Ring("invented-band", 28); band.Kind != posteriorBand {
		t.Errorf("band %+v", band)
	}
	if built, _ := BuiltIn(); len(built.Settings.Rings) != 0 {
		t.Error("a ring table is built in")
	}
}

func TestChangesTellWhatASiteSets(t *testing.T) {
	if built, err := BuiltIn(); err != nil || len(built.Changes()) != 0 {
		t.Errorf("the built-in policy changes %v, %v", built.Changes(), err)
	}
	p, err := parsed("north.yaml", []byte(head+`
thresholds: {mean_gradient_high: 6}
tolerances: {leaflet_height: {absolute: 3}}
input_sds: {annulus_antero_posterior_diameter: 1.5}
ring_table: [{family: invented, label: 28, kind: complete_ring}]
codes: [`+code("place", "medial-commissure", snomedAddress, "19198003", "wider")+`]
`))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range p.Changes() {
		got = append(got, c.Name+"|"+c.Site+"|"+c.BuiltIn)
	}
	leaf, _ := metric.LeafByID("annulus_antero_posterior_diameter")
	want := []string{
		"thresholds.mean_gradient_high|6 mmHg|5 mmHg",
		"tolerances.leaflet_height|absolute 3, relative 0 %, repeatability 0|absolute 2, relative 0 %, repeatability 0",
		"input_sds.annulus_antero_posterior_diameter|1.5 mm|" + assumedText(leaf),
		"ring_table.invented|label 28, complete ring|none",
		"codes.place.medial-commissure|http://snomed.info/sct 19198003, invented display (wider)|none",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
