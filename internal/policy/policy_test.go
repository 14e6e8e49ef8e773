package policy

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	_ "time/tzdata" // the zones of the tests must be known on a machine without zone files

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/strictyaml"
)

func TestBuiltIn(t *testing.T) {
	p, err := BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	if s := p.Settings; s.Site != "harbour" || s.Version != "2" || s.Zone != "Europe/London" || s.PolicyHash != p.Hash {
		t.Errorf("site %q, version %q, zone %q, hash %q", s.Site, s.Version, s.Zone, s.PolicyHash)
	}
	if !strings.Contains(p.Text, "invented") {
		t.Error("the built-in policy must say that its hospital is invented")
	}
	for _, limit := range p.Settings.Thresholds {
		if limit.Owner != settings.Default {
			t.Errorf("%s belongs to %s; the built-in policy changes nothing", limit.Name, limit.Owner)
		}
	}
	for name, tolerance := range p.Settings.Tolerances {
		if tolerance.Owner != settings.Default {
			t.Errorf("the tolerance %s belongs to %s; the built-in policy changes nothing", name, tolerance.Owner)
		}
	}
	if len(p.Settings.InputSDs) != 0 {
		t.Errorf("the built-in policy replaces %v", p.Settings.InputSDs)
	}
}

// The examples in the comments of the built-in policy are what a site copies:
// they must be right.
func TestCommentedExamplesAreRight(t *testing.T) {
	found := 0
	example := ""
	for line := range strings.Lines(string(builtIn)) {
		// An example stands indented in the comment above its key.
		if text, indented := strings.CutPrefix(line, "#   "); indented {
			example = text
			continue
		}
		name, isKey := emptyKey(line)
		if !isKey || example == "" {
			continue
		}
		found++
		if _, err := parsed("example.yaml", []byte(head+name+":\n  "+example)); err != nil {
			t.Error(err)
		}
		example = ""
	}
	if found != 6 {
		t.Errorf("%d examples were found, want one for each key", found)
	}
}

// The hash is plain SHA-256 of the text, so that anyone can check it with
// sha256sum. The sum of abc is the example of FIPS 180-2, appendix B.1 (from memory).
func TestHashIsOfTheTextAsItStands(t *testing.T) {
	sum := func(text string) string {
		s := sha256.Sum256([]byte(text))
		return hex.EncodeToString(s[:])
	}
	if got := sum("abc"); got != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Fatalf("SHA-256 of abc is %s", got)
	}
	for why, text := range map[string]string{
		"as it is": head, "another comment is another text": head + "# reviewed\n", "line ends are part of it": strings.ReplaceAll(head, "\n", "\r\n"),
	} {
		p, err := parsed("north.yaml", []byte(text))
		if err != nil {
			t.Fatalf("%s: %v", why, err)
		}
		if p.Hash != sum(text) || p.Settings.PolicyHash != p.Hash || p.Text != text {
			t.Errorf("%s: hash %s of %q", why, p.Hash, p.Text)
		}
		again, err := parsed("policy "+p.Hash, []byte(p.Text))
		if err != nil || again.Hash != p.Hash {
			t.Errorf("%s: read again from its text the hash is %s, %v", why, again.Hash, err)
		}
	}
}

const head = "site: north\nversion: \"7\"\nzone: Europe/London\n"

