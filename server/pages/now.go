package pages

import (
	"fmt"
	"time"

	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// The first page: how the department stands now, in sentences.

const nowPath = "/"

var nowPage = page{route: nowPath, name: "Now", group: departmentPages, view: "now.html", ofRecord: true, answer: answerNow}

type nowContent struct {
	// Without says why there are no figures, and what to do.
	Without string
	Months  []telling
	// Signals of the charts that can signal, and what stands where there are none.
	Signals []telling
	// Gaps are what is missing in the record; Gap says it in a sentence.
	Gap     string
	Gaps    []gapKind
	Waiting []waitingCount
	Cases   string // address of what needs a person; empty: not for who asks
	Pages   []pageLink
}

// waitingCount is how many cases need a person, of one kind.
type waitingCount struct {
	Count link
	About string
}

// pageLink is a page with what it says.
type pageLink struct {
	link
	About string
}

func answerNow(v *visit) (view, error) {
	var c nowContent
	s, err := v.selection()
	if err != nil {
		return view{}, err
	}
	if v.may(trigonev1.AuditService_ListComparisons_FullMethodName) {
		if c.Months, c.Without, err = v.months(s); err != nil {
			return view{}, err
		}
	} else {
		c.Without = "Figures of the department are for reviewers and auditors, and your roles at this site are neither. Whoever keeps the deployment file of the service gives them; until then these pages are yours:"
	}
	if c.Without == "" || !v.may(trigonev1.AuditService_ListComparisons_FullMethodName) {
		if c.Signals, err = v.signals(); err != nil {
			return view{}, err
		}
		if err := v.gaps(s, &c); err != nil {
			return view{}, err
		}
	}
	if v.may(PageRight(casesPath)) {
		c.Cases = v.address(casesPath)
		waiting, err := v.waiting(v.zone())
		if err != nil {
			return view{}, err
		}
		for _, kind := range waiting {
			n := render.Counted(len(kind.Cases), "case", "cases")
			if kind.More != "" {
				n = fmt.Sprintf("%d cases or more", len(kind.Cases))
			}
			c.Waiting = append(c.Waiting, waitingCount{link{Name: n, Address: c.Cases}, kind.Title})
		}
	}
	for _, p := range v.face.list {
		if p.name != "" && p.route != nowPath && v.may(PageRight(p.route)) {
			c.Pages = append(c.Pages, pageLink{link{Name: p.name, Address: v.address(p.route)}, p.about})
		}
	}
	shown := view{title: "Now", content: c}
	shown.invented, err = v.rooms.Book.Invented(v.ctx())
	return shown, err
}

// now is the time at the site.
func (v *visit) now() time.Time {
	now := time.Now
	if v.face.config.Now != nil {
		now = v.face.config.Now
	}
	return now().In(v.zone())
}

// months tells what was operated this month and in the two before it; without says why
// there is nothing to tell.
func (v *visit) months(s selection) (list []telling, without string, err error) {
	all, err := v.countComparisons(s, "")
	if err != nil {
		return nil, "", err
	}
	if all.GetCounts().GetOperatedCaseCount() == 0 {
		without, err = v.nothingOperated(s)
		return nil, without, err
	}
	now := v.now()
	first := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, v.zone())
	there := false
	for back := range 3 {
		begin := first.AddDate(0, -back, 0)
		of := s.during(begin, begin.AddDate(0, 1, -1))
		got, err := v.countComparisons(of, "")
		if err != nil {
			return nil, "", err
		}
		n := got.GetCounts()
		lead := begin.Format("January 2006")
		if back == 0 {
			lead += ", so far"
		}
		if n.GetOperatedCaseCount() == 0 {
			list = append(list, say(lead+": no operation is recorded."))
			continue
		}
		there = true
		list = append(list, append(say(lead+": "), v.operated(of, n, differencesPath)...))
	}
	if !there {
		newest, err := v.rooms.Ledger.ListCaseFacts(v.ctx(), v.who(), &trigonev1.ListCaseFactsRequest{PageSize: 1})
		if err != nil {
			return nil, "", err
		}
		text := "In this month and the two before it no operation is recorded."
		if len(newest.GetFacts()) > 0 && newest.GetFacts()[0].GetTimes().GetIncisionTime() != nil {
			text += " The last one on record was on " + dayText(newest.GetFacts()[0].GetTimes().GetIncisionTime().AsTime().In(v.zone())) + "."
		}
		list = []telling{say(text)}
	}
	list = append(list, append(say("On record in all: "), v.operated(s, all.GetCounts(), differencesPath)...))
	return list, "", nil
}

// operated says how many cases were operated on, and of how many something came
// otherwise, which leads to a page of these.
func (v *visit) operated(s selection, n *trigonev1.ComparisonCounts, path string, values ...string) telling {
	sentence := say(v.number(n.GetOperatedCaseCount(), "case operated on", "cases operated on", countedPath, s, onlyAsked, onlyOperated))
	if n.GetPlannedCaseCount() == 0 {
		return say(sentence, ", none of them with a plan in force at incision.")
	}
	sentence = say(sentence, ", ", v.number(n.GetPlannedCaseCount(), "of them", "of them", countedPath, s, onlyAsked, onlyPlanned), " with a plan in force at incision; in ")
	if n.GetDifferingCaseCount() == 0 {
		return say(sentence, "none of these something came otherwise than planned or predicted.")
	}
	return say(sentence, v.number(n.GetDifferingCaseCount(), "of these", "of these", path, s, values...), " something came otherwise than planned or predicted.")
}

// signals tells which charts signalled; nil: not for who asks.
func (v *visit) signals() (list []telling, err error) {
	if !v.may(trigonev1.AuditService_MonitorOutcomes_FullMethodName) {
		return nil, nil
	}
	got, err := v.rooms.Ledger.MonitorOutcomes(v.ctx(), v.who(), &trigonev1.MonitorOutcomesRequest{OmitPoints: true})
	if err != nil || got.GetOperationCount() == 0 {
		return nil, err
	}
	to := link{Name: got.GetSentence()}
	if v.may(PageRight(monitoringPath)) {
		to.Address = v.address(monitoringPath)
	}
	list = append(list, say(to))
	for _, chart := range got.GetCharts() {
		if n := len(chart.GetSignals()); n > 0 {
			last := chart.GetSignals()[n-1]
			more := "fewer failures than expected"
			if last.GetMore() {
				more = "more failures than expected"
			}
			name := link{Name: words.Capital(words.Spaced(chart.GetOutcome()))}
			if to.Address != "" {
				name.Address = to.Address + "#chart-" + anchor(chart.GetOutcome())
			}
			list = append(list, say(name, ": "+render.Counted(n, "signal", "signals")+", the last of "+more+" with the operation of ", v.caseLink(last.GetCaseName(), v.incised(last.GetIncisionTime())), "."))
		}
	}
	return list, nil
}

// gaps tells what is missing in the record.
func (v *visit) gaps(s selection, c *nowContent) error {
	if !v.may(trigonev1.AuditService_ListGaps_FullMethodName) {
		return nil
	}
	got, err := v.rooms.Ledger.ListGaps(v.ctx(), v.who(), &trigonev1.ListGapsRequest{PageSize: 1})
	if err != nil {
		return err
	}
	c.Gap, c.Gaps = got.GetSentence(), v.gapKinds(s, got)
	return nil
}
