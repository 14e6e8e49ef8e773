package ledger

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

func outcomeNamed(t *testing.T, resp *trigonev1.SummarizeOutcomesResponse, id string) *trigonev1.OutcomeFigure {
	t.Helper()
	for _, g := range resp.GetOutcomes() {
		if g.GetOutcome() == id && g.GetStratum() == nil {
			return g
		}
	}
	t.Fatalf("no outcome %s", id)
	return nil
}

// The figures are those of the facts that ListCaseFacts shows: counted again here, by
// another who knows nothing of how they are gathered.
func TestOutcomesAgainstTheFacts(t *testing.T) {
	h := toldHouse(t, 100)
	resp, err := h.ledger.SummarizeOutcomes(h.ctx, surgeon, &trigonev1.SummarizeOutcomesRequest{Strata: []string{"technique"}, IncludeCases: true})
	if err != nil {
		t.Fatal(err)
	}
	facts, err := h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	patients, runs, again, discharged, leaking := 0, 0, 0, 0, 0
	var gradients []float64
	var dead []string
	for _, f := range facts.GetFacts() {
		if f.GetTimes().GetIncisionTime() == nil || f.GetRepair().GetPlannedCase() == 0 || f.GetSetting().GetPreviousCase() != "" {
			continue
		}
		patients++
		if n := f.GetRepair().MitralFurtherRunCount; n != nil && f.GetSetting().GetIntendedProcedure() != trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPLACEMENT {
			runs++
			if *n > 0 {
				again++
			}
		}
		if f.GetOutcome().GetDiedInHospital() == answerYes {
			dead = append(dead, f.GetCaseName())
		}
		if f.GetRepair().GetConverted() == answerYes || f.GetOutcome().GetLeftTheatreAlive() == answerNo || f.GetOutcome().GetDiedInHospital() == answerYes {
			continue
		}
		for _, e := range f.GetEchoes() {
			if e.GetFollowUpKind() != trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE || f.GetRepair().GetConverted() != answerNo {
				continue
			}
			if e.GradeRank != nil {
				discharged++
				if gradeOf(e.GetGrade()).Severe() {
					leaking++
				}
			}
			if e.MeanGradientMmhg != nil {
				gradients = append(gradients, e.GetMeanGradientMmhg())
			}
		}
	}
	if int(resp.GetPatientCount()) != patients || patients < 20 {
		t.Errorf("%d patients, the facts have %d", resp.GetPatientCount(), patients)
	}
	if g := outcomeNamed(t, resp, audit.FurtherMitralRun); int(g.GetShare().GetOf()) != runs || int(g.GetShare().GetCount()) != again || again == 0 {
		t.Errorf("further runs %v, the facts have %d of %d", g.GetShare(), again, runs)
	}
	death := outcomeNamed(t, resp, "hospital_mortality")
	slices.Sort(dead)
	if !slices.Equal(death.GetCaseNames(), dead) || len(dead) == 0 || int(death.GetShare().GetCount()) != len(dead) {
		t.Errorf("died in the stay: %v, the facts have %v", death.GetCaseNames(), dead)
	}
	if g := outcomeNamed(t, resp, audit.RegurgitationAtDischarge); int(g.GetShare().GetOf()) != discharged || int(g.GetShare().GetCount()) < leaking {
		t.Errorf("regurgitation at discharge %v, the facts have %d echoes, %d severe", g.GetShare(), discharged, leaking)
	}
	g := outcomeNamed(t, resp, "gradient_at_discharge")
	apart := outcomeNamed(t, resp, "gradient_not_at_rest_at_discharge")
	if n := int(g.GetMeasuredCount() + apart.GetMeasuredCount()); n != len(gradients) || g.GetUnit() != "mm[Hg]" {
		t.Errorf("%d gradients in %s, the facts have %d", n, g.GetUnit(), len(gradients))
	}
	if resp.GetStrataCount() == 0 {
		t.Error("no strata by technique")
	}
	for _, g := range resp.GetOutcomes() {
		if g.GetSentence() == "" || g.GetTitle() == "" || g.GetDefinition() == "" || strings.Contains(g.GetSentence(), "NaN") || strings.Contains(g.GetDefinition(), "{") {
			t.Errorf("%v", g)
		}
	}
	again2, err := h.ledger.SummarizeOutcomes(h.ctx, surgeon, &trigonev1.SummarizeOutcomesRequest{Strata: []string{"technique"}, IncludeCases: true, AsOf: resp.GetContext().GetAsOf()})
	if err != nil || !proto.Equal(resp, again2) {
		t.Errorf("asked again as of the same time: %v", err)
	}
}