func TestSiteValuesReplaceBuiltInOnes(t *testing.T) {
	p, err := parsed("north.yaml", []byte(head+`
thresholds: {mean_gradient_high: 6}
tolerances:
  leaflet_height: {absolute: 3}
  coaptation_length: {absolute: 0, relative_percent: 20, repeatability: 4.5}
  mean_gradient:
input_sds:
  annulus_antero_posterior_diameter: 1.5
`))
	if err != nil {
		t.Fatal(err)
	}
	if limit := p.Settings.Threshold("mean_gradient_high"); limit.Value != 6 || limit.Owner != settings.Site {
		t.Errorf("threshold %+v", limit)
	}
	if limit := p.Settings.Threshold("coaptation_short"); limit.Owner != settings.Default {
		t.Errorf("a threshold the site leaves alone: %+v", limit)
	}
	if tol := p.Settings.Tolerances["leaflet_height"]; tol.Absolute != 3 || tol.Owner != settings.Site {
		t.Errorf("tolerance %+v", tol)
	}
	if tol := p.Settings.Tolerances["coaptation_length"]; tol.Absolute != 0 || tol.Relative != 0.2 || tol.Repeatability != 4.5 {
		t.Errorf("tolerance %+v", tol)
	}
	if tol := p.Settings.Tolerances["mean_gradient"]; tol.Owner != settings.Default {
		t.Errorf("a tolerance without a value is none of the site's: %+v", tol)
	}
	if sd := p.Settings.InputSDs["annulus_antero_posterior_diameter"]; sd.SD != 1.5 || sd.Owner != settings.Site {
		t.Errorf("input SD %+v", sd)
	}
	if built, _ := BuiltIn(); built.Settings.Tolerances["leaflet_height"].Absolute == 3 {
		t.Error("one site's policy changed another's")
	}
}

func TestWhatIsTaken(t *testing.T) {
	for why, text := range map[string]string{
		"a version written as a number":  "site: north\nversion: 1.10\nzone: UTC\n",
		"a threshold at its lowest":      head + "thresholds: {mean_gradient_high: 2}\n",
		"a threshold at its highest":     head + "thresholds: {mean_gradient_high: 15}\n",
		"a section with nothing in it":   head + "thresholds:\ntolerances:\ninput_sds:\n",
		"keys in another order":          "zone: UTC\nsite: north\nversion: \"7\"\n",
		"comments between the documents": "# a\n---\n" + head,
		"a site id of 32 characters":     "site: " + strings.Repeat("a", 32) + "\nversion: x\nzone: UTC\n",
	} {
		if _, err := parsed("good.yaml", []byte(text)); err != nil {
			t.Errorf("%s: %v", why, err)
		}
	}
	p, _ := parsed("good.yaml", []byte("site: north\nversion: 1.10\nzone: UTC\n"))
	if p.Settings.Version != "1.10" {
		t.Errorf("version 1.10 was read as %q", p.Settings.Version)
	}
}

