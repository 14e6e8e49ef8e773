package storagetest

import (
	"testing"

	"trigone/internal/storage"
)

func theatreCounts(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	count := func(month string, revision int64, message string) storage.TheatreCount {
		return storage.TheatreCount{Month: month, Revision: revision, Received: after(int(revision)), Caller: "audit", Message: []byte(message)}
	}
	line := storage.Access{Time: after(1), Site: site, Caller: "audit", Method: "m", Outcome: "OK"}
	put := func(site string, c storage.TheatreCount, want error) {
		t.Helper()
		err := s.PutTheatreCount(ctx, site, c, []storage.Access{line})
		if want == nil && err != nil {
			t.Fatal(err)
		}
		if want != nil {
			wantError(t, "a count that is not the next", err, want)
		}
	}
	put(site, count("2031-03", 1, "three"), nil)
	put(site, count("2031-01", 1, ""), nil)
	put(site, count("2031-03", 1, "once more"), storage.ErrStale)
	put(site, count("2031-03", 3, "too far"), storage.ErrStale)
	put(site, count("2031-03", 2, "four"), nil)
	put("elsewhere", count("2031-03", 1, "of others"), nil)
	wantError(t, "a count of no month", s.PutTheatreCount(ctx, site, count("", 1, ""), nil), nil)
	january, march := count("2031-01", 1, ""), count("2031-03", 2, "four")
	for _, r := range []struct {
		reason, from, before string
		want                 []storage.TheatreCount
	}{
		{"all, the newest of each", "", "", []storage.TheatreCount{january, march}},
		{"from a month on", "2031-02", "", []storage.TheatreCount{march}},
		{"before a month", "", "2031-03", []storage.TheatreCount{january}},
		{"none", "2031-04", "2032-01", nil},
	} {
		wantEqual(t, r.reason, must(s.TheatreCounts(ctx, site, r.from, r.before)), r.want)
	}
	wantEqual(t, "a site without counts", must(s.TheatreCounts(ctx, "nowhere", "", "")), []storage.TheatreCount(nil))
	lines, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{}, "", 10)
	if err != nil || len(lines) != 4 {
		t.Errorf("%d lines, %v: one of each count that was kept, and none of those refused", len(lines), err)
	}
}
