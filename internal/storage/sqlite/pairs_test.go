package sqlite

import (
	"strings"
	"testing"

	"trigone/internal/storage"
)

// What is summed stands in one index: no page of any other row is read.
func TestPairsReadTheIndexAlone(t *testing.T) {
	s, _ := openNew(t)
	if _, err := s.DeclareProjections(t.Context(), []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}}); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]storage.PairFilter{
		"all":               {},
		"a kind":            {Kinds: []int{5}},
		"a kind and metric": {Kinds: []int{5}, Metrics: []int{7, 9}},
	} {
		var where conditions
		where.add(`projection = ? AND site = ? AND `+pairsWhere, 1, 1)
		where.oneOf(`kind`, anyOf(f.Kinds))
		where.oneOf(`metric`, anyOf(f.Metrics))
		err := s.list(t.Context(), storage.ProjectionLedger, "harbour", func(l *listing) error {
			plan, err := planOf(l, pairsQuery(where), where.args)
			if len(plan) != 1 || !strings.HasPrefix(plan[0], "SEARCH comparisons USING COVERING INDEX comparison_pairs (projection=? AND site=?") {
				t.Errorf("%s: %q", name, plan)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}
