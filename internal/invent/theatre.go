package invent

import "math"

// contactSD is how far contact lies about what the geometry of the valve gives, and
// contactReadingSD how far a reading lies about it, mm. 1.2 is what the service takes
// of a reading; together with how valves differ they give the 6.4 +/- 1.7 mm of
// McCarthy et al.
const (
	contactSD        = 0.7
	contactReadingSD = 0.9
)

// repair draws what was done and how the valve closes. How often it differs from the
// plan: common practice, no source.
func (c *Case) repair(r *draws, b Built) {
	v, p, d := &c.Valve, &c.Plan, &c.Repair
	d.Technique, d.ResectionMM, d.StripMM, d.ChordMM, d.Pairs, d.Ring = p.Technique, p.ResectionMM, p.StripMM, p.ChordMM, p.Pairs, p.Ring
	change, size, reason := r.Float64(), r.Float64(), r.Float64()
	chord, pairs, resection := r.of(0, 0.8), r.Float64(), r.Float64()
	because := pick(r, share[string]{"finding_differed", 0.5}, share[string]{"judgement", 0.3}, share[string]{"anatomy", 0.2})
	differs := false
	switch {
	case change < 0.04 && p.Technique == Triangular:
		d.Technique, d.ResectionMM, d.ChordMM, d.Pairs = Chords, 0, 16, 3
		differs = true
	case change < 0.06 && p.Technique == Chords && v.Segment == "p2" && v.FlailWidthMM <= 13:
		d.Technique, d.ResectionMM, d.ChordMM, d.Pairs = Triangular, v.FlailWidthMM, 0, 0
		differs = true
	default:
		if d.ChordMM > 0 {
			d.ChordMM = steps(d.ChordMM+chord, 1)
			if pairs < 0.12 {
				d.Pairs++
				differs = true
			}
		}
		if d.ResectionMM > 0 && resection < 0.15 {
			d.ResectionMM++
		}
	}
	switch {
	case size < 0.1 && p.Ring.Label > smallestLabel:
		d.Ring = ringOf(p.Ring.Family, p.Ring.Label-2)
		differs = true
	case size > 0.93 && p.Ring.Label < largestLabel:
		d.Ring = ringOf(p.Ring.Family, p.Ring.Label+2)
		differs = true
	}
	if differs && reason < 0.7 {
		d.Differs = because
	}
	// The ruler reads within 0.8 mm (s13019-022-01816-8 of chords); a suture takes or gives
	// a millimetre.
	execution := r.of(0, 0.7)
	d.P2 = v.P2
	if d.Technique == Sliding {
		d.P2 = v.P2 - d.StripMM + execution
	}
	d.ReadP2 = steps(r.normal(d.P2, 0.8, 8, 32), 0.5)

	depth, between, ringError := r.of(0, 0.7), r.of(0, contactSD), r.of(0, 0.4)
	offBypass, exit := r.of(0, contactReadingSD), r.of(0, contactReadingSD)
	d.MeasuredRing = r.happens(0.85) && !d.Ring.Band
	d.RingAP = d.Ring.AP
	if d.Ring.Family == MiscalibratedFamily {
		d.RingAP += b.RingOffMM
	}
	d.Depth = min(max(v.Depth+depth, 1.5), 9)
	d.Contact = max(contact(v.A2, d.P2, d.RingAP, d.Depth)+between-b.PredictionBiasMM, 0.5)
	d.OffBypass, d.Exit = steps(max(d.Contact+offBypass, 0.5), 0.1), steps(max(d.Contact+exit, 0.5), 0.1)
	d.RingAP = steps(d.RingAP+ringError, 0.1)
	d.Depth = steps(d.Depth, 0.1)
	// 0.76 of the antero-posterior diameter in front of the line (from McCarthy's means).
	d.ClosureShare = steps(100*min(max((v.A2-d.Contact)/d.Ring.AP+r.of(0, 0.03), 0.56), 0.82), 1)
	// 3.1 +/- 1.4 mmHg in theatre (Murashita et al. 2016, n 1,147); -0.181 mmHg per size
	// and +0.905 per m2 of body surface (Tomsic 2019, n 484).
	g := 3.1 - 0.181*(d.Ring.Label-32) + 0.905*(c.bodySurface()-1.9) + r.of(0, 1.3)
	if d.Ring.Family == MiscalibratedFamily && b.RingOffMM > 0 {
		g -= 0.05 * b.RingOffMM // a deeper ring is a wider one
	}
	d.Gradient = steps(min(max(g, 1), 8.5), 0.1)
	d.ExitGradient = steps(max(d.Gradient+r.of(0, 0.25), 0.8), 0.1)
	d.ExitRate = steps(r.normal(80, 8, 60, 99), 1)
}

