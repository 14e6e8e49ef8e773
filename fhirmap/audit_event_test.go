package fhirmap_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"trigone/fhirmap"
)

// lineOf is a line with a hash of its own.
func lineOf(n int64, l fhirmap.AccessLine) fhirmap.AccessLine {
	sum := sha256.Sum256([]byte{byte(n)})
	l.Number, l.Hash, l.Time, l.Site = n, sum[:], time.Date(2026, 3, 2, 15, 10, int(n), 120_000_000, time.UTC), "harbour"
	return l
}

// accessLines have one of each kind of call and outcome.
var accessLines = []fhirmap.AccessLine{
	{Caller: "trigoned", Method: "Start", Outcome: "OK", Service: true},
	{Caller: "engine", Method: "RecordService/SubmitCase", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK", RequestID: "r-1"},
	{Caller: "dr-quay", Method: "RecordService/GetCase", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK"},
	{Caller: "dr-quay", Method: "RecordService/GetCase", Outcome: "NotFound"},
	{Caller: "dr-quay", Method: "RecordService/GetCaseInEmergency", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK", Emergency: true},
	{Caller: "reviewer", Method: "AuditService/SignOffAccess", Outcome: "OK", Concerns: 5},
	{Caller: "auditor", Method: "AuditService/ListCaseFacts", Cases: 35, Outcome: "OK"},
	{Caller: "auditor", Method: "AuditService/ListAccesses", Outcome: "OK"},
	{Caller: "auditor", Method: "ElectronicRecordService/ExportResources", Outcome: "BEGUN"},
	{Caller: "auditor", Method: "ElectronicRecordService/ExportResources", Cases: 35, Outcome: "Internal"},
	{Caller: "reader", Method: "GET Procedure/{id}", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK"},
	{Caller: "reader", Method: "GET Procedure/{id}/_history/{version}", Outcome: "HTTP 404"},
	{Caller: "reader", Method: "GET Procedure", Cases: 7, Outcome: "OK"},
	{Caller: "reader", Method: "POST Procedure/_search", Outcome: "HTTP 403"},
	{Caller: "reader", Method: "GET $export", Outcome: "HTTP 202"},
	{Caller: "reader", Method: "GET $export-file/{id}/{file}", Cases: 35, Outcome: "OK"},
	{Caller: "reader", Method: "fhir", Outcome: "NotFound"},
	{Caller: "reader", Method: "GET /cases/{id}", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK"},
	{Caller: "planner", Method: "POST /try", Outcome: "OK"},
	{Caller: "reader", Method: "page", Outcome: "HTTP 503"},
	{Caller: "administrator", Method: "AdministrationService/EraseCase", CaseUID: "00000000-0000-4000-8000-000000000001", Outcome: "OK"},
	{Caller: "trigoned", Method: "Stop", Outcome: "OK", Service: true},
}

// The golden lines are checked by the strict decoder of internal/fhircheck and, along
// HL7's own definitions, by its check.js.
func TestAuditEvents(t *testing.T) {
	var out bytes.Buffer
	ids := map[string]bool{}
	for i, l := range accessLines {
		r, err := fhirmap.Site{}.AuditEvent(lineOf(int64(i+1), l))
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := fhirmap.PrefixOf(r.ID); !ok || ids[r.ID] || r.Type != fhirmap.TypeAuditEvent {
			t.Errorf("%s %s: not an id of its own", r.Type, r.ID)
		}
		ids[r.ID] = true
		out.Write(append(r.JSON, '\n'))
	}
	const path = "testdata/access-record.ndjson"
	if *update {
		if err := os.WriteFile(path, out.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(want, out.Bytes()) {
		t.Errorf("%s is not what is made (%v); with -update it is written anew", path, err)
	}
	own, err := fhirmap.Site{Base: "https://fhir.example.com/valves"}.AuditEvent(lineOf(2, accessLines[1]))
	if err != nil || bytes.Contains(own.JSON, []byte(fhirmap.Base)) || !bytes.Contains(own.JSON, []byte("https://fhir.example.com/valves/case")) {
		t.Errorf("under a base of the site's: %s, %v", own.JSON, err)
	}
}

// What came of a call, and what it is, is told for each that there can be.
func TestWhatAnAccessIs(t *testing.T) {
	for _, tt := range []struct {
		line                  fhirmap.AccessLine
		typ, action, outcomes string
		why                   string
	}{
		{fhirmap.AccessLine{Method: "RecordService/GetCase", Outcome: "OK"}, "110110", "R", "0", "a read"},
		{fhirmap.AccessLine{Method: "RecordService/SubmitCase", Outcome: "Aborted"}, "110110", "U", "4", "a refusal that asks to read again"},
		{fhirmap.AccessLine{Method: "RecordService/SubmitCase", Outcome: "Internal"}, "110110", "U", "8", "a fault"},
		{fhirmap.AccessLine{Method: "GET Procedure", Outcome: "HTTP 503"}, "rest", "E", "8", "a fault over HTTP"},
		{fhirmap.AccessLine{Method: "GET Procedure", Outcome: "HTTP 304"}, "rest", "E", "0", "nothing new is an answer"},
		{fhirmap.AccessLine{Method: "GET Procedure", Outcome: "HTTP 400"}, "rest", "E", "4", "a refusal over HTTP"},
		{fhirmap.AccessLine{Method: "LinesLost", Outcome: "OK", Service: true}, "110100", "E", "0", "the service says that lines were lost"},
		{fhirmap.AccessLine{Method: "RecordService/OfAnotherVersion", Outcome: "OK"}, "110110", "", "0", "what is not known is told without an action"},
	} {
		tt.line.Caller = "somebody"
		r, err := fhirmap.Site{}.AuditEvent(lineOf(1, tt.line))
		var e struct {
			Type            struct{ Code string }
			Action, Outcome string
		}
		if err := json.Unmarshal(r.JSON, &e); err != nil {
			t.Fatal(err)
		}
		if err != nil || e.Type.Code != tt.typ || e.Action != tt.action || e.Outcome != tt.outcomes {
			t.Errorf("%s: %s %s %s, %v", tt.why, e.Type.Code, e.Action, e.Outcome, err)
		}
	}
	program := regexp.MustCompile(`^trigone\.v1\.ReferenceService\.`)
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			for j := range file.Services().Get(i).Methods().Len() {
				m := file.Services().Get(i).Methods().Get(j)
				if !strings.HasPrefix(string(m.FullName()), "trigone.") || program.MatchString(string(m.FullName())) {
					continue
				}
				r, err := fhirmap.Site{}.AuditEvent(lineOf(1, fhirmap.AccessLine{Caller: "c", Outcome: "OK", Method: string(m.Parent().Name()) + "/" + string(m.Name())}))
				if err != nil || !bytes.Contains(r.JSON, []byte(`"action":`)) {
					t.Errorf("%s has no row in eventsByMethod: %v", m.FullName(), err)
				}
			}
		}
		return true
	})
}
