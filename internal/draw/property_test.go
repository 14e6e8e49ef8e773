package draw_test

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"trigone/internal/draw"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/picture"
	"trigone/internal/policy"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// withUnit finds numbers with a unit, as drawings write them.
var withUnit = regexp.MustCompile("(-?\\d+(?:\\.\\d+)?)\u00a0(mm|%|mmHg)")

// Every number with a unit in a drawing is one of the evaluation, or an end of an aim
// or a limit, as its grid rounds it.
func TestEveryNumberIsOneOfTheEvaluation(t *testing.T) {
	numbers := 0
	eachPicture(t, func(t *testing.T, s draw.Subject, p picture.Picture) {
		known := map[float64]bool{10: true} // the bar of the scale
		add := func(v units.Maybe[float64]) {
			if x, ok := v.Get(); ok {
				for _, grid := range []float64{0.01, 0.1, 1} {
					known[units.Round(math.Abs(x), grid)] = true
				}
			}
		}
		for _, v := range s.Evaluation.Metrics {
			if v.State == metric.HasValue || v.State == metric.Disputed {
				add(units.Some(v.Value))
			}
			add(v.Lower)
			add(v.Upper)
			for _, in := range v.Inputs {
				add(units.Some(in.Value))
			}
		}
		for _, c := range s.Evaluation.Comparisons {
			add(c.Lower)
			add(c.Upper)
		}
		if s.Case.Plan != nil {
			for _, target := range s.Case.Plan.Targets {
				add(target.Low)
				add(target.High)
			}
		}
		if p.Name == draw.NameWindow { // its cells are of the variants
			return
		}
		for _, text := range p.Texts() {
			for _, m := range withUnit.FindAllStringSubmatch(text, -1) {
				numbers++
				if v, _ := strconv.ParseFloat(m[1], 64); !known[math.Abs(v)] && !strings.Contains(text, "domain") {
					t.Errorf("%s %s in %q is not in the evaluation", m[1], m[2], text)
				}
			}
		}
	})
	if numbers < 500 {
		t.Errorf("only %d numbers were looked at", numbers)
	}
}

// evaluated gives the subject of an example under the built-in policy.
func evaluated(t *testing.T, c *repair.Case) draw.Subject {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	return draw.Subject{Case: c, Evaluation: evaluate.Evaluate(evaluate.Input{Case: c, Settings: p.Settings, First: true})}
}

// sided gives a case whose sides are those of a valve or of its mirror image.
func sided(mirrored bool) *repair.Case {
	seg := func(s valve.Segment) valve.Segment {
		if mirrored {
			return map[valve.Segment]valve.Segment{valve.P1: valve.P3, valve.P2: valve.P2, valve.P3: valve.P1, valve.A1: valve.A3, valve.A2: valve.A2, valve.A3: valve.A1}[s]
		}
		return s
	}
	side, papillary, commissure, sign := valve.Lateral, "anterolateral", valve.LateralCommissure, 1.0
	if mirrored {
		side, papillary, commissure, sign = valve.Medial, "posteromedial", valve.MedialCommissure, -1
	}
	e := repair.NewExample().Assess("toe").Context(valve.Context{Method: valve.Echo3D})
	for s, h := range map[valve.Segment]float64{valve.P1: 11, valve.P2: 19, valve.P3: 14, valve.A1: 18, valve.A2: 26, valve.A3: 21} {
		e.Height(seg(s), h)
	}
	for s, w := range map[valve.Segment]float64{valve.P1: 24, valve.P2: 40, valve.P3: 20} {
		e.SetAt(valve.ScallopAnnularWidth, valve.AtSegment(seg(s)), w)
	}
	e.Operation().
		Resect("cut", repair.Quadrangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 12).Dim(valve.ResectionBaseWidth, 8).Dim(valve.ResectionHeight, 19).
		Dim(valve.ResectionAxisOffset, 3*sign).
		Step("slide", repair.SlidingPlasty).Side(side, valve.SlidingAdvance, 5).Side(side, valve.SlidingDetachedLength, 15).
		Side(side, valve.SlidingStripHeightAtCutEdge, 5).Side(side, valve.SlidingStripHeightAtFarEnd, 1).
		Step("chords", repair.ArtificialChord, seg(valve.P1)).Dim(valve.ArtificialChordLength, 14).
		EditStep(func(s *repair.Step) { s.Chords.PairCount, s.Chords.Papillary = units.Some(2), papillary }).
		Step("trim", repair.HeightReduction, seg(valve.P3)).Dim(valve.HeightRemoved, 3).
		Step("close", repair.CommissuralClosure).Dim(valve.CommissuralClosureLength, 4).
		EditStep(func(s *repair.Step) { s.Places = []repair.Location{{Commissure: commissure}} })
	return e.Case()
}

