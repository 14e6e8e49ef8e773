package pages

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	// casesOnPage is how many cases a page lists, mostWaiting how many of one kind need a
	// person at its head: the others are behind a link.
	casesOnPage = 25
	mostWaiting = 10
)

const casesPath = "/cases"

var casesPage = page{
	route: casesPath, name: "Cases", group: casesPages, about: "what needs a person first, then every case", view: "cases.html", ofRecord: true, form: true,
	reads:  trigonev1.RecordService_ListCases_FullMethodName,
	answer: answerCases,
}

// caseLine is a case in one line.
type caseLine struct {
	Address, Number, State, Plan, Incision, Changed string
	Contradictions, Cautions, Notes, Differences    int32
	// Missing are the kinds of sections that are not there.
	Missing []string
	// Why it needs a person.
	Why string
}

type casesContent struct {
	Filters []link
	// Waiting are those that need a person; shown at the head of the first page only.
	Waiting []waitingKind
	Head    bool
	Cases   []caseLine
	Next    string
	First   string // address of the first page, if this is not it
	System  string // of case numbers, as the newest case has it
	Search  string // where the form is sent to
	Missed  bool   // nothing was found
}

type waitingKind struct {
	Title, About string
	Cases        []caseLine
	More         string // address of all of them; empty: these are all
}

// caseFilter is a way to narrow the list, as its address names it.
type caseFilter struct {
	name, only string
	state      trigonev1.CaseState
}

var caseFilters = []caseFilter{
	{"Active", "", trigonev1.CaseState_CASE_STATE_ACTIVE},
	{"With a contradiction", "contradiction", trigonev1.CaseState_CASE_STATE_ACTIVE},
	{"Incision to come", "incision", trigonev1.CaseState_CASE_STATE_ACTIVE},
	{"Retracted", "retracted", trigonev1.CaseState_CASE_STATE_RETRACTED},
	{"Merged", "merged", trigonev1.CaseState_CASE_STATE_MERGED},
}

func (f caseFilter) request(size int32, token string) *trigonev1.ListCasesRequest {
	return &trigonev1.ListCasesRequest{
		State: f.state, DisputedOnly: f.only == "contradiction", AwaitingIncisionOnly: f.only == "incision", PageSize: size, PageToken: token,
	}
}

func answerCases(v *visit) (view, error) {
	if v.sent() {
		return findCase(v)
	}
	return listCases(v, false)
}

func listCases(v *visit, missed bool) (view, error) {
	only, token := v.asked().Get("only"), v.asked().Get("page")
	chosen := caseFilters[0]
	for _, f := range caseFilters {
		if f.only == only {
			chosen = f
		}
	}
	if chosen.only != only {
		return view{}, casebook.Refuse(casebook.Invalid, "", "cases are not narrowed by that; choose one of the links of the list")
	}
	list, err := v.rooms.Book.ListCases(v.ctx(), v.who(), chosen.request(casesOnPage, token))
	if err != nil {
		return view{}, err
	}
	c := casesContent{Head: only == "" && token == "", Search: v.address(casesPath), Missed: missed}
	for _, f := range caseFilters {
		c.Filters = append(c.Filters, link{f.name, v.address(casesPath, "only", f.only), f.only == only})
	}
	zone := v.zone()
	for _, one := range list.GetCases() {
		c.Cases = append(c.Cases, v.caseLine(one, zone))
	}
	if len(list.GetCases()) > 0 {
		c.System = list.GetCases()[0].GetExternalIdentifier().GetSystem()
	}
	if list.GetNextPageToken() != "" {
		c.Next = v.address(casesPath, "only", only, "page", list.GetNextPageToken())
	}
	if token != "" {
		c.First = v.address(casesPath, "only", only)
	}
	if c.Head {
		if c.Waiting, err = v.waiting(zone); err != nil {
			return view{}, err
		}
	}
	shown := view{title: "Cases", content: c}
	shown.invented, err = v.rooms.Book.Invented(v.ctx())
	return shown, err
}

// findCase leads to the case of a number, which is sent by a form, so that it stands in
// no address.
func findCase(v *visit) (view, error) {
	number, system := strings.TrimSpace(v.form().Get("number")), strings.TrimSpace(v.form().Get("system"))
	if number == "" {
		return listCases(v, true)
	}
	found, err := v.rooms.Book.GetCase(v.ctx(), v.who(), &trigonev1.GetCaseRequest{
		Case:     &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: system, Value: number}},
		ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"case_version"}},
	})
	switch {
	case isKind(err, casebook.NotFound), isKind(err, casebook.Invalid):
		return listCases(v, true)
	case err != nil:
		return view{}, err
	}
	return view{to: v.address(casePath(found.GetCase().GetName()))}, nil
}

// casePath gives the path of a case's page.
func casePath(name string) string { return casesPath + name[strings.LastIndexByte(name, '/'):] }

