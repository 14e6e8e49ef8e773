package audit

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/words"
)

// Funnel is how an outcome varies between units, or runs over time.
type Funnel struct {
	Outcome string
	// ByOperator, else by half-years.
	ByOperator bool
	Because    string
	// Target from elsewhere; none: each unit is held against all others.
	Target units.Maybe[float64]
	Source string
	Points []FunnelPoint
	// Small units have fewer than 10 cases.
	Small int
	// Unknown units are left out because it is not known of too many of their patients.
	Unknown int
	// Dispersion from 10 units on; Widened: limits hold it.
	Dispersion *statistics.Overdispersion
	Widened    bool
	Sentence   string
}

// FunnelPoint is a unit.
type FunnelPoint struct {
	Label string
	Own   bool
	ShareFigure
	Target                               units.Maybe[float64]
	Lower95, Upper95, Lower998, Upper998 units.Maybe[float64]
	// Look: outside the outer limits.
	Look bool
}

// Bounds of a funnel (the audit's decision).
const (
	leastUnits      = 5
	leastUnitCases  = 10
	inner, outer    = 0.95, 0.998
	outerZ          = 3.090232306167814
	clearDispersion = 0.05
)

// operatorMark begins the word of a unit that is somebody.
const operatorMark = "\x01"

// mainOutcomes are those whose funnels are given unless others are asked for.
var mainOutcomes = []string{repairAtDischarge, RegurgitationAtExit, FurtherMitralRun, Conversion, OperativeMortality, majorMorbidity}

// unit of a funnel.
type unit struct {
	word  string
	share statistics.Share
}

func (o *Outcomes) funnels() []Funnel {
	var list []Funnel
	for _, m := range o.measures {
		asked := slices.Contains(o.question.Outcomes, m.id) || len(o.question.Outcomes) == 0 && slices.Contains(mainOutcomes, m.id)
		if asked && m.judge != nil && m.value == nil {
			list = append(list, o.funnel(m))
		}
	}
	return list
}

func (o *Outcomes) funnel(m *measure) Funnel {
	f := Funnel{Outcome: m.id}
	var operators, halves []unit
	for at, cell := range o.cells {
		t := cell[m.id]
		if at.Kind != unitKind || t == nil || t.share.Of == 0 {
			continue
		}
		if m.exact && manyUnknown(t.share.Of, t.unknown) {
			f.Unknown++
			continue
		}
		if word, who := strings.CutPrefix(at.Word, operatorMark); who {
			operators = append(operators, unit{word, t.share})
		} else {
			halves = append(halves, unit{at.Word, t.share})
		}
	}
	for _, b := range o.question.Benchmarks {
		if b.Outcome == m.id {
			f.Target, f.Source = units.Some(b.Share), b.Source
		}
	}
	few := ""
	if o.question.ByOperator {
		large := slices.DeleteFunc(slices.Clone(operators), func(u unit) bool { return u.share.Of < leastUnitCases })
		if len(large) >= leastUnits {
			f.ByOperator, f.Small = true, len(operators)-len(large)
			o.points(&f, lettered(large))
			f.Sentence = f.say(m, "")
			return f
		}
		few = fmt.Sprintf("Fewer than %d operators have %d cases that can be counted: shown is the run of time. ", leastUnits, leastUnitCases)
	}
	slices.SortFunc(halves, func(a, b unit) int { return cmp.Compare(a.word, b.word) })
	o.points(&f, halves)
	f.Sentence = f.say(m, few)
	return f
}

// lettered puts units in an order that says nothing of who or how good they are.
func lettered(list []unit) []unit {
	hash := func(u unit) string { h := sha256.Sum256([]byte(u.word)); return string(h[:]) }
	slices.SortFunc(list, func(a, b unit) int { return cmp.Compare(hash(a), hash(b)) })
	return list
}

// letter gives A to Z, then AA and on.
func letter(i int) string {
	s := string(rune('A' + i%26))
	if i >= 26 {
		return letter(i/26-1) + s
	}
	return s
}

