package fhircheck

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	bundlepb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

func decoder(t testing.TB) *jsonformat.Unmarshaller {
	t.Helper()
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// decode gives the number of entries.
func decode(u *jsonformat.Unmarshaller, bundle []byte) (int, error) {
	m, err := u.Unmarshal(bundle)
	if err != nil {
		return 0, err
	}
	return len(m.(*bundlepb.ContainedResource).GetBundle().GetEntry()), nil
}

// demoBundles gives the bundles that a run of the demo wrote; .ci/run makes one
// and names its folder.
func demoBundles(t *testing.T) []string {
	t.Helper()
	folder := os.Getenv("TRIGONE_BUNDLES")
	if folder == "" {
		if os.Getenv("TRIGONE_REQUIRE") != "" {
			t.Fatal("TRIGONE_BUNDLES names no folder of bundles; run trigone demo and give its bundles folder")
		}
		t.Log("ONLY GOLDEN BUNDLES ARE CHECKED: TRIGONE_BUNDLES names no folder of bundles that trigone demo wrote")
		return nil
	}
	files, err := filepath.Glob(filepath.Join(folder, "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Errorf("%s holds no bundle", folder)
	}
	return files
}

func TestStoredBundlesDecode(t *testing.T) {
	u := decoder(t)
	golden, err := filepath.Glob("../../fhirmap/testdata/*.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(golden) < len(fhirtest.Examples()) {
		t.Errorf("%d golden bundles, want at least %d", len(golden), len(fhirtest.Examples()))
	}
	cases := demoBundles(t)
	resources := 0
	for _, file := range append(golden, cases...) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		n, err := decode(u, text)
		if err != nil {
			t.Errorf("%s: %v", file, err)
		}
		if n == 0 {
			t.Errorf("%s holds no entry", file)
		}
		resources += n
		for _, fault := range fhirtest.Check(text) {
			t.Errorf("%s: %s", file, fault)
		}
	}
	t.Logf("%d golden bundles, %d bundles of cases, %d resources", len(golden), len(cases), resources)
}

func TestRandomBundlesDecode(t *testing.T) {
	u := decoder(t)
	bundles, resources := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		b, err := fhirmap.Transaction(fhirtest.Draw(t))
		if err != nil {
			t.Fatal(err)
		}
		n, err := decode(u, b)
		if err != nil {
			t.Fatal(err)
		}
		bundles++
		resources += n
	})
	t.Logf("%d bundles, %d resources", bundles, resources)
}

// The other forms are decoded too, each on random histories.
func TestRandomFormsDecode(t *testing.T) {
	u := decoder(t)
	d, err := fhirmap.NewDeIdentifier(bytes.Repeat([]byte{1}, fhirmap.MinKeyBytes))
	if err != nil {
		t.Fatal(err)
	}
	forms := map[string]func(fhirmap.History) ([]byte, error){
		"collection": fhirmap.Collection, "conditional transaction": fhirmap.ConditionalTransaction, "de-identified": d.Collection,
	}
	for name, form := range forms {
		t.Run(name, func(t *testing.T) {
			resources := 0
			rapid.Check(t, func(t *rapid.T) {
				b, err := form(fhirtest.Draw(t))
				if err != nil {
					t.Fatal(err)
				}
				n, err := decode(u, b)
				if err != nil {
					t.Fatal(err)
				}
				resources += n
			})
			if resources == 0 {
				t.Error("no resource was decoded")
			}
			t.Logf("%d resources", resources)
		})
	}
}

// The decoder must refuse what it is there for, or its silence says nothing.
func TestDecoderRefuses(t *testing.T) {
	u := decoder(t)
	good, err := fhirmap.Transaction(fhirtest.Complete())
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ name, old, new string }{
		{"a status outside the binding", `"status":"completed"`, `"status":"done"`},
		{"an unknown element", `"status":"final"`, `"status":"final","statuz":"x"`},
		{"a number as text", `"value":3.2`, `"value":"3.2"`},
		{"a time without a zone", `"2026-03-03T12:40:00Z"`, `"2026-03-03T12:40:00"`},
		{"a date that does not exist", `"effectiveDateTime":"2027-03-01"`, `"effectiveDateTime":"2027-13-01"`},
		{"two values", `"valueInteger":1`, `"valueInteger":1,"valueBoolean":true`},
		{"a method that is no verb", `"method":"PUT"`, `"method":"UPSERT"`},
	}
	for _, tt := range tests {
		broken := []byte(strings.Replace(string(good), tt.old, tt.new, 1))
		if bytes.Equal(broken, good) || !json.Valid(broken) {
			t.Errorf("%s: %s is not in the bundle", tt.name, tt.old)
		}
		if _, err := decode(u, broken); err == nil {
			t.Errorf("%s is accepted", tt.name)
		}
	}
}
