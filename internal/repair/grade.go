package repair

import (
	"cmp"
	"slices"
)

// Schemes of grades.
const (
	FiveStep      = "five_step"
	SplitModerate = "split_moderate"
	PlusSigns     = "plus_signs"
)

type gradeRow struct {
	rank     int
	moderate bool // moderate or more
	text     string
}

// gradeTable gives rank and side of every grade; grades are compared only
// inside one scheme. The split scheme divides moderate in two. The side of the plus signs: 2+ and more count as moderate
// or more (common practice, no source).
var gradeTable = map[Grade]gradeRow{
	{FiveStep, "none"}:                    {0, false, "none"},
	{FiveStep, "trace"}:                   {1, false, "trace"},
	{FiveStep, "mild"}:                    {2, false, "mild"},
	{FiveStep, "moderate"}:                {3, true, "moderate"},
	{FiveStep, "severe"}:                  {4, true, "severe"},
	{SplitModerate, "none"}:               {0, false, "none"},
	{SplitModerate, "trace"}:              {1, false, "trace"},
	{SplitModerate, "mild"}:               {2, false, "mild"},
	{SplitModerate, "mild_to_moderate"}:   {3, true, "mild to moderate"},
	{SplitModerate, "moderate_to_severe"}: {4, true, "moderate to severe"},
	{SplitModerate, "severe"}:             {5, true, "severe"},
	{PlusSigns, "plus_0"}:                 {0, false, "0"},
	{PlusSigns, "plus_1"}:                 {1, false, "1+"},
	{PlusSigns, "plus_2"}:                 {2, true, "2+"},
	{PlusSigns, "plus_3"}:                 {3, true, "3+"},
	{PlusSigns, "plus_4"}:                 {4, true, "4+"},
}

// Grades gives the grades of a scheme, from the least to the most.
func Grades(scheme string) []Grade {
	var list []Grade
	for g := range gradeTable {
		if g.Scheme == scheme {
			list = append(list, g)
		}
	}
	slices.SortFunc(list, func(a, b Grade) int { return cmp.Compare(gradeTable[a].rank, gradeTable[b].rank) })
	return list
}

// Known says whether the grade belongs to its scheme.
func (g Grade) Known() bool { _, ok := gradeTable[g]; return ok }

// Rank gives the rank within the scheme; ok is false for a grade that is not
// recorded or not of its scheme.
func (g Grade) Rank() (rank int, ok bool) {
	row, ok := gradeTable[g]
	return row.rank, ok
}

// ModerateOrMore gives the side of the grade; ok as in Rank.
func (g Grade) ModerateOrMore() (moderate, ok bool) {
	row, ok := gradeTable[g]
	return row.moderate, ok
}

// Levels that grades of every scheme can be held against. A scheme that lacks a level
// reaches it with its next one: of the five steps severe is the first that is moderate
// to severe or more.
const (
	AtLeastMild             = "mild"
	AtLeastModerate         = "moderate"
	AtLeastModerateToSevere = "moderate_to_severe"
	AtLeastSevere           = "severe"
)

// Levels lists them, the lowest first.
func Levels() []string {
	return []string{AtLeastMild, AtLeastModerate, AtLeastModerateToSevere, AtLeastSevere}
}

// Reaches says whether the grade is of the level or more; ok as in Rank.
func (g Grade) Reaches(level string) (reached, ok bool) {
	row, ok := gradeTable[g]
	if !ok {
		return false, false
	}
	switch level {
	case AtLeastMild:
		return row.moderate || g.Value == "mild" || g.Value == "plus_1", true
	case AtLeastModerate:
		return row.moderate, true
	case AtLeastModerateToSevere:
		return g.Severe() || g.Value == "moderate_to_severe" || g.Value == "plus_3", true
	case AtLeastSevere:
		return g.Severe(), true
	}
	panic("no level of grades: " + level)
}

// Severe says whether the grade is the highest of its scheme.
func (g Grade) Severe() bool { return g.Known() && (g.Value == "severe" || g.Value == "plus_4") }

// String gives the grade in words, empty if it is not recorded.
func (g Grade) String() string { return gradeTable[g].text }

// Difference gives the rank of g minus that of h; ok only inside one scheme.
func (g Grade) Difference(h Grade) (steps int, ok bool) {
	a, okA := g.Rank()
	b, okB := h.Rank()
	return a - b, okA && okB && g.Scheme == h.Scheme
}

// below says whether g is not known, or lies below h: in its scheme, or else by the
// line between mild and moderate.
func (g Grade) below(h Grade) bool {
	if !g.Known() {
		return true
	}
	if steps, ok := g.Difference(h); ok {
		return steps < 0
	}
	more, _ := h.ModerateOrMore()
	already, _ := g.ModerateOrMore()
	return more && !already
}
