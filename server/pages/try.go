package pages

import (
	"errors"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/casebook"
	"trigone/internal/casefile"
	"trigone/internal/convert"
	"trigone/internal/draw"
	"trigone/internal/picture"
	"trigone/internal/render"
	"trigone/internal/trialplan"
	trigonev1 "trigone/proto/trigone/v1"
)

// tryPage answers a plan that somebody types in. It keeps nothing: what was typed comes
// back with the answer, and stands in no address.
var tryPage = page{
	route: tryPath, name: "Try a plan", group: casesPages, about: "a plan that is typed in; nothing of it is kept", view: "try.html",
	reads: trigonev1.PlanningService_EvaluatePlan_FullMethodName,
	form:  true, ofRecord: true,
	answer: tryPlan,
}

// firstWords stand above everything else on the page.
const firstWords = "This page repeats simple geometry on the numbers you type. Its range is wide and has not been tested against repaired hearts. " +
	"It does not know chords, tissue or function. It is not advice, chooses nothing, keeps nothing."

// What the buttons of the form ask for.
const (
	doField    = "do"
	doAnswer   = "answer"
	doDownload = "download"
	doEmpty    = "empty"
	doCase     = "case"
	doTemplate = "template:"

	tryPath   = "/try"
	caseField = "from_case"
	course    = "course" // the drawing of what became of a case
	tryFile   = "plan-to-try.yaml"
)

// tryContent is what the view shows.
type tryContent struct {
	Action    string // where the forms are sent
	Templates []trialplan.Template
	Case      string // to copy from, as it was named
	CaseFault string
	MayRead   bool // cases, so that one can be copied from
	Copied    bool
	Left      []string
	Faults    []trialplan.Remark
	Refusals  []string
	Groups    []tryGroup
	Not       []tryOption
	Answer    *tryAnswer
}

// tryAnswer is what was found of the plan.
type tryAnswer struct {
	render.Trial
	Entries []trialplan.Entry
	Taken   []string
	Adds    []trialplan.Input
	At      string
	// Drawings are SVG.
	Drawings []template.HTML
}

type tryGroup struct {
	Name   trialplan.Group
	First  bool
	Inputs []tryInput
}

type tryInput struct {
	trialplan.Input
	Fields []tryField
}

type tryField struct {
	Name, Label, Unit, Value string
	Usual                    string // where such a value usually lies
	Options                  []tryOption
	Several                  bool
	Fault, Remark, From      string
	Described                string // ids of what describes it
}

type tryOption struct {
	Value, Label string
	Chosen       bool
}

func tryPlan(v *visit) (view, error) {
	content := tryContent{Action: v.address(tryPath), Templates: trialplan.Templates(), MayRead: v.may(trigonev1.RecordService_GetCase_FullMethodName)}
	do := v.form().Get(doField)
	typed := map[string][]string(v.form())
	switch name, template := strings.CutPrefix(do, doTemplate); {
	case !v.sent(), do == doEmpty:
		typed = nil
	case template:
		typed = trialplan.FromTemplate(name)
	}
	var copied trialplan.Copied
	if named := strings.TrimSpace(v.form().Get(caseField)); typed != nil && named != "" {
		var err error
		if copied, err = content.copy(v, named, do); err != nil {
			return view{}, err
		}
		if do == doCase && content.Copied {
			typed = copied.Typed
		}
	} else if do == doCase {
		content.CaseFault = "Name the case first."
	}
	t := trialplan.Read(typed, v.rooms.Policy.Settings.Rings)
	content.lay(t, copied)
	asked := v.sent() && (do == doAnswer || do == doDownload)
	if asked && t.Empty() {
		content.Faults = append(content.Faults, trialplan.Remark{Name: trialplan.A2, Text: "Nothing is filled in yet. Begin with the six entries of the first answer."})
	}
	if asked && t.Answerable() {
		answer, file, err := v.tried(t)
		switch {
		case err != nil:
			return view{}, err
		case do == doDownload:
			return view{file: file}, nil
		}
		content.Answer = answer
	}
	return view{title: "Try a plan", first: firstWords, content: content}, nil
}

