package storage

import (
	"encoding/binary"
	"time"
)

// Retention says until when is kept what is not kept for good: what is older is over
// its time. Zero: nothing of that kind is.
type Retention struct {
	// Quarantine is of the bodies of quarantined submits that were filed or discarded,
	// and of the reasons given for it, by the time of that decision.
	Quarantine time.Time
	// Requests is of the rows by which a request that is sent again is known.
	Requests time.Time
	// Accesses is of lines of the access record, at every site of the store.
	Accesses time.Time
}

// Expired is what of one kind is over its time.
type Expired struct {
	// Count is how many go, and Oldest the time of the oldest of them; zero: none.
	Count  int64
	Oldest time.Time
	// Held is how many are kept all the same, because somebody has yet to see to them.
	Held       int64
	OldestHeld time.Time
}

// Expiry is what is over its time. Of the access record the lines of one site are
// counted; the lines that go are those of every site.
type Expiry struct {
	Quarantine, Requests, Accesses Expired
	// Cut is the last line that goes; its Number is 0 where none does.
	Cut AccessHead
	// HeldBy is the number of the line behind which lines are held: a read in an
	// emergency that nobody signed off; 0: none is.
	HeldBy int64
}

// AccessCut is the mark of where the access record was cut: the lines up to one were
// removed, because they were older than lines are kept. It is signed, so that nobody
// without the key can remove lines and say that it was for their age.
type AccessCut struct {
	AccessHead // the last line that was removed, with its hash
	// Before is the time before which lines were removed; Time, Site and Caller say when,
	// where and by whom.
	Before, Time time.Time
	Site, Caller string
	Key          []byte // the public one, Ed25519
	Signature    []byte
}

// Signed are the bytes that its signature is of.
func (c AccessCut) Signed() []byte {
	b := append([]byte("access cut\x00"), c.Chain...)
	b = binary.AppendVarint(b, c.Number)
	b = binary.AppendVarint(b, c.Before.UnixNano())
	b = binary.AppendVarint(b, c.Time.UnixNano())
	for _, s := range []string{c.Site, c.Caller} {
		b = append(binary.AppendUvarint(b, uint64(len(s))), s...)
	}
	return append(b, c.Hash...)
}
