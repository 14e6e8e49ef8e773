package fhirmap

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// uncertain adds standard uncertainty and 95 % interval to a number: R4 has no
// elements for them, HL7 an extension for the first, and the second is ours. The
// range of a prediction is its value.
func uncertain(v *trigonev1.MetricValue, q *fhir.Quantity) error {
	if q == nil {
		return nil
	}
	if sd := v.GetStandardUncertainty(); sd > 0 && !math.IsInf(sd, 0) {
		number := threeFigures(sd)
		q.Extension = append(q.Extension, fhir.Extension{Url: uncertaintyExtension, ValueDecimal: &number})
	}
	if v.Lower == nil || v.Upper == nil {
		return nil
	}
	low, err := quantity(v, v.GetLower())
	if err != nil {
		return err
	}
	high, err := quantity(v, v.GetUpper())
	if err != nil {
		return err
	}
	q.Extension = append(q.Extension, fhir.Extension{Url: intervalExtension, ValueRange: &fhir.Range{Low: low, High: high}})
	return nil
}

// threeFigures writes a number that is on no grid, without an exponent.
func threeFigures(x float64) json.Number {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64)
	if err != nil {
		rounded = x
	}
	return json.Number(strconv.FormatFloat(rounded, 'f', -1, 64))
}

// side is the side on which a limit bounds a leaf.
type side struct {
	leaf  valve.ID
	above bool // what exceeds the limit is beyond it
}

// limitSides names the limits that bound one leaf by themselves. Other limits are
// margins, ratios and counts, for which a range of a value would say nothing.
var limitSides = map[string]side{
	settings.CoaptationShort:        {valve.CoaptationLength, false},
	settings.CoaptationLong:         {valve.CoaptationLength, true},
	settings.GradientHigh:           {valve.MeanGradient, true},
	settings.GradientNotAccepted:    {valve.MeanGradient, true},
	settings.PeakNotAccepted:        {valve.PeakGradient, true},
	settings.GradientRateHigh:       {valve.GradientHeartRate, true},
	settings.OrificeAreaSmall:       {valve.PlanimetryOrificeArea, false},
	settings.OutflowGradientHigh:    {valve.OutflowTractGradient, true},
	settings.OutflowGradientActedOn: {valve.OutflowTractGradient, true},
	settings.PosteriorShareHigh:     {valve.PosteriorOrificeShare, true},
	settings.InkDepthShort:          {valve.InkDepthBeyondLine, false},
	settings.AnteriorInkDepthLong:   {valve.InkDepthBeyondLine, true},
	settings.CircumflexClose:        {valve.CircumflexToAnnulusDistance, false},
	settings.SystolicPressureLow:    {valve.SystolicArterialPressure, false},
}

// judged says where a value lies: its band, high or low by a caution, the range of
// that caution's limit, and the aim of the plan in force at the stage. A note says
// nothing here: its limit may be one from memory.
func (p *producer) judged(r reading) (verdict []fhir.CodeableConcept, ranges []fhir.ObservationReferenceRange) {
	v := r.value
	if v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || predicted(v.GetRole()) || p.likelySlip(v) {
		return nil, nil
	}
	if v.GetBand() != "" && slices.Contains(bandWords, v.GetBand()) {
		verdict = append(verdict, *local(bandSystem, bandCode(v.GetBand())))
	}
	if v.GetRole() != trigonev1.MetricRole_METRIC_ROLE_MEASURED {
		return verdict, nil
	}
	for _, f := range p.ev.GetFindings() {
		if f.GetSeverity() != trigonev1.Severity_SEVERITY_CAUTION || !slices.ContainsFunc(f.GetInputs(), func(in *trigonev1.InputValue) bool {
			return in.GetLeaf() == v.GetMetric() && in.GetPlace() == v.GetPlace() && in.GetOccasion() == v.GetOccasion() && in.GetRole() == v.GetRole()
		}) {
			continue
		}
		for _, l := range f.GetLimits() {
			s, ok := limitSides[l.GetThreshold()]
			if !ok || s.leaf != valve.ID(v.GetMetric()) || !beyond(v.GetValue(), l, s.above) {
				continue
			}
			code := "L"
			if s.above {
				code = "H"
			}
			concept := standard(interpretationSystem, code)
			if !slices.ContainsFunc(verdict, func(c fhir.CodeableConcept) bool { return *c.Coding[0].Code == code }) {
				verdict = append(verdict, *concept)
			}
			ranges = append(ranges, p.ruleRange(f, l, s))
		}
	}
	ranges = append(ranges, p.policyRanges(r, ranges)...)
	return verdict, append(ranges, p.targetRanges(r)...)
}

// likelySlip says whether an open slip questions a value: it is sent as recorded, and
// nothing is said of where it lies.
func (p *producer) likelySlip(v *trigonev1.MetricValue) bool {
	return slices.ContainsFunc(p.ev.GetFindings(), func(f *trigonev1.Finding) bool {
		return !f.GetConfirmed() && slices.ContainsFunc(f.GetQuestions(), func(in *trigonev1.InputValue) bool {
			return in.GetLeaf() == v.GetMetric() && in.GetPlace() == v.GetPlace() && in.GetOccasion() == v.GetOccasion() && in.GetRole() == v.GetRole()
		})
	})
}

