package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	trigonev1 "trigone/proto/trigone/v1"
)

// lines is a log that another goroutine writes.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func TestWrongUse(t *testing.T) {
	store := filepath.Join(t.TempDir(), "s.db")
	tests := []struct {
		why  string
		args []string
		code int
		says string
	}{
		{"an address others can reach", []string{"--listen", "0.0.0.0:0", "--store", store}, exitFailed, "loopback"},
		{"an address for HTTP that others can reach", []string{"--listen", "127.0.0.1:0", "--http-listen", "0.0.0.0:0", "--store", store}, exitFailed, "loopback"},
		{"no port", []string{"--listen", "127.0.0.1", "--store", store}, exitFailed, "port"},
		{"unknown flag", []string{"--nonsense"}, exitUsage, "--help"},
		{"a word too many", []string{"serve"}, exitUsage, "flags only"},
		{"unknown level", []string{"--log-level", "loud", "--store", store}, exitUsage, "debug"},
		{"a policy that is not there", []string{"--listen", "127.0.0.1:0", "--store", store, "--policy", store + ".yaml"}, exitFailed, "policy"},
		{"a key that is not there", []string{"--listen", "127.0.0.1:0", "--store", store, "--deidentification-key-file", store + ".key"}, exitFailed, "chmod 600"},
		{"a folder that is not there", []string{"--listen", "127.0.0.1:0", "--store", filepath.Join(store, "none", "s.db")}, exitFailed, "store"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			var out, errs bytes.Buffer
			if code := run(t.Context(), tt.args, &out, &errs); code != tt.code || !strings.Contains(errs.String(), tt.says) {
				t.Errorf("exit code %d, want %d; said %q, want %q in it", code, tt.code, errs.String(), tt.says)
			}
		})
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"--help"}, &out, &errs); code != exitOK || !strings.Contains(out.String(), "not a medical device") {
		t.Errorf("help: code %d, %q", code, out.String())
	}
}

// The program serves until it is told to stop, and its log is JSON lines.
func TestServesUntilStopped(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	log := &lines{}
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"--listen", "127.0.0.1:0", "--store", filepath.Join(t.TempDir(), "s.db")}, &bytes.Buffer{}, log)
	}()
	address := ""
	for deadline := time.Now().Add(20 * time.Second); address == "" && time.Now().Before(deadline); {
		first, _, _ := strings.Cut(log.String(), "\n")
		var line struct{ Msg, Address string }
		if json.Unmarshal([]byte(first), &line) == nil {
			address = line.Address
		}
	}
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	resp, err := trigonev1.NewReferenceServiceClient(conn).GetPolicy(t.Context(), &trigonev1.GetPolicyRequest{})
	if err != nil || resp.GetSite() == "" {
		t.Fatalf("%v, %v", resp, err)
	}
	cancel()
	if code := <-ended; code != exitOK {
		t.Errorf("exit code %d", code)
	}
	for line := range strings.Lines(log.String()) {
		if !json.Valid([]byte(line)) {
			t.Errorf("log line %q is no JSON", line)
		}
	}
}
