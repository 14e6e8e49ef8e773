package server

import (
	"context"
	"sync"

	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	grpcproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/convert"
)

const (
	// largeBytes: a request beyond it counts among the large ones, which have a
	// bound together. Few case files are larger, and those by their meshes.
	largeBytes = 256 << 10
	// largeBytesAtOnce bounds the bytes of the large requests that are in hand. What is
	// made of one takes several times as much.
	largeBytesAtOnce = maxMessageBytes
)

// intake is the codec of a server. It counts in a request on the wire before it
// makes anything of it. A codec can refuse by INTERNAL only; so it hands on an
// empty message and remembers why, and the interceptors refuse it.
type intake struct {
	encoding.CodecV2
	room *semaphore.Weighted
	// taken is what is known of a message between the codec and the interceptor.
	taken sync.Map // proto.Message -> receipt
}

// receipt is what the codec has to say of a message.
type receipt struct {
	refusal error
	weight  int64 // taken of the room of large ones
}

func newIntake() *intake {
	return &intake{CodecV2: encoding.GetCodecV2(grpcproto.Name), room: semaphore.NewWeighted(largeBytesAtOnce)}
}

// Unmarshal makes a message, if it is one that can be handled.
func (in *intake) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(proto.Message)
	if !ok {
		return in.CodecV2.Unmarshal(data, v)
	}
	// The copy is the one that decoding needs; it is not copied again.
	whole := data.MaterializeToBuffer(mem.DefaultBufferPool())
	defer whole.Free()
	if refusal := casebook.RefuseFields(convert.CheckWire(m, whole.ReadOnlyData())); refusal != nil {
		in.taken.Store(m, receipt{refusal: refusal})
		return nil
	}
	weight := int64(0)
	if n := int64(whole.Len()); n > largeBytes {
		if !in.room.TryAcquire(n) {
			in.taken.Store(m, receipt{refusal: busy("large requests")})
			return nil
		}
		weight = n
	}
	if err := in.CodecV2.Unmarshal(mem.BufferSlice{whole}, v); err != nil {
		in.room.Release(weight)
		return err
	}
	if weight > 0 {
		in.taken.Store(m, receipt{weight: weight})
	}
	return nil
}

// take gives why a message was refused, if it was, and what is to be done once
// nobody needs it any more.
func (in *intake) take(m any) (done func(), refusal error) {
	kept, found := in.taken.LoadAndDelete(m)
	if !found {
		return func() {}, nil
	}
	r := kept.(receipt)
	return func() { in.room.Release(r.weight) }, r.refusal
}

func (in *intake) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	done, refusal := in.take(req)
	defer done()
	if refusal != nil {
		return nil, refusal
	}
	return handler(ctx, req)
}

func (in *intake) stream(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	counted := &countedStream{ServerStream: stream, in: in, done: func() {}}
	defer func() { counted.done() }()
	return handler(srv, counted)
}

// countedStream is a stream whose requests are taken in as those of other calls.
type countedStream struct {
	grpc.ServerStream
	in   *intake
	done func() // with the newest request
}

func (s *countedStream) RecvMsg(m any) error {
	s.done()
	s.done = func() {}
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	var refusal error
	s.done, refusal = s.in.take(m)
	return refusal
}
