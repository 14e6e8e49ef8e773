package server

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// BenchmarkTrust is what TLS and identity cost on a read and on a submit, beside the
// same call of a server on loopback without any: in turns, processor time of client and
// server together.
func BenchmarkTrust(b *testing.B) {
	s := trust(b, nil)
	token := s.as("both")
	plain, _ := start(b)
	ways := []struct {
		name string
		conn *grpc.ClientConn
		ctx  context.Context
	}{{"none", plain, b.Context()}, {"token", s.conn(""), token}, {"certificate", s.conn("quay"), b.Context()}}
	file := caseFile(b, "triangular-complete-ring")
	names := make([]string, len(ways))
	submit := func(i int) {
		file := proto.CloneOf(file)
		file.ExternalIdentifier = nil
		file.PatientIdentifier.Value = "P-" + time.Now().String()
		made, err := trigonev1.NewRecordServiceClient(ways[i].conn).SubmitCase(ways[i].ctx, &trigonev1.SubmitCaseRequest{Parent: "sites/harbour", CaseFile: file})
		if err != nil {
			b.Fatal(err)
		}
		names[i] = made.GetCaseName()
	}
	read := func(i int) {
		if _, err := trigonev1.NewRecordServiceClient(ways[i].conn).GetCase(ways[i].ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: names[i]}}); err != nil {
			b.Fatal(err)
		}
	}
	for i := range ways {
		submit(i)
	}
	for _, call := range []struct {
		name string
		n    int
		do   func(int)
	}{{"read", 50, read}, {"submit", 5, submit}} {
		b.Run(call.name, func(b *testing.B) {
			used := make([]time.Duration, len(ways))
			took := make([]time.Duration, len(ways))
			for b.Loop() {
				for i := range ways {
					begin := time.Now()
					spent(b, &used[i], call.n, func() { call.do(i) })
					took[i] += time.Since(begin)
				}
			}
			for i, w := range ways {
				b.ReportMetric(float64(used[i].Microseconds())/float64(b.N*call.n), w.name+"-cpu-µs")
				b.ReportMetric(float64(took[i].Microseconds())/float64(b.N*call.n), w.name+"-µs")
			}
			b.ReportMetric(float64(used[1])/float64(used[0]), "token/none")
			b.ReportMetric(float64(used[2])/float64(used[0]), "certificate/none")
		})
	}
}
