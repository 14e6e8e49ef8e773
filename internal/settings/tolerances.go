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
// deviation of one measurement: 1.96 times the root of 2.
const RepeatabilityFactor = 2.77

// builtInTolerances: a difference within them is none; common practice, no
// source. The repeatability coefficient of the coaptation length rests on an assumed
// standard deviation of 1.2 mm, for none was found published; that of the gradient
// follows its reading, which is less certain in atrial fibrillation.
var builtInTolerances = map[valve.ID]Tolerance{
	StepLengths:         {Absolute: 2, Source: SourceCommonPractice, Owner: Default},
	RegurgitationGrades: {Absolute: 1, Source: SourceCommonPractice, Owner: Default},

	valve.LeafletHeight:          {Absolute: 2, Source: SourceCommonPractice, Owner: Default},
	valve.CoaptationLength:       {Absolute: 2, Repeatability: 3.3, Source: SourceOwnModel, Owner: Default},
	valve.AnteriorClosureShare:   {Absolute: 10, Source: SourceCommonPractice, Owner: Default},
	valve.MeanGradient:           {Absolute: 1, PerSD: RepeatabilityFactor, Source: SourceRijsterborgh1990, Owner: Default},
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

// At gives the tolerance for a reading with its standard deviation, if one is known.
func (t Tolerance) At(sd units.Maybe[float64]) Tolerance {
	if v, known := sd.Get(); known && t.Repeatability == 0 {
		t.Repeatability = t.PerSD * v
	}
	return t
}

// Margin gives the difference that must be exceeded before an outcome counts as
// different: the larger of the tolerance around the planned value and the
// repeatability coefficient.
func (t Tolerance) Margin(planned float64) float64 {
	return max(t.Of(planned), t.Repeatability)
}
