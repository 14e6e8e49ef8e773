package rules

import (
	"cmp"
	"errors"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// SitePrefix begins the id of every rule that a site wrote, and of no other.
const SitePrefix = "site/"

// IsSite says whether a rule is a site's own.
func IsSite(id string) bool { return strings.HasPrefix(id, SitePrefix) }

// SiteRule is a rule of a site's own policy. It speaks at the places that At names, of
// what it reads, and never disputes a value.
type SiteRule struct {
	ID      string
	Summary string
	// Message is said where it fires; {name} stands for what is read under the name.
	Message  string
	Advice   string
	Basis    string   // source and who answers for it, in sentences, said with every finding
	Severity Severity // Note or Caution
	// Lowered says that the site wrote a caution, and that by its own count it fires too
	// often to be one.
	Lowered bool
	At      string // a word of SitePlaces
	Reads   []SiteRead
	// Fires judges what was read, by name: a float64 or a string. What is not recorded is
	// not in the map. ErrMissing: it cannot be judged without.
	Fires func(read map[string]any) (bool, error)
}

// IsCaution says whether it loads as one.
func (r SiteRule) IsCaution() bool { return r.Severity == Caution }

// ErrMissing is what a rule of a site says that cannot be judged without something that
// is not recorded.
var ErrMissing = errors.New("something that it reads is not recorded")

// SiteRuleFailed begins the note of a rule of a site that failed.
const SiteRuleFailed = "A rule of this site could not be judged here: "

var errSiteRuleBroke = errors.New("the rule broke down")

// SiteRead is one thing that a rule of a site reads: a value, or a fact.
type SiteRead struct {
	Name  string
	Value valve.ID // a leaf or a metric
	Place valve.Place
	Fact  string // a word of SiteFacts
	From  string // a word of SiteOrigins; empty: where the rule speaks
}

// missing is what a gap says where it is not recorded.
func (s SiteRead) missing() valve.Key {
	return valve.Key{ID: cmp.Or(s.Value, valve.ID(s.Fact)), Place: s.Place, Occasion: valve.Occasion(s.From)}
}

// SitePlace is where a rule of a site may speak.
type SitePlace struct {
	Word, Text string
	where      func(*repair.Case) []metric.At
}

// SitePlaces lists them.
func SitePlaces() []SitePlace {
	of := func(k repair.StudyKind) func(*repair.Case) []metric.At {
		return func(c *repair.Case) []metric.At {
			return studies(c, func(s *repair.Study) bool { return s.Kind == k })
		}
	}
	return []SitePlace{
		{"assessments", "each assessment before the operation", of(repair.Assessment)},
		{"plan", "the plan", func(c *repair.Case) []metric.At {
			if c.Plan == nil {
				return nil
			}
			return []metric.At{at(valve.AtPlan)}
		}},
		{"operation", "the operation, after its last pump run", inOperation},
		{"results", "each result after a pump run", of(repair.Result)},
		{"leaving_theatre", "the last result on leaving theatre", func(c *repair.Case) []metric.At {
			if s := c.Exit(); s != nil {
				return []metric.At{atStudy(s)}
			}
			return nil
		}},
		{"follow_ups", "each follow-up", of(repair.FollowUp)},
	}
}

// SiteOrigin is where else a rule of a site may read.
type SiteOrigin struct {
	Word, Text string
	occasions  func(*repair.Case) []valve.Occasion // the first that has the value counts
}

// SiteOrigins lists them.
func SiteOrigins() []SiteOrigin {
	fixed := func(list ...valve.Occasion) func(*repair.Case) []valve.Occasion {
		return func(*repair.Case) []valve.Occasion { return list }
	}
	return []SiteOrigin{
		{"identity", "the patient: body height and weight", fixed(valve.AtIdentity)},
		{"before", "the newest assessment that has it", func(c *repair.Case) (list []valve.Occasion) {
			for _, s := range newest(c) {
				list = append(list, s.Occasion)
			}
			return list
		}},
		{"plan", "the plan", fixed(valve.AtPlan)},
		{"operation", "the operation, after its last pump run", ofOperation},
		{"leaving_theatre", "the last result on leaving theatre", func(c *repair.Case) []valve.Occasion {
			if s := c.Exit(); s != nil {
				return []valve.Occasion{s.Occasion}
			}
			return nil
		}},
	}
}

func ofOperation(c *repair.Case) []valve.Occasion {
	if c.Operation == nil {
		return nil
	}
	return []valve.Occasion{valve.AtOperation, valve.InRun(max(c.Operation.LastRun(), 1), "")}
}

// siteRoles are the roles in which a rule of a site finds a value, the first that
// there is: what was measured before what was calculated.
var siteRoles = []valve.Role{valve.Measured, valve.Derived, valve.Planned, valve.PredictedFromPlan, valve.PredictedFromExecution}

// SiteFact is something that a rule of a site may read and that is no measured value.
type SiteFact struct {
	Name, Text string
	// Words are those it may say; none: it is a count.
	Words []string
	read  func(c *repair.Case, s *repair.Study) any // string or int; "" or nil: not recorded
}

var yesNo = []string{string(valve.Yes), string(valve.No)}

func moderate(g repair.Grade) any {
	more, ok := g.ModerateOrMore()
	switch {
	case !ok:
		return nil
	case more:
		return yesNo[0]
	}
	return yesNo[1]
}

// SiteFacts lists them, in the order of their names. Facts of a study are those of the
// one in which the rule speaks, or reads.
func SiteFacts() []SiteFact {
	study := func(read func(*repair.Study) any) func(*repair.Case, *repair.Study) any {
		return func(_ *repair.Case, s *repair.Study) any {
			if s == nil {
				return nil
			}
			return read(s)
		}
	}
	planned := func(read func(*repair.Plan) any) func(*repair.Case, *repair.Study) any {
		return func(c *repair.Case, _ *repair.Study) any {
			if c.Plan == nil {
				return nil
			}
			return read(c.Plan)
		}
	}
	done := func(read func(*repair.Operation) any) func(*repair.Case, *repair.Study) any {
		return func(c *repair.Case, _ *repair.Study) any {
			if c.Operation == nil {
				return nil
			}
			return read(c.Operation)
		}
	}
	return []SiteFact{
		{"aetiology", "aetiology, of the plan", []string{
			"fibroelastic_deficiency", "myxomatous", "degenerative_intermediate", "rheumatic", "endocarditis", "secondary", "congenital", "other",
			"failed_repair", "failed_catheter_repair",
		}, planned(func(p *repair.Plan) any { return p.Aetiology })},
		{"age_years", "age at the operation, whole years", nil, func(c *repair.Case, _ *repair.Study) any {
			if c.Identity != nil {
				if age, ok := c.Identity.AgeYears.Get(); ok {
					return age
				}
			}
			return nil
		}},
		{"anterior_motion", "systolic anterior motion, of the study", []string{"none", "chordal", "leaflet_without_obstruction", "leaflet_with_obstruction"},
			study(func(s *repair.Study) any { return s.AnteriorMotion })},
		{"calcification", "calcification of the posterior annulus, of the study", []string{"none", "focal", "third", "two_thirds", "extensive"},
			study(func(s *repair.Study) any { return s.Calcification })},
		{"circumflex_flow_checked", "whether flow in the circumflex artery was looked at", yesNo,
			done(func(o *repair.Operation) any { return string(o.Neighbourhood.CircumflexFlowChecked) })},
		{"converted", "whether the repair was given up for a replacement", yesNo, done(func(o *repair.Operation) any {
			if o.Conversion == nil {
				return nil
			}
			return string(o.Conversion.Converted)
		})},
		{"functional_class", "functional class, of the plan", []string{"i", "ii", "iii", "iv"}, planned(func(p *repair.Plan) any { return p.FunctionalClass })},
		{"inotrope", "whether an inotrope was running, of the study", yesNo, study(func(s *repair.Study) any { return string(s.Inotrope) })},
		{"lateral_wall_checked", "whether the motion of the lateral wall was looked at", yesNo,
			done(func(o *repair.Operation) any { return string(o.Neighbourhood.LateralWallChecked) })},
		{"provocation", "how the valve was provoked, of the study", []string{"none", "pressure", "volume", "inotrope", "exercise"},
			study(func(s *repair.Study) any { return s.Provocation })},
		{"pump_runs", "how many pump runs there were", nil, done(func(o *repair.Operation) any {
			if o.RunsRecorded != valve.Complete {
				return nil
			}
			return o.LastRun()
		})},
		{"regurgitation_moderate_or_more", "whether mitral regurgitation is moderate or more in its own scheme, of the study", yesNo,
			study(func(s *repair.Study) any { return moderate(s.Grade) })},
		{"rhythm", "rhythm, of the study", []string{"sinus", "atrial_fibrillation", "junctional", "block", "other"}, study(func(s *repair.Study) any { return s.Rhythm })},
		{"sex", "sex of the patient", []string{"female", "male", "other"}, func(c *repair.Case, _ *repair.Study) any {
			if c.Identity == nil {
				return nil
			}
			return c.Identity.Sex
		}},
		{"tricuspid_moderate_or_more", "whether tricuspid regurgitation is moderate or more in its own scheme, of the study", yesNo,
			study(func(s *repair.Study) any { return moderate(s.TricuspidGrade) })},
		{"vital_status", "vital status, of the follow-up", []string{"alive", "dead"}, study(func(s *repair.Study) any { return s.VitalStatus })},
	}
}

// siteReading is a rule of a site at one place.
type siteReading struct {
	*Reader
	said map[string]string // what was read, as it is printed
}

// occasions gives where a rule that speaks here reads a thing.
func (r siteReading) occasions(from string) []valve.Occasion {
	for _, o := range SiteOrigins() {
		if o.Word == from {
			return o.occasions(r.Case())
		}
	}
	if r.At().Occasion == valve.AtOperation {
		return ofOperation(r.Case())
	}
	return []valve.Occasion{r.At().Occasion}
}

// value finds a value without recording that it was looked for.
func (r siteReading) value(of SiteRead) (v float64, k valve.Key, ok bool) {
	for _, o := range r.occasions(of.From) {
		for _, role := range siteRoles {
			k := valve.Key{ID: of.Value, Place: of.Place, Occasion: o, Role: role}
			if r.Has(k) {
				m, _ := r.Measurement(k)
				v, ok := m.Value.Get()
				return v, k, ok
			}
			if m, known := r.Peek(k); known && m.State == metric.HasValue {
				return m.Value, k, true
			}
		}
	}
	return 0, valve.Key{}, false
}

// fact reads a fact where it stands.
func (r siteReading) fact(of SiteRead) any {
	i := slices.IndexFunc(SiteFacts(), func(f SiteFact) bool { return f.Name == of.Fact })
	if i < 0 {
		return nil
	}
	for _, o := range append(r.occasions(of.From), "") {
		switch v := SiteFacts()[i].read(r.Case(), r.Case().StudyAt(o)).(type) {
		case string:
			if v != "" {
				return v
			}
		case int:
			return v
		}
	}
	return nil
}

// read gives everything that a rule reads and that is there, and records it.
func (r siteReading) read(rule SiteRule) map[string]any {
	read := map[string]any{}
	for _, of := range rule.Reads {
		r.said[of.Name] = "not recorded"
		if of.Fact != "" {
			switch v := r.fact(of).(type) {
			case string:
				read[of.Name], r.said[of.Name] = v, strings.ReplaceAll(v, "_", " ")
			case int:
				read[of.Name], r.said[of.Name] = float64(v), units.Format(float64(v), units.One, 1)
			}
			if r.said[of.Name] != "not recorded" {
				r.Fact(of.Fact, r.said[of.Name])
			}
			continue
		}
		v, k, ok := r.value(of)
		if !ok {
			continue
		}
		read[of.Name], r.said[of.Name] = v, Amount(of.Value, v)
		if r.Has(k) {
			r.Read(k)
		} else {
			r.Metric(k)
		}
	}
	return read
}

func (r siteReading) message(text string) string {
	var pairs []string
	for name, said := range r.said {
		pairs = append(pairs, "{"+name+"}", said)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// RunSite runs a site's own rules. One that fails is a note that says so: that it is
// silent must not be taken for 'looked at'.
func RunSite(list []SiteRule, c *repair.Case, s settings.Settings, values []metric.Value) (findings []Finding, gaps []Gap) {
	reader := metric.NewReader(c, s, metric.At{})
	places := SitePlaces()
	for _, rule := range list {
		i := slices.IndexFunc(places, func(p SitePlace) bool { return p.Word == rule.At })
		if i < 0 {
			continue
		}
		for _, here := range places[i].where(c) {
			r := siteReading{&Reader{Reader: reader.Elsewhere(here), values: values}, map[string]string{}}
			read := r.read(rule)
			fires, err := rule.judge(read)
			f := Finding{
				Rule: rule.ID, Severity: rule.Severity, Kind: Clinical, Source: settings.SourceSitePolicy,
				Message: r.message(rule.Message) + rule.Basis, Advice: rule.Advice, At: here, Inputs: r.Inputs(), Facts: r.facts,
			}
			switch {
			case err == nil && !fires:
				continue
			case err == nil:
			case errors.Is(err, ErrMissing):
				gaps = append(gaps, Gap{Rule: rule.ID, At: here, Missing: r.lacking(rule, read)})
				continue
			default:
				f.Severity, f.Advice = Note, "Have the rule mended; trigone check-policy tries it."
				f.Message = SiteRuleFailed + err.Error() + "."
			}
			f.ID = fingerprint(f, rule.Summary)
			findings = append(findings, f)
		}
	}
	return findings, gaps
}

func (r SiteRule) judge(read map[string]any) (fires bool, err error) {
	defer func() {
		if recover() != nil {
			fires, err = false, errSiteRuleBroke
		}
	}()
	return r.Fires(read)
}

// lacking names what was not there.
func (r siteReading) lacking(rule SiteRule, read map[string]any) []string {
	for _, of := range rule.Reads {
		if _, there := read[of.Name]; !there {
			k := of.missing()
			k.Occasion = cmp.Or(k.Occasion, r.At().Occasion)
			r.Miss(k)
		}
	}
	return r.MissingText()
}
