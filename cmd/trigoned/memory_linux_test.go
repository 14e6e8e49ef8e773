package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// alone starts a server as a process of its own, whose memory is its alone.
func alone(t *testing.T) (conn *grpc.ClientConn, pid int) {
	t.Helper()
	p := begin(t, filepath.Join(t.TempDir(), "s.db"))
	t.Cleanup(func() {
		if err := errors.Join(p.Process.Signal(syscall.SIGTERM), p.Wait()); err != nil {
			t.Errorf("%v\n%s", err, p.log)
		}
	})
	return dial(t, p.address), p.Process.Pid
}

// memory gives a figure of a process in MB: VmRSS is what it takes, VmHWM the most
// that it took.
func memory(t *testing.T, pid int, figure string) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, figure+":"); ok {
			kb, err := strconv.Atoi(strings.Fields(rest)[0])
			if err != nil {
				t.Fatal(err)
			}
			return kb >> 10
		}
	}
	t.Fatalf("no %s", figure)
	return 0
}

// asIs sends bytes as they are.
type asIs struct{}

func (asIs) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(v.([]byte))}, nil
}
func (asIs) Unmarshal(mem.BufferSlice, any) error { return nil }
func (asIs) Name() string                         { return "proto" }

// within wraps content into the fields that a path names, and gives the bytes of the
// innermost n times.
func within(m proto.Message, path string, n int, content []byte) []byte {
	var numbers []protowire.Number
	md := m.ProtoReflect().Descriptor()
	for name := range strings.SplitSeq(path, ".") {
		fd := md.Fields().ByName(protoreflect.Name(name))
		numbers = append(numbers, fd.Number())
		md = fd.Message()
	}
	for i, number := range slices.Backward(numbers) {
		content = protowire.AppendBytes(protowire.AppendTag(nil, number, protowire.BytesType), content)
		if i == len(numbers)-1 {
			content = bytes.Repeat(content, n)
		}
	}
	return content
}

// mostMB is the most memory that the server may take, whatever it is sent.
const mostMB = 300

// Requests that are small on the wire and large in memory are refused before
// anything is made of them, two at once.
func TestBombsTakeNoMemory(t *testing.T) {
	if raced {
		t.Skip("bounds of memory and time hold without the race detector; go test runs this test so")
	}
	const submit, evaluate, explore = trigonev1.RecordService_SubmitCase_FullMethodName,
		trigonev1.PlanningService_EvaluatePlan_FullMethodName, trigonev1.PlanningService_ExplorePlans_FullMethodName
	study := slices.Concat(within(&trigonev1.Study{}, "leaflets.heights", 64, nil), within(&trigonev1.Study{}, "leaflets.lesions", 32, nil),
		within(&trigonev1.Study{}, "chambers.wall_motion", 32, nil), within(&trigonev1.Study{}, "anterior_motion.manoeuvres", 32, nil))
	results := bytes.Repeat(within(&trigonev1.CaseFile{}, "results.study", 1, study), 64)
	advised := bytes.Repeat(within(&trigonev1.Advice{}, "results.study", 1, study), 64)
	for _, bomb := range []struct {
		why    string
		method string
		raw    []byte
	}{
		{"15 MB of empty steps", submit, within(&trigonev1.SubmitCaseRequest{}, "case_file.plan.steps", 7_500_000, nil)},
		{"15 MB of empty results", evaluate, within(&trigonev1.EvaluatePlanRequest{}, "case_file.results", 7_500_000, nil)},
		{"1 MB of lists within lists, each short enough", submit, within(&trigonev1.SubmitCaseRequest{}, "case_file", 1,
			bytes.Repeat(within(&trigonev1.CaseFile{}, "advice", 1, advised), 64))},
		{"8 MB of one section in pieces of a list", evaluate, within(&trigonev1.EvaluatePlanRequest{}, "case_file", 1,
			bytes.Repeat(within(&trigonev1.CaseFile{}, "plan.targets", 1, nil), 2_000_000))},
		{"15 MB of empty axes", explore, within(&trigonev1.ExplorePlansRequest{}, "axes", 7_500_000, nil)},
		{"1 MB of a list without a bound of its own", explore, within(&trigonev1.ExplorePlansRequest{}, "case_file.advice.freedom.unfit_steps", 500_000, nil)},
		{"64 kB of a list without a bound of its own", submit, within(&trigonev1.SubmitCaseRequest{}, "case_file.advice.answer.findings", 32_000, nil)},
		{"25 kB, wrong everywhere", evaluate, within(&trigonev1.EvaluatePlanRequest{}, "case_file", 1, results)},
	} {
		t.Run(bomb.why, func(t *testing.T) {
			conn, pid := alone(t)
			begin := time.Now()
			var both sync.WaitGroup
			for range 2 {
				both.Go(func() {
					if err := throw(t.Context(), conn, bomb.method, bomb.raw); status.Code(err) != codes.InvalidArgument || len(status.Convert(err).Details()) < 2 {
						t.Errorf("%v with %v", err, status.Convert(err).Details())
					}
				})
			}
			both.Wait()
			most := memory(t, pid, "VmHWM")
			t.Logf("%d bytes: at most %d MB, %v", len(bomb.raw), most, time.Since(begin))
			if most > mostMB {
				t.Errorf("took %d MB", most)
			}
		})
	}
}

