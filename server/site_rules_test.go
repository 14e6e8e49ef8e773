package server

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

// A rule of a site's own is said of a case with its source and who answers for it, is
// listed, and stands neither in the operative note nor in FHIR: no signed page and no
// receiver takes one hospital's word for a rule.
func TestARuleOfTheSite(t *testing.T) {
	folder := t.TempDir()
	policy := filepath.Join(folder, "p.yaml")
	if err := os.WriteFile(policy, []byte(`site: harbour
version: "1"
zone: UTC
rules:
  - id: site/any-gradient
    summary: Any mean gradient on leaving theatre.
    at: leaving_theatre
    reads: {gradient: {value: mean_gradient}}
    when: gradient >= 0
    message: The mean gradient is {gradient}.
    severity: caution
    source: Table 3 of an invented guideline
    answers_for_it: an invented head of department
    fires_percent: 9
    tests: [{given: {gradient: 1}, is: fires}, {given: {gradient: -1}, is: silent}, {is: not_evaluable}]
`), 0o600); err != nil {
		t.Fatal(err)
	}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(folder, "s.db"), PolicyPath: policy})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	answer, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		t.Fatal(err)
	}
	var said []*trigonev1.Finding
	for _, f := range answer.GetEvaluation().GetFindings() {
		if f.GetRule() == "site/any-gradient" {
			said = append(said, f)
		}
	}
	if len(said) != 1 || said[0].GetSeverity() != trigonev1.Severity_SEVERITY_CAUTION || len(said[0].GetInputs()) != 1 || len(said[0].GetDisputes()) > 0 ||
		!strings.Contains(said[0].GetMessage(), "Table 3 of an invented guideline") || !strings.Contains(said[0].GetMessage(), "an invented head of department") {
		t.Fatalf("said %v", said)
	}
	list, err := trigonev1.NewReferenceServiceClient(conn).ListRules(t.Context(), &trigonev1.ListRulesRequest{})
	if err != nil || !slices.ContainsFunc(list.GetRules(), func(r *trigonev1.RuleDefinition) bool {
		return r.GetId() == "site/any-gradient" && strings.Contains(r.GetSummary(), "an invented head of department")
	}) {
		t.Errorf("the rule is not listed: %v", err)
	}
	records := trigonev1.NewElectronicRecordServiceClient(conn)
	ref := &trigonev1.CaseReference{Name: answer.GetCaseName()}
	var leaves []string
	for _, form := range []trigonev1.BundleForm{trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION, trigonev1.BundleForm_BUNDLE_FORM_DOCUMENT} {
		bundle, err := records.GetBundle(t.Context(), &trigonev1.GetBundleRequest{Case: ref, Form: form})
		if err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, bundle.GetBundle())
	}
	note, err := records.GetOperativeNote(t.Context(), &trigonev1.GetOperativeNoteRequest{Case: ref, Format: trigonev1.NoteFormat_NOTE_FORMAT_TEXT})
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range append(leaves, string(note.GetContent())) {
		if text == "" || strings.Contains(text, "any-gradient") || strings.Contains(text, "invented guideline") {
			t.Errorf("what leaves the hospital tells the rule of the site, or is empty: %s", text[max(0, strings.Index(text, "any-gradient")-400):])
		}
	}
}
