package server

import (
	"context"
	"errors"
	"io"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// unread takes answers and makes nothing of them, so that who attacks costs little
// beside what is attacked.
type unread struct{}

func (unread) Marshal(v any) (mem.BufferSlice, error) {
	raw, err := proto.Marshal(v.(proto.Message))
	return mem.BufferSlice{mem.SliceBuffer(raw)}, err
}
func (unread) Unmarshal(mem.BufferSlice, any) error { return nil }
func (unread) Name() string                         { return "proto" }

// drain makes a call and reads its answers to the end.
func drain(ctx context.Context, conn *grpc.ClientConn, method string, req proto.Message) error {
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, method, grpc.ForceCodecV2(unread{}))
	if err != nil {
		return err
	}
	if err := errors.Join(s.SendMsg(req), s.CloseSend()); err != nil {
		return err
	}
	for {
		switch err := s.RecvMsg(nil); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
	}
}

// BenchmarkOthersUnderAttack is one caller who reads a case while another one, of 64
// hands, asks for what is heavy as fast as it can: the 99th of 100 answers beside
// that of a quiet server.
func BenchmarkOthersUnderAttack(b *testing.B) {
	const hands, reads = 64, 100
	conn, _, running := startWith(b, Options{HTTPListen: "127.0.0.1:0"})
	made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(b.Context(), &trigonev1.SubmitCaseRequest{CaseFile: caseFile(b, benchCases[0])})
	if err != nil {
		b.Fatal(err)
	}
	one := &trigonev1.CaseReference{Name: made.GetCaseName()}
	wide := heights(b, 0.001)
	wide.MaxVariants = 100000
	attacks := []struct {
		kind   string
		method string
		req    proto.Message
	}{
		{"explore", trigonev1.PlanningService_ExplorePlans_FullMethodName, wide},
		{"bundle", trigonev1.ElectronicRecordService_GetBundle_FullMethodName, &trigonev1.GetBundleRequest{Case: one}},
		{"note", trigonev1.ElectronicRecordService_GetOperativeNote_FullMethodName, &trigonev1.GetOperativeNoteRequest{Case: one, Format: trigonev1.NoteFormat_NOTE_FORMAT_PDF}},
		{"export", trigonev1.ElectronicRecordService_ExportResources_FullMethodName, &trigonev1.ExportResourcesRequest{}},
		{"search", "", nil},
	}
	read := func() (median, p99 time.Duration) {
		var took []time.Duration
		for range reads {
			begin := time.Now()
			if _, err := trigonev1.NewRecordServiceClient(conn).GetCase(b.Context(), &trigonev1.GetCaseRequest{Case: one}); err != nil {
				b.Fatal(err)
			}
			took = append(took, time.Since(begin))
		}
		slices.Sort(took)
		return took[reads/2], took[reads*99/100]
	}
	for _, attack := range attacks {
		b.Run(attack.kind, func(b *testing.B) {
			hostile, err := grpc.NewClient(conn.Target(), grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				b.Fatal(err)
			}
			var quiet, attacked, quietMedian, attackedMedian time.Duration
			for b.Loop() {
				median, p99 := read()
				quiet, quietMedian = quiet+p99, quietMedian+median
				ctx, stop := context.WithCancel(b.Context())
				var all sync.WaitGroup
				for range hands {
					all.Go(func() {
						for ctx.Err() == nil {
							if attack.req != nil {
								_ = drain(ctx, hostile, attack.method, attack.req) // refused or not
								continue
							}
							ask, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+running.RESTAddr()+"/fhir/Observation?_count=1000", nil)
							if err != nil {
								b.Error(err)
								return
							}
							if got, err := http.DefaultClient.Do(ask); err == nil {
								_, _ = io.Copy(io.Discard, got.Body)
								_ = got.Body.Close()
							}
						}
					})
				}
				time.Sleep(time.Second / 2) // until they are all at it
				median, p99 = read()
				attacked, attackedMedian = attacked+p99, attackedMedian+median
				stop()
				all.Wait()
			}
			if err := hostile.Close(); err != nil {
				b.Error(err)
			}
			b.ReportMetric(float64(quiet.Microseconds())/float64(b.N), "quiet-p99-us")
			b.ReportMetric(float64(attacked.Microseconds())/float64(b.N), "attacked-p99-us")
			b.ReportMetric(float64(attacked)/float64(quiet), "p99-x-quiet")
			b.ReportMetric(float64(attackedMedian)/float64(quietMedian), "median-x-quiet")
		})
	}
}