// afterRepair are the limits that hold for every value of a leaf once the valve is
// repaired, at a place or anywhere; the others hold under conditions of their rule.
var afterRepair = []struct {
	limit string
	place valve.Place
}{
	{settings.CoaptationShort, valve.AtSlice(valve.A2P2)},
	{settings.GradientHigh, valve.Nowhere},
	{settings.OrificeAreaSmall, valve.Nowhere},
}

// policyRanges gives the limits of the policy for a value after the repair, but for
// those that a caution told already. A limit from memory is none.
func (p *producer) policyRanges(of reading, told []fhir.ObservationReferenceRange) []fhir.ObservationReferenceRange {
	if k := of.occasion.kind; len(told) > 0 || k != kindResult && k != kindFollowUp {
		return nil
	}
	var ranges []fhir.ObservationReferenceRange
	for _, a := range afterRepair {
		t, known := p.limits[a.limit]
		source, _ := settings.SourceByID(t.Source)
		s := limitSides[a.limit]
		if !known || source.Strength == settings.Memory || s.leaf != of.metric || string(a.place) != of.value.GetPlace() {
			continue
		}
		r := fhir.ObservationReferenceRange{Type: local(kindSystem, rangeOfPolicy)}
		if s.above {
			r.High = bound(s.leaf, &t.Value)
		} else {
			r.Low = bound(s.leaf, &t.Value)
		}
		r.Text = text(strings.Join(append(limitWords("Limit "+t.Name, t.Inclusive, t.Owner == settings.Site), "source: "+source.Citation), "; "))
		ranges = append(ranges, r)
	}
	return ranges
}

// limitWords says of a limit what it is, on which side its own value lies and whose
// it is.
func limitWords(what string, inclusive, ofSite bool) []string {
	words := []string{what, "the limit itself is beyond", "limit of the built-in table"}
	if inclusive {
		words[1] = "the limit itself is within"
	}
	if ofSite {
		words[2] = "limit of the site's policy"
	}
	return words
}

// beyond says whether a value lies beyond a limit: a finding may carry a limit that
// this value keeps.
func beyond(x float64, l *trigonev1.AppliedLimit, above bool) bool {
	if x == l.GetValue() {
		return !l.GetInclusive()
	}
	return (x > l.GetValue()) == above
}

// ruleRange gives the limit of a caution with its rule, its owner and its source.
func (p *producer) ruleRange(f *trigonev1.Finding, l *trigonev1.AppliedLimit, s side) fhir.ObservationReferenceRange {
	value := l.GetValue()
	r := fhir.ObservationReferenceRange{Type: local(kindSystem, rangeOfRule)}
	if s.above {
		r.High = bound(s.leaf, &value)
	} else {
		r.Low = bound(s.leaf, &value)
	}
	words := limitWords("Rule "+f.GetRule(), l.GetInclusive(), l.GetOwner() == trigonev1.LimitOwner_LIMIT_OWNER_SITE)
	for _, source := range p.ev.GetSources() {
		if source.GetId() == f.GetSource() {
			words = append(words, "source: "+source.GetCitation())
		}
	}
	r.Text = text(strings.Join(words, "; "))
	return r
}

// targetRanges gives the aims of the plan in force for a value in or after the
// operation.
func (p *producer) targetRanges(of reading) []fhir.ObservationReferenceRange {
	v := of.value
	var ranges []fhir.ObservationReferenceRange
	if !p.inForce || !of.occasion.inTheatre {
		return nil
	}
	for _, t := range p.plan.GetTargets() {
		x := aimOf(t)
		if x.leaf != valve.ID(v.GetMetric()) || string(x.place) != v.GetPlace() || stageOf(t) != v.GetStage() ||
			(t.GetMethod() != 0 && v.GetMethod() != 0 && t.GetMethod() != v.GetMethod()) || span(x.leaf, x.low, x.high) == nil {
			continue
		}
		ranges = append(ranges, fhir.ObservationReferenceRange{
			Low: bound(x.leaf, x.low), High: bound(x.leaf, x.high), Type: local(kindSystem, rangeOfTarget), Text: text(p.aimText()),
		})
	}
	return ranges
}

func (p *producer) aimText() string {
	return "Aim of the plan in force, revision " + strconv.FormatInt(p.ev.GetPlanInForce().GetRevision(), 10)
}

// gradeRange gives the worst grade that the plan in force aims at: a range in
// words.
func (p *producer) gradeRange(id string, in *occasion) []fhir.ObservationReferenceRange {
	if id != mitralGrade || !p.inForce || !in.inTheatre {
		return nil
	}
	for _, t := range p.plan.GetTargets() {
		x := aimOf(t)
		if x.grade == nil || stageOf(t) != in.stage {
			continue
		}
		if concept := gradeConcept(x.grade); concept != nil {
			return []fhir.ObservationReferenceRange{{
				Type: local(kindSystem, rangeOfTarget), Text: text(p.aimText() + ": at most " + spoken(concept)),
			}}
		}
	}
	return nil
}

// spoken gives the display of a concept of ours, or of its first coding.
func spoken(c *fhir.CodeableConcept) string {
	if c == nil {
		return ""
	}
	if c.Text != nil {
		return *c.Text
	}
	for i := len(c.Coding) - 1; i >= 0; i-- {
		if d := c.Coding[i].Display; d != nil {
			return *d
		}
	}
	return ""
}
