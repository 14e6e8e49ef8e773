package department

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"trigone/internal/invent"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

// onStore starts servers on one store, under a policy.
func onStore(t *testing.T, store string, policy []byte) func(context.Context, func() time.Time) (Server, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "policy.yaml")
	if err := os.WriteFile(path, policy, 0o600); err != nil {
		t.Fatal(err)
	}
	return func(ctx context.Context, now func() time.Time) (Server, error) {
		running, err := server.Start(ctx, server.Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: path, Now: now})
		if err != nil {
			return Server{}, err
		}
		return Server{Addr: running.Addr(), Stop: running.Stop}, nil
	}
}

// A department goes into a new store, another one of other cases beside it, the same
// one not twice; plans that were received before incision are prospective ones.
func TestSend(t *testing.T) {
	store := filepath.Join(t.TempDir(), "department.db")
	start := onStore(t, store, testdata.DepartmentPolicy)
	d := everything(40, 1)
	sent, err := Send(t.Context(), Options{Department: d, Start: start})
	if err != nil {
		t.Fatal(err)
	}
	if len(sent.Answers) != len(d.Cases) || sent.Letters != len(Letters(d)) {
		t.Errorf("%d cases in %d letters were sent, want %d in %d", len(sent.Answers), sent.Letters, len(d.Cases), len(Letters(d)))
	}
	timings := map[trigonev1.PlanTiming]int{}
	for i := range d.Cases {
		c := &d.Cases[i]
		e := sent.Answers[c.Number].GetEvaluation()
		got := e.GetPlanInForce().GetTiming()
		timings[got]++
		inTime := !c.Plan.None && !c.Plan.Unsigned && c.Plan.Signed.Before(c.Incision) && c.Received.Plan.Before(c.Incision)
		if is := got == trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE; is != inTime {
			t.Errorf("case %d: its plan is %s, and signed and received in time: %t", c.Number, got, inTime)
		}
	}
	if sent.TheatreLists == 0 || sent.TheatreLists != len(d.Lists) {
		t.Errorf("%d theatre lists were sent, want %d", sent.TheatreLists, len(d.Lists))
	}
	if len(timings) < 2 {
		t.Errorf("plans are %v; some are meant to be late", timings)
	}
	if _, err := Send(t.Context(), Options{Department: d, Start: start}); !errors.Is(err, ErrAlreadyThere) {
		t.Errorf("the same seed a second time: %v", err)
	}
	if _, err := Send(t.Context(), Options{Department: everything(2, 2), Start: start}); err != nil {
		t.Errorf("another seed beside it: %v", err)
	}
}

func BenchmarkSend(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		path := filepath.Join(dir, "policy.yaml")
		if err := os.WriteFile(path, testdata.DepartmentPolicy, 0o600); err != nil {
			b.Fatal(err)
		}
		d := invent.Invent(invent.Settings{Cases: 40, Seed: 1})
		_, err := Send(b.Context(), Options{Department: d, Start: func(ctx context.Context, now func() time.Time) (Server, error) {
			running, err := server.Start(ctx, server.Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(dir, "s.db"), PolicyPath: path, Now: now})
			if err != nil {
				return Server{}, err
			}
			return Server{Addr: running.Addr(), Stop: running.Stop}, nil
		}})
		if err != nil {
			b.Fatal(err)
		}
	}
}

