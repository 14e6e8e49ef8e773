// Package handover gives cases to other systems: as FHIR bundles, as an export of
// everything, resource by resource for the REST face, and as the operative note.
// It reads the record and never writes it.
package handover

import (
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
)

// Config is what a desk works with.
type Config struct {
	Archive *casebook.Archive
	// Now gives the time at which an export begins; nil: the system clock.
	Now func() time.Time
	// DeIdentifier makes de-identified bundles; nil: none are made.
	DeIdentifier *fhirmap.DeIdentifier
}

// Desk hands the cases of one site over. It is safe for concurrent use.
type Desk struct {
	archive      *casebook.Archive
	now          func() time.Time
	deIdentifier *fhirmap.DeIdentifier
}

// New gives a desk on what is on record.
func New(c Config) *Desk {
	d := &Desk{archive: c.Archive, now: c.Now, deIdentifier: c.DeIdentifier}
	if d.now == nil {
		d.now = time.Now
	}
	return d
}
