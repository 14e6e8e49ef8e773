package policy

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/valve"
)

// Keys of an entry of the calibrations. What the fit gives and who signed it stand
// together; all but the stretch, which is not always fitted, are needed.
const (
	keyCalibrationID = "id"
	keyQuantity      = "quantity"
	keyPrediction    = "prediction"
	keyTechnique     = "technique"
	keyFormula       = "formula"
	keyPatients      = "patients"
	keyLastCase      = "last_case"
	keyShift         = "shift_mm"
	keyStretch       = "stretch"
	keyCentre        = "centre_mm"
	keyScatter       = "scatter_mm2"
	keySpread        = "spread_mm"
	keySignedBy      = "signed_by"
	keySignedAt      = "signed_at"
	keyNote          = "note"
)

var calibrationKeys = []string{
	keyCalibrationID, keyQuantity, keyPrediction, keyTechnique, keyFormula, keyPatients, keyLastCase,
	keyShift, keyStretch, keyCentre, keyScatter, keySpread, keySignedBy, keySignedAt, keyNote,
}

// predictions are the words by which a calibration says what predicts.
var predictions = map[string]valve.Role{"from_plan": valve.PredictedFromPlan, "from_execution": valve.PredictedFromExecution}

// Bounds of a calibration: beyond them it is no correction, but another model or a slip.
const (
	mostShift    = 15
	mostCentre   = 35
	mostSpread   = 20
	mostScatter  = 10000000
	mostPatients = 1000000
	mostSigned   = 64
	mostNote     = 500
)

var calibrationID = regexp.MustCompile(`^cal-[0-9a-f]{12}$`)

// Fragment gives calibrations as they are pasted into a policy. Who signs is left open: a
// policy with an entry that nobody signed is refused.
func Fragment(list []settings.Calibration) string {
	var b strings.Builder
	b.WriteString("calibrations:\n")
	for _, c := range list {
		word := ""
		for name, role := range predictions {
			if role == c.Prediction {
				word = name
			}
		}
		lead := "  - "
		line := func(key, format string, args ...any) {
			fmt.Fprintf(&b, lead+key+": "+format+"\n", args...)
			lead = "    "
		}
		line(keyCalibrationID, "%s", c.ID)
		line(keyQuantity, "%s", c.Quantity)
		line(keyPrediction, "%s", word)
		line(keyTechnique, "%s", c.Technique)
		line(keyFormula, "%d", c.Formula)
		line(keyPatients, "%d", c.N)
		line(keyLastCase, "%q", c.LastCase.UTC().Format(time.RFC3339))
		line(keyShift, "%.3f", c.Shift)
		if c.Stretched {
			line(keyStretch, "%.3f", c.Stretch)
		}
		line(keyCentre, "%.3f", c.Centre)
		line(keyScatter, "%.3f", c.Scatter)
		line(keySpread, "%.3f", c.SD)
		line(keySignedBy, `""`)
		line(keySignedAt, `""`)
		line(keyNote, `""`)
	}
	return b.String()
}

// calibrations reads the corrections that a person has taken into the policy.
func (r *reading) calibrations(f field) []settings.Calibration {
	var list []settings.Calibration
	seen := map[string]string{}
	for _, item := range r.Items(f) {
		c, ok := r.calibration(item)
		if !ok {
			continue
		}
		of := fmt.Sprintf("%s %s of %s", c.Quantity, c.Prediction, c.Technique)
		if first, again := seen[of]; again {
			r.Fault(item, "%s corrects the same predictions as %s; keep the one that holds from now on", item.Path(), first)
			continue
		}
		seen[of] = item.Path()
		if id, _ := metric.Foretells(c.Prediction); r.stored {
			if now, _ := metric.FormulaNumber(id); now != c.Formula {
				continue // nothing is predicted by that formula any more
			}
		}
		list = append(list, c)
	}
	return list
}

// calibration reads one entry; ok is false if it had a fault.
func (r *reading) calibration(item field) (c settings.Calibration, ok bool) {
	before := r.Count()
	parts := r.Fields(item, calibrationKeys...)
	if len(parts) == 0 && r.Count() > before {
		return c, false
	}
	for _, key := range calibrationKeys {
		if _, given := parts[key]; !given && key != keyStretch {
			r.Fault(item, "%s has no %s; paste the entry as trigone calibrate prints it, and sign it", item.Path(), key)
		}
	}
	if r.Count() > before {
		return c, false
	}
	text := func(key string) string {
		t, _ := r.Text(parts[key])
		return t
	}
	number := func(key string, low, high float64) float64 {
		v, good := r.Number(parts[key])
		if good && !(v >= low && v <= high) {
			r.Fault(parts[key], "%s is %g; give %g to %g", parts[key].Path(), v, low, high)
		}
		return v
	}
	whole := func(key string, low, high float64) int {
		v := number(key, low, high)
		if v != float64(int(v)) {
			r.Fault(parts[key], "%s is %g; give a whole number", parts[key].Path(), v)
		}
		return int(v)
	}
	instant := func(key string) time.Time {
		t, err := time.Parse(time.RFC3339, text(key))
		if err != nil {
			r.Fault(parts[key], "%s is no time with its zone; give one such as \"2026-03-04T08:12:00Z\"", parts[key].Path())
		}
		return t.UTC()
	}
	c.Quantity, c.Technique = valve.ID(text(keyQuantity)), repair.TechniqueClass(text(keyTechnique))
	if c.Quantity != metric.CalibratedQuantity {
		r.Fault(parts[keyQuantity], "%s is no quantity whose prediction is calibrated; that is %s alone", parts[keyQuantity].Path(), metric.CalibratedQuantity)
	}
	var known bool
	if c.Prediction, known = predictions[text(keyPrediction)]; !known {
		r.Fault(parts[keyPrediction], "%s is none of from_plan and from_execution", parts[keyPrediction].Path())
	}
	if !isClass(c.Technique) {
		r.Fault(parts[keyTechnique], "%s is no class of techniques; the classes are %s", parts[keyTechnique].Path(), classWords())
	}
	c.Formula = whole(keyFormula, 1, mostPatients)
	if id, _ := metric.Foretells(c.Prediction); known && !r.stored {
		if now, _ := metric.FormulaNumber(id); now != c.Formula {
			r.Fault(parts[keyFormula], "%s is %d, and %s is predicted by formula %d now: what was fitted to another formula corrects nothing; fit it anew, or take the entry out", parts[keyFormula].Path(), c.Formula, id, now)
		}
	}
	c.N, c.LastCase = whole(keyPatients, statistics.LeastFitted, mostPatients), instant(keyLastCase)
	c.Stretch = 1
	if _, c.Stretched = parts[keyStretch]; c.Stretched {
		c.Stretch = number(keyStretch, statistics.LeastStretch, statistics.MostStretch)
	}
	c.Shift, c.Centre = number(keyShift, -mostShift, mostShift), number(keyCentre, 0, mostCentre)
	c.Scatter, c.SD = number(keyScatter, settings.CalibrationGrid, mostScatter), number(keySpread, settings.CalibrationGrid, mostSpread)
	r.signed(&c, parts, text, instant)
	if r.Count() > before {
		return c, false
	}
	c.ID = text(keyCalibrationID)
	if c.ID != c.ContentID() {
		r.Fault(parts[keyCalibrationID], "%s is not the id of these numbers: one of them was changed after the fit; paste the entry again as trigone calibrate prints it", parts[keyCalibrationID].Path())
	}
	return c, r.Count() == before
}

