package server

import (
	"context"
	"errors"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	trigonev1 "trigone/proto/trigone/v1"
)

// The stream interceptors do for a call that answers many times what those of
// interceptors.go do for one that answers once.

func accessLogStream(log *zap.Logger) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		return logged(stream.Context(), log, info.FullMethod, func() error { return handler(srv, stream) })
	}
}

func recoverPanicStream(log *zap.Logger) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		return recovered(log, info.FullMethod, func() error { return handler(srv, stream) })
	}
}

func mapErrorsStream(log *zap.Logger) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		in := &receiving{ServerStream: stream}
		err := handler(srv, in)
		if !strings.HasPrefix(info.FullMethod, ownServices) {
			return err // of health and reflection, which answer by status codes
		}
		if in.failed != nil && errors.Is(err, in.failed) {
			return err // the transport's own word for bytes that are no request
		}
		return mapped(log, info.FullMethod, err)
	}
}

// receiving is a stream that remembers why no message could be taken from it.
type receiving struct {
	grpc.ServerStream
	failed error
}

func (s *receiving) RecvMsg(m any) error {
	s.failed = s.ServerStream.RecvMsg(m)
	return s.failed
}

// streamTimeout bounds a stream of ours, whatever its client asks for: the largest
// exploration and more. Watching over health, and reflection, have no end.
const streamTimeout = 10 * time.Minute

// exportTimeout bounds an export and an extract: they walk through
// the whole record.
const exportTimeout = 24 * time.Hour

const ownServices = "/trigone."

func deadlineStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	if !strings.HasPrefix(info.FullMethod, ownServices) {
		return handler(srv, stream)
	}
	timeout := streamTimeout
	switch info.FullMethod {
	case trigonev1.ElectronicRecordService_ExportResources_FullMethodName, trigonev1.AuditService_ExtractTable_FullMethodName:
		timeout = exportTimeout
	}
	ctx, cancel := context.WithTimeout(stream.Context(), timeout)
	defer cancel()
	return handler(srv, streamIn{stream, ctx})
}

// streamIn is a stream with a context of its own.
type streamIn struct {
	grpc.ServerStream
	ctx context.Context
}

// Context gives that context.
func (s streamIn) Context() context.Context { return s.ctx }
