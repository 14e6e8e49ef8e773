package server

import (
	"context"
	"errors"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// large is a request that counts among the large ones.
func large(t *testing.T) *trigonev1.SubmitCaseRequest {
	t.Helper()
	req := &trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{}}
	for proto.Size(req) <= largeBytes {
		surface := &trigonev1.LeafletPoints{PointsMm: make([]float64, 30000)}
		req.CaseFile.Results = append(req.CaseFile.Results, &trigonev1.Result{Study: &trigonev1.Study{
			Annulus: &trigonev1.Annulus{Shape: &trigonev1.AnnulusShape{Leaflets: []*trigonev1.LeafletPoints{surface}}},
		}})
	}
	return req
}

func wire(t *testing.T, m proto.Message) mem.BufferSlice {
	t.Helper()
	raw, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return mem.BufferSlice{mem.SliceBuffer(raw)}
}

// Large requests have a room together, and whatever becomes of one gives it back.
func TestTheRoomOfLargeRequestsIsGivenBack(t *testing.T) {
	in := newIntake()
	sound, req := wire(t, large(t)), &trigonev1.SubmitCaseRequest{}
	if err := in.Unmarshal(sound, req); err != nil {
		t.Fatal(err)
	}
	if in.room.TryAcquire(largeBytesAtOnce) {
		t.Fatal("a large request takes no room")
	}
	if _, err := in.unary(t.Context(), req, nil, func(_ context.Context, got any) (any, error) {
		if !proto.Equal(got.(proto.Message), large(t)) {
			t.Error("another request arrives")
		}
		return nil, errors.New("whatever")
	}); err == nil {
		t.Error("the error is lost")
	}
	if !in.room.TryAcquire(largeBytesAtOnce) {
		t.Fatal("an answered request keeps its room")
	}

	req = &trigonev1.SubmitCaseRequest{}
	if err := in.Unmarshal(sound, req); err != nil {
		t.Fatal(err)
	}
	_, refusal := in.take(req)
	st := status.Convert(mapped(nil, "", refusal))
	if st.Code() != codes.ResourceExhausted || len(st.Details()) != 2 {
		t.Fatalf("no room: %v with %v", refusal, st.Details())
	}
	if retry, ok := st.Details()[1].(*errdetails.RetryInfo); !ok || retry.GetRetryDelay().AsDuration() != retryAfter {
		t.Errorf("the delay is %v", st.Details()[1])
	}
	in.room.Release(largeBytesAtOnce)

	broken := mem.BufferSlice{mem.SliceBuffer(append(sound.Materialize(), 0x0a))}
	if err := in.Unmarshal(broken, &trigonev1.SubmitCaseRequest{}); err == nil {
		t.Error("what is cut off is taken")
	}
	if !in.room.TryAcquire(largeBytesAtOnce) {
		t.Error("a request that is none keeps its room")
	}
	in.taken.Range(func(m, _ any) bool {
		t.Errorf("%T is remembered", m)
		return true
	})
}

// A stream gives back the room of its request when it ends.
func TestAStreamGivesBackTheRoomOfItsRequest(t *testing.T) {
	in := newIntake()
	raw := wire(t, large(t))
	handler := func(_ any, s grpc.ServerStream) error {
		if err := s.RecvMsg(&trigonev1.SubmitCaseRequest{}); err != nil {
			t.Error(err)
		}
		if in.room.TryAcquire(largeBytesAtOnce) {
			t.Error("a large request takes no room")
		}
		return nil
	}
	if err := in.stream(nil, arrived{in: in, raw: raw}, nil, handler); err != nil {
		t.Error(err)
	}
	if !in.room.TryAcquire(largeBytesAtOnce) {
		t.Error("the stream keeps the room")
	}
}

// arrived is a stream on which one request arrived.
type arrived struct {
	grpc.ServerStream
	in  *intake
	raw mem.BufferSlice
}

func (r arrived) RecvMsg(m any) error { return r.in.Unmarshal(r.raw, m) }
