package pages

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/draw"
	"trigone/internal/picture"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

var casePage = page{
	route: "/cases/{uid}", view: "case.html", ofRecord: true,
	reads:  trigonev1.RecordService_GetCase_FullMethodName,
	answer: answerCase,
}

// revisionsShown is how many revisions a page lists, the newest first.
const revisionsShown = 100

type caseContent struct {
	Facts           []fact
	Papers          []link
	UID             string
	Try             string // where a plan is tried from its assessments; empty: not
	State           string // empty: active
	Erased          string
	Open            []string // contradictions, as they are told
	Drawings        []drawing
	Things          string
	InForce, Timing string
	Compared        []comparedThing
	Counted         string
	Findings        []severityGroup
	Predicted       []render.Predicted
	NotPredicted    []reason
	Model           string
	Measured        []occasionValues
	Without         int
	Gaps            string
	Suggestions     []string
	Sections        []sectionLine
	Revisions       []revisionLine
	More            bool
	Versions        string
	Evaluated       string
	Zone            string
}

// drawing is a picture of the case with what it shows.
type drawing struct {
	Picture template.HTML
	Shows   string
}

// severityGroup are the findings of one severity.
type severityGroup struct {
	Severity string
	Findings []foundThing
}

// foundThing is a finding with those that stand under it.
type foundThing struct {
	Finding                                  *trigonev1.Finding
	Name, Where, Limits, Source              string
	SourceAddress, RuleAddress, Class, Cause string
	Under                                    []foundThing
}

// occasionValues are the values of one occasion.
type occasionValues struct {
	Name   string
	Values []measuredValue
}

type measuredValue struct {
	render.Measured
	Address string // of what it means
}

type fact struct{ Name, Value string }

// comparedThing is a thing planned with its comparisons; or the predictions, or the
// limits.
type comparedThing struct {
	Name string
	Rows []render.Compared
}

// reason is why something is not predicted.
type reason struct {
	Why  string
	What []string
}

type sectionLine struct{ Section, State, Received, Source, Revision string }

type revisionLine struct{ Section, Revision, Received, By, What string }

// ref names the case of an address.
func (v *visit) ref() *trigonev1.CaseReference {
	return &trigonev1.CaseReference{Name: "sites/" + v.rooms.Site + "/cases/" + v.part("uid")}
}

// isKind says whether an error is a refusal of a kind.
func isKind(err error, kind casebook.Kind) bool {
	var refusal *casebook.Error
	return errors.As(err, &refusal) && refusal.Kind == kind
}

