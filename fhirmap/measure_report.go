package fhirmap

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// Types of figures over many cases as resources. They are of no case, and none of
// ResourceTypes: no bundle and no export has them.
const (
	TypeMeasure       = "Measure"
	TypeMeasureReport = "MeasureReport"
)

// Measures of ours, by id.
const measureAgreement = "agreement"

const (
	figureSystem = Base + "/CodeSystem/figure"
	// siteSystem is that of the names of sites, which are the deployment's.
	siteSystem = Base + "/site"
	// populationSystem has the codes that R4 binds populations of a measure to.
	populationSystem = "http://terminology.hl7.org/CodeSystem/measure-population"
)

// The statistics of agreement, each a group of its own: a group has one score.
var agreementFigures = []struct {
	code, display string
	of            func(*trigonev1.Agreement) *trigonev1.Figure
	// unit of the score, where it is not that of the quantity.
	unit string
}{
	{"bias", "Mean of measured minus planned or predicted", (*trigonev1.Agreement).GetBias, ""},
	{"sd", "Standard deviation of the differences", (*trigonev1.Agreement).GetSd, ""},
	{"lower-limit", "Lower 95 % limit of agreement", (*trigonev1.Agreement).GetLowerLimit, ""},
	{"upper-limit", "Upper 95 % limit of agreement", (*trigonev1.Agreement).GetUpperLimit, ""},
	{"mean-absolute", "Mean of the differences without their sign", (*trigonev1.Agreement).GetMeanAbsolute, ""},
	{"root-mean-square", "Root of the mean squared difference", (*trigonev1.Agreement).GetRootMeanSquare, ""},
	{"slope", "Slope of the difference on the plan, or on the mean of both sides for predictions", (*trigonev1.Agreement).GetSlope, "1"},
	{"concordance", "Concordance correlation coefficient, never to be compared between strata or sites", (*trigonev1.Agreement).GetConcordance, "1"},
}

// The shares of agreement, with numerator and denominator.
var agreementShares = []struct {
	code, display string
	of            func(*trigonev1.Agreement) *trigonev1.ShareFigure
}{
	{"within-tolerance", "Share of pairs within the tolerance that they were judged by", (*trigonev1.Agreement).GetWithinTolerance},
	{"label-as-planned", "Share of labels of rings as planned", (*trigonev1.Agreement).GetExact},
	{"label-within-one-size", "Share of labels of rings as planned or the next size of the family", (*trigonev1.Agreement).GetWithinOneSize},
	{"inside-range", "Share of measured values inside the range aimed at or predicted", func(a *trigonev1.Agreement) *trigonev1.ShareFigure { return a.GetInRange().GetInside() }},
}

func figureConcepts() []Concept {
	var list []Concept
	for _, f := range agreementFigures {
		list = append(list, Concept{f.code, f.display})
	}
	for _, f := range agreementShares {
		list = append(list, Concept{f.code, f.display})
	}
	return append(list, prefixedConcepts(trigonev1.ComparisonKind(0).Descriptor())...)
}

// Codes of populations: HL7 FHIR R4 4.0.1, value set measure-population.
var (
	initialPopulation = coded(populationSystem, "initial-population", "Initial Population")
	numerator         = coded(populationSystem, "numerator", "Numerator")
	denominator       = coded(populationSystem, "denominator", "Denominator")
	measurePopulation = coded(populationSystem, "measure-population", "Measure Population")
)

type (
	measureJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherMeasure
	}
	measureReportJSON struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherMeasureReport
	}
)

// measures says what the reports are of.
func measures() []fhir.Measure {
	const about = "How far measured values lie from planned, aimed at and predicted ones, over the cases of a site: a group for each statistic of each quantity, place, stage and method."
	return []fhir.Measure{{
		Id: text(measureAgreement), Url: text(canonical(TypeMeasure, measureAgreement)), Version: text("1"), Name: text(computable(measureAgreement)), Title: text("Agreement of plan and outcome"),
		Status: fhir.PublicationStatusActive, Publisher: text(publisher), Description: text(about),
	}}
}

