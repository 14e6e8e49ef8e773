package department

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"trigone/internal/invent"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

// onStore starts servers on one store, under the department's policy.
func onStore(t *testing.T, store string) func(context.Context, func() time.Time) (Server, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "policy.yaml")
	if err := os.WriteFile(path, testdata.DepartmentPolicy, 0o600); err != nil {
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
	start := onStore(t, store)
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
