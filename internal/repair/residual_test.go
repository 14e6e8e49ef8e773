package repair

import "testing"

// What leaks with anterior motion counts as residual in the last set alone, and
// only while the motion has not resolved.
func TestResidual(t *testing.T) {
	five := func(value string) Grade { return Grade{Scheme: FiveStep, Value: value} }
	const motion = "leaflet_with_obstruction"
	rows := []struct {
		name     string
		s        Study
		last     bool
		want     Grade
		byMotion bool
	}{
		{"no motion", Study{Grade: five("moderate")}, false, five("moderate"), false},
		{"chords only", Study{Grade: five("moderate"), AnteriorMotion: "chordal"}, false, five("moderate"), false},
		{"earlier set with motion", Study{Grade: five("moderate"), AnteriorMotion: motion}, false, Grade{}, true},
		{"earlier set, motion and a cleft", Study{Grade: five("moderate"), AnteriorMotion: motion, Mechanisms: []string{"anterior_motion", "cleft"}}, false, five("moderate"), false},
		{"earlier set, the rest graded apart", Study{Grade: five("moderate"), GradeWithMotion: five("severe"), AnteriorMotion: motion}, false, five("moderate"), false},
		{"last set, motion persists", Study{Grade: five("mild"), GradeWithMotion: five("severe"), AnteriorMotion: motion, AnteriorMotionEnd: "persists"}, true, five("severe"), true},
		{"last set, its end is not recorded", Study{GradeWithMotion: five("severe"), AnteriorMotion: motion}, true, five("severe"), true},
		{"last set, resolved", Study{Grade: five("trace"), GradeWithMotion: five("severe"), AnteriorMotion: motion, AnteriorMotionEnd: "resolved"}, true, five("trace"), false},
		{"last set, worse without the motion", Study{Grade: five("severe"), GradeWithMotion: five("mild"), AnteriorMotion: motion}, true, five("severe"), false},
		{"two schemes: the line between mild and moderate", Study{Grade: five("mild"), GradeWithMotion: Grade{PlusSigns, "plus_3"}, AnteriorMotion: motion}, true, Grade{PlusSigns, "plus_3"}, true},
		{"two schemes on one side of it", Study{Grade: five("moderate"), GradeWithMotion: Grade{PlusSigns, "plus_3"}, AnteriorMotion: motion}, true, five("moderate"), false},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			if got, byMotion := row.s.Residual(row.last); got != row.want || byMotion != row.byMotion {
				t.Errorf("%v, by motion %t; want %v, %t", got, byMotion, row.want, row.byMotion)
			}
		})
	}
}
