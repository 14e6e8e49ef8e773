package settings

import "testing"

// A limit that changed is what it was under an earlier rule set, unless the site has
// set its own.
func TestEditionsHoldTheLimitsOfThen(t *testing.T) {
	present := BuiltIn("example", "1", "UTC")
	for _, row := range []struct {
		ruleSet string
		want    float64
	}{{"1", 6}, {"2", 6}, {"3", 4}, {"", 4}} {
		if got := present.Under(row.ruleSet).Threshold(InkDepthShort); got.Value != row.want || got.Summary == "" {
			t.Errorf("under rule set %q the limit is %+v, want %g", row.ruleSet, got, row.want)
		}
	}
	if present.Threshold(InkDepthShort).Value != 4 {
		t.Error("turning back changed the settings it was made from")
	}
	own := present.Threshold(InkDepthShort)
	own.Value, own.Owner = 5, Site
	present.Thresholds[InkDepthShort] = own
	if got := present.Under("2").Threshold(InkDepthShort).Value; got != 5 {
		t.Errorf("the site's own limit of 5 mm became %g", got)
	}
}

// Every former row is one of a limit that there is, ends with an edition that there
// is, and comes after those that ended before it.
func TestFormerRowsAreOfPresentOnes(t *testing.T) {
	present := BuiltIn("example", "1", "UTC")
	last := map[string]Edition{}
	for _, f := range formerThresholds {
		now := present.Threshold(f.row.Name)
		if f.until < 3 || f.until <= last[f.row.Name] || f.row.Value == now.Value && f.row.Source == now.Source {
			t.Errorf("%s until %d: %+v", f.row.Name, f.until, f.row)
		}
		if _, known := SourceByID(f.row.Source); !known || f.row.Value < now.Lowest || f.row.Value > now.Highest {
			t.Errorf("%s until %d is %g from %s; a site may set %g to %g", f.row.Name, f.until, f.row.Value, f.row.Source, now.Lowest, now.Highest)
		}
		last[f.row.Name] = f.until
	}
	for _, f := range formerTolerances {
		if now, known := present.Tolerances[f.leaf]; !known || f.until < 3 || f.row == now {
			t.Errorf("%s until %d: %+v", f.leaf, f.until, f.row)
		}
	}
}
