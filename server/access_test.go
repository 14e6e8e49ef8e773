package server

import (
	"crypto/ed25519"
	"crypto/x509"
	"database/sql"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/dynamicpb"

	"trigone/internal/access"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// keyFile makes a key that signs the access record.
func keyFile(t testing.TB) string {
	t.Helper()
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "access.key")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// lines waits for the lines of so many calls beside those of the service, and gives
// them oldest first. The calls by which it asks have lines too; they are left out.
func lines(t *testing.T, conn *grpc.ClientConn, req *trigonev1.ListAccessesRequest, want int) (list []*trigonev1.Access) {
	t.Helper()
	audit := trigonev1.NewAuditServiceClient(conn)
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		list = nil
		for req.PageToken = ""; ; {
			page, err := audit.ListAccesses(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range page.GetAccesses() {
				if a.GetCaller() != access.Self && a.GetMethod() != "AuditService/ListAccesses" {
					list = append(list, a)
				}
			}
			if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
				break
			}
		}
		if len(list) >= want || time.Now().After(deadline) {
			slices.Reverse(list)
			return list
		}
	}
}

func submitted(t *testing.T, conn *grpc.ClientConn, name string) string {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: "submit-" + name})
	if err != nil {
		t.Fatal(err)
	}
	return answer.GetCaseName()
}

// Every RPC of the contract that may reach the record has a line, whatever came of it,
// and a stream has one when it begins and one when it ends.
func TestEveryRPCHasALine(t *testing.T) {
	conn, _ := start(t)
	want := map[string]int{}
	for _, method := range declared() {
		name := string(method.Parent().Name()) + "/" + string(method.Name())
		if method.Parent().Name() == "ReferenceService" || name == "AuditService/ListAccesses" {
			continue
		}
		want[name]++
		// Most are refused: they lack all that is needed. A stream that answers has a line
		// before its first answer, too.
		if ask(t.Context(), conn, method, dynamicpb.NewMessage(method.Input())) == nil && method.IsStreamingServer() {
			want[name]++
		}
	}
	total := 0
	for _, n := range want {
		total += n
	}
	got := map[string]int{}
	for _, a := range lines(t, conn, &trigonev1.ListAccessesRequest{PageSize: 500}, total) {
		got[a.GetMethod()]++
		if a.GetCaller() != localName || a.GetOutcome() == "" || a.GetTime() == nil {
			t.Errorf("a line says %v", a)
		}
	}
	for name, n := range want {
		if got[name] != n {
			t.Errorf("%s: %d lines, want %d", name, got[name], n)
		}
	}
	if len(want) < 18 {
		t.Errorf("only %d RPCs were asked", len(want))
	}
}