func (o *Outcomes) points(f *Funnel, list []unit) {
	var all statistics.Share
	var shares []statistics.Share
	for _, u := range list {
		all.Count += u.share.Count
		all.Of += u.share.Of
		shares = append(shares, u.share)
	}
	target, given := f.Target.Get()
	switch {
	case len(list) == 0:
		f.Because = "of no unit is it known of enough patients"
		return
	case len(list) == 1 && !given:
		f.Because = "there is one unit only, and no share from elsewhere to hold it against"
	case !given && (all.Count == 0 || all.Count == all.Of):
		f.Because = "it happened to all or to none: limits about such a share say nothing"
	}
	pooled := target
	if !given {
		pooled, _ = all.Value()
	}
	if d, err := statistics.Dispersion(shares, pooled); err == nil {
		f.Dispersion = &d
		f.Widened = d.P < clearDispersion && d.BetweenVariance > 0
	}
	for i, u := range list {
		p := FunnelPoint{Label: u.word, ShareFigure: wilson(u.share)}
		if f.ByOperator {
			p.Label, p.Own = letter(i), slices.Contains(o.question.Own, u.word)
		}
		against := target
		if !given {
			others := statistics.Share{Count: all.Count - u.share.Count, Of: all.Of - u.share.Of}
			value, err := others.Value()
			if err != nil || value <= 0 || value >= 1 {
				f.Points = append(f.Points, p)
				continue
			}
			against = value
		}
		p.limits(u.share, against, f)
		f.Points = append(f.Points, p)
	}
}

func (p *FunnelPoint) limits(s statistics.Share, target float64, f *Funnel) {
	p.Target = units.Some(target)
	for _, l := range []struct {
		middle, z    float64
		lower, upper *units.Maybe[float64]
	}{{inner, statistics.Z95, &p.Lower95, &p.Upper95}, {outer, outerZ, &p.Lower998, &p.Upper998}} {
		limits, err := statistics.Funnel(s.Of, target, l.middle)
		if err != nil {
			continue
		}
		wide := 0.0
		if f.Widened {
			wide = l.z * math.Sqrt(target*(1-target)/float64(s.Of)+f.Dispersion.BetweenVariance)
		}
		if low := math.Min(limits.Lower, target-wide); limits.LowerExists && (!f.Widened || low > 0) {
			if f.Widened {
				limits.Lower = low
			}
			*l.lower = units.Some(limits.Lower)
		}
		if high := math.Max(limits.Upper, target+wide); limits.UpperExists && (!f.Widened || high < 1) {
			if f.Widened {
				limits.Upper = high
			}
			*l.upper = units.Some(limits.Upper)
		}
	}
	if side, err := statistics.Outside(s, target, outer); err == nil && side != 0 {
		share, _ := s.Value()
		low, hasLow := p.Lower998.Get()
		high, hasHigh := p.Upper998.Get()
		p.Look = !f.Widened || hasLow && share < low || hasHigh && share > high
	}
}

func (f *Funnel) say(m *measure, few string) string {
	what := "half-years"
	if f.ByOperator {
		what = "operators"
	}
	if f.Because != "" {
		return few + words.Sentence(strings.ToLower(m.title[:1])+m.title[1:]+": "+f.Because)
	}
	against := "all others together"
	if target, ok := f.Target.Get(); ok {
		against = fmt.Sprintf("%s %% (%s)", units.FormatNumber(100*target, 0.1), f.Source)
	}
	var look []string
	for _, p := range f.Points {
		if p.Look {
			look = append(look, p.Label)
		}
	}
	s := fmt.Sprintf("%s, %d %s held against %s: ", m.title, len(f.Points), what, against)
	switch len(look) {
	case 0:
		s += "none lies outside the limits that hold 99.8 % of units."
	case 1:
		s += look[0] + " lies outside the limits that hold 99.8 % of units: one to look at, not a verdict."
	default:
		s += words.And(look) + " lie outside the limits that hold 99.8 % of units: to be looked at, not a verdict."
	}
	if f.Widened {
		s += " The units differ more than by chance; the limits are widened by that."
	}
	return few + s
}
