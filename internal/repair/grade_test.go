package repair

import "testing"

// The side of a grade decides what counts as residual regurgitation. 2+ is
// moderate: common practice, no source.
func TestGrades(t *testing.T) {
	tests := []struct {
		why      string
		grade    Grade
		rank     int
		moderate bool
		text     string
	}{
		{"least of five steps", Grade{FiveStep, "none"}, 0, false, "none"},
		{"last mild of five steps", Grade{FiveStep, "mild"}, 2, false, "mild"},
		{"first moderate of five steps", Grade{FiveStep, "moderate"}, 3, true, "moderate"},
		{"most of five steps", Grade{FiveStep, "severe"}, 4, true, "severe"},
		{"mild to moderate is the lower half of moderate", Grade{SplitModerate, "mild_to_moderate"}, 3, true, "mild to moderate"},
		{"moderate to severe is the upper half", Grade{SplitModerate, "moderate_to_severe"}, 4, true, "moderate to severe"},
		{"1+ is mild", Grade{PlusSigns, "plus_1"}, 1, false, "1+"},
		{"2+ is moderate", Grade{PlusSigns, "plus_2"}, 2, true, "2+"},
		{"4+ is severe", Grade{PlusSigns, "plus_4"}, 4, true, "4+"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			rank, known := tt.grade.Rank()
			moderate, _ := tt.grade.ModerateOrMore()
			if !known || rank != tt.rank || moderate != tt.moderate || tt.grade.String() != tt.text {
				t.Errorf("rank %d, moderate %v, %q, known %v", rank, moderate, tt.grade.String(), known)
			}
		})
	}
}

func TestGradesCompareInsideOneScheme(t *testing.T) {
	if n, ok := (Grade{FiveStep, "severe"}).Difference(Grade{FiveStep, "mild"}); !ok || n != 2 {
		t.Errorf("severe minus mild is %d, %v", n, ok)
	}
	for why, pair := range map[string][2]Grade{
		"two schemes":          {{FiveStep, "mild"}, {SplitModerate, "mild"}},
		"one not recorded":     {{FiveStep, "mild"}, {}},
		"a value of no scheme": {{FiveStep, "plus_1"}, {FiveStep, "mild"}},
	} {
		if n, ok := pair[0].Difference(pair[1]); ok {
			t.Errorf("%s: compared, %d", why, n)
		}
	}
}

// Within a scheme, what ranks higher is never on the milder side.
func TestSideFollowsRank(t *testing.T) {
	for a, rowA := range gradeTable {
		for b, rowB := range gradeTable {
			if a.Scheme == b.Scheme && rowA.rank < rowB.rank && rowA.moderate && !rowB.moderate {
				t.Errorf("%v is moderate and %v above it is not", a, b)
			}
			if a != b && a.Scheme == b.Scheme && rowA.rank == rowB.rank {
				t.Errorf("%v and %v have one rank", a, b)
			}
		}
	}
}

// The levels against every grade; across schemes as published series read them, whose
// 'more than 2+' is 'moderate to severe or more' (common practice, no source).
func TestLevels(t *testing.T) {
	for _, tt := range []struct {
		why    string
		g      Grade
		levels int // how many it reaches, from the lowest on
	}{
		{"nothing", Grade{FiveStep, "none"}, 0},
		{"a trace is not mild", Grade{FiveStep, "trace"}, 0},
		{"mild", Grade{FiveStep, "mild"}, 1},
		{"moderate of five steps may be either half: it is not taken as the upper one", Grade{FiveStep, "moderate"}, 2},
		{"severe", Grade{FiveStep, "severe"}, 4},
		{"the lower half of moderate", Grade{SplitModerate, "mild_to_moderate"}, 2},
		{"the upper half", Grade{SplitModerate, "moderate_to_severe"}, 3},
		{"severe of the split scheme", Grade{SplitModerate, "severe"}, 4},
		{"no plus", Grade{PlusSigns, "plus_0"}, 0},
		{"1+", Grade{PlusSigns, "plus_1"}, 1},
		{"2+", Grade{PlusSigns, "plus_2"}, 2},
		{"3+", Grade{PlusSigns, "plus_3"}, 3},
		{"4+", Grade{PlusSigns, "plus_4"}, 4},
	} {
		for i, level := range Levels() {
			if reached, ok := tt.g.Reaches(level); !ok || reached != (i < tt.levels) {
				t.Errorf("%s: reaches %s: %v, %v", tt.why, level, reached, ok)
			}
		}
	}
	if _, ok := (Grade{FiveStep, "plus_2"}).Reaches(AtLeastMild); ok {
		t.Error("a grade of no scheme reaches a level")
	}
}
