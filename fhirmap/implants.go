package fhirmap

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

func deviceKey(id string) string { return "device/" + id }

// ringLabel finds the recorded device that is the ring of a step: that of the step,
// else, where it is the only ring of its fate, the one that names no step. A ring
// would otherwise be two Devices, one without and one with its label.
func (p *producer) ringLabel(step string, inPlace bool) *trigonev1.Device {
	const kind = trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY
	if d := p.labelled(kind, step, inPlace); d != nil {
		return d
	}
	alike := 0
	for _, s := range p.file.GetOperation().GetSteps() {
		stays := s.GetFate() == trigonev1.StepFate_STEP_FATE_UNSPECIFIED || s.GetFate() == trigonev1.StepFate_STEP_FATE_IN_PLACE
		if s.GetTechnique().GetAnnuloplasty() != nil && stays == inPlace {
			alike++
		}
	}
	if alike != 1 {
		return nil
	}
	return p.labelled(kind, "", inPlace)
}

// labelled finds the recorded device of a kind and a step, empty: of none, whose fate
// agrees. Where several do it cannot be told which it is.
func (p *producer) labelled(kind trigonev1.DeviceKind, step string, inPlace bool) *trigonev1.Device {
	fate := trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE
	if !inPlace {
		fate = trigonev1.DeviceFate_DEVICE_FATE_REMOVED
	}
	var found *trigonev1.Device
	for _, d := range p.file.GetOperation().GetDevices() {
		if d.GetKind() != kind || d.GetStepId() != step || d.GetFate() != fate && d.GetFate() != trigonev1.DeviceFate_DEVICE_FATE_UNSPECIFIED {
			continue
		}
		if found != nil {
			return nil
		}
		found = d
	}
	return found
}

// identify says which piece it is, as its label does.
func (p *producer) identify(d *fhir.Device, of *trigonev1.Device) {
	if of == nil {
		return
	}
	p.identified[of.GetId()] = true
	d.Manufacturer, d.ModelNumber = text(of.GetMaker()), text(of.GetModel())
	d.LotNumber, d.SerialNumber, d.ExpirationDate = text(of.GetLotNumber()), text(of.GetSerialNumber()), date(of.GetExpiresOn())
	if carrier := of.GetUniqueDeviceIdentification(); carrier != "" {
		udi := fhir.DeviceUdiCarrier{CarrierHRF: text(carrier)}
		if gtin := gtinOf(carrier); gtin != "" {
			udi.DeviceIdentifier, udi.Issuer = text(gtin), text(gs1)
		}
		d.UdiCarrier = []fhir.DeviceUdiCarrier{udi}
	}
	if of.GetSize() != "" && len(d.Property) == 0 {
		d.Property = append(d.Property, labelOf(of.GetSize()))
	}
}

// gs1 issues device identifiers that are trade item numbers: HL7 FHIR R4 4.0.1,
// Device.udiCarrier.issuer.
const gs1 = "http://hl7.org/fhir/NamingSystem/gs1-di"

var tradeItem = regexp.MustCompile(`^\(01\)([0-9]{14})(\(|$)`)

// gtinOf gives the device identifier of a carrier in the human readable form of GS1,
// where 14 digits of the trade item number follow the application identifier (01);
// empty for any other: GS1 General Specifications, section 3, from memory.
func gtinOf(carrier string) string {
	if m := tradeItem.FindStringSubmatch(strings.TrimSpace(carrier)); m != nil {
		return m[1]
	}
	return ""
}

// LotInCarrier gives the lot number that the carrier of a Device holds; empty: none.
func LotInCarrier(carrier string) string { return repair.LotInCarrier(carrier) }

// labelOf gives a size as the label names it: a number, or words.
func labelOf(size string) fhir.DeviceProperty {
	if x, err := strconv.ParseFloat(size, 64); err == nil && x >= 0 && x <= 500 {
		return label(x)
	}
	return fhir.DeviceProperty{Type: *local(propertySystem, labelProperty), ValueCode: []fhir.CodeableConcept{{Text: text(size)}}}
}

// furtherDevices makes a Device of what was recorded beside rings and prostheses,
// whose Devices the steps make. What was opened and not put in is in nobody.
func (p *producer) furtherDevices() {
	for _, x := range p.file.GetOperation().GetDevices() {
		key := deviceKey(x.GetId())
		if p.identified[x.GetId()] || x.GetFate() == trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED || p.known[resourceID(p.uid, typeDevice, key)] {
			continue
		}
		d := p.implant(key, local(deviceSystem, deviceCode(x.GetKind())), true)
		var actions []string
		switch x.GetFate() {
		case trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE:
			actions = []string{"implanted"}
		case trigonev1.DeviceFate_DEVICE_FATE_REMOVED:
			actions = []string{"implanted", "explanted"}
			*d.Status, d.StatusReason = fhir.FHIRDeviceStatusInactive, []fhir.CodeableConcept{*local(reasonSystem, reasonTakenDown)}
		case trigonev1.DeviceFate_DEVICE_FATE_EXPLANTED:
			actions = []string{"explanted"}
			*d.Status, d.StatusReason = fhir.FHIRDeviceStatusInactive, []fhir.CodeableConcept{*local(reasonSystem, reasonExplanted)}
		default:
			*d.Status = fhir.FHIRDeviceStatusUnknown
		}
		p.identify(d, x)
		device := p.addDevice(key, d)
		proc := p.made(stepKey(x.GetStepId()))
		if proc == nil {
			proc = p.made(parentKey)
		}
		for _, action := range actions {
			proc.FocalDevice = append(proc.FocalDevice, fhir.ProcedureFocalDevice{Action: standard(actionSystem, action), Manipulated: device})
		}
		if len(actions) == 0 {
			proc.UsedReference = append(proc.UsedReference, device)
		}
	}
}

// made gives a Procedure that was made under a key; nil: none.
func (p *producer) made(key string) *fhir.Procedure {
	id := resourceID(p.uid, typeProcedure, key)
	for _, r := range p.out {
		if r.procedure != nil && r.id == id {
			return r.procedure
		}
	}
	return nil
}

// deviceCode gives our code of a kind of device.
func deviceCode(kind trigonev1.DeviceKind) string {
	switch kind {
	case trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY:
		return ringDevice
	case trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS:
		return prosthesisDevice
	}
	if code := enumCode(kind.Descriptor(), kind.Number()); code != "" {
		return code
	}
	return unknownDevice
}

// furtherDeviceConcepts names the kinds that are neither ring nor prosthesis of the
// mitral valve: those have codes of their own.
func furtherDeviceConcepts() []Concept {
	return slices.DeleteFunc(prefixedConcepts(trigonev1.DeviceKind(0).Descriptor()), func(c Concept) bool {
		return c.Code == "device-kind-annuloplasty" || c.Code == "device-kind-prosthesis"
	})
}
