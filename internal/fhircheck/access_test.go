package fhircheck

import (
	"bytes"
	"os"
	"testing"
)

// Lines of the access record are AuditEvents to a decoder that knows R4 strictly.
func TestAccessRecordDecodes(t *testing.T) {
	u := decoder(t)
	text, err := os.ReadFile("../../fhirmap/testdata/access-record.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSpace(text), []byte("\n"))
	for i, line := range lines {
		if _, err := u.Unmarshal(line); err != nil {
			t.Errorf("line %d: %v", i+1, err)
		}
	}
	if len(lines) < 20 {
		t.Errorf("%d lines", len(lines))
	}
}