// What was built in is found on the way through the store: a department is sent, and the
// service is asked.
func TestWhatWasBuiltInIsFound(t *testing.T) {
	if testing.Short() {
		t.Skip("sends hundreds of cases")
	}
	// Of so few cases only much worse ones are sure to be seen: four times the odds. The
	// baseline is the first half.
	const n = 200
	built := invent.Everything()
	built.DeteriorationOddsRatio = 4
	d := invent.Invent(invent.Settings{Cases: n, Seed: 21, Built: built})
	baseline := regexp.MustCompile(`baseline: .*`)
	policy := baseline.ReplaceAll(testdata.DepartmentPolicy, fmt.Appendf(nil, "baseline: {from: %s, before: %s}", d.Cases[0].Incision.Format(time.DateOnly), d.Cases[n/2].Incision.Format(time.DateOnly)))
	start := onStore(t, filepath.Join(t.TempDir(), "department.db"), policy)
	if _, err := Send(t.Context(), Options{Department: d, Start: start}); err != nil {
		t.Fatal(err)
	}
	running, err := start(t.Context(), func() time.Time { return d.Settings.Until })
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	conn, err := grpc.NewClient(running.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	ask := trigonev1.NewAuditServiceClient(conn)
	answer, err := ask.SummarizeAgreement(t.Context(), &trigonev1.SummarizeAgreementRequest{
		Kinds:  []trigonev1.ComparisonKind{trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN},
		Strata: []string{"ring_family"},
	})
	if err != nil {
		t.Fatal(err)
	}
	if !answer.GetContext().GetInvented() {
		t.Error("the answer does not say that these cases are invented")
	}
	seen := map[string]*trigonev1.Agreement{}
	for _, g := range answer.GetAgreements() {
		switch {
		case g.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION && g.GetMetric() == "ring_inner_antero_posterior_diameter":
			seen["ring "+g.GetStratum().GetWord()] = g
		case g.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN && g.GetMetric() == "coaptation_length":
			seen["contact "+g.GetStratum().GetWord()] = g
		}
	}
	for _, r := range []struct {
		why, figure string
		low, high   float64 // what the bias, or its interval, must reach; 0 is left out unless it lies between
	}{
		{"3 mm deeper than the table says", "ring " + invent.MiscalibratedFamily, 2.7, 3.3},
		{"as the table says", "ring " + invent.FirstFamily, -0.3, 0.3},
		{"1.4 mm less than the geometry gives, and what the model itself is off", "contact " + invent.FirstFamily, -2.6, -0.6},
		{"half of 3 mm less still", "contact " + invent.MiscalibratedFamily, -4.4, -1.8},
	} {
		g := seen[r.figure]
		if g == nil || g.GetBias().Value == nil {
			t.Errorf("%s: there is no bias of %s", r.why, r.figure)
			continue
		}
		t.Logf("%s: %s", r.figure, g.GetSentence())
		if b := g.GetBias(); b.GetValue() < r.low || b.GetValue() > r.high || (r.low > 0 && b.GetLower() <= 0) || (r.high < 0 && b.GetUpper() >= 0) {
			t.Errorf("%s: a bias of %.2f (%.2f to %.2f), want it between %g and %g: %s", r.figure, b.GetValue(), b.GetLower(), b.GetUpper(), r.low, r.high, r.why)
		}
	}

	monitored, err := ask.MonitorOutcomes(t.Context(), &trigonev1.MonitorOutcomesRequest{Outcomes: []string{"any_failure", "conversion"}})
	if err != nil {
		t.Fatal(err)
	}
	change := d.Cases[int(built.DeteriorationFrom*n)].Incision
	for _, c := range monitored.GetCharts() {
		t.Log(c.GetSentence())
		if !slices.ContainsFunc(c.GetSignals(), func(s *trigonev1.MonitoringSignal) bool {
			return s.GetMore() && !s.GetIncisionTime().AsTime().Before(change)
		}) {
			t.Errorf("%s: no signal after %s, though the odds were four times as high", c.GetOutcome(), change.Format(time.DateOnly))
		}
	}
	// What the chart counts is what was drawn, but for outcomes that were never sent.
	failed, unknown := 0, 0
	for i := range d.Settings.Cases {
		switch c := &d.Cases[i]; {
		case c.Failed():
			failed++
		case c.Theatre.NoExitEcho || c.Stay.Missing:
			unknown++
		}
	}
	c := monitored.GetCharts()[slices.IndexFunc(monitored.GetCharts(), func(c *trigonev1.MonitoringChart) bool { return c.GetOutcome() == "any_failure" })]
	if got := int(c.GetFailedCount() + c.GetBaseline().GetFailedCount()); got > failed || got < failed-unknown-int(c.GetWaitingCount()) {
		t.Errorf("the chart and its baseline count %d failures, %d were drawn", got, failed)
	} else {
		t.Logf("%d failures are counted of %d that were drawn", got, failed)
	}
}
