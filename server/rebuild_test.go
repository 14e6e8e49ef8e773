package server

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// A store that an earlier version left has no facts. A server makes them by itself,
// and refuses to answer until they are whole; what was never recorded stays unsaid.
func TestFactsOfAnEarlierStoreAreMade(t *testing.T) {
	dir := t.TempDir()
	store, policy := filepath.Join(dir, "demo.db"), filepath.Join(dir, "policy.yaml")
	for path, content := range map[string][]byte{
		store: unpacked(t, filepath.Join("..", "testdata", "stores", "schema2-demo.db.zst")), policy: testdata.DemoPolicy,
	} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	audit := trigonev1.NewAuditServiceClient(conn)
	var facts *trigonev1.ListCaseFactsResponse
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		facts, err = audit.ListCaseFacts(t.Context(), &trigonev1.ListCaseFactsRequest{PageSize: 500})
		if err == nil {
			break
		}
		if status.Code(err) != codes.FailedPrecondition || time.Now().After(end) {
			t.Fatal(err)
		}
	}
	if len(facts.GetFacts()) < 30 {
		t.Errorf("facts of %d cases", len(facts.GetFacts()))
	}
	unrecorded := int32(0)
	for _, f := range facts.GetFacts() {
		if !f.GetCounts().GetAgreementsRecorded() {
			unrecorded++
		}
		if c := f.GetCounts(); f.GetRepair().GetPlannedCase() == trigonev1.Answer_ANSWER_YES && (c.GetAgreementsRecorded() || c.ThingsPlanned != nil) {
			t.Errorf("%s: agreements that nobody recorded are counted: %v", f.GetCaseName(), c)
		}
	}
	list, err := audit.ListComparisons(t.Context(), &trigonev1.ListComparisonsRequest{IncludeCounts: true})
	if err != nil {
		t.Fatal(err)
	}
	if n := list.GetCounts().GetAgreementsNotRecordedCaseCount(); n != unrecorded || n < 30 {
		t.Errorf("agreements were not recorded for %d cases by the counts, for %d by the facts", n, unrecorded)
	}
	if err := running.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	// What the stop cut off is made by the command, once.
	if err := Rebuild(t.Context(), store, policy, func(Rebuilt) {}); err != nil {
		t.Fatal(err)
	}
	if err := Rebuild(t.Context(), store, policy, func(r Rebuilt) { t.Errorf("made again: %+v", r) }); err != nil {
		t.Fatal(err)
	}
	if err := Rebuild(t.Context(), filepath.Join(dir, "none.db"), policy, func(Rebuilt) {}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a store that is not there: %v", err)
	}
}
