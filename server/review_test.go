package server

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/testdata"
)

// reasonOf gives the stable reason that a refusal carries.
func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// element gives one message of a list whose field has this value.
func element(m protoreflect.Message, list, name, value string) protoreflect.Message {
	rows := field(m, list).List()
	for i := range rows.Len() {
		row := rows.Get(i).Message()
		v := row.Get(row.Descriptor().Fields().ByName(protoreflect.Name(name)))
		text := v.String()
		if e := row.Descriptor().Fields().ByName(protoreflect.Name(name)).Enum(); e != nil {
			text = string(e.Values().ByNumber(v.Enum()).Name())
		}
		if text == value {
			return row
		}
	}
	return nil
}

func TestConfirmAndRevokeOverTheWire(t *testing.T) {
	conn, logs := start(t)
	g := newGeneric(t, conn)
	raw, err := testdata.Raw(testdata.Submits, "disputed-gradient-first")
	if err != nil {
		t.Fatal(err)
	}
	stored := g.must("RecordService/SubmitCase", `{"caseFile":{"identity":{"sex":"SEX_FEMALE"},`+strings.TrimPrefix(strings.TrimSpace(string(raw)), "{")+`}`)
	name := quoted(field(stored, "case_name").String())
	contradiction := func() protoreflect.Message {
		t.Helper()
		got := g.must("RecordService/GetCase", `{"case":{"name":`+name+`}}`)
		found := element(field(got, "case", "evaluation").Message(), "findings", "severity", "SEVERITY_CONTRADICTION")
		if found == nil {
			t.Fatal("the case has no contradiction")
		}
		return found
	}
	id := field(contradiction(), "id").String()
	confirm := `{"case":{"name":` + name + `},"findingId":` + quoted(id) + `,"reason":"a secret of the reviewer","requestId":"c-1"}`
	first := g.must("RecordService/ConfirmFinding", confirm)
	if again := g.must("RecordService/ConfirmFinding", confirm); !proto.Equal(first, again) {
		t.Error("a repeated confirmation is answered otherwise")
	}
	if !field(contradiction(), "confirmed").Bool() {
		t.Error("the finding is not confirmed")
	}
	sections := field(first, "sections").List()
	for i := range sections.Len() {
		if s := sections.Get(i).Message(); field(s, "state").Enum() == 2 {
			t.Errorf("section %s is still disputed", field(s, "section").String())
		}
	}
	bundle := field(g.must("ElectronicRecordService/GetBundle", `{"case":{"name":`+name+`}}`), "bundle").String()
	if !strings.Contains(bundle, "confirmed-by-reviewer") || strings.Contains(bundle, "a secret of the reviewer") {
		t.Error("the bundle must say that it was confirmed, and not in whose words")
	}
	g.must("RecordService/RevokeConfirmation", `{"case":{"name":`+name+`},"findingId":`+quoted(id)+`,"reason":"it was not so"}`)
	if field(contradiction(), "confirmed").Bool() {
		t.Error("the finding is confirmed after the revocation")
	}
	for _, call := range []struct {
		why, method, request, reason string
		code                         codes.Code
	}{
		{"what stands no more", "RecordService/RevokeConfirmation", `{"case":{"name":` + name + `},"findingId":` + quoted(id) + `,"reason":"r"}`, "NOT_CONFIRMED", codes.FailedPrecondition},
		{"no open contradiction", "RecordService/ConfirmFinding", `{"case":{"name":` + name + `},"findingId":"none","reason":"r"}`, "NO_OPEN_CONTRADICTION", codes.FailedPrecondition},
		{"no reason", "RecordService/ConfirmFinding", `{"case":{"name":` + name + `},"findingId":` + quoted(id) + `}`, "FIELD_VIOLATIONS", codes.InvalidArgument},
		{"a request id for other content", "RecordService/ConfirmFinding", strings.Replace(confirm, "a secret", "another secret", 1), "REQUEST_ID_REUSED", codes.AlreadyExists},
		{"a rule set nobody knows", "RecordService/EvaluateAgain", `{"case":{"name":` + name + `},"ruleSetVersion":"0"}`, "UNKNOWN_RULE_SET", codes.NotFound},
	} {
		if _, err := g.call(call.method, call.request); status.Code(err) != call.code || reasonOf(err) != call.reason {
			t.Errorf("%s: %v (%s), want %s", call.why, err, reasonOf(err), call.code)
		}
	}
	for _, entry := range logs.All() {
		for _, f := range entry.Context {
			if strings.Contains(f.String, "secret") {
				t.Errorf("the log line %q tells the reviewer's words", entry.Message)
			}
		}
	}
}

func TestEvaluateAgainOverTheWire(t *testing.T) {
	conn, _ := start(t)
	g := newGeneric(t, conn)
	stored := g.must("RecordService/SubmitCase", `{"caseFile":`+textbookCase(t)+`}`)
	name := quoted(field(stored, "case_name").String())
	again := g.must("RecordService/EvaluateAgain", `{"case":{"name":`+name+`},"evaluation":1}`)
	if field(again, "fidelity").Enum() != 1 || field(again, "compared_with").Int() != 1 {
		t.Errorf("fidelity %v: %s", field(again, "fidelity").Enum(), field(again, "explanation").String())
	}
	for _, list := range []string{"appeared", "vanished"} {
		if field(again, list).List().Len() != 0 {
			t.Errorf("the same software under the same rules says something else: %s", list)
		}
	}
	if v := field(g.must("RecordService/GetCase", `{"case":{"name":`+name+`}}`), "case", "case_version").Int(); v != 1 {
		t.Errorf("a report raised the case to version %d", v)
	}
}

// From theatre: the question is asked of the stored case with what was measured so
// far, the answer is kept, and a retry gets the same one.
func TestAdviceOverTheWire(t *testing.T) {
	conn, _ := start(t)
	g := newGeneric(t, conn)
	var file map[string]json.RawMessage
	if err := json.Unmarshal([]byte(textbookCase(t)), &file); err != nil {
		t.Fatal(err)
	}
	operation := string(file["operation"])
	for _, later := range []string{"operation", "results", "followUps"} {
		delete(file, later)
	}
	before, err := json.Marshal(file)
	if err != nil {
		t.Fatal(err)
	}
	stored := g.must("RecordService/SubmitCase", `{"caseFile":`+string(before)+`}`)
	name := quoted(field(stored, "case_name").String())
	ask := `{"case":{"name":` + name + `},"caseFile":{"operation":` + operation + `},"record":true,"adviceId":"a-1","requestId":"q-1","time":"2026-02-24T10:15:00Z","run":1,"stage":"STAGE_AFTER_RING"}`
	answer := g.must("PlanningService/EvaluatePlan", ask)
	if field(answer, "advice_section").String() != "advice/a-1" || field(answer, "freedom", "ranges").List().Len() < 2 {
		t.Errorf("answer %v", answer)
	}
	if again := g.must("PlanningService/EvaluatePlan", ask); !proto.Equal(answer, again) {
		t.Error("a repeated question is answered otherwise")
	}
	got := g.must("RecordService/GetCase", `{"case":{"name":`+name+`}}`)
	if element(field(got, "case", "case_file").Message(), "advice", "id", "a-1") == nil {
		t.Error("the answer is not on record")
	}
	if _, err := g.call("PlanningService/EvaluatePlan", strings.Replace(ask, `"q-1"`, `"q-2"`, 1)); status.Code(err) != codes.FailedPrecondition || reasonOf(err) != "ADVICE_EXISTS" {
		t.Errorf("an id used again: %v", err)
	}
}
