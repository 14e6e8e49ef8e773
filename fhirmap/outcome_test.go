package fhirmap_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	trigonev1 "trigone/proto/trigone/v1"
)

// Who operated, what was implanted, how urgent it was and what came after it, element
// by element. Sources: HL7 FHIR R4 4.0.1 (Procedure, Device, ServiceRequest,
// Observation; RequestPriority, FHIRDeviceStatus); the package's documentation for
// choices.
func TestWhatIsToldBesideTheValues(t *testing.T) {
	bundle := transaction(t, fhirtest.Complete())
	died := fhirtest.Complete()
	u := died.Current.Case.CaseFile.FollowUps[0]
	u.VitalStatus, u.DiedOn, u.DeathCause, u.DeathPlace = trigonev1.VitalStatus_VITAL_STATUS_DEAD, "2026-04-20", trigonev1.DeathCause_DEATH_CAUSE_CARDIAC, trigonev1.DeathPlace_DEATH_PLACE_STAY
	u.Lost = trigonev1.Answer_ANSWER_YES
	died.Current.Case.CaseFile.Operation.LeftTheatreAlive = trigonev1.Answer_ANSWER_NO
	dead := transaction(t, died)
	const (
		year   = "follow_up/one-year"
		kidney = "fact/complication/" + year + "/c-kidney"
	)
	code := func(element ...any) []any { return append(element, "coding", 0, "code") }
	part := func(i int) []any { return []any{"component", i, "valueCodeableConcept", "coding", 0, "code"} }
	for _, r := range []struct {
		why    string
		bundle []byte
		key    string
		path   []any
		want   any
	}{
		{"who operated has a pseudonym", bundle, "operation", []any{"performer", 0, "actor", "identifier", "value"}, "surgeon-7"},
		{"of this site's record", bundle, "operation", []any{"performer", 0, "actor", "identifier", "system"}, fhirmap.Base + "/sites/harbour/operator"},
		{"a person, by logical reference", bundle, "operation", []any{"performer", 0, "actor", "type"}, "Practitioner"},
		{"no literal one", bundle, "operation", []any{"performer", 0, "actor", "reference"}, nil},
		{"with a role", bundle, "operation", code("performer", 0, "function"), "operator-role-supervisor"},
		{"the trainee too", bundle, "operation", code("performer", 1, "function"), "operator-role-trainee"},
		{"who has no pseudonym is nobody", bundle, "operation", []any{"performer", 2}, nil},
		{"a step names who did it", bundle, "step/s-resection", []any{"performer", 0, "actor", "identifier", "value"}, "fellow-3"},
		{"and nobody else", bundle, "step/s-resection", []any{"performer", 1}, nil},
		{"who signed asks for it", bundle, "plan/1", []any{"requester", "identifier", "value"}, "surgeon-7"},
		{"step by step", bundle, "plan/1/step/p-ring", []any{"requester", "identifier", "value"}, "surgeon-7"},
		{"and for the ring", bundle, "plan/1/ring/p-ring", []any{"requester", "identifier", "value"}, "surgeon-7"},
		{"the stay is the hospital's", bundle, "operation", []any{"encounter", "identifier", "value"}, "STAY-0001"},
		{"by logical reference", bundle, "operation", []any{"encounter", "reference"}, nil},
		{"of every step", bundle, "step/s-ring-2", []any{"encounter", "identifier", "system"}, "urn:oid:2.999.3"},
		{"and of the echo in theatre", bundle, "report|result/exit", []any{"encounter", "identifier", "value"}, "STAY-0001"},
		{"a later echo is of another stay", bundle, "report|" + year, []any{"encounter"}, nil},

		{"salvage is as urgent as can be said", bundle, "plan/1", []any{"priority"}, "stat"},
		{"and said exactly", bundle, "plan/1", code("orderDetail", 0), "urgency-salvage"},
		{"how it is meant to be done", bundle, "plan/1", code("orderDetail", 1), "approach-thoracotomy"},
		{"how urgent it was", bundle, "fact/urgency/operation", code("valueCodeableConcept"), "urgency-urgent"},
		{"in the operation", bundle, "fact/urgency/operation", []any{"effectivePeriod", "start"}, "2026-03-03T08:15:00Z"},
		{"what was intended", bundle, "fact/intended-procedure-kind/operation", code("valueCodeableConcept"), "intended-procedure-kind-repair"},
		{"when that was stated", bundle, "fact/intended-procedure-kind/operation", []any{"effectiveDateTime"}, "2026-03-03T07:50:00Z"},
		{"the last approach", bundle, "fact/approach/operation", code("valueCodeableConcept"), "approach-sternotomy"},
		{"the first", bundle, "fact/approach/operation", part(0), "approach-thoracotomy"},
		{"why it was changed", bundle, "fact/approach/operation", part(1), "approach-change-reason-adhesions"},
		{"how complex it was", bundle, "fact/complexity/operation", code("valueCodeableConcept"), "complexity-simple"},
		{"how a step was done", bundle, "step/s-resection", code("extension", 0, "valueCodeableConcept"), "resection-shape-triangular"},

		{"beside the repair", bundle, "concomitant-ablation", []any{"status"}, "completed"},
		{"what", bundle, "concomitant-ablation", code("code"), "concomitant-ablation"},
		{"which lines", bundle, "concomitant-ablation", code("extension", 0, "valueCodeableConcept"), "ablation-line-pulmonary-veins"},
		{"by what", bundle, "concomitant-ablation", code("extension", 2, "valueCodeableConcept"), "ablation-energy-cryothermy"},
		{"as planned", bundle, "concomitant-ablation", code("extension", 3, "valueCodeableConcept"), "planned-before"},
		{"the second of a kind is another", bundle, "concomitant-other/2", code("extension", 0, "valueCodeableConcept"), "not-planned-before"},
		{"decided against", bundle, "declined/concomitant-tricuspid-repair", []any{"status"}, "not-done"},
		{"for a reason", bundle, "declined/concomitant-tricuspid-repair", code("statusReason"), "declined-not-needed"},

		{"a complication in theatre", bundle, "operation", code("complication", 0), "complication-kind-low-output"},
		{"with its grade", bundle, "fact/complication/operation/c-low", part(0), "complication-grade-balloon-pump"},
		{"all of them", bundle, "fact/vital-status/operation", part(0), "recorded-complete"},
		{"left theatre alive", bundle, "fact/vital-status/operation", code("valueCodeableConcept"), "vital-status-alive"},
		{"then", bundle, "fact/vital-status/operation", []any{"effectiveDateTime"}, "2026-03-03T12:40:00Z"},
		{"died in theatre", dead, "fact/vital-status/operation", part(0), "death-place-theatre"},

		{"alive a year later", bundle, "fact/vital-status/" + year, code("valueCodeableConcept"), "vital-status-alive"},
		{"known on", bundle, "fact/vital-status/" + year, []any{"effectiveDateTime"}, "2027-03-02"},
		{"a part of the complications", bundle, "fact/vital-status/" + year, part(0), "recorded-partial"},
		{"all interventions", bundle, "fact/vital-status/" + year, part(1), "recorded-complete"},
		{"of readmissions nothing is said", bundle, "fact/vital-status/" + year, []any{"component", 2}, nil},
		{"dead", dead, "fact/vital-status/" + year, code("valueCodeableConcept"), "vital-status-dead"},
		{"the day of death", dead, "fact/vital-status/" + year, []any{"component", 0, "valueDateTime"}, "2026-04-20"},
		{"of the heart", dead, "fact/vital-status/" + year, part(1), "death-cause-cardiac"},
		{"in the stay", dead, "fact/vital-status/" + year, part(2), "death-place-stay"},
		{"not lost", bundle, "fact/contact/" + year, code("valueCodeableConcept"), "contact-kept"},
		{"lost", dead, "fact/contact/" + year, code("valueCodeableConcept"), "contact-lost"},
		{"class", bundle, "fact/functional-class/" + year, code("valueCodeableConcept"), "functional-class-ii"},
		{"rhythm", bundle, "fact/rhythm/" + year, code("valueCodeableConcept"), "rhythm-sinus"},
		{"discharge", bundle, "fact/discharge/" + year, []any{"effectiveDateTime"}, "2026-03-12"},
		{"where to", bundle, "fact/discharge/" + year, code("valueCodeableConcept"), "discharge-destination-rehabilitation"},
		{"a complication", bundle, kidney, code("valueCodeableConcept"), "complication-kind-kidney-injury"},
		{"its day", bundle, kidney, []any{"effectiveDateTime"}, "2026-03-05"},
		{"its grade", bundle, kidney, part(0), "complication-grade-stage-2"},
		{"by the default definition", bundle, kidney, part(1), "outcome-definition-kidney-injury-1"},
		{"no dialysis", bundle, kidney, part(2), "answer-no"},
		{"by a definition of the site's own", bundle, "fact/complication/" + year + "/other:2026-03-06", part(0), "own.rule/2"},
		{"of its system", bundle, "fact/complication/" + year + "/other:2026-03-06", []any{"component", 0, "valueCodeableConcept", "coding", 0, "system"}, fhirmap.Base + "/sites/harbour/outcome-definition"},
		{"a readmission", bundle, "fact/readmission/" + year + "/a-1", code("valueCodeableConcept"), "readmission-cause-heart-failure"},
		{"unplanned", bundle, "fact/readmission/" + year + "/a-1", part(0), "answer-yes"},
		{"one whose cause is not recorded", bundle, "fact/readmission/" + year + "/unspecified:2026-06-01", code("dataAbsentReason"), "unknown"},
		{"an intervention on the valve", bundle, "reintervention/" + year + "/r-1", code("code"), "reintervention-catheter"},
		{"by catheter it is no surgery", bundle, "reintervention/" + year + "/r-1", []any{"category"}, nil},
		{"its day", bundle, "reintervention/" + year + "/r-1", []any{"performedDateTime"}, "2026-09-01"},
		{"what was found", bundle, "reintervention/" + year + "/r-1", code("reasonCode", 0), "regurgitation-mechanism-prolapse"},
		{"in another stay", bundle, "reintervention/" + year + "/r-1", []any{"encounter"}, nil},
		{"a return to theatre", bundle, "return-to-theatre/" + year + "/bleeding:2026-03-04", code("reasonCode", 0), "return-reason-bleeding"},
		{"in the same stay", bundle, "return-to-theatre/" + year + "/bleeding:2026-03-04", []any{"encounter", "identifier", "value"}, "STAY-0001"},

		{"the ring's maker", bundle, "ring/s-ring-2", []any{"manufacturer"}, "Invented Rings Ltd"},
		{"its model", bundle, "ring/s-ring-2", []any{"modelNumber"}, "INV-R-32"},
		{"its lot", bundle, "ring/s-ring-2", []any{"lotNumber"}, "LOT-77001"},
		{"its serial number", bundle, "ring/s-ring-2", []any{"serialNumber"}, "SER-880001"},
		{"until when", bundle, "ring/s-ring-2", []any{"expirationDate"}, "2029-01-31"},
		{"its carrier", bundle, "ring/s-ring-2", []any{"udiCarrier", 0, "carrierHRF"}, "(01)00000000000017(17)290131(10)LOT-77001(21)SER-880001"},
		{"the identifier in it", bundle, "ring/s-ring-2", []any{"udiCarrier", 0, "deviceIdentifier"}, "00000000000017"},
		{"of this issuer", bundle, "ring/s-ring-2", []any{"udiCarrier", 0, "issuer"}, "http://hl7.org/fhir/NamingSystem/gs1-di"},
		{"the ring that was taken down has its own", bundle, "ring/s-ring-1", []any{"lotNumber"}, "LOT-77002"},
		{"and is not in place", bundle, "ring/s-ring-1", []any{"status"}, "inactive"},
		{"its label stays the step's", bundle, "ring/s-ring-1", []any{"property", 0, "valueQuantity", 0, "value"}, json.Number("30")},
		{"another thing is a device", bundle, "device/d-clip", code("type"), "device-kind-appendage-occluder"},
		{"whose size is a word", bundle, "device/d-clip", []any{"property", 0, "valueCode", 0, "text"}, "medium"},
		{"whose carrier is nobody's that we can read", bundle, "device/d-clip", []any{"udiCarrier", 0, "deviceIdentifier"}, nil},
		{"of what became of it nothing is known", bundle, "device/d-patch", []any{"status"}, "unknown"},
		{"what was there before is out", bundle, "device/d-old", []any{"status"}, "inactive"},
		{"for this reason", bundle, "device/d-old", code("statusReason", 0), "explanted-from-before"},
	} {
		if got := at(byKey(t, r.bundle, r.key), r.path...); got != r.want {
			t.Errorf("%s: %s %v is %v, want %v", r.why, r.key, r.path, got, r.want)
		}
	}

	id := func(key string) string { return "urn:uuid:" + byKey(t, bundle, key)["id"].(string) }
	for _, r := range []struct {
		why, from string
		path      []any
		to        string
	}{
		{"what is said of the operation is part of it", "fact/urgency/operation", []any{"partOf", 0, "reference"}, "operation"},
		{"what came after it is about it", kidney, []any{"focus", 0, "reference"}, "operation"},
		{"an intervention follows it", "reintervention/" + year + "/r-1", []any{"reasonReference", 0, "reference"}, "operation"},
		{"so does a return", "return-to-theatre/" + year + "/bleeding:2026-03-04", []any{"reasonReference", 0, "reference"}, "operation"},
		{"what was done beside is part of it", "concomitant-ablation", []any{"partOf", 0, "reference"}, "operation"},
		{"what was decided against too", "declined/concomitant-tricuspid-repair", []any{"partOf", 0, "reference"}, "operation"},
		{"a device of no step is the operation's", "operation", []any{"focalDevice", 0, "manipulated", "reference"}, "device/d-clip"},
		{"one of a step the step's", "step/s-resection", []any{"usedReference", 0, "reference"}, "device/d-patch"},
	} {
		if got := at(byKey(t, bundle, r.from), r.path...); got != id(r.to) {
			t.Errorf("%s: %s %v is %v, want %s", r.why, r.from, r.path, got, r.to)
		}
	}
	actions := []string{}
	for _, d := range byKey(t, bundle, "operation")["focalDevice"].(array) {
		actions = append(actions, at(d, "action", "coding", 0, "code").(string))
	}
	if !slices.Equal(actions, []string{"implanted", "explanted"}) {
		t.Errorf("with the devices of the operation was done %v", actions)
	}
}

