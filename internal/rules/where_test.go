package rules

import (
	"testing"

	"trigone/internal/repair"
)

// An echo after the valve was replaced shows a prosthesis; that of the same day may, and
// where a day is not known nobody says that it does not.
func TestReplacedLater(t *testing.T) {
	for _, r := range []struct {
		why, replaced, echo, kind string
		want                      bool
	}{
		{"replaced before the echo", "2026-05-01", "2026-06-01", "replaced", true},
		{"replaced on its day", "2026-06-01", "2026-06-01", "replaced", true},
		{"replaced after it", "2026-06-02", "2026-06-01", "replaced", false},
		{"no day of the replacement", "", "2026-06-01", "replaced", true},
		{"no day of the echo", "2026-06-02", "", "replaced", true},
		{"repaired again", "2026-05-01", "2026-06-01", "repaired", false},
	} {
		echo := repair.Study{Kind: repair.FollowUp, EchoOn: r.echo}
		event := repair.Study{Kind: repair.FollowUp, Reinterventions: []repair.Reintervention{{Kind: r.kind, On: r.replaced}}}
		if got := replacedLater(&repair.Case{Studies: []repair.Study{echo, event}}, &echo); got != r.want {
			t.Errorf("%s: %v", r.why, got)
		}
	}
}
