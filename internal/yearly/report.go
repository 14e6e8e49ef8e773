// Package yearly writes the yearly report of a department: a document built from answers
// of the audit, with the numbers that a head of department would hand in. It computes
// shares and their bounds from what it was given, asks nobody and reads no clock; the
// same answers give the same document.
//
// It is the internal copy: deaths and conversions stand in it one by one, under the
// hospital's number and without a date. It has no table by operator. What is missing
// stands on the first page, with what the results would be if all of it were bad, and if
// all of it were good.
package yearly

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/document"
	"trigone/internal/picture"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Language of every report.
const Language = "en"

// Input is what a report is made of: answers about the operations of one year, all of
// one state of the record.
type Input struct {
	Year int
	// Facts of the cases operated on in the year.
	Facts []*trigonev1.CaseFacts
	// Numbers are the hospital's numbers of cases by their name: of those that are listed
	// one by one.
	Numbers map[string]string
	// Gaps of the record, with the theatre list.
	Gaps *trigonev1.ListGapsResponse
	// Outcomes of the year; HalfYears those of all operations up to its end.
	Outcomes, HalfYears *trigonev1.SummarizeOutcomesResponse
	// Agreement of plans and outcomes, of the year.
	Agreement *trigonev1.SummarizeAgreementResponse
	// Discrepancies that are present, of the year.
	Discrepancies []*trigonev1.CaseDiscrepancy
	// Monitoring is of all operations on record, Freedom of those up to the end of the year.
	Monitoring *trigonev1.MonitorOutcomesResponse
	Freedom    *trigonev1.EstimateFreedomResponse
	// Actions of last year, one a line, as the department wrote them; none: lines to write
	// on.
	Actions []string
}

// ErrAnotherRecord says that the answers are of different states of the record.
var ErrAnotherRecord = errors.New("the record was written to while the report was made: make it again")

// Build makes the report.
func Build(in Input) (document.Document, error) {
	contexts := []*trigonev1.AuditContext{in.Gaps.GetContext(), in.Outcomes.GetContext(), in.HalfYears.GetContext(), in.Agreement.GetContext(), in.Monitoring.GetContext(), in.Freedom.GetContext()}
	for _, c := range contexts {
		if c.GetLastChange() != contexts[0].GetLastChange() || c.GetParent() != contexts[0].GetParent() {
			return document.Document{}, ErrAnotherRecord
		}
	}
	c := contexts[0]
	b := &builder{in: in, context: c}
	asOf := c.GetAsOf().AsTime().UTC()
	d := document.Document{
		Title: fmt.Sprintf("Mitral valve repair: report of the year %d", in.Year), Language: Language, Created: asOf,
		Status: []string{"INTERNAL COPY: it lists deaths and conversions under the hospital's numbers and stays in the department."},
		Head: document.Head{
			First: fmt.Sprintf("Mitral valve repair, %d, %s", in.Year, c.GetParent()), Second: fmt.Sprintf("as of %s UTC, change %d", asOf.Format(timeLayout), c.GetLastChange()),
			Status: "INTERNAL",
		},
	}
	if c.GetInvented() {
		d.Status = append(d.Status, "INVENTED CASES: no patient stands behind a number of this report.")
		d.Head.Status = "INTERNAL, INVENTED"
	}
	d.Subject = []document.Field{
		{Name: "Operations", Value: fmt.Sprintf("with incision in %d, on record as of %s UTC", in.Year, asOf.Format(timeLayout))},
		{Name: "State of the record", Value: fmt.Sprintf("change %d of %s", c.GetLastChange(), c.GetParent())},
		{Name: "Versions", Value: b.versions()},
	}
	d.Sections = []document.Section{
		{Key: "seen", Heading: "What this report has seen", Blocks: b.seen()},
		{Key: "results", Heading: "Results, and how far missing ones could move them", Blocks: b.results()},
		{Key: "plans", Heading: "Plans and what came of them", Blocks: b.plans()},
		{Key: "differences", Heading: "Differences and their reasons", Blocks: b.differences()},
		{Key: "learning", Heading: "What the plans missed", Blocks: b.learning()},
		{Key: "time", Heading: "Over time", Blocks: b.time()},
		{Key: "one-by-one", Heading: "Deaths and conversions, one by one", Blocks: b.oneByOne()},
		{Key: "benchmarks", Heading: "Beside published figures", Blocks: b.benchmarks()},
		{Key: "actions", Heading: "Actions of last year, and what became of them", Blocks: b.actions()},
		{Key: document.KeySignature, Heading: "Signature", Blocks: []document.Block{{Fill: "Head of department"}, {Fill: "Audit lead"}, {Fill: "Place"}, {Fill: "Date"}}},
	}
	d.Footer = []string{"SHA-256 of the content above: " + Hash(d) + ". Whoever makes the report again from the same state of the record, as of the same time, gets the same number."}
	return d, nil
}

