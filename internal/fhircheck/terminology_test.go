package fhircheck

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/fhirmap"
	"trigone/internal/metric"
)

// typeOf decodes a resource that is no bundle and gives its type.
func typeOf(t testing.TB, text []byte) (string, error) {
	t.Helper()
	m, err := decoder(t).Unmarshal(text)
	if err != nil {
		return "", err
	}
	var typ string
	m.ProtoReflect().Range(func(_ protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		typ = string(v.Message().Descriptor().Name())
		return false
	})
	return typ, nil
}

// site is a code of a system that nobody has.
var site = []metric.SiteCode{{
	LocalSystem: "step", LocalCode: "patch", System: "urn:oid:2.16.840.1.113883.3.9999", Code: "R-1", Display: "Patch (invented)",
	Equivalence: "narrower", Verified: "invented",
}}

func TestTerminologyDecodes(t *testing.T) {
	for _, codes := range [][]metric.SiteCode{nil, site} {
		list, err := fhirmap.Terminology(fhirmap.Site{Codes: codes})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			if typ, err := typeOf(t, r.JSON); err != nil || typ != r.Type {
				t.Errorf("%s %s is decoded as %q, %v", r.Type, r.ID, typ, err)
			}
		}
		t.Logf("%d resources", len(list))
	}
}

// Resources as files: the golden ones, and those that trigone terminology wrote
// where .ci/run says.
func TestStoredResourcesDecode(t *testing.T) {
	files, err := filepath.Glob("../../fhirmap/testdata/terminology/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d golden resources, %v", len(files), err)
	}
	folder := os.Getenv("TRIGONE_RESOURCES")
	if folder == "" {
		if os.Getenv("TRIGONE_REQUIRE") != "" {
			t.Fatal("TRIGONE_RESOURCES names no folder of resources; run trigone terminology and give its folder")
		}
		t.Log("ONLY GOLDEN RESOURCES ARE CHECKED: TRIGONE_RESOURCES names no folder that trigone terminology wrote")
	} else {
		written, err := filepath.Glob(filepath.Join(folder, "*-*.json"))
		if err != nil || len(written) == 0 {
			t.Errorf("%s holds %d resources, %v", folder, len(written), err)
		}
		files = append(files, written...)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		want, _, _ := strings.Cut(filepath.Base(file), "-")
		if typ, err := typeOf(t, text); err != nil || typ != want {
			t.Errorf("%s is decoded as %q, %v", file, typ, err)
		}
	}
	t.Logf("%d resources", len(files))
}

// The decoder must refuse what it is there for.
func TestDecoderRefusesTerminology(t *testing.T) {
	list, err := fhirmap.Terminology(fhirmap.Site{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ why, typ, id, old, new string }{
		{"a status outside the binding", fhirmap.TypeCodeSystem, "grade", `"status":"active"`, `"status":"valid"`},
		{"an unknown content", fhirmap.TypeCodeSystem, "grade", `"content":"complete"`, `"content":"whole"`},
		{"a count as text", fhirmap.TypeCodeSystem, "grade", `"count":16`, `"count":"16"`},
		{"an equivalence of R5", fhirmap.TypeConceptMap, "public-codes", `"equivalence":"wider"`, `"equivalence":"source-is-narrower-than-target"`},
		{"an unknown element", fhirmap.TypeValueSet, "step", `"compose":`, `"composition":`},
		{"a profile without its type", fhirmap.TypeStructureDefinition, "panel", `"type":"Observation",`, ``},
		{"a derivation that there is not", fhirmap.TypeStructureDefinition, "panel", `"derivation":"constraint"`, `"derivation":"profile"`},
		{"a search by a type that there is not", fhirmap.TypeSearchParameter, "place", `"type":"token"`, `"type":"code"`},
		{"a parameter without a base", fhirmap.TypeSearchParameter, "place", `"base":["Observation","Procedure"],`, ``},
	} {
		r, ok := fhirmap.FindTerminology(list, tt.typ, tt.id)
		broken := []byte(strings.Replace(string(r.JSON), tt.old, tt.new, 1))
		if !ok || bytes.Equal(broken, r.JSON) {
			t.Errorf("%s: %s is not in the resource", tt.why, tt.old)
		}
		if _, err := typeOf(t, broken); err == nil {
			t.Errorf("%s is accepted", tt.why)
		}
	}
}
