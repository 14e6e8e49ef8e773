package main

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/status"
)

// requestIDHelp explains --request-id of every command that writes.
const requestIDHelp = "makes a retry safe: the same id with the same content is answered again (default: a new one, which is printed if it is needed)"

// outcomeUnknown: a write was sent, and what became of it was not answered.
type outcomeUnknown struct {
	error
	requestID string
}

// Unwrap gives what ended the call.
func (e outcomeUnknown) Unwrap() error { return e.error }

// write is call for what writes: every write has a request id, so that the same command
// can be sent again with it.
func (a *app) write(cmd *cobra.Command, requestID *string, do func(context.Context, services) error) error {
	return a.writeWithin(cmd, callTimeout, requestID, do)
}

func (a *app) writeWithin(cmd *cobra.Command, timeout time.Duration, requestID *string, do func(context.Context, services) error) error {
	if *requestID == "" {
		*requestID = uuid.NewString()
	}
	err := a.callWithin(cmd, timeout, do)
	if a.sent.Load() && unanswered(err) {
		return outcomeUnknown{err, *requestID}
	}
	return err
}

// outcomeUnknownReason is how the service says itself that it does not know.
const outcomeUnknownReason = "OUTCOME_UNKNOWN"

// unanswered says whether a call ended so that nobody said what became of it.
func unanswered(err error) bool {
	var told interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &told) {
		return false
	}
	switch info := infoOf(told.GRPCStatus()); told.GRPCStatus().Code() {
	case codes.DeadlineExceeded, codes.Canceled, codes.Unknown, codes.Internal:
		return true
	case codes.Unavailable:
		return info == nil || info.GetReason() == outcomeUnknownReason
	}
	return false
}

// sending notes whether a request left this program.
type sending struct{ atomic.Bool }

// TagRPC implements stats.Handler.
func (s *sending) TagRPC(ctx context.Context, _ *stats.RPCTagInfo) context.Context { return ctx }

// HandleRPC implements stats.Handler.
func (s *sending) HandleRPC(_ context.Context, what stats.RPCStats) {
	if _, left := what.(*stats.OutPayload); left {
		s.Store(true)
	}
}

// TagConn implements stats.Handler.
func (s *sending) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context { return ctx }

// HandleConn implements stats.Handler.
func (s *sending) HandleConn(context.Context, stats.ConnStats) {}

func (e outcomeUnknown) advice() string {
	return fmt.Sprintf("Send the same command again with --request-id %s: what was stored already is answered again, and nothing is stored twice.", e.requestID)
}
