package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"trigone/internal/convert"
	"trigone/internal/convert/converttest"
	"trigone/internal/storage/sqlite"
	"trigone/server/fhirrest"
	"trigone/server/pages"
	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

// mayIdentify are the tables, or columns of tables, that hold what identifies.
var mayIdentify = map[string]string{
	"patient_identifiers":   "the patient",
	"cases.external_system": "the case number, by which every call may name the case",
	"cases.external_value":  "the case number, by which every call may name the case",
	"access_reasons":        "why somebody read in an emergency",
	"quarantine_parts":      "submits that name another patient, whole, and why a reviewer filed or discarded them",
	"identifying_parts":     "what identifies of sections, texts of retractions and reasons of confirmations",
}

// flooded is a server whose calls are all watched: nothing that was written into a
// marked field comes back in an unmarked one, in a refusal or in the log.
type flooded struct {
	*testing.T
	store          string
	running        *Running
	logs           *observer.ObservedLogs
	record         trigonev1.RecordServiceClient
	planning       trigonev1.PlanningServiceClient
	handover       trigonev1.ElectronicRecordServiceClient
	audit          trigonev1.AuditServiceClient
	administration trigonev1.AdministrationServiceClient
	calls          *int
	// written are the marked fields that were given a text.
	written map[protoreflect.FullName]bool
}

func newFlooded(t *testing.T) flooded {
	t.Helper()
	folder := t.TempDir()
	key := filepath.Join(folder, "key")
	if err := os.WriteFile(key, []byte(strings.Repeat("0123456789abcdef", 4)), 0o600); err != nil {
		t.Fatal(err)
	}
	core, logs := observer.New(zapcore.DebugLevel)
	f := flooded{T: t, store: filepath.Join(folder, "s.db"), logs: logs, calls: new(int), written: map[protoreflect.FullName]bool{}}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: f.store, DeIdentificationKeyFile: key, OperationsListen: "127.0.0.1:0", HTTPListen: "127.0.0.1:0", Log: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessageBytes)),
		grpc.WithUnaryInterceptor(func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
			err := invoke(ctx, method, req, reply, cc, opts...)
			*f.calls++
			f.watch(method, reply.(proto.Message), err)
			return err
		}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(conn.Close(), running.Stop(context.Background())); err != nil {
			t.Error(err)
		}
	})
	f.running = running
	f.record, f.planning = trigonev1.NewRecordServiceClient(conn), trigonev1.NewPlanningServiceClient(conn)
	f.handover, f.audit = trigonev1.NewElectronicRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	f.administration = trigonev1.NewAdministrationServiceClient(conn)
	return f
}

func tells(s string) bool { return strings.Contains(strings.ToUpper(s), converttest.Marker) }

// watch looks for what identifies in the unmarked fields of an answer and in a
// refusal.
func (f flooded) watch(method string, reply proto.Message, err error) {
	f.Helper()
	if err != nil {
		if st := status.Convert(err); tells(prototext.Format(st.Proto())) {
			f.Errorf("%s: the refusal tells what identifies: %v", method, err)
		}
		return
	}
	clinical, _ := convert.Part(reply)
	clinical.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		one := clinical.ProtoReflect().New()
		one.Set(fd, clinical.ProtoReflect().Get(fd))
		if text := prototext.Format(one.Interface()); tells(text) {
			at := strings.Index(strings.ToUpper(text), converttest.Marker)
			f.Errorf("%s: %s tells what identifies outside a marked field: ...%s", method, fd.Name(), text[max(0, at-200):min(len(text), at+100)])
		}
		return true
	})
}

// flood writes a text into every marked field of a request.
func (f flooded) flood(req proto.Message, source string) {
	for _, field := range converttest.Flood(req, source) {
		f.written[field] = true
	}
}

// call makes a call that must be answered.
func call[Q, A any](f flooded, method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) A {
	f.Helper()
	answer, err := method(f.Context(), req)
	if err != nil {
		f.Fatal(err)
	}
	return answer
}

