package casebook

import (
	"context"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// writing is a call that writes, made with a request id: do makes it, and again
// makes the very same.
type writing struct {
	name string
	// stays says that the case keeps its version.
	stays bool
	do    func(f fixture) func() (proto.Message, error)
}

// writings are all calls that write a case, each on a case that has an identity, a
// plan and a result with a contradiction.
func writings(t *testing.T) []writing {
	t.Helper()
	version := func(f fixture) int64 { return f.get().GetCaseVersion() }
	return []writing{
		{"a section", false, func(f fixture) func() (proto.Message, error) {
			return func() (proto.Message, error) {
				return f.submit(object(numberAndPatient, identityPart, strings.Replace(resultPart, `"exit"`, `"first"`, 1)), requestID("r"))
			}
		}},
		{"nothing new", true, func(f fixture) func() (proto.Message, error) {
			return func() (proto.Message, error) {
				return f.submit(object(numberAndPatient, identityPart), requestID("r"))
			}
		}},
		{"another patient", true, func(f fixture) func() (proto.Message, error) {
			other := strings.Replace(object(numberAndPatient, identityPart), "P-SECRET-1", "P-SECRET-2", 1)
			return func() (proto.Message, error) { return f.submit(other, requestID("r")) }
		}},
		{"a quarantined submit filed", false, func(f fixture) func() (proto.Message, error) {
			other := strings.Replace(object(numberAndPatient, strings.Replace(resultPart, `"exit"`, `"aside"`, 1)), "P-SECRET-1", "P-SECRET-2", 1)
			req := &trigonev1.FileQuarantinedRequest{
				QuarantineId: f.mustSubmit(other).GetQuarantineId(), Decision: &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: f.get().GetName()},
				Reason: "the same person", RequestId: "r",
			}
			req.Etag = f.look(req.GetQuarantineId()).GetEtag()
			return func() (proto.Message, error) { return f.book.FileQuarantined(f.ctx, caller, req) }
		}},
		{"a section retracted", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.RetractSectionRequest{
				Case: ref(), Section: "plan", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, RequestId: "r",
			}
			return func() (proto.Message, error) { return f.book.RetractSection(f.ctx, caller, req) }
		}},
		{"a section that is retracted already", true, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.RetractSectionRequest{
				Case: ref(), Section: "plan", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
			}
			if _, err := f.book.RetractSection(f.ctx, caller, req); err != nil {
				f.Fatal(err)
			}
			req.RequestId = "r"
			return func() (proto.Message, error) { return f.book.RetractSection(f.ctx, caller, req) }
		}},
		{"identity corrected", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.AmendIdentityRequest{
				Case: ref(), CaseVersion: version(f), Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION,
				PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-3"}, Reason: "a digit", RequestId: "r",
			}
			return func() (proto.Message, error) { return f.book.AmendIdentity(f.ctx, caller, req) }
		}},
		{"sections of somebody else", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.AmendIdentityRequest{
				Case: ref(), CaseVersion: version(f), Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT,
				WrongSections: []string{"result/exit"}, Reason: "the neighbour's", RequestId: "r",
			}
			return func() (proto.Message, error) { return f.book.AmendIdentity(f.ctx, caller, req) }
		}},
		{"a finding confirmed", false, func(f fixture) func() (proto.Message, error) {
			id := f.contradiction().GetId()
			return func() (proto.Message, error) { return f.confirm(id) }
		}},
		{"a finding that is confirmed already", true, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: f.contradiction().GetId(), Reason: "seen", RequestId: "r"}
			f.mustConfirm(req.GetFindingId())
			return func() (proto.Message, error) { return f.book.ConfirmFinding(f.ctx, caller, req) }
		}},
		{"a confirmation revoked", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.RevokeConfirmationRequest{Case: ref(), FindingId: f.contradiction().GetId(), Reason: "doubt", RequestId: "r"}
			f.mustConfirm(req.GetFindingId())
			return func() (proto.Message, error) { return f.book.RevokeConfirmation(f.ctx, caller, req) }
		}},
		{"a note signed", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.SignOperativeNoteRequest{
				Case: ref(), CaseVersion: version(f), Signer: "surgeon-1", Role: trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON, RequestId: "r",
			}
			return func() (proto.Message, error) { return f.book.SignOperativeNote(f.ctx, caller, req) }
		}},
		{"an answer recorded", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.EvaluatePlanRequest{Case: ref(), Record: true, RequestId: "r"}
			return func() (proto.Message, error) { return f.book.EvaluatePlan(f.ctx, caller, req) }
		}},
		{"a case retracted", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.RetractCaseRequest{
				Case: &trigonev1.CaseReference{Name: f.get().GetName()}, CaseVersion: version(f),
				Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, RequestId: "r",
			}
			return func() (proto.Message, error) { return f.book.RetractCase(f.ctx, caller, req) }
		}},
		{"an identity erased", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.EraseIdentityRequest{Case: &trigonev1.CaseReference{Name: f.get().GetName()}, CaseVersion: version(f), RequestId: "r"}
			return func() (proto.Message, error) { return f.book.EraseIdentity(f.ctx, caller, req) }
		}},
		{"a case erased", false, func(f fixture) func() (proto.Message, error) {
			req := &trigonev1.EraseCaseRequest{Case: &trigonev1.CaseReference{Name: f.get().GetName()}, CaseVersion: version(f), RequestId: "r"}
			return func() (proto.Message, error) { return f.book.EraseCase(f.ctx, caller, req) }
		}},
	}
}

