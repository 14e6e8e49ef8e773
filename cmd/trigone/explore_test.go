package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// caseFile gives the path of a case file of testdata.
func caseFile(name string) string {
	return filepath.Join("..", "..", "testdata", "cases", name+".json")
}

// sitePolicy writes the policy of an invented site with a ring table.
func sitePolicy(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "harbour.yaml")
	text := `site: harbour
version: "invented"
zone: Europe/London
ring_table:
  - {family: ring-family-a, label: 30, kind: complete_ring, inner_antero_posterior_mm: 24, inner_transverse_mm: 31, orifice_area_cm2: 6}
  - {family: ring-family-a, label: 32, kind: complete_ring, inner_antero_posterior_mm: 25.5, inner_transverse_mm: 34, orifice_area_cm2: 7.1}
  - {family: band-family-b, label: 30, kind: posterior_band, band_length_mm: 61}
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// versionLine names versions and the policy's hash, which are not this command's.
var versionLine = regexp.MustCompile(`(?m)^  Judged under .*$`)

func TestExplorePages(t *testing.T) {
	tests := []struct {
		name string // why this page
		args []string
	}{
		{"default-axes", []string{caseFile("triangular-complete-ring")}},
		{"default-axes-of-the-site", []string{caseFile("triangular-complete-ring"), "--policy", sitePolicy(t)}},
		{"three-axes", []string{caseFile("sliding-unequal"), "--axis", "p2=14:22:4", "--axis", "ring=26:28", "--axis", "p-sliding/lateral=6:8:2"}},
		{"site-ring-table", []string{caseFile("triangular-complete-ring"), "--policy", sitePolicy(t), "--axis", "p2=16.5", "--axis", "ring=ring-family-a,band-family-b/30"}},
		{"empty-planning-window", []string{emptyWindow(t), "--axis", "p2=14:15"}},
		{"chords-and-posterior-band", []string{caseFile("wrong-patient"), "--axis", "p-chords=14:16"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := call(t, append([]string{"explore"}, tt.args...)...).want(t, exitOK)
			if got.stderr != "" {
				t.Errorf("without a terminal something is told of progress: %s", got.stderr)
			}
			narrow(t, tt.name, got.stdout)
			page := versionLine.ReplaceAllString(got.stdout, "  Judged under                   (versions)")
			path := filepath.Join("testdata", "explore-"+tt.name+".golden")
			if *update {
				if err := os.WriteFile(path, []byte(page), 0o640); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if page != string(want) {
				t.Errorf("%s differs; got:\n%s", path, page)
			}
		})
	}
}

// emptyWindow is a case whose plan aims at a closure line that no height meets beside
// its aim of coaptation.
func emptyWindow(t *testing.T) string {
	t.Helper()
	content := read(t, testdata.Cases, "ring-exchanged")
	content.Plan.Targets = append(content.Plan.Targets, &trigonev1.Target{
		Id: "t-line", Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE,
		Aim: &trigonev1.Target_AnteriorClosureShare{AnteriorClosureShare: &trigonev1.FractionRange{MinPercent: proto.Float64(66.7)}},
	})
	return file(t, content)
}

// That no height meets the plan's aims must not get lost on the way.
func TestExploreSaysThatTheWindowIsEmpty(t *testing.T) {
	page := call(t, "explore", emptyWindow(t), "--axis", "p2=14").want(t, exitOK).stdout
	says(t, "page", strings.Join(strings.Fields(page), " "), "no height of P2 with the planned ring (at least 17.0 mm for the coaptation, at most 14.3 mm)")
}

// A line of the file is what evaluate says of the case file with the variant's
// values written into it.
func TestExploreFileAgreesWithEvaluate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "variants.csv")
	call(t, "explore", caseFile("sliding-unequal"), "--axis", "p2=14:22:4", "--axis", "ring=26x36,28x38", "--csv", path).want(t, exitOK)
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 7 {
		t.Fatalf("%d rows, want a header and 6 variants", len(rows))
	}
	field := func(row []string, name string) string {
		for i, h := range rows[0] {
			if h == name {
				return row[i]
			}
		}
		t.Fatalf("there is no column %s in %v", name, rows[0])
		return ""
	}
	for i, row := range rows[1:] {
		number := func(name string) *float64 {
			v, err := strconv.ParseFloat(field(row, name), 64)
			if err != nil {
				t.Fatal(err)
			}
			return &v
		}
		changed := read(t, testdata.Cases, "sliding-unequal")
		for _, h := range changed.GetPlan().GetPlannedHeights() {
			if h.GetSegment() == trigonev1.Segment_SEGMENT_P2 {
				h.LeafletHeight.Mm = number("leaflet_height@p2/seam_mm")
			}
		}
		for _, s := range changed.GetPlan().GetSteps() {
			if r := s.GetTechnique().GetAnnuloplasty(); r != nil {
				r.RingInnerAnteroPosteriorDiameter = &trigonev1.Length{Mm: number("ring@step:p-ring_inner_antero_posterior_mm")}
				r.RingInnerTransverseDiameter = &trigonev1.Length{Mm: number("ring@step:p-ring_inner_transverse_mm")}
				r.RingOrificeArea, r.FamilyKey, r.Rigidity, r.PlannedLabelMin, r.PlannedLabelMax = nil, "", 0, nil, nil
			}
		}
		said := decode(t, call(t, "evaluate", file(t, changed), "--format", "json").want(t, exitOK).stdout, &trigonev1.Evaluation{})
		found := false
		for _, m := range said.GetMetrics() {
			if m.GetMetric() == "predicted_mean_contact" && m.GetOccasion() == "plan" && m.GetPlace() == "a2_p2" {
				found = true
				low, high := number("predicted_mean_contact@a2_p2_lower_mm"), number("predicted_mean_contact@a2_p2_upper_mm")
				if *low != m.GetLower() || *high != m.GetUpper() {
					t.Errorf("variant %d: %g to %g, evaluate says %g to %g", i, *low, *high, m.GetLower(), m.GetUpper())
				}
			}
		}
		if !found {
			t.Errorf("variant %d: evaluate predicts nothing", i)
		}
		broken := map[string]bool{}
		for _, f := range said.GetFindings() {
			broken[f.GetRule()] = true
		}
		for _, column := range []string{"contradictions", "cautions", "notes"} {
			for _, rule := range strings.FieldsFunc(field(row, column), func(r rune) bool { return r == ';' || r == ' ' }) {
				if !broken[rule] {
					t.Errorf("variant %d: %s stands among the %s, and evaluate does not say it", i, rule, column)
				}
			}
		}
		if high := field(row, "leaflet_height@p2/seam_mm") == "22"; high != strings.Contains(field(row, "notes"), "posterior-leaflet-high") {
			t.Errorf("variant %d: the notes are %q", i, field(row, "notes"))
		}
	}
	alone := call(t, "explore", caseFile("sliding-unequal"), "--axis", "p2=14:22:4", "--axis", "ring=26x36,28x38", "--format", "csv").want(t, exitOK)
	if alone.stdout != string(raw) {
		t.Error("--format csv prints another file than --csv writes")
	}
}

// Over a server the same is answered, of the file and of the case on record.
func TestExploreOverAServer(t *testing.T) {
	address := start(t)
	for _, args := range [][]string{
		nil,
		{"--csv", "-"},
		{"--axis", "p2=14:18:2", "--axis", "ring=24:26"},
		{"--sort", "predicted_mean_contact:desc"},
		{"--sort", "final_posterior_height@p2"},
	} {
		args = append([]string{"explore", caseFile("triangular-complete-ring")}, args...)
		here := call(t, args...).want(t, exitOK)
		there := call(t, append(args, "--server", address)...).want(t, exitOK)
		if here.stdout != there.stdout {
			t.Errorf("%v: without a server\n%s\nwith one\n%s", args, here.stdout, there.stdout)
		}
	}

	whole := read(t, testdata.Cases, "triangular-complete-ring")
	call(t, "submit", file(t, whole), "--server", address).want(t, exitOK)
	want := call(t, "explore", caseFile("triangular-complete-ring"), "--csv", "-").want(t, exitOK)
	system := whole.GetExternalIdentifier()
	onRecord := []string{"--case", system.GetSystem() + "|" + system.GetValue(), "--server", address, "--csv", "-"}
	for name, part := range map[string]*trigonev1.CaseFile{"the plan of the file": {Plan: whole.GetPlan()}, "the plan on record": {}} {
		if got := call(t, append([]string{"explore", file(t, part)}, onRecord...)...).want(t, exitOK); got.stdout != want.stdout {
			t.Errorf("laid over the case on record, %s gives\n%s\nwant\n%s", name, got.stdout, want.stdout)
		}
	}
	refused := call(t, "explore", caseFile("triangular-complete-ring"), "--axis", "p2=0:30:0.001", "--server", address).want(t, exitRefused)
	says(t, "stderr", refused.stderr, "--axis p2=0:30:0.001: give 30001 variants, more than the 20000", "--max-variants")
	says(t, "stderr", call(t, "explore", caseFile("no-plan"), "--case", "sites/harbour/cases/none", "--server", address).want(t, exitRefused).stderr, "NOT_FOUND")
	says(t, "stderr", call(t, "explore", caseFile("no-plan"), "--server", "127.0.0.1:1").want(t, exitFailed).stderr, "no server answers")
}

func TestExploreWrongUse(t *testing.T) {
	sliding := caseFile("sliding-unequal")
	axis := func(list ...string) []string {
		var args []string
		for _, a := range list {
			args = append(args, "--axis", a)
		}
		return append(args, sliding)
	}
	tests := []struct {
		reason string
		args   []string
		code   int
		says   []string
	}{
		{"nothing to vary is named", axis("p2"), exitUsage, []string{"--axis p2: an axis is WHAT=VALUES"}},
		{"no such segment or step", axis("p9=1:2"), exitUsage, []string{`--axis p9=1:2: the plan has no step "p9"`, "p-resection, p-sliding, p-ring"}},
		{"no such station", axis("p2/top=1:2"), exitUsage, []string{"--axis p2/top=1:2:", "seam_lateral_edge"}},
		{"a side is needed", axis("p-sliding=1:2"), exitUsage, []string{"p-sliding/lateral or p-sliding/medial"}},
		{"sides are not left and right", axis("p-sliding/left=1:2"), exitUsage, []string{`"left" is no side`}},
		{"no such edge", axis("p-resection/tip=1:2"), exitUsage, []string{`"tip" is no edge`, "free_edge, base or both"}},
		{"a quadrangle has two edges", axis("p-resection=1:2"), exitRefused, []string{"--axis p-resection=1:2, edge: is missing"}},
		{"a ring has no parts", axis("p-ring/base=24"), exitUsage, []string{"a ring has no part"}},
		{"a step without dimensions", append(axis("p-cleft=1:2")[:2], caseFile("billowing-second-run")), exitUsage, []string{"no dimension that can be varied"}},
		{"chords have no parts", append(axis("p-chords-p2/base=1:2")[:2], caseFile("billowing-second-run")), exitUsage, []string{"artificial chords have no part"}},
		{"a range that ends first", axis("p2=20:14:1"), exitUsage, []string{"ends at 14 mm, below its beginning at 20 mm"}},
		{"no step forward", axis("p2=14:20:0"), exitUsage, []string{"the step is 0 mm; it must be above 0"}},
		{"no number", axis("p2=14,5:20"), exitUsage, []string{`"14,5" is no length`, "decimal point"}},
		{"below nothing", axis("p2=-3:4"), exitUsage, []string{"-3 mm is no length"}},
		{"not a number", axis("p2=NaN"), exitUsage, []string{`"NaN" is no length`}},
		{"four parts", axis("p2=1:2:3:4"), exitUsage, []string{"a range is FROM:TO:STEP"}},
		{"above absurdity", axis("p2=5000"), exitRefused, []string{"--axis p2=5000, max_mm: is 5000; the contract takes 0 to 2500"}},
		{"one dimension twice", axis("p2=14:15", "p2=16:17"), exitRefused, []string{"--axis p2=16:17: sets what --axis p2=14:15 sets"}},
		{"too many variants", axis("p2=5:25:0.01", "p1=5:25:1"), exitRefused, []string{"--axis p2=5:25:0.01 --axis p1=5:25:1: give 42021 variants, more than the 20000"}},
		{"more than the caller allows", append(axis("p2=14:18"), "--max-variants", "4"), exitRefused, []string{"give 5 variants, more than the 4"}},
		{"more than is ever answered", append(axis("p2=14:18"), "--max-variants", "100001"), exitRefused, []string{"--max-variants: is 100001; the contract takes 0 to 100000"}},
		{"no number of variants", append(axis("p2=14:18"), "--max-variants", "-1"), exitUsage, []string{"--max-variants -1"}},
		{"too many rings", axis("ring=20:30:0.0001"), exitUsage, []string{"gives 100001 rings, more than the 10000"}},
		{"a family without a table", axis("ring=ring-family-a"), exitRefused, []string{"--axis ring=ring-family-a, sizes: cannot be looked up", "no ring table"}},
		{"a label is a number", axis("ring=ring-family-a/large"), exitUsage, []string{`"large" is no label`}},
		{"diameters or families", axis("ring=24,ring-family-a"), exitUsage, []string{"mixes diameters and families"}},
		{"an empty ring", axis("ring=24,"), exitUsage, []string{"a ring in the list is empty"}},
		{"half a pair", axis("ring=24x"), exitUsage, []string{`"" is no length`}},
		{"no such metric", append(axis("p2=14:18"), "--sort", "goodness"), exitRefused, []string{"--sort goodness, metric: is no metric of the catalogue; trigone metrics"}},
		{"a metric at several places", append(axis("p2=14:18"), "--sort", "final_posterior_height:desc"), exitRefused, []string{"--sort final_posterior_height:desc, place: is missing", "p2, p1, p3"}},
		{"no such direction", append(axis("p2=14:18"), "--sort", "final_posterior_height@p2:up"), exitUsage, []string{`"up" is no direction`}},
		{"an order by nothing", append(axis("p2=14:18"), "--sort", ":desc"), exitUsage, []string{"names no metric"}},
		{"no plan", []string{caseFile("no-plan")}, exitRefused, []string{"has no plan", "--case"}},
		{"nothing to vary by default", []string{caseFile("missing-measurements")}, exitUsage, []string{"neither a final height of P2 nor one ring", "--axis p2=12:18:1"}},
		{"the server's policy holds", []string{sliding, "--server", "127.0.0.1:1", "--policy", "x.yaml"}, exitUsage, []string{"--policy is for exploring without a server"}},
		{"two places for the file", []string{sliding, "--csv", "x.csv", "--format", "csv"}, exitUsage, []string{"--csv x.csv and --format csv"}},
		{"a form nobody prints", []string{sliding, "--format", "json"}, exitUsage, []string{"use table or csv"}},
		{"a file that cannot be written", []string{sliding, "--axis", "p2=14", "--csv", filepath.Join("none", "x.csv")}, exitFailed, []string{"write the variants"}},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			got := call(t, append([]string{"explore"}, tt.args...)...).want(t, tt.code)
			says(t, "stderr", got.stderr, tt.says...)
		})
	}
}

// Interrupted, it says how far it came, and neither prints nor writes.
func TestExploreIsInterrupted(t *testing.T) {
	clinical, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	whole := read(t, testdata.Cases, "triangular-complete-ring")
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	e := localExplorer(clinical, whole)
	answers := 0
	e.explore = func(ctx context.Context, r *trigonev1.ExplorePlansRequest, take func(*trigonev1.ExplorePlansResponse) error) error {
		return casebook.ExploreFile(ctx, clinical, r, server.Version(), func(answer *trigonev1.ExplorePlansResponse) error {
			if answers++; answers == 4 { // the basis and three variants
				stop()
			}
			return take(answer)
		})
	}
	request := &trigonev1.ExplorePlansRequest{CaseFile: whole, Axes: []*trigonev1.ExploredAxis{{
		Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
			Segment: trigonev1.Segment_SEGMENT_P2,
			Range:   &trigonev1.LengthGrid{MinMm: proto.Float64(5), MaxMm: proto.Float64(25), StepMm: proto.Float64(0.1)},
		}},
	}}}
	var errs bytes.Buffer
	err = gather(ctx, &errs, render.NewExploration(nil, render.ExplorationOrder{}), e, request)
	if err == nil || answers != 4 {
		t.Fatalf("%d answers, %v", answers, err)
	}
	if code := report(&errs, err); code != exitFailed {
		t.Errorf("exit code %d", code)
	}
	says(t, "stderr", errs.String(), "stopped after 3 of 201 variants; nothing was printed or written")

	out := filepath.Join(t.TempDir(), "variants.csv")
	var page bytes.Buffer
	if code := run(ctx, []string{"explore", caseFile("triangular-complete-ring"), "--csv", out}, &page, &errs); code != exitFailed || page.Len() > 0 {
		t.Errorf("interrupted from the beginning: exit code %d, printed\n%s", code, page.String())
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("interrupted, it writes a file")
	}
	says(t, "stderr", errs.String(), "stopped before the first variant")
}

// Progress is told on a terminal only, and its line is left when it ends.
func TestExploreProgressEnds(t *testing.T) {
	var line bytes.Buffer
	if isTerminal(&line) {
		t.Error("a buffer is taken for a terminal")
	}
	plain, err := os.Create(filepath.Join(t.TempDir(), "stderr"))
	if err != nil {
		t.Fatal(err)
	}
	if isTerminal(plain) {
		t.Error("a file is taken for a terminal")
	}
	if err := plain.Close(); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{nil, context.Canceled} {
		line.Reset()
		told, stop := progressBar(&line)
		for i := range 5 {
			told(i, 4)
		}
		stop(err) // it would wait for ever
		if !strings.Contains(line.String(), "variants") {
			t.Errorf("%v: nothing is told: %q", err, line.String())
		}
	}
}

func TestAroundHoldsTheMiddle(t *testing.T) {
	for _, tt := range []struct {
		middle float64
		want   string
	}{{16.5, "13.5:19.5:1"}, {2.25, "0.25:5.25:1"}, {0, "0:3:1"}} {
		if got := around(tt.middle, 3); got != tt.want {
			t.Errorf("around %g: %s, want %s", tt.middle, got, tt.want)
		}
	}
}

func TestOrderIsRead(t *testing.T) {
	for _, tt := range []struct {
		flag, metric, place string
		descending          bool
	}{
		{"predicted_mean_contact", "predicted_mean_contact", "", false},
		{"predicted_mean_contact:desc", "predicted_mean_contact", "", true},
		{"final_posterior_height@p2:asc", "final_posterior_height", "p2", false},
		{"ring_to_native_annulus_area_ratio@step:p-ring", "ring_to_native_annulus_area_ratio", "step:p-ring", false},
		{"ring_to_native_annulus_area_ratio@step:p-ring:desc", "ring_to_native_annulus_area_ratio", "step:p-ring", true},
	} {
		order, said, err := parseOrder(tt.flag)
		if err != nil {
			t.Errorf("%s: %v", tt.flag, err)
			continue
		}
		if got := fmt.Sprint(order.GetMetric(), order.GetPlace(), said.Descending); got != fmt.Sprint(tt.metric, tt.place, tt.descending) {
			t.Errorf("%s is read as %s", tt.flag, got)
		}
	}
}
