package settings

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"time"

	"trigone/internal/repair"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Calibration is a correction of one predicted quantity, fitted to a site's own cases
// and taken into its policy by a person.
type Calibration struct {
	ID string
	// Quantity is the leaf that is predicted, Prediction from what, Technique of which
	// repairs.
	Quantity   valve.ID
	Prediction valve.Role
	Technique  repair.TechniqueClass
	// Formula is the number of the formula whose predictions were fitted.
	Formula int
	statistics.Correction
	// LastCase is when the last operation fitted began.
	LastCase time.Time

	SignedBy string
	SignedAt time.Time
	Note     string
}

// CalibrationGrid is what the numbers of a calibration are rounded to, so that what is
// printed is what is used: in the quantity's unit, squared for the scatter, and of the
// stretch.
const CalibrationGrid = 0.001

// OnGrid gives a correction as it is printed.
func OnGrid(c statistics.Correction) statistics.Correction {
	for _, v := range []*float64{&c.Shift, &c.Stretch, &c.Centre, &c.Scatter, &c.SD} {
		*v = units.Round(*v, CalibrationGrid)
	}
	return c
}

// ContentID gives the id that belongs to the fit: made from all of it, and from nothing
// of who signed it.
func (c Calibration) ContentID() string {
	n := func(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }
	stretch := "none"
	if c.Stretched {
		stretch = n(c.Stretch)
	}
	text := fmt.Sprintf("%s %s %s %d %d %s %s %s %s %s %s", c.Quantity, c.Prediction, c.Technique, c.Formula, c.N,
		n(c.Shift), stretch, n(c.Centre), n(c.Scatter), n(c.SD), c.LastCase.UTC().Format(time.RFC3339))
	sum := sha256.Sum256([]byte(text))
	const bytes = 6
	return "cal-" + hex.EncodeToString(sum[:bytes])
}

// CalibrationOf gives the calibration of a prediction; nil: it is uncalibrated.
func (s Settings) CalibrationOf(quantity valve.ID, prediction valve.Role, technique repair.TechniqueClass, formula int) *Calibration {
	for i := range s.Calibrations {
		if c := &s.Calibrations[i]; c.Quantity == quantity && c.Prediction == prediction && c.Technique == technique && c.Formula == formula {
			return c
		}
	}
	return nil
}
