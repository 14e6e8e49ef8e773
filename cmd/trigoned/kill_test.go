package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var kills = flag.Int("kills", 50, "how often the server is killed under load")

// writer sends one case after the other, each with many revisions, and remembers
// what it was told.
type writer struct {
	n     int
	file  *trigonev1.CaseFile // an invented case, whose plan is sent again and again
	sent  map[string][]string // labels of a case number's submits, in their order
	acked map[string]bool     // labels that were answered
	// open is the submit whose answer never came. It is sent again, as a client does.
	open *trigonev1.SubmitCaseRequest
}

// run sends again what was not answered, and then writes into a case of its own until
// the server is gone.
func (w *writer) run(ctx context.Context, conn *grpc.ClientConn, round int, answered func()) error {
	record := trigonev1.NewRecordServiceClient(conn)
	number := fmt.Sprintf("K-%d-%d", round, w.n)
	for i := 0; ; {
		if w.open == nil {
			label := fmt.Sprintf("%s-%d", number, i)
			w.open = w.request(number, label, i)
			w.sent[number] = append(w.sent[number], label)
			i++
		}
		_, err := record.SubmitCase(ctx, w.open)
		if status.Code(err) == codes.Unavailable {
			return nil // killed: whether it was stored is not known
		}
		if err != nil {
			return fmt.Errorf("submit %s: %w", w.open.GetRequestId(), err)
		}
		w.acked[w.open.GetRequestId()] = true
		w.open = nil
		answered()
	}
}

// request is a submit of two sections that both hold its label.
func (w *writer) request(number, label string, i int) *trigonev1.SubmitCaseRequest {
	file := &trigonev1.CaseFile{
		ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:case", Value: number},
		PatientIdentifier:  &trigonev1.Identifier{System: "urn:example:patient", Value: number},
		Plan:               proto.CloneOf(w.file.GetPlan()),
		Assessments:        []*trigonev1.Assessment{{Id: fmt.Sprint("a", i), Note: label}},
	}
	file.Plan.Rationale = label
	if i == 0 {
		file.Identity = w.file.GetIdentity()
	}
	return &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: label, SourceTime: timestamppb.Now()}
}

// A server that is killed while it writes has lost nothing that it acknowledged,
// keeps nothing twice and nothing by halves, and leaves no gap in the order of
// changes. It is a process of its own, and the signal is one that nobody can hear.
func TestKilledServerLosesNothing(t *testing.T) {
	rounds := *kills
	if testing.Short() {
		rounds = 5
	}
	whole, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	store := filepath.Join(t.TempDir(), "s.db")
	rng := rand.New(rand.NewPCG(1, 1))
	writers := make([]*writer, 4)
	for n := range writers {
		writers[n] = &writer{n: n, file: whole, sent: map[string][]string{}, acked: map[string]bool{}}
	}
	for round := range rounds {
		p := begin(t, store)
		conn := connect(t, p.address)
		loaded := make(chan struct{})
		once := sync.OnceFunc(func() { close(loaded) })
		var all sync.WaitGroup
		for _, w := range writers {
			all.Go(func() {
				if err := w.run(t.Context(), conn, round, once); err != nil {
					t.Error(err)
				}
				once()
			})
		}
		<-loaded
		time.Sleep(time.Duration(rng.IntN(200_000)) * time.Microsecond)
		if err := p.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = p.Wait() // its error is the signal
		all.Wait()
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}

	p := begin(t, store)
	defer func() {
		if err := p.Process.Kill(); err != nil {
			t.Error(err)
		}
		_ = p.Wait()
	}()
	record := trigonev1.NewRecordServiceClient(dial(t, p.address))
	changes := everyChange(t, record)
	cases, acked, unanswered := 0, 0, 0
	for _, w := range writers {
		acked += len(w.acked)
		for number, labels := range w.sent {
			got := readCase(t, record, number, w.acked[labels[0]])
			if got == nil {
				continue
			}
			cases++
			for _, label := range labels {
				plans, notes := got.plans[label], got.notes[label]
				if plans != notes || plans > 1 || plans == 0 && w.acked[label] {
					t.Errorf("submit %s, acknowledged %t: its plan is on record %d times, its assessment %d times", label, w.acked[label], plans, notes)
				}
				if plans == 1 && !w.acked[label] {
					unanswered++
				}
				delete(got.plans, label)
			}
			if len(got.plans) > 0 {
				t.Errorf("case %s holds what nobody sent: %v", number, got.plans)
			}
			told := changes[got.name]
			for section, revisions := range got.revisions {
				for n := int64(1); n <= revisions; n++ {
					if times := told[fmt.Sprint(section, " ", n)]; times != 1 {
						t.Errorf("case %s: revision %d of %s is told %d times among the changes", number, n, section, times)
					}
				}
			}
		}
	}
	t.Logf("%d kills, %d cases, %d submits acknowledged, %d stored whose answer never came", rounds, cases, acked, unanswered)
	if acked < rounds {
		t.Errorf("only %d submits were acknowledged: the kills met no load", acked)
	}
}