// Who looked: what was read and written of a case is found by the case, lists and
// exports by how many cases they told of, and refusals too.
func TestWhoLooked(t *testing.T) {
	conn, _, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	name, other := submitted(t, conn, "saddle-annulus"), submitted(t, conn, "recurrence")
	ref := &trigonev1.CaseReference{Name: name}
	ctx := t.Context()
	record, handover := trigonev1.NewRecordServiceClient(conn), trigonev1.NewElectronicRecordServiceClient(conn)
	must := func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref}))
	must(handover.GetBundle(ctx, &trigonev1.GetBundleRequest{Case: ref, Form: trigonev1.BundleForm_BUNDLE_FORM_COLLECTION}))
	must(record.ListCases(ctx, &trigonev1.ListCasesRequest{}))
	if _, err := record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: other[:len(other)-4] + "0000"}}); status.Code(err) != codes.NotFound {
		t.Fatal(err)
	}
	file, err := testdata.Read(testdata.Cases, "saddle-annulus")
	if err != nil {
		t.Fatal(err)
	}
	must(record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: "submit-saddle-annulus"})) // again
	stream, err := handover.ExportResources(ctx, &trigonev1.ExportResourcesRequest{})
	for err == nil {
		_, err = stream.Recv()
	}
	bundle, err := handover.GetBundle(ctx, &trigonev1.GetBundleRequest{Case: ref, Form: trigonev1.BundleForm_BUNDLE_FORM_COLLECTION})
	must(bundle, err)
	fhir := func(path string, want int) string {
		t.Helper()
		resp, err := http.Get("http://" + running.RESTAddr() + "/fhir" + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != want {
			t.Fatalf("%s: %d, %v", path, resp.StatusCode, err)
		}
		return string(body)
	}
	fhir("/Procedure?status=stopped", http.StatusOK)
	for _, one := range regexp.MustCompile(`"id":"([0-9a-f-]{36})"[^{}]*"meta":\{[^{}]*"versionId":"([0-9]+)"`).FindAllStringSubmatch(fhir("/Procedure", http.StatusOK), -1) {
		if strings.Contains(bundle.GetBundle(), one[1]) {
			fhir("/Procedure/"+one[1], http.StatusOK)
			fhir("/Procedure/"+one[1]+"/_history/"+one[2], http.StatusOK)
			break
		}
	}
	fhir("/metadata", http.StatusOK)
	fhir("/CodeSystem/none", http.StatusNotFound)
	fhir("/Procedure/none", http.StatusNotFound)

	var all, ofCase []string
	tell := func(list []*trigonev1.Access) (out []string) {
		for _, a := range list {
			words := []string{a.GetMethod()}
			switch {
			case a.GetCaseName() == name:
				words = append(words, "first")
			case a.GetCaseName() == other:
				words = append(words, "second")
			case a.GetCaseCount() > 0:
				words = append(words, "several")
			}
			out = append(out, strings.Join(append(words, a.GetRequestId(), a.GetOutcome()), " "))
		}
		return out
	}
	all = tell(lines(t, conn, &trigonev1.ListAccessesRequest{PageSize: 3}, 15))
	ofCase = tell(lines(t, conn, &trigonev1.ListAccessesRequest{Case: ref}, 7))
	want := []string{
		"RecordService/SubmitCase first submit-saddle-annulus OK",
		"RecordService/SubmitCase second submit-recurrence OK",
		"RecordService/GetCase first  OK",
		"ElectronicRecordService/GetBundle first  OK",
		"ElectronicRecordService/GetBundle first  OK",
		"RecordService/ListCases several  OK",
		"RecordService/GetCase  NotFound",
		"RecordService/SubmitCase first submit-saddle-annulus OK",
		"ElectronicRecordService/ExportResources  BEGUN",
		"ElectronicRecordService/ExportResources several  OK",
		"GET Procedure  OK",
		"GET Procedure several  OK",
		"GET Procedure/{id} first  OK",
		"GET Procedure/{id}/_history/{version} first  OK",
		"GET Procedure/{id}  HTTP 404",
	}
	slices.Sort(want)
	slices.Sort(all)
	if !slices.Equal(all, want) {
		t.Errorf("lines\n%s\nwant\n%s", strings.Join(all, "\n"), strings.Join(want, "\n"))
	}
	if len(ofCase) != 7 || !strings.HasPrefix(ofCase[0], "RecordService/SubmitCase first") {
		t.Errorf("of the case: %s", strings.Join(ofCase, "\n"))
	}
}

// The line of a write is in the write's own transaction: once the answer is there, so is
// the line, without waiting.
func TestWritesCarryTheirLine(t *testing.T) {
	conn, _, running := startWith(t, Options{})
	head := func() int64 {
		h, err := running.store.AccessHead(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return h.Number
	}
	for head() == 0 { // the line of the start
		time.Sleep(time.Millisecond)
	}
	for _, name := range testdata.Names(testdata.Cases)[:6] {
		before := head()
		submitted(t, conn, name)
		if got := head(); got != before+1 {
			t.Errorf("%s: %d lines more after the answer, want 1", name, got-before)
		}
	}
}

// locked holds the store against every writer until it is let go.
func locked(t *testing.T, path string) (letGo func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := db.Conn(t.Context())
	if err == nil {
		_, err = conn.ExecContext(t.Context(), `BEGIN IMMEDIATE`)
	}
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		if _, err := conn.ExecContext(t.Context(), `ROLLBACK`); err != nil {
			t.Error(err)
		}
		_, _ = conn.Close(), db.Close()
	}
}

