package casefile_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casefile"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// What is written as YAML is read back as the same case.
func TestWrite(t *testing.T) {
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			want, err := testdata.Read(folder, name)
			if err != nil {
				t.Fatal(err)
			}
			same(t, name, want)
		}
	}
	for _, text := range []string{"no", "Off", "12", "1e3", "0x1F", "a: b", "a #b", "# a", "- a", "two\nlines", " blank ", "{a}", "*a", "&a", "!a", `"`, `\`, "é ü", "2026-03-02T10:00", "~", "a:", "<<", "12:30", "\ttab", "null"} {
		same(t, text, &trigonev1.CaseFile{Plan: &trigonev1.Plan{Rationale: text}})
	}
}

func same(t *testing.T, name string, want *trigonev1.CaseFile) {
	t.Helper()
	text := casefile.Write(want)
	got, err := casefile.Read(casefile.Source{Name: "written.yaml"}, []byte(text))
	if err != nil {
		t.Errorf("%q: %v", name, err)
	} else if !proto.Equal(got, want) {
		t.Errorf("%q is read back as another case:\n%s", name, text)
	}
}
