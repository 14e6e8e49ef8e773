package sqlite

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"trigone/internal/storage"
)

// cutAt removes the lines of a record up to one, as retention does, and gives the mark.
func cutAt(t *testing.T, path string, key ed25519.PrivateKey, before time.Time) storage.AccessCut {
	t.Helper()
	s, ctx := openAt(t, path), t.Context()
	defer closeStore(t, s)
	r := storage.Retention{Accesses: before}
	found, err := s.Expired(ctx, "harbour", r)
	if err != nil || found.Cut.Number == 0 {
		t.Fatalf("%+v, %v", found, err)
	}
	mark := storage.AccessCut{AccessHead: found.Cut, Before: before, Time: before.Add(time.Hour), Site: "harbour", Caller: "keeper", Key: key.Public().(ed25519.PublicKey)}
	mark.Signature = ed25519.Sign(key, mark.Signed())
	line := storage.Access{
		Time: mark.Time, Site: "harbour", Caller: "keeper", Method: "AdministrationService/RunRetention", Outcome: "OK",
		Detail: storage.AccessRemoved, Concerns: mark.Number,
	}
	if err := s.RemoveExpired(ctx, "harbour", r, found, &mark, []storage.Access{line}); err != nil {
		t.Fatal(err)
	}
	return mark
}

// A record that was cut for the age of its lines is proved behind the cut, and says what
// went, when and by whom. Whoever removes more, or says so without the key, is found out.
func TestOnlyRetentionCutsTheRecord(t *testing.T) {
	_, foreign, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		what, do, says string
		rechained      bool // the hashes are made anew behind it
	}{
		{what: "another line goes", do: `DELETE FROM accesses WHERE number = 14`, says: "lines 1 to 14 are missing, and no mark says"},
		{what: "another line goes and the mark with it", do: `DELETE FROM accesses WHERE number = 14; UPDATE access_cut SET number = 14`, says: "the mark that says so was not signed"},
		{what: "the mark moves back", do: `UPDATE access_cut SET number = 12`, says: "lines 1 to 13 are missing, and no mark says"},
		{what: "the mark is of another time", do: `UPDATE access_cut SET time = time + 1`, says: "the mark that says so was not signed"},
		{what: "the mark is of another age", do: `UPDATE access_cut SET before = before + 1`, says: "the mark that says so was not signed"},
		{what: "the mark is of another person", do: `UPDATE access_cut SET caller = 'theatre'`, says: "the mark that says so was not signed"},
		{what: "the mark is of another line", do: `UPDATE access_cut SET hash = zeroblob(32)`, says: "the mark that says so was not signed"},
		{what: "the mark is gone", do: `DELETE FROM access_cut`, says: "lines 1 to 13 are missing, and no mark says"},
		{what: "no line says it", do: `UPDATE accesses SET detail = '' WHERE number = 21; DELETE FROM access_heads`, rechained: true, says: "no line says that they were removed"},
		{what: "the first line behind it is changed", do: `UPDATE accesses SET caller = 'nobody' WHERE number = 14`, says: "line 14 of"},
	} {
		t.Run(row.what, func(t *testing.T) {
			path, key, last := recorded(t, 20)
			mark := cutAt(t, path, key, time.Date(2031, 3, 4, 7, 30, 13, 0, time.UTC))
			keys := [][]byte{key.Public().(ed25519.PublicKey)}
			v, err := VerifyAccess(t.Context(), path, keys, []storage.SignedHead{last})
			if err != nil || v.Lines != 8 || v.First != 14 || v.Last != 21 || v.Cut.Number != 13 || v.Cut.Caller != "keeper" || !v.Cut.Time.Equal(mark.Time) || !v.Cut.Before.Equal(mark.Before) {
				t.Fatalf("before anything was done: %+v, %v", v, err)
			}
			execute(t, other(t, path), row.do)
			if row.rechained {
				rechainBehind(t, path, mark.Hash)
			}
			if _, err := VerifyAccess(t.Context(), path, keys, nil); !errors.Is(err, ErrChain) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("%v, want %q", err, row.says)
			}
		})
	}
	// One who has a key of his own, and a head that the log printed at the line of the cut.
	path, key, _ := recorded(t, 20)
	cutAt(t, path, foreign, time.Date(2031, 3, 4, 7, 30, 13, 0, time.UTC))
	if _, err := VerifyAccess(t.Context(), path, [][]byte{key.Public().(ed25519.PublicKey)}, nil); !errors.Is(err, ErrChain) || !strings.Contains(err.Error(), "not signed by a key that may") {
		t.Errorf("a mark of another key: %v", err)
	}
	path, key, _ = recorded(t, 20)
	mark := cutAt(t, path, key, time.Date(2031, 3, 4, 7, 30, 10, 0, time.UTC))
	printed := storage.SignedHead{AccessHead: mark.AccessHead}
	if _, err := VerifyAccess(t.Context(), path, nil, []storage.SignedHead{printed}); err != nil {
		t.Errorf("the head of the line of the cut: %v", err)
	}
	printed.Hash = make([]byte, 32)
	if _, err := VerifyAccess(t.Context(), path, nil, []storage.SignedHead{printed}); !errors.Is(err, ErrChain) {
		t.Errorf("another head of the line of the cut: %v", err)
	}
	// A second cut is behind the first one, and takes the line of it.
	cutAt(t, path, key, time.Date(2031, 3, 4, 9, 30, 0, 0, time.UTC))
	if v, err := VerifyAccess(t.Context(), path, nil, nil); err != nil || v.Cut.Number != 21 || v.Lines != 1 || v.First != 22 {
		t.Errorf("cut twice: %+v, %v", v, err)
	}
}