// A recall reads Devices: which one names the ring that is in the patient must never
// be a guess.
func TestARingIsOneDevice(t *testing.T) {
	const ring, removed, inPlace = trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, trigonev1.DeviceFate_DEVICE_FATE_REMOVED, trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE
	device := func(id, step string, fate trigonev1.DeviceFate) *trigonev1.Device {
		return &trigonev1.Device{Id: id, Kind: ring, StepId: step, Fate: fate, LotNumber: "LOT-" + id}
	}
	for _, tt := range []struct {
		why     string
		devices []*trigonev1.Device
		want    string // lot of ring/s-ring-1, ring/s-ring-2, then of further Devices with their status
	}{
		{"that of the step", []*trigonev1.Device{device("a", "s-ring-2", inPlace)}, " LOT-a"},
		{"the only ring in place where it names no step", []*trigonev1.Device{device("a", "", inPlace)}, " LOT-a"},
		{"a ring whose fate is not recorded is the step's", []*trigonev1.Device{device("a", "s-ring-2", 0)}, " LOT-a"},
		{"each to its own", []*trigonev1.Device{device("a", "s-ring-2", inPlace), device("b", "s-ring-1", removed)}, "LOT-b LOT-a"},
		{"one removed of the step that stands is another", []*trigonev1.Device{device("a", "s-ring-2", inPlace), device("b", "s-ring-2", removed)}, " LOT-a LOT-b inactive"},
		{"two in place of one step: no guess", []*trigonev1.Device{device("a", "s-ring-2", inPlace), device("b", "s-ring-2", inPlace)}, "  LOT-a active LOT-b active"},
		{"a prosthesis is no ring", []*trigonev1.Device{{Id: "p", Kind: trigonev1.DeviceKind_DEVICE_KIND_PROSTHESIS, LotNumber: "LOT-p", Fate: inPlace}}, "  LOT-p active"},
		{"what was opened and not put in is none", []*trigonev1.Device{device("a", "s-ring-2", trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED)}, " "},
	} {
		h := fhirtest.Complete()
		h.Current.Case.CaseFile.Operation.Devices = tt.devices
		bundle := transaction(t, h)
		lot := func(r object) string { s, _ := r["lotNumber"].(string); return s }
		got := lot(byKey(t, bundle, "ring/s-ring-1")) + " " + lot(byKey(t, bundle, "ring/s-ring-2"))
		var further []string
		for _, r := range resources(t, bundle) {
			if strings.Contains(identifier(r), "/device/") {
				further = append(further, fmt.Sprintf(" %s %v", lot(r), r["status"]))
			}
		}
		slices.Sort(further)
		if got += strings.Join(further, ""); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.why, got, tt.want)
		}
		if faults := fhirtest.Check(bundle); faults != nil {
			t.Errorf("%s: %v", tt.why, faults)
		}
	}
}

