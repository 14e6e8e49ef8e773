// Package policy reads a site's clinical policy, a strict YAML file, over the
// built-in settings. The text is kept as it was read and known by its hash. Who
// may call the server and where it listens is no part of it: that is deployment.
package policy

import (
	"cmp"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"trigone/internal/audit"
	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/strictyaml"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Policy is one clinical policy.
type Policy struct {
	Settings settings.Settings
	// Codes are the public codes that the site is licensed for; nothing is judged by
	// them.
	Codes []metric.SiteCode
	// Patient is how the site's resources refer to the patient; nothing is judged by it.
	Patient settings.PatientReference
	// CanonicalBase is under which URI all is named as FHIR that is our own; empty: the
	// one that is built in. Nothing is judged by it.
	CanonicalBase string
	// CutErased keeps of a case that is erased what counts and says of nobody; unset: all
	// of it goes.
	CutErased bool
	// Monitoring is which outcomes are followed by charts that signal; nothing is judged by
	// it.
	Monitoring audit.Monitoring
	// Rules are the site's own, compiled.
	Rules []rules.SiteRule
	Text  string
	Hash  string // SHA-256 of the text, hexadecimal
}

//go:embed builtin.yaml
var builtIn []byte

// BuiltIn gives the policy of an invented hospital that is used where a site
// gives none.
func BuiltIn() (Policy, error) { return Parse("the built-in policy", builtIn, nil) }

// Terms is what the room that sends codes says of them: which systems a site may
// name, and what is wrong with a list of its codes.
type Terms interface {
	Systems() []string
	Faults([]metric.SiteCode) []metric.SiteCodeFault
}

// ErrUnread says that there was no text to judge.
var ErrUnread = errors.New("read the policy")

// Load reads a policy from a file.
func Load(path string, terms Terms) (Policy, error) {
	file, err := os.Open(path)
	if err != nil {
		return Policy{}, fmt.Errorf("%w: %w", ErrUnread, err)
	}
	text, err := io.ReadAll(io.LimitReader(file, strictyaml.MostBytes+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return Policy{}, fmt.Errorf("%w: %w", ErrUnread, err)
	}
	return Parse(path, text, terms)
}

// Keys of the file. Every one may be left out but site, version and zone.
const (
	keySite       = "site"
	keyVersion    = "version"
	keyZone       = "zone"
	keyErased     = "erased_cases"
	keyThresholds = "thresholds"
	keyTolerances = "tolerances"
	keyInputSDs   = "input_sds"
	keyRingTable  = "ring_table"
	keyCodes      = "codes"
	keyFHIR       = "fhir"
	keyRules      = "rules"
	keyMonitoring = "monitoring"
	keyCalibrated = "calibrations"

	keyAbsolute        = "absolute"
	keyRelativePercent = "relative_percent"
	keyRepeatability   = "repeatability"
)

var siteID = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// Parse reads a policy from its text; name says where it came from. The error
// tells all faults at once, a sentence for each, with line and column; only a
// text that is no YAML at all is told by its first fault alone. Terms may be nil
// where the text is known to have no codes: any would be a fault.
func Parse(name string, text []byte, terms Terms) (Policy, error) {
	return parse(read(name, terms, false), text)
}

// ParseStored reads a policy that was in force once, for judging by it again. Its
// codes are left out, and how it is sent: a code of the site that is built in by now
// would else make all of it unreadable, and nothing is judged by either.
func ParseStored(name string, text []byte) (Policy, error) {
	return parse(read(name, nil, true), text)
}

// HashOf gives the hash by which a policy is known.
func HashOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

func parse(r *reading, text []byte) (Policy, error) {
	root, ok := r.Root(text)
	if !ok {
		return Policy{}, r.Err()
	}
	p := r.policy(root)
	if err := r.Err(); err != nil {
		return Policy{}, err
	}
	p.Text, p.Hash = string(text), HashOf(text)
	p.Settings.PolicyHash = p.Hash
	return p, nil
}

// policy reads the document. What it gives is of use only if there was no fault.
func (r *reading) policy(root field) Policy {
	top := r.Fields(root, keySite, keyVersion, keyZone, keyThresholds, keyTolerances, keyInputSDs, keyRingTable, keyCodes, keyFHIR, keyErased, keyRules, keyMonitoring, keyCalibrated)
	s := settings.BuiltIn(r.site(top), r.version(top), r.zone(top))
	for _, f := range r.Entries(top[keyThresholds]) {
		r.threshold(&s, f)
	}
	for _, f := range r.Entries(top[keyTolerances]) {
		r.tolerance(&s, f)
	}
	for _, f := range r.Entries(top[keyInputSDs]) {
		r.inputSD(&s, f)
	}
	r.ringTable(&s, top[keyRingTable])
	s.Calibrations = r.calibrations(top[keyCalibrated])
	patient, base := r.fhir(top[keyFHIR])
	return Policy{Settings: s, Codes: r.codes(top[keyCodes]), Patient: patient, CanonicalBase: base, CutErased: r.cutErased(top), Rules: r.siteRules(top[keyRules]), Monitoring: r.monitoring(top[keyMonitoring], s.Zone)}
}

// Words of keyErased.
const (
	erasedRemoved = "removed"
	erasedCut     = "cut"
)

// cutErased reads whether anything is kept of a case that is erased.
func (r *reading) cutErased(top map[string]field) bool {
	f, given := top[keyErased]
	if !given {
		return false
	}
	word, ok := r.Text(f)
	if ok && word != erasedRemoved && word != erasedCut {
		r.Fault(f, "erased_cases is none of removed and cut; removed keeps nothing of a case that is erased, cut keeps the year, the age by decade, the techniques and how it ended")
	}
	return word == erasedCut
}

func (r *reading) site(top map[string]field) string {
	f, given := top[keySite]
	if !given {
		r.FaultAt(nil, "site is missing; give the id of the site, 1 to 32 of a-z, 0-9 and -")
		return ""
	}
	id, ok := r.Text(f)
	if ok && !siteID.MatchString(id) {
		r.Fault(f, "site is not a site id; give 1 to 32 of a-z, 0-9 and -")
	}
	return id
}

func (r *reading) version(top map[string]field) string {
	f, given := top[keyVersion]
	if !given {
		r.FaultAt(nil, "version is missing; give the version of this policy, e.g. \"1\"")
		return ""
	}
	version, ok := r.Text(f)
	if ok && strings.TrimSpace(version) == "" {
		r.Fault(f, "version is empty; give the version of this policy, e.g. \"1\"")
	}
	return version
}

func (r *reading) zone(top map[string]field) string {
	f, given := top[keyZone]
	if !given {
		r.FaultAt(nil, "zone is missing; give the time zone of the site, e.g. Europe/London")
		return ""
	}
	zone, ok := r.Text(f)
	if !ok {
		return ""
	}
	// Local would be the zone of whatever machine the server runs on.
	if _, err := time.LoadLocation(zone); err != nil || zone == "" || zone == "Local" {
		r.Fault(f, "zone is not a time zone of the IANA database; give a name such as Europe/London")
	}
	return zone
}

func (r *reading) threshold(s *settings.Settings, f field) {
	t, known := s.Thresholds[f.Name]
	if !known {
		r.FaultAt(f.Key, "%s is no threshold; the names are %s", f.Path(), strings.Join(s.ThresholdNames(), ", "))
		return
	}
	value, ok := r.Number(f)
	switch {
	case !ok:
	case !(value >= t.Lowest && value <= t.Highest):
		r.Fault(f, "%s is %g; a site may set %s", f.Path(), value, span(t.Lowest, t.Highest, t.Unit))
	default:
		t.Value, t.Owner = value, settings.Site
		s.Thresholds[f.Name] = t
	}
}

// A tolerance ten times the built-in one would hide every difference.
const (
	mostFactor  = 10
	mostPercent = 100
)

func mostOf(builtIn float64) float64 { return mostFactor * max(builtIn, 1) }

func (r *reading) tolerance(s *settings.Settings, f field) {
	name := valve.ID(f.Name)
	t, known := s.Tolerances[name]
	if !known {
		r.FaultAt(f.Key, "%s is no tolerance; the names are %s", f.Path(), valve.JoinIDs(sortedKeys(s.Tolerances), ", "))
		return
	}
	parts := r.Fields(f, keyAbsolute, keyRelativePercent, keyRepeatability)
	part := func(key string, most float64, set func(float64)) {
		p, given := parts[key]
		if !given {
			return
		}
		value, ok := r.Number(p)
		switch {
		case !ok:
		case !(value >= 0 && value <= most):
			r.Fault(p, "%s is %g; give 0 to %g", p.Path(), value, most)
		default:
			set(value)
		}
	}
	part(keyAbsolute, mostOf(t.Absolute), func(v float64) { t.Absolute = v })
	part(keyRelativePercent, mostPercent, func(v float64) { t.Relative = units.Fraction(v).Ratio() })
	part(keyRepeatability, mostOf(t.Repeatability), func(v float64) { t.Repeatability, t.PerSD = v, 0 })
	if len(parts) > 0 {
		t.Owner = settings.Site
		s.Tolerances[name] = t
	}
}

func (r *reading) inputSD(s *settings.Settings, f field) {
	leaf, known := metric.LeafByID(valve.ID(f.Name))
	if !known {
		r.FaultAt(f.Key, "%s is no measured leaf; the command trigone metrics --leaves lists them", f.Path())
		return
	}
	sd, ok := r.Number(f)
	switch {
	case !ok:
	case !(sd > 0 && sd <= leaf.High):
		r.Fault(f, "%s is %g; a standard deviation is above 0 and at most %s", f.Path(), sd, quantity(leaf.High, leaf.Unit))
	default:
		s.InputSDs[leaf.ID] = settings.InputSD{SD: sd, Source: settings.SourceSitePolicy, Owner: settings.Site}
	}
}

func span(low, high float64, u units.Unit) string {
	return fmt.Sprintf("%g to %s", low, quantity(high, u))
}

func quantity(v float64, u units.Unit) string {
	return strings.TrimSpace(fmt.Sprintf("%g %s", v, u.Text()))
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
