package fhirmap_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

// The literal form is the same tree with every reference rewritten, and nothing
// else: the expected tree is made by walking the decoded one.
func TestLiteralChangesReferencesOnly(t *testing.T) {
	check := func(h fhirmap.History) string {
		list, err := fhirmap.Resources(h)
		if errors.Is(err, fhirmap.ErrNothing) {
			return ""
		}
		if err != nil {
			return err.Error()
		}
		literal, err := fhirmap.Literal(list)
		if err != nil {
			return err.Error()
		}
		types := map[string]string{}
		for _, r := range list {
			types["urn:uuid:"+r.ID] = r.Type + "/" + r.ID
		}
		for i, r := range list {
			var want, got any
			if json.Unmarshal(r.JSON, &want) != nil || json.Unmarshal(literal[i].JSON, &got) != nil {
				return r.Type + " is no JSON"
			}
			rewrite(want, types)
			if !reflect.DeepEqual(want, got) || literal[i].ID != r.ID || literal[i].Type != r.Type {
				return r.Type + " differs in more than its references"
			}
			if bytes.Contains(literal[i].JSON, []byte(`"urn:uuid:`)) {
				return r.Type + " still refers by urn"
			}
		}
		return ""
	}
	for _, example := range fhirtest.Examples() {
		if fault := check(example.History); fault != "" {
			t.Errorf("%s: %s", example.Name, fault)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		if fault := check(fhirtest.Draw(t)); fault != "" {
			t.Fatal(fault)
		}
	})
}

func rewrite(node any, types map[string]string) {
	switch x := node.(type) {
	case []any:
		for _, v := range x {
			rewrite(v, types)
		}
	case map[string]any:
		for name, v := range x {
			if s, ok := v.(string); ok && name == "reference" {
				x[name] = types[s]
			}
			rewrite(v, types)
		}
	}
}

func TestLiteralRefusesADanglingReference(t *testing.T) {
	const id = "3411847e-3602-5cef-bd96-12567f70e942"
	for why, text := range map[string]string{
		"to a resource that is not there": `{"partOf":[{"reference":"urn:uuid:` + id + `"}]}`,
		"that is cut short":               `{"partOf":[{"reference":"urn:uuid:3411`,
	} {
		if list, err := fhirmap.Literal([]fhirmap.Resource{{Type: "Procedure", ID: "a", JSON: []byte(text)}}); err == nil {
			t.Errorf("a reference %s: %s", why, list[0].JSON)
		}
	}
	// The same bytes inside a text are no reference: their quotes are escaped.
	text := []byte(`{"text":"\"reference\":\"urn:uuid:` + id + `\""}`)
	if list, err := fhirmap.Literal([]fhirmap.Resource{{Type: "Procedure", ID: "a", JSON: text}}); err != nil || !bytes.Equal(list[0].JSON, text) {
		t.Errorf("%v", err)
	}
}

func TestVersionedAddsVersionAndTime(t *testing.T) {
	list, err := fhirmap.Resources(fhirtest.Complete())
	if err != nil {
		t.Fatal(err)
	}
	changed := time.Date(2026, 3, 29, 3, 0, 0, 123_456_789, time.FixedZone("", 2*3600))
	for _, r := range list {
		v, err := fhirmap.Versioned(r, 17, changed)
		if err != nil {
			t.Fatal(err)
		}
		var before, after map[string]any
		if json.Unmarshal(r.JSON, &before) != nil || json.Unmarshal(v.JSON, &after) != nil {
			t.Fatalf("%s is no JSON", r.Type)
		}
		meta, _ := before["meta"].(map[string]any)
		meta["versionId"], meta["lastUpdated"] = "17", "2026-03-29T01:00:00.123Z"
		if !reflect.DeepEqual(before, after) {
			t.Fatalf("%s: %.300s", r.Type, v.JSON)
		}
	}
	if _, err := fhirmap.Versioned(fhirmap.Resource{Type: "Device", ID: "a", JSON: []byte(`{"id":"a"}`)}, 1, changed); err == nil || !strings.Contains(err.Error(), "meta") {
		t.Error(err)
	}
}