func answerCase(v *visit) (view, error) {
	got, err := v.rooms.Book.GetCase(v.ctx(), v.who(), &trigonev1.GetCaseRequest{Case: v.ref()})
	if err != nil {
		return view{}, noSuchCase(err)
	}
	zone := v.zone()
	c, e := got.GetCase(), got.GetCase().GetEvaluation()
	content := caseContent{
		Facts: factsOf(c, zone), Papers: v.papers(),
		Things: render.ThingsPlanned(e), Counted: render.CountedFindings(e),
		Model: words.Sentence(words.Capital(convert.Calibrated(e.GetMetrics()).Label())), Versions: render.Versions(e), Evaluated: when(e.GetTime(), zone), Zone: zone.String(),
		Timing: cmp.Or(e.GetPlanInForce().GetExplanation(), "no plan was received"), Erased: when(c.GetErasedTime(), zone),
	}
	if c.GetState() != trigonev1.CaseState_CASE_STATE_ACTIVE {
		content.State = render.Word(c.GetState())
	} else if len(c.GetCaseFile().GetAssessments()) > 0 && v.may(PageRight(tryPath)) {
		content.UID, content.Try = v.part("uid"), v.address(tryPath)
	}
	if n := e.GetPlanInForce().GetRevision(); n > 0 {
		content.InForce = fmt.Sprintf("Plan revision %d is in force", n)
	} else {
		content.InForce = "No plan is in force"
	}
	cited := map[string]string{}
	for _, s := range e.GetSources() {
		cited[s.GetId()] = s.GetCitation()
	}
	for _, group := range render.ArrangedFindings(e) {
		list := severityGroup{Severity: words.Capital(render.Word(group.Severity))}
		for _, f := range group.Findings {
			if group.Severity == trigonev1.Severity_SEVERITY_CONTRADICTION && !f.GetConfirmed() {
				content.Open = append(content.Open, f.GetMessage())
			}
			one := v.found(f.Finding, cited)
			if f.Cause != nil {
				one.Cause = words.Spaced(f.Cause.GetRule())
			}
			for _, child := range f.Under {
				one.Under = append(one.Under, v.found(child, cited))
			}
			list.Findings = append(list.Findings, one)
		}
		content.Findings = append(content.Findings, list)
	}
	if content.Erased == "" {
		if content.Drawings, err = v.drawings(c); err != nil {
			return view{}, err
		}
	}
	content.Compared = comparedThings(c.GetCaseFile(), e)
	for _, p := range render.PredictedRows(e) {
		if p.Why == "" {
			content.Predicted = append(content.Predicted, p)
			continue
		}
		i := slices.IndexFunc(content.NotPredicted, func(r reason) bool { return r.Why == p.Why })
		if i < 0 {
			i, content.NotPredicted = len(content.NotPredicted), append(content.NotPredicted, reason{Why: p.Why})
		}
		content.NotPredicted[i].What = append(content.NotPredicted[i].What, strings.TrimSpace(p.What+" "+p.Place))
	}
	measured, without := render.MeasuredRows(e)
	for _, at := range measured {
		list := occasionValues{Name: words.Capital(render.Occasion(at.Occasion))}
		for _, m := range at.Values {
			list.Values = append(list.Values, measuredValue{m, v.address(metricsPath) + "#" + m.Metric})
		}
		content.Measured = append(content.Measured, list)
	}
	content.Without = without
	content.Gaps, content.Suggestions = render.Gaps(e)
	if err := v.versions(&content, c, zone); err != nil {
		return view{}, err
	}
	shown := view{title: "Case", content: content}
	shown.invented, err = v.rooms.Book.Invented(v.ctx())
	return shown, err
}

func (v *visit) found(f *trigonev1.Finding, cited map[string]string) foundThing {
	one := foundThing{
		Finding: f, Name: words.Capital(words.Spaced(f.GetRule())), RuleAddress: v.address(rulesPath) + "#" + f.GetRule(), Where: render.FindingWhere(f), Class: render.Word(f.GetSeverity()),
		Source: cmp.Or(cited[f.GetSource()], f.GetSource()), SourceAddress: v.address(sourcesPath) + "#" + f.GetSource(),
	}
	var limits []string
	for _, l := range f.GetLimits() {
		limits = append(limits, render.Limit(l))
	}
	one.Limits = strings.Join(limits, "; ")
	return one
}

// factsOf says whose case it is, and of when.
func factsOf(c *trigonev1.Case, zone *time.Location) []fact {
	list := []fact{{"Case number", numberOf(c.GetCaseFile().GetExternalIdentifier())}}
	add := func(name, value string) {
		if value != "" {
			list = append(list, fact{name, value})
		}
	}
	add("Patient", c.GetCaseFile().GetPatientIdentifier().GetValue())
	id := c.GetCaseFile().GetIdentity()
	add("Sex", render.Word(id.GetSex()))
	if id != nil && id.AgeYears != nil { // who a patient is may be erased
		add("Age at the operation", strconv.Itoa(int(id.GetAgeYears()))+" years")
	}
	add("Incision", when(c.GetCaseFile().GetOperation().GetIncisionTime(), zone))
	add("Opened", when(c.GetOpenedTime(), zone))
	add("Changed", when(c.GetChangedTime(), zone))
	add("Version of the case", strconv.FormatInt(c.GetCaseVersion(), 10))
	return list
}

