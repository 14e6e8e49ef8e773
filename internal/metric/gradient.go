package metric

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// GradientVerdict says how a mean gradient after repair stands to its limit.
type GradientVerdict int

// The verdicts.
const (
	GradientUnknown GradientVerdict = iota
	GradientWithin
	GradientHigh
	GradientNotComparable // above the limit, and not read when quiet
	GradientProvoked      // the limit at rest does not apply
)

// GradientReading is a mean gradient with what it was read under.
type GradientReading struct {
	Verdict GradientVerdict
	// Under says under what, e.g. at 112/min under an inotrope; empty: at rest and
	// quiet, as far as anyone says.
	Under string
}

// JudgeGradient judges the mean gradient that a study found after repair. It is the
// one table that rules and comparisons follow:
//
//	under exercise, or under dobutamine once theatre is left   the limit at rest does not apply
//	up to the limit                                            within
//	in theatre, under an inotrope or at a fast rate            not comparable, high from the limit of what was not accepted on
//	later, at a fast rate                                      not comparable
//	else                                                       high
//
// A rate that nobody recorded counts as quiet, and so does an inotrope.
func JudgeGradient(s settings.Settings, study *repair.Study, mean float64, rate units.Maybe[float64]) GradientReading {
	perMin, known := rate.Get()
	fast := known && s.Threshold(settings.GradientRateHigh).Beyond(perMin)
	inTheatre := study.Kind == repair.Result
	drug := inTheatre && (study.Inotrope == valve.Yes || study.Provocation == dobutamine)

	switch provocation := Provoked(study); {
	case provocation != "":
		return GradientReading{GradientProvoked, provocation}
	case !s.Threshold(settings.GradientHigh).Beyond(mean):
		return GradientReading{Verdict: GradientWithin}
	}
	under := ""
	if fast {
		under = "at " + units.Format(perMin, units.PerMin, 1)
	}
	if drug {
		if fast {
			under += " "
		}
		under += "under an inotrope"
	}
	if under == "" || inTheatre && s.Threshold(settings.GradientNotAccepted).Beyond(mean) {
		return GradientReading{GradientHigh, under}
	}
	return GradientReading{GradientNotComparable, under}
}

// Provoked says under what a study was done that takes the limit at rest away;
// empty: nothing.
func Provoked(study *repair.Study) string {
	switch {
	case study.Provocation == exercise:
		return "under exercise"
	case study.Provocation == dobutamine && study.Kind != repair.Result:
		return "under an inotrope given to provoke"
	}
	return ""
}

// Words of a provocation.
const (
	dobutamine = "inotrope"
	exercise   = "exercise"
)
