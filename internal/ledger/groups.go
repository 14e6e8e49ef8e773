package ledger

import (
	"fmt"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Group is a word under which a case is filed: what is filtered or grouped by. The
// operator is none of them: who may select by it is for the rights of a later
// version to say.
type Group struct{ Kind, Word string }

// groupKinds is the one table of what cases are grouped by. Stored rows hold the
// number of a kind: it is never used again, and a new kind takes the next one that
// labels of implants don't have either.
var groupKinds = []struct {
	number int
	kind   string
	words  func(f *trigonev1.CaseFacts) []string
}{
	{1, "aetiology", func(f *trigonev1.CaseFacts) []string { return one(f.GetValve().GetAetiology()) }},
	{2, "age_decade", func(f *trigonev1.CaseFacts) []string { return decade(f.GetPatient()) }},
	{3, "approach", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetApproach()) }},
	{26, "approach_changed", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetApproachChanged()) }},
	{4, "as_executed", func(f *trigonev1.CaseFacts) []string { return one(f.GetRepair().GetAsExecuted()) }},
	{5, "calcification", func(f *trigonev1.CaseFacts) []string { return one(f.GetValve().GetCalcification()) }},
	{6, "commissure", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetCommissures()) }},
	{7, "complexity", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetComplexity()) }},
	{27, "complication", complications},
	{8, "concomitant", func(f *trigonev1.CaseFacts) []string { return each(f.GetSetting().GetConcomitant()) }},
	{9, "converted", func(f *trigonev1.CaseFacts) []string { return one(f.GetRepair().GetConverted()) }},
	{28, "died_in_hospital", func(f *trigonev1.CaseFacts) []string { return one(f.GetOutcome().GetDiedInHospital()) }},
	{29, "died_within_30_days", func(f *trigonev1.CaseFacts) []string { return one(f.GetOutcome().GetDiedWithin_30Days()) }},
	{10, "dysfunction", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetDysfunctions()) }},
	{22, "fibrillation_before", func(f *trigonev1.CaseFacts) []string { return one(f.GetPatient().GetFibrillationBefore()) }},
	{30, "intended_procedure", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetIntendedProcedure()) }},
	{38, "later_operation", laterOperation},
	{11, "leaflet", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetLeaflets()) }},
	{12, "planned_approach", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetPlannedApproach()) }},
	{13, "previous_cardiac_surgery", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetPreviousCardiacSurgery()) }},
	{23, "previous_procedure", func(f *trigonev1.CaseFacts) []string { return each(f.GetSetting().GetPreviousProcedures()) }},
	{24, "protection", protections},
	{31, "readmitted_within_30_days", func(f *trigonev1.CaseFacts) []string { return one(f.GetOutcome().GetReadmittedWithin_30Days()) }},
	{32, "returned_to_theatre", func(f *trigonev1.CaseFacts) []string { return one(f.GetOutcome().GetReturnedToTheatre()) }},
	{14, "ring_family", ringFamilies},
	{15, "ring_kind", ringKinds},
	{16, "segment", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetSegments()) }},
	{17, "sex", func(f *trigonev1.CaseFacts) []string { return one(f.GetPatient().GetSex()) }},
	{25, "support", supports},
	{18, "technique", func(f *trigonev1.CaseFacts) []string { return f.GetRepair().GetTechniquesDone() }},
	{19, "technique_planned", func(f *trigonev1.CaseFacts) []string { return f.GetRepair().GetTechniquesPlanned() }},
	{20, "trainee_first", func(f *trigonev1.CaseFacts) []string { return one(f.GetTeam().GetTraineeFirst()) }},
	{21, "urgency", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetUrgency()) }},
}

// GroupKinds lists what cases are grouped by, in alphabetical order.
func GroupKinds() []string {
	var list []string
	for _, k := range groupKinds {
		list = append(list, k.kind)
	}
	return list
}

// kindNumber gives the number of a kind; 0: there is none of that name.
func kindNumber(kind string) int {
	for _, k := range groupKinds {
		if k.kind == kind {
			return k.number
		}
	}
	return 0
}

