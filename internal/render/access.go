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
	g.keep(2)
	g.keep(4)
	g.keep(5)
	for i, columns := range []int{8, 19, 20, methodColumns, 11, 18} {
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
		g.row(a.GetNumber(), a.GetTime().AsTime().UTC().Format(time.DateTime), a.GetCaller(), atSlashes(a.GetMethod(), methodColumns), name, outcome)
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "no line")
	}
	g.print(w)
	if more {
		fmt.Fprintln(w, "There are older lines: ask for more with --most.")
	}
}

// methodColumns is how wide a method is printed on one line.
const methodColumns = 32

// atSlashes puts blanks behind slashes of a name that is wider, at which the table breaks
// it: no word of it is broken.
func atSlashes(name string, columns int) string {
	var b strings.Builder
	wide := 0
	for part := range strings.SplitAfterSeq(name, "/") {
		if wide > 0 && wide+len(part) > columns {
			b.WriteByte(' ')
			wide = 0
		}
		b.WriteString(part)
		wide += len(part)
	}
	return b.String()
}
