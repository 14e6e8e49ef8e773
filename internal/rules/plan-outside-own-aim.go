package rules

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var planOutsideOwnAim = Rule{
	ID: "plan-outside-own-aim", Reference: "",
	Summary:  "What the plan's own numbers predict (coaptation length, mean gradient, closure line, height of the posterior leaflet) does not lie with its whole range outside the plan's own aim.",
	Severity: Note, Kind: Clinical, Source: settings.SourceOwnModel,
	Advice: "Change the plan or the aim, or say why both stand; the range is that of an uncalibrated model.",
	Since:  "3",
	Where:  plannedAims,
	Check: func(r *Reader) Verdict {
		const calibrated = "Change the plan or the aim, or say why both stand; the range is that of a model under the site's calibration."
		return againstOwnAims(r, calibrated, func(p ownPrediction) string {
			if !p.whollyOutside() {
				return ""
			}
			return p.subject + " is predicted from the plan itself at " + p.span() + ", wholly outside the plan's own aim of " + p.aimText() + "."
		})
	},
	Examples: []Example{
		{Name: "9 mm predicted, 6 to 12 mm aimed at", Want: Holds, Case: func() *repair.Case { return exampleAim(18, 6, 12) }},
		{Name: "4 mm predicted, 10 mm and more aimed at", Want: Broken, Case: func() *repair.Case { return exampleAim(8, 10, 14) }},
		{Name: "more than the aim allows", Want: Broken, Case: func() *repair.Case { return exampleAim(28, 2, 4) }},
		{Name: "the range ends where the aim begins", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleAim(18, exampleReach(18), 20)
		}},
		{Name: "an output of 6 L/min through a small ring, 2 mmHg at most aimed at", Want: Broken, Case: func() *repair.Case {
			return exampleGradientAim(6, 2)
		}},
		{Name: "a posterior leaflet planned at 20 mm, 12 mm at most aimed at", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.P2, 24).Plan().Height(valve.P2, 20).
				Device("ring", repair.CompleteRing).Edit(aimsAt(repair.Target{
				ID: "t", Leaf: valve.LeafletHeight, Place: valve.AtStation(valve.P2, valve.SegmentMid), High: units.Some(12.0),
			})).Case()
		}},
		{Name: "the model does not hold", Want: Holds, Case: func() *repair.Case {
			c := exampleAim(8, 10, 14)
			c.Studies[0].Calcification = "extensive"
			return c
		}},
		{Name: "artificial chords hold the line: the overlap is unknown", Want: Holds, Case: func() *repair.Case {
			c := exampleAim(8, 10, 14)
			c.Plan.Steps = append(c.Plan.Steps, repair.Step{ID: "c", Technique: repair.ArtificialChord, Places: []repair.Location{{Segment: valve.P2}}})
			return c
		}},
		{Name: "no ring's diameter", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 26).Height(valve.P2, 16).
				Plan().Device("ring", repair.CompleteRing).Edit(aimsAt(exampleCoaptationAim(6, 12))).Case()
		}},
		{Name: "a plan without an aim", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("ring", repair.CompleteRing).Case()
		}},
	},
}

// plannedAims gives each place and stage at which the plan aims at something that
// is predicted from it.
func plannedAims(c *repair.Case) []metric.At {
	var list []metric.At
	if c.Plan == nil {
		return nil
	}
	for _, t := range c.Plan.Targets {
		here := at(valve.AtPlan)
		here.Place, here.Stage = t.Place, t.Stage
		if t.Low.IsNone() && t.High.IsNone() || predictedFor(c, t).ID == "" || slices.Contains(list, here) {
			continue
		}
		list = append(list, here)
	}
	return list
}

// predictedFor gives the key under which a plan predicts what it aims at; without an
// id it does not.
func predictedFor(c *repair.Case, t repair.Target) valve.Key {
	predicted := valve.Key{Place: cmp.Or(t.Place, valve.AtSlice(valve.A2P2)), Occasion: valve.AtPlan, Role: valve.PredictedFromPlan}
	switch t.Leaf {
	case valve.CoaptationLength:
		if slices.Contains([]valve.Method{"", valve.Echo2D, valve.Echo3D}, t.Method) {
			predicted.ID = metric.IDPredictedOverlap
		}
	case valve.AnteriorClosureShare:
		predicted.ID = metric.IDPredictedAnteriorShare
	case valve.MeanGradient:
		for _, s := range firmSteps(c, valve.AtPlan) {
			if s.Technique == repair.Annuloplasty {
				predicted = valve.Key{ID: metric.IDExpectedGradient, Place: valve.AtStep(s.ID), Occasion: valve.AtPlan, Role: valve.Planned}
			}
		}
	case valve.LeafletHeight:
		seg, station := t.Place.Segment(), t.Place.Station()
		if seg.Leaflet() == valve.Posterior && (station == valve.SegmentMid || station == valve.Seam) {
			predicted = valve.Key{ID: metric.IDFinalPosteriorHeight, Place: valve.AtSegment(seg), Occasion: valve.AtPlan, Role: valve.Planned}
		}
	}
	return predicted
}