// papers are what is made of the case for others.
func (v *visit) papers() []link {
	var list []link
	for _, p := range []struct{ route, name string }{
		{noteRoute, "Operative note"}, {noteFileRoute, "Operative note as PDF"}, {bundleRoute, "FHIR bundle"},
	} {
		if v.may(PageRight(p.route)) {
			list = append(list, link{Name: p.name, Address: v.address(strings.Replace(p.route, "{uid}", v.part("uid"), 1))})
		}
	}
	return list
}

// drawings draws the case as its newest evaluation told it.
func (v *visit) drawings(c *trigonev1.Case) ([]drawing, error) {
	var plans []convert.PlanRevision
	req := &trigonev1.ListRevisionsRequest{Case: v.ref(), Section: convert.SectionPlan, PageSize: revisionsShown}
	for c.GetCaseFile().GetPlan() != nil {
		list, err := v.rooms.Book.ListRevisions(v.ctx(), v.who(), req)
		if err != nil {
			return nil, err
		}
		for _, r := range list.GetRevisions() {
			if r.GetRetraction() {
				plans = nil
				continue
			}
			plans = append(plans, convert.PlanRevision{Revision: r.GetRevision(), Received: r.GetReceivedTime().AsTime(), Plan: r.GetContent().GetPlan()})
		}
		if req.PageToken = list.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	subject := convert.Drawn(convert.RecordOf(c.GetCaseFile(), plans...), c.GetEvaluation())
	var list []drawing
	for _, d := range draw.Drawings() {
		list = append(list, drawing{template.HTML(picture.SVG(d.Of(subject))), words.Sentence(words.Capital(d.Shows))}) //nolint:gosec // made by draw, which escapes what it writes
	}
	return list, nil
}

// comparedThings gives the comparisons by what was planned, in the order of the case:
// steps, rings, heights, aims; then what was predicted, and the limits.
func comparedThings(file *trigonev1.CaseFile, e *trigonev1.Evaluation) []comparedThing {
	var out []comparedThing
	at := map[string]int{}
	for _, c := range e.GetComparisons() {
		key, name := c.GetThingPlanned(), thingName(file, c.GetThingPlanned())
		if key == "" {
			name = besideThings(c)
			key = "beside " + name
		}
		i, seen := at[key]
		if !seen {
			i = len(out)
			at[key], out = i, append(out, comparedThing{Name: name})
		}
		out[i].Rows = append(out[i].Rows, render.ComparedRow(c))
	}
	slices.SortStableFunc(out, func(a, b comparedThing) int { return cmp.Compare(rankOf(a.Name), rankOf(b.Name)) })
	return out
}

const (
	predictions = "Predictions"
	siteLimits  = "Limits of the site"
	restOfCase  = "The operation as a whole"
)

func besideThings(c *trigonev1.Comparison) string {
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION,
		trigonev1.ComparisonKind_COMPARISON_KIND_EXPECTED_GRADIENT:
		return predictions
	case trigonev1.ComparisonKind_COMPARISON_KIND_SITE_LIMIT:
		return siteLimits
	}
	return restOfCase
}

func rankOf(name string) int {
	return 1 + slices.Index([]string{restOfCase, predictions, siteLimits}, name)
}

// thingName says in words what was planned: step:{id}, ring:{id}, height:{place} or
// aim:{id}.
func thingName(file *trigonev1.CaseFile, thing string) string {
	kind, id, _ := strings.Cut(thing, ":")
	switch kind {
	case "step", "ring":
		for _, s := range file.GetPlan().GetSteps() {
			if s.GetId() == id {
				return words.Capital(kind) + " " + id + techniqueOf(s.GetTechnique())
			}
		}
	case "height":
		return "Height " + render.Place(id)
	}
	return words.Capital(kind) + " " + id
}

func techniqueOf(t *trigonev1.Technique) string {
	m := t.ProtoReflect()
	if !m.IsValid() {
		return ""
	}
	one := m.Descriptor().Oneofs()
	for i := range one.Len() {
		if set := m.WhichOneof(one.Get(i)); set != nil {
			return ": " + words.Spaced(string(set.Name()))
		}
	}
	return ""
}

