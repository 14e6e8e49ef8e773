package ledger

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/extract"
	"trigone/internal/repair"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// The tables of an extract: the cases, their child rows by the name of the field of
// CaseFacts, and the comparisons.
const (
	tableCases       = "cases"
	tableComparisons = "comparisons"
)

// ExtractTables lists them in their order.
func ExtractTables() []string {
	list := []string{tableCases}
	for _, k := range childKinds {
		list = append(list, string(k.field))
	}
	return append(list, tableComparisons)
}

// ExtractTable gives the cases of one site as tables: one site, since the numbers of its
// cases and what is coarsened belong to it. It walks the record twice: first it learns who
// there is and how rare, then it sends a case at a time, so that the memory it takes grows
// with the number of cases and not with what is recorded of them.
//
// The profile for others is made here and not by the client: what leaves the service is
// then already coarsened, whoever asks, and a right to it alone can be given one day.
func (l *Ledger) ExtractTable(ctx context.Context, who casebook.Principal, req *trigonev1.ExtractTableRequest, send func(*trigonev1.ExtractTableResponse) error) error {
	x, err := l.newExtraction(ctx, who, req)
	if err != nil {
		return err
	}
	if err := x.learn(ctx); err != nil {
		return notBuilt(err, req.GetBasis())
	}
	line := casebook.AccessOf(ctx)
	line.Cases(len(x.order))
	line.Tells(x.told())
	if err := send(&trigonev1.ExtractTableResponse{Content: &trigonev1.ExtractTableResponse_Header{Header: x.header()}}); err != nil {
		return err
	}
	out := &extractSender{send: send}
	if err := errors.Join(x.walk(ctx, out.take), out.flush()); err != nil {
		return err
	}
	return send(&trigonev1.ExtractTableResponse{Content: &trigonev1.ExtractTableResponse_End{End: x.end()}})
}

// extraction is one extract under way.
type extraction struct {
	archive  *casebook.Archive
	site     string
	zone     *time.Location
	req      *trigonev1.ExtractTableRequest
	asOf     time.Time
	external bool
	invented bool
	tables   []*extractTable

	lastChange int64
	// order are the cases in the order in which they are told, which a keyed hash makes;
	// numbers are their places in it, from 1.
	order   []string
	numbers map[string]int64
	keys    map[string]extract.Key
	result  extract.Coarsened
	left    int
	values  map[valueKey]*extract.Values
	bounds  map[valueKey]bound
}

// valueKey says which numbers are of one kind: those of a column and, of comparisons, of
// one metric.
type valueKey struct {
	table, column, metric string
}

type bound struct {
	low, high float64
	ok        bool
}

func (l *Ledger) newExtraction(ctx context.Context, who casebook.Principal, req *trigonev1.ExtractTableRequest) (*extraction, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	zone, err := archive.Zone(ctx)
	if err != nil {
		return nil, err
	}
	x := &extraction{
		archive: archive, site: site, zone: zone, req: req, asOf: archive.Now().UTC(),
		external: req.GetProfile() == trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL,
		numbers:  map[string]int64{}, keys: map[string]extract.Key{}, values: map[valueKey]*extract.Values{}, bounds: map[valueKey]bound{},
	}
	if req.GetAsOf() != nil {
		x.asOf = instant(req.GetAsOf())
	}
	violations := convert.Check(req)
	for i, name := range req.GetTables() {
		if !slices.Contains(ExtractTables(), name) {
			violations = append(violations, convert.Violation{Path: fmt.Sprintf("tables[%d]", i), Message: "is none of " + strings.Join(ExtractTables(), ", ")})
		}
	}
	if x.external {
		violations = append(violations, x.notForOthers()...)
	}
	if err := casebook.RefuseFields(violations); err != nil {
		return nil, err
	}
	for _, t := range extractTables(x.external) {
		if len(req.GetTables()) == 0 || slices.Contains(req.GetTables(), t.name) {
			x.tables = append(x.tables, t)
		}
	}
	return x, nil
}

// notForOthers says what an extract for others is not asked for.
func (x *extraction) notForOthers() []convert.Violation {
	var list []convert.Violation
	if x.req.GetWithCaseNumbers() {
		list = append(list, convert.Violation{Path: "with_case_numbers", Message: "is for the department alone: a case number names the patient to whoever can look it up"})
	}
	for _, t := range []struct {
		path string
		at   *timestamppb.Timestamp
	}{{"incision_from", x.req.GetIncisionFrom()}, {"incision_before", x.req.GetIncisionBefore()}} {
		if t.at != nil && !extract.BeginsHalfYear(t.at.AsTime().In(x.zone)) {
			list = append(list, convert.Violation{Path: t.path, Message: "is no begin of a half-year, 1 January or 1 July, in the zone of the site: for others only whole half-years are told"})
		}
	}
	return list
}

