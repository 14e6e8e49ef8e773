package fhirrest

import (
	"cmp"
	"context"
	"maps"
	"math"
	"net/http"
	"slices"
	"sync"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
)

// Bounds of what one search reads.
const (
	mostRows     = 200_000
	mostChanged  = 2_000 // cases that are gone through one by one
	mostRendered = 16    // cases that are rendered only to be counted
	batchRows    = 1_000
)

// shapes are those of the store, read once and kept: some thousands, however many
// cases there are.
type shapes struct {
	public map[string][]string

	mu         sync.Mutex
	projection int64
	last       int64
	byNumber   map[int64]*shape
}

// current takes up what came since. The map is not written to again.
func (s *shapes) current(ctx context.Context, f handover.Finder) (map[int64]*shape, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	projection, list, err := f.Shapes(ctx, s.last, IndexVersion())
	if err != nil {
		return nil, err
	}
	if projection != s.projection {
		if s.last > 0 {
			if _, list, err = f.Shapes(ctx, 0, IndexVersion()); err != nil {
				return nil, err
			}
		}
		s.projection, s.byNumber = projection, map[int64]*shape{}
	}
	if len(list) == 0 {
		return s.byNumber, nil
	}
	now := maps.Clone(s.byNumber)
	for _, x := range list {
		read, err := readShape(x, s.public)
		if err != nil {
			return nil, err
		}
		now[x.Number] = read
		s.last = max(s.last, x.Order)
	}
	s.byNumber = now
	return now, nil
}

// lookup is one search under way.
type lookup struct {
	face   *Face
	finder handover.Finder
	query
	shapes map[int64]*shape // of the type
	asked  map[int64]bool   // those whose resources may be asked for
	leads  []int64          // theirs
	// cases are those in which anything can be found; nil: in all.
	cases []handover.NumberedCase
	among bool // cases are given
	met   map[int64]handover.NumberedCase
	read  int
	at    handover.FoundPlace // how far rows were gone through, in order
	// missed is the case that could not be rendered last.
	missed int64
	opened map[int64]*content // cases of the page
}

// unread is the part of a case that could not be rendered, in place of what may be
// found in it.
const unread = math.MaxInt64

// candidate is a resource that is found by what was read so far. Of one that was
// found by its case the record is known.
type candidate struct {
	place
	of     handover.NumberedCase // read where it was needed
	opened *content
}

func (f *Face) lookup(ctx context.Context, q query) (*lookup, error) {
	finder, err := f.desk.Finder(casebook.PrincipalOf(ctx))
	if err != nil {
		return nil, err
	}
	w := &lookup{face: f, finder: finder, query: q, met: map[int64]handover.NumberedCase{}, opened: map[int64]*content{}}
	if err := w.learn(ctx); err != nil {
		return nil, err
	}
	leads := map[int64]bool{}
	for number := range w.asked {
		leads[w.shapes[number].lead] = true
	}
	w.leads = slices.Sorted(maps.Keys(leads))
	return w, w.narrow(ctx)
}

// learn reads the shapes there are by now, and which of them may be asked for.
func (w *lookup) learn(ctx context.Context) (err error) {
	if w.shapes, err = w.face.shapes.current(ctx, w.finder); err != nil {
		return err
	}
	w.asked = map[int64]bool{}
	for number, s := range w.shapes {
		if s.of == w.of && w.holdsBy(bySharedValues, s.record) {
			w.asked[number] = true
		}
	}
	return nil
}

// narrow finds out in which cases alone something can be found.
func (w *lookup) narrow(ctx context.Context) error {
	for _, c := range w.criteria {
		var list []handover.NumberedCase
		switch {
		case c.by == byCase:
			uids, err := w.uids(ctx, c.cases)
			if err != nil {
				return err
			}
			if list, err = w.finder.Cases(ctx, nil, uids); err != nil {
				return err
			}
		case !c.since.IsZero() && c.since.After(always):
			changed, all, err := w.finder.ChangedSince(ctx, c.since, mostChanged)
			if err != nil {
				return err
			}
			if !all {
				continue
			}
			list = changed
		default:
			continue
		}
		if w.among {
			list = slices.DeleteFunc(list, func(c handover.NumberedCase) bool {
				_, both := slices.BinarySearchFunc(w.cases, c.Number, byNumber)
				return !both
			})
		}
		w.cases, w.among = list, true
	}
	return nil
}

