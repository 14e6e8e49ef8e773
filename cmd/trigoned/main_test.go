package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"

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
		{"a flag beside the file that says it", []string{"--deployment", store + ".yaml", "--store", store}, exitUsage, "--store goes without --deployment"},
		{"a deployment file that is not there", []string{"--deployment", store + ".yaml"}, exitFailed, "deployment file"},
		{"a deployment file to check that is not there", []string{"check-config", store + ".yaml"}, exitFailed, "deployment file"},
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

// asProgram makes the test's own program the server: some things only a process has.
const asProgram = "TRIGONED_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		go func() { // whoever began it may be killed: it does not outlive them
			_, _ = io.Copy(io.Discard, os.Stdin)
			os.Exit(exitFailed)
		}()
		main()
		return
	}
	os.Exit(m.Run())
}

// process is a server that runs as a process of its own.
type process struct {
	*exec.Cmd
	address string
	log     *lines
}

// begin starts a server on a store, and waits until it serves.
func begin(t *testing.T, store string, args ...string) process {
	t.Helper()
	p := process{Cmd: exec.Command(os.Args[0], append([]string{"--listen", "127.0.0.1:0", "--store", store}, args...)...), log: &lines{}}
	p.Env = append(os.Environ(), asProgram+"=1")
	p.Stderr = p.log
	if _, err := p.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	p.address = serving(t, p.log)
	return p
}

// serving waits until the log says where the server serves.
func serving(t *testing.T, log *lines) string {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		for text := range strings.Lines(log.String()) {
			var line struct{ Msg, Address string }
			if json.Unmarshal([]byte(text), &line) == nil && line.Msg == "serving" {
				return line.Address
			}
		}
	}
	t.Fatalf("the server does not serve: %s", log.String())
	return ""
}

// dial connects to a server until the test ends.
func dial(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn := connect(t, address)
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// The first signal asks for an end, the second one is the end: a server that hangs
// must not need a stronger one.
func TestSecondSignalEndsAtOnce(t *testing.T) {
	p := begin(t, filepath.Join(t.TempDir(), "s.db"))
	watch, err := healthgrpc.NewHealthClient(dial(t, p.address)).Watch(t.Context(), &healthgrpc.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []healthgrpc.HealthCheckResponse_ServingStatus{healthgrpc.HealthCheckResponse_SERVING, healthgrpc.HealthCheckResponse_NOT_SERVING} {
		// The stop waits for who watches: the second signal comes while it does.
		got, err := watch.Recv()
		if err != nil || got.GetStatus() != want {
			t.Fatalf("health is %v, %v; want %v", got, err, want)
		}
		if err := p.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
	}
	var ended *exec.ExitError
	if err := p.Wait(); !errors.As(err, &ended) || ended.Sys().(syscall.WaitStatus).Signal() != syscall.SIGTERM {
		t.Errorf("the server ended with %v; want it ended by the second signal\n%s", err, p.log)
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
	resp, err := trigonev1.NewReferenceServiceClient(dial(t, serving(t, log))).GetPolicy(t.Context(), &trigonev1.GetPolicyRequest{})
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
