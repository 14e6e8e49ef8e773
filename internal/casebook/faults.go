package casebook

import (
	"errors"
	"time"

	"trigone/internal/storage"
)

// storeFault is how a fault of the store is told: nothing of the case is.
type storeFault struct {
	err    error
	kind   Kind
	reason string        // a stable word for programs
	after  time.Duration // when to send the call again; 0: that alone does not help
	// what is wrong; ofCall and toReader say what became of a call and of a request
	// that only reads, and what to do.
	what, ofCall, toReader string
}

// storeFaults are tried in this order: an outcome that is not known has a cause too,
// whose sentence would claim that nothing was stored.
var storeFaults = []storeFault{
	{storage.ErrUnknownOutcome, Unavailable, "OUTCOME_UNKNOWN", time.Second, "the store failed while it ended the write",
		"; whether it was stored is not known: send it again with the same request_id, or read the case if it had none", ": ask again"},
	{storage.ErrFull, Exhausted, "STORE_FULL", 30 * time.Second, "the store's disk is full",
		"; nothing of this call was stored, and what is on record can be read: make room, and send it again with the same request_id", ": make room, and ask again"},
	{storage.ErrReadOnly, Unavailable, "STORE_READ_ONLY", 30 * time.Second, "the store can only be read",
		"; nothing of this call was stored: make it writable, start the service anew, and send the call again with the same request_id", ": make it writable, and start the service anew"},
	{storage.ErrDamaged, DataLoss, "STORE_DAMAGED", 0, "what is stored is missing, does not match its hash or cannot be read; nothing is answered from it",
		", and nothing of this call was stored: keep the damaged file, call trigoned verify, and set the store back to a backup",
		": keep the damaged file, call trigoned verify, and set the store back to a backup"},
	{storage.ErrBusy, Unavailable, "STORE_BUSY", time.Second, "another program writes to the store",
		"; nothing of this call was stored: send it again with the same request_id", ": ask again"},
	{storage.ErrAway, Unavailable, "STORE_AWAY", 10 * time.Second, "the store's file cannot be reached, or was deleted or replaced while the service runs",
		"; nothing of this call was stored: put the file back, or stop the service before a backup takes its place, and send the call again with the same request_id",
		": put the file back, or stop the service before a backup takes its place, and ask again"},
	{storage.ErrProjection, FailedPrecondition, reasonBetweenVersions, 0, betweenVersions, "; nothing was stored" + finishRebuild, finishRebuild},
	{storage.ErrNotProjected, FailedPrecondition, reasonBetweenVersions, 0, betweenVersions, "; nothing was stored" + finishRebuild, finishRebuild},
	{storage.ErrWhole, FailedPrecondition, reasonBetweenVersions, 0, betweenVersions, "; nothing was stored" + finishRebuild, finishRebuild},
}

const (
	reasonBetweenVersions = "STORE_BETWEEN_VERSIONS"
	betweenVersions       = "the store is between two versions of this software"
	finishRebuild         = ": finish trigoned rebuild with the newer one"
)

// StoreFault gives the refusal that a fault of the store is to a caller; nil: it is
// none. reads says that what was asked for never writes.
func StoreFault(err error, reads bool) *Error {
	for _, f := range storeFaults {
		if errors.Is(err, f.err) {
			says := f.what + f.ofCall
			if reads {
				says = f.what + f.toReader
			}
			return &Error{Kind: f.kind, Reason: f.reason, Message: says, RetryAfter: f.after}
		}
	}
	return nil
}