// kindOf gives the kind of a number; empty: there is none.
func kindOf(number int) string {
	for _, k := range groupKinds {
		if k.number == number {
			return k.kind
		}
	}
	return ""
}

// stored gives a group as rows have it.
func stored(g Group) storage.Group { return storage.Group{Kind: kindNumber(g.Kind), Word: g.Word} }

// storedGroups gives the groups of a filter as rows have them.
func storedGroups(filters []*trigonev1.FactFilter) (list []storage.Group) {
	for _, f := range filters {
		for _, w := range f.GetWords() {
			list = append(list, stored(Group{f.GetKind(), w}))
		}
	}
	return list
}

// Groups files a case under its words, each once. What is not recorded has no word.
func Groups(f *trigonev1.CaseFacts) []Group {
	var list []Group
	for _, k := range groupKinds {
		seen := map[string]bool{}
		for _, w := range k.words(f) {
			if w != "" && !seen[w] {
				seen[w] = true
				list = append(list, Group{Kind: k.kind, Word: w})
			}
		}
	}
	return list
}

func one(e protoreflect.Enum) []string { return []string{convert.Word(e)} }

func each[E protoreflect.Enum](list []E) []string {
	var out []string
	for _, e := range list {
		out = append(out, convert.Word(e))
	}
	return out
}

// oldest is the age from which one decade holds everybody.
const oldest = 90

func decade(p *trigonev1.FactPatient) []string {
	if p == nil || p.AgeYears == nil {
		return nil
	}
	from := p.GetAgeYears() / 10 * 10
	if from >= oldest {
		return []string{strconv.Itoa(oldest) + "_or_more"}
	}
	return []string{fmt.Sprintf("%d_to_%d", from, from+9)}
}

// rings gives the rings and bands that are there at the end: none once the valve
// was replaced.
func rings(f *trigonev1.CaseFacts) []*trigonev1.DeviceFacts {
	if f.GetRepair().GetConverted() == trigonev1.Answer_ANSWER_YES {
		return nil
	}
	var list []*trigonev1.DeviceFacts
	for _, d := range f.GetDevices() {
		switch d.GetFate() {
		case trigonev1.StepFate_STEP_FATE_UNSPECIFIED, trigonev1.StepFate_STEP_FATE_IN_PLACE:
			if d.GetPerformedStepId() != "" && (d.GetDeviceKind() == 0 || d.GetDeviceKind() == trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY && leftFate(d.GetDeviceFate())) {
				list = append(list, d)
			}
		}
	}
	return list
}

// leftFate says whether a device with this fate may be in place.
func leftFate(f trigonev1.DeviceFate) bool {
	return f == trigonev1.DeviceFate_DEVICE_FATE_UNSPECIFIED || f == trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE
}

func complications(f *trigonev1.CaseFacts) []string {
	var list []string
	for _, e := range f.GetEvents() {
		list = append(list, convert.Word(e.GetComplication()))
	}
	return list
}

// laterOperation files a case that follows an earlier one of the same patient.
func laterOperation(f *trigonev1.CaseFacts) []string {
	if f.GetSetting().GetPreviousCase() == "" {
		return nil
	}
	return one(trigonev1.Answer_ANSWER_YES)
}

func ringFamilies(f *trigonev1.CaseFacts) []string {
	var list []string
	for _, d := range rings(f) {
		list = append(list, d.GetFamilyKey())
	}
	return list
}

func ringKinds(f *trigonev1.CaseFacts) []string {
	var list []string
	for _, d := range rings(f) {
		list = append(list, convert.Word(d.GetKind()))
	}
	return list
}

func protections(f *trigonev1.CaseFacts) []string {
	var list []string
	for _, r := range f.GetRuns() {
		list = append(list, convert.Word(r.GetProtection()))
	}
	return list
}

// supports gives the devices that supported the circulation, in theatre or after it.
func supports(f *trigonev1.CaseFacts) []string {
	var list []string
	add := func(of []*trigonev1.CirculatorySupport) {
		for _, s := range of {
			list = append(list, convert.Word(s.GetKind()))
		}
	}
	add(f.GetTheatre().GetSupport())
	for _, s := range f.GetStatuses() {
		add(s.GetSupport())
	}
	return list
}