// Where the record is signed, nothing is shown while lines cannot be written: neither by
// the RPCs nor by the REST face; what tells of no patient is. Without a key, reads go on.
func TestReadsFailClosed(t *testing.T) {
	if testing.Short() {
		t.Skip("waits until a store that another program holds is given up")
	}
	for _, signed := range []bool{true, false} {
		o := Options{HTTPListen: "127.0.0.1:0"}
		if signed {
			o.AccessKeyFile = keyFile(t)
		}
		conn, logs, running := startWith(t, o)
		name := submitted(t, conn, "saddle-annulus")
		record := trigonev1.NewRecordServiceClient(conn)
		get := func() error {
			_, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: name}})
			return err
		}
		web := func(path string) int {
			resp, err := http.Get("http://" + running.RESTAddr() + "/fhir" + path)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			return resp.StatusCode
		}
		letGo := locked(t, running.storePath)
		var refused error
		for deadline := time.Now().Add(15 * time.Second); refused == nil && time.Now().Before(deadline); time.Sleep(100 * time.Millisecond) {
			if refused = get(); !signed && logs.FilterMessageSnippet("CANNOT BE WRITTEN").Len() > 0 {
				break
			}
		}
		emergency, urgent := record.GetCaseInEmergency(t.Context(), &trigonev1.GetCaseInEmergencyRequest{Case: &trigonev1.CaseReference{Name: name}, Reason: "bleeding"})
		if urgent != nil || emergency.GetCase().GetName() != name {
			t.Errorf("in an emergency: %v", urgent)
		}
		if _, err := record.GetCaseInEmergency(t.Context(), &trigonev1.GetCaseInEmergencyRequest{Case: &trigonev1.CaseReference{Name: name}, Reason: " "}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("in an emergency without a reason: %v", err)
		}
		if warned := logs.FilterMessage("READ IN AN EMERGENCY").All(); len(warned) != 1 || strings.Contains(fmt.Sprint(warned[0].ContextMap()), "bleeding") {
			t.Errorf("the log says of emergencies %v", warned)
		}
		searched, told := web("/Procedure"), web("/metadata")
		_, reference := trigonev1.NewReferenceServiceClient(conn).ListSources(t.Context(), &trigonev1.ListSourcesRequest{})
		letGo()
		if signed {
			if status.Code(refused) != codes.Unavailable || !strings.Contains(refused.Error(), "printed plan") || searched != http.StatusServiceUnavailable {
				t.Errorf("while lines cannot be written: %v, search %d", refused, searched)
			}
		} else if refused != nil || searched != http.StatusOK {
			t.Errorf("without a key: %v, search %d", refused, searched)
		}
		if told != http.StatusOK || reference != nil {
			t.Errorf("what tells of no patient: metadata %d, sources %v", told, reference)
		}
		for deadline := time.Now().Add(15 * time.Second); get() != nil; time.Sleep(50 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatal("reads are refused although lines can be written again")
			}
		}
		// The emergency is on record, marked and with its reason, until it is signed off.
		audit := trigonev1.NewAuditServiceClient(conn)
		open := lines(t, conn, &trigonev1.ListAccessesRequest{UnsignedEmergenciesOnly: true}, 1)
		if len(open) != 1 || open[0].GetReason() != "bleeding" || open[0].GetCaseName() != name || open[0].GetOutcome() != "OK" {
			t.Fatalf("emergencies on record: %v", open)
		}
		if _, err := audit.SignOffAccess(t.Context(), &trigonev1.SignOffAccessRequest{Number: open[0].GetNumber() - 1}); status.Code(err) != codes.NotFound {
			t.Errorf("signed off what is no emergency: %v", err)
		}
		if _, err := audit.SignOffAccess(t.Context(), &trigonev1.SignOffAccessRequest{Number: open[0].GetNumber()}); err != nil {
			t.Error(err)
		}
		page, err := audit.ListAccesses(t.Context(), &trigonev1.ListAccessesRequest{UnsignedEmergenciesOnly: true})
		if err != nil || len(page.GetAccesses()) != 0 {
			t.Errorf("emergencies after they were signed off: %v, %v", page.GetAccesses(), err)
		}
		if signed {
			// The refusals are on record too, and the chain is whole.
			found := false
			for _, a := range lines(t, conn, &trigonev1.ListAccessesRequest{PageSize: 500}, 4) {
				found = found || a.GetOutcome() == codes.Unavailable.String()
			}
			if v, err := VerifyAccess(t.Context(), running.storePath, AccessProof{KeyFile: o.AccessKeyFile}); err != nil || !found {
				t.Errorf("%+v, %v; refusals on record: %v", v, err, found)
			}
		}
	}
}

// What the log prints proves the end of the record when the service has stopped.
func TestHeadsOfTheLogProveTheEnd(t *testing.T) {
	key := keyFile(t)
	conn, logs, running := startWith(t, Options{AccessKeyFile: key})
	submitted(t, conn, "saddle-annulus")
	running.recorder.Stop()
	heads := logs.FilterMessage("access head").All()
	if len(heads) == 0 {
		t.Fatal("no head was printed")
	}
	head := heads[len(heads)-1].ContextMap()["head"].(string)
	log := filepath.Join(t.TempDir(), "log")
	if err := os.WriteFile(log, []byte(`{"msg":"access head","head":"`+head+`","signed":true}`+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	v, err := VerifyAccess(t.Context(), running.storePath, AccessProof{KeyFile: key, Heads: []string{head}, LogFiles: []string{log}})
	if err != nil || v.Signed != v.Last || v.Heads < 3 || v.Lines < 3 {
		t.Errorf("%+v, %v", v, err)
	}
	db, err := sql.Open("sqlite", "file:"+running.storePath)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if _, err := db.ExecContext(t.Context(), `DELETE FROM accesses WHERE number > 1; DELETE FROM access_heads;
		UPDATE access_chain SET number = 1, hash = (SELECT hash FROM accesses WHERE number = 1)`); err != nil {
		t.Fatal(err)
	}
	if _, err := VerifyAccess(t.Context(), running.storePath, AccessProof{KeyFile: key}); err != nil {
		t.Errorf("without a head from elsewhere nothing shows that: %v", err)
	}
	if _, err := VerifyAccess(t.Context(), running.storePath, AccessProof{KeyFile: key, LogFiles: []string{log}}); err == nil || !strings.Contains(err.Error(), "cut off") {
		t.Errorf("by the log: %v", err)
	}
}
