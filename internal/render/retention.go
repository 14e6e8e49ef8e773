package render

import (
	"fmt"
	"io"

	trigonev1 "trigone/proto/trigone/v1"
)

// retentionKinds are the kinds of what is kept for a time, in the words of a list.
var retentionKinds = map[trigonev1.RetentionKind]string{
	trigonev1.RetentionKind_RETENTION_KIND_QUARANTINE_BODIES: "quarantined bodies",
	trigonev1.RetentionKind_RETENTION_KIND_REQUESTS:          "earlier requests",
	trigonev1.RetentionKind_RETENTION_KIND_ACCESS_LINES:      "lines of who looked",
}

// Retention prints what went for its age, or would, and why.
func Retention(w io.Writer, r *trigonev1.RunRetentionResponse) {
	g := newGrid("", "What", "Kept", "Goes if before (UTC)", "Goes", "Oldest (UTC)", "Over its time and stays", "Oldest (UTC)")
	for _, column := range []int{4, 6} {
		g.right(column)
	}
	for _, o := range r.GetOutcomes() {
		kept := "for good"
		if o.GetKeptDays() > 0 {
			kept = count(int(o.GetKeptDays()), "day", "days")
		}
		g.row(retentionKinds[o.GetKind()], kept, minute(o.GetBefore()), int(o.GetCount()), minute(o.GetOldestTime()), int(o.GetHeldCount()), minute(o.GetOldestHeldTime()))
	}
	g.print(w)
	for _, o := range r.GetOutcomes() {
		fmt.Fprintln(w)
		wrapped(w, "", "  ", retentionKinds[o.GetKind()]+": "+o.GetExplanation())
	}
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetMessage())
}