// Every invented case, with a text of its own in every field that the contract
// marks, through every call that takes one: the texts come back in marked fields and
// stand in the tables for them, and nowhere else.
func TestWhatIdentifiesStaysInItsFields(t *testing.T) {
	if testing.Short() {
		t.Skip("one call after the other, of every invented case")
	}
	f := newFlooded(t)
	ctx := t.Context()

	var cases []*trigonev1.CaseReference
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		if file.GetIdentity() == nil {
			file.Identity = &trigonev1.Identity{}
		}
		req := &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: name}
		f.flood(req, name)
		first, err := f.record.SubmitCase(ctx, req)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		again := call(f, f.record.SubmitCase, req)
		if !proto.Equal(first, again) {
			t.Errorf("%s: a repeated submit is answered otherwise", name)
		}
		ref := &trigonev1.CaseReference{Name: first.GetCaseName()}
		cases = append(cases, ref)

		got := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref})
		if !proto.Equal(got.GetCase().GetCaseFile(), file) {
			t.Errorf("%s: the case file read back is not the one sent", name)
		}
		f.handsOver(name, ref)
	}
	f.reviews(cases)
	f.asks(cases[0])
	f.lists(cases)
	f.addresses(cases[0])
	f.administers(cases[6])

	for _, entry := range f.logs.All() {
		if line := fmt.Sprint(entry.Message, entry.ContextMap()); tells(line) {
			t.Errorf("the log tells what identifies: %s", line)
		}
	}
	if f.logs.FilterMessage("call").Len() < *f.calls {
		t.Errorf("%d calls and %d lines of the log", *f.calls, f.logs.Len())
	}
	if text := metricsOf(t, f.running); tells(text) || !strings.Contains(text, "trigone_calls_total{") {
		t.Error("a metric tells what identifies, or none is told")
	}
	f.tables()
	f.everyMarkWasWritten()
}

// handsOver asks for what leaves for the electronic record: identifiers are in it,
// but in its de-identified form; free text is in the operative note alone.
func (f flooded) handsOver(name string, ref *trigonev1.CaseReference) {
	f.Helper()
	c := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref}).GetCase()
	named := []string{
		c.GetCaseFile().GetPatientIdentifier().GetValue(), "", c.GetCaseFile().GetPatientIdentifier().GetSystem(), "",
		c.GetCaseFile().GetExternalIdentifier().GetValue(), "", c.GetCaseFile().GetExternalIdentifier().GetSystem(), "",
	}
	// The stay, and what names an implant.
	op := c.GetCaseFile().GetOperation()
	if stay := op.GetAdmission().GetEncounterIdentifier(); stay != nil {
		named = append(named, stay.GetValue(), "", stay.GetSystem(), "")
	}
	for _, d := range op.GetDevices() {
		for _, text := range []string{d.GetUniqueDeviceIdentification(), d.GetLotNumber(), d.GetSerialNumber()} {
			if text != "" {
				named = append(named, text, "")
			}
		}
	}
	identifiers := strings.NewReplacer(named...)
	for number := range trigonev1.BundleForm_name {
		form := trigonev1.BundleForm(number)
		if form == trigonev1.BundleForm_BUNDLE_FORM_DOCUMENT {
			continue
		}
		bundle := call(f, f.handover.GetBundle, &trigonev1.GetBundleRequest{Case: ref, Form: form}).GetBundle()
		if form != trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED {
			bundle = identifiers.Replace(bundle)
		}
		if tells(bundle) {
			f.Errorf("%s: what identifies is in the bundle of form %s", name, form)
		}
	}
}

