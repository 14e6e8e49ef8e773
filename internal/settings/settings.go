// Package settings holds what a site may set, as plain structs: thresholds with
// their limits, tolerances, standard deviations of inputs, the site's zone. The
// built-in values stand here, each with its source; package policy reads a
// site's file over them. Rules, metrics and discrepancies read nothing else.
package settings

import (
	"fmt"
	"maps"
	"slices"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Owner says whose a limit is.
type Owner string

// The owners.
const (
	Default Owner = "default"
	Site    Owner = "site"
)

// Threshold is one named limit.
type Threshold struct {
	Name string
	Unit units.Unit
	// Value is the limit itself.
	Value float64
	// Inclusive says whether the limit itself is still within; with false a value
	// equal to the limit is beyond it.
	Inclusive bool
	// Lowest and Highest bound what a site may set.
	Lowest, Highest float64
	Source          SourceID
	Summary         string
	Owner           Owner
}

// Beyond says whether a value exceeds an upper limit.
func (t Threshold) Beyond(v float64) bool {
	if t.Inclusive {
		return v > t.Value
	}
	return v >= t.Value
}

// Below says whether a value falls short of a lower limit.
func (t Threshold) Below(v float64) bool {
	if t.Inclusive {
		return v < t.Value
	}
	return v <= t.Value
}

// String prints the limit with its unit.
func (t Threshold) String() string {
	text := fmt.Sprintf("%g", t.Value)
	switch u := t.Unit.Text(); u {
	case "":
	case "°":
		text += u
	default:
		text += " " + u
	}
	return text
}

// Tolerance is how far an outcome may be from the plan before it counts as a
// difference: the larger of an absolute part, in the leaf's unit, and a share of
// the planned value.
type Tolerance struct {
	Absolute float64
	Relative units.Ratio
	// Repeatability is the repeatability coefficient of the measurement; a
	// difference above the tolerance but not above this one is indeterminate.
	Repeatability float64
	// PerSD makes the repeatability coefficient of the standard deviation of the
	// reading that is judged, where Repeatability is 0.
	PerSD  float64
	Source SourceID
	Owner  Owner
}

// Of gives the tolerance around a planned value.
func (t Tolerance) Of(planned float64) float64 {
	return max(t.Absolute, float64(t.Relative)*planned)
}

// InputSD is a site's standard deviation of a leaf where the record states none.
type InputSD struct {
	SD     float64 // in the leaf's unit
	Source SourceID
	Owner  Owner
}

// Settings is everything a site may set.
type Settings struct {
	Site       string
	Version    string
	Zone       string // IANA name of the site's time zone
	PolicyHash string
	Edition    Edition // whose built-in values these are; see Under
	Thresholds map[string]Threshold
	Tolerances map[valve.ID]Tolerance // by leaf, or StepLengths and RegurgitationGrades
	InputSDs   map[valve.ID]InputSD   // by leaf; only what the site replaces, the built-in values stand in the leaves table
	Rings      []RingSize             // the site's own ring table; empty: none, and nothing is sized by it
	// Calibrations of predictions; what has none is uncalibrated.
	Calibrations []Calibration
}

// BuiltIn gives the built-in settings for a site.
func BuiltIn(site, version, zone string) Settings {
	s := Settings{
		Site: site, Version: version, Zone: zone,
		Thresholds: map[string]Threshold{},
		Tolerances: maps.Clone(builtInTolerances),
		InputSDs:   map[valve.ID]InputSD{},
	}
	for _, t := range builtInThresholds {
		t.Owner = Default
		s.Thresholds[t.Name] = t
	}
	return s
}

// Threshold gives a limit by name; an unknown name is a fault of the program.
func (s Settings) Threshold(name string) Threshold {
	t, ok := s.Thresholds[name]
	if !ok {
		panic("settings: no threshold named " + name)
	}
	return t
}

// ThresholdNames gives all names in order.
func (s Settings) ThresholdNames() []string {
	return slices.Sorted(maps.Keys(s.Thresholds))
}
