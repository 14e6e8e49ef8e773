package render

import (
	"trigone/internal/picture"
	"trigone/internal/plot"
	trigonev1 "trigone/proto/trigone/v1"
)

// UnitsPlot draws the shares of units beside which their limits stand; ok is false where
// there are fewer than two.
func UnitsPlot(name, sentence string, f *trigonev1.Funnel, c *trigonev1.AuditContext) (p picture.Picture, ok bool) {
	panel := plot.SmallPanel{Name: "share, %", Percent: true}
	m := plot.Multiples{Frame: plot.Frame{Name: name, Sentence: sentence, Invented: c.GetInvented()}}
	for _, q := range f.GetPoints() {
		label := q.GetLabel()
		if len(label) == len("2026-H1") { // half-years stand close beside each other
			label = label[6:] + "/" + label[2:4]
		}
		m.Times = append(m.Times, label)
		panel.Points = append(panel.Points, plot.SmallPoint{Estimate: estimate(q.GetShare().GetShare()), Of: int(q.GetShare().GetOf())})
	}
	if f.Target != nil {
		panel.Reference, panel.ReferenceName = f.Target, "held against"
	}
	m.Panels = []plot.SmallPanel{panel}
	return m.Picture(), len(m.Times) > 1
}
