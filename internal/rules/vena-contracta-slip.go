package rules

import (
	"fmt"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var venaContractaSlip = Rule{
	ID: "vena-contracta-slip", Reference: "R59",
	Summary:  "The width of the vena contracta, where there is one, is 1 mm or more.",
	Severity: Note, Kind: Slip, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.VenaContractaSlip},
	Advice:     adviceOnSlips,
	Since:      "3", JudgesAllSince: "3",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return holdsAny(c, s, valve.Nowhere, widths...) })
	},
	Check: func(r *Reader) Verdict {
		var said []string
		for _, leaf := range widths {
			k := r.Here(leaf)
			m, _ := r.Measurement(k)
			v, known := m.Value.Get()
			if !known || !r.Greater(v, 0) || !r.Below(v, settings.VenaContractaSlip) {
				continue
			}
			r.Read(k)
			row, _ := metric.LeafByID(leaf)
			said = append(said, fmt.Sprintf("the %s is %s: very narrow, or %s typed in cm", leafName(row), r.Text(k), r.inCentimetres(k)))
		}
		if len(said) == 0 {
			return Verdict{}
		}
		return broken("%s.", upperFirst(strings.Join(said, "; ")))
	},
	Examples: []Example{
		{Name: "7 mm", Want: Holds, Case: func() *repair.Case { return exampleWidth(7) }},
		{Name: "0.74 for 7.4 mm", Want: Broken, Case: func() *repair.Case { return exampleWidth(0.74) }},
		{Name: "in both planes", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.VenaContractaWidth, 0.74).Set(valve.VenaContractaWidthAcross, 0.9).Case()
		}},
		{Name: "1 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleWidth(1) }},
		{Name: "0: there is none", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleWidth(0) }},
		{Name: "not measured", Want: Inapplicable, Case: func() *repair.Case { return repair.NewExample().Assess("tte").Case() }},
	},
}

var widths = []valve.ID{valve.VenaContractaWidth, valve.VenaContractaWidthAcross}

func exampleWidth(mm float64) *repair.Case {
	return repair.NewExample().Assess("tte").Set(valve.VenaContractaWidth, mm).Case()
}
