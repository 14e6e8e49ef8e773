package server

import (
	"maps"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// What a program needs to do better is in the ErrorInfo of a refusal: it need not read
// sentences.
func TestRefusalsSayToProgramsWhatTheyAreAbout(t *testing.T) {
	conn, _ := start(t)
	record := trigonev1.NewRecordServiceClient(conn)
	number := &trigonev1.Identifier{System: "urn:example:case", Value: "MV-1"}
	patient := &trigonev1.Identifier{System: "urn:example:patient", Value: "P-1"}
	of := &trigonev1.CaseReference{ExternalIdentifier: number}
	submit := func(file *trigonev1.CaseFile, conditions ...*trigonev1.SectionCondition) error {
		file.ExternalIdentifier, file.PatientIdentifier = number, patient
		_, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file, Conditions: conditions})
		return err
	}
	identity := func(age int32) *trigonev1.CaseFile {
		return &trigonev1.CaseFile{Identity: &trigonev1.Identity{AgeYears: &age}}
	}
	plan := func(signer string) *trigonev1.Plan { return &trigonev1.Plan{Signer: signer} }
	etag := func(section, etag string) *trigonev1.SectionCondition {
		return &trigonev1.SectionCondition{Section: section, Expected: &trigonev1.SectionCondition_Etag{Etag: etag}}
	}
	for _, file := range []*trigonev1.CaseFile{identity(60), {Plan: plan("surgeon-1")}} {
		if err := submit(file); err != nil {
			t.Fatal(err)
		}
	}
	if err := submit(identity(61), etag("identity", "1")); err != nil {
		t.Fatal(err)
	}
	both := identity(62)
	both.Plan = plan("surgeon-2")
	if _, err := record.RetractSection(t.Context(), &trigonev1.RetractSectionRequest{
		Case: of, Section: "plan", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
	}); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		why    string
		err    error
		reason string
		about  map[string]string
	}{
		{"no condition", submit(identity(62)), "ETAG_OR_SOURCE_TIME_NEEDED", map[string]string{"section": "identity", "etag": "2"}},
		{"a stale etag", submit(identity(62), etag("identity", "1")), "STALE_ETAG", map[string]string{"section": "identity", "etag": "2"}},
		{"a section that was retracted", submit(&trigonev1.CaseFile{Plan: plan("surgeon-2")}), "SECTION_CLOSED", map[string]string{"section": "plan", "etag": "2"}},
		{"two closed or without a condition: those that are closed", submit(both), "SECTION_CLOSED", map[string]string{"section": "plan", "etag": "2"}},
		{"a retraction of a stale section", func() error {
			_, err := record.RetractSection(t.Context(), &trigonev1.RetractSectionRequest{
				Case: of, Section: "identity", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
			})
			return err
		}(), "STALE_ETAG", map[string]string{"section": "identity", "etag": "2"}},
		{"a retraction of a stale case", func() error {
			_, err := record.RetractCase(t.Context(), &trigonev1.RetractCaseRequest{
				Case: of, CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
			})
			return err
		}(), "STALE_CASE_VERSION", map[string]string{"case_version": "4"}},
		{"a number beyond its bound", submit(identity(2000)), "FIELD_VIOLATIONS", map[string]string{"field": "case_file.identity.age_years", "limit": "1300"}},
		{"a number below it", submit(identity(-1)), "FIELD_VIOLATIONS", map[string]string{"field": "case_file.identity.age_years", "limit": "0"}},
		{"a text that is too long", func() error {
			_, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: strings.Repeat("a", 300)}})
			return err
		}(), "FIELD_VIOLATIONS", map[string]string{"field": "case.name", "limit": "256"}},
		{"a list that is too long", submit(&trigonev1.CaseFile{Assessments: make65()}), "FIELD_VIOLATIONS", map[string]string{"field": "case_file.assessments", "limit": "64"}},
		{"no time", func() error {
			_, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{
				CaseFile: &trigonev1.CaseFile{PatientIdentifier: patient, Identity: &trigonev1.Identity{}}, SourceTime: &timestamppb.Timestamp{Seconds: 1 << 40},
			})
			return err
		}(), "FIELD_VIOLATIONS", map[string]string{"field": "source_time"}},
	} {
		var info *errdetails.ErrorInfo
		for _, d := range status.Convert(row.err).Details() {
			if i, ok := d.(*errdetails.ErrorInfo); ok {
				info = i
			}
		}
		if info.GetReason() != row.reason || !maps.Equal(info.GetMetadata(), row.about) {
			t.Errorf("%s: %s %v, want %s %v (%v)", row.why, info.GetReason(), info.GetMetadata(), row.reason, row.about, row.err)
		}
	}
}

func make65() []*trigonev1.Assessment {
	var list []*trigonev1.Assessment
	for range 65 {
		list = append(list, &trigonev1.Assessment{Id: "a"})
	}
	return list
}
