package server

import (
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"trigone/internal/storage"
)

// storeFault is how a fault of the store is answered: nothing of the case is told.
type storeFault struct {
	err    error
	code   codes.Code
	reason string        // a stable word for programs
	after  time.Duration // when to send the call again; 0: that alone does not help
	says   string
}

// storeFaults are tried in this order: an outcome that is not known has a cause too,
// whose sentence would claim that nothing was stored.
var storeFaults = []storeFault{
	{storage.ErrUnknownOutcome, codes.Unavailable, "OUTCOME_UNKNOWN", time.Second,
		"the store failed while it ended the write; whether it was stored is not known: send it again with the same request_id, or read the case if it had none"},
	{storage.ErrFull, codes.ResourceExhausted, "STORE_FULL", 30 * time.Second,
		"the store's disk is full; nothing of this call was stored, and what is on record can be read: make room, and send it again with the same request_id"},
	{storage.ErrReadOnly, codes.Unavailable, "STORE_READ_ONLY", 30 * time.Second,
		"the store can only be read; nothing of this call was stored: make it writable, start the service anew, and send the call again with the same request_id"},
	{storage.ErrDamaged, codes.DataLoss, "STORE_DAMAGED", 0,
		"what is stored does not match its hash or cannot be read; nothing is answered from it, and nothing of this call was stored: keep the damaged file, call trigoned verify, and set the store back to a backup"},
	{storage.ErrBusy, codes.Unavailable, "STORE_BUSY", time.Second,
		"another program writes to the store; nothing of this call was stored: send it again with the same request_id"},
	{storage.ErrAway, codes.Unavailable, "STORE_AWAY", 10 * time.Second,
		"the store's file cannot be reached, or was deleted or replaced while the service runs; nothing of this call was stored: put the file back, or stop the service before a backup takes its place, and send the call again with the same request_id"},
	{storage.ErrProjection, codes.FailedPrecondition, reasonBetweenVersions, 0, betweenVersions},
	{storage.ErrNotProjected, codes.FailedPrecondition, reasonBetweenVersions, 0, betweenVersions},
	{storage.ErrWhole, codes.FailedPrecondition, reasonBetweenVersions, 0, betweenVersions},
}

const (
	reasonBetweenVersions = "STORE_BETWEEN_VERSIONS"
	betweenVersions       = "the store is between two versions of this software; nothing was stored: finish trigoned rebuild with the newer one"
)

func (f storeFault) status() error {
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: f.reason, Domain: errorDomain}}
	if f.after > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(f.after)})
	}
	st, err := status.New(f.code, f.says).WithDetails(details...)
	if err != nil {
		return status.Error(f.code, f.says)
	}
	return st.Err()
}