const timeLayout = "2006-01-02 15:04"

// Hash is that of everything that the document says: texts, tables and pictures.
func Hash(d document.Document) string {
	h := sha256.New()
	say := func(list ...string) {
		for _, s := range list {
			fmt.Fprintf(h, "%d:%s", len(s), s)
		}
	}
	say(d.Title, d.Head.First, d.Head.Second, d.Head.Status)
	say(d.Status...)
	for _, f := range d.Subject {
		say(f.Name, f.Value)
	}
	for _, s := range d.Sections {
		say(s.Key, s.Heading)
		for _, b := range s.Blocks {
			if b.Drawing != nil {
				say(string(picture.SVG(*b.Drawing)))
			}
			b.Each(func(text string) string {
				say(text)
				return text
			})
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

type builder struct {
	in      Input
	context *trigonev1.AuditContext
}

func (b *builder) versions() string {
	catalogue, rules, calibrations := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, f := range b.in.Facts {
		catalogue[f.GetVersions().GetCatalogueVersion()] = true
		rules[f.GetVersions().GetRuleSetVersion()] = true
		if id := f.GetVersions().GetCalibrationId(); id != "" {
			calibrations[id] = true
		}
	}
	list := []string{"figures by method " + b.context.GetMethodVersion(), "clinical policy " + short(b.context.GetPolicyHash())}
	for _, v := range []struct {
		name string
		of   map[string]bool
	}{{"catalogue", catalogue}, {"rule set", rules}, {"calibration", calibrations}} {
		if keys := sorted(v.of); len(keys) > 0 {
			list = append(list, v.name+" "+words.And(keys))
		}
	}
	return strings.Join(list, "; ")
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12]
	}
	return hash
}

func sorted(set map[string]bool) []string {
	var keys []string
	for k := range set {
		if k != "" {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

func paragraph(text string) document.Block { return document.Block{Paragraph: text} }

func list(items ...string) []document.Block {
	if len(items) == 0 {
		return nil
	}
	l := &document.List{}
	for _, i := range items {
		l.Items = append(l.Items, document.Item{Text: i})
	}
	return []document.Block{{List: l}}
}

// theatre is what the theatre list says of the year.
type theatre struct {
	listed, recorded, missing int
	months, silent            int // months with a list, and without
}

func (b *builder) theatre() theatre {
	var t theatre
	prefix := fmt.Sprintf("%d-", b.in.Year)
	for _, m := range b.in.Gaps.GetMonths() {
		if !strings.HasPrefix(m.GetMonth(), prefix) {
			continue
		}
		t.recorded += int(m.GetRecordedCount())
		if m.ListedCount == nil {
			continue
		}
		t.months++
		t.listed += int(m.GetListedCount())
		t.missing += max(0, int(m.GetListedCount())-int(m.GetRecordedCount()))
	}
	t.silent = 12 - t.months
	return t
}

func (b *builder) seen() []document.Block {
	t := b.theatre()
	n := len(b.in.Facts)
	var blocks []document.Block
	switch {
	case t.months == 0:
		blocks = append(blocks, paragraph(fmt.Sprintf("%s on record. No theatre list was given for any month of the year, so that nobody can say how many operations are missing.", operations(n))))
	case t.missing == 0:
		blocks = append(blocks, paragraph(fmt.Sprintf("The theatre list has %s on the mitral valve in %s; of none of these months it has more than this record. %s on record.", operations(t.listed), months(t.months), operations(n))))
	default:
		blocks = append(blocks, paragraph(fmt.Sprintf("The theatre list has %s on the mitral valve in %s. %s on record in the year. %s of the list never arrived here.", operations(t.listed), months(t.months), operations(n), operations(t.missing))))
	}
	if t.months > 0 && t.silent > 0 {
		blocks = append(blocks, paragraph(fmt.Sprintf("For %s no list was given: what is missing of them is not known.", months(t.silent))))
	}
	table := &document.Table{Caption: "Month by month", Header: []string{"Month", "On the theatre list", "On record"}}
	prefix := fmt.Sprintf("%d-", b.in.Year)
	for _, m := range b.in.Gaps.GetMonths() {
		if strings.HasPrefix(m.GetMonth(), prefix) {
			listed := "no list"
			if m.ListedCount != nil {
				listed = fmt.Sprint(m.GetListedCount())
			}
			table.Rows = append(table.Rows, []string{m.GetMonth(), listed, fmt.Sprint(m.GetRecordedCount())})
		}
	}
	if len(table.Rows) > 0 && t.months > 0 {
		blocks = append(blocks, document.Block{Table: table})
	}
	var missing []string
	for _, g := range b.in.Gaps.GetCounts() {
		if g.GetCount() > 0 {
			missing = append(missing, g.GetSentence())
		}
	}
	if len(missing) == 0 {
		missing = []string{"Nothing that was looked for is missing in the cases on record."}
	}
	blocks = append(append(blocks, document.Block{Subheading: "What is missing in the cases on record"}), list(missing...)...)
	return append(blocks, paragraph(b.context.GetCaution()))
}

func operations(n int) string { return counted(n, "operation") }

func months(n int) string { return counted(n, "month") }

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (b *builder) plans() []document.Block {
	var as, otherwise, unclear, blind, total, unrecorded int
	for _, f := range b.in.Facts {
		if !f.GetCounts().GetAgreementsRecorded() {
			unrecorded++
			continue
		}
		t := f.GetCounts().GetThingsPlanned()
		total += int(t.GetTotal())
		as += int(t.GetAsPlanned())
		otherwise += int(t.GetOtherwise())
		unclear += int(t.GetCannotBeTold())
		blind += int(t.GetNotEvaluable())
	}
	blocks := []document.Block{paragraph(fmt.Sprintf("Of %d things planned (steps, rings, heights, aims) %d came as planned, %d otherwise, of %d it cannot be told, %d were not evaluable.", total, as, otherwise, unclear, blind))}
	if unrecorded > 0 {
		blocks = append(blocks, paragraph(fmt.Sprintf("Of %s, evaluated by an earlier version, things planned are not counted.", counted(unrecorded, "case"))))
	}
	var sentences []string
	for _, a := range b.in.Agreement.GetAgreements() {
		if a.GetStratum() == nil && primary(a.GetKind()) && a.GetPairCount()+a.GetInRange().GetInside().GetOf()+a.GetExact().GetOf() > 0 {
			sentences = append(sentences, a.GetSentence())
		}
	}
	blocks = append(blocks, list(sentences...)...)
	if len(sentences) == 0 {
		blocks = append(blocks, paragraph("No planned or predicted value of the year has a measured one beside it."))
	}
	for _, p := range render.AgreementPlots(b.in.Agreement) {
		if p.NotDrawn == "" && (p.Name == "coverage" || p.Name == "aims") {
			blocks = append(blocks, document.Block{Drawing: &p})
		}
	}
	return blocks
}

// primary are the comparisons that a report tells in sentences; the others are in
// 'trigone agreement'.
func primary(k trigonev1.ComparisonKind) bool {
	switch k {
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT,
		trigonev1.ComparisonKind_COMPARISON_KIND_AIM, trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL:
		return true
	}
	return false
}

// class is how often one class of difference was found.
type class struct {
	name           string
	found, because int
	reasons        map[string]int
}

func (b *builder) classes() []class {
	by := map[string]*class{}
	for _, d := range b.in.Discrepancies {
		x := d.GetDiscrepancy()
		if x.GetVerdict() != trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT || x.GetParent() != "" {
			continue
		}
		c := by[x.GetClass()]
		if c == nil {
			c = &class{name: x.GetClass(), reasons: map[string]int{}}
			by[x.GetClass()] = c
		}
		c.found++
		if x.GetReason() != "" {
			c.because++
			c.reasons[x.GetReason()]++
		}
	}
	var out []class
	for _, c := range by {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b class) int {
		if a.found != b.found {
			return b.found - a.found
		}
		return strings.Compare(a.name, b.name)
	})
	return out
}

func (b *builder) differences() []document.Block {
	classes := b.classes()
	if len(classes) == 0 {
		return []document.Block{paragraph("No difference between a plan and its outcome is on record for the year. Where no plan was signed nothing could be compared.")}
	}
	found, because := 0, 0
	table := &document.Table{Header: []string{"Difference", "Found", "With a reason", "Reasons, as recorded"}}
	for _, c := range classes {
		found += c.found
		because += c.because
		table.Rows = append(table.Rows, []string{words.Capital(words.Spaced(c.name)), fmt.Sprint(c.found), fmt.Sprint(c.because), orNone(reasons(c.reasons))})
	}
	return []document.Block{
		paragraph(fmt.Sprintf("%s between plan and outcome, each with its own cause; of %d the reason is on record. A difference is not an error: what is seen in theatre may rightly change a plan.", counted(found, "difference"), because)),
		{Table: table},
	}
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// reasons lists the most frequent first.
func reasons(of map[string]int) string {
	keys := make([]string, 0, len(of))
	for k := range of {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b string) int {
		if of[a] != of[b] {
			return of[b] - of[a]
		}
		return strings.Compare(a, b)
	})
	var parts []string
	for _, k := range keys {
		parts = append(parts, fmt.Sprintf("%s %d", words.Spaced(k), of[k]))
	}
	return strings.Join(parts, ", ")
}

func (b *builder) learning() []document.Block {
	late, never := 0, 0
	for _, f := range b.in.Facts {
		switch f.GetTimes().GetPlanTiming() {
		case trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE:
		case trigonev1.PlanTiming_PLAN_TIMING_UNSPECIFIED:
			never++
		default:
			late++
		}
	}
	items := []string{fmt.Sprintf("Of %s, %d had a plan signed and received before incision, %d another or a later one, %d none.", operations(len(b.in.Facts)), len(b.in.Facts)-late-never, late, never)}
	for i, c := range b.classes() {
		if i == 3 {
			break
		}
		items = append(items, fmt.Sprintf("Most often found, place %d: %s, %s.", i+1, words.Spaced(c.name), times(c.found)))
	}
	for _, a := range b.in.Agreement.GetAgreements() {
		r := a.GetInRange()
		if a.GetStratum() != nil || a.GetKind() != trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN || r == nil || r.GetBelowCount()+r.GetAboveCount() == 0 {
			continue
		}
		items = append(items, fmt.Sprintf("Predicted %s: measured below its range %s, above it %s, of %d.", words.Spaced(a.GetMetric()), times(int(r.GetBelowCount())), times(int(r.GetAboveCount())), r.GetInside().GetOf()))
	}
	return append(list(items...), document.Block{Fill: "What we take from it"}, document.Block{Fill: "What we change"})
}

func times(n int) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func (b *builder) time() []document.Block {
	blocks := b.halfYears()
	if s := b.in.Monitoring.GetSentence(); s != "" {
		blocks = append(blocks, document.Block{Subheading: "Outcomes followed from operation to operation"}, paragraph(s))
	}
	plots := render.MonitoringPlots(b.in.Monitoring)
	var drawn []document.Block
	var pictures []string
	for i, c := range b.in.Monitoring.GetCharts() {
		if i >= len(plots) || c.GetKind() == trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_PICTURE || plots[i].NotDrawn != "" {
			pictures = append(pictures, c.GetSentence())
			continue
		}
		drawn = append(drawn, document.Block{Drawing: &plots[i]})
	}
	blocks = append(append(blocks, list(pictures...)...), drawn...)
	blocks = append(blocks, document.Block{Subheading: fmt.Sprintf("What became of the patients operated on up to the end of %d", b.in.Year)})
	plots = render.EventCurvePlots(b.in.Freedom)
	drawn = nil
	var sentences []string
	for i, c := range b.in.Freedom.GetCurves() {
		if i >= len(plots) || !drawnEvent(c.GetEvent()) || plots[i].NotDrawn != "" {
			sentences = append(sentences, c.GetSentence())
			continue
		}
		drawn = append(drawn, document.Block{Drawing: &plots[i]})
	}
	return append(append(blocks, list(sentences...)...), drawn...)
}

// drawnEvent are the events whose curves a report draws; the others it tells.
func drawnEvent(e trigonev1.FollowedEvent) bool {
	return e == trigonev1.FollowedEvent_FOLLOWED_EVENT_DEATH || e == trigonev1.FollowedEvent_FOLLOWED_EVENT_RECURRENCE
}

// oneByOne lists deaths and conversions under the hospital's number, without a date.
func (b *builder) oneByOne() []document.Block {
	table := &document.Table{Header: []string{"Case", "What", "When", "Discussed, and what we take from it"}}
	for _, f := range b.byNumber() {
		number := b.number(f)
		if happened, when := death(f); happened {
			table.Rows = append(table.Rows, []string{number, "death", when, ""})
		}
		if f.GetRepair().GetConverted() == trigonev1.Answer_ANSWER_YES {
			why := render.Word(f.GetRepair().GetConversionReason())
			what := "conversion to replacement"
			if why != "" {
				what += ", " + why
			}
			table.Rows = append(table.Rows, []string{number, what, orNone(render.Word(f.GetRepair().GetConversionPoint())), ""})
		}
	}
	if len(table.Rows) == 0 {
		return []document.Block{paragraph("No death in the stay or within 30 days, and no conversion, is on record for operations of the year.")}
	}
	return []document.Block{
		paragraph("Deaths in the stay or within 30 days of the operation, and conversions, of operations of the year."), {Table: table},
	}
}

func (b *builder) number(f *trigonev1.CaseFacts) string {
	if n := b.in.Numbers[f.GetCaseName()]; n != "" {
		return n
	}
	return f.GetCaseName()
}

func (b *builder) byNumber() []*trigonev1.CaseFacts {
	facts := slices.Clone(b.in.Facts)
	slices.SortFunc(facts, func(x, y *trigonev1.CaseFacts) int { return strings.Compare(b.number(x), b.number(y)) })
	return facts
}

// OneByOne says whether the case is among those that are listed one by one, so that its
// number is needed.
func OneByOne(f *trigonev1.CaseFacts) bool {
	dead, _ := death(f)
	return dead || f.GetRepair().GetConverted() == trigonev1.Answer_ANSWER_YES
}

// death says whether the patient died in the stay or within 30 days, and when.
func death(f *trigonev1.CaseFacts) (bool, string) {
	o := f.GetOutcome()
	yes := trigonev1.Answer_ANSWER_YES
	switch {
	case o.GetLeftTheatreAlive() == trigonev1.Answer_ANSWER_NO:
		return true, "in theatre"
	case o.GetDiedInHospital() == yes && o.DiedOnDay != nil:
		return true, fmt.Sprintf("in the stay, day %d", o.GetDiedOnDay())
	case o.GetDiedInHospital() == yes:
		return true, "in the stay, day not recorded"
	case o.GetDiedWithin_30Days() == yes && o.DiedOnDay != nil:
		return true, fmt.Sprintf("after discharge, day %d", o.GetDiedOnDay())
	case o.GetDiedWithin_30Days() == yes:
		return true, "within 30 days, day not recorded"
	}
	return false, ""
}

func (b *builder) actions() []document.Block {
	if len(b.in.Actions) == 0 {
		return []document.Block{paragraph("None were given to this report; lines to write on:"), {Fill: "Action"}, {Fill: "What became of it"}, {Fill: "Action"}, {Fill: "What became of it"}, {Fill: "Action"}, {Fill: "What became of it"}}
	}
	table := &document.Table{Header: []string{"Action", "What became of it"}}
	for _, a := range b.in.Actions {
		action, result, _ := strings.Cut(a, "|")
		table.Rows = append(table.Rows, []string{strings.TrimSpace(action), strings.TrimSpace(result)})
	}
	return []document.Block{{Table: table}}
}
