package server

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"trigone/testdata"
)

// caseOf gives an invented case as JSON, to be laid into a request.
func caseOf(t *testing.T, name string) string {
	t.Helper()
	raw, err := testdata.Raw(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// The note over the wire: three formats, values in dispute and confirmed, the
// revision of the plan that is in force, and the document that carries it.
func TestOperativeNoteOverTheWire(t *testing.T) {
	conn, logs := start(t)
	g := newGeneric(t, conn)
	first, err := testdata.Raw(testdata.Submits, "plan-first-version")
	if err != nil {
		t.Fatal(err)
	}
	g.must("RecordService/SubmitCase", `{"caseFile":{"identity":{"sex":"SEX_FEMALE"},`+strings.TrimPrefix(strings.TrimSpace(string(first)), "{")+`}`)
	stored := g.must("RecordService/SubmitCase", `{"caseFile":`+caseOf(t, "plan-revised")+`,"sourceTime":"2026-08-25T08:00:00Z"}`)
	name := quoted(field(stored, "case_name").String())
	read := func(format string) ([]byte, string) {
		t.Helper()
		got := g.must("ElectronicRecordService/GetOperativeNote", `{"case":{"name":`+name+`},"format":"NOTE_FORMAT_`+format+`","annex":true}`)
		if field(got, "history_number").Int() < 2001 {
			t.Errorf("%s: history number %d", format, field(got, "history_number").Int())
		}
		return field(got, "content").Bytes(), field(got, "media_type").String()
	}
	text, media := read("TEXT")
	said := strings.Join(strings.Fields(string(text)), " ")
	if media != "text/plain; charset=utf-8" || !strings.Contains(said, "The record holds 2 revisions of the plan.") ||
		!strings.Contains(said, "history number 2001") || !strings.Contains(said, "case MV-2026-017") && !strings.Contains(said, "MV-2026-017") {
		t.Errorf("%s: %s", media, text)
	}
	page, media := read("HTML")
	if media != "text/html; charset=utf-8" || !bytes.HasPrefix(page, []byte("<!DOCTYPE html>")) {
		t.Errorf("%s begins with %.40s", media, page)
	}
	document, media := read("PDF")
	if again, _ := read("PDF"); media != "application/pdf" || !bytes.HasPrefix(document, []byte("%PDF-")) || !bytes.Equal(document, again) {
		t.Errorf("%s of %d bytes, again %d", media, len(document), len(again))
	}
	answer := g.must("ElectronicRecordService/GetBundle", `{"case":{"name":`+name+`},"form":"BUNDLE_FORM_DOCUMENT"}`)
	var bundle struct {
		Type  string
		Entry []struct {
			Resource struct {
				ResourceType, Status, Title string
				Section                     []struct{ Title string }
			}
		}
	}
	if err := json.Unmarshal([]byte(field(answer, "bundle").String()), &bundle); err != nil {
		t.Fatal(err)
	}
	if bundle.Type != "document" || len(bundle.Entry) < 10 || bundle.Entry[0].Resource.ResourceType != "Composition" || bundle.Entry[0].Resource.Status != "preliminary" {
		t.Errorf("a bundle of type %s with %d entries is no document", bundle.Type, len(bundle.Entry))
	}
	for _, s := range bundle.Entry[0].Resource.Section {
		if !strings.Contains(string(text), "\n"+strings.TrimPrefix(s.Title, "Annex: ")+"\n---") {
			t.Errorf("the document has a section %q, the note has not", s.Title)
		}
	}
	for _, entry := range logs.All() {
		for _, f := range entry.Context {
			if strings.Contains(f.String, "Invented case") {
				t.Errorf("the log line %q tells the record's words", entry.Message)
			}
		}
	}

	g.must("RecordService/RetractCase", `{"case":{"name":`+name+`},"caseVersion":"2","reason":"RETRACTION_REASON_ENTERED_IN_ERROR"}`)
	for _, call := range []struct{ method, request string }{
		{"ElectronicRecordService/GetOperativeNote", `{"case":{"name":` + name + `}}`},
		{"ElectronicRecordService/GetBundle", `{"case":{"name":` + name + `},"form":"BUNDLE_FORM_DOCUMENT"}`},
	} {
		if _, err := g.call(call.method, call.request); status.Code(err) != codes.FailedPrecondition || reasonOf(err) != "CASE_CLOSED" {
			t.Errorf("%s of a retracted case: %v", call.method, err)
		}
	}
	if _, err := g.call("ElectronicRecordService/GetOperativeNote", `{"case":{"name":"sites/harbour/cases/none"}}`); status.Code(err) != codes.NotFound {
		t.Errorf("a note of no case: %v", err)
	}
	if _, err := g.call("ElectronicRecordService/GetOperativeNote", `{"case":{"name":`+name+`},"format":77}`); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a note of no format: %v", err)
	}
}

func TestNoteMarksDisputedAndConfirmedOverTheWire(t *testing.T) {
	conn, _ := start(t)
	g := newGeneric(t, conn)
	raw, err := testdata.Raw(testdata.Submits, "disputed-gradient-first")
	if err != nil {
		t.Fatal(err)
	}
	stored := g.must("RecordService/SubmitCase", `{"caseFile":{"identity":{"sex":"SEX_FEMALE"},"operation":{},`+strings.TrimPrefix(strings.TrimSpace(string(raw)), "{")+`}`)
	name := quoted(field(stored, "case_name").String())
	note := func() string {
		t.Helper()
		got := g.must("ElectronicRecordService/GetOperativeNote", `{"case":{"name":`+name+`},"annex":true}`)
		return strings.Join(strings.Fields(string(field(got, "content").Bytes())), " ")
	}
	if got := note(); !strings.Contains(got, "2.9 mmHg [disputed]") {
		t.Errorf("the disputed gradient is not marked: %s", got)
	}
	got := g.must("RecordService/GetCase", `{"case":{"name":`+name+`}}`)
	finding := element(field(got, "case", "evaluation").Message(), "findings", "severity", "SEVERITY_CONTRADICTION")
	g.must("RecordService/ConfirmFinding", `{"case":{"name":`+name+`},"findingId":`+quoted(field(finding, "id").String())+`,"reason":"a secret of the reviewer"}`)
	confirmed := note()
	if strings.Contains(confirmed, "[disputed") || !strings.Contains(confirmed, "2.9 mmHg [confirmed by a reviewer]") || !strings.Contains(confirmed, "Confirmed by a reviewer on ") {
		t.Errorf("the confirmed gradient is not marked: %s", confirmed)
	}
	if strings.Contains(confirmed, "a secret of the reviewer") {
		t.Error("the note hands on the reviewer's words")
	}
}