// Who operated may be left out: of everything that names a person of the site nothing
// is there, and nothing else differs.
func TestWithoutStaff(t *testing.T) {
	with := fhirtest.Complete()
	without := with
	without.WithoutStaff = true
	text := transaction(t, without)
	for _, name := range []string{"surgeon-7", "fellow-3", "resident-5", "performer", "requester", "Practitioner"} {
		if bytes.Contains(text, []byte(name)) {
			t.Errorf("%s is in the bundle", name)
		}
	}
	stripped := resources(t, transaction(t, with))
	for _, r := range stripped {
		delete(r, "performer")
		delete(r, "requester")
	}
	for url, r := range resources(t, text) {
		if fmt.Sprint(r) != fmt.Sprint(stripped[url]) {
			t.Errorf("%s says something else", url)
		}
	}
}

// What is entered in error says nothing of what it was: no maker, no lot, no
// pseudonym, no stay.
func TestWhatEndedNamesNothing(t *testing.T) {
	text := transaction(t, fhirtest.Retracted())
	for _, name := range []string{"LOT-", "SER-", "Invented Rings", "surgeon-7", "fellow-3", "STAY-0001", "own.rule"} {
		if bytes.Contains(text, []byte(name)) {
			t.Errorf("%s is in the bundle of a retracted case", name)
		}
	}
}

