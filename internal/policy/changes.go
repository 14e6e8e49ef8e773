package policy

import (
	"fmt"
	"strings"
	"time"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/units"
)

// Change is one value of a site that stands in the place of a built-in one.
type Change struct {
	Name    string // path in the file, e.g. thresholds.mean_gradient_high
	Site    string // the value, with its unit
	BuiltIn string // the one it replaces
}

// Changes gives what a policy sets otherwise than the built-in table, in the
// order of the file's sections. A value that is set to what is built in is the
// site's own all the same, and is told.
func (p Policy) Changes() []Change {
	var list []Change
	built := settings.BuiltIn("", "", "")
	for _, name := range p.Settings.ThresholdNames() {
		if t := p.Settings.Threshold(name); t.Owner == settings.Site {
			list = append(list, Change{keyThresholds + "." + name, t.String(), built.Threshold(name).String()})
		}
	}
	for _, name := range sortedKeys(p.Settings.Tolerances) {
		if t := p.Settings.Tolerances[name]; t.Owner == settings.Site {
			list = append(list, Change{keyTolerances + "." + string(name), toleranceText(t), toleranceText(built.Tolerances[name])})
		}
	}
	for _, id := range sortedKeys(p.Settings.InputSDs) {
		leaf, _ := metric.LeafByID(id)
		list = append(list, Change{keyInputSDs + "." + string(id), quantity(p.Settings.InputSDs[id].SD, leaf.Unit), assumedText(leaf)})
	}
	for _, r := range p.Settings.Rings {
		list = append(list, Change{keyRingTable + "." + r.Family, fmt.Sprintf("label %g, %s", r.Label, strings.ReplaceAll(r.Kind, "_", " ")), "none"})
	}
	for _, c := range p.Codes {
		list = append(list, Change{keyCodes + "." + c.LocalSystem + "." + c.LocalCode, codeText(c), "none"})
	}
	if r := p.Patient; !r.Logical() {
		text := string(r.Form)
		if r.Form == settings.PatientLiteral {
			text += " " + r.Template + ", of " + r.System
		}
		list = append(list, Change{keyFHIR + "." + keyPatientReference, text, string(settings.PatientLogical)})
	}
	if p.CanonicalBase != "" {
		list = append(list, Change{keyFHIR + "." + keyCanonicalBase, p.CanonicalBase, "that of the program"})
	}
	if p.CutErased {
		list = append(list, Change{keyErased, erasedCut, erasedRemoved})
	}
	list = append(list, monitoringChanges(p.Monitoring)...)
	for _, c := range p.Settings.Calibrations {
		text := fmt.Sprintf("%s of %s, %s: shift %.3f mm", c.Quantity, strings.ReplaceAll(string(c.Technique), "_", " "), strings.ReplaceAll(string(c.Prediction), "_", " "), c.Shift)
		if c.Stretched {
			text += fmt.Sprintf(", stretch %.3f", c.Stretch)
		}
		text += fmt.Sprintf(", spread %.3f mm, of %d patients; signed by %s on %s", c.SD, c.N, c.SignedBy, c.SignedAt.Format(time.DateOnly))
		list = append(list, Change{keyCalibrated + "." + c.ID, text, "uncalibrated"})
	}
	for _, r := range p.Rules {
		list = append(list, Change{keyRules + "." + r.ID, string(r.Severity) + ": " + r.Summary, "none"})
	}
	return list
}

func toleranceText(t settings.Tolerance) string {
	text := fmt.Sprintf("absolute %g, relative %g %%, repeatability ", t.Absolute, float64(t.Relative.Percent()))
	if t.Repeatability == 0 && t.PerSD > 0 {
		return text + fmt.Sprintf("%g standard deviations of the reading", t.PerSD)
	}
	return text + fmt.Sprintf("%g", t.Repeatability)
}

func assumedText(l metric.Leaf) string {
	text := deviationText(l.SD, l.SDPercent, l.Unit)
	if l.PosteriorSD > 0 {
		text += ", posterior " + quantity(l.PosteriorSD, l.Unit)
	}
	for _, d := range l.Deviations {
		text += ", " + strings.ReplaceAll(string(d.Method)+d.Rhythm, "_", " ") + " " + deviationText(d.SD, d.Percent, l.Unit)
	}
	return text
}

func deviationText(sd, percent float64, u units.Unit) string {
	share := fmt.Sprintf("%g %% of the value", percent)
	switch {
	case sd > 0 && percent > 0:
		return share + ", at least " + quantity(sd, u)
	case sd > 0:
		return quantity(sd, u)
	case percent > 0:
		return share
	}
	return "none assumed"
}