// AgreementReport gives an answer of SummarizeAgreement as a summary MeasureReport, with
// the names that the site has for what is ours. Each statistic is a group with what it is
// of in extensions, its populations and its score; the interval of the score stands in the
// extension interval-95. A figure that could not be told has no group: the narrative has
// every sentence, and says why. What is given for a word, as a stratum, is a stratum of
// the group of the whole.
func (s Site) AgreementReport(r *trigonev1.SummarizeAgreementResponse) (Resource, error) {
	c := r.GetContext()
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return Resource{}, fmt.Errorf("the figures of agreement: %w", err)
	}
	of := hashOf("figures", string(content))
	var id uuid.UUID
	copy(id[:], of[:])
	asOf := c.GetAsOf().AsTime().UTC().Format(time.RFC3339)
	out := fhir.MeasureReport{
		Id: text(versionEight(id).String()), Status: fhir.MeasureReportStatusComplete, Type: fhir.MeasureReportTypeSummary,
		Measure: canonical(TypeMeasure, measureAgreement) + "|1", Date: &asOf, Period: fhir.Period{End: &asOf},
		Reporter: logical(siteSystem, strings.TrimPrefix(c.GetParent(), "sites/")),
	}
	if from := c.GetFilter().GetIncisionFrom(); from != nil {
		out.Period.Start = text(from.AsTime().UTC().Format(time.RFC3339))
	}
	if before := c.GetFilter().GetIncisionBefore(); before != nil && before.AsTime().Before(c.GetAsOf().AsTime()) {
		out.Period.End = text(before.AsTime().Add(-time.Second).UTC().Format(time.RFC3339))
	}
	sentences := []string{fmt.Sprintf("Of %d cases operated on, %d have a comparison that counts.", r.GetEligibleCaseCount(), r.GetComparedCaseCount())}
	for _, l := range r.GetLeftOut() {
		sentences = append(sentences, fmt.Sprintf("Left out: %d, %s.", l.GetCount(), strings.ReplaceAll(l.GetReason(), "_", " ")))
	}
	// The whole comes before its strata.
	groups := map[string]int{}
	for _, a := range r.GetAgreements() {
		lead := ""
		if a.GetStratum() != nil {
			lead = a.GetStratum().GetKind() + " " + a.GetStratum().GetWord() + ": "
		}
		sentences = append(sentences, lead+a.GetSentence())
		if err := addAgreement(&out, groups, a); err != nil {
			return Resource{}, err
		}
	}
	if c.GetInvented() {
		sentences = append([]string{"Invented cases: nothing here is a real person or hospital."}, sentences...)
	}
	out.Text = narrative(strings.Join(append(sentences, c.GetCaution()), " "))
	res, err := encoded(TypeMeasureReport, *out.Id, measureReportJSON{TypeMeasureReport, (*fhir.OtherMeasureReport)(&out)})
	res.JSON = s.Named(res.JSON)
	return res, err
}

func addAgreement(out *fhir.MeasureReport, groups map[string]int, a *trigonev1.Agreement) error {
	key := fmt.Sprint(a.GetKind(), a.GetMetric(), a.GetPlace(), a.GetStage(), a.GetMethod(), a.GetUnit(), a.GetFormulaNumber(), a.GetMetricFormulaNumber(), a.GetPredictionFormulaNumber(), a.GetCalibrationId())
	add := func(code, display string, score *fhir.Quantity, populations ...fhir.MeasureReportGroupPopulation) {
		if a.GetStratum() != nil {
			if i, ok := groups[key+code]; ok {
				addStratum(&out.Group[i], a.GetStratum(), score, populations)
			}
			return
		}
		groups[key+code] = len(out.Group)
		out.Group = append(out.Group, fhir.MeasureReportGroup{
			Extension: figureOf(a), Code: &fhir.CodeableConcept{Coding: []fhir.Coding{coded(figureSystem, code, display)}}, Population: populations, MeasureScore: score,
		})
	}
	population := func(code fhir.Coding, n int32) fhir.MeasureReportGroupPopulation {
		return fhir.MeasureReportGroupPopulation{Code: &fhir.CodeableConcept{Coding: []fhir.Coding{code}}, Count: pointer(int(n))}
	}
	patients := population(initialPopulation, a.GetPatientCount())
	for _, f := range agreementFigures {
		unit := f.unit
		if unit == "" {
			unit = a.GetUnit()
		}
		score, err := scoreOf(f.of(a), unit)
		if err != nil {
			return err
		}
		if score != nil {
			add(f.code, f.display, score, patients, population(measurePopulation, a.GetPairCount()))
		}
	}
	for _, f := range agreementShares {
		share := f.of(a)
		if share.GetOf() == 0 {
			continue
		}
		score, err := scoreOf(share.GetShare(), "1")
		if err != nil {
			return err
		}
		add(f.code, f.display, score, patients, population(denominator, share.GetOf()), population(numerator, share.GetCount()))
	}
	return nil
}

