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
	// ErrOtherMark: the store keeps cases of the other kind.
	ErrOtherMark = errors.New("the store keeps cases of the other kind, invented or real")
	// ErrWhole: a revision was stored before schema 3, with what identifies in its
	// content. A rebuild splits it.
	ErrWhole = errors.New("a revision holds what identifies in its content; rebuild the store first")
	// ErrNewerSchema: the store was written by a newer version of the software.
	ErrNewerSchema = errors.New("the store was written by a newer version of this software; use that version or newer")

	// ErrUnknownOutcome: the end of the transaction failed. Only reading again tells
	// whether the write is stored.
	ErrUnknownOutcome = errors.New("whether the write was stored is not known")
	// ErrFull: the disk is full. Reads go on, and writes once there is room.
	ErrFull = errors.New("the store's disk is full")
	// ErrReadOnly: the store can only be read.
	ErrReadOnly = errors.New("the store can only be read")
	// ErrAway: the file of the record was deleted, replaced or cannot be reached. Reads
	// go on from the file that was opened, if they can.
	ErrAway = errors.New("the store's file cannot be reached or is not the one that was opened")
	// ErrChain: the access record is not what was written; the error names the first
	// break.
	ErrChain = errors.New("the access record is not what was written")
	// ErrBusy: another program has held the store for too long.
	ErrBusy = errors.New("another program writes to the store")
)

// Identifier is a value in a named system.
type Identifier struct{ System, Value string }

// Mark says which kind of cases a store keeps. It is given by the first write that has
// one, and stands for as long as the store.
type Mark string

// Marks of a store.
const (
	Unmarked     Mark = "" // no case yet
	MarkInvented Mark = "invented"
	MarkReal     Mark = "real"
)

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

	// A plan with one of these timings is in force.
	TimingProspective = "prospective"
	TimingLateArrival = "late_arrival"
	// With this one there is a plan, and no incision is recorded.
	TimingNoIncisionTime = "no_incision_time"
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
	Erased      bool // set by the store
	// ContentHash and IdentifyingHash are the SHA-256 of the two, nil where there is
	// none; set by the store.
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
	// First is the number of the revision with which its present line began, after
	// its last retraction or as that one itself; Last is its highest number. Both are
	// 0 in a case that was written before they were kept.
	First int64 `json:",omitempty"`
	Last  int64 `json:",omitempty"`
}

// MostBytesOfPage bounds what a page of revisions holds, their parts together: a client
// takes 4 MB of one answer unless it asks for more.
const MostBytesOfPage = 3 << 20

// RevisionRange names revisions of a section by number, both ends included.
type RevisionRange struct {
	Section  string
	From, To int64
}

// Case is the state of one case.
type Case struct {
	Site               string
	UID                string // random: no two cases of a store share one
	Version            int64  // raised by one with every write
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
	// ErasedTime is when everything but uid, versions and changes was removed; zero: it
	// was not. Set by a write that erases the whole case.
	ErasedTime time.Time
}

// EvaluationHeader is an evaluation without what it answered. Evaluations are only
// ever added.
type EvaluationHeader struct {
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
}

// Evaluation is an evaluation as it is written.
type Evaluation struct {
	EvaluationHeader
	// Answer is the evaluation as it was answered: the evidence.
	Answer []byte
	// Metrics are its values, packed; those of the newest evaluation are kept.
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
	CaseUID      string // the case it was addressed to, or filed into; shown to reviewers alone
	CaseVersion  int64  // the version it had then, or after that; 0: not kept
	Sections     []string
	Body         []byte // nil once it was filed: the case has it
	ReceivedTime time.Time
	Caller       string
	State        string // open, filed, discarded
	Decision     string // reason given by the reviewer
	// DecidedTime and DecidedCaller are when and by whom it was filed or discarded.
	DecidedTime   time.Time
	DecidedCaller string
	Hash          []byte // keyed hash of the body, so that a replay finds it
}

// QuarantineFilter selects quarantined submits of a site.
type QuarantineFilter struct {
	State   string
	CaseUID string // empty: addressed to any case
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
	// Mark is the kind of what is written; Unmarked: of no kind.
	Mark Mark
	// Evaluation is added; its findings replace the case's.
	Evaluation *Evaluation
	Findings   []Finding
	Policy     *Policy
	Request    *Request
	// Quarantined is added, or replaced if its id is there and open. ErrStale if
	// that one is decided already, or if another open one has the same Hash.
	Quarantined *Quarantined
	// Confirmations are added.
	Confirmations []Confirmation
	// Amendments are added.
	Amendments []Amendment
	// Projected are the case's rows in every projection that the store lists, and
	// in no other.
	Projected []Projected
	// Changes are added. A write of a case has at least one of its version: an
	// export finds the case by it.
	Changes []Change
	// Access is the line of the access record of the call that writes; nil: none.
	Access *Access
	// Erase removes from the case what was there before, behind all that is added.
	// ErrWhole if a revision was not split yet.
	Erase Erasure
	// Remains is what is kept of a case that is erased whole: a message that says of
	// nobody; nil: nothing.
	Remains []byte
	// Discarded is the change that is added for each open quarantined submit which the
	// erasure discards, with its id; nil: none.
	Discarded *Change
}

