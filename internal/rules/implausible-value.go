package rules

import (
	"fmt"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var implausibleValue = Rule{
	ID: "implausible-value", Reference: "R58",
	Summary:  "A value lies within the plausible range of its leaf, which the catalogue prints.",
	Severity: Note, Kind: Plausibility, Source: settings.SourceMemory,
	Advice:         "Check the value; if it is right, nothing needs to be done.",
	Since:          "1",
	JudgesAllSince: "2",
	Where:          valuePlaces,
	Check: func(r *Reader) Verdict {
		var said []string
		for _, k := range r.implausibleHere() {
			if _, explained := slip(r, k); explained {
				continue
			}
			r.Read(k)
			leaf := r.leaf(k)
			said = append(said, fmt.Sprintf("%s of %s lies outside %s to %s",
				leafName(leaf), r.Text(k), units.FormatNumber(leaf.Low, leaf.Grid), Amount(k.ID, leaf.High)))
		}
		if len(said) == 0 {
			return Verdict{}
		}
		return broken("%s.", upperFirst(strings.Join(said, "; ")))
	},
	Examples: []Example{
		{Name: "22 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 22).Case()
		}},
		{Name: "48 mm: no other unit explains it", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 48).Case()
		}},
		{Name: "a slip of the unit is said by its own rule", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 2.2).Case()
		}},
		{Name: "the end of the range belongs to it", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 45).Case()
		}},
		{Name: "no value", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Case()
		}},
	},
}
