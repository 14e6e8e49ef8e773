package server

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/casebook"
	"trigone/internal/convert/converttest"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// exported gives every resource of an export, by type and id.
func exported(t *testing.T, conn *grpc.ClientConn) map[string]string {
	t.Helper()
	stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(t.Context(), &trigonev1.ExportResourcesRequest{})
	list := map[string]string{}
	for err == nil {
		var part *trigonev1.ExportResourcesResponse
		if part, err = stream.Recv(); err == nil {
			for line := range strings.Lines(part.GetChunk().GetNdjson()) {
				_, id, _ := strings.Cut(line, `"id":"`)
				id, _, _ = strings.Cut(id, `"`)
				list[part.GetChunk().GetResourceType()+"/"+id] = line
			}
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return list
}

// marked gives a case with a text of its own in every field that identifies.
func marked(t *testing.T, name, source string) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	if file.GetIdentity() == nil {
		file.Identity = &trigonev1.Identity{}
	}
	converttest.Flood(file, source)
	return file
}

// markers counts the texts of marked fields in the files of a store.
func markers(t *testing.T, path string) (n int) {
	t.Helper()
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		n += bytes.Count(bytes.ToUpper(content), []byte(converttest.Marker))
	}
	return n
}

// Identity goes from record and files, values stay and count; the case goes with all
// that was said of it, and receivers are told so of every id that they ever got.
func TestErasure(t *testing.T) {
	if testing.Short() {
		t.Skip("one call after the other")
	}
	conn, logs, running := startWith(t, Options{HTTPListen: "127.0.0.1:0"})
	ctx := t.Context()
	record, administration := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAdministrationServiceClient(conn)
	audit, handover := trigonev1.NewAuditServiceClient(conn), trigonev1.NewElectronicRecordServiceClient(conn)
	submit := func(name, source string) *trigonev1.CaseReference {
		answer, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: marked(t, name, source), RequestId: source})
		if err != nil {
			t.Fatal(err)
		}
		return &trigonev1.CaseReference{Name: answer.GetCaseName()}
	}
	first := submit("recurrence", "one")
	get := func(ref *trigonev1.CaseReference) *trigonev1.Case {
		got, err := record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetCase()
	}
	counts := func() *trigonev1.ComparisonCounts {
		list, err := audit.ListComparisons(ctx, &trigonev1.ListComparisonsRequest{IncludeCounts: true})
		if err != nil {
			t.Fatal(err)
		}
		return list.GetCounts()
	}
	before, counted := get(first), counts()
	if markers(t, running.storePath) == 0 {
		t.Fatal("what identifies is not found before it is erased: the search sees nothing")
	}

	// Who has not looked is refused; asking as if removes nothing.
	if _, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: first, CaseVersion: before.GetCaseVersion() + 1}); status.Code(err) != codes.Aborted {
		t.Errorf("a stale version: %v", err)
	}
	asIf, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: first, CaseVersion: before.GetCaseVersion(), ValidateOnly: true})
	if err != nil || !strings.HasPrefix(asIf.GetMessage(), "Nothing was removed") || !proto.Equal(get(first), before) {
		t.Errorf("as if: %v, %v", asIf, err)
	}
	erased, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: first, CaseVersion: before.GetCaseVersion(), RequestId: "erase"})
	if err != nil || !erased.GetOverwritten() {
		t.Fatalf("%v, %v", erased, err)
	}
	again, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: first, CaseVersion: before.GetCaseVersion(), RequestId: "erase"})
	if err != nil || !proto.Equal(erased, again) {
		t.Errorf("asked again: %v, %v", again, err)
	}
	if n := markers(t, running.storePath); n != 0 {
		t.Errorf("%d texts that identify lie in the files", n)
	}
	after := get(first)
	if !proto.Equal(after.GetEvaluation(), before.GetEvaluation()) || !proto.Equal(counts(), counted) {
		t.Error("values or counts changed by the erasure of an identity")
	}
	if after.GetCaseFile().GetPatientIdentifier() != nil || after.GetCaseFile().GetExternalIdentifier() != nil || after.GetCaseVersion() != before.GetCaseVersion()+1 {
		t.Errorf("the case still has %v, %v, version %d", after.GetCaseFile().GetPatientIdentifier(), after.GetCaseFile().GetExternalIdentifier(), after.GetCaseVersion())
	}

	// The whole case.
	second := submit("saddle-annulus", "two")
	kept := submit("ring-exchanged", "three")
	keptCase := get(kept)
	sent := exported(t, conn)
	ofSecond := map[string]bool{}
	bundle, err := handover.GetBundle(ctx, &trigonev1.GetBundleRequest{Case: second, Form: trigonev1.BundleForm_BUNDLE_FORM_COLLECTION})
	if err != nil {
		t.Fatal(err)
	}
	for id := range sent {
		_, id, _ = strings.Cut(id, "/")
		if strings.Contains(bundle.GetBundle(), id) {
			ofSecond[id] = true
		}
	}
	whole, err := administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{Case: second, CaseVersion: get(second).GetCaseVersion(), RequestId: "whole"})
	if err != nil || !whole.GetOverwritten() || whole.GetState() != trigonev1.CaseState_CASE_STATE_RETRACTED {
		t.Fatalf("%v, %v", whole, err)
	}
	left := get(second)
	if left.GetErasedTime() == nil || len(left.GetSections()) > 0 || left.GetEvaluation() != nil || left.GetCaseVersion() != whole.GetCaseVersion() {
		t.Errorf("of the erased case there is %v", left)
	}
	if !proto.Equal(get(kept), keptCase) {
		t.Error("another case changed")
	}
	now := counts()
	if now.GetErasedCaseCount() != 1 || now.GetRetractedCaseCount() != counted.GetRetractedCaseCount()+1 {
		t.Errorf("counts %v", now)
	}
	gone := 0
	for id, line := range exported(t, conn) {
		_, short, _ := strings.Cut(id, "/")
		if !ofSecond[short] {
			continue
		}
		gone++
		if !strings.Contains(line, "entered-in-error") && !strings.HasPrefix(id, "Provenance/") && !strings.Contains(line, `"status":"inactive"`) {
			t.Errorf("of %s receivers are told %s", id, line)
		}
	}
	if gone < 20 || gone != len(ofSecond) {
		t.Errorf("receivers are told of %d resources, they were sent %d", gone, len(ofSecond))
	}
	changes, err := record.ListChanges(ctx, &trigonev1.ListChangesRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[trigonev1.ChangeKind]int{}
	for _, c := range changes.GetChanges() {
		kinds[c.GetKind()]++
	}
	if kinds[trigonev1.ChangeKind_CHANGE_KIND_CASE_ERASED] != 1 || kinds[trigonev1.ChangeKind_CHANGE_KIND_IDENTITY_ERASED] != 1 {
		t.Errorf("changes %v", kinds)
	}
	if v, err := Verify(ctx, running.storePath, func(where string) { t.Error(where) }); err != nil || v.Cases != 3 {
		t.Errorf("%+v, %v", v, err)
	}

	// A rebuild brings nothing back, receivers are told as before, and what they search
	// finds what is gone as entered in error.
	told, found := exported(t, conn), searchedInError(t, running)
	if !slices.ContainsFunc(found, func(id string) bool { return ofSecond[id] }) {
		t.Error("no search finds a resource of the erased case")
	}
	for _, p := range projectors() {
		for _, made := range []casebook.Projector{raised{p}, p} { // the second, so that this program reads them
			if err := casebook.Rebuild(ctx, casebook.RebuildConfig{Store: running.store, Policy: builtInPolicy(t), Projectors: []casebook.Projector{made}, Report: func(casebook.Rebuilt) {}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if now := searchedInError(t, running); !slices.Equal(now, found) {
		t.Errorf("after a rebuild a search finds %d resources in error, %d before", len(now), len(found))
	}
	facts, err := audit.ListCaseFacts(ctx, &trigonev1.ListCaseFactsRequest{})
	if err != nil || len(facts.GetFacts()) != 2 {
		t.Errorf("%d facts after a rebuild, %v", len(facts.GetFacts()), err)
	}
	rebuilt := exported(t, conn)
	for id, line := range told {
		if rebuilt[id] != line {
			t.Errorf("%s after a rebuild: %s", id, rebuilt[id])
			break
		}
	}
	if len(rebuilt) != len(told) {
		t.Errorf("%d resources after a rebuild, %d before", len(rebuilt), len(told))
	}
	for _, entry := range logs.All() {
		if tells(entry.Message) {
			t.Errorf("the log says %s", entry.Message)
		}
	}
}

// searchedInError gives the ids of what searches find that was entered in error.
func searchedInError(t *testing.T, running *Running) (ids []string) {
	t.Helper()
	for _, search := range []string{"Procedure?status=entered-in-error", "DiagnosticReport?status=entered-in-error", "Observation?status=entered-in-error&_count=500"} {
		resp, err := http.Get("http://" + running.RESTAddr() + "/fhir/" + search)
		if err != nil {
			t.Fatal(err)
		}
		var bundle struct {
			Entry []struct{ Resource struct{ ID string } }
		}
		if err := errors.Join(json.NewDecoder(resp.Body).Decode(&bundle), resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK || len(bundle.Entry) == 0 {
			t.Fatalf("%s: %d, %d entries, %v", search, resp.StatusCode, len(bundle.Entry), err)
		}
		for _, e := range bundle.Entry {
			ids = append(ids, e.Resource.ID)
		}
	}
	slices.Sort(ids)
	return ids
}

// An erasure that cannot be listed is told as what it is: made, and to be sent again.
func TestAnErasureThatIsNotListed(t *testing.T) {
	conn, logs, running := startWith(t, Options{})
	ctx, administration := t.Context(), trigonev1.NewAdministrationServiceClient(conn)
	ref := &trigonev1.CaseReference{Name: submitted(t, conn, "core-only")}
	list := ErasuresFile(running.storePath)
	if err := os.Mkdir(list, 0o700); err != nil { // nobody writes lines to a folder
		t.Fatal(err)
	}
	erase := &trigonev1.EraseCaseRequest{Case: ref, CaseVersion: 1, RequestId: "erase"}
	_, err := administration.EraseCase(ctx, erase)
	st := status.Convert(err)
	if st.Code() != codes.Unavailable || !strings.Contains(st.Message(), "the erasure was made") || !strings.Contains(st.Message(), "send the same request again with the same request_id") {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			told[d.GetReason()] = true
		case *errdetails.RetryInfo:
			told["again"] = d.GetRetryDelay().AsDuration() > 0
		}
	}
	if !told[reasonNotListed] || !told["again"] {
		t.Errorf("details %v", st.Details())
	}
	got, err := trigonev1.NewRecordServiceClient(conn).GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref})
	if err != nil || got.GetCase().GetErasedTime() == nil {
		t.Errorf("the case: %v, %v", got, err)
	}
	if logs.FilterMessageSnippet("NOT ON THE LIST OF ERASURES").Len() != 1 {
		t.Error("the log does not say it")
	}
	if err := os.Remove(list); err != nil {
		t.Fatal(err)
	}
	if again, err := administration.EraseCase(ctx, erase); err != nil || !again.GetOverwritten() {
		t.Fatalf("again: %v, %v", again, err)
	}
	lines, err := readErasures(list, "")
	if err != nil || len(lines) != 1 || !strings.HasSuffix(ref.GetName(), lines[0].Case) || lines[0].What != storage.EraseWhole {
		t.Errorf("the list: %+v, %v", lines, err)
	}
}

// Who follows what changes sees that a submit which waited for a reviewer went with the
// case that it was addressed to, and not which case that was.
func TestAnErasureTellsOfSubmitsItDiscards(t *testing.T) {
	conn, _, _ := startWith(t, Options{})
	ctx, record, administration := t.Context(), trigonev1.NewRecordServiceClient(conn), trigonev1.NewAdministrationServiceClient(conn)
	name := submitted(t, conn, "core-only")
	aside := func(id string) string {
		answer, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{RequestId: id, CaseName: name, CaseFile: &trigonev1.CaseFile{
			PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patients", Value: "another " + id},
			FollowUps:         []*trigonev1.FollowUp{{Id: "f", Kind: trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE}},
		}})
		if err != nil || answer.GetQuarantineId() == "" {
			t.Fatalf("%v, %v", answer, err)
		}
		return answer.GetQuarantineId()
	}
	decided, open, later := aside("decided"), aside("open"), ""
	discard(ctx, t, record, decided)
	erased, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: &trigonev1.CaseReference{Name: name}, CaseVersion: 1})
	if err != nil {
		t.Fatal(err)
	}
	later = aside("later")
	if _, err := administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{Case: &trigonev1.CaseReference{Name: name}, CaseVersion: erased.GetCaseVersion()}); err != nil {
		t.Fatal(err)
	}
	changes, err := record.ListChanges(ctx, &trigonev1.ListChangesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range changes.GetChanges() {
		if c.GetKind() != trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_DISCARDED {
			continue
		}
		got = append(got, c.GetQuarantineId()+" "+c.GetReason())
		if c.GetCaseName() != "" || c.GetTime() == nil {
			t.Errorf("%v", c)
		}
	}
	if want := []string{decided + " ", open + " identity_erased", later + " case_erased"}; !slices.Equal(got, want) {
		t.Errorf("discarded: %q, want %q", got, want)
	}
}