// tried has the plan evaluated by the room that evaluates every other, and gives the
// case file beside the answer.
func (v *visit) tried(t *trialplan.Trial) (*tryAnswer, *file, error) {
	f := t.CaseFile()
	answer, err := v.rooms.Book.EvaluatePlan(v.ctx(), v.who(), &trigonev1.EvaluatePlanRequest{Parent: "sites/" + v.rooms.Site, CaseFile: f})
	if err != nil {
		return nil, nil, err
	}
	e := answer.GetEvaluation()
	a := &tryAnswer{Trial: render.TrialOf(e, f.GetPlan()), Entries: t.Entries(), At: v.minute(e.GetTime().AsTime())}
	a.Taken = t.Taken(a.Predicts)
	subject := convert.Drawn(convert.RecordOf(f), e)
	for _, d := range draw.Drawings() {
		if d.Name == course {
			continue // nothing has happened yet
		}
		a.Drawings = append(a.Drawings, template.HTML(picture.SVG(d.Of(subject)))) //nolint:gosec // made by draw, which escapes what it writes
	}
	window, err := v.window(f, e, subject)
	if err != nil {
		return nil, nil, err
	}
	if window != nil {
		a.Drawings = append(a.Drawings, template.HTML(picture.SVG(*window))) //nolint:gosec // as above
	}
	for _, in := range trialplan.Inputs() {
		if t.Adds(in) {
			a.Adds = append(a.Adds, in)
		}
	}
	head := fmt.Sprintf("# A plan to try, made on %s; %s.\n# Trial, not part of a record: no patient, no signer, no time of an incision.\n# %s\n\n",
		a.At, a.Versions, render.Caution)
	return a, &file{name: tryFile, media: "application/yaml", body: []byte(head + casefile.Write(f))}, nil
}

// window draws the plan's variants; nil: what explores plans refuses to vary it, and the
// answer has said why.
func (v *visit) window(f *trigonev1.CaseFile, e *trigonev1.Evaluation, subject draw.Subject) (*picture.Picture, error) {
	settings := v.rooms.Policy.Settings
	request := &trigonev1.ExplorePlansRequest{
		Parent: "sites/" + v.rooms.Site, CaseFile: f, Metrics: convert.WindowMetrics(e),
		Axes: convert.WindowAxes(f.GetPlan(), e, func(family string) bool { return len(settings.RingFamily(family)) > 0 }),
	}
	if len(request.GetAxes()) == 0 {
		return nil, nil
	}
	var basis *trigonev1.ExplorationBasis
	var variants []*trigonev1.PlanVariant
	err := v.rooms.Book.ExplorePlans(v.ctx(), v.who(), request, func(answer *trigonev1.ExplorePlansResponse) error {
		if answer.GetBasis() != nil {
			basis = answer.GetBasis()
		}
		if answer.GetVariant() != nil {
			variants = append(variants, answer.GetVariant())
		}
		return nil
	})
	var refusal *casebook.Error
	switch {
	case errors.As(err, &refusal) && slices.Contains([]casebook.Kind{casebook.Invalid, casebook.FailedPrecondition}, refusal.Kind):
		return nil, nil
	case err != nil:
		return nil, err
	}
	picture := draw.Window(subject, convert.DrawnVariation(basis, variants))
	return &picture, nil
}

// minute gives an instant in the site's own time.
func (v *visit) minute(at time.Time) string {
	return at.In(v.zone()).Format("2 January 2006, 15:04 MST")
}

func (v *visit) zone() *time.Location {
	zone, err := time.LoadLocation(v.rooms.Policy.Settings.Zone)
	if err != nil {
		return time.UTC
	}
	return zone
}

// copy reads the case that values are copied from. It is read anew each time, so that
// what is said of its values is what it says now.
func (c *tryContent) copy(v *visit, named, do string) (trialplan.Copied, error) {
	c.Case = named
	refuse := func() (trialplan.Copied, error) {
		if do == doCase {
			c.CaseFault = "There is no such case, or none that you may read."
		} else {
			c.Case = "" // what was typed stands by itself
		}
		return trialplan.Copied{}, nil
	}
	if !c.MayRead {
		return refuse()
	}
	answer, err := v.rooms.Book.GetCase(v.ctx(), v.who(), &trigonev1.GetCaseRequest{Case: caseNamed(v.rooms.Site, named)})
	var refusal *casebook.Error
	if errors.As(err, &refusal) && slices.Contains([]casebook.Kind{casebook.NotFound, casebook.Invalid, casebook.FailedPrecondition}, refusal.Kind) {
		return refuse()
	}
	if err != nil {
		return trialplan.Copied{}, err
	}
	if state := answer.GetCase().GetState(); state != trigonev1.CaseState_CASE_STATE_ACTIVE {
		c.CaseFault, c.Case = "That case is "+render.Word(state)+": nothing is copied from it.", ""
		return trialplan.Copied{}, nil
	}
	copied := trialplan.FromCase(answer.GetCase().GetCaseFile(), answer.GetCase().GetEvaluation().GetFindings(), v.zone())
	c.Copied, c.Left = true, copied.Left
	return copied, nil
}

