package casebook

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// look reads a quarantined submit as a reviewer does before deciding.
func (f fixture) look(id string, change ...func(*trigonev1.GetQuarantinedRequest)) *trigonev1.Quarantined {
	f.Helper()
	req := &trigonev1.GetQuarantinedRequest{QuarantineId: id}
	for _, c := range change {
		c(req)
	}
	resp, err := f.book.GetQuarantined(f.ctx, Principal{Name: "reviewer"}, req)
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetQuarantined()
}

func (f fixture) aside(parts ...string) string {
	f.Helper()
	id := f.mustSubmit(strings.Replace(object(append([]string{numberAndPatient}, parts...)...), "P-SECRET-1", "P-SECRET-2", 1)).GetQuarantineId()
	if id == "" {
		f.Fatal("the submit was not set aside")
	}
	return id
}

func (f fixture) listed(state trigonev1.QuarantineState) []*trigonev1.QuarantinedSummary {
	f.Helper()
	resp, err := f.book.ListQuarantined(f.ctx, Principal{Name: "reviewer"}, &trigonev1.ListQuarantinedRequest{State: state})
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetQuarantined()
}

func discarding(id, etag string) *trigonev1.FileQuarantinedRequest {
	return &trigonev1.FileQuarantinedRequest{QuarantineId: id, Etag: etag, Reason: "not ours", Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true}}
}

func filing(id, etag, into string) *trigonev1.FileQuarantinedRequest {
	return &trigonev1.FileQuarantinedRequest{QuarantineId: id, Etag: etag, Reason: "a digit", Decision: &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: into}}
}

func TestReviewerSeesWhatFilingWouldChange(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	f.clock.set(f.clock.Now().AddDate(0, 0, 1))
	id := f.aside(`"identity":{"sex":"SEX_FEMALE","ageYears":62,"heightCm":170}`,
		strings.Replace(planPart, `"mm":26`, `"mm":28`, 1), resultPart)

	line := f.listed(0)
	if len(line) != 1 || line[0].GetQuarantineId() != id || line[0].GetCaller() != "local" || line[0].GetCaseName() != f.get().GetName() || line[0].GetCaseChanged() ||
		!slices.Equal(line[0].GetSections(), []string{"identity", "plan", "result/exit"}) || line[0].GetReason() != trigonev1.QuarantineReason_QUARANTINE_REASON_OTHER_PATIENT {
		t.Fatalf("the list says %v", line)
	}
	if text := line[0].String(); strings.Contains(text, "P-SECRET") {
		t.Errorf("the list names a patient: %s", text)
	}

	before := f.changes()
	q := f.look(id)
	if q.GetPatientIdentifier().GetValue() != "P-SECRET-2" || q.GetCasePatientIdentifier().GetValue() != "P-SECRET-1" || q.GetCaseVersion() != 1 {
		t.Errorf("who it is about: %v", q)
	}
	var told []string
	for _, c := range q.GetChanges() {
		told = append(told, c.GetSection()+" "+c.GetPath()+": "+c.GetOldValue()+" -> "+c.GetNewValue())
	}
	for _, want := range []string{
		"identity age_years: 61 -> 62", "identity height_cm:  -> 170",
		"plan steps[plan-ring].technique.annuloplasty.ring_inner_antero_posterior_diameter.mm: 26 -> 28",
		"result/exit stage:  -> leaving_theatre", "result/exit study.gradient.mean_gradient.mmhg:  -> 3",
	} {
		if !slices.Contains(told, want) {
			t.Errorf("%q is not told among\n%s", want, strings.Join(told, "\n"))
		}
	}
	for _, r := range q.GetSections() {
		want := trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED
		if r.GetSection() == "result/exit" {
			want = trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED
		}
		if r.GetOutcome() != want {
			t.Errorf("%s: %v", r.GetSection(), r.GetOutcome())
		}
	}
	if q.GetObstacle() != "" || !strings.HasPrefix(q.GetMessage(), "3 of 3 sections stored") || !strings.Contains(q.GetExplanation(), "another number of the same system") {
		t.Errorf("%q, %q, %q", q.GetObstacle(), q.GetMessage(), q.GetExplanation())
	}
	if len(f.changes()) != len(before) || f.get().GetCaseVersion() != 1 {
		t.Error("looking wrote something")
	}

	resp, err := f.book.FileQuarantined(f.ctx, Principal{Name: "reviewer"}, filing(id, q.GetEtag(), q.GetCaseName()))
	if err != nil || resp.GetSubmitted().GetCaseVersion() != 2 {
		t.Fatalf("%v, %v", resp, err)
	}
	done := f.look(id)
	if done.GetSummary().GetState() != trigonev1.QuarantineState_QUARANTINE_STATE_FILED || done.GetSummary().GetDecidedCaller() != "reviewer" ||
		done.GetSummary().GetDecidedTime() == nil || done.GetDecision() != "a digit" || done.GetEtag() != "" || done.GetCaseFile() != nil || done.GetSummary().GetCaseChanged() {
		t.Errorf("once filed: %v", done)
	}
	if len(f.listed(0)) != 0 || len(f.listed(trigonev1.QuarantineState_QUARANTINE_STATE_FILED)) != 1 {
		t.Error("the lists do not follow the decision")
	}
}