// Where the site's policy says so, a case that is erased goes on to count: what is kept
// says of nobody, is not touched by a rebuild, and lists and counts are true. By default,
// and of a case that was retracted, nothing is kept.
func TestErasedCasesGoOnToCount(t *testing.T) {
	for _, cut := range []bool{true, false} {
		o := Options{}
		if cut {
			o.PolicyPath = filepath.Join(t.TempDir(), "cut.yaml")
			if err := os.WriteFile(o.PolicyPath, []byte(builtInPolicy(t).Text+"\nerased_cases: cut\n"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		conn, _, running := startWith(t, o)
		ctx, record := t.Context(), trigonev1.NewRecordServiceClient(conn)
		audit, administration := trigonev1.NewAuditServiceClient(conn), trigonev1.NewAdministrationServiceClient(conn)
		list := func() *trigonev1.ListCaseFactsResponse {
			facts, err := audit.ListCaseFacts(ctx, &trigonev1.ListCaseFactsRequest{IncludeErased: true})
			if err != nil {
				t.Fatal(err)
			}
			return facts
		}
		counts := func() *trigonev1.ComparisonCounts {
			list, err := audit.ListComparisons(ctx, &trigonev1.ListComparisonsRequest{IncludeCounts: true})
			if err != nil {
				t.Fatal(err)
			}
			return list.GetCounts()
		}
		var refs []*trigonev1.CaseReference
		for _, name := range []string{"saddle-annulus", "ring-exchanged", "recurrence"} {
			answer, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: marked(t, name, name)})
			if err != nil {
				t.Fatal(err)
			}
			refs = append(refs, &trigonev1.CaseReference{Name: answer.GetCaseName()})
		}
		retracted, err := record.RetractCase(ctx, &trigonev1.RetractCaseRequest{Case: refs[2], CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR})
		if err != nil {
			t.Fatal(err)
		}
		before, counted := list(), counts()
		if len(before.GetFacts()) != 2 || len(before.GetErased()) > 0 || before.GetErasedCaseCount() != 0 {
			t.Fatalf("before: %v", before)
		}
		var was *trigonev1.CaseFacts
		for _, f := range before.GetFacts() {
			if f.GetCaseName() == refs[0].GetName() {
				was = f
			}
		}
		erased, err := administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{Case: refs[0], CaseVersion: 1})
		if err != nil || strings.Contains(erased.GetMessage(), "goes on to count") != cut {
			t.Fatalf("%v, %v", erased, err)
		}
		if _, err := administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{Case: refs[2], CaseVersion: retracted.GetCaseVersion()}); err != nil {
			t.Fatal(err)
		}
		now, nowCounted := list(), counts()
		if len(now.GetFacts()) != 1 || now.GetErasedCaseCount() != 2 || nowCounted.GetErasedCaseCount() != 2 ||
			nowCounted.GetOperatedCaseCount() != counted.GetOperatedCaseCount()-1 || nowCounted.GetRetractedCaseCount() != counted.GetRetractedCaseCount()+1 {
			t.Errorf("cut %v: %v, counts %v, were %v", cut, now, nowCounted, counted)
		}
		if !cut {
			if len(now.GetErased()) != 0 {
				t.Errorf("without a word of the policy %v is kept", now.GetErased())
			}
			continue
		}
		if len(now.GetErased()) != 1 {
			t.Fatalf("kept are %v", now.GetErased())
		}
		kept := now.GetErased()[0]
		if kept.GetYear() != int32(was.GetTimes().GetIncisionTime().AsTime().Year()) || kept.GetAgeDecade() == "" || !slices.Equal(kept.GetTechniquesDone(), was.GetRepair().GetTechniquesDone()) ||
			len(kept.GetTechniquesDone()) == 0 || kept.GetLeavingTheatreGrade() == nil || kept.GetLeftTheatreAlive() != was.GetOutcome().GetLeftTheatreAlive() ||
			kept.GetDecision() != was.GetRepair().GetDecision() || kept.GetConverted() != was.GetRepair().GetConverted() {
			t.Errorf("kept is %v of %v", kept, was)
		}
		// A decade, not an age: of numbers nothing but the year is kept.
		kept.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			if k := fd.Kind(); (k == protoreflect.Int32Kind || k == protoreflect.DoubleKind) && fd.Name() != "year" || fd.Message() != nil && fd.Message().Name() != "Grade" {
				t.Errorf("%s is kept", fd.Name())
			}
			return true
		})
		uid := refs[0].GetName()[strings.LastIndexByte(refs[0].GetName(), '/')+1:]
		if err := sqlite.Dump(ctx, running.storePath, func(table, column string, value []byte) error {
			if table == "erased_remains" && (bytes.Contains(value, []byte(uid)) || tells(string(value))) {
				t.Errorf("%s of %s names the case", column, table)
			}
			return nil
		}); err != nil {
			t.Error(err)
		}
		if n := markers(t, running.storePath); n == 0 {
			t.Error("what identifies the case that stays is gone")
		}
		for _, p := range projectors() {
			if err := casebook.Rebuild(ctx, casebook.RebuildConfig{Store: running.store, Policy: builtInPolicy(t), Projectors: []casebook.Projector{raised{p}}, Report: func(casebook.Rebuilt) {}}); err != nil {
				t.Fatal(err)
			}
		}
		if again := list(); !proto.Equal(again, now) || !proto.Equal(counts(), nowCounted) {
			t.Errorf("after a rebuild %v, before %v", again, now)
		}
		first, err := audit.ListCaseFacts(ctx, &trigonev1.ListCaseFactsRequest{})
		if err != nil || len(first.GetErased()) > 0 || first.GetErasedCaseCount() != 0 {
			t.Errorf("told without being asked: %v, %v", first, err)
		}
	}
}

// discard discards a submit that was set aside, as one who has read it.
func discard(ctx context.Context, t *testing.T, record trigonev1.RecordServiceClient, id string) {
	t.Helper()
	read, err := record.GetQuarantined(ctx, &trigonev1.GetQuarantinedRequest{QuarantineId: id, Parent: "sites/harbour"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := record.FileQuarantined(ctx, &trigonev1.FileQuarantinedRequest{
		QuarantineId: id, Parent: "sites/harbour", Reason: "another patient", Etag: read.GetQuarantined().GetEtag(), RequestId: "discard",
		Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
	}); err != nil {
		t.Fatal(err)
	}
}

// raised is a projector as a later version of the program would have it.
type raised struct{ casebook.Projector }

// Version is another one.
func (r raised) Version() int64 { return r.Projector.Version() + 1 }

func builtInPolicy(t *testing.T) policy.Policy {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	return p
}
