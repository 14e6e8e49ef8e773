package invent

import (
	"math"
	"time"
)

// The operators. The last surgeon joins after a quarter of the cases; whoever is in
// training operates under supervision.
const (
	newOperator = "surgeon-4"
	trainee     = "trainee-1"
)

func (c *Case) team(r *draws, seen map[string]int) {
	newShare := 0.24
	if c.Share < joinedShare {
		newShare = 0
	}
	c.Operator = pick(r, share[string]{newOperator, newShare}, share[string]{"surgeon-1", 0.34}, share[string]{"surgeon-2", 0.28}, share[string]{"surgeon-3", 1})
	if train := r.happens(0.2); train && c.Operator == "surgeon-1" {
		c.Operator, c.Supervisor = trainee, "surgeon-1"
	}
	seen[c.Operator]++
	c.OperatorCase = seen[c.Operator]
	c.Setting.Approach = pick(r, share[string]{"sternotomy", 0.45}, share[string]{"thoracotomy", 0.25}, share[string]{"endoscopic", 0.2}, share[string]{"partial_sternotomy", 0.1})
	c.Setting.Urgency = pick(r, share[string]{"elective", 0.88}, share[string]{"urgent", 0.1}, share[string]{"emergency", 0.02})
	c.Setting.Bypass = r.happens(0.1)
	if c.Setting.Bypass || c.Setting.Urgency == "emergency" {
		c.Setting.Approach = "sternotomy"
	}
}

// plan draws what is meant to be done. How often plans come late, change or are
// missing: common practice, no source.
func (c *Case) plan(r *draws) {
	v, p := &c.Valve, &c.Plan
	c.Setting.Complexity = "simple"
	if v.FlailWidthMM > 13 {
		c.Setting.Complexity = "intermediate"
	}
	if v.Both || v.Segment == "a2" {
		c.Setting.Complexity = "complex"
	}
	u := r.Float64()
	switch {
	case v.Segment == "a2":
		p.Technique = Chords
	case v.Segment == "p2" && (v.ReadP2 >= 16 || v.FlailWidthMM > 13) && v.ReadP2 >= 15.5:
		p.Technique = Sliding
		if u < 0.12 {
			p.Technique = Chords
		}
	case u < 0.6 && v.FlailWidthMM <= 13:
		p.Technique = Triangular
	default:
		p.Technique = Chords
	}
	p.HeightP2 = v.ReadP2
	aim := steps(r.normal(13.6, 0.8, 12, 15.5), 0.5)
	extra := steps(r.normal(1, 0.7, 0, 3), 1)
	switch p.Technique {
	case Triangular:
		p.ResectionMM = v.FlailWidthMM + min(extra, 1)
	case Sliding:
		p.ResectionMM = v.FlailWidthMM + extra
		p.StripMM = v.ReadP2 - aim
		p.HeightP2 = aim
	case Chords:
		// 17 mm (9 to 27) posterior, 27 mm (18 to 32) anterior (Makhdom et al., n 264).
		p.ChordMM = steps(r.normal(17, 2.5, 11, 24), 1)
		if v.Segment == "a2" {
			p.ChordMM = steps(r.normal(27, 2.2, 20, 32), 1)
		}
		p.Pairs = 2 + int(v.FlailWidthMM/6)
	}
	family := pick(r, share[string]{FirstFamily, 0.52}, share[string]{MiscalibratedFamily, 0.28}, share[string]{BandFamily, 0.18})
	p.Ring = ringOf(family, sized(v.ReadA2))
	// 5 to 10 mm (McCarthy et al.).
	p.ContactLow, p.ContactHigh = 5, 10
	p.Revised = r.happens(0.08)
	p.Signed = c.Incision.Add(-time.Duration(14*60+r.IntN(5*60)) * time.Minute)
	p.None = c.Setting.Urgency == "emergency" || r.happens(0.02)
	p.Unsigned = r.happens(0.03)
	if r.happens(0.04) { // signed after the operation
		p.Signed = c.Incision.Add(time.Duration(8+r.IntN(60)) * time.Hour)
	}
}

// Constants of the invented models of risk, so that their means are what was
// published: operative mortality 1.16 %, conversion 6.36 % of repairs intended (53,462
// patients, 2014 to 2020, acc.org 2023-02-14). The factors are from memory.
const (
	deathIntercept = -5.1
	// A conversion is likelier the harder the valve.
	conversionSimple, conversionIntermediate, conversionComplex = 0.045, 0.075, 0.13
)

// Names of the invented models.
const (
	DeathModel      = "harbour-early-death"
	ConversionModel = "harbour-conversion"
	ModelVersion    = "1"
)

func (c *Case) risks(r *draws) {
	v, s := &c.Valve, &c.Setting
	x := deathIntercept + 0.06*float64(c.Age-61) + 0.04*max(0, 60-v.EjectionFraction)
	switch s.Urgency {
	case "urgent":
		x += 0.8
	case "emergency":
		x += 2
	}
	if s.Bypass {
		x += 0.6
	}
	if v.FunctionalClass == "iii" || v.FunctionalClass == "iv" {
		x += 0.4
	}
	s.DeathRisk = steps(1/(1+math.Exp(-x)), 0.0001)
	s.ConversionRisk = map[string]float64{"simple": conversionSimple, "intermediate": conversionIntermediate, "complex": conversionComplex}[s.Complexity]
	s.RiskMissing = r.happens(0.06)
}
