package render

import (
	"fmt"
	"io"
	"strings"
	"time"

	trigonev1 "trigone/proto/trigone/v1"
)

// Accesses prints lines of the access record; more says that there are older ones.
func Accesses(w io.Writer, list []*trigonev1.Access, more bool) {
	g := newGrid("", "Line", "Time (UTC)", "Who", "What", "Case", "Outcome")
	g.right(1)
	g.keep(5)
	for i, columns := range []int{8, 19, 20, 34, 11, 18} {
		g.most(1+i, columns)
	}
	for _, a := range list {
		name := a.GetCaseName()
		if i := strings.LastIndexByte(name, '/'); i >= 0 {
			name = name[i+1:]
		}
		name = name[:min(len(name), 8)]
		if a.GetCaseCount() > 0 {
			name = fmt.Sprintf("%d cases", a.GetCaseCount())
		}
		outcome := a.GetOutcome()
		if a.GetDetail() != "" {
			outcome += ", " + a.GetDetail()
		}
		if a.GetConcerns() > 0 {
			outcome += fmt.Sprintf(", line %d", a.GetConcerns())
		}
		g.row(a.GetNumber(), a.GetTime().AsTime().UTC().Format(time.DateTime), a.GetCaller(), a.GetMethod(), name, outcome)
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "no line")
	}
	g.print(w)
	if more {
		fmt.Fprintln(w, "There are older lines: ask for more with --most.")
	}
}
