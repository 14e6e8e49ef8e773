package pages

import (
	"io"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// The cases, and the comparisons, behind a number: what the numbers of the department's
// pages lead to.

const (
	comparisonsPath    = "/comparisons"
	comparisonsFile    = "/comparisons.csv"
	comparisonsColumns = "/comparisons-columns.csv"
	countedPath        = "/counted"

	kindAsked   = "kind"
	metricAsked = "metric"
	placeAsked  = "place"
	stageAsked  = "stage"
	methodAsked = "method"
	timingAsked = "timing"
	onlyAsked   = "only"

	// casesRead is how many cases a page of the list is found among.
	casesRead = 200
)

// onlySome are cases that have something in common.
type onlySome struct {
	word, told string
	holds      func(*trigonev1.CaseFacts) bool
}

// What cases behind a number have in common, where no word says it.
const (
	onlyOperated  = "operated"
	onlyPlanned   = "planned"
	onlyDiffering = "differing"
)

var onlyCases = []onlySome{
	{onlyOperated, "operated on", isOperated},
	{onlyPlanned, "operated on with a plan in force at incision", isPlanned},
	{onlyDiffering, "with a plan in force, of which something came otherwise than planned or predicted", func(f *trigonev1.CaseFacts) bool {
		return isPlanned(f) && slices.ContainsFunc(f.GetCounts().GetComparisons(), func(n *trigonev1.VerdictCount) bool {
			return n.GetVerdict() == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT && n.GetCount() > 0
		})
	}},
}

func isOperated(f *trigonev1.CaseFacts) bool {
	return f.GetRepair().GetPlannedCase() != trigonev1.Answer_ANSWER_UNSPECIFIED
}

func isPlanned(f *trigonev1.CaseFacts) bool {
	return f.GetRepair().GetPlannedCase() == trigonev1.Answer_ANSWER_YES
}

var countedPage = page{
	route: countedPath, view: "counted.html", ofRecord: true, group: departmentPages,
	reads:  trigonev1.AuditService_ListCaseFacts_FullMethodName,
	answer: answerCounted,
}

type countedContent struct {
	Selected string
	Listed   string
	Cases    []countedCase
	// Next is the address of older cases; First that of the newest, if these are not.
	Next, First string
}

// countedCase is a case as those who count see it.
type countedCase struct {
	// Case leads to it, by the day of its incision.
	Case                             link
	Plan, Techniques, Things, Course string
}

// behind are the figures whose cases no word tells: the name by which an address asks for
// them, and what names them.
var behind = []struct {
	asked string
	// with are further names that belong to it.
	with []string
	// reads is the RPC that answers.
	reads string
	cases func(*visit, selection) (namedCases, error)
}{
	{chartAsked, []string{operatorAsked}, trigonev1.AuditService_MonitorOutcomes_FullMethodName, chartCases},
	{outcomeAsked, nil, trigonev1.AuditService_SummarizeOutcomes_FullMethodName, outcomeCases},
	{eventAsked, []string{gradeAsked, residualAsked}, trigonev1.AuditService_EstimateFreedom_FullMethodName, eventCases},
}

// namedCases are cases behind a number, by their names.
type namedCases struct {
	told  string
	names []string
	// most says that there may be more than these.
	most bool
}

// casesByName shows the cases behind a figure.
func casesByName(v *visit, s selection) (shown view, asked bool, err error) {
	for _, b := range behind {
		if s.own[b.asked] == "" {
			continue
		}
		if err := s.knows(append([]string{b.asked}, b.with...)...); err != nil {
			return view{}, true, err
		}
		if !v.may(b.reads) {
			return view{}, true, casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight, "your roles do not include the figure that these cases stand behind")
		}
		named, err := b.cases(v, s)
		if err != nil {
			return view{}, true, err
		}
		c := countedContent{Selected: words.Sentence(s.told() + "; " + named.told), Listed: render.Counted(len(named.names), "case", "cases")}
		if named.most {
			c.Listed += " at most are listed"
		}
		for _, name := range named.names {
			one, err := v.rooms.Ledger.ListCaseFacts(v.ctx(), v.who(), &trigonev1.ListCaseFactsRequest{Case: &trigonev1.CaseReference{Name: name}, PageSize: 1})
			if err != nil {
				return view{}, true, err
			}
			shown.invented = one.GetInvented()
			for _, f := range one.GetFacts() {
				c.Cases = append(c.Cases, v.countedCase(f))
			}
		}
		shown.title, shown.content = "Cases behind a number", c
		return shown, true, nil
	}
	return view{}, false, nil
}