func addStratum(g *fhir.MeasureReportGroup, of *trigonev1.Stratum, score *fhir.Quantity, populations []fhir.MeasureReportGroupPopulation) {
	i := 0
	for i < len(g.Stratifier) && *g.Stratifier[i].Code[0].Text != of.GetKind() {
		i++
	}
	if i == len(g.Stratifier) {
		g.Stratifier = append(g.Stratifier, fhir.MeasureReportGroupStratifier{Code: []fhir.CodeableConcept{{Text: text(of.GetKind())}}})
	}
	stratum := fhir.MeasureReportGroupStratifierStratum{Value: &fhir.CodeableConcept{Text: text(of.GetWord())}, MeasureScore: score}
	for _, p := range populations {
		stratum.Population = append(stratum.Population, fhir.MeasureReportGroupStratifierStratumPopulation{Code: p.Code, Count: p.Count})
	}
	g.Stratifier[i].Stratum = append(g.Stratifier[i].Stratum, stratum)
}

// figureOf says what a figure is of: what is compared, the quantity, its place, stage and
// method, each where there is one, and by which formulas.
func figureOf(a *trigonev1.Agreement) []fhir.Extension {
	var list []fhir.Extension
	add := func(system, code, word string) {
		if word == "" {
			return
		}
		concept := &fhir.CodeableConcept{Text: text(word)}
		if display, known := localIndex()[systemCode{system, code}]; known {
			concept = &fhir.CodeableConcept{Coding: []fhir.Coding{coded(system, code, display)}}
		}
		list = append(list, fhir.Extension{Url: figureOfExtension, ValueCodeableConcept: concept})
	}
	role := trigonev1.MetricRole_METRIC_ROLE_UNSPECIFIED
	add(figureSystem, enumCode(a.GetKind().Descriptor(), a.GetKind().Number()), strings.ToLower(strings.TrimPrefix(a.GetKind().String(), "COMPARISON_KIND_")))
	add(metricSystem, metricCode(a.GetMetric(), role), a.GetMetric())
	add(placeSystem, hyphened(a.GetPlace()), a.GetPlace())
	if a.GetStage() != trigonev1.Stage_STAGE_UNSPECIFIED {
		add(stageSystem, stageCode(a.GetStage()), stageCode(a.GetStage()))
	}
	if a.GetMethod() != trigonev1.Method_METHOD_UNSPECIFIED {
		add(methodSystem, methodCode(a.GetMethod()), methodCode(a.GetMethod()))
	}
	// Lines with different numbers are not the same figure.
	add("", "", fmt.Sprintf("formula %d of the comparison, %d of the metric, %d of the prediction", a.GetFormulaNumber(), a.GetMetricFormulaNumber(), a.GetPredictionFormulaNumber()))
	if a.GetCalibrationId() != "" {
		add("", "", "calibration "+a.GetCalibrationId())
	}
	return list
}

// scoreOf gives a figure with its interval; nil: there is none.
func scoreOf(f *trigonev1.Figure, unit string) (*fhir.Quantity, error) {
	if f == nil || f.Value == nil {
		return nil, nil
	}
	name, known := unitTexts()[unit]
	if unit != "" && !known {
		return nil, fmt.Errorf("a figure has the unit %q, which the table of units does not hold", unit)
	}
	quantity := func(x float64) (*fhir.Quantity, error) {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("a figure is no finite number")
		}
		number := json.Number(strconv.FormatFloat(x, 'f', -1, 64))
		q := &fhir.Quantity{Value: &number}
		if unit != "" {
			q.Unit, q.System, q.Code = text(name), text(ucum), text(unit)
		}
		return q, nil
	}
	score, err := quantity(f.GetValue())
	if err != nil || f.Lower == nil || f.Upper == nil {
		return score, err
	}
	low, err := quantity(f.GetLower())
	if err != nil {
		return nil, err
	}
	high, err := quantity(f.GetUpper())
	if err != nil {
		return nil, err
	}
	score.Extension = []fhir.Extension{{Url: intervalExtension, ValueRange: &fhir.Range{Low: low, High: high}}}
	return score, nil
}