// rechainBehind makes the hashes anew behind a cut.
func rechainBehind(t *testing.T, path string, before []byte) {
	t.Helper()
	s := openAt(t, path)
	list, _, err := s.Accesses(t.Context(), []string{"harbour"}, storage.AccessFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	conn := other(t, path)
	for i := len(list) - 1; i >= 0; i-- {
		before = list[i].Chained(before)
		execute(t, conn, `UPDATE accesses SET hash = ? WHERE number = ?`, before, list[i].Number)
	}
	execute(t, conn, `UPDATE access_chain SET hash = ?`, before)
}

// Lines that go are proved before: what shows that one of them was changed stays.
func TestLinesThatGoAreProved(t *testing.T) {
	for what, do := range map[string]string{
		"made old so that it goes":    `UPDATE accesses SET time = time - 1000000000000 WHERE number = 15`,
		"a caller is changed":         `UPDATE accesses SET caller = 'nobody' WHERE number = 4`,
		"a line is gone":              `DELETE FROM accesses WHERE number = 4`,
		"the first ones are gone":     `DELETE FROM accesses WHERE number < 4`,
		"the last one that goes, too": `DELETE FROM accesses WHERE number = 13`,
	} {
		path, key, _ := recorded(t, 20)
		execute(t, other(t, path), do)
		s := openAt(t, path)
		if _, err := s.ProveAccesses(t.Context(), 15, [][]byte{key.Public().(ed25519.PublicKey)}); !errors.Is(err, storage.ErrChain) {
			t.Errorf("%s: %v", what, err)
		}
		closeStore(t, s)
	}
	path, key, _ := recorded(t, 20)
	s := openAt(t, path)
	defer closeStore(t, s)
	if _, err := s.ProveAccesses(t.Context(), 13, [][]byte{key.Public().(ed25519.PublicKey)}); err != nil {
		t.Error(err)
	}
	if _, err := s.ProveAccesses(t.Context(), 30, nil); !errors.Is(err, storage.ErrChain) {
		t.Errorf("beyond the end: %v", err)
	}
}

// Once the files are purged no byte of what went for its age lies in them, and all that
// stays does.
func TestBytesOfWhatWentForItsAgeAreGone(t *testing.T) {
	s, path := openNew(t)
	defer func() { closeStore(t, s) }()
	ctx, random := t.Context(), rand.New(rand.NewPCG(8, 9))
	old, young := time.Unix(1900000000, 0), time.Unix(1950000000, 0)
	var goes, stays [][]byte
	for n := range 40 {
		at, into := old, &goes
		if n%2 == 1 {
			at, into = young, &stays
		}
		text := func() string {
			s := word64(random)
			*into = append(*into, []byte(s))
			return s
		}
		q := storage.Quarantined{ID: fmt.Sprint("q", n), CaseUID: "case", Body: []byte(text()), Caller: "theatre", State: storage.QuarantineOpen, Hash: []byte(text()), ReceivedTime: at}
		decided := q
		decided.State, decided.Decision = storage.QuarantineFiled, text()
		for _, w := range []storage.Write{
			{Quarantined: &q},
			{Quarantined: &decided, Changes: []storage.Change{{Kind: "quarantine_filed", QuarantineID: q.ID, Time: at}}},
			{Request: &storage.Request{Caller: "theatre", Site: "harbour", Method: "m", RequestID: text(), CaseUID: "case", ContentHash: []byte(text()), Receipt: []byte(text()), Time: at}},
		} {
			if err := s.Append(ctx, "harbour", w); err != nil {
				t.Fatal(err)
			}
		}
	}
	for n, at := range []time.Time{old, old, young} {
		into := &goes
		if at.Equal(young) {
			into = &stays
		}
		reason, request := word64(random), word64(random)
		*into = append(*into, []byte(reason), []byte(request))
		if err := s.RecordAccesses(ctx, []storage.Access{{Time: at, Site: "harbour", Caller: "theatre", Method: "m", Outcome: "OK", RequestID: request, Reason: reason, Detail: fmt.Sprint(n)}}); err != nil {
			t.Fatal(err)
		}
	}
	if n := lying(t, path, goes); n < len(goes) {
		t.Fatalf("before: %d of %d are found: the search sees nothing", n, len(goes))
	}
	limit := old.Add(time.Hour)
	r := storage.Retention{Quarantine: limit, Requests: limit, Accesses: limit}
	found, err := s.Expired(ctx, "harbour", r)
	if err != nil {
		t.Fatal(err)
	}
	mark := storage.AccessCut{AccessHead: found.Cut, Before: limit, Time: young, Site: "harbour", Caller: "keeper", Key: []byte("k"), Signature: []byte("s")}
	if err := s.RemoveExpired(ctx, "harbour", r, found, &mark, nil); err != nil {
		t.Fatal(err)
	}
	if n := lying(t, path, goes); n == 0 {
		t.Fatal("before the files are purged nothing is found: the test proves nothing")
	}
	if err := s.Purge(ctx); err != nil {
		t.Fatal(err)
	}
	if n := lying(t, path, goes); n != 0 {
		t.Errorf("%d of %d pieces of what went still lie in the files", n, len(goes))
	}
	if n := lying(t, path, stays); n < len(stays) {
		t.Errorf("of what stays %d of %d pieces are found", n, len(stays))
	}
}
