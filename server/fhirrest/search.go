package fhirrest

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"go.uber.org/zap"

	"trigone/internal/casebook"
	"trigone/internal/handover"
)

// found is what a search answers.
type found struct {
	matches  []hit
	included []hit
	total    int // counted only where asked for
	counted  bool
	last     place
	more     bool
	failed   int   // cases that could not be rendered
	broken   error // why the first of them could not
}

// hit is a resource of a page with the case that holds its text.
type hit struct {
	record
	of *content
}

// question is what a cursor belongs to.
func (q query) question() string { return "search\n" + q.of.name + "\n" + q.used.Encode() }

// pageTime ends a page that has something already: what comes behind is the next one's.
const pageTime = requestTime / 3

func (f *Face) search(ctx context.Context, q query) (found, error) {
	var out found
	var after place
	if q.cursor != "" {
		position, ok := f.desk.Tokens().Open(q.question(), q.cursor)
		if ok {
			after, ok = parsePlace(position, len(q.sort))
		}
		if !ok {
			return out, refuse(http.StatusBadRequest, issueValue,
				"_cursor is none of this search; follow the next link as it was answered, or leave it out to begin")
		}
	}
	w, err := f.lookup(ctx, q)
	if err != nil {
		return out, err
	}
	if q.total || q.countOnly {
		out.total, err = w.count(ctx)
		out.counted = err == nil
		if err != nil && (q.countOnly || !errors.Is(err, errEnough)) {
			return out, err
		}
	}
	if !q.countOnly {
		w.read = 0
		if err := w.page(ctx, &out, after); err != nil {
			return out, err
		}
	}
	if out.failed > 0 && len(out.matches) == 0 {
		return out, out.broken
	}
	for _, m := range out.matches {
		casebook.AccessOf(ctx).Case(m.of.uid)
	}
	q.include(&out)
	return out, nil
}

// count counts what is found.
func (w *lookup) count(ctx context.Context) (n int, err error) {
	if w.needs(byCase) && len(w.cases) > mostRendered {
		return 0, errEnough
	}
	err = w.each(ctx, handover.FoundPlace{}, true, func(c candidate) (bool, error) {
		if c.Part != unread {
			n++
		}
		return true, nil
	})
	return n, err
}

// page puts the next resources together, and renders their cases.
func (w *lookup) page(ctx context.Context, out *found, after place) error {
	begin := time.Now()
	if len(w.sort) > 0 {
		list, err := w.sorted(ctx, after)
		if err != nil {
			return err
		}
		for i, c := range list {
			if len(out.matches) == w.query.count || w.late(begin, out, c) {
				out.more = true
				break
			}
			if err := w.confirm(ctx, out, list[i]); err != nil {
				return err
			}
		}
		return nil
	}
	err := w.each(ctx, after.FoundPlace, false, func(c candidate) (bool, error) {
		if len(out.matches) == w.query.count || w.late(begin, out, c) {
			out.more = true
			return false, nil
		}
		return true, w.confirm(ctx, out, c)
	})
	if errors.Is(err, errEnough) && w.at != after.FoundPlace {
		// The next page goes on where this one stopped to read.
		out.more, out.last, err = true, place{FoundPlace: w.at}, nil
	}
	return err
}

// late says whether a page that has something has taken its time, at a case that
// would have to be rendered.
func (w *lookup) late(begin time.Time, out *found, c candidate) bool {
	return len(out.matches) > 0 && out.last.Case != c.Case && time.Since(begin) > pageTime
}

// sorted gives what comes next in the order that was asked for, one more than a page
// has.
func (w *lookup) sorted(ctx context.Context, after place) ([]candidate, error) {
	var list []candidate
	cut := func() {
		slices.SortFunc(list, func(a, b candidate) int { return w.compare(a.place, b.place) })
		list = list[:min(len(list), w.query.count+1)]
	}
	err := w.each(ctx, handover.FoundPlace{}, true, func(c candidate) (bool, error) {
		if c.Part != unread && w.cursor != "" && w.compare(c.place, after) <= 0 {
			return true, nil
		}
		if c.Part == unread {
			c.keys = make([]int64, len(w.sort))
		}
		if list = append(list, c); len(list) > 4*w.query.count+1000 {
			cut()
		}
		return true, nil
	})
	cut()
	return list, err
}

