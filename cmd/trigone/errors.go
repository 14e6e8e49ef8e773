package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"trigone/internal/casebook"
	"trigone/internal/casefile"
)

// Exit codes; the help of the command lists them.
const (
	exitOK            = 0
	exitFailed        = 1
	exitUsage         = 2
	exitRefused       = 3
	exitContradiction = 4
	exitOlder         = 5
	exitNothingYet    = 6
	exitQuarantined   = 7
	exitUnknown       = 8
)

// exitCodes is the one table of them: help and README show it.
var exitCodes = []struct {
	code int
	when string
}{
	{exitOK, "done"},
	{exitFailed, "failed: no server, a file that cannot be read or written, a fault"},
	{exitUsage, "wrong use of the program"},
	{exitRefused, "the input is wrong: refused by the service, or no case file"},
	{exitContradiction, "evaluate found a contradiction"},
	{exitOlder, "submit or quarantine file stored a section as older than what the record says"},
	{exitNothingYet, "the case file is a skeleton in which nothing is filled in yet"},
	{exitQuarantined, "submit was set aside, because it names another patient than the case has"},
	{exitUnknown, "a write was sent, and whether it was stored is not known: send the same again"},
}

// exitCodesHelp gives the table as help shows it.
func exitCodesHelp() string {
	var b strings.Builder
	for _, c := range exitCodes {
		fmt.Fprintf(&b, "\n  %d  %s", c.code, c.when)
	}
	return b.String()
}

// usageError is a wrong call of the program.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// inputError is a file that is not what is needed.
type inputError struct{ error }

// caseFileError tells every fault of a case file, each on a line.
type caseFileError struct{ error }

// errContradiction: the evaluation was printed and holds a contradiction.
var errContradiction = errors.New("the record contradicts itself, or arithmetic; see the contradictions above")

// notTheHead: the answer was printed, and the submit, or a section of it, is not what the
// record says now.
type notTheHead struct {
	code int
	says string
}

// Error says what became of it.
func (e notTheHead) Error() string { return e.says }

var (
	errOlder      = notTheHead{exitOlder, "stored, but not as what the record says now: see 'stored as older' above"}
	errOlderTried = notTheHead{exitOlder, "it would be stored, but not as what the record says: see 'stored as older' above"}
	errAside      = notTheHead{exitQuarantined, "set aside: the submit names another patient than the case has, and is no part of it until a reviewer files it"}
	errAsideTried = notTheHead{exitQuarantined, "it would be set aside: the submit names another patient than the case has"}
)

// report prints an error as sentences, every field violation on a line of its
// own, and gives the exit code.
func report(stderr io.Writer, err error) int {
	var usage usageError
	var input inputError
	var faults caseFileError
	var refused *casebook.Error
	var unknown outcomeUnknown
	var stands notTheHead
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &usage):
		fmt.Fprintf(stderr, "trigone: %v\nTry 'trigone --help'.\n", err)
		return exitUsage
	case errors.Is(err, errContradiction):
		fmt.Fprintf(stderr, "trigone: %v\n", err)
		return exitContradiction
	case errors.As(err, &stands):
		fmt.Fprintf(stderr, "trigone: %v\n", stands)
		return stands.code
	case errors.As(err, &unknown):
		s := status.Convert(unknown.error)
		fmt.Fprintf(stderr, "trigone: whether this was stored is not known (%s): %s\n%s\n", codeName(s.Code()), transported(s), unknown.advice())
		return exitUnknown
	case errors.Is(err, casefile.ErrNothingYet):
		fmt.Fprintf(stderr, "trigone: %v\n", err)
		return exitNothingYet
	case errors.As(err, &faults):
		fmt.Fprintf(stderr, "trigone: the case file is refused, %s:\n", counted(casefile.Faults(faults.error), "fault", "faults"))
		for line := range strings.Lines(faults.Error()) {
			fmt.Fprintf(stderr, "  %s\n", strings.TrimRight(line, "\n"))
		}
		return exitRefused
	case errors.As(err, &input):
		fmt.Fprintf(stderr, "trigone: %v\n", err)
		return exitRefused
	case errors.As(err, &refused):
		if len(refused.Violations) == 0 {
			fmt.Fprintf(stderr, "trigone: the input is refused: %s\n", refused.Message)
			return exitRefused
		}
		fmt.Fprintf(stderr, "trigone: the input is refused, %s:\n", counted(len(refused.Violations), "fault", "faults"))
		for _, v := range refused.Violations {
			fmt.Fprintf(stderr, "  %s: %s\n", v.Path, v.Message)
		}
		return exitRefused
	}
	// The innermost: what wraps it would be told as part of its message.
	var told interface{ GRPCStatus() *status.Status }
	if errors.As(err, &told) {
		return reportStatus(stderr, told.GRPCStatus())
	}
	fmt.Fprintf(stderr, "trigone: %v\n", err)
	return exitFailed
}

