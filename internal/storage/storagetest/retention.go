package storagetest

import (
	"fmt"
	"testing"
	"time"

	"trigone/internal/storage"
)

// What is over its time goes, what somebody has yet to see to stays, and nothing else
// is touched.
func retention(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	w := full("a")
	w.Request, w.Quarantined = nil, nil
	mustAppend(t, s, w)
	aside := func(n int, state string) storage.Quarantined {
		q := storage.Quarantined{
			ID: fmt.Sprint("set aside ", n), CaseUID: "a", Body: []byte(fmt.Sprint("body ", n)), ReceivedTime: after(n), Caller: "theatre",
			State: storage.QuarantineOpen, Hash: []byte(fmt.Sprint("hash ", n)),
		}
		mustAppend(t, s, storage.Write{Quarantined: &q, Changes: []storage.Change{{Kind: "quarantined", QuarantineID: q.ID, Time: after(n)}}})
		if state == storage.QuarantineOpen {
			return q
		}
		q.State, q.Decision = state, fmt.Sprint("reason ", n)
		mustAppend(t, s, storage.Write{Quarantined: &q, Changes: []storage.Change{{Kind: "quarantine_" + state, QuarantineID: q.ID, Time: after(n + 100)}}})
		return q
	}
	filed, discarded, open1, late := aside(1, storage.QuarantineFiled), aside(2, storage.QuarantineDiscarded), aside(3, storage.QuarantineOpen), aside(4, storage.QuarantineDiscarded)
	for n := range 4 {
		mustAppend(t, s, storage.Write{Request: &storage.Request{Caller: "theatre", Site: site, Method: "m", RequestID: fmt.Sprint(n), Time: after(200 + n)}})
	}
	elsewhere := storage.Write{Request: &storage.Request{Caller: "theatre", Site: "island", Method: "m", RequestID: "0", Time: after(0)}}
	if err := s.Append(ctx, "island", elsewhere); err != nil {
		t.Fatal(err)
	}
	var lines []storage.Access
	for n := range 10 {
		a := storage.Access{Time: after(300 + n), Site: site, Caller: "theatre", Method: "m", Outcome: "OK"}
		switch n {
		case 1, 6:
			a.Detail, a.Reason = storage.AccessEmergency, fmt.Sprint("why ", n)
		case 2:
			a.Detail, a.Concerns = storage.AccessSignedOff, 2
		case 3:
			a.Site = "island"
		case 5: // written a little later than it began
			a.Time = after(299)
		}
		lines = append(lines, a)
	}
	if err := s.RecordAccesses(ctx, lines); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "nothing has a time", must(s.Expired(ctx, site, storage.Retention{})), storage.Expiry{})
	before := everything(t, s, "a")

	// The decision counts, not the receipt; the third request is as old as may be.
	r := storage.Retention{Quarantine: after(104), Requests: after(202), Accesses: after(308)}
	chain := must(s.AccessHead(ctx)).Chain
	found := must(s.Expired(ctx, site, r))
	wantEqual(t, "quarantine", found.Quarantine, storage.Expired{Count: 2, Oldest: after(101), Held: 1, OldestHeld: after(3)})
	wantEqual(t, "requests", found.Requests, storage.Expired{Count: 2, Oldest: after(200)})
	// Lines 1 to 8 are old enough; line 7 is an emergency that nobody signed off, and line 4
	// is another site's.
	wantEqual(t, "accesses", found.Accesses, storage.Expired{Count: 5, Oldest: after(299), Held: 2, OldestHeld: after(306)})
	hash := must(s.ProveAccesses(ctx, 6, nil))
	wantEqual(t, "the cut", []any{found.HeldBy, found.Cut}, []any{int64(7), storage.AccessHead{Chain: chain, Number: 6, Hash: hash}})

	mark := storage.AccessCut{AccessHead: found.Cut, Before: r.Accesses, Time: after(400), Site: site, Caller: "keeper", Key: []byte("k"), Signature: []byte("s")}
	told := storage.Access{Time: after(400), Site: site, Caller: "keeper", Method: "m", Outcome: "OK", Detail: storage.AccessRemoved, Concerns: 6}
	for name, spoil := range map[string]func(*storage.AccessCut, *storage.Expiry){
		"another line":          func(m *storage.AccessCut, _ *storage.Expiry) { m.Number = 5 },
		"another hash":          func(m *storage.AccessCut, _ *storage.Expiry) { m.Hash = make([]byte, 32) },
		"fewer requests":        func(_ *storage.AccessCut, e *storage.Expiry) { e.Requests.Count = 1 },
		"a submit decided upon": func(_ *storage.AccessCut, e *storage.Expiry) { e.Quarantine.Held = 2 },
	} {
		m, e := mark, found
		spoil(&m, &e)
		wantError(t, name, s.RemoveExpired(ctx, site, r, e, &m, []storage.Access{told}), storage.ErrStale)
	}
	wantEqual(t, "nothing went", must(s.Expired(ctx, site, r)), found)

	if err := s.RemoveExpired(ctx, site, r, found, &mark, []storage.Access{told}); err != nil {
		t.Fatal(err)
	}
	stays(t, "a", before, everything(t, s, "a"))
	for _, q := range []storage.Quarantined{filed, discarded} {
		q.Body, q.Decision, q.Hash = nil, "", nil
		wantEqual(t, "a submit whose body went", must(s.Quarantined(ctx, site, q.ID)), q)
	}
	for _, q := range []storage.Quarantined{open1, late} {
		wantEqual(t, "a submit that stays", must(s.Quarantined(ctx, site, q.ID)), q)
	}
	for n := range 4 {
		_, err := s.Request(ctx, "theatre", site, "m", fmt.Sprint(n))
		if (err != nil) != (n < 2) {
			t.Errorf("request %d: %v", n, err)
		}
	}
	if _, err := s.Request(ctx, "theatre", "island", "m", "0"); err != nil {
		t.Errorf("a request of another site: %v", err)
	}
	left, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "", 100)
	if err != nil || len(left) != 5 || left[4].Number != 7 || left[4].Reason != "why 6" || left[0].Number != 11 || left[0].Concerns != 6 {
		t.Errorf("lines %+v, %v", left, err)
	}
	again := must(s.Expired(ctx, site, r))
	wantEqual(t, "a second time", []any{again.Quarantine.Count, again.Requests.Count, again.Accesses.Count, again.Cut.Number}, []any{int64(0), int64(0), int64(0), int64(0)})

	// Without a mark no line goes, whatever its age.
	if err := s.RecordAccesses(ctx, []storage.Access{{Time: after(401), Site: site, Caller: "reviewer", Method: "m", Outcome: "OK", Detail: storage.AccessSignedOff, Concerns: 7}}); err != nil {
		t.Fatal(err)
	}
	all := must(s.Expired(ctx, site, storage.Retention{Accesses: after(1000)}))
	wantEqual(t, "every line is old", []any{all.Accesses.Count, all.Cut.Number, all.HeldBy}, []any{int64(6), int64(12), int64(0)})
	if err := s.RemoveExpired(ctx, site, storage.Retention{Accesses: after(1000)}, all, nil, nil); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "lines", must(s.AccessHead(ctx)).Number, int64(12))
	if left, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "", 100); err != nil || len(left) != 6 {
		t.Errorf("%d lines, %v", len(left), err)
	}
	wantEqual(t, "before any", must(s.Expired(ctx, site, storage.Retention{Accesses: start.Add(-time.Hour)})).Cut.Number, int64(0))
}
