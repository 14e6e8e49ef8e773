package note

import (
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// implants lists what stayed in the patient, with what identifies it, and what was
// taken out again. What identifies an implant says 'not recorded' in its place: a
// recall asks for it.
func (b *builder) implants() []Block {
	var blocks []Block
	var removed []Item
	ring := false
	for _, s := range b.op.GetSteps() {
		r := s.GetTechnique().GetAnnuloplasty()
		if r == nil {
			continue
		}
		ring = true
		if s.GetFate() == trigonev1.StepFate_STEP_FATE_TAKEN_DOWN || s.GetFate() == trigonev1.StepFate_STEP_FATE_REVISED {
			removed = append(removed, Item{Text: words.Sentence(joined(", ", "Removed: "+ringKind(r), with("labelled size", ringLabel(r)), b.when(s.GetTakenDownInRun(), trigonev1.Stage_STAGE_UNSPECIFIED)))})
			continue
		}
		blocks = append(blocks, b.implant(words.Capital(ringKind(r)), ringLabel(r), b.ringDimensions(r, s.GetId()))...)
	}
	if c := b.op.GetConversion(); b.converted() {
		blocks = append(blocks, b.implant(words.Capital(joined(" ", say(c.GetProsthesis()), "prosthesis of the mitral valve")), labelled(c.ProsthesisLabel), "")...)
	}
	if len(blocks) == 0 && len(removed) == 0 {
		switch {
		case !ring && b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
			return []Block{paragraph("No ring or band was implanted.")}
		default:
			return []Block{paragraph("A ring or band is not recorded.")}
		}
	}
	return append(blocks, list(removed))
}

func labelled(label *float64) string {
	if label == nil {
		return ""
	}
	return plain(*label)
}

// ringLabel is a label with the family it belongs to; empty: no label.
func ringLabel(r *trigonev1.Annuloplasty) string {
	if r.ImplantedLabel == nil {
		return ""
	}
	return plain(r.GetImplantedLabel()) + family(r)
}

// implant is the table of one implant.
func (b *builder) implant(name, size, dimensions string) []Block {
	t := &Table{Header: []string{name, "As on the label"}}
	for _, row := range [][]string{
		{"Labelled size", size}, {"Maker", ""}, {"Model", ""}, {"Serial number", ""}, {"Lot", ""}, {"Use before", ""},
	} {
		t.Rows = append(t.Rows, []string{row[0], or(row[1])})
	}
	if dimensions != "" {
		t.Rows = append(t.Rows, []string{"Dimensions", dimensions})
	}
	t.Rows = append(t.Rows, []string{"Label attached", ""})
	return []Block{{Table: t}}
}

// ringDimensions says what is known of a ring's dimensions; a band has a length, a
// ring has inner diameters.
func (b *builder) ringDimensions(r *trigonev1.Annuloplasty, step string) string {
	var parts []string
	for _, d := range []struct {
		field valve.ID
		name  string
	}{
		{valve.RingInnerAnteroPosteriorDiameter, "inner antero-posterior"}, {valve.RingInnerTransverseDiameter, "inner transverse"},
		{valve.RingOrificeArea, "orifice area"}, {valve.BandLength, "length"},
	} {
		if v := b.quantity(r, d.field, valve.AtStep(step), valve.AtOperation); v != "" && v != notApplicable {
			parts = append(parts, d.name+" "+v)
		}
	}
	return strings.Join(parts, ", ")
}
