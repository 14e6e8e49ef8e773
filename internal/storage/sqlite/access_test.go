package sqlite

import (
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"trigone/internal/storage"
)

// recorded makes a store with so many lines, a head signed at the tenth and at the
// last one, and gives the last head.
func recorded(t testing.TB, lines int) (path string, key ed25519.PrivateKey, last storage.SignedHead) {
	t.Helper()
	s, path := openNew(t)
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2031, 3, 4, 7, 30, 0, 0, time.UTC)
	sign := func() {
		head, err := s.AccessHead(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		last = storage.SignedHead{AccessHead: head, Time: at, Key: key.Public().(ed25519.PublicKey)}
		last.Signature = ed25519.Sign(key, last.Signed())
		if err := s.KeepSignedHead(t.Context(), last); err != nil {
			t.Fatal(err)
		}
	}
	for n := range lines {
		if err := s.RecordAccesses(t.Context(), []storage.Access{{
			Time: at.Add(time.Duration(n) * time.Second), Site: "harbour", Caller: "theatre", Method: "RecordService/GetCase",
			CaseUID: fmt.Sprint("case ", n%3), Outcome: "OK", Reason: strings.Repeat("x", n%2),
		}}); err != nil {
			t.Fatal(err)
		}
		if n == 9 {
			sign()
		}
	}
	sign()
	closeStore(t, s)
	return path, key, last
}

// rechain makes the hashes anew from a line on, as one would who can write the file and
// has read this program.
func rechain(t *testing.T, path string) {
	t.Helper()
	conn := other(t, path)
	var chain []byte
	if err := conn.QueryRowContext(t.Context(), `SELECT chain FROM access_chain`).Scan(&chain); err != nil {
		t.Fatal(err)
	}
	rows, err := conn.QueryContext(t.Context(), `SELECT `+accessColumns+` FROM accesses AS a JOIN sites AS s ON s.id = a.site ORDER BY a.number`)
	if err != nil {
		t.Fatal(err)
	}
	var list []storage.Access
	for rows.Next() {
		var a storage.Access
		if err := scanAccess(rows, &a); err != nil {
			t.Fatal(err)
		}
		list = append(list, a)
	}
	closeRows(t, rows)
	before := storage.FirstAccessHash(chain)
	for i := range list {
		list[i].Hash = list[i].Chained(before)
		before = list[i].Hash
		execute(t, conn, `UPDATE accesses SET hash = ? WHERE number = ?`, before, list[i].Number)
	}
	execute(t, conn, `UPDATE access_chain SET number = (SELECT max(number) FROM accesses), hash = ?`, before)
}