// reviews makes every decision of a reviewer, each with its reason.
func (f flooded) reviews(cases []*trigonev1.CaseReference) {
	f.Helper()
	confirmed := 0
	for i, ref := range cases {
		c := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref}).GetCase()
		for _, finding := range c.GetEvaluation().GetFindings() {
			if finding.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION || finding.GetRoot() != "" {
				continue
			}
			confirm := &trigonev1.ConfirmFindingRequest{Case: ref, FindingId: finding.GetId(), RequestId: "confirm"}
			f.flood(confirm, fmt.Sprint("confirm ", i))
			confirm.Case = ref
			call(f, f.record.ConfirmFinding, confirm)
			revoke := &trigonev1.RevokeConfirmationRequest{FindingId: finding.GetId(), RequestId: "revoke"}
			f.flood(revoke, fmt.Sprint("revoke ", i))
			revoke.Case = ref
			call(f, f.record.RevokeConfirmation, revoke)
			confirmed++
			break
		}
	}
	if confirmed == 0 {
		f.Error("no invented case has a contradiction to confirm")
	}

	// A note is signed, and something is added to it.
	for i := range 2 {
		c := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: cases[0]}).GetCase()
		sign := &trigonev1.SignOperativeNoteRequest{RequestId: fmt.Sprint("sign-", i)}
		if i == 1 {
			f.flood(sign, "sign")
		}
		sign.Case, sign.CaseVersion, sign.Signer, sign.Role = cases[0], c.GetCaseVersion(), "surgeon-1", trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON
		sign.Format, sign.WithQueries = trigonev1.NoteFormat_NOTE_FORMAT_TEXT, false
		call(f, f.handover.SignOperativeNote, sign)
	}

	// Another patient's submit is set aside: one is filed, one is discarded.
	for i, discard := range []bool{true, false} {
		file, err := testdata.Read(testdata.Submits, "wrong-patient-echo")
		if err != nil {
			f.Fatal(err)
		}
		aside := &trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{FollowUps: file.GetFollowUps()}, RequestId: fmt.Sprint("aside-", i)}
		f.flood(aside, fmt.Sprint("another patient ", i))
		aside.CaseName, aside.CaseFile.ExternalIdentifier = cases[1].GetName(), nil
		aside.CaseFile = &trigonev1.CaseFile{PatientIdentifier: aside.GetCaseFile().GetPatientIdentifier(), FollowUps: aside.GetCaseFile().GetFollowUps()}
		answer := call(f, f.record.SubmitCase, aside)
		if answer.GetQuarantineId() == "" {
			f.Fatal("the submit of another patient was not set aside")
		}
		decide := &trigonev1.FileQuarantinedRequest{QuarantineId: answer.GetQuarantineId(), RequestId: fmt.Sprint("decide-", i)}
		decide.Decision = &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: cases[2].GetName()}
		if discard {
			decide.Decision = &trigonev1.FileQuarantinedRequest_Discard{Discard: true}
		}
		decide.Etag = call(f, f.record.GetQuarantined, &trigonev1.GetQuarantinedRequest{
			QuarantineId: answer.GetQuarantineId(), IntoCase: decide.GetIntoCase(),
		}).GetQuarantined().GetEtag()
		f.flood(decide, fmt.Sprint("decide ", i))
		call(f, f.record.FileQuarantined, decide)
	}

	version := func(ref *trigonev1.CaseReference) *trigonev1.Case {
		return call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref}).GetCase()
	}
	for i, amendment := range []trigonev1.IdentityAmendment{
		trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION, trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT,
	} {
		amend := &trigonev1.AmendIdentityRequest{Amendment: amendment, RequestId: fmt.Sprint("amend-", i)}
		f.flood(amend, fmt.Sprint("amend ", i))
		amend.Case, amend.CaseVersion = cases[3], version(cases[3]).GetCaseVersion()
		if amendment == trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT {
			amend.PatientIdentifier, amend.WrongSections = nil, []string{version(cases[3]).GetSections()[1].GetSection()}
		}
		call(f, f.record.AmendIdentity, amend)
	}
	section := version(cases[4]).GetSections()[1]
	retract := &trigonev1.RetractSectionRequest{
		Section: section.GetSection(), Etag: section.GetEtag(), Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, RequestId: "retract-section",
	}
	f.flood(retract, "retract section")
	retract.Case = cases[4]
	call(f, f.record.RetractSection, retract)
	whole := &trigonev1.RetractCaseRequest{
		CaseVersion: version(cases[5]).GetCaseVersion(), Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, RequestId: "retract-case",
	}
	f.flood(whole, "retract case")
	whole.Case = cases[5]
	call(f, f.record.RetractCase, whole)
	for i := range 6 {
		f.handsOver(fmt.Sprint("case ", i, " after reviews"), cases[i])
	}
}

// asks puts questions that hold what identifies, some of which are refused.
func (f flooded) asks(ref *trigonev1.CaseReference) {
	f.Helper()
	ctx := f.Context()
	file, err := testdata.Read(testdata.Cases, "advice-in-theatre")
	if err != nil {
		f.Fatal(err)
	}
	ask := &trigonev1.EvaluatePlanRequest{CaseFile: &trigonev1.CaseFile{Plan: file.GetPlan(), Operation: file.GetOperation()}, Record: true, AdviceId: "asked", RequestId: "ask"}
	f.flood(ask.GetCaseFile().GetPlan(), "ask plan")
	f.flood(ask.GetCaseFile().GetOperation(), "ask operation")
	ask.Case = ref
	call(f, f.planning.EvaluatePlan, ask)
	call(f, f.record.EvaluateAgain, &trigonev1.EvaluateAgainRequest{Case: ref})

	for _, refused := range []*trigonev1.SubmitCaseRequest{
		{CaseFile: &trigonev1.CaseFile{}, CaseName: ref.GetName()},
		{CaseFile: &trigonev1.CaseFile{Results: []*trigonev1.Result{{Run: proto.Int32(99)}}}},
		{CaseFile: &trigonev1.CaseFile{}, CaseName: "sites/none/cases/none"},
	} {
		f.flood(refused, "refused")
		if _, err := f.record.SubmitCase(ctx, refused); err == nil {
			f.Error("a submit that was to be refused was taken")
		}
	}
}