func answerCounted(v *visit) (view, error) {
	known := []string{onlyAsked, timingAsked, pageAsked}
	for _, b := range behind {
		known = append(append(known, b.asked), b.with...)
	}
	s, err := v.selection(known...)
	if err != nil {
		return view{}, err
	}
	if shown, asked, err := casesByName(v, s); asked || err != nil {
		return shown, err
	}
	if err := s.knows(onlyAsked, timingAsked, pageAsked); err != nil {
		return view{}, err
	}
	req := &trigonev1.ListCaseFactsRequest{Groups: s.facts(), PageToken: s.own[pageAsked], PageSize: casesRead}
	req.IncisionFrom, req.IncisionBefore = s.incision()
	if req.PlanTimings, err = timings(s); err != nil {
		return view{}, err
	}
	holds := func(*trigonev1.CaseFacts) bool { return true }
	c := countedContent{Selected: s.told()}
	if only := s.own[onlyAsked]; only != "" {
		i := slices.IndexFunc(onlyCases, func(o onlySome) bool { return o.word == only })
		if i < 0 {
			return view{}, casebook.Refuse(casebook.Invalid, "", "cases are not narrowed by that; follow the link of a number")
		}
		holds = onlyCases[i].holds
		c.Selected += "; " + onlyCases[i].told
	}
	list, err := v.rooms.Ledger.ListCaseFacts(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c.Selected = words.Sentence(c.Selected)
	for _, f := range list.GetFacts() {
		if holds(f) {
			c.Cases = append(c.Cases, v.countedCase(f))
		}
	}
	c.Next, c.First = v.paging(countedPath, s, list.GetNextPageToken())
	c.Listed = render.Counted(len(c.Cases), "case", "cases")
	if c.Next != "" || c.First != "" {
		c.Listed += " on this page"
	}
	return view{title: "Cases behind a number", content: c, invented: list.GetInvented()}, nil
}

// paging gives the addresses of what comes next in a list, and of its beginning.
func (v *visit) paging(path string, s selection, token string) (next, first string) {
	if token != "" {
		next = v.addressOf(path, s, append(ownPairs(s), pageAsked, token)...)
	}
	if s.own[pageAsked] != "" {
		first = v.addressOf(path, s, ownPairs(s)...)
	}
	return next, first
}

// timings gives the timing of plans that an address names.
func timings(s selection) ([]trigonev1.PlanTiming, error) {
	timing, err := askedEnum[trigonev1.PlanTiming](s, timingAsked)
	if timing == 0 || err != nil {
		return nil, err
	}
	return []trigonev1.PlanTiming{timing}, nil
}

// askedEnum reads a word of an enum from an address; 0: none is asked for.
func askedEnum[E interface {
	~int32
	protoreflect.Enum
}](s selection, name string) (E, error) {
	word := s.own[name]
	if word == "" {
		return 0, nil
	}
	of := E(0).Descriptor().Values()
	for i := range of.Len() {
		if one := of.Get(i); one.Number() != 0 && words.OfEnum(string(one.Name()), string(of.ByNumber(0).Name())) == word {
			return E(one.Number()), nil
		}
	}
	return 0, casebook.Refuse(casebook.Invalid, "", "the address asks for a word that is none of its list; choose again in the form of the page")
}

func (v *visit) countedCase(f *trigonev1.CaseFacts) countedCase {
	c := countedCase{
		Case: v.caseLink(f.GetCaseName(), v.incised(f.GetTimes().GetIncisionTime())),
		Plan: words.Capital(render.Word(f.GetTimes().GetPlanTiming())),
	}
	var done []string
	for _, t := range f.GetRepair().GetTechniquesDone() {
		done = append(done, words.Spaced(t))
	}
	c.Techniques = words.Capital(strings.Join(done, ", "))
	if t := f.GetCounts().GetThingsPlanned(); t.GetTotal() > 0 {
		c.Things = words.Capital(convert.ThingsText(t))
	}
	var course []string
	yes := func(a trigonev1.Answer, said string) {
		if a == trigonev1.Answer_ANSWER_YES {
			course = append(course, said)
		}
	}
	if decision := render.Word(f.GetRepair().GetDecision()); decision != "" {
		course = append(course, decision)
	}
	yes(f.GetRepair().GetConverted(), "converted to a replacement")
	yes(f.GetOutcome().GetReturnedToTheatre(), "returned to theatre")
	yes(f.GetOutcome().GetDiedInHospital(), "died in hospital")
	yes(f.GetOutcome().GetReadmittedWithin_30Days(), "readmitted within 30 days")
	c.Course = words.Capital(strings.Join(course, ", "))
	return c
}

// incised gives the day of an incision at the site.
func (v *visit) incised(t *timestamppb.Timestamp) string {
	if t == nil {
		return "no incision recorded"
	}
	return t.AsTime().In(v.zone()).Format("2 Jan 2006")
}

var comparisonsPage = page{
	route: comparisonsPath, view: "comparisons.html", ofRecord: true, group: departmentPages,
	reads:  trigonev1.AuditService_ListComparisons_FullMethodName,
	answer: answerComparisons,
}

type comparisonsContent struct {
	Form        *selectionForm
	About       string
	Listed      string
	Verdicts    []link
	Cases       []caseComparisons
	Next, First string
	Files       []link
}

type caseComparisons struct {
	Case     link
	Incision string
	Rows     []render.Compared
}

// comparisonsAsked are the names by which comparisons are told apart.
var comparisonsAsked = []string{kindAsked, classAsked, metricAsked, placeAsked, verdictAsked, timingAsked, stageAsked, methodAsked}

// comparisonsOf gives the request for those of a selection, and what it leaves to be
// looked at one by one.
func comparisonsOf(s selection) (req *trigonev1.ListComparisonsRequest, wanted func(*trigonev1.Comparison) bool, err error) {
	req = &trigonev1.ListComparisonsRequest{Groups: s.facts(), PageToken: s.own[pageAsked], PageSize: casesRead}
	req.IncisionFrom, req.IncisionBefore = s.incision()
	kind, err := askedEnum[trigonev1.ComparisonKind](s, kindAsked)
	if err != nil {
		return nil, nil, err
	}
	verdict, err := askedEnum[trigonev1.ComparisonVerdict](s, verdictAsked)
	if err != nil {
		return nil, nil, err
	}
	stage, err := askedEnum[trigonev1.Stage](s, stageAsked)
	if err != nil {
		return nil, nil, err
	}
	method, err := askedEnum[trigonev1.Method](s, methodAsked)
	if err != nil {
		return nil, nil, err
	}
	if req.PlanTimings, err = timings(s); err != nil {
		return nil, nil, err
	}
	if kind != 0 {
		req.Kinds = []trigonev1.ComparisonKind{kind}
	}
	if verdict != 0 {
		req.Verdicts = []trigonev1.ComparisonVerdict{verdict}
	}
	for name, into := range map[string]*[]string{classAsked: &req.Classes, metricAsked: &req.Metrics, placeAsked: &req.Places} {
		if s.own[name] != "" {
			*into = []string{s.own[name]}
		}
	}
	return req, func(c *trigonev1.Comparison) bool {
		return (stage == 0 || c.GetStage() == stage) && (method == 0 || c.GetMethod() == method)
	}, nil
}

func answerComparisons(v *visit) (view, error) {
	s, err := v.selection(append(slices.Clone(comparisonsAsked), pageAsked)...)
	if err != nil {
		return view{}, err
	}
	req, wanted, err := comparisonsOf(s)
	if err != nil {
		return view{}, err
	}
	list, err := v.rooms.Ledger.ListComparisons(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := comparisonsContent{Form: v.selectionForm(comparisonsPath, s, choice{Name: kindAsked, Label: "Compared", Any: "Everything", Options: enumOptions(trigonev1.ComparisonKind(0))})}
	c.About = comparedAbout(s)
	last, n := "", 0
	for _, one := range list.GetComparisons() {
		if !wanted(one.GetComparison()) {
			continue
		}
		if one.GetCaseName() != last {
			last = one.GetCaseName()
			c.Cases = append(c.Cases, caseComparisons{Case: v.caseLink(last, numberOf(one.GetExternalIdentifier())), Incision: v.incised(one.GetIncisionTime())})
		}
		at := &c.Cases[len(c.Cases)-1]
		at.Rows = append(at.Rows, render.ComparedRow(one.GetComparison()))
		n++
	}
	c.Next, c.First = v.paging(comparisonsPath, s, list.GetNextPageToken())
	c.Listed = render.Counted(n, "comparison", "comparisons") + " of " + render.Counted(len(c.Cases), "case", "cases")
	if c.Next != "" || c.First != "" {
		c.Listed += " on this page"
	}
	c.Verdicts = append(c.Verdicts, link{"Every verdict", v.addressOf(comparisonsPath, s, without(s, verdictAsked)...), s.own[verdictAsked] == ""})
	for _, o := range enumOptions(trigonev1.ComparisonVerdict(0)) {
		name := o.Text
		if o.Value == convert.Word(trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT) {
			name = "Differs" // 'present' does not say what is there
		}
		c.Verdicts = append(c.Verdicts, link{name, v.addressOf(comparisonsPath, s, append(without(s, verdictAsked), verdictAsked, o.Value)...), s.own[verdictAsked] == o.Value})
	}
	c.Files = v.files(s, comparisonsFile, comparisonsColumns)
	return view{title: "Comparisons", content: c, invented: list.GetInvented()}, nil
}

// without gives what only the page knows, but for one name.
func without(s selection, name string) (list []string) {
	pairs := ownPairs(s)
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i] != name {
			list = append(list, pairs[i], pairs[i+1])
		}
	}
	return list
}