func TestOutcomeQuestions(t *testing.T) {
	h := toldHouse(t, 4)
	past := timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	benchmark := func(outcome string, share float64) *trigonev1.Benchmark {
		return &trigonev1.Benchmark{Outcome: outcome, Share: share, Source: "a registry"}
	}
	reader := casebook.Principal{Name: "reader", Tied: true}
	for _, r := range []struct {
		reason string
		who    casebook.Principal
		req    *trigonev1.SummarizeOutcomesRequest
		refuse string
	}{
		{"before the first case there is nothing, and that is no error", surgeon, &trigonev1.SummarizeOutcomesRequest{AsOf: past}, ""},
		{"a period that ends before it begins", surgeon, &trigonev1.SummarizeOutcomesRequest{Filter: &trigonev1.AuditFilter{IncisionFrom: timestamppb.Now(), IncisionBefore: past}}, "filter.incision_before: is not after incision_from"},
		{"an outcome that is none", surgeon, &trigonev1.SummarizeOutcomesRequest{Outcomes: []string{"luck"}}, "outcomes[0]: is none of the outcomes"},
		{"words of no kind", surgeon, &trigonev1.SummarizeOutcomesRequest{Strata: []string{"surname"}}, "strata[0]: is none of the kinds"},
		{"a benchmark of 0 has no limits", surgeon, &trigonev1.SummarizeOutcomesRequest{Benchmarks: []*trigonev1.Benchmark{benchmark(audit.Conversion, 0)}}, "benchmarks[0].share"},
		{"two of one outcome", surgeon, &trigonev1.SummarizeOutcomesRequest{Benchmarks: []*trigonev1.Benchmark{benchmark(audit.Conversion, 0.1), benchmark(audit.Conversion, 0.2)}}, "benchmarks[1].outcome: has two benchmarks"},
		{"operators side by side are for auditors and operators", reader, &trigonev1.SummarizeOutcomesRequest{Units: trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS}, "by an auditor, and by an operator"},
		{"the department over time is for everybody who may ask", reader, &trigonev1.SummarizeOutcomesRequest{AsOf: past}, ""},
		{"an auditor may", casebook.Principal{Name: "auditor", Tied: true, ByStaff: true}, &trigonev1.SummarizeOutcomesRequest{AsOf: past, Units: trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS}, ""},
		{"an operator may", casebook.Principal{Name: "op", Tied: true, Operators: []string{"op-1"}}, &trigonev1.SummarizeOutcomesRequest{AsOf: past, Units: trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS}, ""},
	} {
		t.Run(r.reason, func(t *testing.T) {
			resp, err := h.ledger.SummarizeOutcomes(h.ctx, r.who, r.req)
			switch {
			case r.refuse == "" && (err != nil || resp.GetPatientCount() != 0 || len(resp.GetOutcomes()) < 40):
				t.Errorf("%v, %v", resp, err)
			case r.refuse != "" && (err == nil || !strings.Contains(err.Error(), r.refuse)):
				t.Errorf("%v, want %q", err, r.refuse)
			}
			for _, g := range resp.GetOutcomes() {
				if g.GetSentence() == "" || g.GetShare() != nil && g.GetShare().GetShare().Value != nil {
					t.Errorf("of nobody: %v", g)
				}
			}
		})
	}
}

// What outcomes read are words of the contract: a kind of complication that is added there
// has to be told here.
func TestWordsOfOutcomes(t *testing.T) {
	told := audit.OutcomeWords()
	for n := range trigonev1.ComplicationKind_name {
		word := convert.Word(trigonev1.ComplicationKind(n))
		if has := slices.Contains(told, audit.ComplicationPrefix+word); has == (n == 0) {
			t.Errorf("complication %q is told: %v", word, has)
		}
	}
	for i, id := range told {
		if slices.Contains(told[:i], id) {
			t.Errorf("%s stands twice", id)
		}
	}
	for _, e := range audit.EndPoints() {
		if convert.Enum[trigonev1.RiskOutcome](e[0]) == 0 || convert.Enum[trigonev1.RiskHorizon](e[1]) == 0 {
			t.Errorf("%v is no end-point of the contract", e)
		}
	}
	// Words that the pure room compares with.
	for word, known := range map[string]bool{
		"repair":                      convert.Enum[trigonev1.IntendedProcedureKind]("repair") != 0,
		"replacement":                 convert.Enum[trigonev1.IntendedProcedureKind]("replacement") != 0,
		"same_stay":                   convert.Enum[trigonev1.ConversionPoint]("same_stay") != 0,
		"replaced":                    convert.Enum[trigonev1.ReinterventionKind]("replaced") != 0,
		"discharge":                   convert.Enum[trigonev1.FollowUpKind]("discharge") != 0,
		"complete":                    convert.Enum[trigonev1.Recorded]("complete") != 0,
		"leaflet_with_obstruction":    convert.Enum[trigonev1.AnteriorMotionState]("leaflet_with_obstruction") != 0,
		"leaflet_without_obstruction": convert.Enum[trigonev1.AnteriorMotionState]("leaflet_without_obstruction") != 0,
		"chordal":                     convert.Enum[trigonev1.AnteriorMotionState]("chordal") != 0,
		"resolved":                    convert.Enum[trigonev1.AnteriorMotionEnd]("resolved") != 0,
		"return_to_theatre":           convert.Enum[trigonev1.EventKind]("return_to_theatre") != 0,
		"reintervention":              convert.Enum[trigonev1.EventKind]("reintervention") != 0,
		"deep":                        convert.Enum[trigonev1.ComplicationGrade]("deep") != 0,
		"stage_3":                     convert.Enum[trigonev1.ComplicationGrade]("stage_3") != 0,
	} {
		if !known {
			t.Errorf("%s is no word of the contract", word)
		}
	}
	for _, reason := range audit.ReturnsOfMorbidity() {
		if convert.Enum[trigonev1.ReturnReason](reason) == 0 {
			t.Errorf("%s is no reason of a return", reason)
		}
	}
}

