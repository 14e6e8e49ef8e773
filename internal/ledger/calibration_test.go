package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// What is measured in the invented patients: less than predicted, about that with a spread.
const (
	inventedShift  = -2.5
	inventedSpread = 1.6
)

// invented gives a patient like the one of a story, with heights and a ring of his own.
func invented(r *rand.Rand, of *trigonev1.CaseFile, n int) *trigonev1.CaseFile {
	c := proto.CloneOf(of)
	c.ExternalIdentifier.Value, c.PatientIdentifier.Value = fmt.Sprintf("MV-fit-%03d", n), fmt.Sprintf("P-fit-%03d", n)
	across, height := units.Round(25+2*r.NormFloat64(), 0.1), units.Round(16.5+1.5*r.NormFloat64(), 0.1)
	// A height at the seam is that of the final leaflet, as planned and as done.
	for _, h := range c.GetPlan().GetPlannedHeights() {
		if h.GetSegment() == trigonev1.Segment_SEGMENT_P2 {
			h.LeafletHeight.Mm = &height
		}
	}
	for _, h := range c.GetOperation().GetHeights()[0].GetHeights() {
		if h.GetSegment() == trigonev1.Segment_SEGMENT_P2 {
			h.LeafletHeight.Mm = &height
		}
	}
	for _, s := range c.GetPlan().GetSteps() {
		if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
			ring.RingInnerAnteroPosteriorDiameter.Mm, ring.RingOrificeArea = &across, nil
		}
	}
	for _, s := range c.GetOperation().GetSteps() {
		if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
			ring.RingInnerAnteroPosteriorDiameter.Mm, ring.RingOrificeArea = &across, nil
		}
	}
	c.Operation.InkTests, c.Operation.SalineTests, c.Plan.Targets = nil, nil, nil
	return c
}

// under gives a house of the same store under another policy.
func (h *house) under(p policy.Policy) *house {
	h.Helper()
	out := &house{T: h.T, ctx: h.ctx, store: h.store, now: h.now}
	var err error
	if out.book, err = casebook.New(h.ctx, casebook.Config{
		Store: h.store, Policy: p, Software: "test", Now: func() time.Time { return out.now }, Projectors: []casebook.Projector{Projection{}},
	}); err != nil {
		h.Fatal(err)
	}
	out.ledger = New(out.book.Archive)
	return out
}

// predictedFromPlan gives what the newest evaluation says of A2-P2.
func (h *house) predictedFromPlan(c *trigonev1.CaseFile) *trigonev1.MetricValue {
	h.Helper()
	for _, m := range h.get(c).GetEvaluation().GetMetrics() {
		if m.GetMetric() == metric.IDPredictedContact && m.GetPlace() == "a2_p2" && m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN && m.Value != nil {
			return m
		}
	}
	h.Fatalf("nothing is predicted")
	return nil
}

// operate plans a patient, reads the prediction, and measures as the model says with
// shift and spread.
func (h *house) operate(r *rand.Rand, c *trigonev1.CaseFile) (predicted *trigonev1.MetricValue, measured float64) {
	h.Helper()
	h.plan(c)
	predicted = h.predictedFromPlan(c)
	raw := predicted.GetValue()
	if predicted.UncalibratedValue != nil {
		raw = predicted.GetUncalibratedValue()
	}
	measured = units.Round(max(0, raw+inventedShift+inventedSpread*r.NormFloat64()), 0.1)
	for _, result := range c.GetResults() {
		for _, x := range result.GetStudy().GetLeaflets().GetCoaptation() {
			x.CoaptationLength.Mm, x.AnteriorClosureShare = &measured, nil
		}
	}
	h.outcome(c)
	return predicted, measured
}