func byNumber(c handover.NumberedCase, n int64) int { return cmp.Compare(c.Number, n) }

// uids gives the cases that values are of.
func (w *lookup) uids(ctx context.Context, list []ofCase) ([]string, error) {
	var uids []string
	for _, of := range list {
		var more []string
		var err error
		switch {
		case of.uid != "":
			more = []string{of.uid}
		case of.patient.code != "":
			more, err = w.finder.CasesOfPatient(ctx, of.patient.system, of.patient.code)
		default:
			more, err = w.finder.CasesOfPrefix(ctx, of.prefix)
		}
		if err != nil {
			return nil, err
		}
		uids = append(uids, more...)
	}
	slices.Sort(uids)
	return slices.Compact(uids), nil
}

// caseOf gives a case by its number.
func (w *lookup) caseOf(ctx context.Context, number int64) (handover.NumberedCase, error) {
	if c, met := w.met[number]; met {
		return c, nil
	}
	if at, given := slices.BinarySearchFunc(w.cases, number, byNumber); given {
		return w.cases[at], nil
	}
	list, err := w.finder.Cases(ctx, []int64{number}, nil)
	if err != nil || len(list) == 0 {
		return handover.NumberedCase{}, err
	}
	w.met[number] = list[0]
	return list[0], nil
}

// holds says whether a row is asked for by all that rows tell, and where it stands.
func (w *lookup) holds(ctx context.Context, r handover.FoundRow) (c candidate, ok bool, err error) {
	if w.shapes[r.Shape] == nil { // of a case that was written since the search began
		if err := w.learn(ctx); err != nil {
			return c, false, err
		}
		if w.shapes[r.Shape] == nil {
			return c, false, errIndex
		}
	}
	if !w.asked[r.Shape] {
		return c, false, nil
	}
	c.FoundPlace = r.FoundPlace
	s := w.shapes[r.Shape]
	changing := w.needs(byChange) || slices.ContainsFunc(w.sort, func(k sortKey) bool { return k.param == positionID || k.param == positionChanged })
	if changing {
		if c.of, err = w.caseOf(ctx, r.Case); err != nil {
			return c, false, err
		}
	}
	if !w.needs(byRow) && !changing && len(w.sort) == 0 {
		return c, true, nil
	}
	whole, err := s.join(r.Content, w.face.zone)
	if err != nil {
		return c, false, err
	}
	if changing {
		if at, ok := spanOf(w.finder.LastUpdated(c.of), w.face.zone); ok {
			whole.values[positionChanged] = &values{spans: []span{at}}
		}
	}
	if !w.holdsBy(byRow, whole) || !w.holdsBy(byChange, whole) {
		return c, false, nil
	}
	c.place = w.placeOf(whole, r.FoundPlace, c.of.UID)
	return c, true, nil
}

// placeOf gives where a resource stands.
func (q query) placeOf(r record, at handover.FoundPlace, uid string) place {
	p := place{FoundPlace: at}
	for _, k := range q.sort {
		if k.param == positionID {
			p.keys = append(p.keys, fhirmap.CasePrefix(uid))
		} else {
			p.keys = append(p.keys, r.begins(k.param))
		}
	}
	return p
}

// errEnough ends a walk that has read as much as it may.
var errEnough = refuse(http.StatusBadRequest, issueTooCostly,
	"the search would read more than %d rows; narrow it, by patient, code, category or date", mostRows)

// each visits what is found, behind a place in the order of cases and ids, until visit
// wants no more. In what order leads come is of no matter where anyOrder is set.
// errEnough: it has read as much as it may.
func (w *lookup) each(ctx context.Context, after handover.FoundPlace, anyOrder bool, visit func(candidate) (more bool, err error)) error {
	if w.among {
		return w.eachOfCases(ctx, after, visit)
	}
	if anyOrder {
		for _, lead := range w.leads {
			if more, err := w.merge(ctx, []int64{lead}, after, batchRows, visit); err != nil || !more {
				return err
			}
		}
		return nil
	}
	batch := max(4, 2*w.query.count/max(len(w.leads), 1))
	_, err := w.merge(ctx, w.leads, after, min(batch, batchRows), visit)
	return err
}

