package pages

import (
	"strconv"

	"trigone/internal/convert"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What is missing in the record.

const (
	gapsPath = "/gaps"

	gapAsked = "gap"
)

var gapsPage = page{
	route: gapsPath, group: departmentPages, view: "gaps.html", ofRecord: true,
	reads:  trigonev1.AuditService_ListGaps_FullMethodName,
	answer: answerGaps,
}

type gapsContent struct {
	Form        *selectionForm
	Says        string
	Kinds       []gapKind
	Months      []string
	Listed      string
	Cases       []gapLine
	Next, First string
	Basis       stamp
}

// gapKind is how often something is missing.
type gapKind struct {
	Name, Sentence string
	Count          link
	Of             string
	Here           bool
}

type gapLine struct {
	Case                       link
	Missing, Incision, Overdue string
}

func answerGaps(v *visit) (view, error) {
	s, err := v.selection(gapAsked, pageAsked)
	if err != nil {
		return view{}, err
	}
	req := &trigonev1.ListGapsRequest{Filter: s.audit(), PageToken: s.own[pageAsked]}
	kind, err := askedEnum[trigonev1.GapKind](s, gapAsked)
	if err != nil {
		return view{}, err
	}
	if kind != 0 {
		req.Kinds = []trigonev1.GapKind{kind}
	}
	got, err := v.rooms.Ledger.ListGaps(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := gapsContent{
		Form: v.selectionForm(gapsPath, s, choice{Name: gapAsked, Label: "Missing", Any: "Anything", Options: enumOptions(trigonev1.GapKind(0))}),
		Says: got.GetSentence(), Basis: v.stamp(got.GetContext()), Kinds: v.gapKinds(s, got),
	}
	for _, m := range got.GetMonths() {
		c.Months = append(c.Months, m.GetSentence())
	}
	for _, g := range got.GetGaps() {
		l := gapLine{Case: v.caseLink(g.GetCaseName(), numberOf(g.GetExternalIdentifier())), Missing: words.Capital(render.Word(g.GetKind())), Incision: v.incised(g.GetIncisionTime())}
		if g.OverdueDays != nil {
			l.Overdue = render.Counted(int(g.GetOverdueDays()), "day", "days")
		}
		c.Cases = append(c.Cases, l)
	}
	c.Next, c.First = v.paging(gapsPath, s, got.GetNextPageToken())
	return view{title: "What is missing", content: c, invented: got.GetContext().GetInvented()}, nil
}

// gapKinds are the kinds of which something is missing, each leading to its cases.
func (v *visit) gapKinds(s selection, got *trigonev1.ListGapsResponse) (list []gapKind) {
	for _, n := range got.GetCounts() {
		if n.GetCount() == 0 {
			continue
		}
		word := convert.Word(n.GetKind())
		k := gapKind{Name: words.Capital(render.Word(n.GetKind())), Sentence: n.GetSentence(), Count: v.number(n.GetCount(), "case", "cases", gapsPath, s, gapAsked, word), Here: s.own[gapAsked] == word}
		if n.GetOf() > 0 {
			k.Of = strconv.Itoa(int(n.GetOf()))
		}
		list = append(list, k)
	}
	return list
}