// Each fault stands alone in its text and is told with line and column. The
// places were counted by hand.
func TestFaultsNameTheirPlace(t *testing.T) {
	for _, tt := range faults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

type faultRow struct{ why, text, want string }

func (row faultRow) check(t *testing.T) {
	t.Helper()
	_, err := parsed("bad.yaml", []byte(row.text))
	if err == nil || !strings.HasPrefix(err.Error(), "bad.yaml:") || !strings.Contains(err.Error(), row.want) {
		t.Fatalf("error %v, want one with %q", err, row.want)
	}
	if strings.Count(err.Error(), "bad.yaml:") != 1 {
		t.Errorf("one fault was told as more: %v", err)
	}
}

func faults() []faultRow {
	return []faultRow{
		{"unknown key", head + "treshold: {}\n", "bad.yaml:4:1: treshold is no key here"},
		{"unknown key within a tolerance", head + "tolerances: {leaflet_height: {relative: 1}}\n", "bad.yaml:4:31: tolerances.leaflet_height.relative is no key here"},
		{"key given twice", head + "site: south\n", "bad.yaml:4:1: site is given a second time, first in line 1"},
		{"threshold given twice", head + "thresholds:\n  mean_gradient_high: 6\n  mean_gradient_high: 7\n", "bad.yaml:6:3: thresholds.mean_gradient_high is given a second time, first in line 5"},
		{"unknown threshold", head + "thresholds: {nonsense: 1}\n", "bad.yaml:4:14: thresholds.nonsense is no threshold; the names are "},
		{"beyond what a site may set", head + "thresholds: {mean_gradient_high: 600}\n", "bad.yaml:4:34: thresholds.mean_gradient_high is 600; a site may set 2 to 15 mmHg"},
		{"below what a site may set", head + "thresholds: {mean_gradient_high: 1.99}\n", "bad.yaml:4:34: thresholds.mean_gradient_high is 1.99; a site may set 2 to 15 mmHg"},
		{"not a number", head + "thresholds: {mean_gradient_high: .nan}\n", "bad.yaml:4:34: thresholds.mean_gradient_high holds what is no finite number"},
		{"infinite", head + "input_sds: {annulus_area: .inf}\n", "bad.yaml:4:27: input_sds.annulus_area holds what is no finite number"},
		{"an exponent without a point is a text", head + "tolerances: {leaflet_height: {absolute: 1e999}}\n", "bad.yaml:4:41: tolerances.leaflet_height.absolute holds a text"},
		{"010, which is 8 or 10 to different readers", head + "tolerances: {leaflet_height: {absolute: 010}}\n", "bad.yaml:4:41: tolerances.leaflet_height.absolute holds a number in another form"},
		{"another base", head + "tolerances: {leaflet_height: {absolute: 0x2}}\n", "bad.yaml:4:41: tolerances.leaflet_height.absolute holds a number in another form"},
		{"text for a number", head + "thresholds: {mean_gradient_high: high}\n", "bad.yaml:4:34: thresholds.mean_gradient_high holds a text where a number is needed"},
		{"a number in quotes", head + "thresholds: {mean_gradient_high: \"6\"}\n", "bad.yaml:4:34: thresholds.mean_gradient_high holds a text"},
		{"no number at all", head + "thresholds:\n  mean_gradient_high:\n", "bad.yaml:5:3: thresholds.mean_gradient_high holds nothing"},
		{"a list for names", head + "thresholds: [6]\n", "bad.yaml:4:13: thresholds holds a list"},
		{"unknown tolerance", head + "tolerances: {nonsense: {absolute: 1}}\n", "bad.yaml:4:14: tolerances.nonsense is no tolerance; the names are"},
		{"negative tolerance", head + "tolerances: {leaflet_height: {absolute: -1}}\n", "bad.yaml:4:41: tolerances.leaflet_height.absolute is -1; give 0 to 20"},
		{"a tolerance that hides everything", head + "tolerances: {leaflet_height: {relative_percent: 101}}\n", "bad.yaml:4:49: tolerances.leaflet_height.relative_percent is 101; give 0 to 100"},
		{"a bare number for a tolerance", head + "tolerances: {leaflet_height: 2}\n", "bad.yaml:4:30: tolerances.leaflet_height holds a number where keys with values are needed"},
		{"unknown leaf", head + "input_sds: {nonsense: 1}\n", "bad.yaml:4:13: input_sds.nonsense is no measured leaf"},
		{"a standard deviation of nothing", head + "input_sds: {annulus_area: 0}\n", "bad.yaml:4:27: input_sds.annulus_area is 0; a standard deviation is above 0 and at most"},
		{"no site", "version: \"7\"\nzone: UTC\n", "bad.yaml: site is missing"},
		{"no zone", "site: north\nversion: \"7\"\n", "bad.yaml: zone is missing"},
		{"no version", "site: north\nzone: UTC\n", "bad.yaml: version is missing"},
		{"an empty version", "site: north\nversion: \" \"\nzone: UTC\n", "bad.yaml:2:10: version is empty"},
		{"a zone nobody knows", "site: north\nversion: \"7\"\nzone: Europe/Nowhere\n", "bad.yaml:3:7: zone is not a time zone"},
		{"half of an erased case", "site: north\nversion: \"7\"\nzone: Europe/London\nerased_cases: half\n", "bad.yaml:4:15: erased_cases is none of removed and cut"},
		{"the server's own zone", "site: north\nversion: \"7\"\nzone: Local\n", "bad.yaml:3:7: zone is not a time zone"},
		{"an empty zone, which Go reads as UTC", "site: north\nversion: \"7\"\nzone: \"\"\n", "bad.yaml:3:7: zone is not a time zone"},
		{"a zone outside the database", "site: north\nversion: \"7\"\nzone: ../../etc/localtime\n", "bad.yaml:3:7: zone is not a time zone"},
		{"site id with capitals", "site: North\nversion: \"7\"\nzone: UTC\n", "bad.yaml:1:7: site is not a site id"},
		{"site id of 33 characters", "site: " + strings.Repeat("a", 33) + "\nversion: \"7\"\nzone: UTC\n", "bad.yaml:1:7: site is not a site id"},
		{"site id with a slash, which would part a name", "site: a/b\nversion: \"7\"\nzone: UTC\n", "bad.yaml:1:7: site is not a site id"},
		{"true is no site", "site: true\nversion: \"7\"\nzone: UTC\n", "bad.yaml:1:7: site holds true or false where a text is needed"},
		{"an alias, which would hide what is in force", head + "thresholds: &a {}\n", "thresholds holds an anchor"},
		{"a second document", head + "---\nsite: south\n", "a second document begins here"},
		{"nothing", "", "bad.yaml: the text holds nothing"},
		{"comments only", "# later\n", "bad.yaml: the text holds nothing"},
		{"a list", "- site\n", "bad.yaml:1:1: the policy holds a list"},
		{"not YAML", "site: [", "the text is no YAML"},
		{"not UTF-8", "site: \xff\n", "bad.yaml: the text is not UTF-8"},
	}
}

func TestAllFaultsAtOnceInTheOrderOfTheText(t *testing.T) {
	_, err := parsed("bad.yaml", []byte(`site: North
treshold: {}
zone: nowhere
thresholds: {a: 1, mean_gradient_high: high}
tolerances:
  leaflet_height: {absolute: -1, relativ: 2}
  leaflet_height: {absolute: 1}
input_sds: [1]
`))
	if err == nil {
		t.Fatal("no fault was found")
	}
	lines := strings.Split(err.Error(), "\n")
	want := []string{
		"bad.yaml: version is missing", "bad.yaml:1:7: ", "bad.yaml:2:1: ", "bad.yaml:3:7: ", "bad.yaml:4:14: ", "bad.yaml:4:40: ",
		"bad.yaml:6:30: ", "bad.yaml:6:34: ", "bad.yaml:7:3: ", "bad.yaml:8:12: ",
	}
	if len(lines) != len(want) {
		t.Fatalf("%d faults, want %d:\n%v", len(lines), len(want), err)
	}
	for i := range want {
		if !strings.HasPrefix(lines[i], want[i]) {
			t.Errorf("fault %d is %q, want one at %q", i, lines[i], want[i])
		}
	}
}

// The parser takes memory with the square of the depth: 400 kB of brackets took more
// than 22 GB. What is refused here must not reach it.
func TestSizeAndNestingAreCountedBeforeParsing(t *testing.T) {
	head := string(builtIn)
	tests := []struct {
		why, text, says string
	}{
		{"open brackets", head + "codes: " + strings.Repeat("[", 200_000), "stand in each other"},
		{"open braces with keys", head + "codes: " + strings.Repeat("{a: ", 50_000), "stand in each other"},
		{"brackets behind a sign that begins a comment", head + `codes: [" #", ` + strings.Repeat("[", 200_000), "stand in each other"},
		{"lists of lists of one line", head + "codes:\n  " + strings.Repeat("- ", 100_000), "stand in each other"},
		{"keys without end", head + strings.Repeat("? ", 100_000), "stand in each other"},
		{"a file that is none of a policy", head + strings.Repeat("# nothing\n", 30_000), "bytes"},
		{"one level too many", head + "codes: " + strings.Repeat("[", strictyaml.MostDepth+1) + strings.Repeat("]", strictyaml.MostDepth+1), "stand in each other"},
		{"as deep as may be, which is no list of codes", head + "codes: " + strings.Repeat("[", strictyaml.MostDepth) + strings.Repeat("]", strictyaml.MostDepth), "codes"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "policy.yaml")
			if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
				t.Fatal(err)
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Load(path, nil)
			runtime.ReadMemStats(&after)
			if err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v; want one with %q", err, tt.says)
			}
			if taken := after.TotalAlloc - before.TotalAlloc; taken > 16<<20 {
				t.Errorf("%d MB were taken", taken>>20)
			}
		})
	}
	decorated := "# " + strings.Repeat("-", 76) + "\n# [not closed\n# " + strings.Repeat("=", 76) + "\n" + head
	if _, err := Parse("decorated", []byte(decorated), nil); err != nil {
		t.Errorf("a policy with lines drawn in its comments: %v", err)
	}
}

func TestLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.yaml")
	if err := os.WriteFile(path, []byte(head), 0o600); err != nil {
		t.Fatal(err)
	}
	if p, err := Load(path, fhirmap.Terms{}); err != nil || p.Settings.Site != "north" {
		t.Errorf("%v, %v", p.Settings.Site, err)
	}
	if _, err := Load(path+".none", fhirmap.Terms{}); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("a file that is not there: %v", err)
	}
}

// number writes a number as YAML reads it back.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Every threshold takes what lies within its bounds, and nothing else; whatever
// is taken is what is in force.
func TestThresholdsKeepTheirBounds(t *testing.T) {
	built := settings.BuiltIn("north", "7", "UTC")
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(built.ThresholdNames()).Draw(t, "name")
		limit := built.Threshold(name)
		value := rapid.OneOf(
			rapid.Float64Range(limit.Lowest, limit.Highest), rapid.Float64Range(-1000, 1000),
			rapid.SampledFrom([]float64{limit.Lowest, limit.Highest}),
		).Draw(t, "value")
		p, err := parsed("p.yaml", []byte(head+"thresholds: {"+name+": "+number(value)+"}\n"))
		within := value >= limit.Lowest && value <= limit.Highest
		if within != (err == nil) {
			t.Fatalf("%s: %v where %v to %v may be set: %v", name, value, limit.Lowest, limit.Highest, err)
		}
		if within && (p.Settings.Threshold(name).Value != value || p.Settings.Threshold(name).Owner != settings.Site) {
			t.Fatalf("%s: %v was read as %+v", name, value, p.Settings.Threshold(name))
		}
	})
}

