package haemo

import (
	"math"
	"testing"

	"trigone/internal/units"
)

// Every edge of the 2017 recommendations' table (read in a secondary page), at
// the edge, one double below and one above. Tolerance: none.
func TestGradeEdges(t *testing.T) {
	area := func(x float64) BandRange { return exactly(GradeOrifice(units.Area(x))) }
	volume := func(x float64) BandRange { return exactly(GradeVolume(units.Volume(x))) }
	fraction := func(x float64) BandRange { return exactly(GradeFraction(units.Fraction(x))) }
	single := func(x float64) BandRange { return GradeVenaContracta(units.Length(x)) }
	biplane := func(x float64) BandRange { return GradeVenaContractaBiplane(units.Length(x)) }
	rows := []struct {
		name             string
		grade            func(float64) BandRange
		edge             float64
		below, at, above BandRange
	}{
		{"orifice 0.20", area, 0.20, exactly(Mild), exactly(MildToModerate), exactly(MildToModerate)},
		{"orifice 0.30", area, 0.30, exactly(MildToModerate), exactly(ModerateToSevere), exactly(ModerateToSevere)},
		{"orifice 0.40", area, 0.40, exactly(ModerateToSevere), exactly(Severe), exactly(Severe)},
		{"volume 30", volume, 30, exactly(Mild), exactly(MildToModerate), exactly(MildToModerate)},
		{"volume 45", volume, 45, exactly(MildToModerate), exactly(ModerateToSevere), exactly(ModerateToSevere)},
		{"volume 60", volume, 60, exactly(ModerateToSevere), exactly(Severe), exactly(Severe)},
		{"fraction 30", fraction, 30, exactly(Mild), exactly(MildToModerate), exactly(MildToModerate)},
		{"fraction 40", fraction, 40, exactly(MildToModerate), exactly(ModerateToSevere), exactly(ModerateToSevere)},
		{"fraction 50", fraction, 50, exactly(ModerateToSevere), exactly(Severe), exactly(Severe)},
		{"vena contracta 3", single, 3, exactly(Mild), intermediate, intermediate},
		{"vena contracta 7", single, 7, intermediate, exactly(Severe), exactly(Severe)},
		{"vena contracta biplane 3", biplane, 3, exactly(Mild), intermediate, intermediate},
		{"vena contracta biplane 8, strictly above", biplane, 8, intermediate, intermediate, exactly(Severe)},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			below, above := math.Nextafter(r.edge, -1), math.Nextafter(r.edge, 1e9)
			if got := r.grade(below); got != r.below {
				t.Errorf("just below: %v, want %v", got, r.below)
			}
			if got := r.grade(r.edge); got != r.at {
				t.Errorf("at the edge: %v, want %v", got, r.at)
			}
			if got := r.grade(above); got != r.above {
				t.Errorf("just above: %v, want %v", got, r.above)
			}
		})
	}
}

// The printed bands are closed on whole numbers; both ends must fall inside.
func TestGradePrintedBands(t *testing.T) {
	for _, r := range []struct {
		got, want Band
		printed   string
	}{
		{GradeOrifice(0.20), MildToModerate, "0.20-0.29"}, {GradeOrifice(0.29), MildToModerate, "0.20-0.29"},
		{GradeOrifice(0.30), ModerateToSevere, "0.30-0.39"}, {GradeOrifice(0.39), ModerateToSevere, "0.30-0.39"},
		{GradeVolume(30), MildToModerate, "30-44"}, {GradeVolume(44), MildToModerate, "30-44"},
		{GradeVolume(45), ModerateToSevere, "45-59"}, {GradeVolume(59), ModerateToSevere, "45-59"},
		{GradeFraction(30), MildToModerate, "30-39"}, {GradeFraction(39), MildToModerate, "30-39"},
		{GradeFraction(40), ModerateToSevere, "40-49"}, {GradeFraction(49), ModerateToSevere, "40-49"},
		{GradeVolume(-5), Mild, "< 30, below 0 through scatter"},
		{GradeOrifice(units.Area(math.Inf(1))), Severe, ">= 0.40"},
	} {
		if r.got != r.want {
			t.Errorf("band %s graded %v, want %v", r.printed, r.got, r.want)
		}
	}
}

func TestNotANumberIsNotGraded(t *testing.T) {
	nan := math.NaN()
	for name, b := range map[string]Band{
		"orifice": GradeOrifice(units.Area(nan)), "volume": GradeVolume(units.Volume(nan)),
		"fraction":             GradeFraction(units.Fraction(nan)),
		"vena contracta":       GradeVenaContracta(units.Length(nan)).Low,
		"biplane":              GradeVenaContractaBiplane(units.Length(nan)).High,
		"the zero band itself": 0,
	} {
		if b != 0 || b.String() != "not graded" {
			t.Errorf("%s: not a number graded as %v", name, b)
		}
	}
}

