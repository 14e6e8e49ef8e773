// Package convert stands between the contract and the pure rooms: it checks what
// came in, with every violation and its field path, and turns a record's messages
// into the structs of valve and repair and an evaluation into its message. The
// record itself is never converted back: it is stored as it was received.
package convert

import (
	"time"

	trigonev1 "trigone/proto/trigone/v1"
)

// Violation is one reason why something cannot be taken in.
type Violation struct {
	Path    string // field path, e.g. assessments[0].study.annulus.annulus_area.cm2
	Message string // what is wrong, the limit and what to do; never echoes text
	Limit   string // the bound that was passed, as a number; empty: it is not about one
}

// Record is a case's heads as messages, with what the store knows of them.
type Record struct {
	Identity    *trigonev1.Identity
	Assessments []*trigonev1.Assessment
	// Plan is the head of the plan; nil: none, or retracted.
	Plan *trigonev1.Plan
	// PlanRevision is the number of the head among Plans; 0: it is none of them.
	PlanRevision int64
	// Plans are all plan revisions that are not retracted, the head among them.
	Plans             []PlanRevision
	Operation         *trigonev1.Operation
	OperationReceived time.Time // when the operation's first revision was received
	Results           []*trigonev1.Result
	FollowUps         []*trigonev1.FollowUp
}

// PlanRevision is one plan revision with its number and time of receipt.
type PlanRevision struct {
	Revision int64
	Received time.Time
	Plan     *trigonev1.Plan
}
