package render

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"trigone/internal/convert"
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

// implantColumns are the columns of the implants. They name the case by its number,
// always: whoever has to be found is found by it.
func implantColumns(s Sheet) []sheetColumn[*trigonev1.Implant] {
	type x = *trigonev1.Implant
	return slices.Concat([]sheetColumn[x]{
		{name: columnNumber, meaning: "Number of the case in the hospital.", of: func(i x) string { return i.GetExternalIdentifier().GetValue() }},
		{name: "incision_time", meaning: "Incision.", unit: "UTC", of: func(i x) string { return convert.TimeText(i.GetIncisionTime()) }},
		{name: "kind", meaning: "What kind of implant.", words: enumWords(trigonev1.DeviceKind(0)), of: func(i x) string { return wordKey(i.GetDevice().GetKind()) }},
		{name: "maker", meaning: "Who made it, as on the label.", of: func(i x) string { return i.GetDevice().GetMaker() }},
		{name: "model", meaning: "Model or reference number, as on the label.", of: func(i x) string { return i.GetDevice().GetModel() }},
		{name: "size", meaning: "Size, as on the label.", of: func(i x) string { return i.GetDevice().GetSize() }},
		{name: "lot_number", meaning: "Lot number.", of: func(i x) string { return i.GetDevice().GetLotNumber() }},
		{name: "serial_number", meaning: "Serial number.", of: func(i x) string { return i.GetDevice().GetSerialNumber() }},
		{name: "unique_device_identification", meaning: "The whole carrier of the unique device identification.", of: func(i x) string { return i.GetDevice().GetUniqueDeviceIdentification() }},
		{name: "expires_on", meaning: "Day on which it expires.", of: func(i x) string { return i.GetDevice().GetExpiresOn() }},
		{name: "place", meaning: "Whether it is still in place, as far as is recorded.", words: enumWords(trigonev1.ImplantPlace(0)), of: func(i x) string { return wordKey(i.GetPlace()) }},
		{name: "vital_status", meaning: "Last vital status recorded.", words: enumWords(trigonev1.VitalStatus(0)), of: func(i x) string { return wordKey(i.GetVitalStatus()) }},
		{name: "status_on", meaning: "Day on which that was known.", of: func(i x) string { return i.GetStatusOn() }},
		{name: "device_id", meaning: "Id of the implant in its case.", of: func(i x) string { return i.GetDevice().GetId() }},
		{name: "case_name", meaning: "The case.", of: func(i x) string { return i.GetCaseName() }},
		{name: columnNumberSystem, meaning: "System of the number of the case.", of: func(i x) string { return i.GetExternalIdentifier().GetSystem() }},
	}, ofSheet[x](s))
}

// ImplantsCSV writes implants as lines of comma-separated values.
func ImplantsCSV(w io.Writer, list []*trigonev1.Implant, s Sheet) error {
	s.CaseNumbers = true
	return writeSheet(w, s, implantColumns(s), list)
}

// ImplantsDictionary writes what the columns of that mean.
func ImplantsDictionary(w io.Writer, s Sheet) error {
	s.CaseNumbers = true
	return writeDictionary(w, s, "Implants that were looked for, one line for each.", implantColumns(s))
}
