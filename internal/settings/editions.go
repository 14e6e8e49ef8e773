package settings

import (
	"maps"
	"slices"
	"strconv"

	"trigone/internal/valve"
)

// Edition is the built-in values that go with a version of the rule set; 0: the
// present ones. A limit or a tolerance that changes leaves the row that it had in
// the tables here, and a plausible range or an assumed standard deviation in that
// of the leaves: what an earlier rule set said it says again, by the limits of then.
type Edition int

// EditionOf gives the edition of a version of the rule set; empty: the present one.
func EditionOf(ruleSet string) Edition {
	n, err := strconv.Atoi(ruleSet)
	if err != nil {
		return 0
	}
	return Edition(n)
}

// Before says whether an edition is older than the one that changed something.
func (e Edition) Before(changed Edition) bool { return e > 0 && e < changed }

// formerThresholds are rows as they stood until an edition, oldest first.
var formerThresholds = []struct {
	until Edition
	row   Threshold
}{
	{3, Threshold{Name: InkDepthShort, Value: 6, Inclusive: true, Source: SourceMemory}},
	{3, Threshold{Name: CoaptationLong, Value: 12, Inclusive: true, Source: SourceMemory}},
	{3, Threshold{Name: SideCoaptationShort, Value: 0.5, Inclusive: true, Source: SourceMemory}},
	{3, Threshold{Name: PosteriorChordLonger, Value: 5, Inclusive: true, Source: SourceMemory}},
	{3, Threshold{Name: FlailWide, Value: 5, Inclusive: true, Source: SourceMemory}},
	{3, Threshold{Name: CircumflexClose, Value: 4, Inclusive: true, Source: SourceMemory}},
}

// formerTolerances are rows as they stood until an edition, oldest first.
var formerTolerances = []struct {
	until Edition
	leaf  valve.ID
	row   Tolerance
}{
	{3, valve.MeanGradient, Tolerance{Absolute: 1, Repeatability: 2.8, Source: SourceOwnModel, Owner: Default}},
}

// Under gives the settings with the built-in values of a version of the rule set in
// place of the present ones, which these must hold. What the site has set stays.
func (s Settings) Under(ruleSet string) Settings {
	s.Edition = EditionOf(ruleSet)
	s.Thresholds, s.Tolerances = maps.Clone(s.Thresholds), maps.Clone(s.Tolerances)
	for _, former := range slices.Backward(formerThresholds) {
		if t := s.Thresholds[former.row.Name]; t.Owner == Default && s.Edition.Before(former.until) {
			t.Value, t.Inclusive, t.Source = former.row.Value, former.row.Inclusive, former.row.Source
			s.Thresholds[t.Name] = t
		}
	}
	for _, former := range slices.Backward(formerTolerances) {
		if t := s.Tolerances[former.leaf]; t.Owner == Default && s.Edition.Before(former.until) {
			s.Tolerances[former.leaf] = former.row
		}
	}
	return s
}
