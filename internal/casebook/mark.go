package casebook

import (
	"context"

	"trigone/internal/convert"
	"trigone/internal/storage"
)

// Invented says whether the store keeps invented cases only. Who shows what is in it
// says so.
func (a *Archive) Invented(ctx context.Context) (bool, error) {
	m, err := a.mark(ctx)
	return m == storage.MarkInvented, err
}

// Invented says the same of the store that they share.
func (l Archives) Invented(ctx context.Context) (bool, error) { return l[0].Invented(ctx) }

// mark gives the mark of the store, which stands once it is there.
func (a *Archive) mark(ctx context.Context) (storage.Mark, error) {
	if known := a.known.Load(); known != nil {
		return *known, nil
	}
	m, err := a.Store.Mark(ctx)
	if err == nil && m != storage.Unmarked {
		a.known.Store(&m)
	}
	return m, err
}

// markOf gives the kind of a patient, and refuses one that the store does not take.
func (a *Archive) markOf(ctx context.Context, patient storage.Identifier) (storage.Mark, error) {
	m := storage.MarkReal
	if convert.Invented(patient.System) {
		m = storage.MarkInvented
	}
	switch kept, err := a.mark(ctx); {
	case err != nil:
		return m, err
	case kept == storage.MarkReal && m == storage.MarkInvented:
		return m, Refuse(FailedPrecondition, ReasonMark,
			"this store keeps real cases and takes no invented one: the system of the patient identifier begins with %s; send it to a service with a store of its own", convert.InventedSystems)
	case kept == storage.MarkInvented && m == storage.MarkReal:
		return m, Refuse(FailedPrecondition, ReasonMark,
			"this store keeps invented cases only, since its first case was one: the system of the patient identifier does not begin with %s; send it to a service with a store of its own", convert.InventedSystems)
	}
	return m, nil
}
