package server

import (
	"context"
	"fmt"
	"net"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// The benchmarks run beside their floors, in turns inside one run, and report
// ratios of processor time: of all threads, client and collector included. The
// floors:
//
//   - in-process: the evaluation of the same case file, without store or network;
//   - echo: a bare server and client of gRPC, by which as many bytes go out and
//     come back.

var benchCases = []string{"triangular-complete-ring", "saddle-annulus"}

// processorTime is what this process has used so far.
func processorTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// spent adds the processor time of what is done n times to a sum.
func spent(b *testing.B, sum *time.Duration, n int, do func()) {
	before := processorTime(b)
	for range n {
		do()
	}
	*sum += processorTime(b) - before
}

func builtIn(b *testing.B) policy.Policy {
	b.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		b.Fatal(err)
	}
	return p
}

func caseFile(b *testing.B, name string) *trigonev1.CaseFile {
	b.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		b.Fatal(err)
	}
	return file
}

// echo gives a call over a bare connection that sends a request's bytes and
// brings back those of its answer.
func echo(b *testing.B, request, answer proto.Message) func() {
	b.Helper()
	wire := func(m proto.Message) *wrapperspb.BytesValue {
		raw, err := proto.Marshal(m)
		if err != nil {
			b.Fatal(err)
		}
		return wrapperspb.Bytes(raw)
	}
	in, out := wire(request), wire(answer)
	handler := func(_ any, _ context.Context, decode func(any) error, _ grpc.UnaryServerInterceptor) (any, error) {
		if err := decode(&wrapperspb.BytesValue{}); err != nil {
			return nil, err
		}
		return out, nil
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	bare := grpc.NewServer(grpc.ReadBufferSize(bufferBytes), grpc.WriteBufferSize(bufferBytes))
	bare.RegisterService(&grpc.ServiceDesc{
		ServiceName: "Bare", HandlerType: (*any)(nil), Methods: []grpc.MethodDesc{{MethodName: "Echo", Handler: handler}},
	}, struct{}{})
	go func() { _ = bare.Serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(); bare.Stop() })
	return func() {
		if err := conn.Invoke(b.Context(), "/Bare/Echo", in, &wrapperspb.BytesValue{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkEvaluatePlan is one caller who asks about a whole case.
func BenchmarkEvaluatePlan(b *testing.B) {
	const echoes = 20 // one is too short to be measured
	for _, name := range benchCases {
		b.Run(name, func(b *testing.B) {
			conn, _ := start(b)
			planning, clinical := trigonev1.NewPlanningServiceClient(conn), builtIn(b)
			request := &trigonev1.EvaluatePlanRequest{CaseFile: caseFile(b, name)}
			var answer *trigonev1.EvaluatePlanResponse
			ask := func() {
				var err error
				if answer, err = planning.EvaluatePlan(b.Context(), request); err != nil {
					b.Fatal(err)
				}
			}
			ask()
			bare := echo(b, request, answer)
			bare()
			evaluate := func() {
				if _, err := casebook.EvaluateFile(clinical, request.GetCaseFile(), Version()); err != nil {
					b.Fatal(err)
				}
			}
			evaluate()
			var asked, evaluated, echoed time.Duration
			for b.Loop() {
				spent(b, &asked, 1, ask)
				spent(b, &evaluated, 1, evaluate)
				spent(b, &echoed, echoes, bare)
			}
			b.ReportMetric(float64(asked.Microseconds())/float64(b.N), "cpu-us")
			b.ReportMetric(float64(echoed.Microseconds())/float64(b.N)/echoes, "echo-cpu-us")
			b.ReportMetric(float64(asked)/float64(echoed)*echoes, "x-echo")
			b.ReportMetric(float64(asked)/float64(evaluated), "x-in-process")
		})
	}
}

// BenchmarkSubmitCase is one caller who puts whole cases on record.
func BenchmarkSubmitCase(b *testing.B) {
	for _, name := range benchCases {
		b.Run(name, func(b *testing.B) {
			conn, _ := start(b)
			record, clinical := trigonev1.NewRecordServiceClient(conn), builtIn(b)
			var submitted, evaluated time.Duration
			for n := 0; b.Loop(); n++ {
				file := numbered(caseFile(b, name), n)
				spent(b, &submitted, 1, func() {
					if _, err := record.SubmitCase(b.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
						b.Fatal(err)
					}
				})
				spent(b, &evaluated, 1, func() {
					if _, err := casebook.EvaluateFile(clinical, file, Version()); err != nil {
						b.Fatal(err)
					}
				})
			}
			b.ReportMetric(float64(submitted.Microseconds())/float64(b.N), "cpu-us")
			b.ReportMetric(float64(submitted)/float64(evaluated), "x-in-process")
		})
	}
}

// BenchmarkSubmitCase32 is 32 callers who put whole cases on record as fast as
// they can: what they get done of the evaluations that as many callers get done
// in process.
func BenchmarkSubmitCase32(b *testing.B) {
	const callers, each = 32, 2
	conn, _ := start(b)
	record, clinical := trigonev1.NewRecordServiceClient(conn), builtIn(b)
	cases := 0
	var submitted, evaluated time.Duration
	for b.Loop() {
		files := make([]*trigonev1.CaseFile, callers*each)
		for i := range files {
			files[i] = numbered(caseFile(b, benchCases[0]), cases)
			cases++
		}
		submitted += together(callers, files, func(file *trigonev1.CaseFile) {
			if _, err := record.SubmitCase(b.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
				b.Error(err)
			}
		})
		evaluated += together(callers, files, func(file *trigonev1.CaseFile) {
			if _, err := casebook.EvaluateFile(clinical, file, Version()); err != nil {
				b.Error(err)
			}
		})
	}
	b.ReportMetric(float64(cases)/submitted.Seconds(), "submits/s")
	b.ReportMetric(float64(evaluated)/float64(submitted), "of-in-process")
}

// together gives the time until callers have done all, each its share in turn.
func together(callers int, files []*trigonev1.CaseFile, do func(*trigonev1.CaseFile)) time.Duration {
	begin := time.Now()
	var wg sync.WaitGroup
	for c := range callers {
		wg.Go(func() {
			for i := c; i < len(files); i += callers {
				do(files[i])
			}
		})
	}
	wg.Wait()
	return time.Since(begin)
}

// numbered makes a case file one of another case and patient.
func numbered(file *trigonev1.CaseFile, n int) *trigonev1.CaseFile {
	file.ExternalIdentifier.Value = fmt.Sprint("E-", n)
	file.PatientIdentifier.Value = fmt.Sprint("P-", n)
	return file
}