// lists reads what is listed over all cases.
func (f flooded) lists(cases []*trigonev1.CaseReference) {
	f.Helper()
	ctx := f.Context()
	call(f, f.record.ListCases, &trigonev1.ListCasesRequest{PageSize: 500})
	emergency := &trigonev1.GetCaseInEmergencyRequest{}
	f.flood(emergency, "emergency")
	emergency.Case = cases[0]
	call(f, f.record.GetCaseInEmergency, emergency)
	call(f, f.audit.ListAccesses, &trigonev1.ListAccessesRequest{PageSize: 500})
	call(f, f.audit.ListDiscrepancies, &trigonev1.ListDiscrepanciesRequest{PageSize: 500})
	recall := &trigonev1.FindImplantsRequest{}
	f.flood(recall, "recall")
	call(f, f.audit.FindImplants, recall)
	changes := call(f, f.record.ListChanges, &trigonev1.ListChangesRequest{PageSize: 500})
	kinds := map[trigonev1.ChangeKind]bool{}
	for _, c := range changes.GetChanges() {
		kinds[c.GetKind()] = true
	}
	if len(kinds) < 9 {
		f.Errorf("only %d kinds of changes were made: %v", len(kinds), kinds)
	}
	for _, ref := range cases {
		call(f, f.record.ListRevisions, &trigonev1.ListRevisionsRequest{Case: ref, PageSize: 500})
	}
	for _, profile := range []trigonev1.ExtractProfile{trigonev1.ExtractProfile_EXTRACT_PROFILE_DEPARTMENT, trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL} {
		tables, err := f.audit.ExtractTable(ctx, &trigonev1.ExtractTableRequest{Profile: profile})
		for err == nil {
			var part *trigonev1.ExtractTableResponse
			if part, err = tables.Recv(); err == nil {
				f.watch("ExtractTable", part, nil)
			}
		}
		if !errors.Is(err, io.EOF) {
			f.Fatal(err)
		}
	}
	stream, err := f.handover.ExportResources(ctx, &trigonev1.ExportResourcesRequest{})
	for err == nil {
		var part *trigonev1.ExportResourcesResponse
		if part, err = stream.Recv(); err == nil {
			f.watch("ExportResources", part, nil)
		}
	}
	if !errors.Is(err, io.EOF) {
		f.Fatal(err)
	}
}