// confirm renders the case of what was found, and takes the resource if it is what
// was asked for. It always is, unless the case was written meanwhile.
func (w *lookup) confirm(ctx context.Context, out *found, c candidate) (err error) {
	if c.of.UID == "" {
		if c.of, err = w.caseOf(ctx, c.Case); err != nil || c.of.UID == "" {
			return err
		}
	}
	if c.opened == nil {
		c.opened = w.opened[c.Case]
	}
	if c.opened == nil {
		if c.opened, err = w.face.shelf.open(ctx, c.of); err != nil {
			if fault := casebook.StoreFault(err, true); ctx.Err() != nil || fault != nil && fault.Kind != casebook.DataLoss {
				return err // every other case would fail alike
			}
			// One case that cannot be rendered must not hide the others; the answer
			// says that it is missing.
			if w.missed != c.Case {
				w.face.log.Error("case cannot be rendered", zap.String("case", c.of.UID), zap.Error(err))
				out.failed++
			}
			w.missed, out.broken = c.Case, cmp.Or(out.broken, err)
			return nil
		}
		w.opened[c.Case] = c.opened
	}
	r, there := c.opened.part(w.of.name, c.Part)
	if !there || !w.matches(r) {
		return w.doubt(ctx, c)
	}
	out.matches = append(out.matches, hit{r, c.opened})
	out.last = c.place
	return nil
}

// doubt tells of a row that finds what its resource does not say. A case that was
// written meanwhile has other rows by now.
func (w *lookup) doubt(ctx context.Context, c candidate) error {
	rows, err := w.finder.RowsOf(ctx, c.Case, w.leads)
	if err != nil {
		return err
	}
	still := slices.ContainsFunc(rows, func(r handover.FoundRow) bool { return r.Part == c.Part && w.asked[r.Shape] })
	now, err := w.finder.Cases(ctx, []int64{c.Case}, nil)
	if err == nil && still && len(now) == 1 && now[0].Version == c.opened.version {
		w.face.log.Error(staleRow, zap.String("case", c.of.UID), zap.String("type", w.of.name))
	}
	return err
}

// staleRow is what the log says where rows and resources part.
const staleRow = "a row finds what its resource does not say"

// include adds what is asked for beside the matches, case by case.
func (q query) include(out *found) {
	var order []*content
	of := map[*content][]record{}
	for _, m := range out.matches {
		if of[m.of] == nil {
			order = append(order, m.of)
		}
		of[m.of] = append(of[m.of], m.record)
	}
	for _, c := range order {
		for _, r := range q.beside(c, of[c]) {
			out.included = append(out.included, hit{record: r, of: c})
		}
	}
}

// beside gives what is included for some matches of one case; what they refer to
// is always of the same case.
func (q query) beside(c *content, matches []record) []record {
	if len(matches) == 0 || len(q.includes)+len(q.reverse) == 0 {
		return nil
	}
	type key struct{ typ, id string }
	seen := map[key]bool{}
	matched := map[key]bool{}
	for _, r := range matches {
		seen[key{r.typ, r.id}], matched[key{r.typ, r.id}] = true, true
	}
	var list []record
	add := func(r record) {
		if k := (key{r.typ, r.id}); !seen[k] {
			seen[k] = true
			list = append(list, r)
		}
	}
	for _, i := range q.includes {
		for _, r := range matches {
			for _, p := range r.pointers(i.param) {
				typ, id, ours := p.resource()
				if !ours || i.target != "" && typ != i.target {
					continue
				}
				if target, ok := c.record(typ, id); ok {
					add(target)
				}
			}
		}
	}
	for _, i := range q.reverse {
		if i.target != "" && i.target != q.of.name {
			continue
		}
		for _, r := range c.byType[i.source] {
			for _, p := range r.pointers(i.param) {
				if typ, id, ours := p.resource(); ours && matched[key{typ, id}] {
					add(r)
					break
				}
			}
		}
	}
	return list
}

