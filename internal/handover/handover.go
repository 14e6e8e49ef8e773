// Package handover gives cases to other systems: as FHIR bundles, as an export of
// everything, resource by resource for the REST face, and as the operative note.
// It reads the record and never writes it.
package handover

import (
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/storage"
)

// Config is what a desk works with.
type Config struct {
	Archive *casebook.Archive
	// Now gives the time at which an export begins; nil: the system clock.
	Now func() time.Time
	// DeIdentifier makes de-identified bundles; nil: none are made.
	DeIdentifier *fhirmap.DeIdentifier
	// Mapping is the site's number of the mapping and of its codes, MappedSince when
	// they came into use.
	Mapping     int64
	MappedSince time.Time
}

// Desk hands the cases of one site over. It is safe for concurrent use.
type Desk struct {
	archive      *casebook.Archive
	now          func() time.Time
	deIdentifier *fhirmap.DeIdentifier
	mapping      int64
	mappedSince  time.Time
}

// New gives a desk on what is on record.
func New(c Config) *Desk {
	d := &Desk{archive: c.Archive, now: c.Now, deIdentifier: c.DeIdentifier, mapping: c.Mapping, mappedSince: c.MappedSince}
	if d.now == nil {
		d.now = time.Now
	}
	return d
}

// historyNumber gives the number that everything that is handed over of a case
// carries.
func (d *Desk) historyNumber(c storage.Case) int64 {
	return fhirmap.HistoryNumber(c.Version, d.mapping)
}

// changedTime gives when what is handed over of a case changed last: with the case,
// or with what it is made by.
func (d *Desk) changedTime(c storage.Case) time.Time {
	if c.ChangedTime.Before(d.mappedSince) {
		return d.mappedSince
	}
	return c.ChangedTime
}
