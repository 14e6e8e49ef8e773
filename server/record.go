package server

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"trigone/internal/access"
	"trigone/internal/casebook"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// record sees to it that every call which may reach the record has a line in the access
// record. It stands behind the tap of the door, since a line names who asks, and before all that
// may refuse a call, since refusals have lines too.
type record struct {
	recorder *access.Recorder
	site     string
	now      func() time.Time
	log      *zap.Logger
	// seen counts a request over HTTP.
	seen func(method, outcome string, took time.Duration)
}

// outcomeBegun is the outcome of a stream that has only begun: a second line says how
// it ended.
const outcomeBegun = "BEGUN"

// onRecord says whether a method may reach the record: all of ours but those that tell
// of the program.
func onRecord(method string) bool {
	reference, _, _ := strings.Cut(strings.TrimPrefix(trigonev1.ReferenceService_ListMetrics_FullMethodName, "/"), "/")
	return strings.HasPrefix(method, ownServices) && !strings.HasPrefix(method, "/"+reference+"/")
}

// aboutTheRecord are the calls that read who looked, or remove it for its age: nothing
// that was answered before them is missing.
var aboutTheRecord = map[string]bool{
	trigonev1.AuditService_ListAccesses_FullMethodName:          true,
	trigonev1.AdministrationService_RunRetention_FullMethodName: true,
}

// shortMethod gives a method as lines name it: service and name.
func shortMethod(full string) string {
	return full[strings.LastIndexByte(full, '.')+1:]
}

func (r *record) begin(ctx context.Context, method string, req any) *casebook.Access {
	line := storage.Access{Time: r.now().UTC(), Site: r.site, Caller: callerName(ctx), Method: method}
	if about, ok := ctx.Value(reachKey{}).(reach); ok {
		line.Site = about[0].site
	}
	if named, ok := req.(interface{ GetRequestId() string }); ok {
		line.RequestID = named.GetRequestId()
	}
	return casebook.NewAccess(line)
}

// end writes the line, unless it was written with what the call wrote.
func (r *record) end(a *casebook.Access, outcome string) {
	for _, line := range a.Lines(outcome) {
		if line.Method == "" {
			continue
		}
		if line.Detail == storage.AccessEmergency {
			r.log.Warn("READ IN AN EMERGENCY", zap.String("caller", line.Caller), zap.String("site", line.Site), zap.String("case", line.CaseUID), zap.String("outcome", outcome))
		}
		r.recorder.Add(line)
	}
}

// outcomeOf gives the outcome of a call; of one that ended by a fault of the program
// there is no error yet.
func outcomeOf(finished bool, err error) string {
	if !finished {
		return codes.Internal.String()
	}
	return status.Code(err).String()
}

func (r *record) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
	if !onRecord(info.FullMethod) {
		return handler(ctx, req)
	}
	a, finished := r.begin(ctx, shortMethod(info.FullMethod), req), false
	defer func() { r.end(a, outcomeOf(finished, err)) }()
	if aboutTheRecord[info.FullMethod] {
		r.recorder.Settle(ctx)
	}
	if err = r.admit(); err == nil || info.FullMethod == trigonev1.RecordService_GetCaseInEmergency_FullMethodName {
		resp, err = handler(casebook.WithAccess(ctx, a), req)
	}
	finished = true
	return resp, err
}

func (r *record) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
	if !onRecord(info.FullMethod) {
		return handler(srv, stream)
	}
	a, finished := r.begin(stream.Context(), shortMethod(info.FullMethod), nil), false
	defer func() { r.end(a, outcomeOf(finished, err)) }()
	if err = r.admit(); err == nil {
		begun := &begunStream{streamIn: streamIn{stream, casebook.WithAccess(stream.Context(), a)}, begun: func() { r.end(a, outcomeBegun) }}
		err = handler(srv, begun)
	}
	finished = true
	return err
}

// begunStream is a stream whose line is written before its first answer leaves: then it
// is known which site it is about.
type begunStream struct {
	streamIn
	begun func() // nil: the line is written
}

// SendMsg writes the line first.
func (s *begunStream) SendMsg(m any) error {
	if s.begun != nil {
		s.begun()
		s.begun = nil
	}
	return s.streamIn.SendMsg(m)
}

// refused writes the line of a call that somebody who is signed in was not let in to.
// Strangers are told of in the log alone: they could fill the disk.
func (r *record) refused(who, call, outcome string) {
	r.recorder.Add(storage.Access{Time: r.now().UTC(), Site: r.site, Caller: who, Method: call, Outcome: outcome})
}

// admit refuses what could not be put on record, as a status.
func (r *record) admit() error {
	var refusal *casebook.Error
	err := r.recorder.Admit()
	if errors.As(err, &refusal) {
		return refused(refusal)
	}
	return err
}

// http does the same for the REST face, which tells the route and refuses in its own
// form.
func (r *record) http(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		a, begin := r.begin(req.Context(), "", nil), time.Now()
		seen := &statusSeen{ResponseWriter: w, status: http.StatusInternalServerError}
		defer func() {
			line, _ := a.Line("")
			r.seen(cmp.Or(line.Method, otherHTTP), outcomeOfHTTP(seen.status), time.Since(begin))
			r.end(a, outcomeOfHTTP(seen.status))
		}()
		next.ServeHTTP(seen, req.WithContext(casebook.WithAccess(req.Context(), a)))
	})
}

func outcomeOfHTTP(status int) string {
	if status == http.StatusOK {
		return codes.OK.String()
	}
	return "HTTP " + strconv.Itoa(status)
}

type statusSeen struct {
	http.ResponseWriter
	status int
}

// WriteHeader notes the status.
func (s *statusSeen) WriteHeader(status int) {
	s.status = status
	s.ResponseWriter.WriteHeader(status)
}

// Unwrap lets http.ResponseController reach the connection.
func (s *statusSeen) Unwrap() http.ResponseWriter { return s.ResponseWriter }
