package audit

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// Words under which a case is filed by its techniques.
const (
	TechniqueDone    = "technique"
	TechniquePlanned = "technique_planned"
)

// Reasons why a pair is not fitted, beside those of agreement.
const (
	NoTechnique     Reason = "no_technique_recorded"
	OtherFormula    Reason = "predicted_by_another_formula"
	OtherMethod     Reason = "measured_by_another_method"
	NothingForetold Reason = "no_contact_predicted"
)

// CalibrationQuestion says what is fitted.
type CalibrationQuestion struct {
	// FittedUntil is the incision of the last case that is fitted; zero: all of them are.
	// Those behind it say whether the fit holds.
	FittedUntil time.Time
}

// CalibrationVerdict is what a fit is good for.
type CalibrationVerdict string

// The verdicts.
const (
	TooFewPairs     CalibrationVerdict = "too_few"
	Corrects        CalibrationVerdict = "corrects"
	NoCorrection    CalibrationVerdict = "no_correction"
	ExplainsNothing CalibrationVerdict = "explains_nothing"
	NoSpread        CalibrationVerdict = "no_spread"
)

// Calibrated is what a fit to the pairs of one class of techniques says.
type Calibrated struct {
	Kind      discrepancy.Kind
	Technique repair.TechniqueClass
	// Method of the measurements.
	Method  valve.Method
	Formula int
	// Fitted patients, and Later ones, operated on behind the last one fitted.
	Fitted, Later int
	LastCase      time.Time
	Left          []Left
	Verdict       CalibrationVerdict
	// Calibration as it would stand in a policy, unsigned; nil: none is offered.
	Calibration *settings.Calibration
	// Difference is the mean of measured minus predicted, of which the shift is drawn in
	// towards 0.
	Difference Figure
	// Errors are root mean squared errors in cases left out of the fit, each once: of the
	// model as it is, of the mean of what was measured in such repairs, and of the fit.
	ModelError, MeanError, FitError Figure
	// Before and After: how often the range held that was printed without a calibration,
	// and the one of the fit; of later cases, where FromLater says so, else of each case
	// left out once.
	Before, After *InRange
	FromLater     bool
	// InUse are the calibrations under which cases were predicted, and how often those
	// ranges held.
	InUse    []CalibrationInUse
	Sentence string
}

// CalibrationInUse is how a calibration did that was in force.
type CalibrationInUse struct {
	ID string
	InRange
}

// enoughLater is from how many later cases on they, and not cases left out, say whether a
// fit holds (the audit's decision).
const enoughLater = 30

// Calibrations gathers pairs of predictions with what was measured. Cases may come in any
// order.
type Calibrations struct {
	question CalibrationQuestion
	cells    map[calibrationCell]*calibrationPairs
	left     left
	eligible int
}

type calibrationCell struct {
	kind      discrepancy.Kind
	technique repair.TechniqueClass
}

type calibrationPairs struct {
	pairs []calibrationPair
	left  left
}

type calibrationPair struct {
	Pair
	raw      float64
	incision time.Time
	uid      string
}

// NewCalibrations begins to gather.
func NewCalibrations(q CalibrationQuestion) *Calibrations {
	return &Calibrations{question: q, cells: map[calibrationCell]*calibrationPairs{}, left: left{}}
}

// AddCase counts a case that was operated on, and says whether its pairs count.
func (a *Calibrations) AddCase(c *Case) bool {
	a.eligible++
	switch {
	case c.Later:
		a.left[LaterCase]++
	case c.Incision.IsZero():
		a.left[NoIncision]++
	default:
		return true
	}
	return false
}

