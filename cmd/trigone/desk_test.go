package main

import (
	"fmt"
	"net"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// deskLines gives the commands of the README's chapter on the desk, each with the exit
// code that stands behind it.
func deskLines(t *testing.T) (commands []string, exits []int) {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, chapter, found := strings.Cut(string(text), "\n## The reviewer's desk\n")
	chapter, _, _ = strings.Cut(chapter, "\n## ")
	if !found {
		t.Fatal("the README has no chapter on the reviewer's desk")
	}
	inside := false
	for line := range strings.Lines(chapter) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "```") {
			inside = line == "```sh"
			continue
		}
		if !inside || line == "" {
			continue
		}
		command, comment, _ := strings.Cut(line, " # ")
		code := exitOK
		if _, err := fmt.Sscanf(comment, "exit code %d", &code); err != nil && strings.Contains(comment, "exit code") {
			t.Errorf("%q: %v", line, err)
		}
		commands, exits = append(commands, command), append(exits, code)
	}
	return commands, exits
}

var (
	anID   = regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`)
	anEtag = regexp.MustCompile(`--etag ([0-9a-f]{12}-[0-9a-f]{12})`)
)

// Every line of the README's chapter on the desk does what stands there, on a new store,
// with the id and the etag that the lines before it printed.
func TestDeskLinesRun(t *testing.T) {
	address := start(t)
	commands, exits := deskLines(t)
	t.Chdir("../..")
	id, etag := "", ""
	for i, command := range commands {
		args := words(command)
		if args[0] != "trigone" {
			t.Errorf("nobody runs %q", command)
			continue
		}
		for k, a := range args {
			args[k] = map[string]string{"ID": id, "ETAG": etag}[a]
			if args[k] == "" {
				args[k] = a
			}
		}
		got := call(t, append(args[1:], "--server", address)...)
		if got.code != exits[i] {
			t.Fatalf("%s ends with %d, the README says %d: %s%s", command, got.code, exits[i], got.stdout, got.stderr)
		}
		if !strings.Contains(command, "csv") {
			narrow(t, command, got.stdout)
		}
		if strings.HasPrefix(command, "trigone quarantine list") {
			id = anID.FindString(got.stdout)
			if strings.Contains(got.stdout, "P-0914") || strings.Contains(got.stdout, "P-0014") {
				t.Errorf("the list names a patient: %s", got.stdout)
			}
		}
		if m := anEtag.FindStringSubmatch(got.stdout); m != nil {
			etag = m[1]
		}
	}
	if len(commands) < 12 {
		t.Errorf("only %d lines were found", len(commands))
	}
}

func TestReadmeShowsTheExitCodes(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range exitCodes {
		if row := fmt.Sprintf("| %d | %s |", c.code, c.when); !strings.Contains(string(text), row) {
			t.Errorf("the README does not have the row\n%s", row)
		}
	}
}

// What a list or a change prints, other commands take.
func TestNamesThatAreListedAreTaken(t *testing.T) {
	address := start(t)
	call(t, "submit", file(t, read(t, testdata.Cases, "wrong-patient")), "--server", address).want(t, exitOK)
	got := call(t, "submit", file(t, read(t, testdata.Submits, "wrong-patient-echo")), "--server", address).want(t, exitQuarantined)
	says(t, "stderr", got.stderr, "set aside")
	tried := call(t, "submit", file(t, read(t, testdata.Submits, "wrong-patient-echo")), "--validate-only", "--server", address).want(t, exitQuarantined)
	says(t, "stderr", tried.stderr, "it would be set aside")

	changes := call(t, "changes", "--server", address).want(t, exitOK).stdout
	narrow(t, "changes", changes)
	name := regexp.MustCompile(`sites/harbour/cases/[-0-9a-f]{36}`).FindString(changes)
	lines := strings.Split(strings.TrimSpace(changes), "\n")
	id := anID.FindString(lines[len(lines)-2])
	call(t, "get", name, "--server", address).want(t, exitOK)
	call(t, "quarantine", "show", id, "--server", address).want(t, exitOK)
	for _, args := range [][]string{{"cases"}, {"revisions", name}, {"quarantine", "list"}, {"changes"}} {
		table := call(t, append(args, "--server", address)...).want(t, exitOK).stdout
		csv := call(t, append(args, "--format", "csv", "--server", address)...).want(t, exitOK).stdout
		json := call(t, append(args, "--format", "json", "--server", address)...).want(t, exitOK).stdout
		if strings.Count(csv, "\n") < 2 || strings.Count(table, "\n") < 2 || !strings.HasPrefix(json, "{") {
			t.Errorf("%v prints\n%s%s%s", args, table, csv, json)
		}
		for _, text := range []string{table, csv} {
			if strings.Contains(text, "P-0914") || strings.Contains(text, "P-0014") {
				t.Errorf("%v names a patient: %s", args, text)
			}
		}
	}
	call(t, "retract", name, "--version", "1", "--reason", "duplicate", "--server", address).want(t, exitOK)
	number := "urn:example:harbour-hospital:case|MV-2026-014"
	call(t, "get", number, "--server", address).want(t, exitRefused)
	says(t, "the closed case", call(t, "get", number, "--state", "retracted", "--server", address).want(t, exitOK).stdout, name)
	says(t, "no such case", call(t, "get", number, "--state", "merged", "--server", address).want(t, exitRefused).stderr, "no case of this state")
	if list := decode(t, call(t, "cases", "--state", "all", "--number", number, "--format", "json", "--server", address).want(t, exitOK).stdout, &trigonev1.ListCasesResponse{}); len(list.GetCases()) != 1 {
		t.Errorf("%v", list)
	}
}

// A refusal is printed once, with what stands now, and without the words of the
// transport.
func TestARefusalIsPrintedOnce(t *testing.T) {
	address := start(t)
	content := read(t, testdata.Cases, "core-only")
	call(t, "submit", file(t, content), "--server", address).want(t, exitOK)
	age := int32(50)
	content.Identity.AgeYears = &age
	got := call(t, "submit", file(t, content), "--server", address).want(t, exitRefused)
	says(t, "stderr", got.stderr, "present etag of identity: 1")
	got = call(t, "get", "sites/harbour/cases/"+strings.Repeat("a", 300), "--server", address).want(t, exitRefused)
	says(t, "stderr", got.stderr, "1 fault; nothing was stored:\n  case.name: ")
	if strings.Count(got.stderr, "320 characters") != 1 {
		t.Errorf("it is printed more than once: %s", got.stderr)
	}
	got = call(t, "cases", "--server", "127.0.0.1:1").want(t, exitFailed)
	for _, transport := range []string{"desc =", "transport:", "rpc error"} {
		if strings.Contains(got.stderr, transport) {
			t.Errorf("the transport's own words are printed: %s", got.stderr)
		}
	}
	// Nothing was sent, so that nothing is unknown.
	call(t, "submit", file(t, content), "--server", "127.0.0.1:1").want(t, exitFailed)
}

// A call that was sent and not answered says that its outcome is not known, and how the
// same command is sent again.
func TestUnknownOutcomeSaysHowToGoOn(t *testing.T) {
	var errs strings.Builder
	err := outcomeUnknown{status.Error(codes.DeadlineExceeded, "context deadline exceeded"), "7c1e"}
	if code := report(&errs, fmt.Errorf("submit: %w", err)); code != exitUnknown {
		t.Errorf("it ends with %d", code)
	}
	says(t, "stderr", errs.String(), "not known (DEADLINE_EXCEEDED)", "--request-id 7c1e")
	for _, row := range []struct {
		why  string
		code codes.Code
		want bool
	}{
		{"nobody answered in time", codes.DeadlineExceeded, true}, {"the connection was lost", codes.Unavailable, true}, {"ended by hand", codes.Canceled, true},
		{"a fault may come after a write", codes.Internal, true}, {"a refusal stores nothing", codes.FailedPrecondition, false}, {"so does a full house", codes.ResourceExhausted, false},
	} {
		if unanswered(status.Error(row.code, "")) != row.want {
			t.Errorf("%s: %v", row.why, row.code)
		}
	}
}

// The same command with the same request id is answered again and stores nothing twice.
func TestRetriesAreSafe(t *testing.T) {
	address := start(t)
	path := file(t, read(t, testdata.Cases, "wrong-patient"))
	first := call(t, "submit", path, "--request-id", "a", "--server", address).want(t, exitOK)
	if again := call(t, "submit", path, "--request-id", "a", "--server", address).want(t, exitOK); again.stdout != first.stdout {
		t.Errorf("answered otherwise:\n%s%s", first.stdout, again.stdout)
	}
	number := "urn:example:harbour-hospital:case|MV-2026-014"
	aside := file(t, read(t, testdata.Submits, "wrong-patient-echo"))
	id := anID.FindString(call(t, "submit", aside, "--request-id", "b", "--server", address).want(t, exitQuarantined).stdout)
	if again := anID.FindString(call(t, "submit", aside, "--request-id", "b", "--server", address).want(t, exitQuarantined).stdout); again != id {
		t.Error("it was set aside twice")
	}
	etag := anEtag.FindStringSubmatch(call(t, "quarantine", "show", id, "--server", address).want(t, exitOK).stdout)[1]
	for _, args := range [][]string{
		{"quarantine", "file", id, "--into", number, "--etag", etag, "--reason", "one patient", "--request-id", "c"},
		{"retract", number, "--section", "follow_up/ward-echo", "--etag", "1", "--reason", "wrong_patient", "--request-id", "d"},
		{"amend-identity", number, "--as", "correction", "--patient", "urn:example:harbour-hospital:patient|P-1", "--version", "3", "--reason", "a digit", "--request-id", "e"},
		{"retract", number, "--version", "4", "--reason", "duplicate", "--request-id", "f"},
	} {
		args = append(args, "--server", address)
		first, second := call(t, args...).want(t, exitOK), call(t, slices.Clone(args)...)
		if second != first {
			t.Errorf("%v is answered otherwise:\n%v\n%v", args, first, second)
		}
	}
}

// A connection that is lost behind a write leaves its outcome unknown; the id by which
// the same command is safe to send again is printed.
func TestALostConnectionLeavesTheOutcomeUnknown(t *testing.T) {
	var config net.ListenConfig
	listener, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var s *grpc.Server
	s = grpc.NewServer(grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
		if err := stream.RecvMsg(&trigonev1.SubmitCaseRequest{}); err != nil {
			return err
		}
		go s.Stop()
		<-stream.Context().Done()
		return stream.Context().Err()
	}))
	served := make(chan error, 1)
	go func() { served <- s.Serve(listener) }()
	path := file(t, read(t, testdata.Cases, "core-only"))
	got := call(t, "submit", path, "--server", listener.Addr().String()).want(t, exitUnknown)
	says(t, "stderr", got.stderr, "whether this was stored is not known (UNAVAILABLE)", "Send the same command again with --request-id ")
	if !anID.MatchString(got.stderr) {
		t.Errorf("no request id is printed: %s", got.stderr)
	}
	if err := <-served; err != nil {
		t.Error(err)
	}
}
