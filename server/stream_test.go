package server

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func heights(t testing.TB, step float64) *trigonev1.ExplorePlansRequest {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	return &trigonev1.ExplorePlansRequest{CaseFile: file, Axes: []*trigonev1.ExploredAxis{{
		Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
			Segment: trigonev1.Segment_SEGMENT_P2,
			Range:   &trigonev1.LengthGrid{MinMm: proto.Float64(5), MaxMm: proto.Float64(30), StepMm: proto.Float64(step)},
		}},
	}}}
}

func TestExplorePlansStreams(t *testing.T) {
	conn, logs := start(t)
	stream, err := trigonev1.NewPlanningServiceClient(conn).ExplorePlans(t.Context(), heights(t, 1))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; ; n++ {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if (n == 0) != (r.GetBasis() != nil) || n > 0 && r.GetVariant().GetIndex() != int32(n-1) {
			t.Fatalf("answer %d: %v", n, r)
		}
	}
	if n != 27 {
		t.Errorf("%d answers, want the basis and 26 variants", n)
	}
	if logs.FilterField(zap.String("method", trigonev1.PlanningService_ExplorePlans_FullMethodName)).FilterMessage("call").Len() != 1 {
		t.Error("the stream is not one line of the access log")
	}
}

func TestExplorePlansRefusalHasItsReason(t *testing.T) {
	conn, _ := start(t)
	stream, err := trigonev1.NewPlanningServiceClient(conn).ExplorePlans(t.Context(), heights(t, 0))
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	if st := status.Convert(err); st.Code() != codes.InvalidArgument || len(st.Details()) != 2 {
		t.Errorf("%v with %v", err, st.Details())
	}
}

// A client that goes away ends the calculation: the call's line in the log comes,
// as cancelled, long before 25,001 variants could have been sent.
func TestExplorePlansIsCancelled(t *testing.T) {
	conn, logs := start(t)
	ctx, cancel := context.WithCancel(t.Context())
	req := heights(t, 0.001)
	req.MaxVariants = 100000
	stream, err := trigonev1.NewPlanningServiceClient(conn).ExplorePlans(ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := stream.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	cancel()
	if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
		for err == nil { // what was under way when it was cancelled
			_, err = stream.Recv()
		}
		if status.Code(err) != codes.Canceled {
			t.Error(err)
		}
	}
	if all := called(logs, trigonev1.PlanningService_ExplorePlans_FullMethodName); len(all) != 1 || all[0].ContextMap()["code"] != codes.Canceled.String() {
		t.Errorf("the log has %v", all)
	}
	if logs.FilterLevelExact(zapcore.ErrorLevel).Len() > 0 {
		t.Error("a cancelled call is logged as a fault")
	}
}

func TestPanicInAStreamIsInternalWithoutContent(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	handler := func(any, grpc.ServerStream) error { panic("P-77 is in here") }
	err := recoverPanicStream(zap.New(core))(nil, nil, &grpc.StreamServerInfo{FullMethod: "/m"}, handler)
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "P-77") || logs.Len() != 1 {
		t.Error(err)
	}
}

// called gives the log's lines of calls of a method; the first is written a moment
// after its client knows that the call ended.
func called(logs *observer.ObservedLogs, method string) []observer.LoggedEntry {
	lines := func() []observer.LoggedEntry {
		return logs.FilterField(zap.String("method", method)).FilterMessage("call").All()
	}
	for range 1000 {
		if len(lines()) > 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return lines()
}