// AddPairs counts the pairs of one kind of a case that counts, all at once.
func (a *Calibrations) AddPairs(c *Case, pairs []Pair) {
	byKind := map[discrepancy.Kind][]Pair{}
	for _, p := range pairs {
		if p.predicted() && p.Metric == string(metric.CalibratedQuantity) && p.Place == valve.AtSlice(valve.A2P2) {
			byKind[p.Kind] = append(byKind[p.Kind], p)
		}
	}
	for kind, list := range byKind {
		class := techniqueOf(c, kind)
		at := calibrationCell{kind, class}
		cell := a.cells[at]
		if cell == nil {
			cell = &calibrationPairs{left: left{}}
			a.cells[at] = cell
		}
		chosen, reasons := (&Agreements{}).choose(list[0].Key, list)
		for _, r := range reasons {
			cell.left[r]++
		}
		if chosen == nil {
			continue
		}
		raw := chosen.Uncalibrated.OrElse(chosen.Planned.OrElse(metric.LeastCalibrated))
		switch {
		case kind == discrepancy.KindPredictionFromPlan && (c.Timing == "" || c.Timing == "no_plan"):
			cell.left[NoPlan]++
		case kind == discrepancy.KindPredictionFromPlan && c.Timing != Prospective:
			cell.left[OtherTiming]++
		case class == "":
			cell.left[NoTechnique]++
		case chosen.PredictionFormula != formulaOf(kind):
			cell.left[OtherFormula]++
		case !(raw > metric.LeastCalibrated):
			cell.left[NothingForetold]++
		default:
			cell.pairs = append(cell.pairs, calibrationPair{*chosen, raw, c.Incision, c.UID})
		}
	}
}

func roleOf(kind discrepancy.Kind) valve.Role {
	if kind == discrepancy.KindPredictionFromPlan {
		return valve.PredictedFromPlan
	}
	return valve.PredictedFromExecution
}

// formulaOf gives the number of the formula by which it is predicted now.
func formulaOf(kind discrepancy.Kind) int {
	id, _ := metric.Foretells(roleOf(kind))
	n, _ := metric.FormulaNumber(id)
	return n
}

// techniqueOf gives the class of a repair: as planned for what the plan predicts.
func techniqueOf(c *Case, kind discrepancy.Kind) repair.TechniqueClass {
	of := TechniqueDone
	if kind == discrepancy.KindPredictionFromPlan {
		of = TechniquePlanned
	}
	var list []repair.Technique
	for _, w := range c.Words {
		if w.Kind == of {
			list = append(list, repair.Technique(w.Word))
		}
	}
	return repair.ClassOf(list)
}

// CalibrationAnswer is what was asked for.
type CalibrationAnswer struct {
	// Eligible cases were operated on and match the filter; those left out as a whole have
	// their reason.
	Eligible int
	Left     []Left
	// Calibrated by kind and class of techniques.
	Calibrated []Calibrated
}

// Answer fits.
func (a *Calibrations) Answer() CalibrationAnswer {
	answer := CalibrationAnswer{Eligible: a.eligible, Left: a.left.list()}
	order := make([]calibrationCell, 0, len(a.cells))
	for at := range a.cells {
		order = append(order, at)
	}
	classes := repair.TechniqueClasses()
	slices.SortFunc(order, func(x, y calibrationCell) int {
		return cmp.Or(cmp.Compare(slices.Index(kinds, x.kind), slices.Index(kinds, y.kind)), cmp.Compare(slices.Index(classes, x.technique), slices.Index(classes, y.technique)))
	})
	for _, at := range order {
		c := a.cells[at].calibrated(at, a.question)
		if c.Technique == "" && c.Fitted+c.Later == 0 && len(c.Left) == 0 {
			continue
		}
		answer.Calibrated = append(answer.Calibrated, c)
	}
	return answer
}

