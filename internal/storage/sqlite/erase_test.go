package sqlite

import (
	stdbytes "bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"trigone/internal/storage"
)

// noise is content that nothing can pack and that stands nowhere else.
func noise(random *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(random.UintN(256))
	}
	return b
}

func word64(random *rand.Rand) string { return hex.EncodeToString(noise(random, 24)) }

// noisy is a write of a case in which every text and every content is noise; all of it
// is kept in said.
func noisy(random *rand.Rand, uid string, version int64, said *[][]byte, identifies *[][]byte) storage.Write {
	content := func(n int) []byte {
		b := noise(random, n)
		*said = append(*said, b)
		return b
	}
	text := func(into *[][]byte) string {
		s := word64(random)
		*into = append(*into, []byte(s))
		return s
	}
	who := func() []byte { return []byte(text(identifies)) }
	at := time.Unix(1900000000+version, 0)
	w := storage.Write{
		Expected: version - 1,
		Case: &storage.Case{
			UID: uid, Version: version, State: storage.CaseActive, ChangedTime: at, OpenedTime: at, Evaluation: version, IncisionTime: at,
			ExternalIdentifier: storage.Identifier{System: "urn:case", Value: text(identifies)}, Patient: storage.Identifier{System: "urn:patient", Value: text(identifies)},
			FormerPatients: []storage.Identifier{{System: "urn:patient", Value: text(identifies)}},
			Sections:       []storage.Section{{Section: "plan", Head: version, State: storage.SectionAccepted, Order: 1, First: 1, Last: version}},
		},
		Revisions:     []storage.Revision{{Section: "plan", Revision: version, Content: content(900), Identifying: who(), Caller: "theatre"}},
		Evaluation:    &storage.Evaluation{EvaluationHeader: storage.EvaluationHeader{Number: version, Time: at}, Answer: content(5000), Metrics: content(700)},
		Findings:      []storage.Finding{{ID: text(said), Rule: "r", Severity: storage.SeverityNote}},
		Confirmations: []storage.Confirmation{{FindingID: text(said), Rule: "r", Kind: storage.Confirmed, Caller: "reviewer", Time: at, Reason: text(identifies)}},
		Amendments:    []storage.Amendment{{Kind: "correction", Caller: "reviewer", Time: at, Reason: text(identifies)}},
		Request:       &storage.Request{Caller: "theatre", Site: "harbour", Method: "m", RequestID: fmt.Sprint(uid, version), CaseUID: uid, CaseVersion: version, ContentHash: who(), Receipt: content(200), Time: at},
		Quarantined:   &storage.Quarantined{ID: fmt.Sprint("q", uid, version), CaseUID: uid, Body: who(), Caller: "theatre", State: storage.QuarantineOpen, Decision: text(identifies), Hash: who(), ReceivedTime: at, Sections: []string{text(identifies)}},
		Changes:       []storage.Change{{Kind: "submitted", CaseUID: uid, CaseVersion: version, Time: at}},
		Access:        &storage.Access{Time: at, Site: "harbour", Caller: "theatre", Method: "m", CaseUID: uid, Outcome: "OK", Reason: text(identifies)},
		Projected: []storage.Projected{
			{Name: storage.ProjectionLedger, Version: 1, Rows: storage.Rows{
				Comparisons: []storage.Comparison{{Order: 1, ID: text(said), Verdict: storage.ComparisonPresent, Class: 1, Metric: 1, Place: text(said), Message: content(300), Complete: true}},
				Facts:       &storage.Facts{Version: version, Evaluation: version, Message: content(500)}, Short: content(300),
				Groups: []storage.Group{{Kind: 1, Word: text(said)}}, Children: []storage.Child{{Kind: 1, Section: "plan", Order: 1, Message: content(150)}},
			}},
			{Name: storage.ProjectionResources, Version: 1, Rows: storage.Rows{Resources: []storage.Resource{{Type: "Observation", ID: [16]byte{byte(version)}, Mapping: 1, Digest: content(40), FirstVersion: 1, State: storage.ResourceLiving}}}},
		},
	}
	return w
}

