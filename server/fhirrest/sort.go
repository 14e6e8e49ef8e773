package fhirrest

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/handover"
)

// sortKey is one key of an order that was asked for: a date of the type, the time
// of the last change, or the id.
type sortKey struct {
	param      int
	descending bool
}

// Parameters of every type, by their place in common.
const (
	positionID = iota
	positionChanged
)

// sortKeys reads the keys of _sort. Behind the id no other decides.
func (t *resourceType) sortKeys(text string) ([]sortKey, error) {
	var keys []sortKey
	for _, part := range strings.Split(text, ",") {
		name, descending := strings.CutPrefix(part, "-")
		at := t.position(name)
		if at < 0 || at != positionID && t.params[at].kind != kindDate {
			return nil, bad(paramSort, "is served by %s, each with a minus before it for the latest first", strings.Join(t.sortable(), ", "))
		}
		if !slices.ContainsFunc(keys, func(k sortKey) bool { return k.param == at }) {
			keys = append(keys, sortKey{at, descending})
		}
	}
	if at := slices.IndexFunc(keys, func(k sortKey) bool { return k.param == positionID }); at >= 0 {
		keys = keys[:at+1]
	}
	return keys, nil
}

// sortable gives the names that a search of the type can be sorted by.
func (t *resourceType) sortable() []string {
	var list []string
	for at, p := range t.params {
		if at == positionID || p.kind == kindDate {
			list = append(list, p.name)
		}
	}
	return list
}

// place is where a resource stands in the order of an answer: by the keys asked
// for, then by the number of its case and the part of its id, which never move.
type place struct {
	keys []int64 // of dates: the beginning, none comes last; of ids: that of the case
	handover.FoundPlace
}

func (p place) String() string {
	var out strings.Builder
	for _, k := range p.keys {
		out.WriteString(strconv.FormatInt(k, 10) + ",")
	}
	return out.String() + strconv.FormatInt(p.Case, 10) + ":" + strconv.FormatInt(p.Part, 10)
}

func parsePlace(text string, keys int) (p place, ok bool) {
	parts := strings.Split(text, ",")
	if len(parts) != keys+1 {
		return p, false
	}
	var errs [2]error
	for _, part := range parts[:keys] {
		k, err := strconv.ParseInt(part, 10, 64)
		if err != nil {
			return p, false
		}
		p.keys = append(p.keys, k)
	}
	number, part, ok := strings.Cut(parts[keys], ":")
	p.Case, errs[0] = strconv.ParseInt(number, 10, 64)
	p.Part, errs[1] = strconv.ParseInt(part, 10, 64)
	return p, ok && errors.Join(errs[:]...) == nil
}

// compare orders two places by the keys of a query.
func (q query) compare(a, b place) int {
	for i, k := range q.sort {
		x, y := a.keys[i], b.keys[i]
		if k.param == positionID && x == y { // ids are each once
			x, y = a.Part, b.Part
		}
		if x == y {
			continue
		}
		if k.descending && x != math.MaxInt64 && y != math.MaxInt64 {
			x, y = y, x
		}
		return cmp.Compare(x, y)
	}
	return cmp.Or(cmp.Compare(a.Case, b.Case), cmp.Compare(a.Part, b.Part))
}

// begins gives the beginning of a date of the resource, of several the earliest.
func (r record) begins(param int) int64 {
	first := int64(math.MaxInt64)
	if v := r.values[param]; v != nil {
		for _, s := range v.spans {
			first = min(first, nanos(s.from))
		}
	}
	return first
}

// nanos gives a time as a number that sorts, within what 64 bits hold.
func nanos(t time.Time) int64 {
	switch {
	case t.Year() < 1678:
		return math.MinInt64
	case t.Year() > 2261:
		return math.MaxInt64 - 1
	}
	return t.UnixNano()
}