// versions tells the sections as they stand, and what was sent before.
func (v *visit) versions(content *caseContent, c *trigonev1.Case, zone *time.Location) error {
	for _, s := range c.GetSections() {
		state := render.Word(s.GetState())
		if s.GetRetractionReason() != 0 {
			state += ": " + render.Word(s.GetRetractionReason())
		}
		content.Sections = append(content.Sections, sectionLine{
			render.Occasion(s.GetSection()), state, when(s.GetReceivedTime(), zone), when(s.GetSourceTime(), zone), strconv.FormatInt(s.GetRevision(), 10),
		})
	}
	if !v.may(trigonev1.RecordService_ListRevisions_FullMethodName) || content.Erased != "" {
		return nil
	}
	list, err := v.rooms.Book.ListRevisions(v.ctx(), v.who(), &trigonev1.ListRevisionsRequest{Case: v.ref(), PageSize: revisionsShown})
	if err != nil {
		return err
	}
	for _, r := range slices.Backward(list.GetRevisions()) {
		what := "replaced since"
		if r.GetHead() {
			what = "stands"
		}
		if r.GetRetraction() {
			what = "retraction: " + render.Word(r.GetRetractionReason())
		}
		content.Revisions = append(content.Revisions, revisionLine{
			render.Occasion(r.GetSection()), strconv.FormatInt(r.GetRevision(), 10), when(r.GetReceivedTime(), zone), r.GetCaller(), what,
		})
	}
	content.More = list.GetNextPageToken() != ""
	return nil
}

const (
	noteRoute     = "/cases/{uid}/note"
	noteFileRoute = "/cases/{uid}/note.pdf"
	bundleRoute   = "/cases/{uid}/bundle"
)

// The papers of a case: its operative note to read and to keep, and its bundle.
var (
	notePage = page{
		route: noteRoute, ofRecord: true,
		reads: trigonev1.ElectronicRecordService_GetOperativeNote_FullMethodName,
		answer: func(v *visit) (view, error) {
			return noteOf(v, trigonev1.NoteFormat_NOTE_FORMAT_HTML, "")
		},
	}
	noteFilePage = page{
		route: noteFileRoute, ofRecord: true,
		reads: trigonev1.ElectronicRecordService_GetOperativeNote_FullMethodName,
		answer: func(v *visit) (view, error) {
			return noteOf(v, trigonev1.NoteFormat_NOTE_FORMAT_PDF, "operative-note.pdf")
		},
	}
	bundlePage = page{
		route: bundleRoute, ofRecord: true,
		reads: trigonev1.ElectronicRecordService_GetBundle_FullMethodName,
		answer: func(v *visit) (view, error) {
			got, err := v.rooms.Desk.GetBundle(v.ctx(), v.who(), &trigonev1.GetBundleRequest{Case: v.ref()})
			if err != nil {
				return view{}, noSuchCase(err)
			}
			return view{file: &file{name: "bundle.json", media: got.GetMediaType(), body: []byte(got.GetBundle())}}, nil
		},
	}
)

func noteOf(v *visit, format trigonev1.NoteFormat, name string) (view, error) {
	got, err := v.rooms.Desk.GetOperativeNote(v.ctx(), v.who(), &trigonev1.GetOperativeNoteRequest{
		Case: v.ref(), Format: format, Annex: v.asked().Get("annex") == "1",
	})
	if err != nil {
		return view{}, noSuchCase(err)
	}
	return view{file: &file{name: name, media: got.GetMediaType(), body: got.GetContent(), policy: policyOf(got.GetContent())}}, nil
}

// noSuchCase answers an address that is no uid as that of a case that there is not.
func noSuchCase(err error) error {
	if isKind(err, casebook.Invalid) {
		return casebook.Refuse(casebook.NotFound, "", "there is no such case")
	}
	return err
}

var styleElement = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// policyOf lets a document that carries its own style use it, by its hash, and nothing
// else.
func policyOf(document []byte) string {
	styles := ""
	for _, m := range styleElement.FindAllSubmatch(document, -1) {
		sum := sha256.Sum256(m[1])
		styles += " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	if styles == "" {
		styles = " 'none'"
	}
	return "default-src 'none'; style-src" + styles + "; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}