// lying gives how many of these bytes lie in the files of a store.
func lying(t *testing.T, path string, list [][]byte) (found int) {
	t.Helper()
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range list {
			// A long one lies on several pages: any piece of it counts.
			for at := 0; at < len(b); at += 256 {
				if piece := b[at:min(at+24, len(b))]; len(piece) >= 16 && stdbytes.Contains(content, piece) {
					found++
					break
				}
			}
		}
	}
	return found
}

// Once the files are purged, no byte of what was erased lies in the file of the
// record, in its free pages, or in its log, and nothing of another case is missing.
func TestErasedBytesAreGone(t *testing.T) {
	for _, what := range []storage.Erasure{storage.EraseIdentity, storage.EraseWhole} {
		t.Run(string(what), func(t *testing.T) {
			s, path := openNew(t)
			defer func() { closeStore(t, s) }()
			ctx := t.Context()
			if _, err := s.DeclareProjections(ctx, []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}, {Name: storage.ProjectionResources, Version: 1}}); err != nil {
				t.Fatal(err)
			}
			random := rand.New(rand.NewPCG(4, 5))
			var said, identifies, others, othersIdentify [][]byte
			const versions = 10 // more than one chain of answers
			var last storage.Write
			for version := int64(1); version <= versions; version++ {
				for i := range 12 {
					uid, into, who := fmt.Sprint("case ", i), &others, &othersIdentify
					if i == 5 {
						into, who = &said, &identifies
					}
					w := noisy(random, uid, version, into, who)
					if err := s.Append(ctx, "harbour", w); err != nil {
						t.Fatal(err)
					}
					if i == 5 {
						last = w
					}
				}
			}
			gone := identifies
			c := *last.Case
			c.Version++
			c.ExternalIdentifier, c.Patient, c.FormerPatients = storage.Identifier{}, storage.Identifier{}, nil
			erase := storage.Write{Expected: versions, Case: &c, Erase: what, Changes: []storage.Change{{Kind: "erased", CaseUID: c.UID, CaseVersion: c.Version}}}
			for _, p := range last.Projected {
				erase.Projected = append(erase.Projected, storage.Projected{Name: p.Name, Version: p.Version, Unchanged: what == storage.EraseIdentity})
			}
			if what == storage.EraseWhole {
				gone = append(gone, said...)
				c.State, c.Sections, c.Evaluation, c.IncisionTime, c.ErasedTime = storage.CaseRetracted, nil, 0, time.Time{}, time.Unix(1900000100, 0)
			}
			if n := lying(t, path, gone); n < len(gone)/2 {
				t.Fatalf("before: %d of %d are found: the search sees nothing", n, len(gone))
			}
			if err := s.Append(ctx, "harbour", erase); err != nil {
				t.Fatal(err)
			}
			if n := lying(t, path, gone); n == 0 {
				t.Fatal("before the files are purged nothing is found: the test proves nothing")
			}
			// A read that is under way keeps the log, until it ends.
			reading, err := s.read.BeginTx(ctx, nil)
			if err != nil {
				t.Fatal(err)
			}
			var n int
			if err := reading.QueryRowContext(ctx, `SELECT count(*) FROM cases`).Scan(&n); err != nil {
				t.Fatal(err)
			}
			time.AfterFunc(300*time.Millisecond, func() { _ = reading.Rollback() })
			if err := s.Purge(ctx); err != nil {
				t.Fatal(err)
			}
			if n := lying(t, path, gone); n != 0 {
				t.Errorf("%d of %d pieces of what was erased still lie in the files", n, len(gone))
			}
			for i := range 12 {
				uid := fmt.Sprint("case ", i)
				if uid == c.UID && what == storage.EraseWhole {
					continue
				}
				for number := int64(1); number <= versions; number++ {
					if _, err := s.Answer(ctx, "harbour", uid, number); err != nil {
						t.Errorf("answer %d of %s: %v", number, uid, err)
					}
				}
			}
			if v, err := Verify(ctx, path, func(where string) { t.Error(where) }); err != nil || v.Cases != 12 {
				t.Errorf("%+v, %v", v, err)
			}
			if _, err := VerifyAccess(ctx, path, nil, nil); err != nil {
				t.Errorf("the access record, whose reasons were erased: %v", err)
			}
		})
	}
}
