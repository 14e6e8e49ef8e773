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

	"go.uber.org/zap"

	"trigone/internal/casebook"
)

// found is what a search answers.
type found struct {
	matches  []hit
	included []hit
	total    int // counted only where asked for
	last     place
	more     bool
	failed   int // cases that could not be rendered
}

// hit is a resource of a page with the case that holds its text.
type hit struct {
	record
	of    *content
	where place
}

// question is what a cursor belongs to.
func (q query) question() string { return "search\n" + q.of.name + "\n" + q.used.Encode() }

func (f *Face) search(ctx context.Context, q query) (found, error) {
	var out found
	var after place
	if q.cursor != "" {
		position, ok := f.desk.Tokens().Open(q.question(), q.cursor)
		if ok {
			after, ok = parsePlace(position)
		}
		if !ok {
			return out, refuse(http.StatusBadRequest, issueValue,
				"_cursor is none of this search; follow the next link as it was answered, or leave it out to begin")
		}
	}
	if err := f.shelf.refresh(ctx); err != nil {
		return out, err
	}
	counting, sorting := q.total || q.countOnly, len(q.sort) > 0
	begin := after.number
	if counting || sorting {
		begin = 0
	}
	begun := q.cursor != ""
	opened := 0
	var broken error // why the first case that failed did
	for _, folder := range f.shelf.from(begin) {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		c, err := f.shelf.open(ctx, folder)
		if err != nil {
			if fault := casebook.StoreFault(err, true); ctx.Err() != nil || fault != nil && fault.Kind != casebook.DataLoss {
				return out, err // every other case would fail alike
			}
			// One case that cannot be rendered must not hide the others; the answer
			// says that it is missing.
			f.log.Error("case cannot be rendered", zap.String("case", folder.uid), zap.Error(err))
			out.failed++
			broken = cmp.Or(broken, err)
			continue
		}
		opened++
		for _, r := range c.byType[q.of.name] {
			at := q.place(r, folder.number)
			past := !begun || q.compare(at, after) > 0
			if !counting && !past || !q.matches(r) {
				continue
			}
			out.total++
			switch {
			case !past || q.countOnly || out.more:
			case len(out.matches) == q.count && !sorting:
				out.more = true
			default:
				out.matches = append(out.matches, hit{r, c, at})
			}
		}
		if out.more && !counting {
			break
		}
	}
	if sorting {
		slices.SortFunc(out.matches, func(a, b hit) int { return q.compare(a.where, b.where) })
		if out.more = len(out.matches) > q.count; out.more {
			out.matches = out.matches[:q.count]
		}
	}
	if n := len(out.matches); n > 0 {
		out.last = out.matches[n-1].where
	}
	for _, m := range out.matches {
		casebook.AccessOf(ctx).Case(m.of.uid)
	}
	q.include(&out)
	if out.failed > 0 && opened == 0 {
		return out, broken
	}
	return out, nil
}

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
	if q.total || q.countOnly {
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
	if r.failed > 0 {
		text, err := json.Marshal(outcome{"OperationOutcome", []issue{{"warning", issueException,
			strconv.Itoa(r.failed) + " cases could not be rendered and are missing from this answer; the log of the service names them"}}})
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