// anteriorMotionShare is how often anterior motion is seen off bypass: 8.2 % of 549 (valves
// that are replaced after all do not count), of which 5 of 45 needed more than treatment
// (Kuperstein et al., J Thorac Cardiovasc Surg 2015).
const (
	anteriorMotionShare = 0.083
	anteriorMotionStays = 5.0 / 45
	// furtherRunShare: 4 % pooled (Michelena et al., Mayo Clin Proc 2010, n 15,540), 5 to 11 % elsewhere.
	furtherRunShare = 0.045
	// exitModerate: 0.7 % moderate, 2.8 % mild on leaving theatre (robotic series of 944, COHN ch. 40).
	exitModerate = 0.007
	exitMild     = 0.028
)

func (c *Case) theatre(r *draws, b Built) {
	t, ratio := &c.Theatre, c.failureOddsRatio(b)
	motion, stays, further, converts, early := r.Float64(), r.Float64(), r.Float64(), r.Float64(), r.Float64()
	point, grade, slip := r.Float64(), r.Float64(), r.Float64()
	conversionReason := pick(r, share[string]{"residual_regurgitation", 0.6}, share[string]{"tissue", 0.25}, share[string]{"instability", 0.15})

	// Times: common practice, no source; that they are long at first is known from
	// Holzhey et al. 2013 (75 to 125 operations).
	base := map[string]float64{Triangular: 78, Sliding: 98, Chords: 84}[c.Repair.Technique]
	extra := 0.0
	if b.LearningOddsRatio > 1 && c.Operator == newOperator {
		extra = 45 * c.toLearn()
	}
	if c.Operator == trainee {
		extra = 15
	}
	t.ClampMin = steps(r.normal(base, 13, 45, 170)+extra, 1)
	t.BypassMin = t.ClampMin + steps(r.normal(36, 7, 22, 70), 1)
	t.SecondClampMin = steps(r.normal(38, 10, 18, 80), 1)
	t.SecondBypass = t.SecondClampMin + steps(r.normal(24, 4, 15, 40), 1)

	t.AnteriorMotion = motion < anteriorMotionShare
	t.FirstGrade = None
	if grade > 0.6 {
		t.FirstGrade = Trace
	}
	switch {
	case converts < odds(c.Setting.ConversionRisk, ratio):
		t.Conversion = conversionReason
		t.AnteriorMotion = false
		t.FirstGrade = ""
		if point < 0.6 { // after weaning: a second run
			t.Conversion, t.FurtherRun, t.FirstGrade = "residual_regurgitation", "residual_regurgitation", Moderate
			if point < 0.2 {
				t.FirstGrade = Severe
			}
		}
		t.ExitGrade = None
	case t.AnteriorMotion && stays < odds(anteriorMotionStays, ratio):
		t.FurtherRun, t.FirstGrade, t.ExitGrade = "anterior_motion", Moderate, Trace
	case further < odds(furtherRunShare, ratio):
		t.FurtherRun, t.FirstGrade, t.ExitGrade = "residual_regurgitation", Moderate, Trace
		t.AnteriorMotion = false
	default:
		switch limit := odds(exitModerate, ratio); {
		case grade > 1-limit:
			t.FirstGrade = Moderate
		case grade > 1-limit-exitMild:
			t.FirstGrade = Mild
		}
		t.ExitGrade = t.FirstGrade
	}
	t.DiedThere = early < 0.08*c.deathRisk(b)
	t.NoExitEcho = r.happens(0.02)
	t.Ablated = r.happens(0.6) && c.Valve.Fibrillation == "paroxysmal" || c.Valve.Fibrillation == "persistent"
	t.Declined = !t.Ablated && c.Valve.Fibrillation == "paroxysmal" && r.happens(0.75)
	t.Unchecked, t.LeakSeen = r.happens(0.12), r.happens(0.5)
	switch {
	case slip < 0.008:
		t.Slip = SlipPeak
	case slip < 0.014:
		t.Slip = SlipClamp
	case slip < 0.02:
		t.Slip = SlipUnits
	}
}

