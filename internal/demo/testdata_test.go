package demo

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var update = flag.Bool("update", false, "rewrite the case files of testdata in their canonical form, and the golden files")

var folders = []string{testdata.Cases, testdata.Submits}

// every calls f with each case file of testdata.
func every(t *testing.T, f func(t *testing.T, folder, name string, file *trigonev1.CaseFile)) {
	t.Helper()
	for _, folder := range folders {
		for _, name := range testdata.Names(folder) {
			t.Run(folder+"/"+name, func(t *testing.T) {
				file, err := testdata.Read(folder, name)
				if err != nil {
					t.Fatal(err)
				}
				f(t, folder, name, file)
			})
		}
	}
}

func TestCanonicalForm(t *testing.T) {
	every(t, func(t *testing.T, folder, name string, file *trigonev1.CaseFile) {
		want, err := render.JSON(file)
		if err != nil {
			t.Fatal(err)
		}
		if *update {
			if err := os.WriteFile(filepath.Join("..", "..", "testdata", folder, name+".json"), want, 0o640); err != nil {
				t.Fatal(err)
			}
			return
		}
		got, err := testdata.Raw(folder, name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("the file is not in canonical form; run go test ./internal/demo -run Canonical -update and look at the difference")
		}
	})
}

// Every identifier says that it is invented, and no case number stands twice.
func TestIdentifiersAreInvented(t *testing.T) {
	seen := map[string]string{}
	caseNumber := regexp.MustCompile(`^MV-2026-\d{3}$`)
	patient := regexp.MustCompile(`^P-\d{4}$`)
	every(t, func(t *testing.T, folder, name string, file *trigonev1.CaseFile) {
		number, p := file.GetExternalIdentifier(), file.GetPatientIdentifier()
		if number.GetSystem() != "urn:example:harbour-hospital:case" || !caseNumber.MatchString(number.GetValue()) {
			t.Errorf("case number %v is not one of Harbour Hospital", number)
		}
		if p.GetSystem() != "urn:example:harbour-hospital:patient" || !patient.MatchString(p.GetValue()) {
			t.Errorf("patient %v is not one of Harbour Hospital", p)
		}
		if folder != testdata.Cases {
			return
		}
		if other, twice := seen[number.GetValue()]; twice {
			t.Errorf("case number %s stands in %s too", number.GetValue(), other)
		}
		seen[number.GetValue()] = name
	})
}

// The page that says what each file is for names every file, and every file it
// names is there.
func TestReadmeNamesEveryFile(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("..", "..", "testdata", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	var named []string
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z-]+)` \\|").FindAllStringSubmatch(string(page), -1) {
		named = append(named, m[1])
	}
	var there []string
	for _, folder := range folders {
		there = append(there, testdata.Names(folder)...)
	}
	slices.Sort(named)
	slices.Sort(there)
	if !slices.Equal(named, there) {
		t.Errorf("the page names %s; the folders hold %s", strings.Join(named, ", "), strings.Join(there, ", "))
	}
}

// The sliding plasty closes the gap of the resection before the ring is in:
// advance lateral + advance medial + plication = base width. Common practice, no
// source; see also the arithmetic of the planned steps.
//
// One plan was invented to leave 4 mm open.
func TestSlidingClosesTheGap(t *testing.T) {
	left := map[string]float64{"base-gap-open planned": 4}
	closed := 0
	every(t, func(t *testing.T, _, name string, file *trigonev1.CaseFile) {
		var planned, performed []*trigonev1.Technique
		for _, s := range file.GetPlan().GetSteps() {
			planned = append(planned, s.GetTechnique())
		}
		for _, s := range file.GetOperation().GetSteps() {
			performed = append(performed, s.GetTechnique())
		}
		for side, techniques := range map[string][]*trigonev1.Technique{"planned": planned, "performed": performed} {
			gap, taken := 0.0, 0.0
			for _, q := range techniques {
				gap += q.GetLeafletResection().GetResectionBaseWidth().GetMm()
				taken += q.GetPlication().GetPlicationLength().GetMm() +
					q.GetSlidingPlasty().GetLateral().GetSlidingAdvance().GetMm() + q.GetSlidingPlasty().GetMedial().GetSlidingAdvance().GetMm()
			}
			if gap == 0 && taken == 0 {
				continue
			}
			closed++
			if open := left[name+" "+side]; gap-taken != open {
				t.Errorf("%s: the base gap is %g mm, advances and plication close %g mm, want %g mm left open", side, gap, taken, open)
			}
		}
	})
	if closed <= len(left) {
		t.Error("no case has a gap at the base; the check checks nothing")
	}
}

// The contour of saddle-annulus is the curve that testdata's page gives, rounded to
// 0.1 mm, so that what is derived from it can be checked against the formula.
func TestSaddleIsTheCurveThatIsTold(t *testing.T) {
	file, err := testdata.Read(testdata.Cases, "saddle-annulus")
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range file.GetAssessments() {
		points := a.GetStudy().GetAnnulus().GetShape().GetContourMm()
		if a.GetId() != "toe-clinic" {
			continue
		}
		if len(points) != 3*48 {
			t.Fatalf("%d numbers, want 48 points", len(points))
		}
		for i := range 48 {
			turn := 2 * math.Pi * float64(i) / 48
			for axis, want := range []float64{21 * math.Cos(turn), 17.5 * math.Sin(turn), -4 * math.Cos(2*turn)} {
				if got := points[3*i+axis]; math.Abs(got-want) > 0.05+1e-9 {
					t.Errorf("point %d, axis %d: %g, want %g", i, axis, got, want)
				}
			}
		}
	}
}