// takesNoMore are the writings after which nothing more is submitted by the case
// number.
var takesNoMore = []string{"a case retracted", "an identity erased", "a case erased"}

// A repeated request is answered as it was the first time, whatever was written
// meanwhile, and writes nothing.
func TestARepeatedRequestIsAnsweredAsItWasThen(t *testing.T) {
	for _, tt := range writings(t) {
		t.Run(tt.name, func(t *testing.T) {
			f := newFixture(t)
			f.mustSubmit(object(numberAndPatient, identityPart, planPart, brokenResult))
			name := f.get().GetName()
			call := tt.do(f)
			first, err := call()
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Contains(takesNoMore, tt.name) {
				later := strings.Replace(resultPart, `"exit"`, `"later"`, 1)
				f.mustSubmit(object(numberAndPatient, later))
			}
			read := func() *trigonev1.Case {
				resp, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: name}})
				if err != nil {
					t.Fatal(err)
				}
				return resp.GetCase()
			}
			before := read()
			again, err := call()
			if err != nil {
				t.Fatal(err)
			}
			if !proto.Equal(first, again) {
				t.Errorf("the second answer differs:\n%.400v\nwas\n%.400v", again, first)
			}
			if after := read(); !proto.Equal(before, after) {
				t.Errorf("the repeated call wrote: version %d, then %d", before.GetCaseVersion(), after.GetCaseVersion())
			}
		})
	}
}

// witness is a projector that keeps what it is told.
type witness struct{ before, after *State }

func (w *witness) Name() string   { return storage.ProjectionResources }
func (w *witness) Version() int64 { return 1 }

func (w *witness) Rows(before, after *State) (storage.Rows, error) {
	w.before, w.after = before, after
	return storage.Rows{CasePrefix: after.Case.Version}, nil
}

// projecting is a store that notes which rows came, since it lists no projection.
type projecting struct {
	storage.Store
	rows []storage.Projected
}

func (p *projecting) Append(ctx context.Context, site string, w storage.Write) error {
	if w.Case != nil {
		p.rows = append(p.rows, w.Projected...)
	}
	return p.Store.Append(ctx, site, w)
}