// caseNamed reads how a case may be named: the end of the address of its page, its
// whole name, or the hospital's number behind its system and a bar.
func caseNamed(site, named string) *trigonev1.CaseReference {
	parent := "sites/" + site
	if i := strings.LastIndexByte(named, '|'); i >= 0 {
		return &trigonev1.CaseReference{Parent: parent, ExternalIdentifier: &trigonev1.Identifier{System: named[:i], Value: named[i+1:]}}
	}
	if strings.Contains(named, "/") {
		return &trigonev1.CaseReference{Name: named}
	}
	return &trigonev1.CaseReference{Name: parent + "/cases/" + named}
}

// lay puts the form as it was filled in.
func (c *tryContent) lay(t *trialplan.Trial, copied trialplan.Copied) {
	c.Faults, c.Refusals = t.Faults, t.Refusals
	for _, r := range trialplan.Refusals() {
		c.Not = append(c.Not, tryOption{r.Value, r.Label, slices.Contains(t.Typed[trialplan.Not], r.Value)})
	}
	for _, name := range trialplan.Groups() {
		g := tryGroup{Name: name, First: name == trialplan.First}
		for _, in := range trialplan.Inputs() {
			if in.Group != name {
				continue
			}
			x := tryInput{Input: in}
			for _, p := range in.Parts {
				if p.Name == trialplan.Size && len(t.Sizes()) == 0 {
					continue
				}
				x.Fields = append(x.Fields, field(t, copied, in, p))
			}
			g.Inputs = append(g.Inputs, x)
		}
		c.Groups = append(c.Groups, g)
	}
}

func field(t *trialplan.Trial, copied trialplan.Copied, in trialplan.Input, p trialplan.Part) tryField {
	f := tryField{Name: p.Name, Label: p.Label, Unit: p.Unit, Several: p.Several}
	typed := t.Typed[p.Name]
	words := p.Words
	if p.Name == trialplan.Size {
		words = t.Sizes()
	}
	for _, w := range words {
		f.Options = append(f.Options, tryOption{w.Value, w.Label, slices.Contains(typed, w.Value)})
	}
	if len(typed) > 0 {
		f.Value = typed[0]
	}
	if low, high, ok := p.Plausible(); ok {
		f.Usual = strconv.FormatFloat(low, 'f', -1, 64) + " to " + strconv.FormatFloat(high, 'f', -1, 64)
	}
	f.Fault, f.Remark = said(t.Faults, p.Name), said(t.Remarks, p.Name)
	if from, ok := copied.From[p.Name]; ok {
		f.From = "Copied from the case: " + from + "."
		if !slices.Equal(typed, copied.Typed[p.Name]) {
			there := strings.TrimSpace(strings.Join(labels(words, copied.Typed[p.Name]), ", ") + " " + p.Unit)
			f.From = "Not as in the case, which says " + there + " (" + from + ")."
		}
	}
	var ids []string
	for _, d := range []struct {
		is   string
		text string
	}{{"hint-" + strconv.Itoa(in.Number), in.Hint}, {"usual-" + p.Name, f.Usual}, {"fault-" + p.Name, f.Fault}, {"remark-" + p.Name, f.Remark}, {"from-" + p.Name, f.From}} {
		if d.text != "" {
			ids = append(ids, d.is)
		}
	}
	f.Described = strings.Join(ids, " ")
	return f
}

func labels(words []trialplan.Word, values []string) []string {
	list := slices.Clone(values)
	for i, value := range list {
		for _, w := range words {
			if w.Value == value {
				list[i] = w.Label
			}
		}
	}
	return list
}

func said(list []trialplan.Remark, name string) string {
	for _, r := range list {
		if r.Name == name {
			return r.Text
		}
	}
	return ""
}
