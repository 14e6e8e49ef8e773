package server

import (
	"fmt"
	"os"
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// BenchmarkSizeOfACase prints what a case takes of the file of the record, written anew
// without free pages: the invented cases several times, each as a hospital sends it, what
// was found, the plan, the operation with its results, the follow-ups one by one.
func BenchmarkSizeOfACase(b *testing.B) {
	conn, _, running := startWith(b, Options{AccessKeyFile: keyFile(b)})
	record := trigonev1.NewRecordServiceClient(conn)
	cases, writes := 0, 0
	for b.Loop() {
		for copied := range 4 {
			for _, name := range testdata.Names(testdata.Cases) {
				file, err := testdata.Read(testdata.Cases, name)
				if err != nil {
					b.Fatal(err)
				}
				number := fmt.Sprint("MV-SIZE-", cases, "-", copied)
				cases++
				part := func(fill func(*trigonev1.CaseFile) bool) {
					f := &trigonev1.CaseFile{PatientIdentifier: file.GetPatientIdentifier(), ExternalIdentifier: proto.CloneOf(file.GetExternalIdentifier())}
					if f.GetExternalIdentifier() == nil {
						f.ExternalIdentifier = &trigonev1.Identifier{System: "urn:example:harbour-hospital:case"}
					}
					f.ExternalIdentifier.Value = number
					if !fill(f) {
						return
					}
					writes++
					if _, err := record.SubmitCase(b.Context(), &trigonev1.SubmitCaseRequest{CaseFile: f, RequestId: fmt.Sprint(number, "-", writes)}); err != nil {
						b.Fatalf("%s: %v", name, err)
					}
				}
				part(func(f *trigonev1.CaseFile) bool {
					f.Identity, f.Assessments = file.GetIdentity(), file.GetAssessments()
					return f.GetIdentity() != nil
				})
				part(func(f *trigonev1.CaseFile) bool { f.Plan = file.GetPlan(); return f.GetPlan() != nil })
				part(func(f *trigonev1.CaseFile) bool {
					f.Operation, f.Results = file.GetOperation(), file.GetResults()
					return f.GetOperation() != nil || len(f.GetResults()) > 0
				})
				for _, entry := range file.GetFollowUps() {
					part(func(f *trigonev1.CaseFile) bool { f.FollowUps = []*trigonev1.FollowUp{entry}; return true })
				}
			}
		}
	}
	b.StopTimer()
	if err := running.store.Purge(b.Context()); err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(running.storePath)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(info.Size())/float64(cases), "B/case")
	b.ReportMetric(float64(info.Size())/float64(writes), "B/write")
	b.ReportMetric(float64(writes)/float64(cases), "writes/case")
}
