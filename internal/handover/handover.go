// Package handover gives cases to other systems: as FHIR bundles, as an export of
// everything, resource by resource for the REST face, and as the operative note.
// It reads the record and never writes it; what was handed over is kept with each
// write, by Resources.
package handover

import (
	"context"
	"fmt"
	"strconv"
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
	// ExportsWithoutStaff leaves out of exports of many cases who operated and who
	// signed: the site has not consented.
	ExportsWithoutStaff bool
}

// Desk hands the cases of one site over. It is safe for concurrent use.
type Desk struct {
	archive      *casebook.Archive
	now          func() time.Time
	deIdentifier *fhirmap.DeIdentifier
	withoutStaff bool // in exports
	// of is what the site has of its own in what is handed over.
	of fhirmap.Site
	// mapping is the site's number of the mapping and of what it has of its own,
	// mappedSince when they came into use.
	mapping     int64
	mappedSince time.Time
}

// New gives a desk on what is on record. Where it makes resources by another mapping
// than the last one of the site, with other codes, another reference to the patient or
// another canonical base, the site's changes say so.
func New(ctx context.Context, c Config) (*Desk, error) {
	d := &Desk{archive: c.Archive, now: c.Now, deIdentifier: c.DeIdentifier, withoutStaff: c.ExportsWithoutStaff}
	d.of = fhirmap.Site{Codes: c.Archive.Policy.Codes, Patient: c.Archive.Policy.Patient, Base: c.Archive.Policy.CanonicalBase}
	if d.now == nil {
		d.now = time.Now
	}
	own, err := d.of.Hash()
	if err != nil {
		return nil, err
	}
	m, _, err := c.Archive.Store.Mapping(ctx, c.Archive.Policy.Settings.Site, storage.Mapping{
		Version: strconv.Itoa(fhirmap.Mapping), CodesHash: own, FirstUsed: d.now().UTC(),
	})
	if err != nil {
		return nil, fmt.Errorf("number of the mapping: %w", err)
	}
	d.mapping, d.mappedSince = m.Number, m.FirstUsed
	return d, nil
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
