package rules

import (
	"cmp"
	"fmt"
	"slices"

	"trigone/internal/haemo"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var regurgitationBandsApart = Rule{
	ID: "regurgitation-bands-apart", Reference: "R54",
	Summary:  "The grades of orifice area, regurgitant volume and regurgitant fraction of one study do not lie two or more steps apart.",
	Severity: Note, Kind: Clinical, Source: settings.SourceASE2017,
	Thresholds: []string{settings.RegurgitationBandSteps},
	Advice:     "Have the study reviewed: the parameters do not agree, and none of them grades alone.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return holdsAny(c, s, valve.Nowhere, valve.StatedRegurgitantOrificeArea, valve.StatedRegurgitantVolume, valve.StatedRegurgitantFraction,
				valve.ProximalIsovelocityRadius)
		})
	},
	Check: func(r *Reader) Verdict {
		type graded struct {
			text string
			band haemo.Band
		}
		var list []graded
		for _, p := range []struct {
			words    string
			stated   valve.ID
			computed []valve.ID
			grade    func(float64) haemo.Band
		}{
			{"orifice area", valve.StatedRegurgitantOrificeArea,
				[]valve.ID{metric.IDAngleCorrectedOrifice, metric.IDOrificeByConvergence},
				func(v float64) haemo.Band { return haemo.GradeOrifice(units.Area(v)) }},
			{"volume", valve.StatedRegurgitantVolume,
				[]valve.ID{metric.IDAngleCorrectedVolume, metric.IDVolumeByConvergence, metric.IDVolumeFromInflow, metric.IDVolumeFromVentricle},
				func(v float64) haemo.Band { return haemo.GradeVolume(units.Volume(v)) }},
			{"fraction", valve.StatedRegurgitantFraction,
				[]valve.ID{metric.IDFractionFromInflow, metric.IDFractionFromVentricle},
				func(v float64) haemo.Band { return haemo.GradeFraction(units.Fraction(v)) }},
		} {
			id, value, known := r.firstOf(p.stated, p.computed...)
			if known {
				band := p.grade(value)
				list = append(list, graded{fmt.Sprintf("%s %s (%s)", p.words, Amount(id, value), band), band})
			}
		}
		if len(list) < 2 {
			for _, leaf := range []valve.ID{valve.StatedRegurgitantOrificeArea, valve.StatedRegurgitantVolume, valve.StatedRegurgitantFraction} {
				if !r.Has(r.Here(leaf)) {
					r.Miss(r.Here(leaf))
				}
			}
			return Verdict{}
		}
		low := slices.MinFunc(list, func(a, b graded) int { return cmp.Compare(a.band, b.band) })
		high := slices.MaxFunc(list, func(a, b graded) int { return cmp.Compare(a.band, b.band) })
		steps := high.band.StepsFrom(low.band)
		if !r.Beyond(float64(steps), settings.RegurgitationBandSteps) {
			return Verdict{}
		}
		return broken("The parameters of regurgitation lie %d bands apart: %s against %s.", steps, low.text, high.text)
	},
	Examples: []Example{
		{Name: "all severe", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedRegurgitantOrificeArea, 0.45).Set(valve.StatedRegurgitantVolume, 70).Case()
		}},
		{Name: "severe orifice, mild volume", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedRegurgitantOrificeArea, 0.45).Set(valve.StatedRegurgitantVolume, 20).Case()
		}},
		// A public worked example: 0.407 cm2 is severe, 57.0 mL one band below.
		{Name: "one band apart, computed from a radius", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.ProximalIsovelocityRadius, 9).Set(valve.AliasingVelocity, 40).
				Set(valve.RegurgitationPeakVelocity, 500).Set(valve.RegurgitationVelocityTimeIntegral, 140).Case()
		}},
		{Name: "two bands apart exactly", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedRegurgitantOrificeArea, 0.40).Set(valve.StatedRegurgitantVolume, 44).Case()
		}},
		{Name: "one parameter only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedRegurgitantOrificeArea, 0.45).Case()
		}},
	},
}

// firstOf reads the stated leaf, or else the first of the metrics that has a
// value in the study.
func (r *Reader) firstOf(stated valve.ID, computed ...valve.ID) (id valve.ID, value float64, known bool) {
	if k := r.Here(stated); r.Has(k) {
		return stated, r.Read(k), true
	}
	for _, id := range computed {
		k := r.Derived(id, r.At().Place, r.At().Occasion)
		if v, ok := r.Peek(k); ok && v.State == metric.HasValue {
			value, known = r.Metric(k)
			return id, value, known
		}
	}
	return "", 0, false
}
