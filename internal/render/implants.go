package render

import (
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// Implants prints in whom implants are, with a sentence that says what the list cannot
// tell.
func Implants(w io.Writer, list []*trigonev1.Implant, erased int32) {
	if len(list) > 0 {
		g := newGrid("", "Case", "Operated", "What", "Model", "Size", "Lot", "Serial number", "Place", "Patient")
		for i, columns := range []int{16, 10, 14, 14, 8, 14, 14, 18, 16} {
			g.most(1+i, columns)
		}
		for _, x := range list {
			d := x.GetDevice()
			operated := ""
			if t := x.GetIncisionTime(); t != nil {
				operated = t.AsTime().UTC().Format(time.DateOnly)
			}
			g.row(x.GetExternalIdentifier().GetValue(), operated, strings.ReplaceAll(Word(d.GetKind()), "_", " "),
				strings.TrimSpace(d.GetMaker()+" "+d.GetModel()), d.GetSize(), d.GetLotNumber(), d.GetSerialNumber(), implantPlace(x.GetPlace()), lastStatus(x))
		}
		g.print(w)
	}
	fmt.Fprintf(w, "%d implants in %d cases on record with such a label. An implant whose label was not recorded is not found: look in the implant book too.\n", len(list), casesOf(list))
	if erased > 0 {
		fmt.Fprintf(w, "Of %d cases everything that identifies was erased; what was implanted in them cannot be found here.\n", erased)
	}
}

func casesOf(list []*trigonev1.Implant) int {
	names := map[string]bool{}
	for _, x := range list {
		names[x.GetCaseName()] = true
	}
	return len(names)
}

func implantPlace(p trigonev1.ImplantPlace) string {
	switch p {
	case trigonev1.ImplantPlace_IMPLANT_PLACE_IN_PLACE:
		return "in place"
	case trigonev1.ImplantPlace_IMPLANT_PLACE_LATER_INTERVENTION:
		return "in place then; later intervention: ask"
	case trigonev1.ImplantPlace_IMPLANT_PLACE_REMOVED:
		return "taken out again in the operation"
	case trigonev1.ImplantPlace_IMPLANT_PLACE_EXPLANTED:
		return "explanted in the operation"
	}
	return "not recorded: may be in place"
}

func lastStatus(x *trigonev1.Implant) string {
	if x.GetVitalStatus() == trigonev1.VitalStatus_VITAL_STATUS_UNSPECIFIED {
		return "not recorded"
	}
	return strings.TrimSpace(Word(x.GetVitalStatus()) + " " + x.GetStatusOn())
}

// ImplantsCSV writes implants as lines of comma-separated values.
func ImplantsCSV(w io.Writer, list []*trigonev1.Implant) error {
	out := newSheet(w)
	if err := out.row([]string{
		"case_name", "case_number_system", "case_number", "incision_time", "device_id", "kind", "maker", "model", "size", "lot_number", "serial_number",
		"unique_device_identification", "expires_on", "place", "vital_status", "status_on",
	}); err != nil {
		return err
	}
	word := func(e protoreflect.Enum) string { return strings.ReplaceAll(Word(e), " ", "_") }
	for _, x := range list {
		d, incision := x.GetDevice(), ""
		if t := x.GetIncisionTime(); t != nil {
			incision = t.AsTime().UTC().Format(time.RFC3339)
		}
		if err := out.row([]string{
			x.GetCaseName(), x.GetExternalIdentifier().GetSystem(), x.GetExternalIdentifier().GetValue(), incision, d.GetId(), word(d.GetKind()), d.GetMaker(), d.GetModel(), d.GetSize(),
			d.GetLotNumber(), d.GetSerialNumber(), d.GetUniqueDeviceIdentification(), d.GetExpiresOn(), word(x.GetPlace()), word(x.GetVitalStatus()), x.GetStatusOn(),
		}); err != nil {
			return err
		}
	}
	return out.end()
}