// Whoever decides has read the submit as it stands, beside the case as it stands.
func TestNobodyDecidesUnread(t *testing.T) {
	reviewer := Principal{Name: "reviewer"}
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart))
	other := f.mustSubmit(strings.Replace(object(numberAndPatient, identityPart), "MV-1", "MV-2", 1)).GetCaseName()
	id := f.aside(resultPart)
	name := f.get().GetName()
	stale := f.look(id)
	beside := f.look(id, func(r *trigonev1.GetQuarantinedRequest) { r.IntoCase = other })

	for _, row := range []struct {
		why    string
		req    *trigonev1.FileQuarantinedRequest
		kind   Kind
		reason string
	}{
		{"filed without an etag", filing(id, "", name), FailedPrecondition, ReasonNoCondition},
		{"discarded without an etag", discarding(id, ""), FailedPrecondition, ReasonNoCondition},
		{"an etag of nothing", filing(id, "7", name), Aborted, ReasonStaleEtag},
		{"read beside another case than it is filed into", filing(id, stale.GetEtag(), other), Aborted, ReasonStaleEtag},
		{"read beside the other case, filed into the first", filing(id, beside.GetEtag(), name), Aborted, ReasonStaleEtag},
	} {
		_, err := f.book.FileQuarantined(f.ctx, reviewer, row.req)
		t.Run(row.why, func(t *testing.T) { wantRefusal(t, err, row.kind, row.reason) })
	}

	f.mustSubmit(object(numberAndPatient, planPart))
	for _, req := range []*trigonev1.FileQuarantinedRequest{filing(id, stale.GetEtag(), name), discarding(id, stale.GetEtag())} {
		_, err := f.book.FileQuarantined(f.ctx, reviewer, req)
		wantRefusal(t, err, Aborted, ReasonStaleEtag)
	}
	if line := f.listed(0); len(line) != 1 || !line[0].GetCaseChanged() {
		t.Errorf("the case was written since it came: %v", line)
	}
	// Beside the other case nothing has changed.
	if _, err := f.book.FileQuarantined(f.ctx, reviewer, filing(id, beside.GetEtag(), other)); err != nil {
		t.Error(err)
	}
	if n := len(f.get().GetCaseFile().GetResults()); n != 0 {
		t.Errorf("%d results in the case that it was sent to", n)
	}
}

func TestWhyASubmitWasSetAside(t *testing.T) {
	system := "urn:example:patient"
	of := func(system, value string) storage.Case {
		return storage.Case{Patient: storage.Identifier{System: system, Value: value}, FormerPatients: []storage.Identifier{{System: system, Value: "former"}}}
	}
	for _, row := range []struct {
		why         string
		named       storage.Identifier
		c           storage.Case
		explanation string
	}{
		{"leading zeros and hyphens", storage.Identifier{System: system, Value: "00p-12"}, of(system, "P12"), "differ only in capitals"},
		{"another number", storage.Identifier{System: system, Value: "P13"}, of(system, "P12"), "another number of the same system"},
		{"the number under another system", storage.Identifier{System: "urn:example:ward", Value: "P12"}, of(system, "P12"), "the number is the same"},
		{"another system", storage.Identifier{System: "urn:example:ward", Value: "7"}, of(system, "P12"), "a number of another system"},
		{"the identity was amended since", storage.Identifier{System: system, Value: "former"}, of(system, "P12"), "that of the case by now"},
		{"the case was erased since", storage.Identifier{System: system, Value: "P12"}, storage.Case{}, "no patient identifier any more"},
	} {
		text := otherPatient(row.named, row.c)
		if !strings.Contains(text, row.explanation) || strings.Contains(text, "P12") || strings.Contains(text, "13") {
			t.Errorf("%s: %s", row.why, text)
		}
	}
}

