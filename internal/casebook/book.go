// Package casebook does the work itself: it takes sections in, keeps every
// revision, evaluates the whole case with every write, answers what is on record
// and says what changed. It joins the store, the pure rooms and the policy, and
// knows neither gRPC nor FHIR nor a flag. Archive is what the other rooms that
// read the record share with it; storage is its only way to disk.
package casebook

import (
	"context"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Config is what a book works with.
type Config struct {
	Store  storage.Store
	Policy policy.Policy
	// Software is the version of this software, part of every evaluation.
	Software string
	// Now gives the time of receipt; nil: the system clock.
	Now func() time.Time
	// NewID gives a random id; nil: a version 4 UUID.
	NewID func() string
	// Projectors make the rows that other rooms read, with every write.
	Projectors []Projector
	// WriteNote writes the notes that are signed.
	WriteNote WriteNote
	// Turns are those of heavy work that several books share; nil: they are its own.
	Turns *Turns
}

// Book is the casebook of one site. It is safe for concurrent use.
type Book struct {
	*Archive

	software   string
	now        func() time.Time
	newID      func() string
	projectors []Projector
	writeNote  WriteNote
	turns      turns
}

// New gives a book on an open store.
func New(ctx context.Context, c Config) (*Book, error) {
	archive, err := openArchive(ctx, c.Store, c.Policy)
	if err != nil {
		return nil, err
	}
	if c.Turns != nil {
		archive.heavy = c.Turns.turns
	}
	if c.Now != nil {
		archive.Now = c.Now
	}
	b := &Book{Archive: archive, software: c.Software, now: c.Now, newID: c.NewID, projectors: c.Projectors, writeNote: c.WriteNote}
	if err := declare(ctx, c.Store, c.Projectors); err != nil {
		return nil, err
	}
	if b.now == nil {
		b.now = time.Now
	}
	if b.newID == nil {
		b.newID = uuid.NewString
	}
	return b, nil
}

// contentHash identifies a request by everything in it but its request id.
func (b *Book) contentHash(req proto.Message) ([]byte, error) {
	content := proto.Clone(req).ProtoReflect()
	content.Clear(content.Descriptor().Fields().ByName("request_id"))
	bytes, err := marshal(content.Interface())
	if err != nil {
		return nil, err
	}
	return b.KeyedHash([]byte(content.Descriptor().FullName()), bytes), nil
}

// marshal gives the same bytes for equal messages.
func marshal(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

func identifier(id *trigonev1.Identifier) storage.Identifier {
	return storage.Identifier{System: id.GetSystem(), Value: id.GetValue()}
}

// IdentifierMessage gives an identifier as the contract states it; nil: there is
// none.
func IdentifierMessage(id storage.Identifier) *trigonev1.Identifier {
	if id == (storage.Identifier{}) {
		return nil
	}
	return &trigonev1.Identifier{System: id.System, Value: id.Value}
}