// Erasure says what a write removes for good.
type Erasure string

// What can be erased.
const (
	EraseNothing Erasure = ""
	// EraseIdentity removes what identifies the patient: the second parts of
	// revisions, every reason, quarantined bodies, request rows, and hashes made of
	// them. Of a quarantined submit it leaves when, by whom and how it was decided. The case comes without its identifiers.
	EraseIdentity Erasure = "identity"
	// EraseWhole removes that and all else but the case's row, its changes, its
	// resource ids and its lines of the access record. The case comes without
	// sections, evaluation, incision and identifiers, and with its ErasedTime.
	EraseWhole Erasure = "whole"
)

// CaseFilter selects cases of a site.
type CaseFilter struct {
	State        string // empty: all
	DisputedOnly bool   // an open contradiction in the newest evaluation
	// AwaitingIncision selects those with a plan whose incision is not recorded.
	AwaitingIncision bool
	// ExternalIdentifier selects those with this case number; zero: any.
	ExternalIdentifier Identifier
}

// CaseRow is a case with the counts of its findings.
type CaseRow struct {
	Case
	Contradictions int
	Cautions       int
	Notes          int
	RootCount      int // differences present that are roots; 0 while no ledger stands
}

// Store keeps the cases of any number of sites. Every method is safe for
// concurrent use. An answer to Append means that the write is on disk.
type Store interface {
	// Append makes one write. ErrRequestExists; ErrStale if Write.Expected is not
	// the version in the store (0 for a case that is there, any other for one that
	// is not); ErrExternalIdentifierTaken; ErrProjection; ErrOtherMark; of several the one named
	// first. A write that fails Check is refused, and so is one whose context ends while it waits
	// its turn. Nothing is stored with any error but ErrUnknownOutcome.
	Append(ctx context.Context, site string, w Write) error

	// Case gives the state of a case by uid. ErrNotFound.
	Case(ctx context.Context, site, uid string) (Case, error)
	// CaseByExternalIdentifier gives the case that is not retracted and has this
	// case number. ErrNotFound.
	CaseByExternalIdentifier(ctx context.Context, site string, id Identifier) (Case, error)
	// Cases lists the cases of sites by changed time, newest first, then uid; after is
	// the opaque token of the last page, next is empty at the end. A case that is
	// written between two pages moves to the front.
	Cases(ctx context.Context, sites []string, f CaseFilter, after string, limit int) (rows []CaseRow, next string, err error)

	// Revisions gives every revision of a case in the order of storing. ErrDamaged.
	Revisions(ctx context.Context, site, uid string) ([]Revision, error)
	// RevisionsIn gives those in these ranges, which do not overlap, in the order of
	// storing. ErrDamaged.
	RevisionsIn(ctx context.Context, site, uid string, ranges []RevisionRange) ([]Revision, error)
	// RevisionPage lists them, or those of one section, in the order of storing; after
	// is the opaque token of the last page, next is empty at the end. A page ends before it
	// comes to more than MostBytesOfPage, but holds one. ErrDamaged.
	RevisionPage(ctx context.Context, site, uid, section, after string, limit int) (list []Revision, next string, err error)
	// SplitRevisions puts the two parts in place of revisions that are Whole, and
	// leaves every other one alone. ErrNotFound.
	SplitRevisions(ctx context.Context, site, uid string, parts []Revision) error
	// Amendments gives every change of identity of a case, oldest first.
	Amendments(ctx context.Context, site, uid string) ([]Amendment, error)
	// EraseIdentifying removes what identifies the patient of a case: the second
	// parts of its revisions, every reason, and the identifiers. Every other hash
	// still matches. ErrWhole if a revision was not split yet; ErrNotFound.
	EraseIdentifying(ctx context.Context, site, uid string) error

	// Purge overwrites what was removed before, wherever its bytes still lie. It may
	// take long, and nobody writes meanwhile. What the disk under the file keeps of
	// blocks that are given back is beyond it.
	Purge(ctx context.Context) error
	// Remains gives what was kept of cases of a site that were erased, in an order that
	// tells nothing.
	Remains(ctx context.Context, site string, limit int) ([][]byte, error)
	// Erased counts the cases of a site of which only the row is left.
	Erased(ctx context.Context, site string) (int, error)

	// EvaluationHeaders gives every evaluation of a case, oldest first.
	EvaluationHeaders(ctx context.Context, site, uid string) ([]EvaluationHeader, error)
	// EvaluationsThatCount gives those that one after newest rests on, oldest first:
	// newest itself, the first that saw an outcome, and of those that read each plan
	// revision from planFrom to planTo the first and the last up to newest, apart for
	// those that saw an outcome and those that did not.
	EvaluationsThatCount(ctx context.Context, site, uid string, newest, planFrom, planTo int64) ([]EvaluationHeader, error)
	// Answer gives what one of them answered. ErrNotFound; ErrDamaged.
	Answer(ctx context.Context, site, uid string, number int64) ([]byte, error)
	// Metrics gives the packed values of the newest evaluation. ErrNotFound.
	Metrics(ctx context.Context, site, uid string) (evaluation int64, packed []byte, err error)

	// Confirmations gives every entry on confirmations of a case, oldest first.
	Confirmations(ctx context.Context, site, uid string) ([]Confirmation, error)

	// Changes gives changes with a number above after, oldest first.
	Changes(ctx context.Context, site string, after int64, limit int) ([]Change, error)

	// Mapping gives the number of what resources are made by: of the newest if it is
	// this version with these codes, or else the next. A new one is a change of kind
	// ChangeMappingChanged if the site has changes already.
	Mapping(ctx context.Context, site string, m Mapping) (_ Mapping, isNew bool, err error)

	// Lists of rows are those of the projection that stands, ErrNotProjected if none
	// does. Those of several sites are one list, a page of it is of one state of the
	// store, and its token is a place in the order that all sites share. They begin with the newest incision, cases without one come last; then
	// uid, byte by byte, then order in the case. after is the opaque token of the
	// last page, next is empty at the end. Tokens hold no identifier of a patient or
	// hospital.

	// Comparisons lists comparisons.
	Comparisons(ctx context.Context, sites []string, f ComparisonFilter, after string, limit int) (rows []CaseComparison, next string, err error)
	// CountComparisons counts what that list is drawn from, of one site.
	CountComparisons(ctx context.Context, site string, f ComparisonFilter) (ComparisonCounts, error)
	// Pairs reads the numbers of comparisons that match, in one state of the store: first
	// every case that was operated on and matches, then their pairs by kind, metric and
	// case. What it calls must not write.
	Pairs(ctx context.Context, site string, f PairFilter, onCase func(PairCase) error, onPair func(PairRow) error) (PairCounts, error)
	// Tallies reads what figures read of the cases that were operated on and match, in
	// one state of the store, by incision, oldest first, then uid, byte by byte.
	// ErrNotProjected if a case that stands has none. What it calls must not write.
	Tallies(ctx context.Context, site string, f TallyFilter, onCase func(Tally) error) (TallyCounts, error)
	// PutTheatreCount keeps a count of a month, with the lines of who submitted it.
	// ErrStale if its revision is not the one behind the newest of that month.
	PutTheatreCount(ctx context.Context, site string, c TheatreCount, lines []Access) error
	// TheatreCounts gives the newest count of each month from one month up to, and not
	// with, another, in order; empty: without an end.
	TheatreCounts(ctx context.Context, site, from, before string) ([]TheatreCount, error)
	// Facts lists case facts, one row a case.
	Facts(ctx context.Context, sites []string, f FactsFilter, after string, limit int) (rows []CaseFacts, next string, err error)
	// Resources gives the resource ids that were handed over of a case, by type and
	// id.
	Resources(ctx context.Context, site, uid string) ([]Resource, error)
	// CasesByPrefix gives the uids of the cases whose resource ids begin with these
	// 48 bits.
	CasesByPrefix(ctx context.Context, site string, prefix int64) ([]string, error)

	// FoundShapes gives the shapes that came behind an order, in it, of the projection
	// that stands, which it gives: with another one they begin anew. ErrNotProjected.
	FoundShapes(ctx context.Context, after int64) (of Projection, list []Shape, err error)
	// Found gives the next rows of each range, at most limit of each. ErrNotProjected.
	Found(ctx context.Context, site string, ranges []FoundRange, limit int) ([][]FoundRow, error)
	// FoundOf gives the rows of a case under leads, in the order of their parts.
	// ErrNotProjected.
	FoundOf(ctx context.Context, site string, number int64, leads []int64) ([]FoundRow, error)
	// NumberedCases gives the cases of the site among these numbers and uids, by
	// number, each once.
	NumberedCases(ctx context.Context, site string, numbers []int64, uids []string) ([]NumberedCase, error)
	// CasesChanged gives the newest number cases that changed at this time or later,
	// by number, and whether there are no more.
	CasesChanged(ctx context.Context, site string, since time.Time, limit int) (list []NumberedCase, all bool, err error)
	// CasesOfPatient gives the uids of the cases that have or had this identifier of a
	// patient, by uid; with no system that of any.
	CasesOfPatient(ctx context.Context, site string, id Identifier) ([]string, error)

	// Projections gives the projections that are listed, by name and version.
	Projections(ctx context.Context) ([]Projection, error)
	// DeclareProjections lists those of a program that has the store open, and gives
	// all that are listed. One whose name is not listed stands at once in a store
	// without cases, and is to be built in any other. Rows that a migration left
	// have version 0: they are read until a version of the program is built, and
	// written with the rows of whatever version. A name listed with another version
	// stays as it is.
	DeclareProjections(ctx context.Context, program []ProjectionVersion) ([]Projection, error)
	// BeginProjection lists a version to be built beside the one that stands, or
	// gives it if it is listed. A restating that is listed is walked anew, over the
	// cases that it has no rows of.
	BeginProjection(ctx context.Context, p ProjectionVersion) (Projection, error)
	// CasesToProject gives the cases behind the cursor of a projection, in the order
	// of the cursor; of a restating those that it has no rows of.
	CasesToProject(ctx context.Context, id int64, limit int) ([]CaseToProject, error)
	// Project writes rows of cases into a projection that is being built, and moves
	// its cursor. A case that was written meanwhile has its rows by that write and is
	// passed over. A restating is written into while it stands, too. ErrNotFound: it
	// is not being built.
	Project(ctx context.Context, id int64, cases []CaseRows, cursor int64) error
	// FinishProjection makes a projection that was built the one that stands, and
	// removes the rows of the one before. ErrStale: there are cases behind its
	// cursor; a restating may lack some. Ended half-way, it is called again.
	FinishProjection(ctx context.Context, id int64) error
	// DropProjection takes one that is being built off the list, with its rows, or a
	// restating. ErrNotFound: there is none such.
	DropProjection(ctx context.Context, id int64) error

	// RestatedAnswer gives what the restating that stands says of a case. ErrNotFound;
	// ErrDamaged.
	RestatedAnswer(ctx context.Context, site, uid string) ([]byte, error)

	// Request gives the row of an earlier request. ErrNotFound.
	Request(ctx context.Context, caller, site, method, requestID string) (Request, error)
	// Quarantined gives a quarantined submit. ErrNotFound.
	Quarantined(ctx context.Context, site, id string) (Quarantined, error)
	// QuarantinedPage lists those of a state, newest first, then by id, without Body,
	// Decision and Hash; after is the opaque token of the last page, next is empty at
	// the end.
	QuarantinedPage(ctx context.Context, site string, f QuarantineFilter, after string, limit int) (list []Quarantined, next string, err error)
	// QuarantinedByHash gives the open quarantined submit with this hash.
	// ErrNotFound.
	QuarantinedByHash(ctx context.Context, site string, hash []byte) (Quarantined, error)
	// Policy gives a policy's text. ErrNotFound.
	Policy(ctx context.Context, site, hash string) (Policy, error)
	// RecordAccesses adds lines to the access record, in this order, behind all that
	// are there.
	RecordAccesses(ctx context.Context, lines []Access) error
	// Accesses lists the lines of sites in the access record, newest first; after is the opaque
	// token of the last page, next is empty at the end.
	Accesses(ctx context.Context, sites []string, f AccessFilter, after string, limit int) (lines []Access, next string, err error)
	// AccessesAfter gives the lines of a site with a number above after, oldest first.
	AccessesAfter(ctx context.Context, site string, after int64, limit int) ([]Access, error)
	// AccessHead gives where the access record ends.
	AccessHead(ctx context.Context) (AccessHead, error)
	// Expired says what at a site is over its time.
	Expired(ctx context.Context, site string, r Retention) (Expiry, error)
	// ProveAccesses proves the lines of the access record from the first to one, by the
	// signed heads among them, and gives its hash. keys are the public keys that may have
	// signed. ErrChain.
	ProveAccesses(ctx context.Context, number int64, keys [][]byte) (hash []byte, err error)
	// RemoveExpired removes what Expired found over its time, the lines of the access
	// record up to the mark (nil: none), which it keeps, and adds lines to the record.
	// ErrStale: what is over its time is no longer what was found.
	RemoveExpired(ctx context.Context, site string, r Retention, found Expiry, mark *AccessCut, lines []Access) error
	// KeepSignedHead keeps a head that was signed. ErrStale: the line of its number is
	// not the one that was signed.
	KeepSignedHead(ctx context.Context, h SignedHead) error

	// Mark says which kind of cases the store keeps, at all sites together.
	Mark(ctx context.Context) (Mark, error)

	// Secret gives the store's own key for keyed hashes, made at its creation.
	Secret(ctx context.Context) ([]byte, error)

	// Ping says whether the store can be read and is where it was opened. ErrAway.
	Ping(ctx context.Context) error
	// Close releases it.
	Close() error
}
