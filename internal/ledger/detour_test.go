package ledger

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// house is a casebook with its ledger on a store, and a clock to be set.
type house struct {
	*testing.T
	ctx    context.Context
	store  storage.Store
	book   *casebook.Book
	ledger *Ledger
	now    time.Time
}

// surgeon is who asks.
var surgeon = casebook.Principal{Name: "surgeon-1"}

func openStore(t *testing.T) storage.Store {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store
}

func newHouse(t *testing.T, store storage.Store, site string) *house {
	t.Helper()
	return newHouseWith(t, store, site, Projection{})
}

func newHouseWith(t *testing.T, store storage.Store, site string, projectors ...casebook.Projector) *house {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	p.Settings.Site = site
	h := &house{T: t, ctx: t.Context(), store: store}
	h.book, err = casebook.New(h.ctx, casebook.Config{
		Store: store, Policy: p, Software: "test", Now: func() time.Time { return h.now }, Projectors: projectors,
	})
	if err != nil {
		t.Fatal(err)
	}
	h.ledger = New(h.book.Archive)
	return h
}

// at sets the clock to a time after the story's incision.
func (h *house) at(c *trigonev1.CaseFile, after time.Duration) *house {
	h.now = c.GetOperation().GetIncisionTime().AsTime().Add(after)
	return h
}

// submit sends sections as its source system has them now.
func (h *house) submit(of *trigonev1.CaseFile, sections *trigonev1.CaseFile) {
	h.Helper()
	sections.ExternalIdentifier, sections.PatientIdentifier = of.GetExternalIdentifier(), of.GetPatientIdentifier()
	if _, err := h.book.SubmitCase(h.ctx, surgeon, &trigonev1.SubmitCaseRequest{CaseFile: sections, SourceTime: timestamppb.New(h.now)}); err != nil {
		h.Fatal(err)
	}
}

func requestOf(c *trigonev1.CaseFile) *trigonev1.SubmitCaseRequest {
	return &trigonev1.SubmitCaseRequest{CaseFile: c, SourceTime: c.GetOperation().GetEndTime()}
}

func (h *house) get(of *trigonev1.CaseFile) *trigonev1.Case {
	h.Helper()
	resp, err := h.book.GetCase(h.ctx, surgeon, &trigonev1.GetCaseRequest{Case: reference(of)})
	if err != nil {
		h.Fatal(err)
	}
	return resp.GetCase()
}

func reference(of *trigonev1.CaseFile) *trigonev1.CaseReference {
	return &trigonev1.CaseReference{ExternalIdentifier: of.GetExternalIdentifier()}
}

// plan and outcome are the two halves of a story, as they arrive.
func (h *house) plan(c *trigonev1.CaseFile) {
	h.at(c, -17*time.Hour).submit(c, &trigonev1.CaseFile{Identity: c.GetIdentity(), Assessments: c.GetAssessments(), Plan: c.GetPlan()})
}

func (h *house) outcome(c *trigonev1.CaseFile) {
	h.at(c, 7*time.Hour).submit(c, &trigonev1.CaseFile{Operation: c.GetOperation(), Results: c.GetResults()})
	h.at(c, 300*time.Hour).submit(c, &trigonev1.CaseFile{FollowUps: c.GetFollowUps()})
}

// told is all that the ledger says of a site.
type told struct {
	comparisons *trigonev1.ListComparisonsResponse
	differences *trigonev1.ListDiscrepanciesResponse
	facts       *trigonev1.ListCaseFactsResponse
	resected    *trigonev1.ListCaseFactsResponse
}

// tells reads every list, without the names of the cases and the number of the
// evaluation, which count what was written.
func (h *house) tells() told {
	h.Helper()
	must := func(err error) {
		h.Helper()
		if err != nil {
			h.Fatal(err)
		}
	}
	var out told
	var err error
	out.comparisons, err = h.ledger.ListComparisons(h.ctx, surgeon, &trigonev1.ListComparisonsRequest{IncludeCounts: true, PageSize: 500})
	must(err)
	for _, c := range out.comparisons.GetComparisons() {
		c.CaseName = ""
	}
	out.differences, err = h.ledger.ListDiscrepancies(h.ctx, surgeon, &trigonev1.ListDiscrepanciesRequest{IncludeCounts: true, PageSize: 500})
	must(err)
	for _, d := range out.differences.GetDiscrepancies() {
		d.CaseName = ""
	}
	out.facts, err = h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{PageSize: 500})
	must(err)
	out.resected, err = h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{PageSize: 500, Groups: []*trigonev1.FactFilter{
		{Kind: "technique", Words: []string{"leaflet_resection", "sliding_plasty"}}, {Kind: "urgency", Words: []string{"elective"}},
	}})
	must(err)
	for _, list := range []*trigonev1.ListCaseFactsResponse{out.facts, out.resected} {
		for _, f := range list.GetFacts() {
			f.CaseName, f.Versions.Evaluation = "", 0
		}
	}
	return out
}

