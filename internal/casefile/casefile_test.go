package casefile_test

import (
	"errors"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the tests must be known on a machine without zone files

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"trigone/internal/casefile"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// What is written by hand is read, or refused where it stands.
func TestRead(t *testing.T) {
	london := zone(t, "Europe/London")
	study := "assessments:\n- id: tte\n  study:\n    "
	tests := []struct {
		reason, text string
		zone         *time.Location
		want         string // what is read, as text; or
		faults       []string
	}{
		{"words without their prefix", "identity: {sex: female}", london, `identity:{sex:SEX_FEMALE}`, nil},
		{"words with it, and in capitals", "identity: {sex: SEX_MALE}\nplan: {context: Clinic}", london, `identity:{sex:SEX_MALE} plan:{context:PLAN_CONTEXT_CLINIC}`, nil},
		{"yes and no are words here, not true and false", "plan: {setting: {previous_cardiac_surgery: yes}}", london, `plan:{setting:{previous_cardiac_surgery:ANSWER_YES}}`, nil},
		{"no as a word", "plan: {setting: {previous_cardiac_surgery: no}}", london, `plan:{setting:{previous_cardiac_surgery:ANSWER_NO}}`, nil},
		{"true is none of the words", "plan: {setting: {previous_cardiac_surgery: true}}", london, "", []string{"1:44: plan.setting.previous_cardiac_surgery needs one of its words: yes or no"}},
		{"names as JSON has them", "identity: {ageYears: 61}", london, `identity:{age_years:61}`, nil},
		{"comments", "# all\nidentity: # who\n  # age\n  age_years: 61 # years", london, `identity:{age_years:61}`, nil},
		{"an unquoted day is a text", "identity: {height_on: 2026-03-02}", london, `identity:{height_on:"2026-03-02"}`, nil},
		{"an identifier keeps its zeros", "patient_identifier: {system: s, value: 0012}", london, `patient_identifier:{system:"s" value:"0012"}`, nil},
		{"12:30 is no sexagesimal number", "patient_identifier: {system: s, value: 12:30}", london, `patient_identifier:{system:"s" value:"12:30"}`, nil},
		{"a text that looks like true", "patient_identifier: {system: s, value: true}", london, `patient_identifier:{system:"s" value:"true"}`, nil},
		{"a text of lines", "plan:\n  rationale: |\n    one\n    two\n", london, `plan:{rationale:"one\ntwo\n"}`, nil},
		{"keys with nothing behind them are left out", "identity: {age_years: 61}\nplan:\n  steps:\n  - id:\n    technique:\n      annuloplasty:\n", london, `identity:{age_years:61}`, nil},
		{"what is empty on purpose is there", "identity: {age_years: 61}\nplan: {}", london, `identity:{age_years:61} plan:{}`, nil},
		{"winter: Greenwich", "plan: {signed_time: 2026-03-02T15:10}", london, `plan:{signed_time:{seconds:1772464200}}`, nil},
		{"summer: one hour before it", "plan: {signed_time: 2026-07-02 15:10}", london, `plan:{signed_time:{seconds:1783001400}}`, nil},
		{"its own zone goes before the site's", "plan: {signed_time: 2026-07-02T15:10:00+02:00}", london, `plan:{signed_time:{seconds:1782997800}}`, nil},
		{"the hour that there is twice", "plan: {signed_time: 2026-10-25T01:30}", london, "", []string{"1:21: plan.signed_time is there twice", "2026-10-25T01:30:00+01:00 for the first", "2026-10-25T01:30:00+00:00 for the second"}},
		{"the hour that there is not", "plan: {signed_time: 2026-03-29T01:30}", london, "", []string{"1:21: plan.signed_time is not there on that day in Europe/London"}},
		{"no zone anywhere", "plan: {signed_time: 2026-03-02T15:10}", nil, "", []string{"1:21: plan.signed_time has no zone", "2026-03-02T15:10+01:00"}},
		{"a time of day alone", "plan: {signed_time: 12:30}", london, "", []string{"1:21: plan.signed_time needs a time: write 2026-03-02T15:10"}},

		{"a number where a quantity is meant", study + "annulus: {annulus_height: 8}", london, "", []string{"4:31: assessments[0].study.annulus.annulus_height", "write mm: 8"}},
		{"with its unit behind it", study + "annulus: {annulus_height: 8.5 mm}", london, "", []string{"write mm: 8.5"}},
		{"with a comma", study + "annulus: {annulus_height: '8,5'}", london, "", []string{"write mm: 8.5"}},
		{"another unit", study + "annulus: {annulus_height: {cm: 1}}", london, "", []string{"4:32: cm is no field of assessments[0].study.annulus.annulus_height", "mm"}},
		{"a comma inside a quantity", study + "annulus:\n      annulus_height:\n        mm: 8,5\n", london, "", []string{"6:13:", "with a point: write 8.5"}},
		{"a unit behind a number that has its own", "identity: {height_cm: 172 cm}", london, "", []string{"write 172"}},
		{"half a year", "identity: {age_years: 61.5}", london, "", []string{"1:23: identity.age_years needs a whole number"}},
		{"octal", "identity: {age_years: 061}", london, "", []string{"identity.age_years needs a number"}},
		{"an unknown word of few", "identity: {sex: femal}", london, "", []string{"1:17: identity.sex needs one of its words: female, male or other"}},
		{"an unknown word of many", "plan: {setting: {risk_factors: {present: [diabetis]}}}", london, "", []string{"1:43: plan.setting.risk_factors.present[0] needs one of its 17 words; the nearest are diabetes", "trigone explain plan.setting.risk_factors.present"}},
		{"a key that is none", "on: yes\nidentity: {age_years: 61}", london, "", []string{"1:1: on is no field of a case file"}},
		{"a slip in a key", "identity: {heigth_cm: 172}", london, "", []string{"1:12: heigth_cm is no field of identity; its fields are height_cm"}},
		{"a field that stands elsewhere", "height_cm: 172", london, "", []string{"1:1: height_cm is no field of a case file; it stands in identity"}},
		{"a list that is none", "plan: {assessment_ids: tte}", london, "", []string{"plan.assessment_ids holds a text where a list is needed"}},
		{"two techniques of one step", "plan: {steps: [{id: a, technique: {annuloplasty: {}, plication: {}}}]}", london, "", []string{"plan.steps[0].technique.plication stands beside annuloplasty"}},
		{"a tab for blanks", "identity:\n\tage_years: 61", london, "", []string{"2:1: the text is no YAML"}},
		{"twice, and what else is wrong is told too", "identity: {sex: x}\nidentity: {sex: male}", london, "", []string{"1:17: identity.sex", "2:1: identity is given a second time, first in line 1"}},
		{"an anchor", "identity: &a {sex: male}\nplan: {signer: *a}", london, "", []string{"1:11: identity holds an anchor, an alias"}},
		{"a merged key", "identity:\n  <<: {sex: male}", london, "", []string{"2:3:", "an anchor, an alias, a tag or a merged key"}},
		{"two documents", "identity: {sex: male}\n---\nidentity: {sex: male}", london, "", []string{"a second document begins here"}},
		{"nothing but comments", "# identity:\n", london, "", []string{"the text holds nothing"}},
		{"what the contract's own ranges refuse", "identity:\n  sex: male\n  age_years: 5000\n", london, "", []string{"3:14: identity.age_years: is 5000; the contract takes 0 to 1300"}},
		{"what fields say together", study + "annulus: {annulus_height: {mm: 8, absent_reason: not_possible}}", london, "", []string{"4:15: assessments[0].study.annulus.annulus_height: has a value and a reason"}},
		{"what is missing is told at what misses it", "assessments:\n- study: {}\n", london, "", []string{"2:3: assessments[0].id: is missing"}},
		{"an entry left out does not move the others", "assessments:\n-\n- id: tte\n- id: tte\n", london, "", []string{"4:7: assessments[1].id: is given for the second time"}},
		{"32 levels", strings.Repeat("[", 40) + strings.Repeat("]", 40), london, "", []string{"1:33: more than 32 lists stand in each other"}},
		{"32 levels of lines", levels(40), london, "", []string{"33:33: more than 32 levels of lines"}},
		{"more than 1 MiB", "identity: {sex: male}\n#" + strings.Repeat("x", casefile.MostBytes), london, "", []string{"more than 1048576 bytes"}},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			file, err := casefile.Read(casefile.Source{Name: "case.yaml", Zone: tt.zone}, []byte(tt.text))
			for _, want := range tt.faults {
				if err == nil || !strings.Contains(err.Error(), want) {
					t.Errorf("%v\ndoes not say %q", err, want)
				}
			}
			if len(tt.faults) > 0 {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			want := &trigonev1.CaseFile{}
			if err := prototext.Unmarshal([]byte(tt.want), want); err != nil {
				t.Fatal(err)
			}
			if !proto.Equal(file, want) {
				t.Errorf("read as\n%v\nwant\n%v", file, want)
			}
		})
	}
}

