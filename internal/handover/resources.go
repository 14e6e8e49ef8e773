package handover

import (
	"context"
	"errors"
	"fmt"
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/settings"
	"trigone/internal/storage"
)

// CaseVersion says that a case has at least this version.
type CaseVersion struct {
	// Number is the number of the change that says so. The first one of a case
	// never moves, and numbers rise along the order of commits: who lists cases by
	// it meets every new case behind those that were there before.
	Number  int64
	UID     string
	Version int64
}

// CaseVersions follows the site's changes from a number on: the cases they belong
// to, in the order of commits, a case as often as it was written. next is where to
// go on; it is after itself when nothing is left.
func (d *Desk) CaseVersions(ctx context.Context, who casebook.Principal, after int64, limit int) (list []CaseVersion, next int64, err error) {
	site, err := d.archive.Admit(who, nil)
	if err != nil {
		return nil, 0, err
	}
	rows, err := d.archive.Store.Changes(ctx, site, after, limit)
	if err != nil {
		return nil, 0, err
	}
	for _, c := range rows {
		after = c.Number
		if c.CaseUID != "" {
			list = append(list, CaseVersion{Number: c.Number, UID: c.CaseUID, Version: c.CaseVersion})
		}
	}
	return list, after, nil
}

// CaseResources is a case as its resources.
type CaseResources struct {
	UID string
	// Version is the case version they are a function of.
	Version int64
	// HistoryNumber and ChangedTime are theirs; every resource states both in its meta.
	HistoryNumber int64
	ChangedTime   time.Time
	// Resources refer to each other as Type/id. None: nothing was ever accepted.
	Resources []fhirmap.Resource
}

// CaseResources renders a case of the site. Where the patient cannot be referred to as
// the site has chosen, it is by the identifier alone: who searches must not be refused
// all that is on a page with it.
func (d *Desk) CaseResources(ctx context.Context, who casebook.Principal, uid string) (CaseResources, error) {
	site, err := d.archive.Admit(who, nil)
	if err != nil {
		return CaseResources{}, err
	}
	c, err := d.archive.Store.Case(ctx, site, uid)
	if errors.Is(err, storage.ErrNotFound) {
		return CaseResources{}, casebook.Refuse(casebook.NotFound, casebook.ReasonUnknownCase, "there is no case of this name")
	}
	if err != nil {
		return CaseResources{}, err
	}
	list, c, err := d.resources(ctx, c, false, true)
	if err != nil {
		return CaseResources{}, fmt.Errorf("resources: %w", err)
	}
	return CaseResources{UID: c.UID, Version: c.Version, HistoryNumber: d.historyNumber(c), ChangedTime: d.changedTime(c), Resources: list}, nil
}

// Tokens makes and opens the tokens of pages.
func (d *Desk) Tokens() casebook.Tokens { return d.archive.Tokens }

// Zone is the site's time zone, in which a date without one is meant.
func (d *Desk) Zone() (*time.Location, error) {
	return time.LoadLocation(d.archive.Policy.Settings.Zone)
}

// Terminology gives the resources that say what the codes of the others mean, with
// what the site has of its own.
func (d *Desk) Terminology() ([]fhirmap.Resource, error) {
	return fhirmap.Terminology(d.of)
}

// resources gives every FHIR resource of a case that has any, encoded for readers
// that get them one by one: references by type and id, the history number and the
// time of change in meta. They are of the case that it answers with. A
// patient who cannot be referred to as the site has chosen is refused unless any form will
// do.
func (d *Desk) resources(ctx context.Context, c storage.Case, withoutStaff, anyPatient bool) ([]fhirmap.Resource, storage.Case, error) {
	end, err := d.archive.Turn(ctx)
	if err != nil {
		return nil, c, err
	}
	defer end()
	a, err := d.account(ctx, c)
	if err != nil {
		return nil, c, err
	}
	a.history.WithoutStaff = withoutStaff
	list, err := fhirmap.Resources(a.history)
	if errors.Is(err, fhirmap.ErrPatient) && anyPatient {
		a.history.Patient = settings.PatientReference{}
		list, err = fhirmap.Resources(a.history)
	}
	if errors.Is(err, fhirmap.ErrNothing) {
		return nil, a.c, nil
	}
	if err != nil {
		return nil, c, d.refused(a.c, err)
	}
	if list, err = fhirmap.Literal(list); err != nil {
		return nil, c, err
	}
	for i, r := range list {
		if list[i], err = fhirmap.Versioned(r, d.historyNumber(a.c), d.changedTime(a.c)); err != nil {
			return nil, c, err
		}
	}
	return list, a.c, nil
}

// CasesOf gives the uids of the cases of the site whose resource ids begin with
// these 48 bits, by one look into the store. known says whether it can be told.
func (d *Desk) CasesOf(ctx context.Context, who casebook.Principal, prefix int64) (uids []string, known bool, err error) {
	site, err := d.archive.Admit(who, nil)
	if err != nil {
		return nil, false, err
	}
	uids, err = d.archive.Store.CasesByPrefix(ctx, site, prefix)
	if errors.Is(err, storage.ErrNotProjected) {
		return nil, false, nil
	}
	return uids, err == nil, err
}

// refused tells whose patient's reference cannot be made what to do about it; another
// error stays as it is.
func (d *Desk) refused(c storage.Case, err error) error {
	if !errors.Is(err, fhirmap.ErrPatient) {
		return err
	}
	why := "holds a | , $ or \\, or names no system, by which a search would find somebody else"
	if d.of.Patient.Form == settings.PatientLiteral {
		why = "is of another system than fhir.patient_system, or makes no id of 1 to 64 letters, digits, . and -"
	}
	return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonPatientReference,
		"by the site's policy references to patients are %s, and the patient identifier of %s %s; correct the identifier, or choose another fhir.patient_reference", d.of.Patient.Form, d.archive.CaseName(c.UID), why)
}
