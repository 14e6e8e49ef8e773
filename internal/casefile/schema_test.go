package casefile_test

import (
	"bytes"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"trigone/internal/casefile"
	"trigone/internal/metric"
	"trigone/testdata"
)

// Every invented case passes the schema, as JSON and as YAML, and so does a skeleton
// that is being filled in.
func TestSchemaAcceptsCases(t *testing.T) {
	check := compiled(t)
	valid := func(name string, text []byte) {
		if err := check(text); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			raw, err := testdata.Raw(folder, name)
			if err != nil {
				t.Fatal(err)
			}
			valid(name+".json", raw)
			file, err := testdata.Read(folder, name)
			if err != nil {
				t.Fatal(err)
			}
			valid(name+".yaml", []byte(casefile.Write(file)))
		}
	}
	for _, tier := range casefile.Tiers {
		valid("template "+string(tier), []byte(casefile.Template(tier, "assessment")))
	}
	valid("template", []byte(casefile.Template(metric.Full)))
}

// What the reader refuses of one field alone, the schema refuses too.
func TestSchemaRefuses(t *testing.T) {
	check := compiled(t)
	for reason, text := range map[string]string{
		"a field that is none":           "identity: {age: 61}",
		"a section that is none":         "identities: {}",
		"a word that is none":            "identity: {sex: femal}",
		"the word of another enum":       "identity: {sex: SEX_ECHO_2D}",
		"a number where a quantity is":   "assessments: [{id: a, study: {annulus: {annulus_height: 8}}}]",
		"another unit":                   "assessments: [{id: a, study: {annulus: {annulus_height: {cm: 1}}}}]",
		"a text for a number":            "identity: {height_cm: tall}",
		"beyond the range":               "identity: {age_years: 5000}",
		"half a year":                    "identity: {age_years: 61.5}",
		"a time of day alone":            "plan: {signed_time: '12:30'}",
		"a list that is none":            "plan: {assessment_ids: tte}",
		"an id that is none":             "assessments: [{id: 'a b'}]",
		"a day that is none":             "identity: {height_on: yesterday}",
		"more entries than there may be": "plan: {assessment_ids: [a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a,a]}",
	} {
		if check([]byte(text)) == nil {
			t.Errorf("%s passes the schema: %s", reason, text)
		}
		if _, err := casefile.Read(casefile.Source{Name: "c.yaml"}, []byte(text)); err == nil {
			t.Errorf("%s is read: %s", reason, text)
		}
	}
}

func compiled(t *testing.T) func(text []byte) error {
	t.Helper()
	text, err := casefile.Schema()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("case.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("case.json")
	if err != nil {
		t.Fatal(err)
	}
	return func(text []byte) error {
		asJSON, err := yaml.YAMLToJSON(text)
		if err != nil {
			return err
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
		if err != nil {
			return err
		}
		return s.Validate(v)
	}
}