// The theatre list counts by whole months of the site's zone.
func TestRepairRateOfTheTheatreList(t *testing.T) {
	h := toldHouse(t, 3)
	h.now = time.Date(2030, 6, 20, 12, 0, 0, 0, time.UTC)
	for month, repaired := range map[string]int32{"2030-01": 4, "2030-02": 6, "2030-04": 5} {
		if _, err := h.book.SubmitTheatreCount(h.ctx, surgeon, &trigonev1.SubmitTheatreCountRequest{Count: &trigonev1.TheatreCount{Month: month, Rows: []*trigonev1.TheatreCountRow{
			{Aetiology: trigonev1.Aetiology_AETIOLOGY_MYXOMATOUS, Procedure: trigonev1.TheatreProcedure_THEATRE_PROCEDURE_REPAIR, Count: repaired},
			{Aetiology: trigonev1.Aetiology_AETIOLOGY_MYXOMATOUS, Procedure: trigonev1.TheatreProcedure_THEATRE_PROCEDURE_REPLACEMENT, Count: 1},
		}}}); err != nil {
			t.Fatal(err)
		}
	}
	at := func(year int, month time.Month, day int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(year, month, day, 0, 0, 0, 0, time.UTC))
	}
	for _, r := range []struct {
		reason string
		filter *trigonev1.AuditFilter
		want   string
	}{
		{"from the first month that was submitted", nil, "The theatre list of 3 months names 18 operations for degenerative regurgitation, of which 15 were repairs (83 %, 95 % interval 61 to 94 %). It has not been submitted for 2030-03 and 2030-05."},
		{"a month that is not whole does not count", &trigonev1.AuditFilter{IncisionFrom: at(2030, 1, 15), IncisionBefore: at(2030, 3, 15)}, "The theatre list of 1 month names 7 operations for degenerative regurgitation, of which 6 were repairs (86 %, 95 % interval 49 to 97 %)."},
		{"nothing was submitted of these", &trigonev1.AuditFilter{IncisionFrom: at(2029, 1, 1), IncisionBefore: at(2029, 3, 2)}, "The repair rate of the theatre list can't be told: the theatre list has not been submitted for 2029-01 and 2029-02."},
		{"the list knows no words of cases", &trigonev1.AuditFilter{Groups: []*trigonev1.FactFilter{{Kind: "urgency", Words: []string{"elective"}}}}, "The repair rate of the theatre list can't be told: it knows nothing of the words by which these cases were chosen."},
	} {
		resp, err := h.ledger.SummarizeOutcomes(h.ctx, surgeon, &trigonev1.SummarizeOutcomesRequest{Filter: r.filter, Outcomes: []string{"repair_rate_theatre_list"}})
		if err != nil {
			t.Fatal(err)
		}
		if got := resp.GetOutcomes()[0].GetSentence(); got != r.want {
			t.Errorf("%s:\n%s\nwant\n%s", r.reason, got, r.want)
		}
	}
}

// A case that is retracted is as one that never came.
func TestRetractedCaseLeavesNoTrace(t *testing.T) {
	h := toldHouse(t, 12)
	h.now = h.now.AddDate(5, 0, 0)
	asOf := timestamppb.New(h.now)
	ask := func() *trigonev1.SummarizeOutcomesResponse {
		t.Helper()
		resp, err := h.ledger.SummarizeOutcomes(h.ctx, surgeon, &trigonev1.SummarizeOutcomesRequest{AsOf: asOf, Strata: []string{"technique"}})
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	before := ask()
	one := restatedStories(t, 13)[12]
	h.plan(one)
	h.outcome(one)
	if more := ask(); more.GetPatientCount() != before.GetPatientCount()+1 {
		t.Fatalf("%d patients, then %d", before.GetPatientCount(), more.GetPatientCount())
	}
	if _, err := h.book.RetractCase(h.ctx, surgeon, &trigonev1.RetractCaseRequest{Case: reference(one), Reason: trigonev1.RetractionReason(1), CaseVersion: h.get(one).GetCaseVersion()}); err != nil {
		t.Fatal(err)
	}
	after := ask()
	if after.GetRetractedCaseCount() != before.GetRetractedCaseCount()+1 {
		t.Errorf("%d retracted, then %d", before.GetRetractedCaseCount(), after.GetRetractedCaseCount())
	}
	after.RetractedCaseCount, after.Context = before.GetRetractedCaseCount(), before.GetContext()
	if !proto.Equal(before, after) {
		t.Errorf("after it was retracted\n%v\nbefore\n%v", after, before)
	}
}
