package ledger

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// ListGaps lists what is missing in the record.
func (l *Ledger) ListGaps(ctx context.Context, who casebook.Principal, req *trigonev1.ListGapsRequest) (*trigonev1.ListGapsResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)); err != nil {
		return nil, err
	}
	filters := proto.CloneOf(req)
	filters.PageToken, filters.PageSize, filters.Parent = "", 0, ""
	question, after, err := l.page("ListGaps", filters, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	zone, err := archive.Zone(ctx)
	if err != nil {
		return nil, err
	}
	var kinds []audit.GapKind
	for _, k := range req.GetKinds() {
		if k != trigonev1.GapKind_GAP_KIND_UNSPECIFIED {
			kinds = append(kinds, audit.GapKind(convert.Word(k)))
		}
	}
	var gaps *audit.Gaps
	months := audit.NewMonths(zone)
	q := tallyQuestion{filter: req.GetFilter(), asOf: instant(req.GetAsOf())}
	asOf, before := until(archive, q.filter, q.asOf)
	gaps = audit.NewGaps(asOf, zone, kinds)
	q.asOf = asOf
	walked, err := l.tally(ctx, archive, site, q, func(c *audit.Case) error {
		gaps.Add(c)
		months.Add(c)
		return nil
	})
	if err != nil {
		return nil, err
	}
	// A case without an operation, or without a time of one, is of no period and of no
	// kind of operation.
	period := req.GetFilter().GetIncisionFrom() != nil || req.GetFilter().GetIncisionBefore() != nil
	if !period && len(req.GetFilter().GetGroups()) == 0 {
		gaps.AddUndated(walked.undated)
		if err := l.awaited(ctx, site, gaps); err != nil {
			return nil, err
		}
	}
	list, counts, sentence := gaps.Answer()
	resp := &trigonev1.ListGapsResponse{Context: walked.context, Sentence: sentence}
	for _, n := range counts {
		resp.Counts = append(resp.Counts, &trigonev1.GapCount{
			Kind: convert.Enum[trigonev1.GapKind](string(n.Kind)), Count: int32(n.Count), Of: int32(n.Of), Sentence: n.Sentence,
		})
	}
	if len(req.GetFilter().GetGroups()) == 0 {
		from := ""
		if t := instant(req.GetFilter().GetIncisionFrom()); !t.IsZero() {
			from = audit.MonthOf(t, zone)
		}
		held, err := theatreMonths(ctx, archive, site, from, audit.MonthOf(before.Add(-1), zone)+"~")
		if err != nil {
			return nil, err
		}
		for _, m := range months.Against(held) {
			resp.Months = append(resp.Months, &trigonev1.TheatreMonth{
				Month: m.Month, ListedCount: narrow(m.Listed), RecordedCount: int32(m.Recorded), Sentence: m.Sentence,
			})
		}
	}
	start, err := placeOfGap(list, after)
	if err != nil {
		return nil, err
	}
	end := min(start+casebook.PageSize(req.GetPageSize()), len(list))
	for _, gap := range list[start:end] {
		c, err := archive.Store.Case(ctx, site, gap.UID)
		if err != nil {
			return nil, err
		}
		casebook.AccessOf(ctx).Case(gap.UID)
		resp.Gaps = append(resp.Gaps, &trigonev1.Gap{
			Kind: convert.Enum[trigonev1.GapKind](string(gap.Kind)), CaseName: archive.CaseName(gap.UID),
			ExternalIdentifier: casebook.IdentifierMessage(c.ExternalIdentifier), IncisionTime: casebook.Timestamp(gap.Incision), OverdueDays: narrow(gap.OverdueDays),
		})
	}
	next := ""
	if end < len(list) {
		last := list[end-1]
		next = strings.Join([]string{string(last.Kind), strconv.FormatInt(last.Incision.UnixNano(), 10), last.UID}, ":")
		if last.Incision.IsZero() {
			next = strings.Join([]string{string(last.Kind), "", last.UID}, ":")
		}
	}
	resp.NextPageToken, err = l.archives.Tokens().Token(question, next)
	return resp, err
}

// placeOfGap gives where a list goes on behind the gap that a page ended with.
func placeOfGap(list []audit.Missing, after string) (int, error) {
	if after == "" {
		return 0, nil
	}
	parts := strings.SplitN(after, ":", 3)
	if len(parts) != 3 {
		return 0, casebook.RefuseField("page_token", "is no token of this list; use the one of its last page")
	}
	kinds := audit.GapKinds()
	place := func(kind audit.GapKind) int { return slices.Index(kinds, kind) }
	at, _ := strconv.ParseInt(parts[1], 10, 64)
	i := slices.IndexFunc(list, func(g audit.Missing) bool {
		when := int64(0)
		if !g.Incision.IsZero() {
			when = g.Incision.UnixNano()
		}
		return cmp.Or(cmp.Compare(place(g.Kind), place(audit.GapKind(parts[0]))), cmp.Compare(when, at), cmp.Compare(g.UID, parts[2])) > 0
	})
	if i < 0 {
		return len(list), nil
	}
	return i, nil
}

// awaited adds the cases that were planned and have no operation.
func (l *Ledger) awaited(ctx context.Context, site string, gaps *audit.Gaps) error {
	store, after := l.archives[0].Store, ""
	for {
		rows, next, err := store.Cases(ctx, []string{site}, storage.CaseFilter{State: storage.CaseActive, AwaitingIncision: true}, after, rowsAtOnce)
		if err != nil {
			return err
		}
		for _, c := range rows {
			if !slices.ContainsFunc(c.Sections, func(s storage.Section) bool {
				return s.Section == storage.OperationSection && s.State != storage.SectionRetracted
			}) {
				gaps.AddAwaited(audit.WithoutOperation{UID: c.UID, Changed: c.ChangedTime})
			}
		}
		if next == "" {
			return nil
		}
		after = next
	}
}

// rowsAtOnce is how many rows are read of a list that is walked to its end.
const rowsAtOnce = 500

// theatreMonths gives what the list of the theatres says from one month up to, and not
// with, another.
func theatreMonths(ctx context.Context, archive *casebook.Archive, site, from, before string) (list []audit.TheatreMonth, err error) {
	counts, err := archive.Store.TheatreCounts(ctx, site, from, before)
	if err != nil {
		return nil, err
	}
	for _, c := range counts {
		m, err := casebook.TheatreCountMessage(c)
		if err != nil {
			return nil, err
		}
		month := audit.TheatreMonth{Month: c.Month}
		for _, r := range m.GetRows() {
			month.Rows = append(month.Rows, audit.TheatreRow{Aetiology: convert.Word(r.GetAetiology()), Procedure: convert.Word(r.GetProcedure()), Count: int(r.GetCount())})
		}
		list = append(list, month)
	}
	return list, nil
}

// narrow gives a count as the contract has it.
func narrow(v units.Maybe[int]) *int32 {
	n, ok := v.Get()
	if !ok {
		return nil
	}
	out := int32(n)
	return &out
}