// codeName gives a code as the contract writes it.
func codeName(c codes.Code) string { return strings.ToUpper(snake(c.String())) }

// infoOf gives what a refusal of the service says to programs; nil: it is not of the
// service.
func infoOf(s *status.Status) *errdetails.ErrorInfo {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info
		}
	}
	return nil
}

// transported gives the message of a status without what the transport puts around it.
func transported(s *status.Status) string {
	message := s.Message()
	for _, lead := range []string{"connection error: desc = ", "rpc error: code = " + s.Code().String() + " desc = ", "transport: ", "Error while dialing: "} {
		message = strings.TrimPrefix(message, lead)
		if text, err := strconv.Unquote(message); err == nil {
			message = text
		}
	}
	return message
}

func reportStatus(stderr io.Writer, s *status.Status) int {
	name, message := codeName(s.Code()), transported(s)
	switch s.Code() {
	case codes.Unavailable:
		if infoOf(s) != nil {
			fmt.Fprintf(stderr, "trigone: the service cannot do this now (%s): %s\n", name, message)
			return exitFailed
		}
		fmt.Fprintf(stderr, "trigone: no server answers (%s): %s\nStart one with 'trigoned', or name another with --server.\n", name, message)
		return exitFailed
	case codes.Unauthenticated:
		fmt.Fprintf(stderr, "trigone: the service does not know who asks (%s): %s\nSign in with --cert and --key, or with --token-file.\n", name, message)
		return exitRefused
	case codes.PermissionDenied:
		fmt.Fprintf(stderr, "trigone: you may not do this (%s): %s\n", name, message)
		return exitRefused
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted, codes.OutOfRange:
		reportRefusal(stderr, s)
		return exitRefused
	}
	fmt.Fprintf(stderr, "trigone: the service failed (%s): %s\n", name, message)
	return exitFailed
}

// reportRefusal prints a refusal once: the faults of fields each on a line, or the
// sentence, and the etags that sections have now.
func reportRefusal(stderr io.Writer, s *status.Status) {
	name, faults := codeName(s.Code()), 0
	for _, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		faults = len(bad.GetFieldViolations())
		fmt.Fprintf(stderr, "trigone: the service refused this (%s), %s; nothing was stored:\n", name, counted(faults, "fault", "faults"))
		for _, v := range bad.GetFieldViolations() {
			fmt.Fprintf(stderr, "  %s: %s\n", v.GetField(), v.GetDescription())
		}
		if _, more, cut := strings.Cut(s.Message(), " ("); cut && strings.HasSuffix(more, "submit again)") {
			fmt.Fprintf(stderr, "  (%s\n", more)
		}
	}
	if faults > 0 {
		return
	}
	fmt.Fprintf(stderr, "trigone: the service refused this (%s): %s\n", name, transported(s))
	about := infoOf(s).GetMetadata()
	etags := strings.Split(about[casebook.AboutEtag], ",")
	for i, section := range strings.Split(about[casebook.AboutSection], ",") {
		if section != "" && i < len(etags) {
			fmt.Fprintf(stderr, "  present etag of %s: %s\n", section, etags[i])
		}
	}
	if version := about[casebook.AboutCaseVersion]; version != "" {
		fmt.Fprintf(stderr, "  present version of the case: %s\n", version)
	}
}

// snake turns InvalidArgument into invalid_argument.
func snake(s string) string {
	var b strings.Builder
	for i, r := range s {
		if i > 0 && r >= 'A' && r <= 'Z' {
			b.WriteByte('_')
		}
		b.WriteRune(r)
	}
	return strings.ToLower(b.String())
}

// counted says how many there are of something.
func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
