// Package storage says what a store must do: keep every write of a case whole or
// not at all, in an order that a reader of changes can follow. It has row types
// of its own and knows neither the contract nor any rule. The casebook is its
// only user; sqlite implements it, storagetest holds the suite every store must
// pass.
package storage

import (
	"context"
	"errors"
	"time"
)

// Errors a caller may meet; everything else is a fault of the store.
var (
	// ErrNotFound: no such case, policy, quarantined submit or request.
	ErrNotFound = errors.New("not found")
	// ErrStale: the case version expected is not the one in the store, or the
	// quarantined submit was decided or received meanwhile. Read again.
	ErrStale = errors.New("the case or quarantined submit was written meanwhile")
	// ErrExternalIdentifierTaken: another case that is not retracted has this
	// external identifier.
	ErrExternalIdentifierTaken = errors.New("the case number belongs to another case")
	// ErrRequestExists: a request row with this key is there already.
	ErrRequestExists = errors.New("the request id was used before")
	// ErrNewerSchema: the store was written by a newer version of the software.
	ErrNewerSchema = errors.New("the store was written by a newer version of this software; use that version or newer")
)

// Identifier is a value in a named system.
type Identifier struct{ System, Value string }

// Case states and section states are the contract's words in lower case.
const (
	CaseActive    = "active"
	CaseRetracted = "retracted"
	CaseMerged    = "merged"

	SectionAccepted  = "accepted"
	SectionDisputed  = "disputed"
	SectionRetracted = "retracted"
)

// Words of the contract and of the rules that a store counts or keeps apart by.
const (
	// IdentitySection is kept apart from the clinical sections.
	IdentitySection = "identity"
	// OperationSection makes a case an operated one unless it is retracted.
	OperationSection = "operation"

	SeverityContradiction = "contradiction"
	SeverityCaution       = "caution"
	SeverityNote          = "note"
	// SeverityConfirmed stands in the row of a contradiction whose values a
	// reviewer confirmed: it is no open one.
	SeverityConfirmed = "confirmed"

	VerdictPresent       = "present"
	VerdictIndeterminate = "indeterminate"
	VerdictNotEvaluable  = "not_evaluable"

	// A plan with one of these timings is in force.
	TimingProspective = "prospective"
	TimingLateArrival = "late_arrival"
)

// Revision is one revision of one section. Revisions are only ever added.
type Revision struct {
	Section  string
	Revision int64 // from 1, per section
	// Content is the section's message without what identifies; nil for a
	// retraction. Where Whole is set it is the message as received: so it was
	// stored before schema 3, until a rebuild splits it.
	Content []byte
	Whole   bool
	// Identifying is what identifies, as a message of its own; nil: nothing did, or
	// it was erased.
	Identifying []byte
	// ContentHash and IdentifyingHash are the SHA-256 of the two; set by the store.
	ContentHash      []byte
	IdentifyingHash  []byte
	ReceivedTime     time.Time
	SourceTime       time.Time // zero: none given
	Caller           string
	Retraction       bool
	RetractionReason string
	RetractionText   string
	CaseVersion      int64 // the case version this write made; set by the store
}

// Section is the state of one section: which revision is its head.
type Section struct {
	Section string
	Head    int64 // revision number of the head
	State   string
	Order   int64 // position among the case's sections in order of first arrival
}

// Case is the state of one case.
type Case struct {
	Site               string
	UID                string
	Version            int64 // raised by one with every write
	State              string
	ExternalIdentifier Identifier // zero: none
	Patient            Identifier // current
	FormerPatients     []Identifier
	Sections           []Section // in Order
	OpenedTime         time.Time
	ChangedTime        time.Time
	Evaluation         int64 // number of the newest evaluation, 0: none
	IncisionTime       time.Time
	PlanTiming         string
	MergedInto         string
}

// Evaluation is one evaluation row. Rows are only ever added.
type Evaluation struct {
	Number           int64 // from 1, per case
	CaseVersion      int64 // the case version this write made; set by the store
	Time             time.Time
	CatalogueVersion string
	RuleSetVersion   string
	PolicyHash       string
	CalibrationID    string
	SoftwareVersion  string
	PlanRevision     int64 // plan head it read, 0: none
	OutcomeSeen      bool  // an operation or a result was among what it read
	// Answer is the evaluation as it was answered: the evidence.
	Answer []byte
	// Metrics are its values packed on the catalogue's grid, for the audit.
	Metrics []byte
}