func (x *extraction) told() string {
	switch {
	case x.external:
		return "profile external"
	case x.req.GetWithCaseNumbers():
		return "profile department, with case numbers"
	}
	return "profile department"
}

// learn reads who there is, how rare, and of which numbers the extremes are coded.
func (x *extraction) learn(ctx context.Context) error {
	// A period that holds no case: only the number of the last change is asked for.
	nothing := func(storage.PairCase) error { return nil }
	counts, err := x.archive.Store.Pairs(ctx, x.site, storage.PairFilter{IncisionBefore: time.Unix(0, 0)}, nothing, func(storage.PairRow) error { return nil })
	if err != nil {
		return err
	}
	x.lastChange = counts.LastChange
	if x.invented, err = x.archive.Invented(ctx); err != nil {
		return err
	}
	var keys []extract.Key
	err = x.facts(ctx, "", func(row storage.CaseFacts) error {
		x.order = append(x.order, row.CaseUID)
		if !x.external {
			return nil
		}
		facts, err := joined(row.Facts, row.Children)
		keys = append(keys, x.keyOf(facts))
		return err
	})
	if err != nil {
		return err
	}
	if x.external {
		x.coarsen(keys)
		if err := x.walk(ctx, x.collect); err != nil {
			return err
		}
		for key, v := range x.values {
			var b bound
			b.low, b.high, b.ok = v.Bounds()
			x.bounds[key] = b
		}
	}
	return x.number()
}

// coarsen coarsens what cases are told apart by, and leaves out who stands out all the same.
func (x *extraction) coarsen(keys []extract.Key) {
	x.result = extract.Coarsen(keys)
	var kept []string
	for i, uid := range x.order {
		if x.result.LeftOut[i] {
			x.left++
			continue
		}
		kept = append(kept, uid)
		x.keys[uid] = x.result.Keys[i]
	}
	x.order = kept
}

// number puts the cases into an order that tells nothing of them, another one in each
// extract.
func (x *extraction) number() error {
	question := proto.CloneOf(x.req)
	question.AsOf = timestamppb.New(x.asOf)
	about, err := proto.MarshalOptions{Deterministic: true}.Marshal(question)
	if err != nil {
		return fmt.Errorf("the request of an extract: %w", err)
	}
	rank := map[string]string{}
	for _, uid := range x.order {
		rank[uid] = string(x.archive.KeyedHash([]byte("extract"), about, []byte(strconv.FormatInt(x.lastChange, 10)), []byte(uid)))
	}
	slices.SortFunc(x.order, func(a, b string) int { return strings.Compare(rank[a], rank[b]) })
	for i, uid := range x.order {
		x.numbers[uid] = int64(i) + 1
	}
	return nil
}

// filter selects the cases; the end of the period is just behind as_of, so that an
// operation begun at that moment counts. A case without incision is in where nobody asks
// for a period.
func (x *extraction) filter(uid string) storage.FactsFilter {
	return storage.FactsFilter{
		Restated: restated(x.req.GetBasis()), CaseUID: uid, IncisionFrom: instant(x.req.GetIncisionFrom()), IncisionBefore: x.before(),
	}
}

func (x *extraction) before() time.Time {
	before := instant(x.req.GetIncisionBefore())
	if x.req.GetAsOf() != nil && (before.IsZero() || x.asOf.Add(1).Before(before)) {
		return x.asOf.Add(1)
	}
	return before
}

// atOnce is how many rows are read, or sent, at a time.
const atOnce = 200

func (x *extraction) facts(ctx context.Context, uid string, take func(storage.CaseFacts) error) error {
	for after := ""; ; {
		rows, next, err := x.archive.Store.Facts(ctx, []string{x.site}, x.filter(uid), after, atOnce)
		if err != nil {
			return err
		}
		for _, row := range rows {
			if err := take(row); err != nil {
				return err
			}
		}
		if after = next; after == "" {
			return nil
		}
	}
}

func (x *extraction) comparisons(ctx context.Context, uid string, take func(*trigonev1.Comparison) error) error {
	f := storage.ComparisonFilter{Restated: restated(x.req.GetBasis()), CaseUID: uid, IncisionFrom: instant(x.req.GetIncisionFrom()), IncisionBefore: x.before()}
	for after := ""; ; {
		rows, next, err := x.archive.Store.Comparisons(ctx, []string{x.site}, f, after, atOnce)
		if err != nil {
			return err
		}
		for _, row := range rows {
			c, err := comparisonOf(row.Comparison)
			if err != nil {
				return err
			}
			if err := take(c); err != nil {
				return err
			}
		}
		if after = next; after == "" {
			return nil
		}
	}
}

