// Package policy reads a site's clinical policy, a strict YAML file, over the
// built-in settings. The text is kept as it was read and known by its hash. Who
// may call the server and where it listens is no part of it: that is deployment.
package policy

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/units"
)

// Policy is one clinical policy.
type Policy struct {
	Settings settings.Settings
	Text     string
	Hash     string
}

//go:embed builtin.yaml
var builtIn []byte

// BuiltIn gives the policy of an invented hospital that is used where a site
// gives none.
func BuiltIn() (Policy, error) { return Parse("the built-in policy", builtIn) }

// Load reads a policy from a file.
func Load(path string) (Policy, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Policy{}, fmt.Errorf("read the policy: %w", err)
	}
	return Parse(path, text)
}

// document is the file's shape. Every key may be left out but site, version and
// zone.
type document struct {
	Site       string                   `yaml:"site"`
	Version    string                   `yaml:"version"`
	Zone       string                   `yaml:"zone"`
	Thresholds map[string]float64       `yaml:"thresholds"`
	Tolerances map[string]toleranceItem `yaml:"tolerances"`
	InputSDs   map[string]float64       `yaml:"input_sds"`
}

type toleranceItem struct {
	Absolute        *float64 `yaml:"absolute"`
	RelativePercent *float64 `yaml:"relative_percent"`
	Repeatability   *float64 `yaml:"repeatability"`
}

var siteID = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// Parse reads a policy from its text; name says where it came from. All faults
// are told at once, each with its line and column.
func Parse(name string, text []byte) (Policy, error) {
	var d document
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&d); err != nil {
		return Policy{}, errors.New(decodeFault(name, err))
	}
	file, err := parser.ParseBytes(text, 0)
	if err != nil {
		return Policy{}, fmt.Errorf("%s: %w", name, err)
	}
	p := reading{name: name, file: file}
	s := p.settings(d)
	if err := errors.Join(p.faults...); err != nil {
		return Policy{}, err
	}
	sum := sha256.Sum256(text)
	hash := hex.EncodeToString(sum[:])
	s.PolicyHash = hash
	return Policy{Settings: s, Text: string(text), Hash: hash}, nil
}

var (
	decodePlace = regexp.MustCompile(`^\[(\d+:\d+)\] `)
	decodeType  = regexp.MustCompile(`cannot unmarshal (\w+) into Go struct field \w+\.(\w+) of type \S+`)
)

// decodeFault puts the decoder's words into ours: file, line, column, and no
// names of Go types.
func decodeFault(name string, err error) string {
	text := strings.TrimSpace(yaml.FormatError(err, false, false))
	if m := decodePlace.FindStringSubmatch(text); m != nil {
		name += ":" + m[1]
		text = text[len(m[0]):]
	}
	text = decodeType.ReplaceAllStringFunc(text, func(match string) string {
		m := decodeType.FindStringSubmatch(match)
		return strings.ToLower(m[2]) + " holds a " + m[1] + " where another kind of value is needed"
	})
	return name + ": " + text
}

// reading gathers the faults of one file.
type reading struct {
	name   string
	file   *ast.File
	faults []error
}

// fault adds a fault at a path of the file, e.g. $.thresholds.x.
func (p *reading) fault(path, format string, args ...any) {
	where := p.name
	if at, err := yaml.PathString(path); err == nil {
		if node, err := at.FilterFile(p.file); err == nil && node.GetToken() != nil {
			pos := node.GetToken().Position
			where = fmt.Sprintf("%s:%d:%d", p.name, pos.Line, pos.Column)
		}
	}
	p.faults = append(p.faults, fmt.Errorf("%s: %s %s", where, strings.TrimPrefix(path, "$."), fmt.Sprintf(format, args...)))
}

func (p *reading) settings(d document) settings.Settings {
	if !siteID.MatchString(d.Site) {
		p.fault("$.site", "is not a site id; give 1 to 32 of a-z, 0-9 and -")
	}
	if strings.TrimSpace(d.Version) == "" {
		p.fault("$.version", "is missing; give the version of this policy")
	}
	if _, err := time.LoadLocation(d.Zone); d.Zone == "" || d.Zone == "Local" || err != nil {
		p.fault("$.zone", "is not a time zone; give a name such as Europe/London")
	}
	s := settings.BuiltIn(d.Site, d.Version, d.Zone)
	for _, name := range sortedKeys(d.Thresholds) {
		p.threshold(&s, name, d.Thresholds[name])
	}
	for _, name := range sortedKeys(d.Tolerances) {
		p.tolerance(&s, name, d.Tolerances[name])
	}
	for _, leaf := range sortedKeys(d.InputSDs) {
		p.inputSD(&s, leaf, d.InputSDs[leaf])
	}
	return s
}

func (p *reading) threshold(s *settings.Settings, name string, value float64) {
	path := "$.thresholds." + name
	t, known := s.Thresholds[name]
	switch {
	case !known:
		p.fault(path, "is no threshold; the names are %s", strings.Join(s.ThresholdNames(), ", "))
	case !(value >= t.Lowest && value <= t.Highest):
		p.fault(path, "is %g; a site may set %g to %g %s", value, t.Lowest, t.Highest, t.Unit.Text())
	default:
		t.Value, t.Owner = value, settings.Site
		s.Thresholds[name] = t
	}
}

func (p *reading) tolerance(s *settings.Settings, name string, item toleranceItem) {
	path := "$.tolerances." + name
	t, known := s.Tolerances[name]
	if !known {
		p.fault(path, "has no tolerance; the names are %s", strings.Join(sortedKeys(s.Tolerances), ", "))
		return
	}
	const mostPercent = 100
	part := func(key string, v *float64, most float64, set func(float64)) {
		switch {
		case v == nil:
		case !(*v >= 0 && *v <= most):
			p.fault(path+"."+key, "is %g; give 0 to %g", *v, most)
		default:
			set(*v)
		}
	}
	// A tolerance ten times the built-in one would hide everything.
	const mostFactor = 10
	part("absolute", item.Absolute, mostFactor*max(t.Absolute, 1), func(v float64) { t.Absolute = v })
	part("relative_percent", item.RelativePercent, mostPercent, func(v float64) { t.Relative = units.Fraction(v).Ratio() })
	part("repeatability", item.Repeatability, mostFactor*max(t.Repeatability, 1), func(v float64) { t.Repeatability = v })
	t.Owner = settings.Site
	s.Tolerances[name] = t
}

func (p *reading) inputSD(s *settings.Settings, leaf string, sd float64) {
	path := "$.input_sds." + leaf
	row, known := metric.LeafByID(leaf)
	switch {
	case !known:
		p.fault(path, "is no measured leaf; trigone metrics --leaves lists them")
	case !(sd > 0 && sd <= row.High):
		p.fault(path, "is %g; a standard deviation is above 0 and at most %g %s", sd, row.High, row.Unit.Text())
	default:
		s.InputSDs[leaf] = settings.InputSD{SD: sd, Source: settings.SourceSitePolicy, Owner: settings.Site}
	}
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