// eachOfCases goes through cases one by one: by their rows, or rendered where rows do
// not tell.
func (w *lookup) eachOfCases(ctx context.Context, after handover.FoundPlace, visit func(candidate) (bool, error)) error {
	rendering := w.needs(byCase)
	begin, _ := slices.BinarySearchFunc(w.cases, after.Case, byNumber)
	for _, of := range w.cases[begin:] {
		if err := ctx.Err(); err != nil {
			return err
		}
		var list []candidate
		if rendering {
			c, err := w.face.shelf.open(ctx, of)
			if err != nil {
				if ctx.Err() != nil {
					return err
				}
				if more, err := visit(candidate{place: place{FoundPlace: handover.FoundPlace{Case: of.Number, Part: unread}}, of: of}); err != nil || !more {
					return err
				}
				continue
			}
			for _, r := range c.byType[w.of.name] {
				if w.matches(r) {
					list = append(list, candidate{place: w.placeOf(r, handover.FoundPlace{Case: of.Number, Part: r.part}, of.UID), of: of, opened: c})
				}
			}
		} else {
			rows, err := w.finder.RowsOf(ctx, of.Number, w.leads)
			if err != nil {
				return err
			}
			if w.read += len(rows); w.read > w.face.rows {
				return errEnough
			}
			for _, r := range rows {
				c, ok, err := w.holds(ctx, r)
				if err != nil {
					return err
				}
				if ok {
					list = append(list, c)
				}
			}
		}
		for _, c := range list {
			if c.Case == after.Case && c.Part <= after.Part {
				continue
			}
			if more, err := visit(c); err != nil || !more {
				return err
			}
		}
		w.at = handover.FoundPlace{Case: of.Number, Part: unread}
	}
	return nil
}

// merge walks leads side by side in the order of cases and ids.
func (w *lookup) merge(ctx context.Context, leads []int64, after handover.FoundPlace, batch int, visit func(candidate) (bool, error)) (more bool, err error) {
	heads := make([]head, 0, len(leads))
	for _, lead := range leads {
		heads = append(heads, head{FoundRange: handover.FoundRange{Lead: lead, After: after}})
	}
	for {
		if heads, err = w.refill(ctx, heads, batch); err != nil || len(heads) == 0 {
			return true, err
		}
		// Until one of them has to be refilled, the least of all comes next.
		for {
			least := &heads[0]
			for i := 1; i < len(heads); i++ {
				if before(heads[i].rows[0].FoundPlace, least.rows[0].FoundPlace) {
					least = &heads[i]
				}
			}
			row := least.rows[0]
			least.rows, least.After, w.at = least.rows[1:], row.FoundPlace, row.FoundPlace
			c, ok, err := w.holds(ctx, row)
			if err != nil {
				return false, err
			}
			if ok {
				if more, err := visit(c); err != nil || !more {
					return false, err
				}
			}
			if len(least.rows) == 0 {
				break
			}
		}
	}
}

// head is where a lead stands in a merge.
type head struct {
	handover.FoundRange
	rows []handover.FoundRow
	last bool // nothing comes behind rows
}

// refill reads on where nothing is left, and takes out what has ended.
func (w *lookup) refill(ctx context.Context, heads []head, batch int) ([]head, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	heads = slices.DeleteFunc(heads, func(h head) bool { return len(h.rows) == 0 && h.last })
	var ranges []handover.FoundRange
	var empty []int
	for i, h := range heads {
		if len(h.rows) == 0 {
			ranges, empty = append(ranges, h.FoundRange), append(empty, i)
		}
	}
	if len(ranges) == 0 {
		return heads, nil
	}
	if w.read > w.face.rows {
		return nil, errEnough
	}
	if len(ranges) < len(heads) {
		batch = batchRows // one that is walked through faster than others
	}
	lists, err := w.finder.Rows(ctx, ranges, batch)
	if err != nil {
		return nil, err
	}
	for k, i := range empty {
		heads[i].rows, heads[i].last = lists[k], len(lists[k]) < batch
		w.read += len(lists[k])
	}
	return slices.DeleteFunc(heads, func(h head) bool { return len(h.rows) == 0 && h.last }), nil
}

func before(a, b handover.FoundPlace) bool {
	return a.Case < b.Case || a.Case == b.Case && a.Part < b.Part
}