// keyOf gives what a case is told apart by, and coarsened by.
func (x *extraction) keyOf(f *trigonev1.CaseFacts) extract.Key {
	var done []repair.Technique
	for _, t := range f.GetRepair().GetTechniquesDone() {
		done = append(done, repair.Technique(t))
	}
	k := extract.Key{
		Technique: string(repair.ClassOf(done)), Approach: convert.Word(f.GetSetting().GetApproach()),
		Aetiology: convert.Word(f.GetValve().GetAetiology()), Sex: convert.Word(f.GetPatient().GetSex()),
	}
	if t := f.GetTimes().GetIncisionTime(); t != nil {
		k.Period = extract.HalfYear(t.AsTime().In(x.zone))
	}
	if f.GetPatient() != nil && f.Patient.AgeYears != nil {
		k.AgeBand = extract.AgeBand(int(f.GetPatient().GetAgeYears()))
	}
	if list := rings(f); len(list) > 0 { // one is the rule
		if k.RingFamily = list[0].GetFamilyKey(); list[0].ImplantedLabel != nil {
			k.RingLabel = strconv.FormatFloat(list[0].GetImplantedLabel(), 'f', -1, 64)
		}
	}
	return k
}

// walk goes over every row, those of one case after the other.
func (x *extraction) walk(ctx context.Context, take func(*extractRow) error) error {
	for _, uid := range x.order {
		// A case that was retracted or erased meanwhile has no row any more.
		err := x.facts(ctx, uid, func(row storage.CaseFacts) error {
			facts, err := joined(row.Facts, row.Children)
			if err != nil {
				return err
			}
			return x.ofCase(ctx, &extractRow{x: x, uid: uid, facts: facts, key: x.keys[uid], identifier: row.ExternalIdentifier}, take)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (x *extraction) ofCase(ctx context.Context, r *extractRow, take func(*extractRow) error) error {
	for _, t := range x.tables {
		r.table, r.number, r.comparison = t, 0, nil
		switch t.name {
		case tableCases:
			r.message = r.facts.ProtoReflect()
			if err := take(r); err != nil {
				return err
			}
		case tableComparisons:
			err := x.comparisons(ctx, r.uid, func(c *trigonev1.Comparison) error {
				if x.external && r.key.Technique == extract.Other && ofStep(c) {
					return nil
				}
				r.number++
				r.message, r.comparison = c.ProtoReflect(), c
				return take(r)
			})
			if err != nil {
				return err
			}
		default:
			list := r.facts.ProtoReflect().Get(t.field).List()
			for i := range list.Len() {
				r.number++
				r.message = list.Get(i).Message()
				if err := take(r); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// ofStep says whether a comparison is one of a step: it tells the technique.
func ofStep(c *trigonev1.Comparison) bool {
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_STEP, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_PLACE,
		trigonev1.ComparisonKind_COMPARISON_KIND_STEP_TECHNIQUE, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_DIMENSION:
		return true
	}
	return false
}

func (x *extraction) table(name string) *extractTable {
	for _, t := range x.tables {
		if t.name == name {
			return t
		}
	}
	return nil
}

// extractSender gathers rows of one table.
type extractSender struct {
	send  func(*trigonev1.ExtractTableResponse) error
	table *extractTable
	rows  []*trigonev1.ExtractRow
}

func (s *extractSender) take(r *extractRow) error {
	if s.table != r.table || len(s.rows) >= atOnce {
		if err := s.flush(); err != nil {
			return err
		}
	}
	row := &trigonev1.ExtractRow{Values: r.values()}
	if r.table.name == tableCases && r.x.req.GetWithCaseNumbers() {
		row.ExternalIdentifier = casebook.IdentifierMessage(r.identifier)
	}
	s.table = r.table
	s.table.rows++
	s.rows = append(s.rows, row)
	return nil
}

func (s *extractSender) flush() error {
	if len(s.rows) == 0 {
		return nil
	}
	rows := &trigonev1.ExtractRows{Table: s.table.name, Rows: s.rows}
	s.rows = nil
	return s.send(&trigonev1.ExtractTableResponse{Content: &trigonev1.ExtractTableResponse_Rows{Rows: rows}})
}

func (x *extraction) end() *trigonev1.ExtractEnd {
	end := &trigonev1.ExtractEnd{CaseCount: int32(len(x.order)), SmallestCell: int32(x.result.Smallest), LeftOutCaseCount: int32(x.left)}
	for _, t := range x.tables {
		end.Tables = append(end.Tables, &trigonev1.ExtractCount{Table: t.name, RowCount: t.rows})
	}
	if x.external {
		for i, name := range extract.Steps() {
			if n := x.result.Changed[i]; n > 0 {
				end.Coarsened = append(end.Coarsened, &trigonev1.LeftOut{Reason: name, Count: int32(n)})
			}
		}
	}
	return end
}