// addresses takes every route of FHIR over HTTP and every page that is read: no header of
// an answer, in which an address may stand, tells what identifies, and no log does. What
// is searched for is sent in a body, as a client does who keeps addresses clean.
func (f flooded) addresses(ref *trigonev1.CaseReference) {
	f.Helper()
	c := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref}).GetCase()
	base, asked := "http://"+f.running.RESTAddr(), 0
	ask := func(method, path, body string) (answer string) {
		f.Helper()
		req, err := http.NewRequestWithContext(f.Context(), method, base+path, strings.NewReader(body))
		if err != nil {
			f.Fatal(err)
		}
		if body != "" {
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		resp, err := client.Do(req)
		if err != nil {
			f.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil {
			f.Fatal(err)
		}
		asked++
		if tells(fmt.Sprint(resp.Header)) {
			f.Errorf("%s %s: a header tells what identifies", method, path)
		}
		if resp.StatusCode >= 400 && tells(string(text)) {
			f.Errorf("%s %s: the refusal tells what identifies", method, path)
		}
		return string(text)
	}
	patient := url.Values{"patient:identifier": {c.GetCaseFile().GetPatientIdentifier().GetSystem() + "|" + c.GetCaseFile().GetPatientIdentifier().GetValue()}}.Encode()
	found := ask(http.MethodPost, "/fhir/Procedure/_search", patient)
	if !tells(found) {
		f.Error("a search by the patient's identifier finds nobody: the flood reaches no address")
	}
	refused := url.Values{"patient:identifier": {converttest.Marker + "|" + converttest.Marker}, "nothing": {converttest.Marker}}.Encode()
	ask(http.MethodPost, "/fhir/Procedure/_search", refused)
	ask(http.MethodPost, "/fhir/Procedure/_search", "status="+converttest.Marker)
	id := regexp.MustCompile(`"id":"([0-9a-f-]{36})"`).FindStringSubmatch(found)
	if id == nil {
		f.Fatal("no id")
	}
	paths := map[string]string{
		fhirrest.RouteMetadata: "metadata", fhirrest.RouteTerminology: "CodeSystem/step", fhirrest.RouteType: "Procedure", fhirrest.RouteSearch: "Device/_search",
		fhirrest.RouteRead: "Procedure/" + id[1], fhirrest.RouteVersion: "Procedure/" + id[1] + "/_history/1",
		fhirrest.RouteByStaff: "Procedure?performer-actor:identifier=" + converttest.Marker,
		fhirrest.RouteExport:  "$export", fhirrest.RouteExportAccesses: "$export?_type=AuditEvent", fhirrest.RouteExportStatus: "$export-status/x", fhirrest.RouteExportFile: "$export-file/x/y",
	}
	for _, route := range fhirrest.Routes() {
		if paths[route] == "" {
			f.Errorf("%s is not asked; give an address of it here", route)
		}
		method := http.MethodGet
		if route == fhirrest.RouteSearch {
			method = http.MethodPost
		}
		ask(method, "/fhir/"+paths[route], "")
	}
	uid := ref.GetName()[strings.LastIndexByte(ref.GetName(), '/')+1:]
	for _, route := range pages.Routes() {
		ask(http.MethodGet, strings.NewReplacer("{uid}", uid, "{id}", "x", "{name}", "x").Replace(route), "")
	}
	if asked < len(fhirrest.Routes())+len(pages.Routes()) {
		f.Errorf("only %d addresses were asked", asked)
	}
}

// administers makes what an administrator calls: neither the answer nor the log tells
// whom it removes.
func (f flooded) administers(ref *trigonev1.CaseReference) {
	f.Helper()
	call(f, f.administration.RunRetention, &trigonev1.RunRetentionRequest{})
	version := call(f, f.record.GetCase, &trigonev1.GetCaseRequest{Case: ref}).GetCase().GetCaseVersion()
	erased := call(f, f.administration.EraseIdentity, &trigonev1.EraseIdentityRequest{Case: ref, CaseVersion: version})
	call(f, f.administration.EraseCase, &trigonev1.EraseCaseRequest{Case: ref, CaseVersion: erased.GetCaseVersion()})
	call(f, f.audit.ListCaseFacts, &trigonev1.ListCaseFactsRequest{IncludeErased: true, PageSize: 500})
	call(f, f.audit.ListComparisons, &trigonev1.ListComparisonsRequest{IncludeCounts: true, PageSize: 500})
}

// tables looks for what identifies in every column of the store that is not for it,
// and for it in those that are.
func (f flooded) tables() {
	f.Helper()
	found, columns, packed := map[string]bool{}, map[string]bool{}, 0
	err := sqlite.Dump(f.Context(), f.store, func(table, column string, value []byte) error {
		columns[table+"."+column] = true
		if bytes.Contains(value, []byte("assessment/")) {
			packed++
		}
		if !tells(string(value)) {
			return nil
		}
		name := table
		if mayIdentify[name] == "" {
			name += "." + column
		}
		if mayIdentify[name] == "" && !found[name] {
			f.Errorf("what identifies is in %s", name)
		}
		found[name] = true
		return nil
	})
	if err != nil || len(columns) < 50 || packed < 100 {
		f.Fatalf("%d columns, %d of the values that name a study, %v", len(columns), packed, err)
	}
	for name := range mayIdentify {
		if !found[name] {
			f.Errorf("%s is listed as holding what identifies, and holds nothing", name)
		}
	}
}

// everyMarkWasWritten holds the test against the contract: a request field that is
// marked was given a text.
func (f flooded) everyMarkWasWritten() {
	f.Helper()
	var walk func(md protoreflect.MessageDescriptor)
	seen := map[protoreflect.FullName]bool{}
	walk = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] {
			return
		}
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			if convert.Identifying(fd) && !f.written[fd.FullName()] {
				f.Errorf("%s is marked, and no call of this test writes it", fd.FullName())
			}
			if fd.Message() != nil {
				walk(fd.Message())
			}
		}
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("trigone.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for k := range methods.Len() {
				walk(methods.Get(k).Input())
			}
		}
		return true
	})
	if len(seen) < 50 {
		f.Errorf("only %d messages of requests were found", len(seen))
	}
}
