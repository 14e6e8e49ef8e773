package server

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
)

// extracted receives an extract whole.
func extracted(ctx context.Context, client trigonev1.AuditServiceClient, req *trigonev1.ExtractTableRequest) (rows int, err error) {
	stream, err := client.ExtractTable(ctx, req)
	for err == nil {
		var part *trigonev1.ExtractTableResponse
		if part, err = stream.Recv(); err == nil {
			rows += len(part.GetRows().GetRows())
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return rows, err
}

// Tables are for auditors; the hospital's numbers in them for who is a reviewer too, and
// the access record says which were given.
func TestCaseNumbersInExtractsNeedAReviewer(t *testing.T) {
	s := trust(t, func(text string) string {
		return strings.Replace(text, "harbour: {roles: [auditor]}", "harbour: {roles: [auditor, reviewer]}", 1)
	})
	conn := s.conn("")
	s.fill(conn)
	client := trigonev1.NewAuditServiceClient(conn)
	for _, r := range []struct {
		subject string
		numbers bool
		code    codes.Code
	}{
		{"harbour-auditor", false, codes.OK},
		{"harbour-auditor", true, codes.PermissionDenied},
		{"harbour-reviewer", false, codes.PermissionDenied},
		{"mixed", true, codes.OK},
	} {
		rows, err := extracted(s.as(r.subject), client, &trigonev1.ExtractTableRequest{Parent: "sites/harbour", WithCaseNumbers: r.numbers})
		if status.Code(err) != r.code || (r.code == codes.OK) != (rows > 0) {
			t.Errorf("%s, with numbers %v: %d rows, %v", r.subject, r.numbers, rows, err)
		}
	}
	lines, err := client.ListAccesses(s.as("both"), &trigonev1.ListAccessesRequest{Parent: "sites/harbour", PageSize: 500})
	s.ok(err)
	details := map[string]int{}
	for _, a := range lines.GetAccesses() {
		if a.GetMethod() == "AuditService/ExtractTable" {
			details[a.GetDetail()+" "+a.GetOutcome()]++
		}
	}
	for _, want := range []string{"profile department OK", "profile department, with case numbers OK"} {
		if details[want] != 1 {
			t.Errorf("lines of the access record: %v, want one of %s", details, want)
		}
	}
}
