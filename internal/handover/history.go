package handover

import (
	"context"
	"errors"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/settings"
	"trigone/internal/storage"
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

// account is a case as it is handed over.
type account struct {
	c       storage.Case
	folder  *casebook.Folder
	history fhirmap.History
}

// account reads a case with what was sent of it. Both belong to one version, which
// is newer than that of c where the case was written meanwhile.
func (d *Desk) account(ctx context.Context, c storage.Case) (account, error) {
	for {
		a, err := d.read(ctx, c)
		if err != nil {
			return a, err
		}
		now, err := d.archive.Store.Case(ctx, c.Site, c.UID)
		if err != nil || now.Version == c.Version {
			return a, err
		}
		c = now
	}
}

func (d *Desk) read(ctx context.Context, c storage.Case) (account, error) {
	f, err := d.archive.Load(ctx, c)
	if err != nil {
		return account{}, err
	}
	state, err := d.archive.State(ctx, f)
	if err != nil {
		return account{}, err
	}
	h, err := historyOf(state)
	if err != nil {
		return account{}, err
	}
	rows, err := d.archive.Store.Resources(ctx, c.Site, c.UID)
	switch {
	case errors.Is(err, storage.ErrNotProjected):
		// Until they are built, the rows are what the states say.
		var anew fhirmap.Stated
		anew, err = replayed(state, ctx.Err)
		h.Sent = anew.Sent()
	case err == nil:
		h.Sent = sentOf(rows)
	}
	if err != nil {
		return account{}, err
	}
	h.Asked = ctx.Err
	h.Codes, h.Patient, h.Base, h.Mapping = d.of.Codes, d.of.Patient, d.of.Base, d.mapping
	if h.Current.Limits, err = d.limits(ctx, state.Evaluation.GetPolicyHash()); err != nil {
		return account{}, err
	}
	return account{c, f, h}, ctx.Err()
}
