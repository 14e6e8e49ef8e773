package server

import (
	"testing"
	"time"

	"trigone/internal/access"
	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// BenchmarkLineOfARead prints what the line of the access record adds to a read of a
// case, in turns with the same read without one; the lines are written beside it.
func BenchmarkLineOfARead(b *testing.B) {
	conn, _, running := startWith(b, Options{AccessKeyFile: keyFile(b)})
	file, err := testdata.Read(testdata.Cases, "saddle-annulus")
	if err != nil {
		b.Fatal(err)
	}
	answer, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(b.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		b.Fatal(err)
	}
	p, err := policy.BuiltIn()
	if err != nil {
		b.Fatal(err)
	}
	book, err := casebook.New(b.Context(), casebook.Config{Store: running.store, Policy: p, Projectors: projectors()})
	if err != nil {
		b.Fatal(err)
	}
	req := &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: answer.GetCaseName()}}
	who := casebook.Principal{Name: localName}
	var with, without time.Duration
	read := func(line bool) time.Duration {
		begin, ctx := time.Now(), b.Context()
		var a *casebook.Access
		if line {
			if err := running.recorder.Admit(); err != nil {
				b.Fatal(err)
			}
			a = casebook.NewAccess(storage.Access{Time: begin, Site: p.Settings.Site, Caller: access.Self, Method: "RecordService/GetCase"})
			ctx = casebook.WithAccess(ctx, a)
		}
		if _, err := book.GetCase(ctx, who, req); err != nil {
			b.Fatal(err)
		}
		if line {
			l, _ := a.Line("OK")
			running.recorder.Add(l)
		}
		return time.Since(begin)
	}
	for b.Loop() {
		without += read(false)
		with += read(true)
	}
	b.ReportMetric(float64(with)/float64(without), "with/without")
	b.ReportMetric(float64(with-without)/float64(b.N)/1000, "us/line")
}
