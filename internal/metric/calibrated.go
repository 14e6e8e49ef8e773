package metric

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// CalibratedQuantity is the leaf whose prediction a site may calibrate: the coaptation
// length of A2-P2, which alone is predicted and then measured.
const CalibratedQuantity = valve.CoaptationLength

// Foretells gives the metric whose prediction is held against the coaptation length: from
// the plan, or from what was done.
func Foretells(role valve.Role) (id valve.ID, ok bool) {
	switch role {
	case valve.PredictedFromPlan:
		return IDPredictedContact, true
	case valve.PredictedFromExecution:
		return IDPredictedOverlap, true
	}
	return "", false
}

// LeastCalibrated is the prediction, in mm and on its grid, up to which none is calibrated:
// a gap has no length that could be measured.
const LeastCalibrated = 0

// correction is the calibration of a value with what the model said before it.
type correction struct {
	*settings.Calibration
	raw float64
}

// CalibrationOf gives the calibration under which the middle slice of a case is predicted;
// nil: none.
func CalibrationOf(c *repair.Case, s *settings.Settings, fromPlan bool) *settings.Calibration {
	if len(s.Calibrations) == 0 {
		return nil
	}
	role := valve.PredictedFromExecution
	var steps []repair.Step
	switch {
	case fromPlan:
		role = valve.PredictedFromPlan
		if c.Plan != nil {
			steps = c.Plan.Steps
		}
	case c.Operation != nil:
		steps = c.Operation.Steps
	}
	var techniques []repair.Technique
	for _, step := range steps {
		if step.Technique != "" {
			techniques = append(techniques, step.Technique)
		}
	}
	id, _ := Foretells(role)
	return s.CalibrationOf(CalibratedQuantity, role, repair.ClassOf(techniques), formulaOf(id))
}

// calibrated corrects what the model says of the middle slice by the site's calibration,
// where there is one for such a repair.
func (r *Reader) calibrated(p prediction, raw float64) float64 {
	if p.slice != valve.A2P2 || !(units.Round(raw, lengthGrid) > LeastCalibrated) {
		return raw
	}
	c := CalibrationOf(r.c, r.s, p.moment.plan)
	if c == nil {
		return raw
	}
	r.correction = &correction{c, raw}
	r.relabel(c)
	return max(0, c.At(raw))
}

// relabel says of a value that it is no longer that of an uncalibrated model.
func (r *Reader) relabel(c *settings.Calibration) {
	if i := slices.Index(r.notes, UncalibratedLabel); i >= 0 && !r.probe {
		r.notes[i] = CalibratedLabel(c.ID)
		r.explanation = strings.Join(r.notes, "; ")
	}
}

// CalibratedLabel stands with a prediction that was corrected.
func CalibratedLabel(id string) string {
	return "range of a model under calibration " + id + ", not advice"
}

// Calibrated names the calibrations of the predictions of a case; empty: uncalibrated.
type Calibrated struct{ FromPlan, FromExecution string }

// Add takes what one value was corrected by.
func (c *Calibrated) Add(role valve.Role, id string) {
	switch {
	case id == "":
	case role == valve.PredictedFromPlan:
		c.FromPlan = id
	default:
		c.FromExecution = id
	}
}

// Some says whether anything is calibrated.
func (c Calibrated) Some() bool { return c != Calibrated{} }

// Label stands with predictions some of which may be calibrated.
func (c Calibrated) Label() string {
	var list []string
	if c.FromPlan != "" {
		list = append(list, "from the plan under calibration "+c.FromPlan)
	}
	if c.FromExecution != "" {
		list = append(list, "from what was done under calibration "+c.FromExecution)
	}
	if len(list) == 0 {
		return UncalibratedLabel
	}
	return "ranges of a model, not advice: the coaptation length of A2-P2 " + words.And(list) + ", all else uncalibrated"
}

// correct gives the value that a calibration makes of the model's, and the range in which
// the next measured value lies. The range is made of what was found in the patients
// fitted, which errors of measuring are part of: those of this case's inputs are not
// added. What is told as standard deviation is without that of one measured coaptation
// length, since whoever holds one against it adds it.
func (c *correction) correct(r *Reader, m *Metric, v *Value) {
	raw := units.Round(c.raw, m.Grid)
	onGrid := func(x float64) float64 { return units.Round(max(0, x), m.Grid) }
	span := c.Range(raw)
	v.Value, v.Lower, v.Upper = onGrid(c.At(raw)), units.Some(onGrid(span.Lower)), units.Some(onGrid(span.Upper))
	v.Calibration, v.Uncalibrated = c.ID, units.Some(raw)
	sd := c.PredictionSD(raw)
	v.SD = units.Some(math.Sqrt(max(0, sd*sd-contactObservationSD*contactObservationSD)))
	r.Explain(fmt.Sprintf("the model itself says %s; the range is that of %d patients of this site, whatever the standard deviations of the inputs",
		units.Format(raw, m.Unit, m.Grid), c.N))
	if span.Lower < 0 {
		r.Explain("range cut at " + units.Format(0, m.Unit, m.Grid) + ": no length lies below")
	}
	v.Explanation = r.explanation
}

// before turns a calibrated contact into what the model must say for it.
func (r *Reader) before(p prediction, contact units.Length) units.Length {
	c := CalibrationOf(r.c, r.s, p.moment.plan)
	if c == nil {
		return contact
	}
	r.relabel(c)
	raw := units.Length(max(c.Before(float64(contact)), lengthGrid))
	r.Explain("a coaptation length of " + units.Format(float64(contact), units.MM, lengthGrid) + " under calibration " + c.ID + " is one of " +
		units.Format(float64(raw), units.MM, lengthGrid) + " of the model itself; the width of the range is that of the model itself")
	return raw
}
