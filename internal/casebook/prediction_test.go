package casebook

import (
	"testing"
	"time"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// metricOf gives the value of a metric, or nil.
func metricOf(e *trigonev1.Evaluation, id string) *trigonev1.MetricValue {
	for _, m := range e.GetMetrics() {
		if m.GetMetric() == id {
			return m
		}
	}
	return nil
}

// An outcome is held against the prediction from the plan in force, whichever way
// the sections came into the store: head and revision of a plan are decoded apart
// and are one plan all the same.
func TestAnOutcomeIsHeldAgainstThePlanInForce(t *testing.T) {
	whole, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	incision := whole.GetOperation().GetIncisionTime().AsTime()
	part := func(keep func(to, from *trigonev1.CaseFile)) *trigonev1.CaseFile {
		f := &trigonev1.CaseFile{ExternalIdentifier: whole.GetExternalIdentifier(), PatientIdentifier: whole.GetPatientIdentifier()}
		keep(f, whole)
		return f
	}
	before := part(func(to, from *trigonev1.CaseFile) {
		to.Identity, to.Assessments, to.Plan = from.Identity, from.Assessments, from.Plan
	})
	after := part(func(to, from *trigonev1.CaseFile) { to.Operation, to.Results = from.Operation, from.Results })
	plan := part(func(to, from *trigonev1.CaseFile) { to.Plan = from.Plan })
	for _, tt := range []struct {
		why     string
		submits []submitted
		timing  trigonev1.PlanTiming
	}{
		{"plan before, outcome after", []submitted{{before, -24 * time.Hour}, {after, 12 * time.Hour}}, trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE},
		{"plan with its outcome", []submitted{{whole, 12 * time.Hour}}, trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL},
		{"outcome first, plan later", []submitted{
			{part(func(to, from *trigonev1.CaseFile) {
				to.Identity, to.Assessments, to.Operation, to.Results = from.Identity, from.Assessments, from.Operation, from.Results
			}), 12 * time.Hour},
			{plan, 20 * time.Hour},
		}, trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL},
	} {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			var e *trigonev1.Evaluation
			for _, s := range tt.submits {
				f.clock.set(incision.Add(s.after))
				resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: s.file})
				if err != nil {
					t.Fatal(err)
				}
				e = resp.GetEvaluation()
			}
			if got := e.GetPlanInForce().GetTiming(); got != tt.timing {
				t.Fatalf("the plan is %v, want %v", got, tt.timing)
			}
			if z := metricOf(e, "coaptation_z_from_plan"); z.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE {
				t.Errorf("z from the plan is %v: %s", z.GetState(), z.GetExplanation())
			}
			// Judged by the prediction stored before the outcome, or made with it.
			for _, d := range e.GetDiscrepancies() {
				if d.GetClass() == "outside_prediction_interval" {
					t.Errorf("the outcome lies inside what was predicted: %v", d)
				}
			}
		})
	}
	// A plan revised after the incision is not the one in force, and that is said.
	f := newFixture(t)
	f.clock.set(incision.Add(-24 * time.Hour))
	submit := func(file *trigonev1.CaseFile, change ...func(*trigonev1.SubmitCaseRequest)) *trigonev1.Evaluation {
		t.Helper()
		req := &trigonev1.SubmitCaseRequest{CaseFile: file}
		for _, c := range change {
			c(req)
		}
		resp, err := f.book.SubmitCase(f.ctx, caller, req)
		if err != nil {
			t.Fatal(err)
		}
		return resp.GetEvaluation()
	}
	submit(before)
	f.clock.set(incision.Add(12 * time.Hour))
	submit(after)
	later, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	later.GetPlan().SignedTime = Timestamp(incision.Add(6 * time.Hour))
	e := submit(&trigonev1.CaseFile{ExternalIdentifier: whole.GetExternalIdentifier(), PatientIdentifier: whole.GetPatientIdentifier(), Plan: later.GetPlan()}, expect("plan", "1"))
	if z := metricOf(e, "coaptation_z_from_plan"); z.GetState() != trigonev1.MetricState_METRIC_STATE_NOT_APPLICABLE || z.GetExplanation() == "" {
		t.Errorf("z from a plan signed after the incision is %v: %s", z.GetState(), z.GetExplanation())
	}
}

// submitted is a file and when it came, from incision.
type submitted struct {
	file  *trigonev1.CaseFile
	after time.Duration
}