func TestBandWordsAndSteps(t *testing.T) {
	words := map[Band]string{Mild: "mild", MildToModerate: "mild to moderate", ModerateToSevere: "moderate to severe", Severe: "severe"}
	for b, want := range words {
		if b.String() != want || exactly(b).String() != want {
			t.Errorf("band %d reads %q, want %q", b, b, want)
		}
	}
	if got := intermediate.String(); got != "mild to moderate or moderate to severe" {
		t.Errorf("the intermediate range reads %q", got)
	}
	if Severe.StepsFrom(ModerateToSevere) != 1 || Mild.StepsFrom(Severe) != 3 || Mild.StepsFrom(Mild) != 0 {
		t.Error("steps between bands must be counted without sign")
	}
}

func TestGradeTableIsACopyInOrder(t *testing.T) {
	table := GradeTable()
	if len(table) != 5 {
		t.Fatalf("%d rows, want 5", len(table))
	}
	for _, row := range table {
		if row.Parameter == "" || !row.Unit.Valid() || row.grade(0) != exactly(Mild) {
			t.Errorf("row %q: name, unit or lowest band is missing", row.Parameter)
		}
		for i := 1; i < len(row.Edges); i++ {
			if row.Edges[i].From <= row.Edges[i-1].From || row.Edges[i].Bands.Low <= row.Edges[i-1].Bands.Low {
				t.Errorf("row %q: edges must rise", row.Parameter)
			}
		}
	}
	table[0].Edges[0].From = 0
	if GradeOrifice(0.1) != Mild {
		t.Error("a caller changed the table")
	}
}

// Two ways of one case that a public page calls severe, and the others that the
// rule has to tell apart; own rule.
func TestAgree(t *testing.T) {
	rows := []struct {
		name   string
		ranges []BandRange
		want   Agreement
	}{
		{"nothing graded", []BandRange{{}}, Agreement{}},
		{"0.407 cm2 and 57.0 mL", []BandRange{exactly(GradeOrifice(0.407)), exactly(GradeVolume(57))}, Agreement{ModerateToSevere, Severe, 1}},
		{"a width that allows two bands meets the other", []BandRange{GradeVenaContracta(5), exactly(GradeVolume(40))}, Agreement{MildToModerate, MildToModerate, 0}},
		{"a width alone", []BandRange{GradeVenaContracta(5)}, Agreement{MildToModerate, ModerateToSevere, 0}},
		{"a width against severe counts from its nearer band", []BandRange{GradeVenaContracta(5), exactly(Severe)}, Agreement{ModerateToSevere, Severe, 1}},
		{"mild against severe", []BandRange{exactly(Severe), intermediate, exactly(Mild)}, Agreement{Mild, Severe, 3}},
	}
	for _, r := range rows {
		if got := Agree(r.ranges); got != r.want {
			t.Errorf("%s: %+v, want %+v", r.name, got, r.want)
		}
	}
}

// The limits of the stages, at the limit and one double beside it: guideline of
// 2020, table read in a secondary page (60 % or less, 40 mm or more; below 20 %
// and below 3 mm).
func TestStageLimits(t *testing.T) {
	rows := []struct {
		name             string
		is               func(float64) bool
		limit            float64
		below, at, above bool
	}{
		{"ejection fraction", func(x float64) bool { return EjectionReduced(units.Fraction(x)) }, 60, true, true, false},
		{"end-systolic diameter", func(x float64) bool { return SystoleDilated(units.Length(x)) }, 40, false, true, true},
		{"jet", func(x float64) bool { return SmallJet(units.Fraction(x)) }, 20, true, false, false},
		{"vena contracta", func(x float64) bool { return NarrowVenaContracta(units.Length(x)) }, 3, true, false, false},
	}
	for _, r := range rows {
		if r.is(math.Nextafter(r.limit, 0)) != r.below || r.is(r.limit) != r.at || r.is(math.Nextafter(r.limit, 1000)) != r.above {
			t.Errorf("%s: the limit %v divides otherwise", r.name, r.limit)
		}
	}
	seen := map[string]bool{}
	for s := Stage(0); s <= StageD+1; s++ {
		seen[s.String()] = true
	}
	if len(seen) != 6 || Stage(0).String() != "not staged" || (StageD+1).String() != "not staged" {
		t.Errorf("stages in words: %v", seen)
	}
}
