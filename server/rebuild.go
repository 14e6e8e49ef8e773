package server

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"

	"trigone/internal/casebook"
	"trigone/internal/handover"
	"trigone/internal/ledger"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	"trigone/server/fhirrest"
)

// projectors make what is kept beside each case, to be listed and counted.
func projectors() []casebook.Projector {
	return []casebook.Projector{ledger.Projection{}, handover.Resources{}, handover.Search{Index: fhirrest.Index, IndexVersion: fhirrest.IndexVersion()}}
}

// building makes rows that do not stand yet while the server serves.
type building struct {
	stop context.CancelFunc
	done chan struct{}
}

// rebuildRows begins to make what does not stand in the store. Until it is done, lists that
// read it are refused or read the rows of before.
func rebuildRows(ctx context.Context, store storage.Store, clinical policy.Policy, log *zap.Logger) *building {
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	b := &building{stop: stop, done: make(chan struct{})}
	go func() {
		defer close(b.done)
		built := map[string]casebook.Rebuilt{}
		err := casebook.Rebuild(ctx, casebook.RebuildConfig{
			Store: store, Policy: clinical, Projectors: projectors(), Report: func(r casebook.Rebuilt) { built[r.Projection] = r },
		})
		for _, r := range built {
			log.Info("rows made anew", zap.String("projection", r.Projection), zap.Int64("version", r.Version), zap.Int("cases", r.Cases))
		}
		if err != nil && ctx.Err() == nil {
			log.Error("rows could not be made anew; call trigoned rebuild", zap.Error(err))
		}
	}()
	return b
}

// end ends it where it is; the next start goes on.
func (b *building) end() {
	b.stop()
	<-b.done
}

// Rebuilt says how far a rebuild is.
type Rebuilt = casebook.Rebuilt

// Rebuild makes the rows of a store that lists read and that do not stand yet, from
// what is on record. It can be ended at any moment and goes on where it was. report
// is told after each step.
func Rebuild(ctx context.Context, storePath, policyPath string, report func(Rebuilt)) error {
	clinical, err := readPolicy(policyPath)
	if err != nil {
		return err
	}
	return inStore(ctx, storePath, func(store storage.Store) error {
		return casebook.Rebuild(ctx, casebook.RebuildConfig{Store: store, Policy: clinical, Projectors: projectors(), Report: report})
	})
}

// Restated says how far a restating is.
type Restated = casebook.Restated

// Restate judges the cases of a store again, under the present versions and a policy,
// as a report beside what was answered. It can be ended at any moment and goes on
// where it was. report is told after each step.
func Restate(ctx context.Context, storePath, policyPath string, report func(Restated)) error {
	clinical, err := readPolicy(policyPath)
	if err != nil {
		return err
	}
	return inStore(ctx, storePath, func(store storage.Store) error {
		return casebook.Restate(ctx, casebook.RestateConfig{
			Store: store, Policy: clinical, Software: Version(), Projector: ledger.Projection{}, Report: report,
		})
	})
}

// DropRestated removes from a store what was restated.
func DropRestated(ctx context.Context, storePath string) error {
	return inStore(ctx, storePath, func(store storage.Store) error { return casebook.DropRestated(ctx, store) })
}

// inStore opens a store that is there, for as long as use takes.
func inStore(ctx context.Context, path string, use func(storage.Store) error) (err error) {
	store, err := sqlite.Open(ctx, path, sqlite.Options{MustExist: true})
	if err != nil {
		return fmt.Errorf("open the store: %w", err)
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return use(store)
}
