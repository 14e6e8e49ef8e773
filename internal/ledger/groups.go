package ledger

import (
	"fmt"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

// Group is a word under which a case is filed: what is filtered or grouped by. The
// operator is none of them: who may select by it is for the rights of a later
// version to say.
type Group struct{ Kind, Word string }

// groupKinds is the one table of what cases are grouped by.
var groupKinds = []struct {
	kind  string
	words func(f *trigonev1.CaseFacts) []string
}{
	{"aetiology", func(f *trigonev1.CaseFacts) []string { return one(f.GetValve().GetAetiology()) }},
	{"age_decade", func(f *trigonev1.CaseFacts) []string { return decade(f.GetPatient()) }},
	{"approach", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetApproach()) }},
	{"as_executed", func(f *trigonev1.CaseFacts) []string { return one(f.GetRepair().GetAsExecuted()) }},
	{"calcification", func(f *trigonev1.CaseFacts) []string { return one(f.GetValve().GetCalcification()) }},
	{"commissure", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetCommissures()) }},
	{"complexity", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetComplexity()) }},
	{"concomitant", func(f *trigonev1.CaseFacts) []string { return each(f.GetSetting().GetConcomitant()) }},
	{"converted", func(f *trigonev1.CaseFacts) []string { return one(f.GetRepair().GetConverted()) }},
	{"dysfunction", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetDysfunctions()) }},
	{"leaflet", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetLeaflets()) }},
	{"planned_approach", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetPlannedApproach()) }},
	{"previous_cardiac_surgery", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetPreviousCardiacSurgery()) }},
	{"ring_family", ringFamilies},
	{"ring_kind", ringKinds},
	{"segment", func(f *trigonev1.CaseFacts) []string { return each(f.GetValve().GetSegments()) }},
	{"sex", func(f *trigonev1.CaseFacts) []string { return one(f.GetPatient().GetSex()) }},
	{"technique", func(f *trigonev1.CaseFacts) []string { return f.GetRepair().GetTechniquesDone() }},
	{"technique_planned", func(f *trigonev1.CaseFacts) []string { return f.GetRepair().GetTechniquesPlanned() }},
	{"trainee_first", func(f *trigonev1.CaseFacts) []string { return one(f.GetTeam().GetTraineeFirst()) }},
	{"urgency", func(f *trigonev1.CaseFacts) []string { return one(f.GetSetting().GetUrgency()) }},
}

// GroupKinds lists what cases are grouped by, in alphabetical order.
func GroupKinds() []string {
	var list []string
	for _, k := range groupKinds {
		list = append(list, k.kind)
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
			if d.GetPerformedStepId() != "" {
				list = append(list, d)
			}
		}
	}
	return list
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