func (r record) pointers(param int) []pointer {
	if v := r.values[param]; v != nil {
		return v.pointers
	}
	return nil
}

// The parts of a searchset beside the resources, which are written as they are.
type (
	link struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	}
	mode struct {
		Mode string `json:"mode"`
	}
)

// entryBytes is about what an entry has around its resource.
const entryBytes = 200

// bundle writes a searchset.
func (f *Face) bundle(q query, r found) ([]byte, error) {
	links := []link{{"self", f.address(q, q.cursor)}}
	if r.more {
		cursor, err := f.desk.Tokens().Seal(q.question(), r.last.String())
		if err != nil {
			return nil, err
		}
		links = append(links, link{"next", f.address(q, cursor)})
	}
	size := 1 << 10
	for _, x := range r.matches {
		size += x.length + entryBytes
	}
	for _, x := range r.included {
		size += x.length + entryBytes
	}
	out := append(make([]byte, 0, size), `{"resourceType":"Bundle","type":"searchset"`...)
	if r.counted {
		out = strconv.AppendInt(append(out, `,"total":`...), int64(r.total), 10)
	}
	out, err := member(out, "link", links)
	if err != nil {
		return nil, err
	}
	first := true
	entry := func(url, how string, text []byte) error {
		if first {
			out = append(out, `,"entry":[{`...)
		} else {
			out = append(out, `,{`...)
		}
		first = false
		if url != "" {
			quoted, err := json.Marshal(url)
			if err != nil {
				return err
			}
			out = append(append(append(out, `"fullUrl":`...), quoted...), ',')
		}
		out = append(append(out, `"resource":`...), text...)
		if out, err = member(out, "search", mode{how}); err != nil {
			return err
		}
		out = append(out, '}')
		return nil
	}
	// Hits come case by case, so that only the last case's texts are kept unpacked.
	var open *content
	var texts []byte
	hits := func(list []hit, how string) error {
		for _, x := range list {
			if x.of != open {
				if texts, err = f.shelf.texts(x.of, texts); err != nil {
					return err
				}
				open = x.of
			}
			if err := entry(f.base+"/"+x.typ+"/"+x.id, how, texts[x.at:x.at+x.length]); err != nil {
				return err
			}
		}
		return nil
	}
	if err := errors.Join(hits(r.matches, "match"), hits(r.included, "include")); err != nil {
		return nil, err
	}
	var notes []issue
	if r.failed > 0 {
		notes = append(notes, issue{"warning", issueException,
			strconv.Itoa(r.failed) + " cases could not be rendered and are missing from this answer; the log of the service names them"})
	}
	if q.total && !r.counted {
		notes = append(notes, issue{"warning", issueTooCostly, "there is no total: " + errEnough.text})
	}
	if len(notes) > 0 {
		text, err := json.Marshal(outcome{"OperationOutcome", notes})
		if err != nil {
			return nil, err
		}
		if err := entry("", "outcome", text); err != nil {
			return nil, err
		}
	}
	if !first {
		out = append(out, ']')
	}
	return append(out, '}'), nil
}

func member(out []byte, name string, v any) ([]byte, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return append(append(append(append(out, `,"`...), name...), `":`...), text...), nil
}

// address gives the search's address with the parameters that were used.
func (f *Face) address(q query, cursor string) string {
	used := url.Values{}
	for name, list := range q.used {
		used[name] = list
	}
	if cursor != "" {
		used.Set(paramCursor, cursor)
	}
	if len(used) == 0 {
		return f.base + "/" + q.of.name
	}
	return f.base + "/" + q.of.name + "?" + used.Encode()
}
