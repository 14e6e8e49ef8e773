package draw_test

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/convert/converttest"
	"trigone/internal/draw"
	"trigone/internal/metric"
	"trigone/internal/picture"
	"trigone/internal/policy"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var update = flag.Bool("update", false, "rewrite the golden drawings")

// subjectOf gives what is drawn of a case file, under the policy of the demo.
func subjectOf(t *testing.T, file *trigonev1.CaseFile) draw.Subject {
	t.Helper()
	e, err := casebook.EvaluateFile(demoPolicy(t), file, "test")
	if err != nil {
		t.Fatal(err)
	}
	return convert.Drawn(convert.RecordOf(file), e)
}

func invented(t *testing.T, name string) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// eachPicture calls f with every drawing of every invented case.
func eachPicture(t *testing.T, f func(t *testing.T, s draw.Subject, p picture.Picture)) {
	t.Helper()
	for _, name := range testdata.Names(testdata.Cases) {
		s := subjectOf(t, invented(t, name))
		for _, d := range draw.Drawings() {
			t.Run(name+"/"+d.Name, func(t *testing.T) { f(t, s, d.Of(s)) })
		}
		t.Run(name+"/"+draw.NameWindow, func(t *testing.T) { f(t, s, draw.Window(s, variationOf(t, invented(t, name)))) })
	}
}