// ownPrediction is an aim of the plan beside what the plan itself predicts for it.
type ownPrediction struct {
	subject   string
	aim       repair.Target
	predicted metric.Value
}

// againstOwnAims lets say hold each aim of a place against its prediction. What the
// model does not hold for is passed over; what lacks an input is missing, unless
// another aim there is spoken of. Calibrated is the advice where the prediction was
// corrected by the site's calibration.
func againstOwnAims(r *Reader, calibrated string, say func(ownPrediction) string) Verdict {
	var said []string
	var lacking []valve.Key
	advice := ""
	for _, t := range r.Case().Plan.Targets {
		if t.Place != r.At().Place || t.Stage != r.At().Stage || t.Low.IsNone() && t.High.IsNone() {
			continue
		}
		k := predictedFor(r.Case(), t)
		v, found := r.Peek(k)
		switch {
		case k.ID == "":
		case found && v.State == metric.HasValue && v.Lower.IsSome() && v.Upper.IsSome():
			if text := say(ownPrediction{aimSubject(t), t, v}); text != "" {
				r.Fact("aim", t.ID)
				r.Metric(k)
				said = append(said, text)
				if v.Calibration != "" {
					advice = calibrated
				}
			}
		case found && len(v.Missing) > 0:
			lacking = append(lacking, k)
		}
	}
	if len(said) > 0 {
		return Verdict{Broken: true, Message: strings.Join(said, " "), Advice: advice}
	}
	for _, k := range lacking {
		r.Metric(k)
	}
	return Verdict{}
}

func aimSubject(t repair.Target) string {
	switch t.Leaf {
	case valve.CoaptationLength:
		slice := cmp.Or(t.Place, valve.AtSlice(valve.A2P2))
		return "The coaptation length of " + strings.ToUpper(strings.ReplaceAll(string(slice), "_", "-"))
	case valve.AnteriorClosureShare:
		return "The closure line, in percent of the antero-posterior diameter from the anterior hinge,"
	case valve.MeanGradient:
		return "The mean gradient across the planned ring"
	}
	return "The height of " + segmentName(t.Place.Segment())
}

func (p ownPrediction) whollyOutside() bool {
	low, hasLow := p.aim.Low.Get()
	high, hasHigh := p.aim.High.Get()
	return hasLow && p.predicted.Upper.OrElse(0) < low || hasHigh && p.predicted.Lower.OrElse(0) > high
}

func (p ownPrediction) middleOutside() bool {
	low, hasLow := p.aim.Low.Get()
	high, hasHigh := p.aim.High.Get()
	return hasLow && p.predicted.Value < low || hasHigh && p.predicted.Value > high
}

func (p ownPrediction) amount(v float64) string { return Amount(p.predicted.Key.ID, v) }

func (p ownPrediction) span() string {
	return p.fromTo(p.predicted.Lower.OrElse(0), p.predicted.Upper.OrElse(0))
}

// fromTo prints two values with their unit once.
func (p ownPrediction) fromTo(low, high float64) string {
	from, _, _ := strings.Cut(p.amount(low), " ")
	return from + " to " + p.amount(high)
}

func (p ownPrediction) aimText() string {
	low, hasLow := p.aim.Low.Get()
	high, hasHigh := p.aim.High.Get()
	switch {
	case hasLow && hasHigh:
		return p.fromTo(low, high)
	case hasLow:
		return "at least " + p.amount(low)
	}
	return "at most " + p.amount(high)
}

func aimsAt(targets ...repair.Target) func(*repair.Case) {
	return func(c *repair.Case) { c.Plan.Targets = targets }
}

func exampleCoaptationAim(low, high float64) repair.Target {
	return repair.Target{ID: "t", Leaf: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2), Stage: valve.LeavingTheatre, Low: units.Some(low), High: units.Some(high)}
}

// exampleAim plans a posterior height behind an A2 of 26 mm and a ring of 26 mm: half
// the height is predicted as coaptation.
func exampleAim(posterior, low, high float64) *repair.Case {
	return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 26).Height(valve.P2, 20).
		Plan().Height(valve.P2, posterior).Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).
		Edit(aimsAt(exampleCoaptationAim(low, high))).Case()
}

// exampleReach gives the upper end of what exampleAim predicts.
func exampleReach(posterior float64) float64 {
	for _, v := range metric.Compute(exampleAim(posterior, 6, 12), settings.BuiltIn("example", "1", "UTC")) {
		if v.Key.ID == metric.IDPredictedOverlap {
			return v.Upper.OrElse(0)
		}
	}
	return 0
}

// exampleGradientAim plans a small ring before a cardiac output, L/min, at 80/min.
func exampleGradientAim(output, high float64) *repair.Case {
	return repair.NewExample().Assess("tte").Method(valve.Doppler).Set(valve.CardiacOutput, output).Set(valve.GradientHeartRate, 80).
		Plan().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 3.5).
		Edit(aimsAt(repair.Target{ID: "t", Leaf: valve.MeanGradient, Stage: valve.LeavingTheatre, High: units.Some(high)})).Case()
}
