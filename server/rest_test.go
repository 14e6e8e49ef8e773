package server

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// What is written over gRPC is read over HTTP, from the same process; stopping
// ends both.
func TestRESTFaceBesideGRPC(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	running, err := Start(t.Context(), Options{
		Listen: "127.0.0.1:0", HTTPListen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db"), Log: zap.New(core),
	})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	file, err := testdata.Read(testdata.Cases, "core-only")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
		t.Fatal(err)
	}
	get := func(path string) (status int, content map[string]any, err error) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+running.RESTAddr()+"/fhir"+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0, nil, err
		}
		err = errors.Join(json.NewDecoder(resp.Body).Decode(&content), resp.Body.Close())
		return resp.StatusCode, content, err
	}
	status, bundle, err := get("/Procedure?_total=accurate&part-of:missing=true")
	if err != nil || status != http.StatusOK || bundle["total"] != 1.0 {
		t.Errorf("%d %v %v", status, bundle, err)
	}
	status, system, err := get("/CodeSystem/step")
	if err != nil || status != http.StatusOK || system["url"] != "https://example.org/fhir/trigone/CodeSystem/step" {
		t.Errorf("a code system: %d %v %v", status, system["url"], err)
	}
	if err := conn.Close(); err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := running.Stop(ctx); err != nil {
		t.Error(err)
	}
	if _, _, err := get("/metadata"); err == nil {
		t.Error("the REST face answers after the stop")
	}
	// Of a new record one warning is right.
	if logs.FilterLevelExact(zapcore.ErrorLevel).Len()+logs.FilterLevelExact(zapcore.WarnLevel).Len() > 1 {
		t.Errorf("%v", logs.All())
	}
}

func TestRESTFaceIsRefused(t *testing.T) {
	tests := []struct {
		why, listen, base, says string
	}{
		{"an address others can reach", "0.0.0.0:0", "", "loopback"},
		{"no port", "127.0.0.1", "", "port"},
		{"a base that is no address", "127.0.0.1:0", "records.example/fhir", "absolute"},
		{"a port that nobody has", "127.0.0.1:99999", "", "listen for HTTP"},
	}
	for _, tt := range tests {
		running, err := Start(t.Context(), Options{
			Listen: "127.0.0.1:0", HTTPListen: tt.listen, HTTPBaseURL: tt.base, StorePath: filepath.Join(t.TempDir(), "s.db"),
		})
		if err == nil {
			err = running.Stop(t.Context())
			t.Errorf("%s: it serves; %v", tt.why, err)
		} else if !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v", tt.why, err)
		}
	}
}

// Without the flag there is no port.
func TestNoRESTFaceUnlessAsked(t *testing.T) {
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db")})
	if err != nil {
		t.Fatal(err)
	}
	if running.RESTAddr() != "" {
		t.Error(running.RESTAddr())
	}
	if err := running.Stop(t.Context()); err != nil {
		t.Error(err)
	}
}