func TestInputSDsAreOfLeaves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		leaf := rapid.SampledFrom(metric.Leaves()).Draw(t, "leaf")
		sd := rapid.Float64Range(-10, 2*leaf.High).Draw(t, "sd")
		p, err := parsed("p.yaml", []byte(head+"input_sds: {"+string(leaf.ID)+": "+number(sd)+"}\n"))
		if taken := sd > 0 && sd <= leaf.High; taken != (err == nil) || taken && p.Settings.InputSDs[leaf.ID].SD != sd {
			t.Fatalf("%s: %v: %v, %v", leaf.ID, sd, p.Settings.InputSDs, err)
		}
	})
}

var faultForm = regexp.MustCompile(`^fuzz\.yaml(:\d+:\d+)?: \S.*`)

// Whatever the text: no panic; what is refused is told in sentences with the
// file's name, and what is taken has a site, a zone and a hash.
func FuzzParse(f *testing.F) {
	f.Add(builtIn)
	for _, text := range []string{head, "", "a: &x [*x]", "site: north\nsite: south", "<<: {a: 1}", "thresholds: {? [a] : 1}", "- - -", "a: !!binary aGk=", "\t", "site: |\n  a\n"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := parsed("fuzz.yaml", text)
		if err == nil {
			if !siteID.MatchString(p.Settings.Site) || p.Settings.Zone == "" || len(p.Hash) != 64 {
				t.Errorf("taken: %+v", p.Settings)
			}
			return
		}
		if !faultForm.MatchString(err.Error()) {
			t.Errorf("fault %q", err)
		}
	})
}

// emptyKey gives the key of a line that leaves a map or a list empty.
func emptyKey(line string) (string, bool) {
	key, value, found := strings.Cut(strings.TrimSpace(line), ": ")
	return key, found && (value == "{}" || value == "[]")
}

// parsed reads a policy with the codes there are.
func parsed(name string, text []byte) (Policy, error) { return Parse(name, text, fhirmap.Terms{}) }

// Nothing is kept of erased cases unless the site says so, and check-policy tells it.
func TestErasedCases(t *testing.T) {
	const head = "site: north\nversion: \"7\"\nzone: Europe/London\n"
	for text, want := range map[string]bool{head: false, head + "erased_cases: removed\n": false, head + "erased_cases: cut\n": true} {
		p, err := Parse("p.yaml", []byte(text), nil)
		if err != nil || p.CutErased != want {
			t.Errorf("%q: %v, %v", text, p.CutErased, err)
		}
		if told := len(p.Changes()) > 0; told != want {
			t.Errorf("%q: changes %v", text, p.Changes())
		}
	}
}
