// Package casebook does the work itself: it takes sections in, keeps every
// revision, evaluates the whole case with every write, answers what is on record
// and says what changed. It joins the store, the pure rooms and the policy, and
// knows neither gRPC nor a flag. The server, the demo and the command line call
// it; storage is its only way to disk.
package casebook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/internal/convert"
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
	// DeIdentifier makes de-identified bundles; nil: none are made.
	DeIdentifier *fhirmap.DeIdentifier
}

// Book is the casebook of one site. It is safe for concurrent use.
type Book struct {
	store    storage.Store
	policy   policy.Policy
	software string
	now      func() time.Time
	newID    func() string
	secret   []byte

	deIdentifier *fhirmap.DeIdentifier
}

// New gives a book on an open store.
func New(ctx context.Context, c Config) (*Book, error) {
	secret, err := c.Store.Secret(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the store's secret: %w", err)
	}
	b := &Book{store: c.Store, policy: c.Policy, software: c.Software, now: c.Now, newID: c.NewID, secret: secret, deIdentifier: c.DeIdentifier}
	if b.now == nil {
		b.now = time.Now
	}
	if b.newID == nil {
		b.newID = uuid.NewString
	}
	return b, nil
}

// Kind is a class of refusal; the server maps it to a status code.
type Kind string

// The kinds.
const (
	Invalid            Kind = "invalid_argument"
	NotFound           Kind = "not_found"
	AlreadyExists      Kind = "already_exists"
	FailedPrecondition Kind = "failed_precondition"
	Aborted            Kind = "aborted"
)

// Reasons, stable words for programs.
const (
	ReasonViolations        = "FIELD_VIOLATIONS"
	ReasonUnknownCase       = "UNKNOWN_CASE"
	ReasonUnknownSite       = "UNKNOWN_SITE"
	ReasonUnknownSection    = "UNKNOWN_SECTION"
	ReasonUnknownQuarantine = "UNKNOWN_QUARANTINED_SUBMIT"
	ReasonUnknownPolicy     = "UNKNOWN_POLICY"
	ReasonRequestIDReused   = "REQUEST_ID_REUSED"
	ReasonNoCondition       = "ETAG_OR_SOURCE_TIME_NEEDED"
	ReasonClosedSection     = "SECTION_CLOSED"
	ReasonClosedCase        = "CASE_CLOSED"
	ReasonCaseNumber        = "OTHER_CASE_NUMBER"
	ReasonNothingAccepted   = "NOTHING_ACCEPTED"
	ReasonDecided           = "QUARANTINE_DECIDED"
	ReasonStaleEtag         = "STALE_ETAG"
	ReasonStaleVersion      = "STALE_CASE_VERSION"
	ReasonRace              = "WRITTEN_MEANWHILE"
	ReasonCaseNumberTaken   = "CASE_NUMBER_TAKEN"
	ReasonNoContradiction   = "NO_OPEN_CONTRADICTION"
	ReasonNotConfirmed      = "NOT_CONFIRMED"
	ReasonUnknownRuleSet    = "UNKNOWN_RULE_SET"
	ReasonUnknownEvaluation = "UNKNOWN_EVALUATION"
	ReasonPolicyUnreadable  = "POLICY_UNREADABLE"
	ReasonAdviceExists      = "ADVICE_EXISTS"
	ReasonOtherPatient      = "OTHER_PATIENT"
	ReasonNoKey             = "DE_IDENTIFICATION_KEY_NEEDED"
	ReasonOtherRecord       = "OTHER_RECORD"
)

// Error is a refusal: nothing was stored. Message never holds text or
// identifiers of the record.
type Error struct {
	Kind       Kind
	Reason     string
	Message    string
	Violations []convert.Violation
}

// Error gives the message.
func (e *Error) Error() string { return e.Message }

