package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

var everyFault = flag.Bool("every-fault", false, "let every one of the first 160 system calls on the store fail, not a choice of them")

// unmet skips, or fails where everything is required.
func unmet(t *testing.T, need string) {
	t.Helper()
	if os.Getenv("TRIGONE_REQUIRE") != "" {
		t.Fatal(need)
	}
	t.Skip(need)
}

// fault lets the nth system call of a thread on the store's files fail.
type fault struct {
	call  string
	errno string
	nth   int
}

func (f fault) String() string { return fmt.Sprintf("%s %s %d", f.call, f.errno, f.nth) }

func faults() (list []fault) {
	add := func(call, errno string, nths ...int) {
		if *everyFault {
			nths = nil
			for n := range map[bool]int{true: 160, false: 16}[call == "pwrite64"] {
				nths = append(nths, n+1)
			}
		}
		for _, n := range nths {
			list = append(list, fault{call, errno, n})
		}
	}
	if testing.Short() { // one of each
		add("fdatasync", "EIO", 2)
		add("pwrite64", "EIO", 13)
		add("pwrite64", "ENOSPC", 13)
		add("open,openat", "EIO", 1)
		return list
	}
	add("fdatasync", "EIO", 1, 2, 3, 4, 5)
	add("pwrite64", "EIO", 1, 5, 13, 34, 89)
	add("pwrite64", "ENOSPC", 2, 13, 55)
	add("ftruncate", "EIO", 1)
	add("open,openat", "EIO", 1, 4)
	return list
}

// Whatever system call on the store fails under a real server: what was acknowledged is
// there after a kill and a new start, what was refused with 'nothing was stored' is not,
// and what was sent again with its request_id is there once.
func TestFaultsOfSystemCalls(t *testing.T) {
	if err := exec.Command("strace", "-qq", "-f", "-e", "inject=openat:error=EIO:when=9999", "true").Run(); err != nil {
		unmet(t, "faults of system calls are not tested: strace is needed, and the right to trace: "+err.Error())
	}
	folder := t.TempDir()
	prepared := filepath.Join(folder, "prepared.db")
	p := begin(t, prepared)
	if got := submit(dial(t, p.address), "before"); got.err != nil {
		t.Fatal(got.err)
	}
	if err := p.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(prepared)
	if err != nil {
		t.Fatal(err)
	}
	answers := map[string]int{}
	for i, f := range faults() {
		t.Run(f.String(), func(t *testing.T) {
			store := filepath.Join(folder, fmt.Sprintf("%d.db", i))
			if err := os.WriteFile(store, content, 0o600); err != nil {
				t.Fatal(err)
			}
			for number, got := range underFault(t, store, f) {
				answers[got.String()]++
				expect(t, store, number, got)
			}
		})
	}
	t.Logf("answers: %v", answers)
	if answers["unknown"] == 0 || answers["refused"] == 0 || answers["acknowledged"] == 0 {
		t.Errorf("the faults do not reach what they are made for: %v", answers)
	}
}

// answered is how a submit was answered.
type answered struct{ err error }

func (a answered) String() string {
	switch {
	case a.err == nil:
		return "acknowledged"
	case strings.Contains(a.err.Error(), "nothing of this call was stored"):
		return "refused"
	}
	return "unknown"
}

func numbered(number string) *trigonev1.CaseFile {
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		panic(err)
	}
	file = proto.CloneOf(file)
	file.ExternalIdentifier.Value = number
	file.PatientIdentifier.Value = "P-" + number
	return file
}

func submit(conn *grpc.ClientConn, number string) answered {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	_, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: numbered(number), RequestId: "request-" + number})
	return answered{err}
}

