package server

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// A restating under another policy, while no server runs, changes nothing that a server
// answers unless it is asked for.
func TestRestatedStoreAnswersAlike(t *testing.T) {
	dir := t.TempDir()
	store, other := filepath.Join(dir, "s.db"), filepath.Join(dir, "other.yaml")
	if err := os.WriteFile(other, bytes.Replace(testdata.DemoPolicy, []byte("leaflet_height: {absolute: 2.5"), []byte("leaflet_height: {absolute: 0.1"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	serve := func(use func(conn *grpc.ClientConn)) {
		t.Helper()
		running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store, Now: func() time.Time { return time.Date(2027, 1, 2, 3, 4, 5, 0, time.UTC) }})
		if err != nil {
			t.Fatal(err)
		}
		conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			t.Fatal(err)
		}
		use(conn)
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		if err := running.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	var cases []*trigonev1.CaseReference
	answers := func(conn *grpc.ClientConn) (all []string) {
		t.Helper()
		add := func(m proto.Message, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			content, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, string(content))
		}
		record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
		for _, c := range cases {
			got, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: c})
			add(got, err)
			revisions, err := record.ListRevisions(t.Context(), &trigonev1.ListRevisionsRequest{Case: c})
			add(revisions, err)
			bundle, err := trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(t.Context(), &trigonev1.GetBundleRequest{Case: c, Form: trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION})
			add(bundle, err)
		}
		changes, err := record.ListChanges(t.Context(), &trigonev1.ListChangesRequest{})
		add(changes, err)
		comparisons, err := audit.ListComparisons(t.Context(), &trigonev1.ListComparisonsRequest{IncludeCounts: true, PageSize: 500})
		add(comparisons, err)
		return all
	}
	var before, after []string
	serve(func(conn *grpc.ClientConn) {
		for _, name := range []string{"several-differences", "recurrence"} {
			file, err := testdata.Read(testdata.Cases, name)
			if err != nil {
				t.Fatal(err)
			}
			resp, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
			if err != nil {
				t.Fatal(err)
			}
			cases = append(cases, &trigonev1.CaseReference{Name: resp.GetCaseName()})
		}
		before = answers(conn)
	})
	var done Restated
	if err := Restate(t.Context(), store, other, func(r Restated) { done = r }); err != nil || done.Cases != 2 {
		t.Fatalf("%+v, %v", done, err)
	}
	serve(func(conn *grpc.ClientConn) {
		after = answers(conn)
		list, err := trigonev1.NewAuditServiceClient(conn).ListDiscrepancies(t.Context(), &trigonev1.ListDiscrepanciesRequest{Basis: trigonev1.Basis_BASIS_RESTATED, IncludeCounts: true})
		if err != nil || list.GetBasis() != trigonev1.Basis_BASIS_RESTATED || len(list.GetDiscrepancies()) == 0 {
			t.Errorf("restated: %v, %v", list, err)
		}
	})
	for i := range before {
		if after[i] != before[i] {
			t.Errorf("answer %d is another one after the restating", i)
		}
	}
	said := false
	if err := sqlite.Dump(t.Context(), store, func(table, column string, value []byte) error {
		said = said || table == "restated_answers" && column == "frame" && strings.Contains(string(value), "leaflet_height")
		return nil
	}); err != nil || !said {
		t.Errorf("what was restated cannot be searched: %t, %v", said, err)
	}
	if v, err := Verify(t.Context(), store, func(where string) { t.Error(where) }); err != nil || v.Damaged > 0 {
		t.Errorf("%+v, %v", v, err)
	}
	if err := DropRestated(t.Context(), store); err != nil {
		t.Fatal(err)
	}
	if err := sqlite.Dump(t.Context(), store, func(table, _ string, _ []byte) error {
		if table == "restated_answers" {
			t.Error("the drop leaves a row")
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
}
