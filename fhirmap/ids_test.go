package fhirmap

import (
	"fmt"
	"strings"
	"testing"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"pgregory.net/rapid"
)

// The ids were computed outside this program, from the layout in ids.go, by
// Python's hashlib. A change of one is a new mapping: every receiver keeps what it
// was sent under the former id.
func TestResourceIDs(t *testing.T) {
	const uid = "3b0f6a52-77c1-4d0e-9a44-6f1d2c8e5b90"
	for _, row := range []struct {
		why, uid, typ, key, want string
		prefix                   int64
	}{
		{"a usual id", uid, "Procedure", "operation", "455aaf52-bb17-8715-82de-c9d0c6eba3d4", 76255790807831},
		{"another type has other free bits and the same case", uid, "Observation", "operation", "455aaf52-bb17-8722-a458-d15a80f7e676", 76255790807831},
		{"a key beyond ASCII", "u", "Goal", "plan/1/target/é|t", "ba278dc4-6e0c-8545-ae22-335efe539cfc", 204679044951564},
		{"nothing given is still one id", "", "Device", "", "04b6c3ec-2c30-81db-843d-06cdf111d60e", 5183017593904},
	} {
		if got := resourceID(row.uid, row.typ, row.key); got != row.want {
			t.Errorf("%s: %s, want %s", row.why, got, row.want)
		}
		if got := CasePrefix(row.uid); got != row.prefix {
			t.Errorf("%s: the case is %d, want %d", row.why, got, row.prefix)
		}
	}
}

func TestAnIDKnowsItsCase(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		uid, key := rapid.String().Draw(t, "uid"), rapid.String().Draw(t, "key")
		typ := rapid.SampledFrom(ResourceTypes()).Draw(t, "type")
		id := resourceID(uid, typ, key)
		got, ok := PrefixOf(id)
		if !ok || got != CasePrefix(uid) || got < 0 || got >= 1<<48 {
			t.Fatalf("%s is of %d, %v; the case is %d", id, got, ok, CasePrefix(uid))
		}
		if other := resourceID(uid, typ, key+"x"); other == id {
			t.Fatalf("two keys have the id %s", id)
		}
	})
}

func TestPrefixOfWhatIsNoID(t *testing.T) {
	for _, row := range []struct{ why, text string }{
		{"empty", ""},
		{"no UUID", "operation"},
		{"capital letters are another spelling", "455AAF52-BB17-8715-82DE-C9D0C6EBA3D4"},
		{"braces are another spelling", "{455aaf52-bb17-8715-82de-c9d0c6eba3d4}"},
		{"no hyphens are another spelling", "455aaf52bb17871582dec9d0c6eba3d4"},
		{"version 5", "455aaf52-bb17-5715-82de-c9d0c6eba3d4"},
		{"another variant", "455aaf52-bb17-8715-c2de-c9d0c6eba3d4"},
	} {
		if got, ok := PrefixOf(row.text); ok {
			t.Errorf("%s: %q is of case %d", row.why, row.text, got)
		}
	}
}

// CaseParts gives how the part of an id that names the case reads in a text, for
// the tests outside this package.
func CaseParts(uid string) []string {
	hex := fmt.Sprintf("%012x", CasePrefix(uid))
	return []string{hex, hex[:8] + "-" + hex[8:]}
}

// No identifier that we make holds what receivers cut a search at, two keys never
// share one, and the key is found again.
func TestIdentifierValues(t *testing.T) {
	for key, want := range map[string]string{
		"operation":                       "u/operation",
		"value|mean_gradient|result/exit": "u/value~mean_gradient~result/exit",
		`a~b%7E,$\`:                       "u/a%7Eb%257E%2C%24%5C",
	} {
		if got := *identifierOf("u", key).Value; got != want {
			t.Errorf("%s is written %s, want %s", key, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		signs := rapid.StringOf(rapid.SampledFrom([]rune(`ab/|,$\~%7CE2`)))
		uid, key := signs.Draw(t, "uid"), signs.Draw(t, "key")
		id := identifierOf(uid, key)
		if strings.ContainsAny(*id.Value, `|,$\`) {
			t.Fatalf("%q of %q is written %q", key, uid, *id.Value)
		}
		if got := keyIn(uid, []fhir.Identifier{{System: text("other"), Value: text(uid + "/x")}, id}); got != key {
			t.Fatalf("%q of %q is read as %q", key, uid, got)
		}
	})
}