// deathRisk is the true risk of early death: what the model expects, and what is built in.
func (c *Case) deathRisk(b Built) float64 { return odds(c.Setting.DeathRisk, c.failureOddsRatio(b)) }

// Rates of complications before discharge: common practice, no source; those that count as
// major add up with death to the 8.88 % of mortality or major morbidity of 53,462
// patients (acc.org 2023-02-14).
var complications = []struct {
	kind, grade string
	p           float64
	fails       bool // its odds rise with what is built in
}{
	{"stroke", "non_disabling", 0.008, true},
	{"stroke", "disabling", 0.005, true},
	{"prolonged_ventilation", "", 0.03, true},
	{"bleeding", "", 0.025, true},
	{"kidney_injury", "stage_3", 0.012, true},
	{"kidney_injury", "stage_1", 0.06, false},
	{"atrial_fibrillation", "", 0.27, false},
	{"pacemaker", "", 0.03, false},
	{"wound_infection", "superficial", 0.01, false},
}

func (c *Case) stay(r *draws, b Built) {
	s, t, ratio := &c.Stay, &c.Theatre, c.failureOddsRatio(b)
	s.Days = 5 + int(math.Floor(r.ExpFloat64()*3.2))
	death, when, grade, moderate := r.Float64(), r.ExpFloat64(), r.Float64(), r.Float64()
	for _, k := range complications {
		p, day := k.p, 1+r.IntN(4)
		if k.fails {
			p = odds(p, ratio)
		}
		old := k.kind == "atrial_fibrillation" && c.Valve.Fibrillation == "persistent"
		if r.happens(p) && !old &&
			(len(s.Complications) == 0 || s.Complications[len(s.Complications)-1].Kind != k.kind) {
			s.Complications = append(s.Complications, Complication{k.kind, k.grade, day})
			if k.fails {
				s.Days += 3
			}
		}
	}
	s.Missing = r.happens(0.025)
	s.NoEcho = r.happens(0.06)
	s.DiedOnDay = -1
	switch {
	case t.DiedThere:
		s.DiedOnDay, s.DiedInStay, s.Days, s.Complications = 0, true, 0, nil
		return
	case death < 0.92*c.deathRisk(b):
		s.DiedOnDay = 1 + int(when*9)
		s.DiedInStay = s.DiedOnDay <= 25
		if !s.DiedInStay && s.DiedOnDay > 30 {
			s.DiedInStay = true // a long stay
		}
		if s.DiedInStay {
			s.Days = s.DiedOnDay
			s.Complications = keepUntil(s.Complications, s.DiedOnDay)
		} else {
			s.Days = min(s.Days, s.DiedOnDay-2)
		}
	}
	// Discharge: none or trivial 64.9 % of 421 (TGKDC 2019, mixed disease), 97.1 % on leaving
	// theatre (robotic series of 944): this lies between.
	s.DischargeGrade = t.ExitGrade
	switch {
	case t.Conversion != "":
	case moderate < odds(0.008, ratio):
		s.DischargeGrade = Moderate
	case t.ExitGrade == None && grade < 0.4:
		s.DischargeGrade = Trace
	case t.ExitGrade == None && grade < 0.48, t.ExitGrade == Trace && grade < 0.25:
		s.DischargeGrade = Mild
	}
	s.Gradient = steps(max(c.Repair.ExitGradient+r.of(0.2, 0.5), 0.8), 0.1)
}

func keepUntil(list []Complication, day int) []Complication {
	var kept []Complication
	for _, c := range list {
		if c.Day <= day {
			kept = append(kept, c)
		}
	}
	return kept
}