func levels(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

// JSON is what it was, with a place for every fault.
func TestReadJSON(t *testing.T) {
	for _, name := range testdata.Names(testdata.Cases) {
		raw, err := testdata.Raw(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		want, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, called := range []string{"case.json", "standard input", "case.yaml"} { // JSON is YAML
			got, err := casefile.Read(casefile.Source{Name: called}, raw)
			if err != nil {
				t.Errorf("%s as %s: %v", name, called, err)
			} else if !proto.Equal(got, want) {
				t.Errorf("%s is read as another case as %s", name, called)
			}
		}
	}
	tests := []struct{ reason, text, want string }{
		{"the text ends early", "{\n \"plan\": {", "c.json:2:10: the text is no JSON"},
		{"a range of the contract", "{\"identity\": {\n  \"ageYears\": 5000}}", "c.json:2:15: identity.age_years: is 5000"},
		{"a field that is none", `{"plann": {}}`, "c.json:1:2: plann is no field of a case file"},
		{"a word that is none", `{"identity": {"sex": "SEX_FEMAL"}}`, "c.json:1:22: identity.sex needs one of its words"},
	}
	for _, tt := range tests {
		_, err := casefile.Read(casefile.Source{Name: "c.json"}, []byte(tt.text))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v does not say %q", tt.reason, err, tt.want)
		}
	}
}

// Whatever is wrong, and whatever stands beside it: no text is repeated, nor a number
// that is too long for a measured value. A number out of its range is.
func TestFaultsRepeatNoIdentifier(t *testing.T) {
	const secret = "XQ7731904"
	for _, text := range []string{
		"patient_identifier: " + secret, "patient_identifier: [" + secret + "]", "identity: {sex: " + secret + "}", "identity: {age_years: " + secret + "}",
		"plan: {signed_time: " + secret + "}", "plan: {steps: " + secret + "}", secret + ": 1", "plan: {signer: '" + secret + " a'}",
		"assessments: [{id: a, study: {annulus: {annulus_height: 77319045}}}]", "assessments: [{id: a, study: {annulus: {annulus_height: " + secret + "}}}]",
		"patient_identifier: {system: s, value: *" + secret + "}", "patient_identifier: {system: s, value: \"" + secret, "plan: {reference_segment: " + secret + "}",
		`{"patientIdentifier": {"value": 7731904, "system": 3}, "x": 1`, `{"patientIdentifier": "` + secret + `"}`,
	} {
		for _, name := range []string{"c.yaml", "c.json", "-"} {
			_, err := casefile.Read(casefile.Source{Name: name}, []byte(text))
			switch {
			case err == nil:
				t.Errorf("nothing is wrong with %s", text)
			case strings.Contains(err.Error(), "7731904"):
				t.Errorf("%s: %v", text, err)
			}
		}
	}
}

func TestNothingYet(t *testing.T) {
	for _, text := range []string{"plan:\n", "plan:\n  steps:\n  - id:\n", "identity: # who\n"} {
		if _, err := casefile.Read(casefile.Source{Name: "c.yaml"}, []byte(text)); !errors.Is(err, casefile.ErrNothingYet) {
			t.Errorf("%q: %v", text, err)
		}
	}
}
