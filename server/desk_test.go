package server

import (
	"testing"
	"time"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Whoever looks at a submit that was set aside, or discards it, looks at a case: the
// access record names it.
func TestTheDeskIsOnRecord(t *testing.T) {
	conn, _ := start(t)
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	submit := func(folder, name string) *trigonev1.SubmitCaseResponse {
		file, err := testdata.Read(folder, name)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
	name := submit(testdata.Cases, "wrong-patient").GetCaseName()
	id := submit(testdata.Submits, "wrong-patient-echo").GetQuarantineId()
	if _, err := record.ListQuarantined(t.Context(), &trigonev1.ListQuarantinedRequest{}); err != nil {
		t.Fatal(err)
	}
	q, err := record.GetQuarantined(t.Context(), &trigonev1.GetQuarantinedRequest{QuarantineId: id})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := record.FileQuarantined(t.Context(), &trigonev1.FileQuarantinedRequest{
		QuarantineId: id, Etag: q.GetQuarantined().GetEtag(), Reason: "of the bed beside", Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
	}); err != nil {
		t.Fatal(err)
	}
	begin := time.Now()
	want := map[string]bool{"RecordService/ListQuarantined": true, "RecordService/GetQuarantined": true, "RecordService/FileQuarantined": true}
	// Lines of reads are written a moment later.
	for found := 0; found < len(want); time.Sleep(20 * time.Millisecond) {
		list, err := audit.ListAccesses(t.Context(), &trigonev1.ListAccessesRequest{Case: &trigonev1.CaseReference{Name: name}})
		if err != nil {
			t.Fatal(err)
		}
		found = 0
		for _, a := range list.GetAccesses() {
			if want[a.GetMethod()] && a.GetCaseName() == name {
				found++
			}
		}
		if t.Context().Err() != nil || time.Since(begin) > 20*time.Second {
			t.Fatalf("%d of %d lines name the case: %v", found, len(want), list)
		}
	}
}
