package fhirmap

import (
	"fmt"
	"strings"
	"sync"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// concept is a concept as it is published; where the display says all there is to
// say it has no definition.
type concept struct{ code, display, definition string }

// published gives the concepts of one of our code systems. Those of the rules come
// from their table, which keeps what is no longer in force.
func published(s CodeSystem) []concept { return publishedConcepts()[s.URL] }

var publishedConcepts = sync.OnceValue(func() map[string][]concept {
	all := map[string][]concept{}
	for _, s := range CodeSystems() {
		for _, c := range s.Concepts {
			all[s.URL] = append(all[s.URL], concept{c.Code, c.Display, definition(s.URL, c.Code)})
		}
	}
	for _, r := range rules.All() {
		all[ruleSystem] = append(all[ruleSystem], concept{r.ID, spaced(r.ID), r.Summary})
	}
	return all
})

// systemTitles say what the codes of a system are for; the last part of its URL is
// its id.
var systemTitles = map[string]string{
	metricSystem:      "Quantities of a mitral valve repair, measured, computed and predicted",
	figureSystem:      "Figures over many cases, and what is compared in them",
	placeSystem:       "Places in the mitral valve",
	stepSystem:        "Steps of a mitral valve repair",
	deviceSystem:      "Devices of a mitral valve repair",
	propertySystem:    "Properties and versions of devices",
	gradeSystem:       "Grades of regurgitation by named schemes",
	stageSystem:       "Stages of the operation",
	methodSystem:      "Methods of measurement",
	roleSystem:        "Where a value comes from",
	kindSystem:        "Kinds of a panel, and parts of a difference",
	reasonSystem:      "Reasons of a step's status",
	ruleSystem:        "Rules whose finding is a detected issue",
	findingSystem:     "Kinds of a finding",
	mitigationSystem:  "What was done about a contradiction",
	documentSystem:    "Kinds of a document",
	bandSystem:        "Bands of graded values",
	discrepancySystem: "Classes of a difference between plan and outcome",
	verdictSystem:     "Verdicts on a difference",
	detailSystem:      "Details of a planned step",
	indicationSystem:  "Indications of a repair",
	occasionSystem:    "Occasions at which a value was found",
	outcomeSystem:     "What is told in words of the operation and of the patient after it",
}

func codeSystemResource(s CodeSystem) codeSystemJSON {
	id := lastPart(s.URL)
	list := published(s)
	r := fhir.CodeSystem{
		Id: text(id), Url: text(s.URL), Version: counted(len(list), nil), Name: text(computable(id) + "Codes"), Title: text(systemTitles[s.URL]),
		Status: fhir.PublicationStatusActive, Publisher: text(publisher),
		Description:   text(systemTitles[s.URL] + ". Codes are never renamed, removed or given a second meaning; the version counts them."),
		CaseSensitive: pointer(true), Content: fhir.CodeSystemContentModeComplete, Count: pointer(len(list)),
	}
	r.Property = propertiesOf(s.URL)
	var concepts []conceptJSON
	for _, c := range list {
		concepts = append(concepts, conceptJSON{c.code, c.display, c.definition, measuredIn(s.URL, c.code)})
	}
	return codeSystemJSON{TypeCodeSystem, (*fhir.OtherCodeSystem)(&r), concepts}
}

// computable makes a name that a program can use: the R4 rule is a capital letter,
// then letters, digits and underscores.
func computable(id string) string {
	name := "Trigone"
	for _, word := range strings.Split(id, "-") {
		name += strings.ToUpper(word[:1]) + word[1:]
	}
	return name
}

// definition says what a code means, from the tables where they have it.
func definition(system, code string) string {
	switch system {
	case metricSystem:
		return metricDefinitions()[code]
	case placeSystem:
		return placeDefinitions()[code]
	case gradeSystem:
		return gradeDefinitions()[code]
	case outcomeSystem:
		return outcomeDefinitions[code]
	}
	if system == occasionSystem { // the stages among them mean what they mean there
		system = stageSystem
	}
	return definitions[systemCode{system, code}]
}

// definitions of words whose display is the word itself; they are those of the
// contract.
var definitions = map[systemCode]string{
	{stepSystem, "annuloplasty"}:            "A ring or band is sewn to the annulus.",
	{stepSystem, "artificial-chord"}:        "Artificial chords are placed between papillary muscle and leaflet.",
	{stepSystem, "chord-transfer"}:          "Native chords are moved to another place of a leaflet.",
	{stepSystem, "cleft-closure"}:           "A cleft or an indentation is closed.",
	{stepSystem, "commissural-closure"}:     "A commissure is closed along the free edge.",
	{stepSystem, "edge-to-edge"}:            "The free edges of both leaflets are sutured to each other.",
	{stepSystem, "height-reduction"}:        "The height of a leaflet is reduced.",
	{stepSystem, "leaflet-resection"}:       "Leaflet tissue is resected.",
	{stepSystem, "plication"}:               "The annulus is plicated.",
	{stepSystem, "sliding-plasty"}:          "The posterior leaflet is detached and advanced along the annulus.",
	{stepSystem, "further-technique"}:       "A technique outside the list, kind not stated.",
	{stepSystem, "decalcification"}:         "The annulus is decalcified.",
	{stepSystem, "patch"}:                   "A patch replaces missing tissue.",
	{stepSystem, "chord-shortening"}:        "Native chords are shortened.",
	{stepSystem, "papillary-repositioning"}: "A papillary muscle is moved.",
	{stepSystem, "chord-division"}:          "Secondary chords are divided.",
	{stepSystem, "perforation-suture"}:      "A perforation is sutured.",
	{stepSystem, "septal-resection"}:        "Septal muscle is resected.",

	{stageSystem, "native"}:             "Before any leaflet was cut.",
	{stageSystem, "after-leaflet-work"}: "After the work on leaflets and chords, before the ring.",
	{stageSystem, "after-ring"}:         "After the ring or band, heart still arrested.",
	{stageSystem, "off-bypass"}:         "Off bypass.",
	{stageSystem, "leaving-theatre"}:    "On leaving theatre; the last set of this stage is the exit.",

	{methodSystem, "echo-2d"}:            "Two-dimensional echocardiography.",
	{methodSystem, "echo-3d"}:            "Three-dimensional echocardiography.",
	{methodSystem, "doppler"}:            "Doppler echocardiography.",
	{methodSystem, "m-mode"}:             "M-mode echocardiography.",
	{methodSystem, "ct"}:                 "Computed tomography.",
	{methodSystem, "magnetic-resonance"}: "Cardiac magnetic resonance.",
	{methodSystem, "ruler"}:              "Ruler in the operating field.",
	{methodSystem, "calliper"}:           "Calliper in the operating field.",
	{methodSystem, "sizer"}:              "Ring sizer held against the valve.",
	{methodSystem, "catheter"}:           "Pressure by catheter.",
	{methodSystem, "visual"}:             "Estimate by eye.",
}

// outcomeDefinitions are those of the contract, where a display is not all there is
// to say: what a kind and a grade of a complication mean by their default definition.
var outcomeDefinitions = map[string]string{
	factVitalStatus:  "Whether the patient was alive on that day. Components: date, class of cause and place of a death; whether the lists of events up to that day are all there were, without which none cannot be told from not asked.",
	factContact:      "Whether contact with the patient was kept or lost by that day.",
	factComplication: "A complication, by its kind. Components: its grade, and the definition by which kind and grade were told.",
	factApproach:     "The last way to the heart. Components: the first one and why it was changed, where it was.",
}

var metricDefinitions = sync.OnceValue(func() map[string]string {
	all := map[string]string{}
	for _, l := range metric.Leaves() {
		all[metricCode(l.ID, trigonev1.MetricRole_METRIC_ROLE_MEASURED)] = "Measured" + inUnit(l.Unit) + "."
	}
	for _, m := range metric.Metrics() {
		source, _ := settings.SourceByID(m.Source)
		all[metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_DERIVED)] = fmt.Sprintf("Computed%s: %s. Source: %s.",
			inUnit(m.Unit), strings.TrimSuffix(m.Formula, "."), strings.TrimSuffix(source.Citation, "."))
		if !strings.HasPrefix(string(m.ID), predictedWord) {
			all[metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN)] = fmt.Sprintf(
				"What %s computes, from predicted values%s: a range of a model, not a measurement.",
				metricCode(m.ID, trigonev1.MetricRole_METRIC_ROLE_DERIVED), inUnit(m.Unit))
		}
	}
	for _, g := range gradeNames {
		all[metricCode(g.Code, trigonev1.MetricRole_METRIC_ROLE_MEASURED)] = "A word of a named scheme; grades are ordered only inside one scheme."
	}
	all[hyphened(gradeAtMost)] = "Aim of a plan: the grade that is not to be exceeded."
	return all
})

