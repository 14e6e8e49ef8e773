package pages

import (
	"bytes"
	"fmt"
	"io"
	"strconv"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What differs between plans and outcomes, over the cases of a selection.

const (
	differencesPath   = "/differences"
	differencesFile   = "/differences.csv"
	differencesColumn = "/differences-columns.csv"

	classAsked   = "class"
	verdictAsked = "verdict"

	// linesOnPage is how many lines a page lists, linesRead how many one call answers, and
	// mostLines how many are put into one file.
	linesOnPage = 50
	linesRead   = 500
	mostLines   = 50000
)

var differencesPage = page{
	route: differencesPath, name: "Differences", group: departmentPages, about: "what came otherwise than planned or predicted, case by case", view: "differences.html", ofRecord: true,
	reads:  trigonev1.AuditService_ListDiscrepancies_FullMethodName,
	answer: answerDifferences,
}

type differencesContent struct {
	Form *selectionForm
	// Drawn says what the list is drawn from.
	Drawn []telling
	// Missing says why there is nothing, and what to do.
	Missing  string
	Classes  []classLine
	Verdicts []link
	Listed   string
	Cases    []caseDifferences
	Next     string
	First    string
	Files    []link
}

// classLine is how many differences are of one class.
type classLine struct {
	Means string
	Count link
	Roots int32
	// Width of the bar of their number, of 100; the largest has 100.
	Width int
	Here  bool
}

// caseDifferences are those of a case.
type caseDifferences struct {
	Case     link
	Incision string
	Rows     []render.Difference
}

// verdictChoices are the verdicts that differences are listed by, the usual one first.
var verdictChoices = []struct {
	name, word string
	verdict    trigonev1.DiscrepancyVerdict
}{
	{"Differs", "", trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT},
	{"Cannot be told", "indeterminate", trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_INDETERMINATE},
	{"Not evaluable", "not_evaluable", trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE},
}

// discrepancies gives the request for those of a selection.
func discrepanciesOf(s selection) (*trigonev1.ListDiscrepanciesRequest, error) {
	req := &trigonev1.ListDiscrepanciesRequest{Groups: s.facts(), PageToken: s.own[pageAsked], PageSize: linesOnPage}
	req.IncisionFrom, req.IncisionBefore = s.incision()
	if class := s.own[classAsked]; class != "" {
		req.Classes = []string{class}
	}
	for _, c := range verdictChoices {
		if c.word == s.own[verdictAsked] {
			req.Verdicts = []trigonev1.DiscrepancyVerdict{c.verdict}
		}
	}
	if len(req.Verdicts) == 0 {
		return nil, casebook.Refuse(casebook.Invalid, "", "differences are not narrowed by that verdict; choose one of the links of the list")
	}
	return req, nil
}

func answerDifferences(v *visit) (view, error) {
	s, err := v.selection(classAsked, verdictAsked, pageAsked)
	if err != nil {
		return view{}, err
	}
	req, err := discrepanciesOf(s)
	if err != nil {
		return view{}, err
	}
	list, err := v.rooms.Ledger.ListDiscrepancies(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := differencesContent{Form: v.selectionForm(differencesPath, s, classChoice())}
	counted, err := v.countComparisons(s, "")
	if err != nil {
		return view{}, err
	}
	n := counted.GetCounts()
	if n.GetOperatedCaseCount() == 0 {
		c.Missing, err = v.nothingOperated(s)
		return view{title: "Differences", content: c, invented: list.GetInvented()}, err
	}
	c.Drawn = v.drawnFrom(s, n)
	if c.Classes, err = v.differenceClasses(s); err != nil {
		return view{}, err
	}
	for _, choice := range verdictChoices {
		c.Verdicts = append(c.Verdicts, link{choice.name, v.addressOf(differencesPath, s, classAsked, s.own[classAsked], verdictAsked, choice.word), choice.word == s.own[verdictAsked]})
	}
	c.Verdicts = append(c.Verdicts, link{Name: "All comparisons, agreement included", Address: v.addressOf(comparisonsPath, s, classAsked, s.own[classAsked])})
	c.Cases = v.differencesByCase(list.GetDiscrepancies())
	if len(c.Cases) == 0 {
		c.Listed = "None of these cases has one."
	}
	c.Next, c.First = v.paging(differencesPath, s, list.GetNextPageToken())
	c.Files = v.files(s, differencesFile, differencesColumn)
	return view{title: "Differences", content: c, invented: list.GetInvented()}, nil
}

// files are the list as a file, and what its columns mean.
func (v *visit) files(s selection, file, columns string) (list []link) {
	if v.may(PageRight(file)) {
		list = append(list, link{Name: "The list as CSV", Address: v.addressOf(file, s, ownPairs(s)...)})
	}
	if v.may(PageRight(columns)) {
		list = append(list, link{Name: "What its columns mean", Address: v.address(columns)})
	}
	return list
}

func classChoice() choice {
	c := choice{Name: classAsked, Label: "Kind of difference", Any: "Every kind"}
	for _, class := range discrepancy.Classes() {
		c.Options = append(c.Options, option{Value: string(class), Text: class.Means()})
	}
	return c
}

// countComparisons counts the comparisons of a selection; class: of this one only, those
// that differ.
func (v *visit) countComparisons(s selection, class string) (*trigonev1.ListComparisonsResponse, error) {
	req := &trigonev1.ListComparisonsRequest{Groups: s.facts(), PageSize: 1, IncludeCounts: true}
	req.IncisionFrom, req.IncisionBefore = s.incision()
	if class != "" {
		req.Classes, req.Verdicts = []string{class}, []trigonev1.ComparisonVerdict{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT}
	}
	return v.rooms.Ledger.ListComparisons(v.ctx(), v.who(), req)
}

// drawnFrom says which cases there are, and how what was planned came.
func (v *visit) drawnFrom(s selection, n *trigonev1.ComparisonCounts) (list []telling) {
	list = append(list, v.operated(s, n, countedPath, onlyAsked, onlyDiffering))
	if t := n.GetThingsPlanned(); t.GetTotal() > 0 {
		list = append(list, say(words.Sentence(convert.ThingsText(t))+" A step, a ring, a height or an aim is one thing planned; predictions and limits are none."))
	}
	left := ""
	if k := n.GetRetractedCaseCount(); k > 0 {
		left += " " + render.Counted(int(k), "case is retracted and left out.", "cases are retracted and left out.")
	}
	if k := n.GetErasedCaseCount(); k > 0 {
		left += " Of " + render.Counted(int(k), "case of the site that was erased nothing is known.", "cases of the site that were erased nothing is known.")
	}
	if k := n.GetAgreementsNotRecordedCaseCount(); k > 0 {
		left += " Of " + render.Counted(int(k), "case", "cases") + " judged by an earlier version agreements were not recorded: what was planned in them is not counted."
	}
	if left != "" {
		list = append(list, say(left[1:]))
	}
	return append(list, say("A difference is no error and carries no blame."))
}

// differenceClasses counts the differences of each class, in the order of the classes.
func (v *visit) differenceClasses(s selection) ([]classLine, error) {
	var list []classLine
	most := int32(1)
	for _, class := range discrepancy.Classes() {
		if class == discrepancy.NotEvaluable {
			continue // what could not be compared is no difference
		}
		got, err := v.countComparisons(s, string(class))
		if err != nil {
			return nil, err
		}
		for _, n := range got.GetCounts().GetVerdicts() {
			most = max(most, n.GetCount())
			list = append(list, classLine{
				Means: class.Means(), Count: v.number(n.GetCount(), "", "", differencesPath, s, classAsked, string(class)),
				Roots: got.GetCounts().GetRootCount(), Width: int(n.GetCount()), Here: s.own[classAsked] == string(class),
			})
		}
	}
	for i := range list {
		list[i].Count.Name = strconv.Itoa(list[i].Width)
		list[i].Width = max(1, 100*list[i].Width/int(most))
	}
	return list, nil
}

func (v *visit) caseLink(name, number string) link {
	l := link{Name: number}
	if v.may(PageRight(casePage.route)) {
		l.Address = v.address(casePath(name))
	}
	return l
}

func (v *visit) differencesByCase(list []*trigonev1.CaseDiscrepancy) (cases []caseDifferences) {
	last := ""
	for _, d := range list {
		if d.GetCaseName() != last {
			last = d.GetCaseName()
			cases = append(cases, caseDifferences{Case: v.caseLink(last, numberOf(d.GetExternalIdentifier())), Incision: v.incised(d.GetIncisionTime())})
		}
		at := &cases[len(cases)-1]
		at.Rows = append(at.Rows, render.DifferenceRow(d.GetDiscrepancy()))
	}
	return cases
}

// nothingOperated says why there is nothing to show, and what to do.
func (v *visit) nothingOperated(s selection) (string, error) {
	if !s.narrowed() {
		return "No operation is on record yet at this site. A department's figures begin with the first case that has one: send it with trigone submit, or as the README shows, and open this page again.", nil
	}
	if !v.may(trigonev1.AuditService_ListComparisons_FullMethodName) {
		return "No case that was operated on is among these: " + s.told() + ". Choose another period, or fewer words.", nil
	}
	all := s
	all.from, all.to, all.groups = "", "", nil
	got, err := v.countComparisons(all, "")
	if err != nil {
		return "", err
	}
	n := got.GetCounts().GetOperatedCaseCount()
	if n == 0 {
		return v.nothingOperated(all)
	}
	return fmt.Sprintf("No case that was operated on is among these: %s. Of the site there %s in all; choose another period, or fewer words.",
		s.told(), render.Counted(int(n), "is 1 operated case", "are "+strconv.Itoa(int(n))+" operated cases")), nil
}

// A list as a file for an office program, and what its columns mean.
var (
	differencesFilePage = page{
		route: differencesFile, ofRecord: true,
		reads: trigonev1.AuditService_ListDiscrepancies_FullMethodName,
		answer: func(v *visit) (view, error) {
			s, err := v.selection(classAsked, verdictAsked)
			if err != nil {
				return view{}, err
			}
			req, err := discrepanciesOf(s)
			if err != nil {
				return view{}, err
			}
			req.PageSize = linesRead
			var list []*trigonev1.CaseDiscrepancy
			sheet := render.Sheet{Mark: true}
			for {
				got, err := v.rooms.Ledger.ListDiscrepancies(v.ctx(), v.who(), req)
				if err != nil {
					return view{}, err
				}
				sheet.Basis, sheet.Invented = got.GetBasis(), got.GetInvented()
				list = append(list, got.GetDiscrepancies()...)
				if len(list) > mostLines {
					return view{}, tooManyLines("trigone discrepancies --format csv")
				}
				if req.PageToken = got.GetNextPageToken(); req.PageToken == "" {
					break
				}
			}
			return sheetFile("differences.csv", func(w io.Writer) error { return render.DiscrepanciesCSV(w, list, sheet) })
		},
	}
	differencesColumnsPage = page{
		route: differencesColumn,
		reads: trigonev1.AuditService_ListDiscrepancies_FullMethodName,
		answer: func(v *visit) (view, error) {
			return v.columnsFile("differences-columns.csv", render.DiscrepanciesDictionary)
		},
	}
)

func tooManyLines(command string) error {
	return casebook.Refuse(casebook.Invalid, "", "the file would have more than %d lines; narrow the period, or let %s write it", mostLines, command)
}

// sheetFile is a list as a file.
func sheetFile(name string, write func(io.Writer) error) (view, error) {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return view{}, err
	}
	return view{file: &file{name: name, media: "text/csv; charset=utf-8", body: b.Bytes()}}, nil
}

// columnsFile is the data dictionary of such a file.
func (v *visit) columnsFile(name string, write func(io.Writer, render.Sheet) error) (view, error) {
	invented, err := v.rooms.Book.Invented(v.ctx())
	if err != nil {
		return view{}, err
	}
	sheet := render.Sheet{Mark: true, Basis: trigonev1.Basis_BASIS_STORED, Invented: invented}
	return sheetFile(name, func(w io.Writer) error { return write(w, sheet) })
}