// Finding is a finding as a filterable row of the newest evaluation. One of
// severity contradiction is an open contradiction.
type Finding struct {
	ID       string
	Rule     string
	Severity string
	Occasion string
	Place    string
	Final    bool
}

// Discrepancy is a discrepancy as a filterable row of the newest evaluation.
type Discrepancy struct {
	ID      string
	Class   string
	Verdict string
	Root    bool
	Order   int64  // position in the case's list, each once
	Row     []byte // the discrepancy's message
}

// Change is one entry of the site's order of changes.
type Change struct {
	Number       int64 // set by the store: rises along the order of commits, without gaps that fill later
	Kind         string
	CaseUID      string // empty for a quarantined submit
	CaseVersion  int64
	Section      string
	Revision     int64
	State        string
	Reason       string
	Time         time.Time
	QuarantineID string
	FindingID    string // of a confirmation
}

// Confirmation is one entry of what a reviewer said of a finding. Entries are only
// ever added; the last one of a finding says how it stands.
type Confirmation struct {
	FindingID   string // the finding's fingerprint
	Rule        string
	Kind        string
	Caller      string // empty where it lapsed by itself
	Time        time.Time
	Reason      string // free text, counts as identifying; empty where it lapsed
	CaseVersion int64  // the case version this write made; set by the store
}

// Kinds of a confirmation's entries.
const (
	Confirmed           = "confirmed"
	ConfirmationRevoked = "revoked"
	ConfirmationLapsed  = "lapsed"
)

// Request makes a retry safe. It never holds a body with identifiers.
type Request struct {
	Caller    string
	Site      string
	Method    string
	RequestID string
	// ContentHash identifies the request's content; a keyed hash where it covers
	// identity.
	ContentHash []byte
	CaseUID     string
	CaseVersion int64
	// Evaluation is the number of the evaluation that was answered, 0: none.
	Evaluation   int64
	QuarantineID string
	// Receipt is what else was answered, without identifiers.
	Receipt []byte
	Time    time.Time
}

// Quarantined is a submit that names another patient than the case has.
type Quarantined struct {
	ID           string
	CaseUID      string // the case it was addressed to; never shown
	Body         []byte
	ReceivedTime time.Time
	Caller       string
	State        string // open, filed, discarded
	Decision     string // reason given by the reviewer
	Hash         []byte // keyed hash of the body, so that a replay finds it
}

// Quarantine states.
const (
	QuarantineOpen      = "open"
	QuarantineFiled     = "filed"
	QuarantineDiscarded = "discarded"
)

// Policy is a clinical policy's text under its hash.
type Policy struct {
	Hash      string
	Version   string
	Text      string
	FirstUsed time.Time
}

// Write is one write: all of it or nothing. The case's new state stands in Case;
// its Version must be Expected+1.
type Write struct {
	// Expected is the case version this write rests on; 0 opens the case.
	Expected int64
	// Case is the case after the write. Nil writes no case: only quarantine,
	// request and changes.
	Case *Case
	// Revisions are added.
	Revisions []Revision
	// Evaluation is added; its findings and discrepancies replace the case's rows.
	Evaluation    *Evaluation
	Findings      []Finding
	Discrepancies []Discrepancy
	Policy        *Policy
	Request       *Request
	// Quarantined is added, or replaced if its id is there and open. ErrStale if
	// that one is decided already, or if another open one has the same Hash.
	Quarantined *Quarantined
	// Confirmations are added.
	Confirmations []Confirmation
	// Amendments are added.
	Amendments []Amendment
	// Projected are the rows of every projection that the store lists.
	Projected []Projected
	// Changes are added. A write of a case has at least one of its version: an
	// export finds the case by it.
	Changes []Change
}

// CaseFilter selects cases of a site.
type CaseFilter struct {
	State        string // empty: all
	DisputedOnly bool   // an open contradiction in the newest evaluation
}

// DiscrepancyFilter selects discrepancies of a site; empty fields select all.
// Retracted and merged cases are never in the answer. A case without incision
// time is left out as soon as one end of the incision range is given.
type DiscrepancyFilter struct {
	CaseUID        string
	Classes        []string
	Verdicts       []string
	RootsOnly      bool
	IncisionFrom   time.Time
	IncisionBefore time.Time
	PlanTimings    []string
}