func inUnit(u units.Unit) string {
	if u == units.One {
		return ", without a unit"
	}
	return ", in " + u.UCUM() + " (UCUM)"
}

var stationDefinitions = map[valve.Station]string{
	valve.SegmentMid:      "the middle of the segment",
	valve.Seam:            "the closed suture line of a resection",
	valve.SeamLateralEdge: "the lateral edge of a suture line, before it is closed",
	valve.SeamMedialEdge:  "the medial edge of a suture line, before it is closed",
}

var placeDefinitions = sync.OnceValue(func() map[string]string {
	all := map[string]string{}
	add := func(p valve.Place, text string) { all[hyphened(string(p))] = text }
	for _, s := range valve.Segments() {
		leaflet := string(s.Leaflet())
		kind := "Segment of the " + leaflet + " leaflet; 1 is lateral, 3 medial."
		if valve.AtSegment(s) == valve.AtCommissure(valve.LateralCommissure) || valve.AtSegment(s) == valve.AtCommissure(valve.MedialCommissure) {
			kind = "Commissure."
		}
		add(valve.AtSegment(s), kind)
		for station, where := range stationDefinitions {
			add(valve.AtStation(s, station), "On "+placeDisplay(valve.AtSegment(s))+", at "+where+".")
		}
		for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
			add(valve.AtSegmentSide(s, side), "The "+string(side)+" part of "+placeDisplay(valve.AtSegment(s))+".")
		}
	}
	for _, b := range []valve.Boundary{valve.A1A2, valve.A2A3, valve.P1P2, valve.P2P3} {
		add(valve.AtBoundary(b), "Where two segments of one leaflet meet; the place of a cleft.")
	}
	for _, c := range []valve.Commissure{valve.LateralCommissure, valve.MedialCommissure} {
		add(valve.AtCommissure(c), "Where the two leaflets meet, on the side named, with the tissue between them.")
	}
	for _, l := range []valve.Leaflet{valve.Anterior, valve.Posterior} {
		add(valve.AtLeaflet(l), "The whole leaflet.")
	}
	for _, s := range []valve.Slice{valve.A1P1, valve.A2P2, valve.A3P3} {
		add(valve.AtSlice(s), "Antero-posterior slice through two segments that face each other.")
	}
	for _, s := range []valve.Side{valve.Lateral, valve.Medial} {
		add(valve.AtSide(s), "Everything on that side of the middle of the valve.")
	}
	return all
})

var gradeDefinitions = sync.OnceValue(func() map[string]string {
	all := map[string]string{}
	for _, g := range allGrades() {
		code, _ := gradeCode(g)
		rank, _ := g.Rank()
		side := "mild or less"
		if moderate, _ := g.ModerateOrMore(); moderate {
			side = "moderate or more"
		}
		all[code] = fmt.Sprintf("Rank %d of the %s scheme, which counts as %s.", rank, spaced(g.Scheme), side)
	}
	return all
})

// allGrades gives every grade of every scheme.
func allGrades() []repair.Grade {
	var list []repair.Grade
	values := trigonev1.GradeValue(0).Descriptor().Values()
	for _, scheme := range []string{repair.FiveStep, repair.SplitModerate, repair.PlusSigns} {
		for i := range values.Len() {
			g := repair.Grade{Scheme: scheme, Value: enumWord(string(values.Get(i).Name()), valuePrefix)}
			if g.Known() {
				list = append(list, g)
			}
		}
	}
	return list
}
