package fhircheck

import (
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/note"
)

func documentOf(t interface{ Fatal(...any) }, h fhirmap.History) []byte {
	n, err := note.Build(note.Input{Site: h.Site, Case: h.Current.Case})
	if err != nil {
		t.Fatal(err)
	}
	out, err := fhirmap.Document(h, n)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The composition and its narratives decode as strictly as every other resource.
func TestDocumentsDecode(t *testing.T) {
	u := decoder(t)
	for name, h := range map[string]fhirmap.History{
		"complete": fhirtest.Complete(), "disputed": fhirtest.Disputed(), "converted": fhirtest.Converted(), "core only": fhirtest.CoreOnly(),
	} {
		n, err := decode(u, documentOf(t, h))
		if err != nil || n < 2 {
			t.Errorf("%s: %d entries, %v", name, n, err)
		}
	}
	drawn := 0
	rapid.Check(t, func(r *rapid.T) {
		h := fhirtest.Draw(r)
		if h.Current.Case.GetEvaluation() == nil {
			return
		}
		n, err := note.Build(note.Input{Site: h.Site, Case: h.Current.Case})
		if err != nil {
			return // retracted: there is no document
		}
		out, err := fhirmap.Document(h, n)
		if err != nil {
			return // nothing accepted
		}
		if _, err := decode(u, out); err != nil {
			r.Fatal(err)
		}
		drawn++
	})
	if drawn == 0 {
		t.Error("no document was drawn")
	}
}
