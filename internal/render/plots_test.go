package render

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// A chart is drawn with what it has: the CUSUM where it has arms, pictures where it has
// none, and a reason where no outcome is known.
func TestMonitoringPlots(t *testing.T) {
	at := &timestamppb.Timestamp{Seconds: 1_700_000_000}
	known := trigonev1.MonitoringPointState_MONITORING_POINT_STATE_NOT_FAILED
	arms := &trigonev1.MonitoringChart{
		Outcome: "second_run", Sentence: "More second runs than expected: look at the cases before.", FailedCount: 3, KnownCount: 4, Expected: number64(1.2),
		Upper: &trigonev1.MonitoringArm{Limit: 2.5}, Lower: &trigonev1.MonitoringArm{Limit: 2.25}, Notes: []string{"Corrections are in it."},
		Points: []*trigonev1.MonitoringPoint{
			{State: known, IncisionTime: at, Upper: number64(2.6), Lower: number64(0), Worst: number64(2.6), UpperSignal: true, ExpectedMinusObserved: number64(-0.9)},
			{State: trigonev1.MonitoringPointState_MONITORING_POINT_STATE_GAP, IncisionTime: at, Worst: number64(1)},
			{State: trigonev1.MonitoringPointState_MONITORING_POINT_STATE_AWAITED, IncisionTime: at, Upper: number64(0), Worst: number64(2)},
		},
	}
	picture := &trigonev1.MonitoringChart{Outcome: "death", Sentence: "A picture only.", PictureBecause: "the policy does not name it", KnownCount: 1,
		Points: []*trigonev1.MonitoringPoint{{State: known, IncisionTime: at, RecentRate: number64(0.1)}}}
	nothing := &trigonev1.MonitoringChart{Outcome: "death", Sentence: "No outcome is known."}
	learning := &trigonev1.LearningChart{Outcome: "second_run", Sentence: "Your second runs fit 5 %.", AcceptableRate: 0.05, UnacceptableRate: 0.15, UpperLimit: 2.4, LowerLimit: -1.9,
		Alpha: 0.05, Beta: 0.1, Points: []*trigonev1.LearningPoint{{IncisionTime: at, Value: -0.1}}}
	for _, r := range []struct {
		reason string
		answer *trigonev1.MonitorOutcomesResponse
		says   []string
		not    []string
	}{
		{"nothing is followed", &trigonev1.MonitorOutcomesResponse{Sentence: "Nothing to follow."}, []string{"Not drawn, because no outcome is followed."}, nil},
		{"both arms", &trigonev1.MonitorOutcomesResponse{Charts: []*trigonev1.MonitoringChart{arms}},
			[]string{"CUSUM of second run", "h = 2.50", "h = 2.25", "a signal:", "outcome not known yet (1 case)", "outcome missing", "if every unknown outcome were a failure", "VLAD", "2023", "Second run: 3 of 4 operations", "1.2 expected", "Corrections are in it."}, []string{"share of failures of late"}},
		{"a picture", &trigonev1.MonitorOutcomesResponse{Charts: []*trigonev1.MonitoringChart{picture}}, []string{"share of failures of late", "because the policy does not name it."}, []string{"CUSUM", "VLAD"}},
		{"no outcome known", &trigonev1.MonitorOutcomesResponse{Charts: []*trigonev1.MonitoringChart{nothing}}, []string{"Not drawn, because no case can be followed yet."}, nil},
		{"learning", &trigonev1.MonitorOutcomesResponse{Learning: learning}, []string{"failures less what is allowed for: second run", "alpha 0.05, beta 0.1", "better than one of 5.0"}, nil},
	} {
		var texts []string
		for _, p := range MonitoringPlots(r.answer) {
			texts = append(texts, p.Texts()...)
		}
		said := strings.ReplaceAll(strings.Join(texts, " "), "\u00a0", " ")
		for _, want := range r.says {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is not in %s", r.reason, want, said)
			}
		}
		for _, not := range r.not {
			if strings.Contains(said, not) {
				t.Errorf("%s: %q is in %s", r.reason, not, said)
			}
		}
	}
}

// A curve ends where it can be told no more, with the numbers at risk up to there.
func TestEventCurvePlots(t *testing.T) {
	share := func(v float64) *trigonev1.Figure {
		return &trigonev1.Figure{Value: number64(v), Lower: number64(v / 2), Upper: number64(2 * v)}
	}
	told := &trigonev1.EventCurve{
		Event: trigonev1.FollowedEvent_FOLLOWED_EVENT_RECURRENCE, Sentence: "4 % have had it within a year.", PatientCount: 40, EventCount: 2, CompetingCount: 1, CompetingRisks: true, LateEntryCount: 1,
		Completeness: &trigonev1.Figure{Value: number64(0.61)},
		Points: []*trigonev1.EventCurvePoint{
			{Day: 0, AtRiskCount: 40, Share: share(0)}, {Day: 30, AtRiskCount: 39, Share: share(0.02)}, {Day: 365, AtRiskCount: 21, Share: share(0.04)},
			{Day: 730, AtRiskCount: 4, Share: &trigonev1.Figure{NotEvaluableBecause: "fewer than 10 are at risk"}}, {Day: 1095, AtRiskCount: 1, Share: &trigonev1.Figure{NotEvaluableBecause: "fewer than 10 are at risk"}},
		},
		Steps:         []*trigonev1.EventCurveStep{{Day: 20, Share: share(0.02)}, {Day: 300, Share: share(0.04)}},
		EarliestSteps: []*trigonev1.EventCurveStep{{Day: 2, Share: share(0.04)}},
	}
	none := &trigonev1.EventCurve{Event: trigonev1.FollowedEvent_FOLLOWED_EVENT_DEATH, Sentence: "Nobody is followed."}
	for _, r := range []struct {
		reason    string
		curves    []*trigonev1.EventCurve
		says, not []string
	}{
		{"no curve", nil, []string{"no patient is followed."}, nil},
		{"nobody followed", []*trigonev1.EventCurve{none}, []string{"fewer than 10 patients are followed."}, nil},
		{"a curve", []*trigonev1.EventCurve{told}, []string{"recurrence so far, %", "40 patients, 2 with the event, 1 who can't", "patients at risk 40 21", "Observed 61 %", "with death competing", "right after the last look"}, []string{"39", "product limit"}},
	} {
		var texts []string
		for _, p := range EventCurvePlots(&trigonev1.EstimateFreedomResponse{Curves: r.curves}) {
			texts = append(texts, p.Texts()...)
		}
		said := strings.Join(texts, " ")
		for _, want := range r.says {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is not in %s", r.reason, want, said)
			}
		}
		for _, not := range r.not {
			if strings.Contains(said, not) {
				t.Errorf("%s: %q is in %s", r.reason, not, said)
			}
		}
	}
}