// CaseDiscrepancy is a discrepancy with what is shown of its case.
type CaseDiscrepancy struct {
	CaseUID            string
	ExternalIdentifier Identifier
	IncisionTime       time.Time
	PlanTiming         string
	Discrepancy        Discrepancy
}

// DiscrepancyCounts is what a filtered list is drawn from. Classes, verdicts and
// RootsOnly do not narrow the case counts, only the discrepancy counts.
type DiscrepancyCounts struct {
	OperatedCases     int // with an operation section that is not retracted
	PlannedCases      int // of these, with a plan in force
	DifferingCases    int // of these, with a discrepancy present
	Roots             int // discrepancies present that are roots
	Indeterminate     int
	NotEvaluable      int
	RetractedCases    int // matching, left out because retracted; merged ones are not among them
	RetractedSections int // of the matching cases that are not left out
}

// CaseRow is a case with the counts of its findings.
type CaseRow struct {
	Case
	Contradictions int
	Cautions       int
	Notes          int
	RootCount      int // discrepancies present that are roots
}

// Store keeps the cases of any number of sites. Every method is safe for
// concurrent use. An answer to Append means that the write is on disk.
type Store interface {
	// Append makes one write. ErrRequestExists; ErrStale if Write.Expected is not
	// the version in the store (0 for a case that is there, any other for one that
	// is not); ErrExternalIdentifierTaken; of several the one named first. A write
	// that fails Check is refused, and so is one whose context ends while it waits
	// its turn. Nothing is stored with any error.
	Append(ctx context.Context, site string, w Write) error

	// Case gives the state of a case by uid. ErrNotFound.
	Case(ctx context.Context, site, uid string) (Case, error)
	// CaseByExternalIdentifier gives the case that is not retracted and has this
	// case number. ErrNotFound.
	CaseByExternalIdentifier(ctx context.Context, site string, id Identifier) (Case, error)
	// Cases lists cases by changed time, newest first, then uid; after is the
	// opaque token of the last page, next is empty at the end. A case that is
	// written between two pages moves to the front.
	Cases(ctx context.Context, site string, f CaseFilter, after string, limit int) (rows []CaseRow, next string, err error)

	// Revisions gives every revision of a case in the order of storing.
	Revisions(ctx context.Context, site, uid string) ([]Revision, error)
	// Evaluations gives every evaluation of a case, oldest first.
	Evaluations(ctx context.Context, site, uid string) ([]Evaluation, error)
	// Evaluation gives one. ErrNotFound.
	Evaluation(ctx context.Context, site, uid string, number int64) (Evaluation, error)

	// Confirmations gives every entry on confirmations of a case, oldest first.
	Confirmations(ctx context.Context, site, uid string) ([]Confirmation, error)

	// Changes gives changes with a number above after, oldest first.
	Changes(ctx context.Context, site string, after int64, limit int) ([]Change, error)

	// Discrepancies lists rows by case number (value, then system, byte by byte;
	// cases without one come first), then uid, then order; after is the opaque
	// token of the last page, next is empty at the end. Tokens hold no identifier
	// of a patient or hospital.
	Discrepancies(ctx context.Context, site string, f DiscrepancyFilter, after string, limit int) (rows []CaseDiscrepancy, next string, err error)
	// CountDiscrepancies counts what that list is drawn from.
	CountDiscrepancies(ctx context.Context, site string, f DiscrepancyFilter) (DiscrepancyCounts, error)

	// Request gives the row of an earlier request. ErrNotFound.
	Request(ctx context.Context, caller, site, method, requestID string) (Request, error)
	// Quarantined gives a quarantined submit. ErrNotFound.
	Quarantined(ctx context.Context, site, id string) (Quarantined, error)
	// QuarantinedByHash gives the open quarantined submit with this hash.
	// ErrNotFound.
	QuarantinedByHash(ctx context.Context, site string, hash []byte) (Quarantined, error)
	// Policy gives a policy's text. ErrNotFound.
	Policy(ctx context.Context, site, hash string) (Policy, error)
	// Secret gives the store's own key for keyed hashes, made at its creation.
	Secret(ctx context.Context) ([]byte, error)

	// Ping says whether the store can be read and written.
	Ping(ctx context.Context) error
	// Close releases it.
	Close() error
}