func fitFromPlan(t *testing.T, h *house) (*trigonev1.CalibratePredictionResponse, *trigonev1.PredictionCalibration) {
	t.Helper()
	resp, err := h.ledger.CalibratePrediction(h.ctx, surgeon, &trigonev1.CalibratePredictionRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range resp.GetCalibrations() {
		if c.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN && c.GetTechnique() == "resection" {
			return resp, c
		}
	}
	t.Fatalf("no fit: %v", resp)
	return nil, nil
}

// signedInto gives the built-in policy with a fragment that a person signed, as he would.
func signedInto(t *testing.T, fragment string) policy.Policy {
	t.Helper()
	built, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := policy.Parse("unsigned", []byte(built.Text+fragment), nil); err == nil || !strings.Contains(err.Error(), "nobody has signed this calibration") {
		t.Errorf("a fragment that nobody signed: %v", err)
	}
	signed := strings.NewReplacer(`signed_by: ""`, "signed_by: lead-3", `signed_at: ""`, `signed_at: "2026-11-02T09:30:00Z"`, `note: ""`, "note: read beside twelve films")
	p, err := policy.Parse("signed", []byte(strings.Replace(built.Text, `version: "2"`, "version: calibrated", 1)+signed.Replace(fragment)), nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The whole way: predictions and outcomes on record, a fit, its fragment signed into a
// policy, new predictions by the numbers that were printed, whose ranges hold; and what was
// predicted before stays what was known.
func TestFromPairsToCalibratedPredictions(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	h := newHouse(t, openStore(t), "harbour")
	of := story(t, "triangular-complete-ring")
	const before, after = 64, 60
	var pairs []statistics.Pair
	var first, early *trigonev1.CaseFile
	for n := range before {
		c := invented(r, of, n)
		p, measured := h.operate(r, c)
		if p.GetCalibrationId() != "" || p.UncalibratedValue != nil {
			t.Fatalf("predicted under a policy without calibrations: %v", p)
		}
		pairs = append(pairs, statistics.Pair{Predicted: p.GetValue(), Measured: measured})
		if n == 0 {
			first = c
		}
	}
	// A plan that waits for its operation while the policy changes.
	early = invented(r, of, before)
	h.plan(early)
	known := h.predictedFromPlan(early)

	h.now = h.now.AddDate(1, 0, 0)
	resp, fit := fitFromPlan(t, h)
	want, err := statistics.Calibrate(pairs)
	if err != nil {
		t.Fatal(err)
	}
	number := settings.OnGrid(want.Correction)
	got := fit.GetCorrection()
	if fit.GetVerdict() != trigonev1.CalibrationVerdict_CALIBRATION_VERDICT_CORRECTS || fit.GetFittedPatientCount() != before || fit.GetMethod() != trigonev1.Method_METHOD_ECHO_2D {
		t.Fatalf("%v", fit)
	}
	for _, x := range []struct {
		what      string
		got, want float64
	}{
		{"shift", got.GetShift(), number.Shift}, {"centre", got.GetCentre(), number.Centre}, {"scatter", got.GetScatter(), number.Scatter}, {"spread", got.GetSpread(), number.SD},
		{"error as it is", fit.GetModelError().GetValue(), want.RawError}, {"error of the mean", fit.GetMeanError().GetValue(), want.MeanError}, {"error of the fit", fit.GetFitError().GetValue(), want.FitError},
	} {
		if math.Abs(x.got-x.want) > 1e-9 {
			t.Errorf("%s: %v, from the pairs themselves %v", x.what, x.got, x.want)
		}
		if printed := fmt.Sprintf("%.3f", x.want); x.what == "shift" && !strings.Contains(resp.GetPolicyFragment(), "shift_mm: "+printed+"\n") {
			t.Errorf("the fragment does not print %s:\n%s", printed, resp.GetPolicyFragment())
		}
	}
	if got.Stretch != nil && !want.Stretched || math.Abs(number.Shift-inventedShift) > 0.8 {
		t.Errorf("%v; what was built in is a shift of %v", got, inventedShift)
	}
	if fit.GetFromLaterCases() || fit.GetAfter().GetInside().GetOf() != before || fit.GetBefore().GetInside().GetOf() != before {
		t.Errorf("coverage: %v", fit)
	}
	again, err := h.ledger.CalibratePrediction(h.ctx, surgeon, &trigonev1.CalibratePredictionRequest{AsOf: resp.GetContext().GetAsOf()})
	if err != nil || !proto.Equal(resp, again) {
		t.Errorf("asked again as of the same time: %v", err)
	}

	b := h.under(signedInto(t, resp.GetPolicyFragment()))
	inside := 0
	for n := range after {
		c := invented(r, of, 100+n)
		p, measured := b.operate(r, c)
		span, raw := number.Range(p.GetUncalibratedValue()), p.GetUncalibratedValue()
		if p.GetCalibrationId() != got.GetId() || p.GetValue() != units.Round(number.At(raw), 0.1) ||
			p.GetLower() != units.Round(max(0, span.Lower), 0.1) || p.GetUpper() > units.Round(span.Upper, 0.1) {
			t.Fatalf("%v, by the printed numbers %v, %v", p, number.At(raw), span)
		}
		if p.GetLower() <= measured && measured <= p.GetUpper() {
			inside++
		}
		if id := b.get(c).GetEvaluation().GetCalibrationId(); !strings.Contains(id, got.GetId()) {
			t.Errorf("the evaluation names %q", id)
		}
	}
	// Three standard errors of a share of 95 % of 60 are 5.1.
	if inside < 52 {
		t.Errorf("%d of %d new cases lie in their calibrated range", inside, after)
	}

	// What was known stays: a plan of before, operated on under the new policy, is held
	// against the prediction of then.
	b.outcome(early)
	for _, c := range b.get(early).GetEvaluation().GetComparisons() {
		if c.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN && c.PlannedValue != nil &&
			(c.GetPredictionCalibrationId() != "" || c.GetPlannedValue() != known.GetValue() || c.GetLower() != known.GetLower() || c.UncalibratedValue != nil) {
			t.Errorf("predicted as %v, held against %v", known, c)
		}
	}
	for _, c := range h.get(first).GetEvaluation().GetComparisons() {
		if c.GetPredictionCalibrationId() != "" {
			t.Errorf("an answer of before names %s", c.GetPredictionCalibrationId())
		}
	}

	// Both kinds stand apart, and a new fit is to the model, not to what was corrected.
	b.now = b.now.AddDate(1, 0, 0)
	agreement, err := b.ledger.SummarizeAgreement(b.ctx, surgeon, &trigonev1.SummarizeAgreementRequest{
		Kinds: []trigonev1.ComparisonKind{trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN},
	})
	if err != nil {
		t.Fatal(err)
	}
	apart := map[string]int32{}
	for _, a := range agreement.GetAgreements() {
		apart[a.GetCalibrationId()] += a.GetPairCount()
	}
	if len(apart) != 2 || apart[""] != before+1 || apart[got.GetId()] != after {
		t.Errorf("pairs by calibration: %v", apart)
	}
	_, whole := fitFromPlan(t, b)
	if whole.GetFittedPatientCount() != before+1+after || math.Abs(whole.GetDifference().GetValue()-inventedShift) > 0.6 {
		t.Errorf("a fit to all: %v", whole)
	}
	if used := whole.GetInUse(); len(used) != 1 || used[0].GetCalibrationId() != got.GetId() || used[0].GetInside().GetOf() != after || used[0].GetInside().GetCount() != int32(inside) {
		t.Errorf("in use: %v", used)
	}
	if whole.GetBefore().GetInside().GetOf() != before+1 {
		t.Errorf("ranges printed without a calibration: %v", whole.GetBefore())
	}
}

func TestCalibrationQuestions(t *testing.T) {
	h := toldHouse(t, 4)
	past := timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	for _, r := range []struct {
		reason string
		req    *trigonev1.CalibratePredictionRequest
		refuse string
	}{
		{"before the first case there is nothing, and that is no error", &trigonev1.CalibratePredictionRequest{AsOf: past}, ""},
		{"a period that ends before it begins holds nothing", &trigonev1.CalibratePredictionRequest{Filter: &trigonev1.AuditFilter{
			IncisionFrom: timestamppb.Now(), IncisionBefore: past}}, ""},
		{"a filter of no kind", &trigonev1.CalibratePredictionRequest{Filter: &trigonev1.AuditFilter{Groups: []*trigonev1.FactFilter{{Kind: "luck", Words: []string{"good"}}}}}, "filter.groups[0].kind: is none of the kinds"},
	} {
		t.Run(r.reason, func(t *testing.T) {
			resp, err := h.ledger.CalibratePrediction(h.ctx, surgeon, r.req)
			switch {
			case r.refuse == "" && (err != nil || resp.GetEligibleCaseCount() != 0 || len(resp.GetCalibrations()) != 0 || resp.GetPolicyFragment() != ""):
				t.Errorf("%v, %v", resp, err)
			case r.refuse != "" && (err == nil || !strings.Contains(err.Error(), r.refuse)):
				t.Errorf("%v, want %q", err, r.refuse)
			}
		})
	}
	resp, err := h.ledger.CalibratePrediction(h.ctx, surgeon, &trigonev1.CalibratePredictionRequest{})
	if err != nil || len(resp.GetCalibrations()) == 0 {
		t.Fatalf("%v, %v", resp, err)
	}
	for _, c := range resp.GetCalibrations() {
		if c.GetVerdict() != trigonev1.CalibrationVerdict_CALIBRATION_VERDICT_TOO_FEW || c.GetCorrection() != nil || c.GetFitError().Value != nil || c.GetFitError().GetNotEvaluableBecause() == "" {
			t.Errorf("of so few: %v", c)
		}
	}
}
