package repair

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The definition is our own (the revision last signed before incision); each row
// gives its reason.

var cut = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// hours gives a time so many hours after incision; negative: before.
func hours(h float64) time.Time { return cut.Add(time.Duration(h * float64(time.Hour))) }

// revision gives a plan revision signed and received at hours from incision.
func revision(n int64, signed, received float64) PlanRevision {
	return PlanRevision{Revision: n, Received: hours(received), Plan: &Plan{Signer: "s1", SignedTime: hours(signed)}}
}

func unsigned(n int64, received float64) PlanRevision {
	return PlanRevision{Revision: n, Received: hours(received), Plan: &Plan{}}
}

// What is told of receipt is only what is known of it.
func TestReceiptIsToldOnlyWhereItIsKnown(t *testing.T) {
	c := &Case{Operation: &Operation{IncisionTime: cut}}
	for received, want := range map[time.Time]string{
		{}:         "signed before incision; when it was received is not known",
		hours(-20): "signed and received before incision",
		hours(20):  "signed before incision, received after it",
	} {
		c.Plans = []PlanRevision{{Revision: 1, Received: received, Plan: &Plan{Signer: "s1", SignedTime: hours(-24)}}}
		if got := c.PlanInForce().Explanation; got != want {
			t.Errorf("received %v: %q, want %q", received, got, want)
		}
	}
}

func TestPlanInForce(t *testing.T) {
	noSigner := revision(2, -5, -5)
	noSigner.Plan.Signer = ""
	noTime := PlanRevision{Revision: 2, Received: hours(-5), Plan: &Plan{Signer: "s1"}}
	rows := []struct {
		why      string
		plans    []PlanRevision
		incision time.Time
		timing   Timing
		revision int64 // 0: none
	}{
		{"no plan at all", nil, cut, NoPlan, 0},
		{"no plan and no incision time", nil, time.Time{}, NoPlan, 0},
		{"signed and received the day before", []PlanRevision{revision(1, -24, -20)}, cut, Prospective, 1},
		{"signed before, received after: it arrived late", []PlanRevision{revision(1, -24, 30)}, cut, LateArrival, 1},
		{"a case file alone does not say when it was received", []PlanRevision{{Revision: 1, Plan: &Plan{Signer: "s1", SignedTime: hours(-24)}}}, cut, Prospective, 1},
		{"received at the minute of incision is not before it", []PlanRevision{revision(1, -24, 0)}, cut, LateArrival, 1},
		{"signed at the minute of incision is not before it", []PlanRevision{revision(1, 0, -1)}, cut, Retrospective, 1},
		{"signed during the operation only", []PlanRevision{revision(1, 1, 2)}, cut, Retrospective, 1},
		{"never signed", []PlanRevision{unsigned(1, -24)}, cut, Unsigned, 1},
		{"a time of signing without a signer is no signature", []PlanRevision{unsigned(1, -24), noSigner}, cut, Unsigned, 2},
		{"a signer without a time of signing is no signature", []PlanRevision{unsigned(1, -24), noTime}, cut, Unsigned, 2},
		{"no incision time, the last revision is named", []PlanRevision{revision(1, -24, -20), revision(2, -20, -19)}, time.Time{}, NoIncisionTime, 2},
		{"the last signed before incision, not the last revision", []PlanRevision{revision(1, -4, -4), revision(2, -24, -3)}, cut, Prospective, 1},
		{"a revision signed after incision leaves the one before in force", []PlanRevision{revision(1, -24, -20), revision(2, 1, 1)}, cut, Prospective, 1},
		{"an unsigned later revision leaves the signed one in force", []PlanRevision{revision(1, -24, -20), unsigned(2, -2)}, cut, Prospective, 1},
		{"signed at the same time: the greater revision", []PlanRevision{revision(1, -24, -20), revision(2, -24, -19)}, cut, Prospective, 2},
		{"the same, listed the other way round", []PlanRevision{revision(2, -24, -19), revision(1, -24, -20)}, cut, Prospective, 2},
		{"the last signed arrived late although an earlier one had not", []PlanRevision{revision(1, -24, -20), revision(2, -2, 40)}, cut, LateArrival, 2},
		{"nothing signed in time: differences are shown to the last revision", []PlanRevision{revision(1, 5, 5), unsigned(2, 6)}, cut, Retrospective, 2},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			c := &Case{Plans: r.plans, Operation: &Operation{IncisionTime: r.incision}}
			got := c.PlanInForce()
			var revision int64
			if got.Revision != nil {
				revision = got.Revision.Revision
			}
			if got.Timing != r.timing || revision != r.revision {
				t.Errorf("%s, revision %d; want %s, revision %d", got.Timing, revision, r.timing, r.revision)
			}
			if got.Explanation == "" {
				t.Error("a timing must be explained")
			}
			if want := r.timing == Prospective || r.timing == LateArrival; got.Effective() != want {
				t.Errorf("Effective is %v, want %v", got.Effective(), want)
			}
		})
	}
}