// underFault submits cases to a server whose system calls fail, kills it, and gives how
// each was answered.
func underFault(t *testing.T, store string, f fault) map[string]answered {
	t.Helper()
	log := &lines{}
	traced := exec.Command("strace", "-f", "-qq", "-o", os.DevNull, "-P", store, "-P", store+"-wal", "-P", store+"-shm",
		"-e", "trace="+f.call, "-e", fmt.Sprintf("inject=%s:error=%s:when=%d", f.call, f.errno, f.nth),
		os.Args[0], "--listen", "127.0.0.1:0", "--store", store, "--must-exist")
	traced.Env = append(os.Environ(), asProgram+"=1")
	traced.Stderr = log
	if _, err := traced.StdinPipe(); err != nil { // it ends with its standard input
		t.Fatal(err)
	}
	if err := traced.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		_ = traced.Wait() // refused or killed
		close(ended)
	}()
	address := ""
	for deadline := time.Now().Add(time.Minute); address == ""; time.Sleep(5 * time.Millisecond) {
		for text := range strings.Lines(log.String()) {
			var line struct{ Address string }
			if json.Unmarshal([]byte(text), &line) == nil && line.Address != "" {
				address = line.Address
			}
		}
		select {
		case <-ended:
			if !strings.Contains(log.String(), "trigoned: open the store") && !strings.Contains(log.String(), "trigoned: the") {
				t.Errorf("a start that fails says: %s", log)
			}
			return nil // a start that was refused has written nothing of a call
		default:
		}
		if time.Now().After(deadline) {
			t.Fatalf("the server does not serve: %s", log)
		}
	}
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	answers := map[string]answered{}
	for i := range 4 {
		number := fmt.Sprint("during-", i)
		answers[number] = submit(conn, number)
		if code := status.Code(answers[number].err); code != codes.OK && code != codes.Unavailable && code != codes.ResourceExhausted {
			t.Errorf("%s: %v\n%s", number, answers[number].err, log)
		}
	}
	children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", traced.Process.Pid, traced.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	for _, child := range bytes.Fields(children) {
		pid, err := strconv.Atoi(string(child))
		if err != nil {
			t.Fatal(err)
		}
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
	}
	<-ended
	return answers
}

// expect starts a server again and finds what the answer promised.
func expect(t *testing.T, store, number string, got answered) {
	t.Helper()
	p := begin(t, store, "--must-exist")
	conn := dial(t, p.address)
	defer func() {
		if err := p.Process.Kill(); err != nil {
			t.Error(err)
		}
		_ = p.Wait() // killed
		v, err := server.Verify(t.Context(), store, func(where string) { t.Error(where) })
		if err != nil || v.Cases == 0 {
			t.Errorf("%+v, %v", v, err)
		}
	}()
	records := trigonev1.NewRecordServiceClient(conn)
	ref := &trigonev1.CaseReference{ExternalIdentifier: numbered(number).GetExternalIdentifier()}
	_, err := records.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: ref})
	there := err == nil
	switch {
	case !there && status.Code(err) != codes.NotFound:
		t.Errorf("%s cannot be read: %v", number, err)
	case got.String() == "acknowledged" && !there:
		t.Errorf("%s was acknowledged and is lost", number)
	case got.String() == "refused" && there:
		t.Errorf("%s was refused with %q and is there", number, got.err)
	}
	if again := submit(conn, number); again.err != nil {
		t.Errorf("%s cannot be sent again: %v", number, again.err)
	}
	read, err := records.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: ref})
	if err != nil || read.GetCase().GetCaseVersion() != 1 {
		t.Errorf("%s, sent again, has version %d, want 1: %v", number, read.GetCase().GetCaseVersion(), err)
	}
}

