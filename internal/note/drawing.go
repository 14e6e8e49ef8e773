package note

import (
	"trigone/internal/convert"
	"trigone/internal/draw"
	"trigone/internal/picture"
)

// subjectDrawn gives what is drawn of the case.
func (b *builder) subjectDrawn() draw.Subject {
	var plans []convert.PlanRevision
	for _, p := range b.in.Plans {
		plans = append(plans, convert.PlanRevision{Revision: p.Number, Plan: p.Plan})
	}
	s := convert.Drawn(convert.RecordOf(b.file, plans...), b.ev)
	s.Zone = b.zone
	return s
}

// strip draws the valve laid flat with what was planned and what was done; nothing
// that a model predicts stands in it.
func (b *builder) strip() Block { return b.drawn(draw.Strip) }

// drawingsOfPrediction are the drawings that show what a model predicts, which
// stand in the annex only.
func (b *builder) drawingsOfPrediction() []Block {
	return []Block{b.drawn(draw.Slice), b.drawn(draw.Aims)}
}

func (b *builder) drawn(by func(draw.Subject) picture.Picture) Block {
	p := by(b.subjectDrawn())
	if p.NotDrawn != "" {
		return Block{}
	}
	return Block{Drawing: &p}
}
