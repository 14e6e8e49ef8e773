package metric

import (
	"testing"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The limit of 5 mmHg is one at rest (Shabsigh et al. 2016); from 7 mmHg on a repair
// was not left as it was (Riegel et al. 2011); the rate of 100/min is common
// practice, no source.
func TestJudgeGradient(t *testing.T) {
	s := settings.BuiltIn("example", "1", "UTC")
	theatre, later := repair.Study{Kind: repair.Result}, repair.Study{Kind: repair.FollowUp}
	drug := repair.Study{Kind: repair.Result, Inotrope: valve.Yes}
	under := func(s repair.Study, provocation string) repair.Study { s.Provocation = provocation; return s }
	rows := []struct {
		name  string
		study repair.Study
		mean  float64
		rate  float64 // 0: not recorded
		want  GradientReading
	}{
		{"in theatre, quiet", theatre, 5.5, 80, GradientReading{GradientHigh, ""}},
		{"on the limit", theatre, 5, 120, GradientReading{Verdict: GradientWithin}},
		{"in theatre, fast", theatre, 6.9, 112, GradientReading{GradientNotComparable, "at 112/min"}},
		{"in theatre, fast, 7 mmHg", theatre, 7, 112, GradientReading{GradientHigh, "at 112/min"}},
		{"in theatre, at the limit of the rate", theatre, 6, 100, GradientReading{GradientHigh, ""}},
		{"in theatre, under an inotrope", drug, 6, 80, GradientReading{GradientNotComparable, "under an inotrope"}},
		{"in theatre, both", drug, 9, 130, GradientReading{GradientHigh, "at 130/min under an inotrope"}},
		{"in theatre, dobutamine given to provoke", under(theatre, "inotrope"), 6, 80, GradientReading{GradientNotComparable, "under an inotrope"}},
		{"in theatre, pressure raised: at rest", under(theatre, "pressure"), 6, 80, GradientReading{GradientHigh, ""}},
		{"rate not recorded", theatre, 6, 0, GradientReading{GradientHigh, ""}},
		{"later, quiet", later, 6, 70, GradientReading{GradientHigh, ""}},
		{"later, fast, however high", later, 11, 110, GradientReading{GradientNotComparable, "at 110/min"}},
		{"later, an inotrope running: the rate alone counts", repair.Study{Kind: repair.FollowUp, Inotrope: valve.Yes}, 6, 80, GradientReading{GradientHigh, ""}},
		{"exercise", under(later, "exercise"), 11, 140, GradientReading{GradientProvoked, "under exercise"}},
		{"dobutamine", under(later, "inotrope"), 4, 140, GradientReading{GradientProvoked, "under an inotrope given to provoke"}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			rate := units.None[float64]()
			if row.rate > 0 {
				rate = units.Some(row.rate)
			}
			if got := JudgeGradient(s, &row.study, row.mean, rate); got != row.want {
				t.Errorf("%+v, want %+v", got, row.want)
			}
		})
	}
}
