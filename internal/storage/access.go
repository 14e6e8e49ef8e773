package storage

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Access is one line of the access record: who did what to which case, when, and
// what came of it. It holds no identifier of a patient and no text of a client but
// the request id and a reason, which stands apart. Lines are only ever added, and
// each has a hash of itself and the line before it.
type Access struct {
	Number int64 // from 1, without gaps; set by the store
	Time   time.Time
	Site   string
	Caller string
	Method string
	// CaseUID is the case that was read or written; empty where there was none or
	// several.
	CaseUID string
	// Cases is how many cases an answer about several told of.
	Cases     int64
	Outcome   string
	RequestID string
	// Detail is what the program says beside, in words of its own.
	Detail string
	// Concerns is the number of an earlier line that this one is about: the one that it
	// signs off, or the last one that was removed; 0: none.
	Concerns int64
	// Reason is why somebody read in an emergency: free text, kept apart, counts as
	// identifying. Its hash belongs to the line.
	Reason     string
	ReasonHash []byte // set by the store; nil: there was none
	Hash       []byte // set by the store
}

// AccessSelf is the caller of lines that the service itself writes.
const AccessSelf = "trigoned"

// Details of lines that a check of the chain reads.
const (
	// AccessRemoved: the lines up to the one it concerns were removed, as old as the
	// site keeps them.
	AccessRemoved = "earlier lines removed for their age"
	// AccessEmergency: what identifies was read while lines could not be written.
	AccessEmergency = "emergency"
	// AccessSignedOff: a reviewer saw the emergency line it concerns.
	AccessSignedOff = "signed off"
)

// FirstAccessHash is what stands for the hash before the first line of a chain.
func FirstAccessHash(chain []byte) []byte {
	sum := sha256.Sum256(append([]byte("access record\x00"), chain...))
	return sum[:]
}

// Chained gives the hash of a line behind the one whose hash is before. Number and
// ReasonHash are set.
func (a *Access) Chained(before []byte) []byte {
	b := make([]byte, 0, 256)
	b = append(b, before...)
	b = binary.AppendVarint(b, a.Number)
	b = binary.AppendVarint(b, a.Time.UnixNano())
	for _, s := range []string{a.Site, a.Caller, a.Method, a.CaseUID, a.Outcome, a.RequestID, a.Detail, string(a.ReasonHash)} {
		b = append(binary.AppendUvarint(b, uint64(len(s))), s...)
	}
	b = binary.AppendVarint(b, a.Cases)
	b = binary.AppendVarint(b, a.Concerns)
	sum := sha256.Sum256(b)
	return sum[:]
}

// Check says what makes it a line that no store may take.
func (a *Access) Check() error {
	switch {
	case a.Site == "" || a.Caller == "" || a.Method == "" || a.Outcome == "":
		return errors.New("a line of the access record names site, caller, method and outcome")
	case a.Time.IsZero() || a.Time.Before(MinTime) || a.Time.After(MaxTime):
		return errors.New("a line of the access record has a time that can be kept")
	case a.Cases < 0 || a.Concerns < 0:
		return errors.New("a line of the access record has no number below 0")
	}
	return nil
}

// AccessFilter selects lines; empty fields select all.
type AccessFilter struct {
	CaseUID string
	Caller  string
	// Number is that of one line; 0: all.
	Number int64
	// UnsignedEmergencies selects those that no line signs off.
	UnsignedEmergencies bool
}

// AccessHead is where a chain of lines ends.
type AccessHead struct {
	Chain  []byte // random, made with the store
	Number int64  // of the last line; 0: there is none
	Hash   []byte
}

// SignedHead is a head that was signed with a key that the store does not hold.
type SignedHead struct {
	AccessHead
	Time      time.Time
	Key       []byte // the public one, Ed25519
	Signature []byte
}

// Signed are the bytes that its signature is of.
func (h SignedHead) Signed() []byte {
	b := append([]byte("access head\x00"), h.Chain...)
	b = binary.AppendVarint(b, h.Number)
	b = binary.AppendVarint(b, h.Time.UnixNano())
	return append(b, h.Hash...)
}

const headWord = "head"

// String is the form in which a head is printed and given back.
func (h SignedHead) String() string {
	return strings.Join([]string{headWord, hex.EncodeToString(h.Chain), strconv.FormatInt(h.Number, 10), strconv.FormatInt(h.Time.UnixNano(), 10),
		hex.EncodeToString(h.Hash), hex.EncodeToString(h.Key), base64.RawURLEncoding.EncodeToString(h.Signature)}, ":")
}

// ParseSignedHead reads a head as it was printed.
func ParseSignedHead(text string) (h SignedHead, err error) {
	parts := strings.Split(strings.TrimSpace(text), ":")
	if len(parts) != 7 || parts[0] != headWord {
		return h, errors.New("a head of the access record is printed as head:CHAIN:NUMBER:TIME:HASH:KEY:SIGNATURE")
	}
	var nanos int64
	var errs [6]error
	h.Chain, errs[0] = hex.DecodeString(parts[1])
	h.Number, errs[1] = strconv.ParseInt(parts[2], 10, 64)
	nanos, errs[2] = strconv.ParseInt(parts[3], 10, 64)
	h.Hash, errs[3] = hex.DecodeString(parts[4])
	h.Key, errs[4] = hex.DecodeString(parts[5])
	h.Signature, errs[5] = base64.RawURLEncoding.DecodeString(parts[6])
	if err := errors.Join(errs[:]...); err != nil {
		return h, fmt.Errorf("a head of the access record cannot be read: %w", err)
	}
	h.Time = time.Unix(0, nanos).UTC()
	return h, nil
}
