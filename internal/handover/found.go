package handover

import (
	"context"
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/storage"
)

// What a search reads of the store.
type (
	// Shape is what resources share.
	Shape = storage.Shape
	// Found is a resource as it is indexed.
	Found = storage.Found
	// FoundPlace is a place among the rows of a lead.
	FoundPlace = storage.FoundPlace
	// FoundRange asks for rows of a lead.
	FoundRange = storage.FoundRange
	// FoundRow is a row by which a resource is found.
	FoundRow = storage.FoundRow
	// NumberedCase is a case in the order in which cases were opened.
	NumberedCase = storage.NumberedCase
	// IndexRows are the rows of a case.
	IndexRows = storage.Rows
)

// Finder reads the rows by which the resources of one site are found, for one who
// may.
type Finder struct {
	desk *Desk
	site string
}

// Finder gives one for who asks.
func (d *Desk) Finder(who casebook.Principal) (Finder, error) {
	site, err := d.archive.Admit(who, nil)
	return Finder{d, site}, err
}

// Shapes gives what came behind an order, of the rows that stand, by the number of
// their projection. Rows of another version than indexVersion make are not read:
// storage.ErrNotProjected.
func (f Finder) Shapes(ctx context.Context, after, indexVersion int64) (projection int64, list []Shape, err error) {
	of, list, err := f.desk.archive.Store.FoundShapes(ctx, after)
	if err == nil && of.Version != (Search{IndexVersion: indexVersion}).Version() {
		err = storage.ErrNotProjected
	}
	for i := range list { // rows have the built-in names, which the site's never touches
		list[i].Content = f.desk.of.Named(list[i].Content)
	}
	return of.ID, list, err
}

// Rows gives the next rows of each range.
func (f Finder) Rows(ctx context.Context, ranges []FoundRange, limit int) ([][]FoundRow, error) {
	return f.desk.archive.Store.Found(ctx, f.site, ranges, limit)
}

// RowsOf gives the rows of a case under leads.
func (f Finder) RowsOf(ctx context.Context, number int64, leads []int64) ([]FoundRow, error) {
	return f.desk.archive.Store.FoundOf(ctx, f.site, number, leads)
}

// Cases gives cases by their numbers and uids, by number.
func (f Finder) Cases(ctx context.Context, numbers []int64, uids []string) ([]NumberedCase, error) {
	return f.desk.archive.Store.NumberedCases(ctx, f.site, numbers, uids)
}

// ChangedSince gives the cases whose resources changed at a time or later, if they
// are no more than limit.
func (f Finder) ChangedSince(ctx context.Context, since time.Time, limit int) (list []NumberedCase, all bool, err error) {
	if !f.desk.mappedSince.Before(since) {
		return nil, false, nil // all did: they are made by another mapping since
	}
	return f.desk.archive.Store.CasesChanged(ctx, f.site, since, limit)
}

// CasesOfPatient gives the uids of the cases that have or had an identifier of a
// patient; with no system that of any.
func (f Finder) CasesOfPatient(ctx context.Context, system, value string) ([]string, error) {
	return f.desk.archive.Store.CasesOfPatient(ctx, f.site, storage.Identifier{System: system, Value: value})
}

// CasesOfPrefix gives the uids of the cases whose resource ids begin with these bits.
func (f Finder) CasesOfPrefix(ctx context.Context, prefix int64) ([]string, error) {
	return f.desk.archive.Store.CasesByPrefix(ctx, f.site, prefix)
}

// LastUpdated gives when the resources of a case changed last, as they state it.
func (f Finder) LastUpdated(c NumberedCase) string {
	return fhirmap.LastUpdated(f.desk.changedTime(storage.Case{ChangedTime: c.ChangedTime}))
}

// PublicCodes gives the site's public codes of our own.
func (d *Desk) PublicCodes() map[string][]string { return fhirmap.PublicCodes(d.of) }

// Canonical gives the canonical URL of a resource of Terminology.
func (d *Desk) Canonical(typ, id string) string { return d.of.Canonical(typ, id) }

// Inside gives the name that rows have of a system that the site names.
func (d *Desk) Inside(system string) string { return d.of.Inside(system) }

// PatientOf gives the identifier of the patient to whom the site's resources refer by
// a target, Patient/id; false: no target of theirs is like it.
func (d *Desk) PatientOf(target string) (system, value string, ok bool) {
	value, ok = d.of.Patient.Value(target)
	return d.of.Patient.System, value, ok
}
