package note

import (
	"slices"
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// implants lists what stayed in the patient, with what identifies it, and what was
// taken out again. What identifies an implant says 'not recorded' in its place: a
// recall asks for it.
func (b *builder) implants() []Block {
	var placed []implant
	var removed []Item
	told := map[string]bool{} // devices that stand with their step
	ring := false
	for _, s := range b.op.GetSteps() {
		r := s.GetTechnique().GetAnnuloplasty()
		if r == nil {
			continue
		}
		ring = true
		d := b.device(s.GetId(), trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY)
		told[d.GetId()] = d != nil
		if s.GetFate() == trigonev1.StepFate_STEP_FATE_TAKEN_DOWN || s.GetFate() == trigonev1.StepFate_STEP_FATE_REVISED {
			removed = append(removed, Item{Text: words.Sentence(joined(", ", "Removed: "+ringKind(r), with("labelled size", ringLabel(r)), label(d), b.when(s.GetTakenDownInRun(), trigonev1.Stage_STAGE_UNSPECIFIED)))})
			continue
		}
		placed = append(placed, implant{words.Capital(ringKind(r)), ringLabel(r), b.ringDimensions(r, s.GetId()), d})
	}
	if c := b.op.GetConversion(); b.converted() {
		d := b.device("", trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS)
		told[d.GetId()] = d != nil
		placed = append(placed, implant{words.Capital(joined(" ", say(c.GetProsthesis()), "prosthesis of the mitral valve")), labelled(c.ProsthesisLabel), "", d})
	}
	for _, d := range b.op.GetDevices() {
		switch {
		case told[d.GetId()]:
		case d.GetFate() == trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE || d.GetFate() == trigonev1.DeviceFate_DEVICE_FATE_UNSPECIFIED:
			placed = append(placed, implant{words.Capital(deviceName(d)), "", "", d})
		default:
			removed = append(removed, Item{Text: words.Sentence(joined(", ", words.Capital(joined(": ", say(d.GetFate()), deviceName(d))), label(d)))})
		}
	}
	if len(placed) == 0 && len(removed) == 0 {
		if !ring && b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
			return []Block{paragraph("No ring or band was implanted.")}
		}
		return []Block{paragraph("A ring or band is not recorded.")}
	}
	return append(implantTables(placed), list(removed))
}

// device gives the device of a step, or the one of a kind that names no step; nil:
// there is none.
func (b *builder) device(step string, kind trigonev1.DeviceKind) *trigonev1.Device {
	for _, d := range b.op.GetDevices() {
		if d.GetStepId() == step && d.GetKind() == kind {
			return d
		}
	}
	return nil
}

func deviceName(d *trigonev1.Device) string {
	switch d.GetKind() {
	case trigonev1.DeviceKind_DEVICE_KIND_ARTIFICIAL_CHORD:
		return "suture for neochordae"
	case trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY:
		return "ring or band"
	case trigonev1.DeviceKind_DEVICE_KIND_TRICUSPID_ANNULOPLASTY:
		return "ring or band of the tricuspid valve"
	case trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS:
		return "prosthesis of the mitral valve"
	case trigonev1.DeviceKind_DEVICE_KIND_OTHER_PROSTHESIS:
		return "prosthesis of another valve"
	case trigonev1.DeviceKind_DEVICE_KIND_APPENDAGE_OCCLUDER:
		return "closure of the left atrial appendage"
	case trigonev1.DeviceKind_DEVICE_KIND_PATCH:
		return "patch"
	}
	return "device"
}

// label is what is known of a device's label, on one line.
func label(d *trigonev1.Device) string {
	return joined(", ", clean(d.GetMaker()), clean(d.GetModel()), with("size", clean(d.GetSize())), with("serial number", clean(d.GetSerialNumber())), with("lot", clean(d.GetLotNumber())))
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

// implant is what is told of one implant.
type implant struct {
	name, size, dimensions string
	of                     *trigonev1.Device // nil: no device is recorded
}

// sideBySide is how many implants one table holds.
const sideBySide = 3

// implantTables puts implants beside each other.
func implantTables(all []implant) []Block {
	var blocks []Block
	for some := range slices.Chunk(all, sideBySide) {
		t := &Table{Header: []string{"As on the label"}}
		rows := [][]string{
			{"Size"}, {"Maker"}, {"Model"}, {"Serial number"}, {"Lot"}, {"Use before"}, {"Device identification"}, {"Dimensions"}, {"Label attached"},
		}
		identified, measured := 6, 7 // rows that nobody looks for where no implant has them
		for _, i := range some {
			t.Header = append(t.Header, i.name)
			d := i.of
			for n, text := range []string{
				or(orElse(clean(d.GetSize()), i.size)), or(clean(d.GetMaker())), or(clean(d.GetModel())), or(clean(d.GetSerialNumber())),
				or(clean(d.GetLotNumber())), or(day(d.GetExpiresOn())), orElse(clean(d.GetUniqueDeviceIdentification()), "–"), orElse(i.dimensions, "–"), "",
			} {
				rows[n] = append(rows[n], text)
			}
		}
		for n, row := range rows {
			told := slices.ContainsFunc(row[1:], func(s string) bool { return s != "–" })
			if told || n != identified && n != measured {
				t.Rows = append(t.Rows, row)
			}
		}
		blocks = append(blocks, Block{Table: t})
	}
	return blocks
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