func (s *calibrationPairs) calibrated(at calibrationCell, q CalibrationQuestion) Calibrated {
	c := Calibrated{Kind: at.kind, Technique: at.technique, Formula: formulaOf(at.kind)}
	pairs, method, rest := oneMethod(s.pairs)
	gone := left{OtherMethod: rest}
	for r, n := range s.left {
		gone[r] += n
	}
	c.Method, c.Left = method, gone.list()
	slices.SortFunc(pairs, func(x, y calibrationPair) int {
		return cmp.Or(x.incision.Compare(y.incision), cmp.Compare(x.uid, y.uid))
	})
	fitted := len(pairs)
	if !q.FittedUntil.IsZero() {
		if i := slices.IndexFunc(pairs, func(p calibrationPair) bool { return p.incision.After(q.FittedUntil) }); i >= 0 {
			fitted = i
		}
	}
	c.Fitted, c.Later = fitted, len(pairs)-fitted
	c.InUse = inUse(pairs)
	none := func(because string) {
		for _, f := range []*Figure{&c.Difference, &c.ModelError, &c.MeanError, &c.FitError} {
			*f = Figure{Because: because}
		}
	}
	list := make([]statistics.Pair, fitted)
	for i, p := range pairs[:fitted] {
		list[i] = statistics.Pair{Predicted: p.raw, Measured: p.Actual.OrElse(0)}
	}
	fit, err := statistics.Calibrate(list)
	if err != nil {
		c.Verdict = TooFewPairs
		if !errors.Is(err, statistics.TooFewToFit) {
			panic("a fit is refused for another reason than too few pairs: " + err.Error())
		}
		none(err.Error())
		c.Before = uncalibrated(pairs)
		c.Sentence = c.sentence()
		return c
	}
	c.LastCase = pairs[fitted-1].incision
	c.ModelError, c.MeanError, c.FitError = figure(fit.RawError, nil), figure(fit.MeanError, nil), figure(fit.FitError, nil)
	c.Difference = difference(list, fit)
	correction := settings.OnGrid(fit.Correction)
	switch fit.Verdict {
	case statistics.Corrects:
		c.Verdict = Corrects
	case statistics.NoCorrection:
		c.Verdict = NoCorrection
	default:
		c.Verdict = ExplainsNothing
	}
	if !(correction.SD > 0) || !(correction.Scatter > 0) {
		c.Verdict = NoSpread
		c.Sentence = c.sentence()
		return c
	}
	seen := pairs[:fitted]
	ranged, _ := statistics.LeftOut(list)
	if c.Later >= enoughLater {
		c.FromLater, seen, ranged = true, pairs[fitted:], nil
		for _, p := range seen {
			span := correction.Range(p.raw)
			ranged = append(ranged, statistics.Ranged{Lower: span.Lower, Upper: span.Upper, Measured: p.Actual.OrElse(0)})
		}
	}
	c.Before, c.After = uncalibrated(seen), coverage(ranged, nil)
	if c.Verdict == Corrects {
		made := settings.Calibration{
			Quantity: metric.CalibratedQuantity, Prediction: roleOf(c.Kind), Technique: c.Technique, Formula: c.Formula, Correction: correction, LastCase: c.LastCase.UTC(),
		}
		made.ID = made.ContentID()
		c.Calibration = &made
	}
	c.Sentence = c.sentence()
	return c
}

// oneMethod takes the method that most were measured by; of two with as many the first
// word. The others are counted.
func oneMethod(pairs []calibrationPair) (of []calibrationPair, method valve.Method, rest int) {
	count := map[valve.Method]int{}
	for _, p := range pairs {
		count[p.Method]++
	}
	for m, n := range count {
		if n > count[method] || n == count[method] && m < method {
			method = m
		}
	}
	for _, p := range pairs {
		if p.Method == method {
			of = append(of, p)
		}
	}
	return of, method, len(pairs) - len(of)
}

func difference(list []statistics.Pair, fit statistics.Fit) Figure {
	var sum float64
	for _, p := range list {
		sum += (p.Measured - p.Predicted) / float64(len(list))
	}
	half := statistics.T(fit.DegreesOfFreedom()) * fit.ShiftSE
	return figure(sum, nil).within(statistics.Interval{Lower: sum - half, Upper: sum + half}, nil)
}

// uncalibrated says how often the ranges held that were printed without a calibration.
func uncalibrated(pairs []calibrationPair) *InRange { return held(pairs, "") }

func held(pairs []calibrationPair, id string) *InRange {
	var ranged []statistics.Ranged
	for _, p := range pairs {
		low, hasLow := p.Lower.Get()
		high, hasHigh := p.Upper.Get()
		if p.Calibration == id && hasLow && hasHigh {
			ranged = append(ranged, statistics.Ranged{Lower: low, Upper: high, Measured: p.Actual.OrElse(0)})
		}
	}
	return coverage(ranged, nil)
}