func (a told) differsFrom(b told) string {
	for _, pair := range []struct {
		what      string
		got, want proto.Message
	}{
		{"comparisons", a.comparisons, b.comparisons}, {"discrepancies", a.differences, b.differences},
		{"facts", a.facts, b.facts}, {"facts of a group", a.resected, b.resected},
	} {
		if !proto.Equal(pair.got, pair.want) {
			return fmt.Sprintf("%s differ:\ngot  %v\nwant %v", pair.what, pair.got, pair.want)
		}
	}
	return ""
}

func story(t *testing.T, name string) *trigonev1.CaseFile {
	t.Helper()
	c, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Whatever happened to a case on the way, the ledger says what it would say of a
// store that never saw it.
func TestNoDetourIsLeftInTheLedger(t *testing.T) {
	const reason = "an invented reason"
	c, other := story(t, "several-differences"), story(t, "triangular-complete-ring")
	straight := newHouse(t, openStore(t), "harbour")
	straight.plan(c)
	straight.outcome(c)
	straight.plan(other)
	straight.outcome(other)
	want := straight.tells()
	if len(want.comparisons.GetComparisons()) < 60 || len(want.facts.GetFacts()) != 2 || len(want.resected.GetFacts()) == 0 {
		t.Fatalf("the straight story says too little: %d comparisons, %d and %d cases",
			len(want.comparisons.GetComparisons()), len(want.facts.GetFacts()), len(want.resected.GetFacts()))
	}
	rows := []struct {
		detour string
		walk   func(h *house)
		left   func(h *house, got *told) // what is counted of it all the same, and then taken away
	}{
		{"another record of the patient is opened, found to be a duplicate and merged", func(h *house) {
			h.plan(c)
			h.outcome(c)
			double := proto.CloneOf(c)
			double.ExternalIdentifier.Value = "MV-2026-900"
			h.plan(double)
			h.outcome(double)
			if _, err := h.book.RetractCase(h.ctx, surgeon, &trigonev1.RetractCaseRequest{
				Case: reference(double), CaseVersion: h.get(double).GetCaseVersion(), Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE, ReasonText: reason,
			}); err != nil {
				h.Fatal(err)
			}
			if _, err := h.book.AmendIdentity(h.ctx, surgeon, &trigonev1.AmendIdentityRequest{
				Case: reference(c), CaseVersion: h.get(c).GetCaseVersion(), Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_MERGE,
				PatientIdentifier: &trigonev1.Identifier{System: "urn:example:harbour-hospital:patient", Value: "P-0900"}, Reason: reason,
			}); err != nil {
				h.Fatal(err)
			}
		}, func(h *house, got *told) {
			if n := got.comparisons.GetCounts().GetRetractedCaseCount(); n != 1 {
				h.Errorf("%d retracted cases are counted, want the duplicate", n)
			}
			got.comparisons.Counts.RetractedCaseCount, got.differences.Counts.RetractedCaseCount = 0, 0
		}},
		{"another patient's echo was filed here", func(h *house) {
			h.plan(c)
			h.outcome(c)
			wrong := proto.CloneOf(c.GetResults()[0])
			wrong.Id, wrong.Study.Regurgitation.Grade.Value = "not-his", trigonev1.GradeValue_GRADE_VALUE_SEVERE
			h.submit(c, &trigonev1.CaseFile{Results: []*trigonev1.Result{wrong}})
			if _, err := h.book.AmendIdentity(h.ctx, surgeon, &trigonev1.AmendIdentityRequest{
				Case: reference(c), CaseVersion: h.get(c).GetCaseVersion(), Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT,
				WrongSections: []string{"result/not-his"}, Reason: reason,
			}); err != nil {
				h.Fatal(err)
			}
		}, func(h *house, got *told) {
			if n := got.comparisons.GetCounts().GetRetractedSectionCount(); n != 1 {
				h.Errorf("%d retracted sections are counted, want the other's echo", n)
			}
			got.comparisons.Counts.RetractedSectionCount, got.differences.Counts.RetractedSectionCount = 0, 0
			for _, list := range []*trigonev1.ListCaseFactsResponse{got.facts, got.resected} {
				for _, f := range list.GetFacts() {
					f.Counts.RetractedSectionCount = 0
				}
			}
		}},
		{"the operation is retracted and comes again", func(h *house) {
			h.plan(c)
			h.at(c, 2*time.Hour).submit(c, &trigonev1.CaseFile{Operation: c.GetOperation(), Results: c.GetResults()})
			for _, s := range h.get(c).GetSections() {
				if s.GetSection() != "operation" {
					continue
				}
				if _, err := h.book.RetractSection(h.ctx, surgeon, &trigonev1.RetractSectionRequest{
					Case: reference(c), Section: s.GetSection(), Etag: s.GetEtag(),
					Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, ReasonText: reason,
				}); err != nil {
					h.Fatal(err)
				}
			}
			if n := h.tells().comparisons.GetCounts().GetOperatedCaseCount(); n != 0 {
				h.Errorf("%d cases are operated while the operation is retracted", n)
			}
			retracted := h.get(c)
			var conditions []*trigonev1.SectionCondition
			for _, s := range retracted.GetSections() {
				if s.GetSection() == "operation" {
					conditions = append(conditions, &trigonev1.SectionCondition{Section: s.GetSection(), Expected: &trigonev1.SectionCondition_Etag{Etag: s.GetEtag()}})
				}
			}
			h.at(c, 7*time.Hour)
			if _, err := h.book.SubmitCase(h.ctx, surgeon, &trigonev1.SubmitCaseRequest{Conditions: conditions, CaseFile: &trigonev1.CaseFile{
				ExternalIdentifier: c.GetExternalIdentifier(), PatientIdentifier: c.GetPatientIdentifier(), Operation: c.GetOperation(),
			}}); err != nil {
				h.Fatal(err)
			}
			h.at(c, 300*time.Hour).submit(c, &trigonev1.CaseFile{FollowUps: c.GetFollowUps()})
		}, nil},
		{"a late correction makes a difference of an agreement, and is corrected back", func(h *house) {
			h.plan(c)
			h.outcome(c)
			before := h.tells()
			late := proto.CloneOf(c.GetOperation())
			for _, s := range late.GetSteps() {
				if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
					ring.ImplantedLabel = proto.Float64(ring.GetImplantedLabel() + 8)
				}
			}
			h.at(c, 400*time.Hour).submit(c, &trigonev1.CaseFile{Operation: late})
			if h.tells().differsFrom(before) == "" {
				h.Error("the correction was not seen")
			}
			h.at(c, 401*time.Hour).submit(c, &trigonev1.CaseFile{Operation: c.GetOperation()})
		}, nil},
	}
	for _, row := range rows {
		t.Run(row.detour, func(t *testing.T) {
			h := newHouse(t, openStore(t), "harbour")
			row.walk(h)
			h.plan(other)
			h.outcome(other)
			got := h.tells()
			if row.left != nil {
				row.left(h, &got)
			}
			if text := got.differsFrom(want); text != "" {
				t.Error(text)
			}
		})
	}
}

// Two sites may use the same numbers for their cases, steps and aims.
func TestNoRowCrossesBetweenSites(t *testing.T) {
	c, other := story(t, "several-differences"), story(t, "triangular-complete-ring")
	other.ExternalIdentifier = c.GetExternalIdentifier()
	alone := newHouse(t, openStore(t), "harbour")
	alone.plan(c)
	alone.outcome(c)
	want := alone.tells()

	store := openStore(t)
	harbour, mountain := newHouse(t, store, "harbour"), newHouse(t, store, "mountain")
	harbour.plan(c)
	mountain.plan(other)
	harbour.outcome(c)
	mountain.outcome(other)
	if text := harbour.tells().differsFrom(want); text != "" {
		t.Error(text)
	}
	if mountain.tells().differsFrom(want) == "" {
		t.Error("the other site says the same: the test sees nothing")
	}
	if _, err := mountain.ledger.ListCaseFacts(mountain.ctx, surgeon, &trigonev1.ListCaseFactsRequest{Case: &trigonev1.CaseReference{Name: harbour.get(c).GetName()}}); err == nil {
		t.Error("a case of another site was found by its name")
	}
}