// Whatever writes a case tells every projector how the case was and how it is, as a
// reader finds it afterwards.
func TestEveryWriteOfACaseReachesTheProjectors(t *testing.T) {
	for _, tt := range writings(t) {
		if tt.name == "a case erased" {
			continue // they are told what it was, so that receivers are; nothing is left to read
		}
		t.Run(tt.name, func(t *testing.T) {
			f := newFixture(t)
			store, seen := &projecting{Store: f.store}, &witness{}
			p, err := policy.BuiltIn()
			if err != nil {
				t.Fatal(err)
			}
			if f.book, err = New(f.ctx, Config{Store: store, Policy: p, Software: "test", Now: f.clock.Now, Projectors: []Projector{seen}, WriteNote: shortNote}); err != nil {
				t.Fatal(err)
			}
			f.mustSubmit(object(numberAndPatient, identityPart, planPart, brokenResult))
			if seen.before != nil || seen.after.Case.Version != 1 {
				t.Errorf("the write that opens the case: %v, then version %d", seen.before, seen.after.Case.Version)
			}
			name := f.get().GetName()
			call := tt.do(f)
			read := func() storage.Case {
				c, err := f.book.caseByName(f.ctx, name)
				if err != nil {
					t.Fatal(err)
				}
				return c
			}
			before := read()
			*seen, store.rows = witness{}, nil
			if _, err := call(); err != nil {
				t.Fatal(err)
			}
			after := read()
			if tt.stays != (after.Version == before.Version) {
				t.Fatalf("the version went from %d to %d", before.Version, after.Version)
			}
			if tt.stays {
				if seen.after != nil || len(store.rows) != 0 {
					t.Error("no case was written, and a projector was asked")
				}
				return
			}
			if len(store.rows) != 1 || store.rows[0].Name != storage.ProjectionResources || store.rows[0].Rows.CasePrefix != after.Version {
				t.Fatalf("rows %v", store.rows)
			}
			if seen.before.Case.Version != before.Version || seen.after.Case.Version != after.Version {
				t.Errorf("told versions %d and %d, there were %d and %d", seen.before.Case.Version, seen.after.Case.Version, before.Version, after.Version)
			}
			for _, side := range []struct {
				told *State
				is   storage.Case
			}{{seen.before, before}, {seen.after, after}} {
				f.sameState(side.told, side.is)
			}
		})
	}
}

// sameState compares what a projector was told with what is read of a case.
func (f fixture) sameState(told *State, is storage.Case) {
	f.Helper()
	folder, err := f.book.Load(f.ctx, is)
	if err != nil {
		f.Fatal(err)
	}
	read, err := f.book.State(f.ctx, folder)
	if err != nil {
		f.Fatal(err)
	}
	if !proto.Equal(told.File, read.File) || !proto.Equal(told.Evaluation, read.Evaluation) {
		f.Errorf("version %d: the file or the evaluation is not the one on record", is.Version)
	}
	if told.Name != read.Name || told.Case.State != is.State || told.Case.Patient != is.Patient || len(told.Case.Sections) != len(is.Sections) {
		f.Errorf("version %d: told %v, read %v", is.Version, told.Case, is)
	}
	if len(told.Plans) != len(read.Plans) || !told.OperationReceived.Equal(read.OperationReceived) || len(told.Confirmations) != len(read.Confirmations) {
		f.Errorf("version %d: %d plans, operation received %v, %d confirmations; read %d, %v, %d", is.Version,
			len(told.Plans), told.OperationReceived, len(told.Confirmations), len(read.Plans), read.OperationReceived, len(read.Confirmations))
	}
	// A projector may be told of an evaluation that no longer counts.
	for _, e := range read.Evaluations {
		if !slices.ContainsFunc(told.Evaluations, func(x *Evaluation) bool { return x.EvaluationHeader == e.EvaluationHeader }) {
			f.Errorf("version %d: nothing was told of evaluation %d", is.Version, e.Number)
		}
	}
	for i, p := range told.Plans {
		if q := read.Plans[i]; p.Revision != q.Revision || !p.Received.Equal(q.Received) {
			f.Errorf("plan revision %d of %v told, %d of %v read", p.Revision, p.Received, q.Revision, q.Received)
		}
	}
}
