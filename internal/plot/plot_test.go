package plot_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/picture"
	"trigone/internal/plot"
)

var (
	update = flag.Bool("update", false, "rewrite the golden plots")
	look   = flag.String("look", "", "folder for a PNG of each plot, to be looked at")
)

func eachExample(t *testing.T, f func(t *testing.T, e example, p picture.Picture)) {
	t.Helper()
	for _, e := range examples() {
		t.Run(e.name, func(t *testing.T) { f(t, e, e.of(t)) })
	}
}

// layout says what lies outside the frame, is too small to be read, or meets another
// text.
func layout(p picture.Picture) []string {
	var faults []string
	fault := func(list ...string) { faults = append(faults, strings.Join(list, " ")) }
	if p.Width != picture.FrameWidth || p.Height <= 0 {
		fault("the frame has another width, or no height")
	}
	var texts []picture.Text
	p.Walk(func(s picture.Shape) {
		b := s.Bounds()
		t, ok := s.(picture.Text)
		if b.Left < -0.01 || b.Top < -0.01 || b.Right > p.Width+0.01 || b.Bottom > p.Height+0.01 {
			fault("outside the frame:", t.Text)
		}
		if !ok {
			return
		}
		if t.Size < picture.SmallText {
			fault("too small:", t.Text)
		}
		for _, o := range texts {
			const touch = 0.5
			r := o.Bounds()
			r.Left, r.Right, r.Top, r.Bottom = r.Left+touch, r.Right-touch, r.Top+touch, r.Bottom-touch
			if b.Overlaps(r) {
				fault(t.Text, "meets", o.Text)
			}
		}
		texts = append(texts, t)
	})
	return faults
}

// Everything lies in the frame, no text meets another in any font as wide as the
// bound, and the plot is named by its sentence.
func TestLayout(t *testing.T) {
	eachExample(t, func(t *testing.T, e example, p picture.Picture) {
		for _, f := range layout(p) {
			t.Error(f)
		}
		if p.Title == "" || p.Description == "" {
			t.Errorf("title %q, description %q", p.Title, p.Description)
		}
		said := strings.Join(p.Texts(), " ")
		if !strings.Contains(said, "INVENTED CASES") {
			t.Error("nothing says that the cases are invented")
		}
		if !strings.Contains(said, p.Title) {
			t.Errorf("the sentence %q is not in the plot: %s", p.Title, said)
		}
		if (p.NotDrawn == "") != e.drawn || !e.drawn && !strings.Contains(said, "Not drawn, because") {
			t.Errorf("drawn is %v, not drawn because %q: %s", e.drawn, p.NotDrawn, said)
		}
	})
}