// What cannot be filed into a case is said when it is looked at, and may be looked at
// beside another.
func TestObstaclesToFiling(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart))
	id := f.aside(strings.Replace(resultPart, `"mmhg":3`, `"mmhg":4`, 1))
	_, err := f.book.RetractSection(f.ctx, caller, &trigonev1.RetractSectionRequest{
		Case: ref(), Section: "result/exit", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_WRONG_PATIENT,
	})
	if err != nil {
		t.Fatal(err)
	}
	q := f.look(id)
	if !strings.Contains(q.GetObstacle(), "closed by a retraction: result/exit") || len(q.GetSections())+len(q.GetChanges()) != 0 || q.GetMessage() != "" {
		t.Errorf("a closed section: %v", q)
	}
	other := f.mustSubmit(strings.Replace(object(numberAndPatient, identityPart), "MV-1", "MV-2", 1)).GetCaseName()
	beside := f.look(id, func(r *trigonev1.GetQuarantinedRequest) { r.IntoCase = other })
	if beside.GetObstacle() != "" || beside.GetCaseName() != other || beside.GetSummary().GetExternalIdentifier() != nil || len(beside.GetChanges()) == 0 {
		t.Errorf("beside another case: %v", beside)
	}
	if _, err := f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{
		Case: ref(), CaseVersion: f.get().GetCaseVersion(), Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
	}); err != nil {
		t.Fatal(err)
	}
	if q := f.look(id); !strings.Contains(q.GetObstacle(), "retracted") {
		t.Errorf("a closed case: %v", q)
	}
}

// A section that was written since is not overwritten by what came before it: nothing
// would change, and that is what is told.
func TestFilingWhatIsOlderChangesNothing(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	id := f.aside(strings.Replace(planPart, `"mm":26`, `"mm":28`, 1))
	f.mustSubmit(object(numberAndPatient, strings.Replace(planPart, `"mm":26`, `"mm":30`, 1)), expect("plan", "1"))
	q := f.look(id)
	if len(q.GetChanges()) != 0 || q.GetSections()[0].GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER || q.GetSections()[0].GetNote() == "" {
		t.Errorf("%v", q)
	}
}