// Whoever changes, removes, moves or cuts off lines is found out, and the first break
// is named; one who has no key cannot mend the chain behind what he did.
func TestAccessRecordShowsWhatWasDone(t *testing.T) {
	for _, row := range []struct {
		what, do, says string
		// rechained is whether the hashes are made anew behind it.
		rechained bool
		// byHead is whether only a head from elsewhere finds it.
		byHead bool
	}{
		{what: "a caller is changed", do: `UPDATE accesses SET caller = 'nobody' WHERE number = 4`, says: "line 4 of"},
		{what: "a case is changed", do: `UPDATE accesses SET case_uid = 'case 9' WHERE number = 4`, says: "line 4 of"},
		{what: "a time is changed", do: `UPDATE accesses SET time = time + 1 WHERE number = 4`, says: "line 4 of"},
		{what: "an outcome is changed", do: `UPDATE accesses SET outcome = 'NotFound' WHERE number = 4`, says: "line 4 of"},
		{what: "a line is changed and its hash with it", do: `UPDATE accesses SET caller = 'nobody', hash = zeroblob(32) WHERE number = 4`, says: "line 4 of"},
		{what: "a line is removed", do: `DELETE FROM accesses WHERE number = 4`, says: "line 4 is missing"},
		{what: "lines are removed", do: `DELETE FROM accesses WHERE number IN (4, 5, 6)`, says: "lines 4 to 6 are missing"},
		{what: "the first lines are removed", do: `DELETE FROM accesses WHERE number <= 3`, says: "lines 1 to 3 are missing"},
		{what: "the lines up to a head are removed", do: `DELETE FROM accesses WHERE number <= 10`, says: "no mark says that they were removed"},
		{what: "two lines change places", do: `
			UPDATE accesses SET number = -4 WHERE number = 4; UPDATE accesses SET number = 4 WHERE number = 7; UPDATE accesses SET number = 7 WHERE number = -4`, says: "line 4 of"},
		{what: "a line is removed and the ones behind it move up", do: `
			DELETE FROM accesses WHERE number = 4; UPDATE accesses SET number = -number + 1 WHERE number > 4; UPDATE accesses SET number = -number WHERE number < 0`, says: "line 4 of"},
		{what: "the end is cut off", do: `DELETE FROM accesses WHERE number > 17`, says: "cut off behind line 17: line 20"},
		{what: "the end is cut off and the counter set back", do: `
			DELETE FROM accesses WHERE number > 17; UPDATE access_chain SET number = 17, hash = (SELECT hash FROM accesses WHERE number = 17)`, says: "cut off behind line 17: line 20"},
		{what: "the end is cut off and its head removed", do: `
			DELETE FROM accesses WHERE number > 17; DELETE FROM access_reasons WHERE number > 17; DELETE FROM access_heads WHERE number > 17`, says: "cut off behind line 17: line 20"},
		{what: "all are removed", do: `DELETE FROM accesses`, says: "cut off behind line 0"},
		{what: "a line is changed and everything made anew", do: `UPDATE accesses SET caller = 'nobody' WHERE number = 4`, rechained: true, says: "line 10, or one before it"},
		{what: "a line behind the last head but one, everything made anew", do: `UPDATE accesses SET caller = 'nobody' WHERE number = 14`, rechained: true, says: "line 20, or one before it"},
		{what: "a head is made up", do: `UPDATE access_heads SET signature = zeroblob(64) WHERE number = 10`, says: "the head of line 10"},
		{what: "a reason is changed", do: `UPDATE access_reasons SET content = 'y' WHERE number = 4`, says: "the reason of line 4"},
		{what: "cut off with every head and the counter", do: `
			DELETE FROM accesses WHERE number > 17; DELETE FROM access_reasons WHERE number > 17; DELETE FROM access_heads WHERE number > 17;
			UPDATE access_chain SET number = 17, hash = (SELECT hash FROM accesses WHERE number = 17)`, says: "cut off behind line 17: line 20", byHead: true},
		{what: "changed, made anew, heads removed", do: `UPDATE accesses SET caller = 'nobody' WHERE number = 4; DELETE FROM access_heads`, rechained: true, says: "line 20, or one before it", byHead: true},
		{what: "another chain", do: `UPDATE access_chain SET chain = zeroblob(16)`, says: "line 1 of"},
	} {
		t.Run(row.what, func(t *testing.T) {
			path, key, last := recorded(t, 20)
			keys := [][]byte{key.Public().(ed25519.PublicKey)}
			if v, err := VerifyAccess(t.Context(), path, keys, []storage.SignedHead{last}); err != nil || v.Lines != 20 || v.Heads != 3 || v.Signed != 20 {
				t.Fatalf("before anything was done: %+v, %v", v, err)
			}
			execute(t, other(t, path), row.do)
			if row.rechained {
				rechain(t, path)
			}
			_, err := VerifyAccess(t.Context(), path, keys, nil)
			if row.byHead {
				if err != nil {
					t.Fatalf("found without a head from elsewhere: %v", err)
				}
				_, err = VerifyAccess(t.Context(), path, keys, []storage.SignedHead{last})
			}
			if !errors.Is(err, ErrChain) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("%v, want %q", err, row.says)
			}
		})
	}
}

