package storagetest

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"testing"

	"trigone/internal/storage"
)

// line is one with every field that a caller gives.
func line(n int, caller, uid string) storage.Access {
	return storage.Access{
		Time: after(n), Site: site, Caller: caller, Method: "RecordService/GetCase", CaseUID: uid, Cases: 3, Outcome: "OK",
		RequestID: fmt.Sprint("request ", n), Detail: storage.AccessEmergency, Concerns: 1, Reason: "the ward asked",
	}
}

// Lines of the access record: every field comes back, newest first, by case and by
// caller, each behind the one before it whatever wrote it.
func accesses(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	head := must(s.AccessHead(ctx))
	if len(head.Chain) == 0 || head.Number != 0 || !bytes.Equal(head.Hash, storage.FirstAccessHash(head.Chain)) {
		t.Fatalf("the record begins with %+v", head)
	}
	first, second := line(1, "theatre", "a"), storage.Access{Time: after(2), Site: site, Caller: "clinic", Method: "m", Outcome: "NotFound"}
	if err := s.RecordAccesses(ctx, []storage.Access{first, second}); err != nil {
		t.Fatal(err)
	}
	w := plain("a")
	third := line(3, "theatre", "a")
	third.Reason = ""
	w.Access = &third
	mustAppend(t, s, w)
	elsewhere := line(4, "theatre", "a")
	elsewhere.Site = "island"
	if err := s.RecordAccesses(ctx, []storage.Access{elsewhere}); err != nil {
		t.Fatal(err)
	}

	all, token, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "", 10)
	if err != nil || len(all) != 3 || token != "" {
		t.Fatalf("%d lines, %q, %v", len(all), token, err)
	}
	wantFull(t, all[2])
	before := head.Hash
	for i, want := range []storage.Access{first, second, third} {
		got := all[2-i]
		want.Number, want.ReasonHash, want.Hash = int64(i+1), got.ReasonHash, got.Hash
		wantEqual(t, fmt.Sprint("line ", i+1), got, want)
		if !bytes.Equal(got.Chained(before), got.Hash) {
			t.Errorf("line %d does not follow the one before it", i+1)
		}
		before = got.Hash
	}
	for name, row := range map[string]struct {
		f    storage.AccessFilter
		want []int64
	}{
		"of a case":               {storage.AccessFilter{CaseUID: "a"}, []int64{3, 1}},
		"of no case":              {storage.AccessFilter{CaseUID: "b"}, nil},
		"of a caller":             {storage.AccessFilter{Caller: "clinic"}, []int64{2}},
		"of a caller and a case":  {storage.AccessFilter{Caller: "theatre", CaseUID: "a"}, []int64{3, 1}},
		"of a caller, other case": {storage.AccessFilter{Caller: "clinic", CaseUID: "a"}, nil},
		"of a number":             {storage.AccessFilter{Number: 2}, []int64{2}},
		"of another site":         {storage.AccessFilter{Number: 4}, nil},
		"of emergencies":          {storage.AccessFilter{UnsignedEmergencies: true}, []int64{3, 1}},
	} {
		var got []int64
		for after, more := "", true; more; {
			page, next, err := s.Accesses(ctx, []string{site}, row.f, after, 1)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range page {
				got = append(got, a.Number)
			}
			after, more = next, next != ""
		}
		wantEqual(t, "lines "+name, got, row.want)
	}

	for behind, want := range map[int64][]int64{0: {1, 2, 3}, 2: {3}, 4: nil} {
		var got []int64
		for more := true; more; {
			page := must(s.AccessesAfter(ctx, site, behind, 1))
			for _, a := range page {
				got, behind = append(got, a.Number), a.Number
			}
			more = len(page) > 0
		}
		wantEqual(t, "lines behind a number", got, want)
	}
	_, err = s.AccessesAfter(ctx, site, 0, 0)
	wantError(t, "no limit of lines", err, nil)

	// A line is part of its write: nothing of a write that is refused.
	stale := plain("a")
	stale.Access = &third
	wantError(t, "a stale write", s.Append(ctx, site, stale), storage.ErrStale)
	for name, broken := range map[string]storage.Access{
		"no caller": {Time: start, Site: site, Method: "m", Outcome: "OK"}, "no time": {Site: site, Caller: "c", Method: "m", Outcome: "OK"},
		"no site": {Time: start, Caller: "c", Method: "m", Outcome: "OK"},
	} {
		wantError(t, name, s.RecordAccesses(ctx, []storage.Access{line(9, "theatre", "a"), broken}), nil)
	}
	foreign := next(t, s, "a")
	foreign.Access = &elsewhere
	wantError(t, "a line of another site", s.Append(ctx, site, foreign), nil)
	if got := must(s.AccessHead(ctx)).Number; got != 4 {
		t.Errorf("refused lines are on record: %d lines", got)
	}
	off := storage.Access{Time: after(5), Site: site, Caller: "reviewer", Method: "m", Outcome: "OK", Detail: storage.AccessSignedOff, Concerns: 3}
	if err := s.RecordAccesses(ctx, []storage.Access{off}); err != nil {
		t.Fatal(err)
	}
	if list, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{UnsignedEmergencies: true}, "", 10); err != nil || len(list) != 1 || list[0].Number != 1 {
		t.Errorf("emergencies that nobody signed off: %+v, %v", list, err)
	}
	_, _, err = s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "no number", 10)
	wantError(t, "a foreign token", err, nil)

	// A head is kept if it is one of this record.
	head = must(s.AccessHead(ctx))
	signed := storage.SignedHead{AccessHead: head, Time: after(9), Key: []byte("key"), Signature: []byte("signature")}
	if err := s.KeepSignedHead(ctx, signed); err != nil {
		t.Error(err)
	}
	signed.Hash = before
	wantError(t, "the hash of another line", s.KeepSignedHead(ctx, signed), storage.ErrStale)
	signed.Number = 99
	wantError(t, "no line", s.KeepSignedHead(ctx, signed), storage.ErrStale)
	back, err := storage.ParseSignedHead(storage.SignedHead{AccessHead: head, Time: after(9), Key: []byte("key"), Signature: []byte("signature")}.String())
	wantEqual(t, "a head as printed", []any{back, err}, []any{storage.SignedHead{AccessHead: head, Time: after(9), Key: []byte("key"), Signature: []byte("signature")}, nil})
	_, err = storage.ParseSignedHead(strings.Replace(signed.String(), "head:", "tail:", 1))
	wantError(t, "no head", err, nil)
}

// Many at once, alone and with writes: one chain without a gap.
func accessesAtOnce(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const callers, each = 8, 20
	var group sync.WaitGroup
	for i := range callers {
		group.Go(func() {
			for n := range each {
				a := line(n, fmt.Sprint("caller ", i), "a")
				if n%2 == 0 {
					w := plain(fmt.Sprint("case ", i, " ", n))
					w.Access = &a
					if err := s.Append(ctx, site, w); err != nil {
						t.Error(err)
					}
					continue
				}
				if err := s.RecordAccesses(ctx, []storage.Access{a}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	all, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "", 1000)
	if err != nil || len(all) != callers*each {
		t.Fatalf("%d lines, %v", len(all), err)
	}
	head := must(s.AccessHead(ctx))
	before := storage.FirstAccessHash(head.Chain)
	for i := range all {
		a := all[len(all)-1-i]
		if a.Number != int64(i+1) || !bytes.Equal(a.Chained(before), a.Hash) {
			t.Fatalf("line %d, number %d, does not follow the one before it", i+1, a.Number)
		}
		before = a.Hash
	}
	wantEqual(t, "head", head.Hash, before)
}