// On a full disk reads go on, writes are refused by a code of their own and recover by
// themselves once there is room.
func TestFullDisk(t *testing.T) {
	disk := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=4m"); err != nil {
		unmet(t, "a full disk is not tested: the right to mount a small one is needed: "+err.Error())
	}
	defer func() {
		if err := syscall.Unmount(disk, 0); err != nil {
			t.Error(err)
		}
	}()
	store := filepath.Join(disk, "s.db")
	p := begin(t, store)
	conn := dial(t, p.address)
	var written []string
	refused := answered{}
	for i := 0; refused.err == nil; i++ {
		if i == 2 {
			fill(t, disk)
		}
		number := fmt.Sprint("full-", i)
		if refused = submit(conn, number); refused.err == nil {
			written = append(written, number)
		}
	}
	if status.Code(refused.err) != codes.ResourceExhausted || refused.String() != "refused" {
		t.Errorf("a write on a full disk: %v", refused.err)
	}
	present := func(number string) {
		t.Helper()
		ref := &trigonev1.CaseReference{ExternalIdentifier: numbered(number).GetExternalIdentifier()}
		if _, err := trigonev1.NewRecordServiceClient(conn).GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: ref}); err != nil {
			t.Errorf("%s: %v", number, err)
		}
	}
	for _, number := range written {
		present(number)
	}
	if err := os.Remove(filepath.Join(disk, "fill")); err != nil {
		t.Fatal(err)
	}
	again := fmt.Sprint("full-", len(written))
	if got := submit(conn, again); got.err != nil {
		t.Errorf("a write once there is room: %v", got.err)
	}
	present(again)
	if err := p.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err != nil {
		t.Error(err)
	}
	if _, err := server.Verify(t.Context(), store, func(where string) { t.Error(where) }); err != nil {
		t.Error(err)
	}
}

// fill takes what room there is.
func fill(t *testing.T, disk string) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(disk, "fill"), os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	for block := make([]byte, 4096); err == nil; {
		_, err = f.Write(block)
	}
}

// A server that starts on a disk that can only be read serves reads; a write is told.
func TestReadOnlyDisk(t *testing.T) {
	for _, killed := range []bool{false, true} { // a kill leaves the log beside the store
		t.Run(fmt.Sprintf("killed %t", killed), func(t *testing.T) {
			disk := filepath.Join(t.TempDir(), "disk")
			if err := os.Mkdir(disk, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=8m"); err != nil {
				unmet(t, "a disk that can only be read is not tested: the right to mount one is needed: "+err.Error())
			}
			defer func() {
				if err := syscall.Unmount(disk, 0); err != nil {
					t.Error(err)
				}
			}()
			store := filepath.Join(disk, "s.db")
			p := begin(t, store)
			if got := submit(dial(t, p.address), "before"); got.err != nil {
				t.Fatal(got.err)
			}
			signal := syscall.SIGTERM
			if killed {
				signal = syscall.SIGKILL
			}
			if err := p.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			if err := p.Wait(); (err != nil) != killed {
				t.Fatal(err)
			}
			if err := syscall.Mount("tmpfs", disk, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
				t.Fatal(err)
			}
			p = begin(t, store)
			conn := dial(t, p.address)
			ref := &trigonev1.CaseReference{ExternalIdentifier: numbered("before").GetExternalIdentifier()}
			if _, err := trigonev1.NewRecordServiceClient(conn).GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: ref}); err != nil {
				t.Error(err)
			}
			if _, err := trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(t.Context(), &trigonev1.GetBundleRequest{Case: ref}); err != nil {
				t.Error(err)
			}
			if got := submit(conn, "during"); status.Code(got.err) != codes.Unavailable || got.String() != "refused" {
				t.Errorf("a write: %v", got.err)
			}
			if v, err := server.Verify(t.Context(), store, func(where string) { t.Error(where) }); err != nil || v.Cases != 1 {
				t.Errorf("%+v, %v", v, err)
			}
			if err := p.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := p.Wait(); err != nil { // it has read the log to its end
				t.Error(err)
			}
			if !strings.Contains(p.log.String(), "CAN ONLY BE READ") || strings.Count(p.log.String(), `"level":"error"`) != 1 {
				t.Errorf("the log says %s", p.log)
			}
		})
	}
}
