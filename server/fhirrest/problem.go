package fhirrest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"go.uber.org/zap"

	"trigone/internal/casebook"
)

// problem is an answer that is no result. Its text never holds a value that was
// asked for: that may be a patient's identifier.
type problem struct {
	status int
	code   string // of FHIR's issue types
	text   string
	allow  string        // with 405
	after  time.Duration // when it may be asked for again; 0: it is not said
}

func (p *problem) Error() string { return p.text }

func refuse(status int, code, format string, args ...any) *problem {
	return &problem{status: status, code: code, text: fmt.Sprintf(format, args...)}
}

// Codes of FHIR's value set issue-type.
const (
	issueInvalid      = "invalid"
	issueValue        = "value"
	issueNotSupported = "not-supported"
	issueNotFound     = "not-found"
	issueTooLong      = "too-long"
	issueTooCostly    = "too-costly"
	issueTimeout      = "timeout"
	issueThrottled    = "throttled"
	issueConflict     = "conflict"
	issueSecurity     = "security"
	issueLogin        = "login"
	issueForbidden    = "forbidden"
	issueException    = "exception"
	issueNoStore      = "no-store"
)

// notFound is one answer to whatever cannot be shown, so that it tells nothing
// about what is there.
func notFound() *problem {
	return refuse(http.StatusNotFound, issueNotFound, "there is nothing at this address; metadata lists what is served")
}

func wrongMethod(allow string) *problem {
	p := refuse(http.StatusMethodNotAllowed, issueNotSupported, "this address takes %s only; nothing can be written here", allow)
	p.allow = allow
	return p
}

func fault() *problem {
	return refuse(http.StatusInternalServerError, issueException, "a fault of the service; its log tells more")
}

// problemOf is the one place where an error becomes a status.
func problemOf(err error, log *zap.Logger, route string) *problem {
	var p *problem
	var refusal *casebook.Error
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return refuse(http.StatusServiceUnavailable, issueTimeout,
			"the search took longer than it may; what was read is kept for the next one: ask again, or ask for less with _count")
	}
	if !errors.As(err, &refusal) {
		log.Error("fault", zap.String("route", route), zap.Error(err))
		if refusal = casebook.StoreFault(err, true); refusal == nil {
			return fault()
		}
	}
	a, ok := answerTo[refusal.Kind]
	switch {
	case refusal.Kind == casebook.NotFound:
		return notFound()
	case !ok:
		log.Error("fault", zap.String("route", route), zap.Error(err))
		return fault()
	}
	p = refuse(a.status, a.code, "%s", refusal.Message)
	p.after = refusal.RetryAfter
	return p
}

// answerTo gives status and issue of a kind of refusal, beside nothing found.
var answerTo = map[casebook.Kind]struct {
	status int
	code   string
}{
	casebook.Unauthenticated:    {http.StatusUnauthorized, issueLogin},
	casebook.PermissionDenied:   {http.StatusForbidden, issueForbidden},
	casebook.Exhausted:          {http.StatusTooManyRequests, issueThrottled},
	casebook.Aborted:            {http.StatusServiceUnavailable, issueConflict},
	casebook.Unavailable:        {http.StatusServiceUnavailable, issueNoStore},
	casebook.FailedPrecondition: {http.StatusServiceUnavailable, issueNoStore},
	casebook.DataLoss:           {http.StatusInternalServerError, issueNoStore},
}

// outcome is FHIR's OperationOutcome.
type outcome struct {
	ResourceType string  `json:"resourceType"`
	Issue        []issue `json:"issue"`
}

type issue struct {
	Severity    string `json:"severity"`
	Code        string `json:"code"`
	Diagnostics string `json:"diagnostics"`
}

func (p *problem) body() []byte {
	text, err := json.Marshal(outcome{"OperationOutcome", []issue{{"error", p.code, p.text}}})
	if err != nil { // three strings cannot fail
		return nil
	}
	return text
}