func TestPlanInForceWithoutOperation(t *testing.T) {
	c := &Case{Plans: []PlanRevision{revision(1, -24, -20)}}
	if got := c.PlanInForce(); got.Timing != NoIncisionTime || got.Effective() {
		t.Errorf("without an operation no plan can be in force, got %s", got.Timing)
	}
}

func TestRevisedBeforeCut(t *testing.T) {
	rows := []struct {
		why      string
		plans    []PlanRevision
		incision time.Time
		firstCut time.Time
		want     int64
	}{
		{"signed between incision and the first cut", []PlanRevision{revision(1, -24, -20), revision(2, 1, 1)}, cut, hours(2), 2},
		{"signed at incision", []PlanRevision{revision(1, 0, 0)}, cut, hours(2), 1},
		{"signed at the first cut is too late", []PlanRevision{revision(1, 2, 2)}, cut, hours(2), 0},
		{"signed before incision is the plan itself", []PlanRevision{revision(1, -1, -1)}, cut, hours(2), 0},
		{"of two the one signed later", []PlanRevision{revision(1, 1.5, 2), revision(2, 1, 1)}, cut, hours(2), 1},
		{"unsigned does not count", []PlanRevision{unsigned(1, 1)}, cut, hours(2), 0},
		{"the first cut is not recorded", []PlanRevision{revision(1, 1, 1)}, cut, time.Time{}, 0},
		{"the incision is not recorded", []PlanRevision{revision(1, 1, 1)}, time.Time{}, hours(2), 0},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			c := &Case{Plans: r.plans, Operation: &Operation{IncisionTime: r.incision, FirstLeafletCutTime: r.firstCut}}
			var got int64
			if rev := c.RevisedBeforeCut(); rev != nil {
				got = rev.Revision
			}
			if got != r.want {
				t.Errorf("revision %d, want %d", got, r.want)
			}
		})
	}
	if (&Case{Plans: []PlanRevision{revision(1, 1, 1)}}).RevisedBeforeCut() != nil {
		t.Error("without an operation nothing was revised before its first cut")
	}
}

// The order in which revisions are listed never matters, and whatever is signed
// after incision never changes which plan is in force.
func TestPlanInForceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var plans []PlanRevision
		for i := range rapid.IntRange(1, 6).Draw(t, "revisions") {
			signed := float64(rapid.IntRange(-6, 6).Draw(t, "signed"))
			received := signed + float64(rapid.IntRange(0, 12).Draw(t, "delay"))
			p := revision(int64(i+1), signed, received)
			if rapid.IntRange(0, 3).Draw(t, "unsigned") == 0 {
				p.Plan.Signer = ""
			}
			plans = append(plans, p)
		}
		of := func(list []PlanRevision) InForce {
			return (&Case{Plans: list, Operation: &Operation{IncisionTime: cut}}).PlanInForce()
		}
		same := func(a, b InForce) bool {
			return a.Timing == b.Timing && a.Explanation == b.Explanation && a.Revision.Revision == b.Revision.Revision
		}
		first := of(plans)

		reversed := slices.Clone(plans)
		slices.Reverse(reversed)
		if again := of(reversed); !same(first, again) {
			t.Fatalf("listed in reverse: %+v and %+v", first, again)
		}
		if !first.Effective() {
			return
		}
		signed := first.Revision.Plan.SignedTime
		for _, p := range plans {
			if p.Plan.Signer != "" && p.Plan.SignedTime.Before(cut) && p.Plan.SignedTime.After(signed) {
				t.Fatalf("revision %d was signed later and before incision", p.Revision)
			}
		}
		later := append(slices.Clone(plans), revision(99, 3, 3))
		if again := of(later); !same(first, again) {
			t.Fatalf("a plan signed after incision changed the plan in force: %+v and %+v", first, again)
		}
	})
}

// The plan's own values go with its revision: no value of the head stays.
func TestWithPlan(t *testing.T) {
	c := NewExample().Assess("tte").Height("p2", 22).Plan().Step("p1", LeafletResection, "p2").Dim("resection_free_edge_width", 12).Case()
	old := c.Plans[0]
	old.Revision, old.Measured = 7, nil
	view := c.WithPlan(&old)
	if view.Plan != old.Plan || len(view.Measured) != 1 || len(c.Measured) != 2 {
		t.Errorf("the view holds %d values and the case %d, want 1 and 2", len(view.Measured), len(c.Measured))
	}
	if none := c.WithPlan(nil); none.Plan != nil || len(none.Measured) != 1 {
		t.Error("without a plan there must be no value of one")
	}
}
