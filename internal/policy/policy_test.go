package policy

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trigone/internal/settings"
)

func TestBuiltIn(t *testing.T) {
	p, err := BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	if p.Settings.Site != "harbour" || p.Settings.PolicyHash != p.Hash {
		t.Errorf("site %q, hash %q", p.Settings.Site, p.Hash)
	}
	// The hash of the text is plain SHA-256, so that anyone can check it (sha256sum).
	sum := sha256.Sum256(builtIn)
	if p.Hash != hex.EncodeToString(sum[:]) {
		t.Error("the hash is not that of the text")
	}
	for _, limit := range p.Settings.Thresholds {
		if limit.Owner != settings.Default {
			t.Errorf("%s belongs to %s; the built-in policy changes nothing", limit.Name, limit.Owner)
		}
	}
}

const head = "site: north\nversion: \"7\"\nzone: Europe/London\n"

func TestSiteValuesReplaceBuiltInOnes(t *testing.T) {
	p, err := Parse("north.yaml", []byte(head+`
thresholds: {mean_gradient_high: 6}
tolerances: {leaflet_height: {absolute: 3}}
input_sds: {annulus_antero_posterior_diameter: 1.5}
`))
	if err != nil {
		t.Fatal(err)
	}
	if limit := p.Settings.Threshold("mean_gradient_high"); limit.Value != 6 || limit.Owner != settings.Site {
		t.Errorf("threshold %+v", limit)
	}
	if tol := p.Settings.Tolerances["leaflet_height"]; tol.Absolute != 3 || tol.Owner != settings.Site {
		t.Errorf("tolerance %+v", tol)
	}
	if sd := p.Settings.InputSDs["annulus_antero_posterior_diameter"]; sd.SD != 1.5 || sd.Owner != settings.Site {
		t.Errorf("input SD %+v", sd)
	}
}

func TestFaultsNameTheirPlace(t *testing.T) {
	tests := []struct{ why, text, want string }{
		{"unknown key", head + "treshold: {}\n", "treshold"},
		{"key given twice", head + "site: south\n", "site"},
		{"unknown threshold", head + "thresholds: {nonsense: 1}\n", "bad.yaml:4:24: thresholds.nonsense is no threshold"},
		{"beyond what a site may set", head + "thresholds: {mean_gradient_high: 600}\n", "thresholds.mean_gradient_high is 600; a site may set"},
		{"not a number", head + "thresholds: {mean_gradient_high: .nan}\n", "thresholds.mean_gradient_high"},
		{"text for a number", head + "thresholds: {mean_gradient_high: high}\n", "bad.yaml:4:34: thresholds holds a string"},
		{"unknown tolerance", head + "tolerances: {nonsense: {absolute: 1}}\n", "tolerances.nonsense has no tolerance"},
		{"negative tolerance", head + "tolerances: {leaflet_height: {absolute: -1}}\n", "tolerances.leaflet_height.absolute is -1"},
		{"unknown leaf", head + "input_sds: {nonsense: 1}\n", "input_sds.nonsense is no measured leaf"},
		{"a standard deviation of nothing", head + "input_sds: {annulus_area: 0}\n", "input_sds.annulus_area is 0"},
		{"no zone", "site: north\nversion: \"7\"\n", "zone is not a time zone"},
		{"the server's own zone", "site: north\nversion: \"7\"\nzone: Local\n", "zone is not a time zone"},
		{"site id with capitals", "site: North\nversion: \"7\"\nzone: UTC\n", "bad.yaml:1:7: site is not a site id"},
		{"no version", "site: north\nzone: UTC\n", "version is missing"},
		{"not YAML", "site: [", "bad.yaml"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			_, err := Parse("bad.yaml", []byte(tt.text))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one with %q", err, tt.want)
			}
		})
	}
}

func TestAllFaultsAtOnce(t *testing.T) {
	_, err := Parse("bad.yaml", []byte("site: North\nversion: \"7\"\nzone: nowhere\nthresholds: {a: 1, b: 2}\n"))
	if err == nil || strings.Count(err.Error(), "bad.yaml:") != 4 {
		t.Errorf("error %v, want four faults", err)
	}
}

func TestLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.yaml")
	if err := os.WriteFile(path, []byte(head), 0o600); err != nil {
		t.Fatal(err)
	}
	if p, err := Load(path); err != nil || p.Settings.Site != "north" {
		t.Errorf("%v, %v", p.Settings.Site, err)
	}
	if _, err := Load(path + ".none"); err == nil {
		t.Error("a file that is not there was read")
	}
}
