package render

import (
	"fmt"
	"io"
	"time"

	"trigone/internal/invent"
)

// Department prints what is in an invented department: how much was sent of it, and
// what was built in with counts.
func Department(w io.Writer, d invent.Department, letters, retracted int) {
	heading(w, "Invented department (nobody in it exists)")
	again := len(d.Cases) - d.Settings.Cases
	text := fmt.Sprintf("Seed %d: %s", d.Settings.Seed, count(d.Settings.Cases, "operation", "operations"))
	if d.Settings.Cases > 0 {
		text += fmt.Sprintf(" from %s to %s", d.Cases[0].Incision.Format(time.DateOnly), d.Cases[d.Settings.Cases-1].Incision.Format(time.DateOnly))
	}
	text += fmt.Sprintf(", %s of a repair of theirs; %s sent in the order of time. %s opened twice, and the second retracted.",
		count(again, "re-operation", "re-operations"), count(letters, "submit", "submits"), count(retracted, "case was", "cases were"))
	wrapped(w, "  ", "  ", text)
	heading(w, "What was built in")
	g := newGrid("  ", "Fault", "Whom", "Cases", "Failed", "Replaced", "Further run", "Died early")
	for column := 3; column <= 7; column++ {
		g.right(column)
	}
	row := func(name, whom string, t invent.Tally) {
		g.row(name, whom, t.Cases, t.Failed, t.Converted, t.FurtherRun, t.DiedEarly)
	}
	faults := d.BuiltIn()
	for _, f := range faults {
		switch {
		case !f.In:
			g.row(f.Name, "left out", "", "", "", "", "")
		case f.Others.Cases == 0:
			row(f.Name, "every case", f.Met)
		default:
			row(f.Name, "met by it", f.Met)
			row("", "others", f.Others)
		}
	}
	g.print(w)
	for _, f := range faults {
		if f.In {
			wrapped(w, "  ", "  ", f.Name+": "+f.What)
		}
	}
	wrapped(w, "  ", "  ", "Failed: died early, the valve replaced, or moderate regurgitation or more in the last reading up to discharge. Died early: in the stay, or within 30 days.")
}