func connect(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	return conn
}

// caseOnRecord counts what is on record of a case, by label.
type caseOnRecord struct {
	name         string
	plans, notes map[string]int
	revisions    map[string]int64 // the highest of each section
}

// readCase reads every revision of a case; nil: there is none, and need not be.
func readCase(t *testing.T, record trigonev1.RecordServiceClient, number string, must bool) *caseOnRecord {
	t.Helper()
	reference := &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:case", Value: number}}
	found, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: reference})
	if status.Code(err) == codes.NotFound && !must {
		return nil
	}
	if err != nil {
		t.Errorf("case %s: %v", number, err)
		return nil
	}
	got := &caseOnRecord{name: found.GetCase().GetName(), plans: map[string]int{}, notes: map[string]int{}, revisions: map[string]int64{}}
	newest := ""
	for token := ""; ; {
		page, err := record.ListRevisions(t.Context(), &trigonev1.ListRevisionsRequest{Case: reference, PageSize: 500, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range page.GetRevisions() {
			if r.GetRevision() != got.revisions[r.GetSection()]+1 {
				t.Errorf("case %s: revision %d of %s follows revision %d", number, r.GetRevision(), r.GetSection(), got.revisions[r.GetSection()])
			}
			got.revisions[r.GetSection()] = r.GetRevision()
			if plan := r.GetContent().GetPlan(); plan != nil {
				newest = plan.GetRationale()
				got.plans[newest]++
			}
			for _, a := range r.GetContent().GetAssessments() {
				got.notes[a.GetNote()]++
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if head := found.GetCase().GetCaseFile().GetPlan().GetRationale(); head != newest {
		t.Errorf("case %s: the plan of the case is %s, the newest is %s", number, head, newest)
	}
	return got
}

// everyChange counts how often each revision is told, by case, and asks that no
// number and no version of a case is left out.
func everyChange(t *testing.T, record trigonev1.RecordServiceClient) map[string]map[string]int {
	t.Helper()
	told := map[string]map[string]int{}
	versions := map[string]int64{}
	number, cursor := int64(0), ""
	for {
		page, err := record.ListChanges(t.Context(), &trigonev1.ListChangesRequest{PageSize: 500, Cursor: cursor})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range page.GetChanges() {
			if number++; c.GetNumber() != number {
				t.Fatalf("change %d follows change %d", c.GetNumber(), number-1)
			}
			name := c.GetCaseName()
			if before := versions[name]; c.GetCaseVersion() != before && c.GetCaseVersion() != before+1 {
				t.Errorf("%s: version %d follows version %d", name, c.GetCaseVersion(), before)
			}
			versions[name] = c.GetCaseVersion()
			if told[name] == nil {
				told[name] = map[string]int{}
			}
			if c.GetKind() == trigonev1.ChangeKind_CHANGE_KIND_SUBMITTED {
				told[name][fmt.Sprint(c.GetSection(), " ", c.GetRevision())]++
			}
		}
		if cursor = page.GetNextCursor(); !page.GetMore() {
			return told
		}
	}
}