// The mirror image of a case is drawn as the mirror image: lines and areas of the
// leaflets lie on the other side at the same height.
func TestMirroredCaseMirrorsTheStrip(t *testing.T) {
	lines := func(mirrored bool) map[string]int {
		list := map[string]int{}
		p := draw.Strip(evaluated(t, sided(mirrored)))
		p.Walk(func(s picture.Shape) {
			if _, text := s.(picture.Text); text {
				return
			}
			if c, circle := s.(picture.Circle); circle && c.R == 7 {
				return // the numbers find their own places
			}
			r := s.Bounds()
			if r.Top > p.Breaks[1] || r.Left < 60 && r.Right < 60 && r.Bottom > p.Breaks[0] {
				return // the key, and the bar of the scale
			}
			left, right := r.Left, r.Right
			if mirrored {
				left, right = p.Width-r.Right, p.Width-r.Left
			}
			list[fmt.Sprintf("%T %.1f %.1f %.1f %.1f", s, left+0.001, right+0.001, r.Top, r.Bottom)]++
		})
		return list
	}
	one, other := lines(false), lines(true)
	if len(one) < 20 {
		t.Fatalf("only %d shapes", len(one))
	}
	for s, n := range one {
		if other[s] != n {
			t.Errorf("%s: %d times, and %d times in the mirror", s, n, other[s])
		}
	}
	for s, n := range other {
		if one[s] != n {
			t.Errorf("%s: %d times in the mirror, and %d times in the valve", s, n, one[s])
		}
	}
}

// The septum is drawn at its distance from the closure point, and only where it was
// read in systole.
func TestSeptumInSystoleOnly(t *testing.T) {
	for _, test := range []struct {
		reason string
		phase  valve.CardiacPhase
		drawn  bool
	}{
		{"read in systole", valve.MidSystole, true},
		{"read in diastole, when the valve is open", valve.EndDiastole, false},
		{"phase not recorded", "", false},
	} {
		c := repair.NewExample().Assess("toe").Context(valve.Context{Method: valve.Echo2D, Phase: valve.MidSystole}).
			Set(valve.AnnulusAnteroPosteriorDiameter, 34).SetAt(valve.CoaptationDepth, valve.AtSlice(valve.A2P2), 5).
			SetAt(valve.AnteriorClosureShare, valve.AtSlice(valve.A2P2), 66).Coaptation(4).
			Context(valve.Context{Method: valve.Echo2D, Phase: test.phase}).Set(valve.CoaptationToSeptumDistance, 28).Case()
		out := string(picture.SVG(draw.Slice(evaluated(t, c))))
		if got := strings.Contains(out, "<title>septum</title>"); got != test.drawn {
			t.Errorf("%s: drawn %v", test.reason, got)
		}
		if !strings.Contains(out, "28\u00a0mm") {
			t.Errorf("%s: the distance is not told", test.reason)
		}
	}
}

// What is not measured is not drawn, and says so.
func TestSaysWhatIsNotMeasured(t *testing.T) {
	for _, test := range []struct {
		reason string
		c      *repair.Case
		of     func(draw.Subject) picture.Picture
		says   string
	}{
		{"nothing at all", repair.NewExample().Case(), draw.Strip, "Not drawn, because neither a height of a leaflet nor a step is recorded."},
		{"no operation", repair.NewExample().Case(), draw.Course, "Not drawn, because no operation is recorded yet"},
		{"no aim", repair.NewExample().Case(), draw.Aims, "Not drawn, because the plan states no aim"},
		{"heights without widths", repair.NewExample().Assess("tte").Height(valve.P2, 18).Case(), draw.Strip, "Widths not measured"},
		{"a chord without a length", repair.NewExample().Plan().Step("c", repair.ArtificialChord, valve.P2).Case(), draw.Strip, "Chords whose length is not recorded are dashed and not to scale."},
		{"no diameter", repair.NewExample().Assess("tte").Height(valve.P2, 18).Case(), draw.Slice, "the antero-posterior diameter of the annulus was not measured"},
		{"no method", repair.NewExample().Assess("tte").Height(valve.P2, 16).Height(valve.A2, 26).Plan().
			Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Case(), draw.Slice, "was read is not recorded"},
	} {
		if said := strings.Join(test.of(evaluated(t, test.c)).Texts(), " "); !strings.Contains(said, test.says) {
			t.Errorf("%s: %q is not in %q", test.reason, test.says, said)
		}
	}
}
