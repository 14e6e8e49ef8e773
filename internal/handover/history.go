package handover

import (
	"context"
	"errors"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
)

// limits gives the limits of the policy that an evaluation was made under; nil where
// there was none, or where this software cannot read it any more.
func (d *Desk) limits(ctx context.Context, hash string) (map[string]settings.Threshold, error) {
	if hash == "" {
		return nil, nil
	}
	p, err := d.archive.PolicyByHash(ctx, hash)
	var refused *casebook.Error
	if errors.As(err, &refused) {
		return nil, nil
	}
	return p.Settings.Thresholds, err
}

// history gives the states of a case: one for each evaluation, and the present
// one where the case was amended or retracted since the newest.
func (d *Desk) history(ctx context.Context, f *casebook.Folder) (fhirmap.History, error) {
	var h fhirmap.History
	var states []fhirmap.Snapshot
	limits := map[string]map[string]settings.Threshold{} // by policy, which seldom changes
	add := func(then *casebook.Folder, e *trigonev1.Evaluation) error {
		c, err := d.archive.Present(then)
		if err != nil {
			return err
		}
		c.Evaluation = e
		hash := e.GetPolicyHash()
		if _, known := limits[hash]; !known {
			if limits[hash], err = d.limits(ctx, hash); err != nil {
				return err
			}
		}
		states = append(states, fhirmap.Snapshot{Case: c, Limits: limits[hash]})
		return nil
	}
	var newest *trigonev1.Evaluation
	for _, row := range f.Earlier {
		var err error
		if newest, err = row.Message(); err != nil {
			return h, err
		}
		then := f.At(newest)
		then.Case.Version = row.CaseVersion
		if row.CaseVersion == f.Case.Version {
			then = f
		}
		if err := add(then, newest); err != nil {
			return h, err
		}
	}
	if n := len(f.Earlier); n == 0 || f.Earlier[n-1].CaseVersion != f.Case.Version {
		if err := add(f, newest); err != nil {
			return h, err
		}
	}
	h, err := fhirmap.Replay(f.Case.Site, f.Case.UID, states)
	h.Codes, h.Mapping = d.archive.Policy.Codes, d.mapping
	return h, err
}
