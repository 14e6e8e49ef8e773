package main

import (
	"errors"
	"fmt"
	"io"
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
)

// usageError is a wrong call of the program.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// inputError is a file that is not what is needed.
type inputError struct{ error }

// caseFileError tells every fault of a case file, each on a line.
type caseFileError struct{ error }

// errContradiction: the evaluation was printed and holds a contradiction.
var errContradiction = errors.New("the record contradicts itself, or arithmetic; see the contradictions above")

// errOlder: the answer was printed, and a section of the submit did not become the
// head.
var errOlder = errors.New("stored, but not as what the record says now: see 'stored as older' above")

// report prints an error as sentences, every field violation on a line of its
// own, and gives the exit code.
func report(stderr io.Writer, err error) int {
	var usage usageError
	var input inputError
	var faults caseFileError
	var refused *casebook.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &usage):
		fmt.Fprintf(stderr, "trigone: %v\nTry 'trigone --help'.\n", err)
		return exitUsage
	case errors.Is(err, errContradiction):
		fmt.Fprintf(stderr, "trigone: %v\n", err)
		return exitContradiction
	case errors.Is(err, errOlder):
		fmt.Fprintf(stderr, "trigone: %v\n", err)
		return exitOlder
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
		fmt.Fprintf(stderr, "trigone: the input is refused: %s\n", refused.Message)
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

func reportStatus(stderr io.Writer, s *status.Status) int {
	name := strings.ToUpper(snake(s.Code().String()))
	switch s.Code() {
	case codes.Unavailable:
		fmt.Fprintf(stderr, "trigone: no server answers (%s): %s\nStart one with 'trigoned', or name another with --server.\n", name, s.Message())
		return exitFailed
	case codes.Unauthenticated:
		fmt.Fprintf(stderr, "trigone: the service does not know who asks (%s): %s\nSign in with --cert and --key, or with --token-file.\n", name, s.Message())
		return exitRefused
	case codes.PermissionDenied:
		fmt.Fprintf(stderr, "trigone: you may not do this (%s): %s\n", name, s.Message())
		return exitRefused
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted, codes.OutOfRange:
		fmt.Fprintf(stderr, "trigone: the service refused this (%s): %s\n", name, s.Message())
		for _, d := range s.Details() {
			bad, ok := d.(*errdetails.BadRequest)
			if !ok {
				continue
			}
			for _, v := range bad.GetFieldViolations() {
				fmt.Fprintf(stderr, "  %s: %s\n", v.GetField(), v.GetDescription())
			}
		}
		return exitRefused
	}
	fmt.Fprintf(stderr, "trigone: the service failed (%s): %s\n", name, s.Message())
	return exitFailed
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