func inUse(pairs []calibrationPair) []CalibrationInUse {
	var ids []string
	for _, p := range pairs {
		if p.Calibration != "" && !slices.Contains(ids, p.Calibration) {
			ids = append(ids, p.Calibration)
		}
	}
	slices.Sort(ids)
	var list []CalibrationInUse
	for _, id := range ids {
		list = append(list, CalibrationInUse{id, *held(pairs, id)})
	}
	return list
}

// repairs names a class of techniques, one or several.
var repairs = map[repair.TechniqueClass]string{
	repair.ClassRingAlone: "by a ring alone", repair.ClassResection: "by resection", repair.ClassChords: "with artificial chords",
	repair.ClassResectionAndChords: "by resection and chords", repair.ClassOther: "by other techniques", "": "without a recorded technique",
}

// sentence is what a fit says, to be repeated as it stands.
func (c *Calibrated) sentence() string {
	who := fmt.Sprintf("%d repairs %s", c.Fitted, repairs[c.Technique])
	if c.Fitted == 1 {
		who = "1 repair " + repairs[c.Technique]
	}
	side := (&Agreement{Key: Key{Kind: c.Kind}}).side()
	by := ""
	if c.Method != "" {
		by = " by " + words.Spaced(c.Method)
	}
	mm := func(f Figure) string { return units.Format(f.Value.OrElse(0), units.MM, errorGrid) }
	switch c.Verdict {
	case TooFewPairs:
		have := "have"
		if c.Fitted == 1 {
			have = "has"
		}
		if c.Fitted == 0 {
			who = "No repair " + repairs[c.Technique]
			return fmt.Sprintf("%s has a coaptation length that was %s and measured off bypass: nothing is fitted.", who, side)
		}
		return fmt.Sprintf("Only %s %s a coaptation length that was %s and measured%s off bypass: too few, a correction is fitted to %d.", who, have, side, by, statistics.LeastFitted)
	case NoSpread:
		return fmt.Sprintf("In %s the coaptation length differs by the same from what was %s, or the same was predicted in each: no measuring gives that; see where the values come from. Nothing is fitted.", who, side)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "In %s the coaptation length measured%s off bypass was on average %s. ", who, by, c.apart(side))
	errs := fmt.Sprintf("in cases that it has not seen it is off by %s corrected, by %s as it is, and the mean of such repairs by %s", mm(c.FitError), mm(c.ModelError), mm(c.MeanError))
	switch c.Verdict {
	case ExplainsNothing:
		fmt.Fprintf(&b, "The prediction explains nothing here that the mean of such repairs does not, as far as so many can tell: %s. No correction is offered.", errs)
	case NoCorrection:
		fmt.Fprintf(&b, "The prediction needs no correction: %s.", errs)
	default:
		fmt.Fprintf(&b, "Moved by %s", units.Format(c.Calibration.Shift, units.SignedMM, errorGrid))
		if c.Calibration.Stretched {
			fmt.Fprintf(&b, " and stretched by %s about %s", units.FormatNumber(c.Calibration.Stretch, stretchGrid), units.Format(c.Calibration.Centre, units.MM, errorGrid))
		}
		fmt.Fprintf(&b, " the prediction foretells better: %s.", errs)
	}
	if c.After != nil && c.After.Of > 0 && c.Verdict == Corrects {
		of := "each case left out once"
		if c.FromLater {
			of = "of cases operated on after the last one fitted"
		}
		if c.After.Enough {
			fmt.Fprintf(&b, " The 95 %% range of the fit held in %s, %s.", c.After.told(), of)
		} else {
			fmt.Fprintf(&b, " Of the 95 %% ranges of the fit %d of %d held, %s: too few to say.", c.After.Count, c.After.Of, of)
		}
	}
	return b.String()
}

// Grids of what is told: errors are known better than a reading.
const (
	errorGrid   = 0.01
	stretchGrid = 0.01
)

func (c *Calibrated) apart(side string) string {
	mean := c.Difference.Value.OrElse(0)
	switch rounded := units.Round(mean, errorGrid); {
	case rounded > 0:
		return units.Format(mean, units.MM, errorGrid) + " more than " + side
	case rounded < 0:
		return units.Format(-mean, units.MM, errorGrid) + " less than " + side
	}
	return "as " + side
}
