package metric

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// builtIn gives the built-in settings with the ring table of an invented site.
func builtIn() settings.Settings {
	s := settings.BuiltIn("site", "1", "UTC")
	for i, label := range []float64{28, 30, 32, 34} {
		step := float64(i)
		s.Rings = append(s.Rings, settings.RingSize{
			Family: "family-1", Label: label, Kind: repair.CompleteRing,
			InnerAnteroPosteriorMM: units.Some(20 + 2*step), InnerTransverseMM: units.Some(28 + 2*step),
			SizerAnteriorLeafletAreaCM2Low: units.Some(5 + step), SizerAnteriorLeafletAreaCM2High: units.Some(6 + step),
			SizerAnteriorHeightMMLow: units.Some(20 + 3*step), SizerAnteriorHeightMMHigh: units.Some(23 + 3*step),
			IntertrigonalMMLow: units.Some(22 + 2*step), IntertrigonalMMHigh: units.Some(25 + 2*step),
		})
	}
	s.Rings = append(s.Rings, settings.RingSize{Family: "family-2", Label: 30, Kind: repair.PosteriorBand, BandLengthMM: units.Some(65.0)})
	return s
}

// one computes the value under a key, or fails.
func one(t *testing.T, c *repair.Case, k valve.Key) Value {
	t.Helper()
	v, ok := find(Compute(c, builtIn()), k)
	if !ok {
		t.Fatalf("no value under %s", k)
	}
	return v
}

func find(values []Value, k valve.Key) (Value, bool) {
	i := slices.IndexFunc(values, func(v Value) bool { return v.Key == k })
	if i < 0 {
		return Value{}, false
	}
	return values[i], true
}

func TestCatalogueTable(t *testing.T) {
	if n := len(Metrics()); n < 70 {
		t.Errorf("the catalogue has only %d metrics", n)
	}
	seen := map[valve.ID]bool{}
	for _, m := range Metrics() {
		if !snake.MatchString(string(m.ID)) || notInIDs.MatchString(string(m.ID)) || seen[m.ID] {
			t.Errorf("id %q is doubled, no snake_case or abbreviated", m.ID)
		}
		seen[m.ID] = true
		if _, clash := LeafByID(m.ID); clash {
			t.Errorf("%s is a leaf too", m.ID)
		}
		if m.Name == "" || m.Formula == "" || m.Since == "" || !m.Unit.Valid() || m.Where == nil || m.Compute == nil {
			t.Errorf("%s is not complete", m.ID)
		}
		if _, err := units.Decimals(m.Grid); err != nil {
			t.Errorf("%s: %v", m.ID, err)
		}
		if _, ok := settings.SourceByID(m.Source); !ok {
			t.Errorf("%s: no source %q", m.ID, m.Source)
		}
		if len(m.Inputs) == 0 {
			t.Errorf("%s reads nothing", m.ID)
		}
		for _, in := range m.Inputs {
			if _, ok := LeafByID(in); !ok && in != InputShape {
				t.Errorf("%s reads %s, which is no leaf", m.ID, in)
			}
		}
		for _, name := range m.Thresholds {
			if !slices.Contains(builtIn().ThresholdNames(), name) {
				t.Errorf("%s depends on %s, which is no threshold", m.ID, name)
			}
		}
		checkCodes(t, string(m.ID), m.Codes)
		if unit, grid, ok := Describe(m.ID); !ok || unit != m.Unit || grid != m.Grid {
			t.Errorf("Describe(%s) = %v, %v, %v", m.ID, unit, grid, ok)
		}
	}
}

// Absent is not zero: without any measured value there is no value, whatever
// else is known.
func TestNothingMeasuredGivesNoValue(t *testing.T) {
	withoutValues := richCase().Case()
	withoutValues = withoutShapes(withoutValues.WithMeasured(valve.Measurements{}))
	for name, c := range map[string]*repair.Case{
		"nothing at all": {},
		"studies, plan and operation without a measured value": withoutValues,
	} {
		for _, v := range Compute(c, builtIn()) {
			if v.State == HasValue || v.Value != 0 {
				t.Errorf("%s: %s is %v", name, v.Key, v.Value)
			}
		}
		if list := LeafValues(c, nil); len(list) != 0 {
			t.Errorf("%s: %d leaf values", name, len(list))
		}
	}
}

// A reason why a value is absent never becomes a number.
func TestAbsentReason(t *testing.T) {
	c := repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).Absent(valve.LeftVentricularEndSystolicVolume, valve.Nowhere, valve.AbsentNotPerformed).Case()
	k := valve.Key{ID: IDEjectionFraction, Occasion: "assessment/tte", Role: valve.Derived}
	v := one(t, c, k)
	if v.State != NotEvaluable || !slices.Equal(v.Missing, []string{"left_ventricular_end_systolic_volume of assessment/tte"}) {
		t.Errorf("%v, missing %v", v.State, v.Missing)
	}
}

