package server

import (
	"context"
	"errors"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
)

func TestARoomThatIsFullRefuses(t *testing.T) {
	h := newHeavy(map[string]room{"x": {3, 10 * time.Millisecond}, "y": {1, time.Hour}}, newLimits())
	leave, err := h.enter(t.Context(), weighed{"x", 2})
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.enter(t.Context(), weighed{"x", 2})
	st := status.Convert(mapped(nil, "", err))
	if st.Code() != codes.ResourceExhausted || len(st.Details()) != 2 {
		t.Fatalf("%v with %v", st, st.Details())
	}
	if retry, ok := st.Details()[1].(*errdetails.RetryInfo); !ok || retry.GetRetryDelay().AsDuration() <= 0 {
		t.Errorf("no delay in %v", st.Details())
	}
	for _, w := range []weighed{{"x", 1}, {"y", 1}, {}} {
		if _, err := h.enter(t.Context(), w); err != nil {
			t.Errorf("%v: %v", w, err)
		}
	}
	leave()
	if _, err := h.enter(t.Context(), weighed{"x", 2}); err != nil {
		t.Errorf("what was left stays taken: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(10*time.Millisecond, cancel)
	if _, err := h.enter(ctx, weighed{"y", 1}); !errors.Is(err, context.Canceled) {
		t.Errorf("a caller who went away: %v", err)
	}
}

// What is in the tables belongs together, and no call weighs more than its room.
func TestHeavyCallsFitIntoTheirRooms(t *testing.T) {
	all := map[string]bool{}
	for _, m := range declared() {
		all["/"+string(m.Parent().FullName())+"/"+string(m.Name())] = true
	}
	for method, w := range heavyMethods {
		if r, ok := rooms()[w.kind]; !all[method] || !ok || w.weight < 1 || w.weight > r.size {
			t.Errorf("%s weighs %v in a room of %v", method, w, r)
		}
	}
}

// Explorations that nobody reads keep others of their kind out, and nobody else; one
// that ends makes room.
func TestExplorationsKeepNobodyElseOut(t *testing.T) {
	conn, _ := start(t)
	planning := trigonev1.NewPlanningServiceClient(conn)
	made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: heights(t, 1).GetCaseFile()})
	if err != nil {
		t.Fatal(err)
	}
	wide := heights(t, 0.001)
	wide.MaxVariants = 100000
	begin := func() (grpc.ServerStreamingClient[trigonev1.ExplorePlansResponse], context.CancelFunc, error) {
		ctx, cancel := context.WithCancel(t.Context())
		s, err := planning.ExplorePlans(ctx, wide)
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Recv()
		return s, cancel, err
	}
	var cancels []context.CancelFunc
	for range rooms()[explorations].size {
		_, cancel, err := begin()
		cancels = append(cancels, cancel)
		if err != nil {
			t.Fatal(err)
		}
	}
	_, cancel, err := begin()
	cancel()
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("one more: %v", err)
	}
	one := &trigonev1.CaseReference{Name: made.GetCaseName()}
	if _, err := trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(t.Context(), &trigonev1.GetBundleRequest{Case: one}); err != nil {
		t.Errorf("a bundle: %v", err)
	}
	cancels[0]()
	if _, cancel, err = begin(); err != nil {
		t.Errorf("after one has ended: %v", err)
	}
	cancel()
	for _, cancel := range cancels {
		cancel()
	}
}

// The shorter deadline counts, the client's or the service's own.
func TestTheShorterDeadlineCounts(t *testing.T) {
	for _, tt := range []struct{ client, want time.Duration }{{time.Hour, callTimeout}, {time.Second, time.Second}} {
		ctx, cancel := context.WithTimeout(t.Context(), tt.client)
		defer cancel()
		if _, err := deadline(ctx, nil, &grpc.UnaryServerInfo{}, func(ctx context.Context, _ any) (any, error) {
			end, _ := ctx.Deadline()
			if left := time.Until(end); left > tt.want || left < tt.want-time.Second {
				t.Errorf("a client's %v leaves %v, want %v", tt.client, left, tt.want)
			}
			return nil, nil
		}); err != nil {
			t.Error(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 48*time.Hour)
	defer cancel()
	for method, want := range map[string]time.Duration{
		trigonev1.PlanningService_ExplorePlans_FullMethodName:            streamTimeout,
		trigonev1.ElectronicRecordService_ExportResources_FullMethodName: exportTimeout,
	} {
		if err := deadlineStream(nil, streamIn{nil, ctx}, &grpc.StreamServerInfo{FullMethod: method}, func(_ any, s grpc.ServerStream) error {
			if end, _ := s.Context().Deadline(); time.Until(end) > want {
				t.Errorf("%s may take %v", method, time.Until(end))
			}
			return nil
		}); err != nil {
			t.Error(err)
		}
	}
}
