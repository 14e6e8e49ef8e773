package handover

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

func TestBundleNeedsSomethingAccepted(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	resp, err := f.desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	if resp.GetHistoryNumber() != 1001 || !strings.Contains(resp.GetBundle(), `"transaction"`) {
		t.Errorf("answer %v", resp)
	}
}

// A reviewer's reason is for the record, an answer given in theatre likewise:
// neither keeps a bundle from being made, and the reason is not in it.
func TestBundleBesideAReviewersReasonAndAdvice(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	c, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	confirmed := false
	for _, x := range c.GetCase().GetEvaluation().GetFindings() {
		if x.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION {
			continue
		}
		confirmed = true
		if _, err := f.book.ConfirmFinding(f.ctx, caller, &trigonev1.ConfirmFindingRequest{
			Case: ref(), FindingId: x.GetId(), Reason: "SECRET: read twice",
		}); err != nil {
			t.Fatal(err)
		}
	}
	if !confirmed {
		t.Fatal("there is no contradiction to confirm")
	}
	if _, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: ref(), Record: true}); err != nil {
		t.Fatal(err)
	}
	bundle, err := f.desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(bundle.GetBundle(), "SECRET: ") {
		t.Error("the bundle holds the reason")
	}
}

func TestBundleFormsAreAnsweredOrRefused(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	get := func(form trigonev1.BundleForm) (*trigonev1.GetBundleResponse, error) {
		return f.desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref(), Form: form})
	}
	tests := []struct {
		form   trigonev1.BundleForm
		reason string
		typ    string
	}{
		{trigonev1.BundleForm_BUNDLE_FORM_UNSPECIFIED, "", "transaction"},
		{trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION, "", "transaction"},
		{trigonev1.BundleForm_BUNDLE_FORM_CONDITIONAL_TRANSACTION, "", "transaction"},
		{trigonev1.BundleForm_BUNDLE_FORM_COLLECTION, "", "collection"},
		{trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED, casebook.ReasonNoKey, ""},
		{trigonev1.BundleForm(77), casebook.ReasonViolations, ""},
	}
	for _, tt := range tests {
		resp, err := get(tt.form)
		refusal := (*casebook.Error)(nil)
		switch {
		case tt.reason == "" && (err != nil || !strings.Contains(resp.GetBundle(), `"type":"`+tt.typ+`"`)):
			t.Errorf("%v: %v", tt.form, err)
		case tt.reason != "" && (!errors.As(err, &refusal) || refusal.Reason != tt.reason):
			t.Errorf("%v: %v", tt.form, err)
		}
	}
	if _, err := get(trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED); err == nil || !strings.Contains(err.Error(), "--deidentification-key-file") {
		t.Errorf("the refusal does not name the flag: %v", err)
	}
	d, err := fhirmap.NewDeIdentifier(slices.Repeat([]byte{1}, fhirmap.MinKeyBytes))
	if err != nil {
		t.Fatal(err)
	}
	f.desk.deIdentifier = d
	resp, err := get(trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED)
	if err != nil || strings.Contains(resp.GetBundle(), "P-SECRET-1") || !strings.Contains(resp.GetBundle(), fhirmap.PseudonymSystem) {
		t.Errorf("%v", err)
	}
}

// Parts are all of one state: a later one names the history number of the first, and
// is refused once the case has changed. Every refusal names the field.
func TestPartsAreOfOneState(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	get := func(req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
		req.Case = ref()
		return f.desk.GetBundle(f.ctx, caller, req)
	}
	first, err := get(&trigonev1.GetBundleRequest{MaxEntries: 3})
	if err != nil || first.GetParts() < 2 {
		t.Fatalf("%d parts, %v", first.GetParts(), err)
	}
	last := &trigonev1.GetBundleRequest{MaxEntries: 3, Part: first.GetParts(), HistoryNumber: first.GetHistoryNumber()}
	second, err := get(last)
	if err != nil || second.GetParts() != first.GetParts() || second.GetBundle() == first.GetBundle() {
		t.Errorf("the last part: %d of %d, %v", second.GetParts(), first.GetParts(), err)
	}
	again, err := get(last)
	if err != nil || again.GetBundle() != second.GetBundle() {
		t.Errorf("the last part asked for again is another one: %v", err)
	}
	batch, err := get(&trigonev1.GetBundleRequest{Form: trigonev1.BundleForm_BUNDLE_FORM_BATCH})
	if err != nil || batch.GetParts() != 1 || !strings.Contains(batch.GetBundle(), `"type":"batch"`) || strings.Contains(batch.GetBundle(), "urn:uuid:") {
		t.Errorf("a batch: %d parts, %v", batch.GetParts(), err)
	}
	for _, tt := range []struct {
		why, says string
		req       *trigonev1.GetBundleRequest
	}{
		{"a part behind the first names no state", "history_number", &trigonev1.GetBundleRequest{MaxEntries: 3, Part: 2}},
		{"a part behind the last", "part: is 1000", &trigonev1.GetBundleRequest{MaxEntries: 3, Part: 1000, HistoryNumber: first.GetHistoryNumber()}},
		{"a part of no sequence", "max_entries", &trigonev1.GetBundleRequest{Part: 2}},
		{"a document", "max_entries", &trigonev1.GetBundleRequest{Form: trigonev1.BundleForm_BUNDLE_FORM_DOCUMENT, MaxEntries: 3}},
		{"a de-identified bundle", "max_entries", &trigonev1.GetBundleRequest{Form: trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED, MaxEntries: 3}},
	} {
		refusal := (*casebook.Error)(nil)
		if _, err := get(tt.req); !errors.As(err, &refusal) || refusal.Kind != casebook.Invalid || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v", tt.why, err)
		}
	}
	if _, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: ref(), Record: true}); err != nil {
		t.Fatal(err)
	}
	refusal := (*casebook.Error)(nil)
	if _, err := get(last); !errors.As(err, &refusal) || refusal.Kind != casebook.Aborted {
		t.Errorf("a part of a state that is gone: %v", err)
	}
}
