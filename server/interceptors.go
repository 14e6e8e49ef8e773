package server

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

// errorDomain is the domain of every ErrorInfo.
const errorDomain = "trigone"

// accessLog writes one line a call: method, code, time taken. No message content
// is logged, so no patient identifier or free text can be.
func accessLog(log *zap.Logger) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
		err = logged(ctx, log, info.FullMethod, func() error {
			resp, err = handler(ctx, req)
			return err
		})
		return resp, err
	}
}

func logged(ctx context.Context, log *zap.Logger, method string, call func() error) error {
	begin := time.Now()
	err := call()
	log.Info("call", zap.String("method", method), zap.String("code", status.Code(err).String()),
		zap.Duration("took", time.Since(begin)), zap.String("caller", callerName(ctx)))
	return err
}

// recoverPanic turns a fault of the program into INTERNAL. The stack is logged;
// the value that was thrown is not, since it may hold content.
func recoverPanic(log *zap.Logger) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
		err = recovered(log, info.FullMethod, func() error {
			resp, err = handler(ctx, req)
			return err
		})
		return resp, err
	}
}

func recovered(log *zap.Logger, method string, call func() error) (err error) {
	defer func() {
		if thrown := recover(); thrown != nil {
			log.Error("fault of the program", zap.String("method", method), zap.ByteString("stack", debug.Stack()))
			err = internal()
		}
	}()
	return call()
}

// deadline bounds a call by the service's own deadline, where the client's is not the
// shorter one.
func deadline(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	timeout := callTimeout
	if strings.HasPrefix(info.FullMethod, "/"+trigonev1.AdministrationService_ServiceDesc.ServiceName+"/") {
		timeout = streamTimeout // what is erased is overwritten in the whole file
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	return handler(ctx, req)
}

// mapErrors is the one place where a refusal becomes a status.
func mapErrors(log *zap.Logger) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		resp, err := handler(ctx, req)
		if err = mapped(log, info.FullMethod, err); err != nil {
			return nil, err
		}
		return resp, nil
	}
}

func mapped(log *zap.Logger, method string, err error) error {
	var refusal *casebook.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &refusal):
		return refused(refusal)
	case errors.Is(err, context.DeadlineExceeded):
		return status.Error(codes.DeadlineExceeded, "the call took longer than its deadline; nothing more is done for it")
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "the call was cancelled")
	}
	log.Error("fault", zap.String("method", method), zap.Error(err))
	if fault := casebook.StoreFault(err, false); fault != nil {
		return refused(fault)
	}
	return internal()
}

// internal claims no more than is known: a fault may come after a write.
func internal() error {
	return status.Error(codes.Internal, "a fault of the service; its log tells more. Whether anything was stored is not known: read the case, or send the call again with the same request_id")
}

// retryAfter is when a call may be made again that found no room.
const retryAfter = 2 * time.Second

// busy refuses a call for want of room among those of its kind.
func busy(kind string) error {
	return &casebook.Error{Kind: casebook.Exhausted, Reason: casebook.ReasonBusy, RetryAfter: retryAfter,
		Message: fmt.Sprintf("as many %s as the service takes at once are in hand; nothing was stored; send the same again in a moment", kind)}
}

// codeOf gives the status code of a kind of refusal.
var codeOf = map[casebook.Kind]codes.Code{
	casebook.Invalid:            codes.InvalidArgument,
	casebook.NotFound:           codes.NotFound,
	casebook.AlreadyExists:      codes.AlreadyExists,
	casebook.FailedPrecondition: codes.FailedPrecondition,
	casebook.Aborted:            codes.Aborted,
	casebook.Unauthenticated:    codes.Unauthenticated,
	casebook.PermissionDenied:   codes.PermissionDenied,
	casebook.Exhausted:          codes.ResourceExhausted,
	casebook.Unavailable:        codes.Unavailable,
	casebook.DataLoss:           codes.DataLoss,
}

// mostViolations bounds what one refusal lists: details travel in a trailer, which
// clients limit, and a longer one would reach them as no reason at all.
const mostViolations = 40

func refused(e *casebook.Error) error {
	code, ok := codeOf[e.Kind]
	if !ok {
		return internal()
	}
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: e.Reason, Domain: errorDomain, Metadata: e.About}}
	if len(e.Violations) > 0 {
		bad := &errdetails.BadRequest{}
		for _, v := range e.Violations[:min(len(e.Violations), mostViolations)] {
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Path, Description: v.Message})
		}
		details = append(details, bad)
	}
	if e.RetryAfter > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(e.RetryAfter)})
	}
	message := e.Message
	if more := len(e.Violations) - mostViolations; more > 0 {
		message += fmt.Sprintf(" (%d more are not listed; mend the first %d and submit again)", more, mostViolations)
	}
	st, err := status.New(code, message).WithDetails(details...)
	if err != nil {
		return status.Error(code, e.Message)
	}
	return st.Err()
}
