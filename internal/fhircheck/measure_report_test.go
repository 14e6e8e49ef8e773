package fhircheck

import (
	"bytes"
	"os"
	"testing"
)

// Figures over cases are a MeasureReport to a decoder that knows R4 strictly.
func TestMeasureReportDecodes(t *testing.T) {
	text, err := os.ReadFile("../../fhirmap/testdata/agreement.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	if typ, err := typeOf(t, bytes.TrimSpace(text)); err != nil || typ != "MeasureReport" {
		t.Errorf("decoded as %q, %v", typ, err)
	}
}