// The written plots are XML that stands alone, and PNG of the size asked for; twice the
// same bytes; a page may end between their parts.
func TestWritten(t *testing.T) {
	eachExample(t, func(t *testing.T, e example, p picture.Picture) {
		svg := picture.SVG(p)
		for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(svg, picture.SVG(e.of(t))) {
			t.Error("other bytes the second time")
		}
		if len(svg) > 200_000 {
			t.Errorf("%d bytes", len(svg))
		}
		const width = 780
		out, err := picture.PNG(p, width)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(out))
		if err != nil {
			t.Fatal(err)
		}
		if b := img.Bounds(); b.Dx() != width || b.Dy() < int(2*p.Height) || b.Dy() > int(2*p.Height)+1 {
			t.Errorf("%v for a frame of %g x %g", b, p.Width, p.Height)
		}
		for _, part := range p.Parts() {
			if f := layout(part); len(f) > 0 {
				t.Errorf("parted: %v", f)
			}
		}
		if *look != "" {
			if err := os.WriteFile(filepath.Join(*look, strings.ReplaceAll(e.name, " ", "-")+".png"), out, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func TestGolden(t *testing.T) {
	eachExample(t, func(t *testing.T, e example, p picture.Picture) {
		if !e.full {
			return
		}
		file := filepath.Join("testdata", e.name+".golden.svg")
		got := picture.SVG(p)
		if *update {
			if err := os.WriteFile(file, got, 0o644); err != nil {
				t.Fatal(err)
			}
			return
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is drawn otherwise; -update rewrites it, -look shows it", e.name)
		}
	})
}

// Whatever the numbers are, plots keep to their frame and their texts apart.
func TestAnyNumbers(t *testing.T) {
	share := rapid.Float64Range(0, 1)
	interval := func(t *rapid.T, v, least, most float64) *plot.Estimate {
		e := &plot.Estimate{Value: v}
		if rapid.Bool().Draw(t, "has an interval") {
			e.Interval = &plot.Interval{
				Lower: max(least, v-rapid.Float64Range(0, 5).Draw(t, "below")),
				Upper: min(most, v+rapid.Float64Range(0, 5).Draw(t, "above")),
			}
		}
		return e
	}
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-300, 300)
		var d plot.Difference
		d.Frame = frame("d", "Measured lies where it was planned.")
		d.Unit, d.Of, d.Against, d.Digits = "mm", "planned", "planned", 1
		for range rapid.IntRange(0, 12).Draw(t, "pairs") {
			d.Points = append(d.Points, plot.DifferencePoint{At: value.Draw(t, "at"), Difference: value.Draw(t, "difference")})
		}
		if rapid.Bool().Draw(t, "limits") {
			v := value.Draw(t, "bias")
			d.Bias = interval(t, v, -1000, 1000)
			d.Lower = interval(t, v-rapid.Float64Range(0, 30).Draw(t, "down"), -1000, 1000)
			d.Upper = interval(t, v+rapid.Float64Range(0, 30).Draw(t, "up"), -1000, 1000)
		}
		f := plot.Funnel{Frame: frame("f", "No unit lies outside."), Share: "conversion", Target: share.Draw(t, "target")}
		for n := 5; n < 100; n += 5 {
			f.Limits = append(f.Limits, plot.FunnelLimit{Of: n, Inner: plot.Interval{Lower: f.Target / 2, Upper: min(1, 2*f.Target)}, Outer: plot.Interval{Lower: f.Target / 3, Upper: min(1, 3*f.Target)}})
		}
		for i := range rapid.IntRange(0, 30).Draw(t, "units") {
			of := rapid.IntRange(1, 200).Draw(t, "of")
			f.Units = append(f.Units, plot.FunnelUnit{Letter: string(rune('A' + i)), Of: of, Count: rapid.IntRange(0, of).Draw(t, "count"), Own: i == 2})
		}
		c := plot.Monitoring{Frame: frame("c", "No signal."), Of: "death", Limit: share.Draw(t, "h") * 9, LowerLimit: share.Draw(t, "h below") * 9, Chart: rapid.Bool().Draw(t, "chart"), VLAD: rapid.Bool().Draw(t, "VLAD"), Recent: rapid.Bool().Draw(t, "recent"), Before: rapid.SampledFrom([]int{0, 123456}).Draw(t, "before")}
		l := plot.Learning{Frame: frame("l", "No line is crossed."), Of: "second run", Upper: 0.1 + share.Draw(t, "upper"), Lower: 0.1 + share.Draw(t, "lower"), Acceptable: 0.05, Unacceptable: 0.1}
		for i := range rapid.IntRange(0, 40).Draw(t, "cases") {
			v := share.Draw(t, "up") * 9
			c.Cases = append(c.Cases, plot.MonitoredCase{Up: v, WorstUp: v + 1, Down: share.Draw(t, "down") * 3, More: v > c.Limit, State: plot.OutcomeState(int(v) % 3), ExpectedMinusObserved: v - 4, RecentShare: v / 9})
			l.Path = append(l.Path, v-4)
			if i%7 == 0 {
				c.Years = append(c.Years, plot.Mark{Case: c.Before + i + 1, Text: "2024"})
			}
		}
		k := plot.Curves{Frame: frame("k", "Most are free."), Share: "free", Unit: "years", Times: []float64{0, 1, 2, 3, 4, 5}}
		for range rapid.IntRange(0, 3).Draw(t, "curves") {
			curve := plot.Curve{Name: "a curve", Begin: 1, End: rapid.Float64Range(0.1, 5).Draw(t, "end"), AtRisk: []int{12345, 4000, 333, 22, 1, 0}}
			at, s := 0.0, 1.0
			for range rapid.IntRange(0, 9).Draw(t, "steps") {
				at += share.Draw(t, "wait")
				s *= share.Draw(t, "stay")
				e := interval(t, s, 0, 1)
				curve.Steps = append(curve.Steps, plot.CurveStep{At: at, Share: s, Interval: e.Interval})
			}
			k.Curves = append(k.Curves, curve)
		}
		v := plot.Coverage{Frame: frame("v", "The range holds."), Wanted: 0.95}
		m := plot.Multiples{Frame: frame("m", "Nothing moves."), Times: []string{"1/2024", "2/2024", "1/2025", "2/2025"}}
		for range rapid.IntRange(0, 6).Draw(t, "rows") {
			s := share.Draw(t, "share")
			v.Rows = append(v.Rows, plot.CoverageRow{Name: "coaptation in slice A2-P2, from what was done, of the second run", Inside: 12345, Of: 12399, Below: 1234, Above: 1111, Share: interval(t, s, 0, 1), Few: s < 0.5})
			panel := plot.SmallPanel{Name: "second pump run, % of cases", Percent: true}
			for range m.Times {
				q := plot.SmallPoint{Of: 12345}
				if rapid.Bool().Draw(t, "is there") {
					q.Estimate = interval(t, share.Draw(t, "share"), 0, 1)
				}
				panel.Points = append(panel.Points, q)
			}
			m.Panels = append(m.Panels, panel)
		}
		for _, p := range []picture.Picture{d.Picture(), f.Picture(), c.Picture(), l.Picture(), k.Picture(), v.Picture(), m.Picture()} {
			for _, fault := range layout(p) {
				t.Errorf("%s: %s", p.Name, fault)
			}
			if strings.Contains(string(picture.SVG(p)), "NaN") {
				t.Errorf("%s: a place that is no number", p.Name)
			}
		}
	})
}