// throw sends bytes to an RPC, as a stream or not, and waits for the end of the answer.
func throw(ctx context.Context, conn *grpc.ClientConn, method string, raw []byte) error {
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, method, grpc.ForceCodecV2(asIs{}))
	if err != nil {
		return err
	}
	if err := errors.Join(s.SendMsg(raw), s.CloseSend()); err != nil {
		return err
	}
	for {
		if err := s.RecvMsg(nil); err != nil {
			return err
		}
	}
}

// The largest requests that are legal stay within the same bound.
func TestLargestRequestsStayWithinBounds(t *testing.T) {
	if raced {
		t.Skip("bounds of memory and time hold without the race detector; go test runs this test so")
	}
	const largest = 15 << 20
	grown := func(entry func(i int) *trigonev1.Assessment) *trigonev1.CaseFile {
		file := &trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-1"}, Identity: &trigonev1.Identity{}}
		for size, i := 0, 0; i < 64; i++ {
			a := entry(i)
			a.Id = fmt.Sprint("a", i)
			if size += proto.Size(a); size > largest {
				break
			}
			file.Assessments = append(file.Assessments, a)
		}
		return file
	}
	shaped := func(leaflets int, surface func() *trigonev1.LeafletPoints) func(int) *trigonev1.Assessment {
		return func(int) *trigonev1.Assessment {
			shape := &trigonev1.AnnulusShape{}
			for range leaflets {
				shape.Leaflets = append(shape.Leaflets, surface())
			}
			return &trigonev1.Assessment{Study: &trigonev1.Study{Annulus: &trigonev1.Annulus{Shape: shape}}}
		}
	}
	for why, file := range map[string]*trigonev1.CaseFile{
		"points": grown(shaped(1, func() *trigonev1.LeafletPoints {
			p := &trigonev1.LeafletPoints{Leaflet: trigonev1.Leaflet_LEAFLET_ANTERIOR}
			for i := range 30000 {
				p.PointsMm = append(p.PointsMm, float64(i%97))
			}
			return p
		})),
		"triangles": grown(shaped(8, func() *trigonev1.LeafletPoints {
			p := &trigonev1.LeafletPoints{Leaflet: trigonev1.Leaflet_LEAFLET_ANTERIOR}
			for i := range 120 * 3 {
				p.PointsMm = append(p.PointsMm, float64(i%97))
			}
			for i := range 60000 {
				p.Triangles = append(p.Triangles, int32(i%120))
			}
			return p
		})),
	} {
		t.Run(why, func(t *testing.T) {
			conn, pid := alone(t)
			begin := time.Now()
			var both sync.WaitGroup
			var done atomic.Int32
			ask := func(_ any, err error) {
				switch status.Code(err) {
				case codes.OK:
					done.Add(1)
				case codes.ResourceExhausted: // while the other is in hand
				default:
					t.Error(err)
				}
			}
			both.Go(func() {
				ask(trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}))
			})
			both.Go(func() {
				ask(trigonev1.NewPlanningServiceClient(conn).EvaluatePlan(t.Context(), &trigonev1.EvaluatePlanRequest{CaseFile: file}))
			})
			both.Wait()
			if done.Load() == 0 {
				t.Error("none was answered")
			}
			most := memory(t, pid, "VmHWM")
			t.Logf("%d bytes: at most %d MB, %v", proto.Size(file), most, time.Since(begin))
			if most > mostMB {
				t.Errorf("took %d MB", most)
			}
		})
	}
}

// One caller who asks for everything at once takes no more memory than another, and
// gives back what there was once he has gone.
func TestManyExplorationsTakeNoMemory(t *testing.T) {
	if raced {
		t.Skip("bounds of memory and time hold without the race detector; go test runs this test so")
	}
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	wide := &trigonev1.ExplorePlansRequest{CaseFile: file, MaxVariants: 100000, Axes: []*trigonev1.ExploredAxis{{
		Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
			Segment: trigonev1.Segment_SEGMENT_P2,
			Range:   &trigonev1.LengthGrid{MinMm: proto.Float64(5), MaxMm: proto.Float64(30), StepMm: proto.Float64(0.001)},
		}},
	}}}
	raw, err := proto.Marshal(wide)
	if err != nil {
		t.Fatal(err)
	}
	conn, pid := alone(t)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	var all sync.WaitGroup
	var refused atomic.Int32
	for range 64 {
		all.Go(func() {
			if status.Code(throw(ctx, conn, trigonev1.PlanningService_ExplorePlans_FullMethodName, raw)) == codes.ResourceExhausted {
				refused.Add(1)
			}
		})
	}
	all.Wait()
	most := memory(t, pid, "VmHWM")
	if most > mostMB || refused.Load() == 0 {
		t.Errorf("took %d MB, refused %d of 64", most, refused.Load())
	}
	// The next one finds the server free.
	if _, err := trigonev1.NewPlanningServiceClient(conn).EvaluatePlan(t.Context(), &trigonev1.EvaluatePlanRequest{CaseFile: file}); err != nil {
		t.Error(err)
	}
	t.Logf("at most %d MB, %d MB afterwards, %d refused", most, memory(t, pid, "VmRSS"), refused.Load())
}