func (v *visit) caseLine(c *trigonev1.CaseSummary, zone *time.Location) caseLine {
	line := caseLine{
		Address: v.address(casePath(c.GetName())), Number: numberOf(c.GetExternalIdentifier()),
		Plan: words.Capital(render.Word(c.GetPlanTiming())), Incision: when(c.GetIncisionTime(), zone), Changed: when(c.GetChangedTime(), zone),
		Contradictions: c.GetContradictionCount(), Cautions: c.GetCautionCount(), Notes: c.GetNoteCount(), Differences: c.GetDiscrepancyCount(),
	}
	if c.GetState() != trigonev1.CaseState_CASE_STATE_ACTIVE {
		line.State = render.Word(c.GetState())
	}
	switch c.GetPlanTiming() {
	case trigonev1.PlanTiming_PLAN_TIMING_NO_PLAN:
		line.Plan = "No plan"
	case trigonev1.PlanTiming_PLAN_TIMING_NO_INCISION_TIME:
		line.Plan = "Planned"
	case trigonev1.PlanTiming_PLAN_TIMING_UNSPECIFIED:
		line.Plan = ""
	}
	there := map[string]bool{}
	for _, s := range c.GetSections() {
		kind, _, _ := strings.Cut(s.GetSection(), "/")
		there[kind] = there[kind] || s.GetState() != trigonev1.SectionState_SECTION_STATE_RETRACTED
	}
	for _, kind := range []string{"assessment", "plan", "operation", "result", "follow_up"} {
		if !there[kind] {
			line.Missing = append(line.Missing, words.Spaced(kind))
		}
	}
	return line
}

// Said says whether anything is said of the case.
func (c caseLine) Said() bool { return c.Contradictions+c.Cautions+c.Notes+c.Differences > 0 }

// numberOf gives a case's number, or how a case without one is called.
func numberOf(id *trigonev1.Identifier) string {
	if id.GetValue() == "" {
		return "without a number"
	}
	return id.GetValue()
}

// when gives a time in the zone of the site; empty: it is not known.
func when(t *timestamppb.Timestamp, zone *time.Location) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(zone).Format("2 Jan 2006 15:04")
}

// waiting gives what needs a person, the most pressing first.
func (v *visit) waiting(zone *time.Location) ([]waitingKind, error) {
	var out []waitingKind
	book := v.rooms.Book
	disputed, err := book.ListCases(v.ctx(), v.who(), caseFilters[1].request(mostWaiting, ""))
	if err != nil {
		return nil, err
	}
	if list := disputed.GetCases(); len(list) > 0 {
		kind := waitingKind{Title: "Contradictions that are open", About: "Values that contradict each other count nowhere until one is corrected, or confirmed."}
		for _, c := range list {
			line := v.caseLine(c, zone)
			line.Why = fmt.Sprintf("%d open", line.Contradictions)
			kind.Cases = append(kind.Cases, line)
		}
		if disputed.GetNextPageToken() != "" {
			kind.More = v.address(casesPath, "only", caseFilters[1].only)
		}
		out = append(out, kind)
	}
	if v.may(trigonev1.RecordService_ListQuarantined_FullMethodName) {
		kind, err := v.quarantined(zone)
		if err != nil {
			return nil, err
		}
		if len(kind.Cases) > 0 {
			out = append(out, kind)
		}
	}
	awaited, err := book.ListCases(v.ctx(), v.who(), caseFilters[2].request(mostWaiting, ""))
	if err != nil {
		return nil, err
	}
	kind := waitingKind{Title: "Plans that are not signed, or of whose operation no incision is recorded", About: "A plan is in force only if it was signed before the incision, and that time is recorded."}
	for _, c := range awaited.GetCases() {
		whole, err := book.GetCase(v.ctx(), v.who(), &trigonev1.GetCaseRequest{
			Case: &trigonev1.CaseReference{Name: c.GetName()}, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"case_file"}},
		})
		if err != nil {
			return nil, err
		}
		line, file := v.caseLine(c, zone), whole.GetCase().GetCaseFile()
		switch {
		case file.GetOperation() != nil:
			line.Why = "operated; the time of the incision is missing"
		case file.GetPlan().GetSigner() == "" || file.GetPlan().GetSignedTime() == nil:
			line.Why = "not signed"
		default:
			continue
		}
		kind.Cases = append(kind.Cases, line)
	}
	if awaited.GetNextPageToken() != "" {
		kind.More = v.address(casesPath, "only", caseFilters[2].only)
	}
	if len(kind.Cases) > 0 || kind.More != "" {
		out = append(out, kind)
	}
	return out, nil
}

// quarantined gives what names another patient than its case has, for who decides of it.
func (v *visit) quarantined(zone *time.Location) (waitingKind, error) {
	kind := waitingKind{
		Title: "Submits that were set aside",
		About: "Each names another patient than its case has, and is no part of it. trigone quarantine show and file, or discard, decide of it.",
	}
	list, err := v.rooms.Book.ListQuarantined(v.ctx(), v.who(), &trigonev1.ListQuarantinedRequest{PageSize: mostWaiting})
	if err != nil {
		return kind, err
	}
	for _, q := range list.GetQuarantined() {
		line := caseLine{Number: numberOf(q.GetExternalIdentifier()), Changed: when(q.GetReceivedTime(), zone), Why: "set aside as " + q.GetQuarantineId()}
		if q.GetCaseName() != "" {
			line.Address = v.address(casePath(q.GetCaseName()))
		}
		kind.Cases = append(kind.Cases, line)
	}
	if list.GetNextPageToken() != "" {
		kind.About += " There are more than these."
	}
	return kind, nil
}
