package server

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// BenchmarkTrust is what TLS, identity and a signed access record cost on a read and on a
// submit, beside the same call of a server on loopback with none of them: in turns,
// processor time of client and server together, and time that passes. Each ratio is to
// 'none', whose access record is not signed; what its line costs by itself is
// BenchmarkLineOfARead here and BenchmarkLineOfAWrite of the store.
func BenchmarkTrust(b *testing.B) {
	key := keyFile(b)
	s := trust(b, func(text string) string { return text + "access_record: {key: " + key + "}\n" })
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
			for i, w := range ways[1:] {
				b.ReportMetric(float64(used[i+1])/float64(used[0]), w.name+"/none-cpu")
				b.ReportMetric(float64(took[i+1])/float64(took[0]), w.name+"/none-time")
			}
		})
	}
}