// One who makes everything anew and signs it with a key of his own is found out by whoever
// holds the public half of the right one.
func TestAccessRecordSignedByAnother(t *testing.T) {
	path, key, _ := recorded(t, 20)
	execute(t, other(t, path), `UPDATE accesses SET caller = 'nobody' WHERE number = 4; DELETE FROM access_heads`)
	rechain(t, path)
	s := openAt(t, path)
	_, own, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	head, err := s.AccessHead(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	h := storage.SignedHead{AccessHead: head, Time: time.Now(), Key: own.Public().(ed25519.PublicKey)}
	h.Signature = ed25519.Sign(own, h.Signed())
	if err := s.KeepSignedHead(t.Context(), h); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if v, err := VerifyAccess(t.Context(), path, nil, nil); err != nil || !v.Unknown {
		t.Errorf("by the keys of the store: %+v, %v", v, err)
	}
	if _, err := VerifyAccess(t.Context(), path, [][]byte{key.Public().(ed25519.PublicKey)}, nil); !errors.Is(err, ErrChain) {
		t.Errorf("a head of another key: %v", err)
	}
}

// The lists of the access record use an index for their order.
func TestPlansOfAccesses(t *testing.T) {
	s, _ := openNew(t)
	for name, f := range map[string]storage.AccessFilter{
		"a site": {}, "a case": {CaseUID: "a"}, "a caller": {Caller: "theatre"}, "both": {CaseUID: "a", Caller: "theatre"},
		"a line": {Number: 3}, "emergencies": {UnsignedEmergencies: true},
	} {
		query, args, err := accessesQuery("harbour", f, "17", 10)
		if err != nil {
			t.Fatal(err)
		}
		var plan []string
		if err := s.each(t.Context(), `EXPLAIN QUERY PLAN `+query, args, func(row scanner) error {
			var id, parent, unused sql.NullInt64
			var detail string
			err := row.Scan(&id, &parent, &unused, &detail)
			plan = append(plan, detail)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		for _, step := range plan {
			if strings.HasPrefix(step, "SCAN") && step != "SCAN CONSTANT ROW" || strings.Contains(step, "TEMP B-TREE") {
				t.Errorf("%s: %s\n in %s", name, step, strings.Join(plan, "\n    "))
			}
		}
	}
}

func BenchmarkVerifyAccess(b *testing.B) {
	s, path := openNew(b)
	lines := make([]storage.Access, 20_000)
	for i := range lines {
		lines[i] = storage.Access{Time: time.Unix(int64(i), 0), Site: "harbour", Caller: "theatre", Method: "RecordService/GetCase", CaseUID: "0193b5a1-0000-4000-8000-00000000000" + fmt.Sprint(i%10), Outcome: "OK"}
	}
	if err := s.RecordAccesses(b.Context(), lines); err != nil {
		b.Fatal(err)
	}
	if err := s.Purge(b.Context()); err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	defer b.ReportMetric(float64(info.Size())/float64(len(lines)), "bytes/line")
	for b.Loop() {
		if _, err := VerifyAccess(b.Context(), path, nil, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N*len(lines))/b.Elapsed().Seconds(), "lines/s")
}

func BenchmarkRecordAccesses(b *testing.B) {
	for _, batch := range []int{1, 100} {
		b.Run(fmt.Sprint(batch, " at once"), func(b *testing.B) {
			s, _ := openNew(b)
			lines := make([]storage.Access, batch)
			for i := range lines {
				lines[i] = storage.Access{Time: time.Unix(int64(i), 0), Site: "harbour", Caller: "theatre", Method: "RecordService/GetCase", CaseUID: "0193b5a1-0000-4000-8000-000000000000", Outcome: "OK"}
			}
			for b.Loop() {
				if err := s.RecordAccesses(b.Context(), lines); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N*batch)/b.Elapsed().Seconds(), "lines/s")
		})
	}
}

// BenchmarkLineOfAWrite prints what the line of the access record adds to the write of a
// case, in turns with the same write without one.
func BenchmarkLineOfAWrite(b *testing.B) {
	s, _ := openNew(b)
	var with, without time.Duration
	n := 0
	write := func(line bool) time.Duration {
		n++
		w := opening(fmt.Sprint("case ", n))
		if line {
			w.Access = &storage.Access{Time: time.Unix(int64(n), 0), Site: "harbour", Caller: "theatre", Method: "RecordService/SubmitCase", CaseUID: w.Case.UID, Outcome: "OK", RequestID: fmt.Sprint(n)}
		}
		begin := time.Now()
		if err := s.Append(b.Context(), "harbour", w); err != nil {
			b.Fatal(err)
		}
		return time.Since(begin)
	}
	for b.Loop() {
		if n%4 == 0 { // who comes second finds the disk awake
			without += write(false)
			with += write(true)
		} else {
			with += write(true)
			without += write(false)
		}
	}
	b.ReportMetric(float64(with)/float64(without), "with/without")
	b.ReportMetric(float64(with-without)/float64(b.N)/1000, "us/line")
}
