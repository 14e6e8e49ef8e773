package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"trigone/fhirmap"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// submitSome puts invented cases on record.
func submitSome(t *testing.T, conn *grpc.ClientConn, from, to int) {
	t.Helper()
	for n := from; n < to; n++ {
		file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
		if err != nil {
			t.Fatal(err)
		}
		file.ExternalIdentifier.Value = fmt.Sprint("E-", n)
		file.PatientIdentifier.Value = fmt.Sprint("P-", n)
		if _, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
			t.Fatal(err)
		}
	}
}

// received gives the number of lines and the end of an export.
func received(t *testing.T, conn *grpc.ClientConn, req *trigonev1.ExportResourcesRequest) (lines int, end *trigonev1.ExportEnd) {
	t.Helper()
	stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return lines, end
		}
		if err != nil {
			t.Fatal(err)
		}
		if end != nil {
			t.Fatal("something follows the end")
		}
		lines += strings.Count(r.GetChunk().GetNdjson(), "\n")
		end = r.GetEnd()
	}
}

func TestExportResourcesStreams(t *testing.T) {
	conn, logs := start(t)
	submitSome(t, conn, 0, 3)
	first, end := received(t, conn, &trigonev1.ExportResourcesRequest{})
	if first == 0 || end == nil || end.GetTransactionTime() == nil {
		t.Fatalf("%d lines and the end %v", first, end)
	}
	submitSome(t, conn, 3, 4)
	second, next := received(t, conn, &trigonev1.ExportResourcesRequest{Since: end.GetNextSince()})
	if second*3 != first {
		t.Errorf("one case more gives %d lines, three gave %d", second, first)
	}
	if again, _ := received(t, conn, &trigonev1.ExportResourcesRequest{Since: next.GetNextSince()}); again != 0 {
		t.Errorf("nothing changed, and %d lines came", again)
	}
	if n := logs.FilterField(zap.String("method", trigonev1.ElectronicRecordService_ExportResources_FullMethodName)).FilterMessage("call").Len(); n != 3 {
		t.Errorf("three exports are %d lines of the access log", n)
	}
}

func TestExportResourcesRefuses(t *testing.T) {
	conn, _ := start(t)
	for name, req := range map[string]*trigonev1.ExportResourcesRequest{
		"a type that nobody makes": {ResourceTypes: []string{"Patient"}},
		"a token of nowhere":       {Since: "x"},
		"a list beyond its length": {ResourceTypes: make([]string, 33)},
	} {
		stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		if _, err = stream.Recv(); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
		}
	}
	stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(t.Context(), &trigonev1.ExportResourcesRequest{Parent: "sites/elsewhere"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err = stream.Recv(); status.Code(err) != codes.NotFound {
		t.Errorf("another site: %v", err)
	}
}

// A client that goes away ends the export: its line in the log comes, as cancelled.
func TestExportResourcesIsCancelled(t *testing.T) {
	conn, logs := start(t)
	// More than a connection takes in before its reader reads.
	submitSome(t, conn, 0, 60)
	ctx, cancel := context.WithCancel(t.Context())
	stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(ctx, &trigonev1.ExportResourcesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	cancel()
	for err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.Canceled {
		t.Error(err)
	}
	if all := called(logs, trigonev1.ElectronicRecordService_ExportResources_FullMethodName); len(all) != 1 || all[0].ContextMap()["code"] != codes.Canceled.String() {
		t.Errorf("the log has %v", all)
	}
}

func TestBundleFormsOverTheWire(t *testing.T) {
	conn, _ := start(t)
	submitSome(t, conn, 0, 1)
	get := func(conn *grpc.ClientConn, form trigonev1.BundleForm) (*trigonev1.GetBundleResponse, error) {
		return trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(t.Context(), &trigonev1.GetBundleRequest{
			Form: form, Case: &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:harbour-hospital:case", Value: "E-0"}},
		})
	}
	_, err := get(conn, trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED)
	st := status.Convert(err)
	if st.Code() != codes.FailedPrecondition || !strings.Contains(st.Message(), "--deidentification-key-file") {
		t.Errorf("without a key: %v", err)
	}
	info, ok := st.Details()[0].(*errdetails.ErrorInfo)
	if !ok || info.GetReason() != "DE_IDENTIFICATION_KEY_NEEDED" {
		t.Errorf("details %v", st.Details())
	}

	folder := t.TempDir()
	keyFile := filepath.Join(folder, "key")
	if err := os.WriteFile(keyFile, append(bytes.Repeat([]byte{'k'}, fhirmap.MinKeyBytes), '\n'), 0o600); err != nil {
		t.Fatal(err)
	}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(folder, "s.db"), DeIdentificationKeyFile: keyFile})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	keyed, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := keyed.Close(); err != nil {
			t.Error(err)
		}
	}()
	submitSome(t, keyed, 0, 1)
	resp, err := get(keyed, trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED)
	if err != nil || strings.Contains(resp.GetBundle(), "P-0") || !strings.Contains(resp.GetBundle(), fhirmap.PseudonymSystem) {
		t.Errorf("with a key: %v", err)
	}
}

func TestKeyFileIsChecked(t *testing.T) {
	folder := t.TempDir()
	long, short := bytes.Repeat([]byte{'k'}, fhirmap.MinKeyBytes), bytes.Repeat([]byte{'k'}, fhirmap.MinKeyBytes-1)
	tests := []struct {
		name    string // why this row
		content []byte
		mode    os.FileMode
		want    string // in the refusal; empty: accepted
	}{
		{"a good key", long, 0o600, ""},
		{"one that its owner cannot write", long, 0o400, ""},
		{"the group can read it", long, 0o640, "open to others"},
		{"all can read it", long, 0o604, "open to others"},
		{"nothing but zero bytes", make([]byte, fhirmap.MinKeyBytes), 0o600, "zero bytes"},
		{"too short", short, 0o600, "31 bytes"},
		{"the end of a line is no part of it", append(short, '\n'), 0o600, "31 bytes"},
	}
	for i, tt := range tests {
		path := filepath.Join(folder, fmt.Sprint(i))
		if err := os.WriteFile(path, tt.content, tt.mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, tt.mode); err != nil {
			t.Fatal(err)
		}
		d, err := readDeIdentifier(path)
		switch {
		case tt.want == "" && (err != nil || d == nil):
			t.Errorf("%s: %v", tt.name, err)
		case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "kkkk")):
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := readDeIdentifier(filepath.Join(folder, "none")); err == nil {
		t.Error("a file that is not there is a key")
	}
	if d, err := readDeIdentifier(""); d != nil || err != nil {
		t.Errorf("no file: %v", err)
	}
}

// fakeStream is a stream with a context and nothing else.
type fakeStream struct {
	grpc.ServerStream
	ctx context.Context
}

func (s fakeStream) Context() context.Context { return s.ctx }

func TestExportMayTakeLonger(t *testing.T) {
	left := func(method string) time.Duration {
		var d time.Duration
		err := deadlineStream(nil, fakeStream{ctx: t.Context()}, &grpc.StreamServerInfo{FullMethod: method}, func(_ any, s grpc.ServerStream) error {
			at, set := s.Context().Deadline()
			if !set {
				t.Errorf("%s has no end", method)
			}
			d = time.Until(at)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	export, explore := left(trigonev1.ElectronicRecordService_ExportResources_FullMethodName), left(trigonev1.PlanningService_ExplorePlans_FullMethodName)
	if explore > streamTimeout || export <= streamTimeout || export > exportTimeout {
		t.Errorf("an export may take %v, an exploration %v", export, explore)
	}
}
