package server

import (
	"database/sql"
	"errors"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert/converttest"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
)

// aged is a trusted server whose clock is moved by hand, with times of retention.
type aged struct {
	*trusted
	now            *atomic.Int64
	key            string
	record         trigonev1.RecordServiceClient
	audit          trigonev1.AuditServiceClient
	administration trigonev1.AdministrationServiceClient
}

func newAged(t *testing.T, retention string) aged {
	t.Helper()
	a := aged{now: &atomic.Int64{}, key: keyFile(t)}
	a.now.Store(time.Now().UnixNano())
	a.trusted = trustAt(t, func() time.Time { return time.Unix(0, a.now.Load()) }, func(text string) string {
		return text + "access_record: {key: " + a.key + "}\n" + retention
	})
	conn := a.conn("")
	a.record, a.audit, a.administration = trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn), trigonev1.NewAdministrationServiceClient(conn)
	return a
}

func (a aged) pass(days int) { a.now.Add(int64(days) * int64(24*time.Hour)) }

func (a aged) run(dry bool) *trigonev1.RunRetentionResponse {
	a.Helper()
	resp, err := a.administration.RunRetention(a.as("harbour-administrator"), &trigonev1.RunRetentionRequest{ValidateOnly: dry})
	a.ok(err)
	return resp
}

// counts gives how many of each kind go and stay.
func counts(resp *trigonev1.RunRetentionResponse) (goes, held [3]int64) {
	for i, o := range resp.GetOutcomes() {
		goes[i], held[i] = o.GetCount(), o.GetHeldCount()
	}
	return goes, held
}

const retentionText = "retention: {quarantine_days: 20, request_days: 10, access_days: 40}\n"

// What has been kept for its time is listed by a dry run, goes by the run, and is gone
// from the files; what somebody has yet to see to stays; the record of who looked is
// proved behind the cut and says who made it; no case is touched.
func TestRetention(t *testing.T) {
	a := newAged(t, retentionText)
	ctx := a.as("both")
	file := marked(t, "core-only", "kept")
	made, err := a.record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: "first", Parent: "sites/harbour"})
	a.ok(err)
	ref := &trigonev1.CaseReference{Name: made.GetCaseName()}
	aside := func(n string) string {
		answer, err := a.record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseName: ref.GetName(), RequestId: "aside " + n, CaseFile: &trigonev1.CaseFile{
			PatientIdentifier: &trigonev1.Identifier{System: file.GetPatientIdentifier().GetSystem(), Value: converttest.Marker + n},
			FollowUps:         []*trigonev1.FollowUp{{Id: "f", Kind: trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE}},
		}})
		a.ok(err)
		if answer.GetQuarantineId() == "" {
			t.Fatal("the submit was not set aside")
		}
		return answer.GetQuarantineId()
	}
	discarded := aside("discarded")
	aside("open")
	_, err = a.record.GetCaseInEmergency(a.as("harbour-reviewer"), &trigonev1.GetCaseInEmergencyRequest{Case: ref, Reason: "the ward asked"})
	a.ok(err)
	a.pass(15)
	discard(a.as("harbour-reviewer"), t, a.record, discarded)
	before, err := a.record.GetCase(a.as("harbour-reader"), &trigonev1.GetCaseRequest{Case: ref})
	a.ok(err)

	// 15 days after the first: three requests are over their time, nothing else.
	dry := a.run(true)
	goes, held := counts(dry)
	if goes != [3]int64{0, 3, 0} || held != [3]int64{} || !strings.HasPrefix(dry.GetMessage(), "Nothing was removed") || dry.GetOverwritten() {
		t.Errorf("after 15 days %v go, %v stay, %s", goes, held, dry.GetMessage())
	}
	again, err := a.record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: "first", Parent: "sites/harbour"})
	if err != nil || !proto.Equal(again, made) {
		t.Errorf("after a dry run an earlier request is not answered as it was: %v", err)
	}
	// 36 days: the discarded submit is 21 days old as one that was decided on, the open one
	// is over its time and stays.
	a.pass(21)
	for _, step := range []struct {
		dry        bool
		goes, held [3]int64
	}{{true, [3]int64{1, 4, 0}, [3]int64{1, 0, 0}}, {false, [3]int64{1, 4, 0}, [3]int64{1, 0, 0}}, {false, [3]int64{}, [3]int64{1, 0, 0}}} {
		resp := a.run(step.dry)
		goes, held := counts(resp)
		if goes != step.goes || held != step.held {
			t.Errorf("after 36 days, dry %v: %v go, %v stay, want %v, %v", step.dry, goes, held, step.goes, step.held)
		}
		if removed := !step.dry && goes != [3]int64{}; resp.GetOverwritten() != removed {
			t.Errorf("overwritten is %v where %v went: %s", resp.GetOverwritten(), goes, resp.GetMessage())
		}
		if o := resp.GetOutcomes()[0]; step.held[0] > 0 && (o.GetOldestHeldTime() == nil || !strings.Contains(o.GetExplanation(), "never removed for their age")) {
			t.Errorf("the submit that stays is not told of: %v", o)
		}
	}
	if textsIn(t, a.running.storePath, converttest.Marker+"OPEN") == 0 {
		t.Error("the submit that nobody decided on is gone")
	}
	if n := textsIn(t, a.running.storePath, converttest.Marker+"DISCARDED"); n != 0 {
		t.Errorf("%d texts of the submit that went lie in the files", n)
	}

	// 56 days: lines are over their time, up to the emergency that nobody signed off.
	a.pass(20)
	goes, held = counts(a.run(true))
	emergencies, err := a.audit.ListAccesses(a.as("harbour-reviewer"), &trigonev1.ListAccessesRequest{UnsignedEmergenciesOnly: true, Parent: "sites/harbour"})
	a.ok(err)
	if len(emergencies.GetAccesses()) != 1 || goes[2] == 0 || held[2] == 0 {
		t.Fatalf("%d emergencies, %v go, %v stay", len(emergencies.GetAccesses()), goes, held)
	}
	cut := a.run(false)
	if goes, _ := counts(cut); goes[2] < 3 || !strings.Contains(cut.GetOutcomes()[2].GetExplanation(), "--sign-off") {
		t.Errorf("%v", cut)
	}
	_, err = a.audit.SignOffAccess(a.as("harbour-reviewer"), &trigonev1.SignOffAccessRequest{Number: emergencies.GetAccesses()[0].GetNumber(), Parent: "sites/harbour"})
	a.ok(err)
	last := a.run(false)
	if goes, held := counts(last); goes[2] < 2 || held[2] != 0 || !last.GetOverwritten() {
		t.Errorf("once it is signed off: %v", last)
	}
	v, err := VerifyAccess(t.Context(), a.running.storePath, AccessProof{KeyFile: a.key})
	if err != nil || v.Cut.Number == 0 || v.First != v.Cut.Number+1 || v.Cut.Caller != "harbour-administrator" || v.Cut.Site != "harbour" {
		t.Errorf("%+v, %v", v, err)
	}
	told, err := a.audit.ListAccesses(a.as("harbour-auditor"), &trigonev1.ListAccessesRequest{Caller: "harbour-administrator", Parent: "sites/harbour"})
	a.ok(err)
	said := map[string]int{}
	for _, line := range told.GetAccesses() {
		if line.GetMethod() != "AdministrationService/RunRetention" || line.GetOutcome() != "OK" {
			t.Errorf("line %v", line)
		}
		said[line.GetDetail()]++
	}
	if said["earlier lines removed for their age"] != 2 || said["removed for their age: quarantined bodies 1, requests 4"] != 1 || said["dry run"] < 2 || said["nothing was over its time"] != 1 {
		t.Errorf("lines say %v", said)
	}
	after, err := a.record.GetCase(a.as("harbour-reader"), &trigonev1.GetCaseRequest{Case: ref})
	if err != nil || !proto.Equal(after, before) {
		t.Errorf("the case changed: %v", err)
	}
	if v, err := sqlite.Verify(t.Context(), a.running.storePath, func(where string) { t.Error(where) }); err != nil || v.Cases != 1 {
		t.Errorf("%+v, %v", v, err)
	}
	if a.logs.FilterMessage("removed for its age").Len() < 4 {
		t.Error("the log does not say what went")
	}
}

