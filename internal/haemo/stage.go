package haemo

import "trigone/internal/units"

// Stage is a stage of chronic primary mitral regurgitation. The zero Stage is
// 'not staged'.
type Stage uint8

// The stages in their order. Severe regurgitation without symptoms is C1 while
// the ventricle is compensated and C2 once it is not; with symptoms it is D.
// Source: Otto et al., Circulation 2021;143:e72, table read in a secondary page.
// It divides severe from not severe where the bands do (orifice 0.40 cm2, volume
// 60 mL, fraction 50 %, vena contracta 7 mm) and knows no band between.
const (
	StageA Stage = iota + 1
	StageB
	StageC1
	StageC2
	StageD
)

// String gives the stage in words.
func (s Stage) String() string {
	switch s {
	case StageA:
		return "stage A, at risk"
	case StageB:
		return "stage B, progressive"
	case StageC1:
		return "stage C1, severe without symptoms, ventricle compensated"
	case StageC2:
		return "stage C2, severe without symptoms, ventricle decompensated"
	case StageD:
		return "stage D, severe with symptoms"
	default:
		return "not staged"
	}
}

// Limits of the stages beside those of the bands.
const (
	atRiskJet           units.Fraction = 20
	atRiskVenaContracta units.Length   = 3
	reducedEjection     units.Fraction = 60
	dilatedSystole      units.Length   = 40
)

// SmallJet says whether the largest jet takes less of the atrium than stage B
// asks for.
func SmallJet(share units.Fraction) bool { return share < atRiskJet }

// NarrowVenaContracta says whether the vena contracta is narrower than stage B
// asks for.
func NarrowVenaContracta(width units.Length) bool { return width < atRiskVenaContracta }

// EjectionReduced says whether the ejection fraction makes the ventricle
// decompensated: 60 % or less.
func EjectionReduced(ejection units.Fraction) bool { return ejection <= reducedEjection }

// SystoleDilated says whether the end-systolic diameter makes the ventricle
// decompensated: 40 mm or more.
func SystoleDilated(endSystolic units.Length) bool { return endSystolic >= dilatedSystole }