// variationOf explores the height of P2 by 2 mm to both sides and the sizes of the
// demo's ring family; a plan that cannot be varied so has no variants.
func variationOf(t *testing.T, file *trigonev1.CaseFile) draw.Variation {
	t.Helper()
	p := demoPolicy(t)
	var height float64
	for _, v := range subjectOf(t, file).Evaluation.Metrics {
		if v.Key.ID == metric.IDFinalPosteriorHeight && v.Key.Occasion == valve.AtPlan && v.Key.Place == valve.AtSegment(valve.P2) {
			height = v.Value
		}
	}
	if file.GetPlan() == nil || height == 0 {
		return draw.Variation{}
	}
	request := &trigonev1.ExplorePlansRequest{CaseFile: file, Axes: []*trigonev1.ExploredAxis{{Kind: &trigonev1.ExploredAxis_LeafletHeight{
		LeafletHeight: &trigonev1.HeightAxis{
			Segment: trigonev1.Segment_SEGMENT_P2,
			Range:   &trigonev1.LengthGrid{MinMm: proto.Float64(height - 2), MaxMm: proto.Float64(height + 2), StepMm: proto.Float64(1)},
		},
	}}}}
	var rings []string
	for _, s := range file.GetPlan().GetSteps() {
		if family := s.GetTechnique().GetAnnuloplasty().GetFamilyKey(); len(p.Settings.RingFamily(family)) > 0 {
			rings = append(rings, family)
		}
	}
	if len(rings) == 1 {
		axis := &trigonev1.RingAxis{}
		axis.Sizes = append(axis.Sizes, &trigonev1.RingSizeChoice{FamilyKey: rings[0]})
		request.Axes = append(request.Axes, &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_Ring{Ring: axis}})
	}
	var basis *trigonev1.ExplorationBasis
	var variants []*trigonev1.PlanVariant
	err := casebook.ExploreFile(t.Context(), p, request, "test", func(answer *trigonev1.ExplorePlansResponse) error {
		if answer.GetBasis() != nil {
			basis = answer.GetBasis()
		}
		if answer.GetVariant() != nil {
			variants = append(variants, answer.GetVariant())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return convert.DrawnVariation(basis, variants)
}

func demoPolicy(t *testing.T) policy.Policy {
	t.Helper()
	p, err := policy.Parse("the demo's policy", testdata.DemoPolicy, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Everything lies inside the frame, and no text meets another, in any font as wide as
// the bound; text is large enough at 390 pixels.
func TestLayout(t *testing.T) {
	eachPicture(t, func(t *testing.T, _ draw.Subject, p picture.Picture) {
		if p.Width != 390 || p.Height <= 0 {
			t.Errorf("frame of %g x %g", p.Width, p.Height)
		}
		var texts []picture.Text
		p.Walk(func(s picture.Shape) {
			r := s.Bounds()
			if r.Left < 0 || r.Top < 0 || r.Right > p.Width || r.Bottom > p.Height {
				t.Errorf("%#v lies outside the frame of %g x %g: %v", s, p.Width, p.Height, r)
			}
			text, ok := s.(picture.Text)
			if !ok {
				return
			}
			if text.Size < 10 {
				t.Errorf("%q is too small to be read: %g", text.Text, text.Size)
			}
			for _, other := range texts {
				if r.Overlaps(other.Bounds()) {
					t.Errorf("%q and %q overlap", text.Text, other.Text)
				}
			}
			texts = append(texts, text)
		})
	})
}

// A drawing is named and described, and says why it is none.
func TestEveryDrawingIsDescribed(t *testing.T) {
	eachPicture(t, func(t *testing.T, _ draw.Subject, p picture.Picture) {
		if p.Title == "" || p.Description == "" {
			t.Errorf("title %q, description %q", p.Title, p.Description)
		}
		if p.NotDrawn != "" && !strings.Contains(strings.Join(p.Texts(), " "), "Not drawn, because") {
			t.Errorf("not drawn because %q, and the picture does not say it", p.NotDrawn)
		}
	})
}

// SVG is XML with the title first, names no address, and holds no script or style.
func TestSVG(t *testing.T) {
	eachPicture(t, func(t *testing.T, _ draw.Subject, p picture.Picture) {
		out := picture.SVG(p)
		decoder := xml.NewDecoder(strings.NewReader(string(out)))
		var elements, texts []string
		for {
			token, err := decoder.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			switch token := token.(type) {
			case xml.StartElement:
				elements = append(elements, token.Name.Local)
				for _, a := range token.Attr {
					if a.Name.Local == "href" || a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "url(") {
						t.Errorf("%s has %s=%q", token.Name.Local, a.Name.Local, a.Value)
					}
				}
			case xml.CharData:
				texts = append(texts, string(token))
			}
		}
		if len(elements) < 3 || elements[0] != "svg" || elements[1] != "title" || elements[2] != "desc" {
			t.Errorf("begins with %v", elements[:min(3, len(elements))])
		}
		for _, e := range elements {
			switch e {
			case "svg", "g", "title", "desc", "path", "rect", "circle", "text":
			default:
				t.Errorf("element %s", e)
			}
		}
		all := strings.Join(texts, "\n")
		for _, text := range append(p.Texts(), p.Title, p.Description) {
			if !strings.Contains(all, text) {
				t.Errorf("%q is not in the SVG", text)
			}
		}
	})
}

// No drawing holds what identifies, whatever stands in the fields that do, nor an id
// that a client chose, nor a day.
func TestNothingIdentifies(t *testing.T) {
	day := regexp.MustCompile(`\d{4}-\d{2}-\d{2}`)
	for _, name := range testdata.Names(testdata.Cases) {
		file := invented(t, name)
		converttest.Flood(file, "draw")
		ids := map[string]bool{}
		rename(file, ids)
		s := subjectOf(t, file)
		pictures := []picture.Picture{draw.Window(s, variationOf(t, file))}
		for _, d := range draw.Drawings() {
			pictures = append(pictures, d.Of(s))
		}
		for _, d := range pictures {
			out := string(picture.SVG(d))
			if strings.Contains(out, converttest.Marker) {
				t.Errorf("%s of %s holds a text that identifies", d.Name, name)
			}
			if day.MatchString(out) {
				t.Errorf("%s of %s holds the day %s", d.Name, name, day.FindString(out))
			}
			if strings.Contains(out, idMarker) {
				t.Errorf("%s of %s holds an id that a client chose", d.Name, name)
			}
		}
	}
}

const idMarker = "own-id-"

// rename gives every section, step, test, lesion and target an id that is easily
// found.
func rename(file *trigonev1.CaseFile, _ map[string]bool) {
	n := 0
	next := func(id *string) {
		n++
		*id = idMarker + strconv.Itoa(n)
	}
	lesions := func(s *trigonev1.Study) {
		for _, l := range s.GetLeaflets().GetLesions() {
			next(&l.Id)
		}
	}
	for _, a := range file.GetAssessments() {
		next(&a.Id)
		lesions(a.GetStudy())
	}
	for _, r := range file.GetResults() {
		next(&r.Id)
		lesions(r.GetStudy())
	}
	for _, f := range file.GetFollowUps() {
		next(&f.Id)
	}
	if p := file.GetPlan(); p != nil {
		p.AssessmentIds = nil
		p.Signer = idMarker + "signer"
		for _, s := range p.GetSteps() {
			next(&s.Id)
			s.AlternativeOf, s.LesionIds = "", nil
		}
		for _, target := range p.GetTargets() {
			next(&target.Id)
		}
	}
	if o := file.GetOperation(); o != nil {
		o.Devices = nil
		for _, m := range o.GetMarginChords() {
			m.StepId = ""
		}
		if o.Conversion != nil {
			o.Conversion.TriedStepIds = nil
		}
		for _, l := range o.GetAcceptedLesions() {
			l.LesionId = ""
		}
		for _, s := range o.GetSteps() {
			next(&s.Id)
			s.RevisedBy, s.PlannedStepId, s.LesionIds, s.AdviceIds = "", "", nil, nil
		}
		for _, test := range o.GetSalineTests() {
			next(&test.Id)
		}
		for _, test := range o.GetInkTests() {
			next(&test.Id)
		}
	}
	file.Advice = nil
}

// Theatre is told in minutes from incision, and by the clock only where it is asked
// for; days are those of the site's calendar.
func TestCourseTellsTheClockWhenAsked(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	s := subjectOf(t, invented(t, "billowing-second-run"))
	s.Zone = zone
	clock := regexp.MustCompile(`\b\d{2}:\d{2}\b`)
	if text := string(picture.SVG(draw.Course(s))); clock.MatchString(text) {
		t.Errorf("a clock time without being asked: %s", clock.FindString(text))
	}
	s.Clock = true
	incision := s.Case.Operation.IncisionTime.In(zone).Format("15:04")
	if texts := draw.Course(s).Texts(); !slices.Contains(texts, incision) {
		t.Errorf("%s is not among %v", incision, texts)
	}
	s.Zone = nil
	if texts := strings.Join(draw.Course(s).Texts(), " "); !strings.Contains(texts, "(UTC)") {
		t.Errorf("clock times of no zone, and nobody says so: %s", texts)
	}
}

// golden are drawings that are kept: one of each kind of case.
var golden = map[string][]string{
	draw.NameStrip:  {"several-differences", "base-gap-open", "billowing-second-run", "commissural-conversion", "core-only"},
	draw.NameCourse: {"billowing-second-run", "recurrence", "no-plan"},
	draw.NameAims:   {"three-slices", "billowing-second-run", "core-only"},
	draw.NameSlice:  {"three-slices", "chords-hold-line", "several-differences", "no-plan"},
}

func TestGoldenDrawings(t *testing.T) {
	made := map[string]func(*trigonev1.CaseFile) picture.Picture{
		draw.NameWindow: func(file *trigonev1.CaseFile) picture.Picture {
			return draw.Window(subjectOf(t, file), variationOf(t, file))
		},
	}
	for _, d := range draw.Drawings() {
		made[d.Name] = func(file *trigonev1.CaseFile) picture.Picture { return d.Of(subjectOf(t, file)) }
	}
	for drawing, names := range golden {
		for _, name := range names {
			t.Run(drawing+"/"+name, func(t *testing.T) {
				got := picture.SVG(made[drawing](invented(t, name)))
				path := filepath.Join("testdata", drawing+"-"+name+".svg")
				if *update {
					if err := os.WriteFile(path, got, 0o600); err != nil {
						t.Fatal(err)
					}
				}
				want, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if string(got) != string(want) {
					t.Errorf("%s differs; look at it and run with -update", path)
				}
			})
		}
	}
}