// textsIn counts a text in the files of a store.
func textsIn(t *testing.T, path, marker string) (n int) {
	t.Helper()
	for _, name := range []string{path, path + "-wal"} {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		n += strings.Count(strings.ToUpper(string(content)), marker)
	}
	return n
}

// Where a line that would go is not the one that was written, nothing goes, and it is
// told what to do.
func TestRetentionOfABrokenRecord(t *testing.T) {
	a := newAged(t, retentionText)
	for range 3 {
		_, err := a.record.ListCases(a.as("harbour-reader"), &trigonev1.ListCasesRequest{Parent: "sites/harbour"})
		a.ok(err)
	}
	for head := int64(0); head < 4; time.Sleep(10 * time.Millisecond) { // lines of reads come a little later
		h, err := a.running.store.AccessHead(t.Context())
		a.ok(err)
		head = h.Number
	}
	db, err := sql.Open("sqlite", a.running.storePath)
	a.ok(err)
	_, err = db.ExecContext(t.Context(), `UPDATE accesses SET caller = 'nobody' WHERE number = 2`)
	a.ok(errors.Join(err, db.Close()))
	a.pass(60)
	goes, _ := counts(a.run(true))
	_, err = a.administration.RunRetention(a.as("harbour-administrator"), &trigonev1.RunRetentionRequest{})
	if st := status.Convert(err); goes[2] < 3 || st.Code() != codes.DataLoss || !strings.Contains(st.Message(), "line 2 of") || !strings.Contains(st.Message(), "nothing was removed") {
		t.Errorf("%v were to go: %v", goes, err)
	}
	if again, _ := counts(a.run(true)); again[2] < goes[2] {
		t.Errorf("%v went all the same", goes[2]-again[2])
	}
}

// Without a deployment file all is kept, and without a key no line goes.
func TestRetentionWithoutTimes(t *testing.T) {
	conn, _ := start(t)
	resp, err := trigonev1.NewAdministrationServiceClient(conn).RunRetention(t.Context(), &trigonev1.RunRetentionRequest{})
	if err != nil || len(resp.GetOutcomes()) != 3 || resp.GetOverwritten() {
		t.Fatalf("%v, %v", resp, err)
	}
	for _, o := range resp.GetOutcomes() {
		if o.GetKeptDays() != 0 || o.GetBefore() != nil || o.GetCount() != 0 || !strings.HasPrefix(o.GetExplanation(), "Kept for good") {
			t.Errorf("%v", o)
		}
	}
	if resp.GetMessage() != "Nothing is over its time." {
		t.Error(resp.GetMessage())
	}
}
