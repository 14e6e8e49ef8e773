package server

import (
	"google.golang.org/grpc"

	trigonev1 "trigone/proto/trigone/v1"
)

func (auditService) ExtractTable(req *trigonev1.ExtractTableRequest, out grpc.ServerStreamingServer[trigonev1.ExtractTableResponse]) error {
	return stream(req, out, across(out.Context()).ledger().ExtractTable)
}