func refuse(k Kind, reason, format string, args ...any) error {
	return &Error{Kind: k, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

func violations(list []convert.Violation) error {
	if len(list) == 0 {
		return nil
	}
	noun := "fields are"
	if len(list) == 1 {
		noun = "field is"
	}
	return &Error{Kind: Invalid, Reason: ReasonViolations, Violations: list,
		Message: fmt.Sprintf("%d %s not acceptable; nothing was stored. First: %s: %s", len(list), noun, list[0].Path, list[0].Message)}
}

func violation(path, message string) error {
	return violations([]convert.Violation{{Path: path, Message: message}})
}

// site checks a parent against the only site of this book.
func (b *Book) site(parent string) (string, error) {
	site := b.policy.Settings.Site
	if parent == "" || parent == "sites/"+site {
		return site, nil
	}
	return "", refuse(NotFound, ReasonUnknownSite, "this server keeps sites/%s only; leave parent empty or give that name", site)
}

func (b *Book) caseName(uid string) string {
	return "sites/" + b.policy.Settings.Site + "/cases/" + uid
}

// uidOf takes a case name apart.
func (b *Book) uidOf(name string) (string, error) {
	uid, ok := strings.CutPrefix(name, "sites/"+b.policy.Settings.Site+"/cases/")
	if !ok || uid == "" || strings.Contains(uid, "/") {
		return "", refuse(NotFound, ReasonUnknownCase,
			"the name is not one of a case at this site; a case is named sites/%s/cases/{uid}", b.policy.Settings.Site)
	}
	return uid, nil
}

// find gives the case a reference names.
func (b *Book) find(ctx context.Context, ref *trigonev1.CaseReference) (storage.Case, error) {
	switch {
	case ref.GetName() != "":
		return b.caseByName(ctx, ref.GetName())
	case ref.GetExternalIdentifier().GetValue() != "":
		if _, err := b.site(ref.GetParent()); err != nil {
			return storage.Case{}, err
		}
		c, err := b.store.CaseByExternalIdentifier(ctx, b.policy.Settings.Site, identifier(ref.GetExternalIdentifier()))
		if errors.Is(err, storage.ErrNotFound) {
			return c, refuse(NotFound, ReasonUnknownCase, "no case of this site that is not retracted has this case number")
		}
		return c, err
	}
	return storage.Case{}, violation("case", "name the case, or give its external_identifier")
}

func (b *Book) caseByName(ctx context.Context, name string) (storage.Case, error) {
	uid, err := b.uidOf(name)
	if err != nil {
		return storage.Case{}, err
	}
	c, err := b.store.Case(ctx, b.policy.Settings.Site, uid)
	if errors.Is(err, storage.ErrNotFound) {
		return c, refuse(NotFound, ReasonUnknownCase, "there is no case of this name")
	}
	return c, err
}

// keyedHash identifies content without keeping it.
func (b *Book) keyedHash(parts ...[]byte) []byte {
	mac := hmac.New(sha256.New, b.secret)
	for _, p := range parts {
		mac.Write(p)
		mac.Write([]byte{0})
	}
	return mac.Sum(nil)
}

// contentHash identifies a request by everything in it but its request id.
func (b *Book) contentHash(req proto.Message, clearID func(proto.Message)) ([]byte, error) {
	content := proto.Clone(req)
	clearID(content)
	bytes, err := marshal(content)
	if err != nil {
		return nil, err
	}
	return b.keyedHash([]byte(content.ProtoReflect().Descriptor().FullName()), bytes), nil
}

// marshal gives the same bytes for equal messages.
func marshal(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

func identifier(id *trigonev1.Identifier) storage.Identifier {
	return storage.Identifier{System: id.GetSystem(), Value: id.GetValue()}
}

func identifierMessage(id storage.Identifier) *trigonev1.Identifier {
	if id == (storage.Identifier{}) {
		return nil
	}
	return &trigonev1.Identifier{System: id.System, Value: id.Value}
}
