package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var regurgitantVolumeAboveStrokeVolume = Rule{
	ID: "regurgitant-volume-above-stroke-volume", Reference: "R56",
	Summary:  "A stated regurgitant volume is not above what the ventricle ejects in all, by the volumes of the same study and method.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the regurgitant volume or the volumes of the ventricle, or state the method of each.",
	Since:  "2",
	Under:  []string{"end-systolic-volume-not-below-end-diastolic"},
	Where:  regurgitantVolumes,
	Check: func(r *Reader) Verdict {
		stated, ejected, diastolic, systolic, ok := r.RegurgitantVolume()
		one := r.method(stated) != "" && r.OneMethod(stated, diastolic) && r.OneMethod(stated, systolic)
		if !ok || !one || !r.Greater(r.Read(stated), ejected) {
			return Verdict{}
		}
		return broken("A regurgitant volume of %s is stated where the ventricle ejects %s in all.", r.Text(stated), Amount(metric.IDVentricularStrokeVolume, ejected))
	},
	Examples: []Example{
		{Name: "60 of 100 mL", Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(60, valve.Echo3D, valve.Echo3D) }},
		{Name: "130 of 100 mL", Want: Broken, Case: func() *repair.Case { return exampleRegurgitant(130, valve.Echo3D, valve.Echo3D) }},
		{Name: "all of it exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(100, valve.Echo3D, valve.Echo3D) }},
		{Name: "another method does not contradict", Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(130, valve.Doppler, valve.Echo3D) }},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.StatedRegurgitantVolume, 130).
				Set(valve.LeftVentricularEndDiastolicVolume, 160).Case()
		}},
	},
}

// regurgitantVolumes gives the studies that state a regurgitant volume and hold
// at least one volume of the ventricle.
func regurgitantVolumes(c *repair.Case) []metric.At {
	return studies(c, func(s *repair.Study) bool {
		return holdsAny(c, s, valve.Nowhere, valve.StatedRegurgitantVolume) &&
			slices.ContainsFunc(c.Studies, func(o repair.Study) bool {
				return o.StudyID == s.StudyID &&
					holdsAny(c, &o, valve.Nowhere, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
			})
	})
}

// RegurgitantVolume gives the stated regurgitant volume of the study and what the
// ventricle ejects in all, if its volumes eject anything.
func (r *Reader) RegurgitantVolume() (stated valve.Key, ejected float64, diastolic, systolic valve.Key, ok bool) {
	stated = r.Here(valve.StatedRegurgitantVolume)
	diastolic = r.InStudy(valve.LeftVentricularEndDiastolicVolume, valve.Nowhere)
	systolic = r.InStudy(valve.LeftVentricularEndSystolicVolume, valve.Nowhere)
	ejected = r.Read(diastolic) - r.Read(systolic)
	return stated, ejected, diastolic, systolic, ejected > 0
}

func exampleRegurgitant(volume float64, stated, chambers valve.Method) *repair.Case {
	return repair.NewExample().Assess("tte").Method(stated).Set(valve.StatedRegurgitantVolume, volume).
		Method(chambers).Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60).Case()
}
