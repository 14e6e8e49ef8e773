package repair

// complicationGrades are the grades that a kind of complication has, both by the
// words of the contract. A kind that is not here has none.
var complicationGrades = map[string][]string{
	"stroke":                 {"non_disabling", "disabling", "not_known_yet"},
	"kidney_injury":          {"stage_1", "stage_2", "stage_3"},
	"perioperative_bleeding": {"class_0", "class_1", "class_2", "class_3", "class_4"},
	"myocardial_infarction":  {"with_evidence", "marker_only"},
	"wound_infection":        {"superficial", "deep"},
	"vascular_injury":        {"minor", "major"},
	"tamponade":              {"minor", "major"},
	"low_output":             {"drugs_over_24_h", "balloon_pump", "extracorporeal"},
	"endocarditis":           {"active", "healed"},
}

// ComplicationGrades gives the grades that a kind of complication has.
func ComplicationGrades(kind string) []string { return complicationGrades[kind] }

// DefaultDefinition says whether key and version are the default definition of a
// kind of complication: its own word, as the contract tells beside the kind.
func DefaultDefinition(kind, key, version string) bool {
	return kind != "" && key == kind && version == "1"
}