// signed reads who answers for a calibration.
func (r *reading) signed(c *settings.Calibration, parts map[string]field, text func(string) string, instant func(string) time.Time) {
	c.SignedBy, c.Note = strings.TrimSpace(text(keySignedBy)), strings.TrimSpace(text(keyNote))
	if c.SignedBy == "" || c.Note == "" || strings.TrimSpace(text(keySignedAt)) == "" {
		r.Fault(parts[keySignedBy], "%s, %s or %s is empty: nobody has signed this calibration; who answers for it gives a pseudonym, the time and why it holds here",
			parts[keySignedBy].Path(), keySignedAt, keyNote)
		return
	}
	if len(c.SignedBy) > mostSigned {
		r.Fault(parts[keySignedBy], "%s has more than %d letters; give a pseudonym", parts[keySignedBy].Path(), mostSigned)
	}
	if len(c.Note) > mostNote {
		r.Fault(parts[keyNote], "%s has more than %d letters", parts[keyNote].Path(), mostNote)
	}
	if c.SignedAt = instant(keySignedAt); !c.SignedAt.After(c.LastCase) {
		r.Fault(parts[keySignedAt], "%s is not after %s: a calibration is signed after the last case that it was fitted to", parts[keySignedAt].Path(), keyLastCase)
	}
}

func isClass(class repair.TechniqueClass) bool {
	for _, c := range repair.TechniqueClasses() {
		if c == class {
			return true
		}
	}
	return false
}

func classWords() string {
	var list []string
	for _, c := range repair.TechniqueClasses() {
		list = append(list, string(c))
	}
	return strings.Join(list, ", ")
}

// calibrationSchema is the schema of an entry.
func calibrationSchema() object {
	number := func(low, high float64, text string) object {
		return object{"type": "number", "minimum": low, "maximum": high, "description": text}
	}
	whole := func(low, high float64, text string) object {
		return object{"type": "integer", "minimum": low, "maximum": high, "description": text}
	}
	instant := func(text string) object {
		return object{"type": "string", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})$`, "description": text}
	}
	entry := entries(object{
		keyCalibrationID: object{"type": "string", "pattern": calibrationID.String(), "description": "made from the numbers of the fit"},
		keyQuantity:      object{"enum": []valve.ID{metric.CalibratedQuantity}, "description": "what is predicted"},
		keyPrediction:    object{"enum": []string{"from_plan", "from_execution"}, "description": "from what it is predicted"},
		keyTechnique:     object{"enum": repair.TechniqueClasses(), "description": "class of the techniques of the repairs"},
		keyFormula:       whole(1, mostPatients, "number of the formula whose predictions were fitted"),
		keyPatients:      whole(statistics.LeastFitted, mostPatients, "how many were fitted, one pair each"),
		keyLastCase:      instant("when the last operation fitted began"),
		keyShift:         number(-mostShift, mostShift, "measured more than predicted, in mm"),
		keyStretch:       number(statistics.LeastStretch, statistics.MostStretch, "how far predictions are spread about their centre; left out: not fitted"),
		keyCentre:        number(0, mostCentre, "mean of the predictions fitted, in mm"),
		keyScatter:       number(settings.CalibrationGrid, mostScatter, "sum of their squared distances from it, in mm2"),
		keySpread:        number(settings.CalibrationGrid, mostSpread, "standard deviation of measured about corrected, in mm"),
		keySignedBy:      object{"type": "string", "minLength": 1, "maxLength": mostSigned, "pattern": `\S`, "description": "pseudonym of who answers for it"},
		keySignedAt:      instant("when"),
		keyNote:          object{"type": "string", "minLength": 1, "maxLength": mostNote, "pattern": `\S`, "description": "why it holds here"},
	})
	entry["type"] = "object"
	var required []string
	for _, key := range calibrationKeys {
		if key != keyStretch {
			required = append(required, key)
		}
	}
	entry["required"] = required
	return entry
}
