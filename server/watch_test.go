package server

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// A record that is deleted under the running service takes no more writes; health says
// so, in one loud line, and all goes on once the file is back.
func TestRecordDeletedUnderTheService(t *testing.T) {
	store := filepath.Join(t.TempDir(), "s.db")
	core, logs := observer.New(zapcore.DebugLevel)
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store, Log: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	if logs.FilterLevelExact(zapcore.WarnLevel).FilterMessageSnippet("NEW RECORD").Len() != 1 {
		t.Error("it is not said that a new record was begun")
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	watch, err := healthgrpc.NewHealthClient(conn).Watch(t.Context(), &healthgrpc.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	becomes := func(want healthgrpc.HealthCheckResponse_ServingStatus) {
		t.Helper()
		if got, err := watch.Recv(); err != nil || got.GetStatus() != want {
			t.Fatalf("health: %v, %v; want %v", got, err, want)
		}
	}
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	submit := func(number string) error {
		file.ExternalIdentifier.Value = number
		_, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
		return err
	}
	becomes(healthgrpc.HealthCheckResponse_SERVING)
	if err := submit("N-1"); err != nil {
		t.Fatal(err)
	}
	kept := store + ".kept"
	if err := os.Link(store, kept); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(store); err != nil {
		t.Fatal(err)
	}
	for range 10 {
		if err := submit("N-2"); status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "deleted or replaced") {
			t.Fatalf("a write that nobody finds again: %v", err)
		}
	}
	becomes(healthgrpc.HealthCheckResponse_NOT_SERVING)
	time.Sleep(2 * watchEvery)
	if n := logs.FilterMessageSnippet("NOT WELL").Len(); n != 1 {
		t.Errorf("%d loud lines, want 1", n)
	}
	if err := os.Rename(kept, store); err != nil {
		t.Fatal(err)
	}
	becomes(healthgrpc.HealthCheckResponse_SERVING)
	if err := submit("N-2"); err != nil {
		t.Error(err)
	}
}

// A service whose record is there begins no new one by a wrong path.
func TestARecordThatMustExist(t *testing.T) {
	store := filepath.Join(t.TempDir(), "s.db")
	for _, content := range []func() error{
		func() error { return nil },
		func() error { return os.WriteFile(store, nil, 0o600) }, // as a failed copy leaves it
	} {
		if err := content(); err != nil {
			t.Fatal(err)
		}
		if _, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store, StoreMustExist: true}); err == nil || !strings.Contains(err.Error(), "must") {
			t.Errorf("started: %v", err)
		}
	}
}
