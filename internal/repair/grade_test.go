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