// comparedAbout says which comparisons are listed.
func comparedAbout(s selection) string {
	var parts []string
	add := func(name, lead string) {
		if word := s.own[name]; word != "" {
			parts = append(parts, lead+words.Spaced(word))
		}
	}
	add(kindAsked, "")
	add(classAsked, "")
	add(metricAsked, "")
	if place := s.own[placeAsked]; place != "" {
		parts = append(parts, render.Place(place))
	}
	add(stageAsked, "")
	add(methodAsked, "")
	add(timingAsked, "plans: ")
	if len(parts) == 0 {
		return "What was planned, predicted or limited, held against what was done and found."
	}
	return words.Sentence(strings.Join(parts, ", "))
}

var (
	comparisonsFilePage = page{
		route: comparisonsFile, ofRecord: true,
		reads: trigonev1.AuditService_ListComparisons_FullMethodName,
		answer: func(v *visit) (view, error) {
			s, err := v.selection(comparisonsAsked...)
			if err != nil {
				return view{}, err
			}
			req, wanted, err := comparisonsOf(s)
			if err != nil {
				return view{}, err
			}
			req.PageSize = linesRead
			var list []*trigonev1.CaseComparison
			sheet := render.Sheet{Mark: true}
			for {
				got, err := v.rooms.Ledger.ListComparisons(v.ctx(), v.who(), req)
				if err != nil {
					return view{}, err
				}
				sheet.Basis, sheet.Invented = got.GetBasis(), got.GetInvented()
				for _, one := range got.GetComparisons() {
					if wanted(one.GetComparison()) {
						list = append(list, one)
					}
				}
				if len(list) > mostLines {
					return view{}, tooManyLines("trigone comparisons --format csv")
				}
				if req.PageToken = got.GetNextPageToken(); req.PageToken == "" {
					break
				}
			}
			return sheetFile("comparisons.csv", func(w io.Writer) error { return render.ComparisonsCSV(w, list, sheet) })
		},
	}
	comparisonsColumnsPage = page{
		route: comparisonsColumns,
		reads: trigonev1.AuditService_ListComparisons_FullMethodName,
		answer: func(v *visit) (view, error) {
			return v.columnsFile("comparisons-columns.csv", render.ComparisonsDictionary)
		},
	}
)