func TestReadMasks(t *testing.T) {
	f := newFixture(t)
	shape := `"assessments":[{"id":"a","study":{"annulus":{"shape":{"contourMm":[1,2,3,4,5,6],"leaflets":[{"leaflet":"LEAFLET_ANTERIOR","pointsMm":[1,2,3],"triangles":[0,0,0]}]}}}}]`
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, shape))
	get := func(change func(*trigonev1.GetCaseRequest)) (*trigonev1.Case, error) {
		req := &trigonev1.GetCaseRequest{Case: ref()}
		change(req)
		resp, err := f.book.GetCase(f.ctx, caller, req)
		return resp.GetCase(), err
	}
	must := func(change func(*trigonev1.GetCaseRequest)) *trigonev1.Case {
		c, err := get(change)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	whole := f.get()

	c := must(func(r *trigonev1.GetCaseRequest) { r.ReadMask = &fieldmaskpb.FieldMask{Paths: []string{"sections"}} })
	if c.GetCaseFile() != nil || c.GetEvaluation() != nil || len(c.GetSections()) != 3 || c.GetCaseVersion() != 1 || c.GetName() == "" {
		t.Errorf("a mask of sections: %v", c)
	}
	c = must(func(r *trigonev1.GetCaseRequest) { r.Sections = []string{"plan"} })
	if c.GetCaseFile().GetIdentity() != nil || !proto.Equal(c.GetCaseFile().GetPlan(), whole.GetCaseFile().GetPlan()) || len(c.GetCaseFile().GetAssessments()) != 0 ||
		len(c.GetSections()) != 3 || c.GetEvaluation() == nil || c.GetCaseFile().GetExternalIdentifier() == nil {
		t.Errorf("one section: %v", c)
	}
	c = must(func(r *trigonev1.GetCaseRequest) { r.WithoutPoints = true })
	got := c.GetCaseFile().GetAssessments()[0].GetStudy().GetAnnulus().GetShape()
	if len(got.GetContourMm()) != 0 || len(got.GetLeaflets()) != 1 || len(got.GetLeaflets()[0].GetPointsMm())+len(got.GetLeaflets()[0].GetTriangles()) != 0 ||
		!slices.Equal(c.GetSectionsWithoutPoints(), []string{"assessment/a"}) {
		t.Errorf("without points: %v", c)
	}
	if !proto.Equal(f.get(), whole) {
		t.Error("reading without points took them from the record")
	}
	for why, change := range map[string]func(*trigonev1.GetCaseRequest){
		"no field": func(r *trigonev1.GetCaseRequest) { r.ReadMask = &fieldmaskpb.FieldMask{Paths: []string{"plan"}} },
		"no section of the case": func(r *trigonev1.GetCaseRequest) {
			r.Sections = []string{"result/exit"}
		},
	} {
		if _, err := get(change); err == nil {
			t.Errorf("%s is answered", why)
		}
	}

	id := f.aside(strings.Replace(shape, `"id":"a"`, `"id":"b"`, 1))
	q := f.look(id)
	if s := q.GetCaseFile().GetAssessments()[0].GetStudy().GetAnnulus().GetShape(); len(s.GetContourMm()) != 0 {
		t.Errorf("a quarantined submit comes with its points: %v", s)
	}
	q = f.look(id, func(r *trigonev1.GetQuarantinedRequest) {
		r.ReadMask = &fieldmaskpb.FieldMask{Paths: []string{"changes"}}
	})
	if q.GetCaseFile() != nil || q.GetSummary() == nil || q.GetEtag() == "" || len(q.GetChanges()) == 0 {
		t.Errorf("a mask of changes: %v", q)
	}
}

// A closed case is found by its number where it is asked for with its state.
func TestClosedCaseIsFoundByItsNumber(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart))
	name := f.get().GetName()
	if _, err := f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{
		Case: ref(), CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
	}); err != nil {
		t.Fatal(err)
	}
	_, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref()})
	wantRefusal(t, err, NotFound, ReasonUnknownCase)
	for state, want := range map[trigonev1.CaseState]int{
		trigonev1.CaseState_CASE_STATE_UNSPECIFIED: 0, trigonev1.CaseState_CASE_STATE_RETRACTED: 1, trigonev1.CaseState_CASE_STATE_MERGED: 0,
	} {
		list, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{State: state, ExternalIdentifier: ref().GetExternalIdentifier()})
		if err != nil || len(list.GetCases()) != want || want == 1 && list.GetCases()[0].GetName() != name {
			t.Errorf("%v: %v, %v", state, list, err)
		}
	}
	_, err = f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:case"}})
	wantRefusal(t, err, Invalid, ReasonViolations)
}

// Who reads a case while it is erased is told so, not that the store is damaged.
func TestErasedWhileItWasRead(t *testing.T) {
	f := newFixture(t)
	name := f.mustSubmit(object(numberAndPatient, identityPart)).GetCaseName()
	then, err := f.book.Find(f.ctx, ref())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.book.EraseCase(f.ctx, caller, &trigonev1.EraseCaseRequest{Case: &trigonev1.CaseReference{Name: name}, CaseVersion: 1}); err != nil {
		t.Fatal(err)
	}
	_, err = f.book.Load(f.ctx, then)
	wantRefusal(t, err, Aborted, ReasonRace)
	_, err = f.book.Whole(f.ctx, then)
	wantRefusal(t, err, Aborted, ReasonRace)
	_, err = f.book.Evaluation(f.ctx, then)
	wantRefusal(t, err, Aborted, ReasonRace)
}