// Values disputed by a contradiction are shown as such and left out of metrics.
func TestDisputedValuesAreLeftOut(t *testing.T) {
	c := repair.NewExample().Assess("tte").Method(valve.Echo2D).Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60).Case()
	disputed := []valve.Key{{ID: valve.LeftVentricularEndSystolicVolume, Occasion: "assessment/tte", Role: valve.Measured}}
	k := valve.Key{ID: IDEjectionFraction, Occasion: "assessment/tte", Role: valve.Derived}
	if v := one(t, c, k); v.State != HasValue || v.Value != 62.5 {
		t.Fatalf("undisputed: %v %v", v.State, v.Value)
	}
	v := one(t, c.WithMeasured(c.Measured.Without(disputed)), k)
	if v.State != NotEvaluable || len(v.Missing) != 1 || !strings.Contains(v.Missing[0], string(valve.LeftVentricularEndSystolicVolume)) {
		t.Errorf("disputed: %v, missing %v", v.State, v.Missing)
	}
	leaf, _ := find(LeafValues(c, disputed), disputed[0])
	if leaf.State != Disputed || leaf.Value != 60 {
		t.Errorf("the disputed leaf is %v %v", leaf.State, leaf.Value)
	}
}

func page() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Catalogue of metrics, version %s\n", CatalogueVersion)
	for _, m := range Metrics() {
		fmt.Fprintf(&b, "\n%s\n  %s\n  formula: %s\n  unit %s, step %g, since %s, source %s\n  inputs: %s\n",
			m.ID, m.Name, m.Formula, m.Unit.UCUM(), m.Grid, m.Since, m.Source, valve.JoinIDs(m.Inputs, ", "))
		if len(m.Thresholds) > 0 {
			fmt.Fprintf(&b, "  limits: %s\n", strings.Join(m.Thresholds, ", "))
		}
		printCodes(&b, m.Codes)
	}
	fmt.Fprintf(&b, "\n\nMeasured values\n")
	for _, l := range Leaves() {
		fmt.Fprintf(&b, "\n%s\n  %s\n  unit %s, step %g, tier %s, plausible %g to %g (%s)\n",
			l.ID, l.Name, l.Unit.UCUM(), l.Grid, l.Tier, l.Low, l.High, l.RangeSource)
		deviation := func(sd, percent float64) string {
			switch {
			case percent == 0:
				return fmt.Sprintf("%g", sd)
			case sd == 0:
				return fmt.Sprintf("%g %% of the value", percent)
			}
			return fmt.Sprintf("%g %% of the value and at least %g", percent, sd)
		}
		switch {
		case l.PosteriorSD > 0:
			fmt.Fprintf(&b, "  assumed standard deviation %g, posterior leaflet %g (%s)\n", l.SD, l.PosteriorSD, l.SDSource)
		case l.SD > 0 || l.SDPercent > 0:
			fmt.Fprintf(&b, "  assumed standard deviation %s (%s)\n", deviation(l.SD, l.SDPercent), l.SDSource)
		}
		for _, d := range l.Deviations {
			fmt.Fprintf(&b, "  in %s%s %s (%s)\n", d.Method, d.Rhythm, deviation(d.SD, d.Percent), d.Source)
		}
		printCodes(&b, l.Codes)
	}
	return b.String()
}

func printCodes(b *strings.Builder, codes []Coding) {
	for _, c := range codes {
		fmt.Fprintf(b, "  code %s|%s %q, %s", c.System, c.Code, c.Display, c.Equivalence)
		if c.Asks != "" {
			fmt.Fprintf(b, ", asks %s", c.Asks)
		}
		if len(c.Methods) > 0 {
			fmt.Fprintf(b, ", only %v", c.Methods)
		}
		if len(c.Phases) > 0 {
			fmt.Fprintf(b, ", only %v", c.Phases)
		}
		if len(c.Planes) > 0 {
			fmt.Fprintf(b, ", only %v", c.Planes)
		}
		if c.PlaneByItself != "" {
			b.WriteString(" or no plane stated: " + c.PlaneByItself)
		}
		if c.OfFlail {
			b.WriteString(", only of what is flail")
		}
		b.WriteString("\n")
	}
}

// The printed catalogue, so that a change of any row shows in review.
func TestGoldenPage(t *testing.T) {
	file := filepath.Join("testdata", "catalogue.golden")
	got := page()
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the catalogue differs from %s; after review: go test ./internal/metric -update", file)
	}
}

// Nothing of the catalogue rests on memory but the assumed deviation of one leaf, and
// plausible ranges, which a note at most is said of.
func TestWhatRestsOnMemory(t *testing.T) {
	memory := func(id settings.SourceID) bool {
		s, known := settings.SourceByID(id)
		return id != "" && (!known || s.Strength == settings.Memory)
	}
	built := builtIn()
	var list []valve.ID
	for _, m := range Metrics() {
		if memory(m.Source) || slices.ContainsFunc(m.Thresholds, func(name string) bool { return memory(built.Threshold(name).Source) }) {
			list = append(list, m.ID)
		}
	}
	if len(list) > 0 {
		t.Errorf("these metrics rest on memory: %v", list)
	}
	for _, l := range Leaves() {
		if memory(l.SDSource) {
			list = append(list, l.ID)
		}
	}
	if want := []valve.ID{valve.CoaptationDepth}; !slices.Equal(list, want) {
		t.Errorf("the deviations of %v rest on memory, listed are %v", list, want)
	}
}
