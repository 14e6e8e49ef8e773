package discrepancy

import "slices"

// Parameters are what is compared under a name that is neither a leaf nor a metric:
// counts, words and grades. A stored row holds the number of one, its place here
// above those of the catalogue, so the list only grows at its end.
var parameters = []string{
	mitralGrade, ringKind, ringRigidity, ringFamily, ringLabel, distanceInSegments,
	pairCount, strandCount, "chord_count", "suture_count", "anterior_suture_count", "compression_suture_count",
	"form", "insertion", "papillary_muscle", "papillary_head", "from", "chords_kept", "shape", toAnnulus,
	"anterior_motion", "aortic_regurgitation", "lateral_wall",
	"planned_step_id", "revised_by", "taken_down_in_run", "run", "tried_step_ids", "decision", "conversion",
	"patch_material",
	"material", calibre,
}

// aboveMetrics is more than the catalogue will ever number.
const aboveMetrics = 10_000

// ParameterNumber gives the permanent number of a parameter that is compared; 0: it
// is none.
func ParameterNumber(name string) int {
	if i := slices.Index(parameters, name); i >= 0 {
		return aboveMetrics + i + 1
	}
	return 0
}

// ParameterByNumber gives the parameter of a number; empty: it is none.
func ParameterByNumber(number int) string {
	if i := number - aboveMetrics - 1; i >= 0 && i < len(parameters) {
		return parameters[i]
	}
	return ""
}

// Parameters gives their names.
func Parameters() []string { return slices.Clone(parameters) }
