package settings

import (
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Names of tolerances that are not those of a leaf.
const (
	// StepLengths is for every length of a step without a row of its own.
	StepLengths valve.ID = "step_parameter"
	// RegurgitationGrades is in grades of one scheme, mitral and aortic.
	RegurgitationGrades valve.ID = "regurgitation_grade"
)

// RepeatabilityFactor makes the repeatability coefficient of the standard
// deviation of one measurement: 1.96 times the root of 2 (Bland and Altman, Stat
// Methods Med Res 1999;8:135-160; from memory).
const RepeatabilityFactor = 2.77

// builtInTolerances: a difference within them is none; common practice, no
// source. The two repeatability coefficients rest on assumed standard
// deviations of 1.2 mm and 1 mmHg, for none was found published.
var builtInTolerances = map[valve.ID]Tolerance{
	StepLengths:         {Absolute: 2, Source: SourceCommonPractice, Owner: Default},
	RegurgitationGrades: {Absolute: 1, Source: SourceCommonPractice, Owner: Default},

	valve.LeafletHeight:          {Absolute: 2, Source: SourceCommonPractice, Owner: Default},
	valve.CoaptationLength:       {Absolute: 2, Repeatability: 3.3, Source: SourceOwnModel, Owner: Default},
	valve.AnteriorClosureShare:   {Absolute: 10, Source: SourceCommonPractice, Owner: Default},
	valve.MeanGradient:           {Absolute: 1, Repeatability: 2.8, Source: SourceOwnModel, Owner: Default},
	valve.OutflowTractGradient:   {Relative: tenPercent, Absolute: 1, Source: SourceCommonPractice, Owner: Default},
	valve.PlanimetryOrificeArea:  {Relative: tenPercent, Absolute: 0.05, Source: SourceCommonPractice, Owner: Default},
	valve.RingOrificeArea:        {Relative: tenPercent, Absolute: 0.05, Source: SourceCommonPractice, Owner: Default},
	valve.ProlapsingWidthRemoved: {Absolute: 10, Source: SourceCommonPractice, Owner: Default},

	valve.AnnulusAnteroPosteriorDiameter:            {Absolute: 3, Source: SourceCommonPractice, Owner: Default},
	valve.AnnulusIntercommissuralDiameter:           {Absolute: 3, Source: SourceCommonPractice, Owner: Default},
	valve.AnnulusAnterolateralPosteromedialDiameter: {Absolute: 3, Source: SourceCommonPractice, Owner: Default},
	valve.StatedRegurgitantOrificeArea:              {Relative: tenPercent, Absolute: 0.05, Source: SourceCommonPractice, Owner: Default},
}

const tenPercent units.Ratio = 0.1

// Tolerance gives the tolerance of a leaf in its unit: its own row, or for a
// length of a step the common one; ok is false if there is none.
func (s Settings) Tolerance(leaf valve.ID, unit units.Unit) (t Tolerance, ok bool) {
	if t, ok = s.Tolerances[leaf]; ok {
		return t, true
	}
	if unit == units.MM || unit == units.SignedMM {
		t, ok = s.Tolerances[StepLengths]
	}
	return t, ok
}

// Margin gives the difference that must be exceeded before an outcome counts as
// different: the larger of the tolerance around the planned value and the
// repeatability coefficient.
func (t Tolerance) Margin(planned float64) float64 {
	return max(t.Of(planned), t.Repeatability)
}