// A status that was sent as alive and is dead now is amended.
func TestDeathAmendsTheStatus(t *testing.T) {
	first, second := fhirtest.Complete().Current, fhirmap.Snapshot{}
	second.Case = proto.Clone(first.Case).(*trigonev1.Case)
	second.Case.CaseVersion = 2
	u := second.Case.CaseFile.FollowUps[0]
	u.VitalStatus, u.DiedOn = trigonev1.VitalStatus_VITAL_STATUS_DEAD, "2027-03-01"
	third := fhirmap.Snapshot{Case: proto.Clone(second.Case).(*trigonev1.Case)}
	third.Case.CaseVersion = 3
	third.Case.CaseFile.FollowUps[0].DiedOn = "2027-02-28"
	bundle := transaction(t, fhirtest.Of("u", first, second))
	for key, want := range map[string]string{"fact/vital-status/follow_up/one-year": "amended", "fact/contact/follow_up/one-year": "final"} {
		if got := byKey(t, bundle, key)["status"]; got != want {
			t.Errorf("%s is %v, want %s", key, got, want)
		}
	}
	bundle = transaction(t, fhirtest.Of("u", second, third))
	if got := byKey(t, bundle, "fact/vital-status/follow_up/one-year")["status"]; got != "amended" {
		t.Errorf("another day of death: %v", got)
	}
}
