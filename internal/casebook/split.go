package casebook

import (
	"context"
	"fmt"

	"trigone/internal/convert"
	"trigone/internal/storage"
)

// SplitWhole puts apart what identifies in the revisions of a case that were stored
// before schema 3, when a section lay in one piece. No answer changes by it. Called
// again it finds nothing to do.
func SplitWhole(ctx context.Context, store storage.Store, site, uid string) error {
	revisions, err := store.Revisions(ctx, site, uid)
	if err != nil {
		return err
	}
	var split []storage.Revision
	for _, r := range revisions {
		if !r.Whole {
			continue
		}
		m, err := convert.UnmarshalSection(r.Section, r.Content)
		if err == nil {
			r.Content, r.Identifying, err = convert.MarshalParts(m)
		}
		if err != nil {
			return fmt.Errorf("revision %d of %s cannot be split: %w", r.Revision, r.Section, err)
		}
		split = append(split, r)
	}
	if len(split) == 0 {
		return nil
	}
	return store.SplitRevisions(ctx, site, uid, split)
}
