package fhirrest

import (
	"encoding/json"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"trigone/fhirmap"
)

// The parameters that resources of no case are searched by.
const (
	paramURL = "url"
	paramID  = "_id"
	// paramOffset is where a page begins: the list never changes while it is paged.
	paramOffset = "_offset"
)

// searchedFixed answers a search among resources of no case. They are few: without a
// count all are answered on one page.
func (f *Face) searchedFixed(r *http.Request, typ string, underSearch bool) (answer, error) {
	switch {
	case !underSearch && r.Method != http.MethodGet && r.Method != http.MethodHead:
		return answer{}, wrongMethod(getOnly)
	case r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodPost:
		return answer{}, wrongMethod(getPost)
	}
	params, err := parameters(r)
	if err != nil {
		return answer{}, err
	}
	if err := acceptable(r, params); err != nil {
		return answer{}, err
	}
	strict, err := handling(r.Header)
	if err != nil {
		return answer{}, err
	}
	used, err := usedOfFixed(typ, params, strict)
	if err != nil {
		return answer{}, err
	}
	list := []fhirmap.Resource{}
	if f.fixed.List != nil {
		list = f.fixed.List(typ)
	}
	out := []byte(`{"resourceType":"Bundle","type":"searchset"`)
	entries := []json.RawMessage{}
	for _, x := range list {
		var head struct{ URL string }
		if err := json.Unmarshal(x.JSON, &head); err != nil {
			return answer{}, err
		}
		if !asked(used[paramID], x.ID) || !asked(used[paramURL], head.URL) {
			continue
		}
		entry, err := json.Marshal(struct {
			FullURL  string          `json:"fullUrl"`
			Resource json.RawMessage `json:"resource"`
			Search   mode            `json:"search"`
		}{f.base + "/" + typ + "/" + x.ID, x.JSON, mode{"match"}})
		if err != nil {
			return answer{}, err
		}
		entries = append(entries, entry)
	}
	self := f.base + "/" + typ
	if len(used) > 0 {
		self += "?" + used.Encode()
	}
	if out, err = member(out, "total", len(entries)); err != nil {
		return answer{}, err
	}
	page, err := pageOfFixed(used)
	if err != nil {
		return answer{}, err
	}
	links := []link{{"self", self}}
	entries = entries[min(page.begin, len(entries)):]
	if len(entries) > page.count {
		entries = entries[:page.count]
		if page.count > 0 {
			next := maps.Clone(used)
			next.Set(paramOffset, strconv.Itoa(page.begin+page.count))
			links = append(links, link{"next", f.base + "/" + typ + "?" + next.Encode()})
		}
	}
	if out, err = member(out, "link", links); err != nil {
		return answer{}, err
	}
	if len(entries) > 0 && !slices.Contains(params[paramSummary], "count") {
		if out, err = member(out, "entry", entries); err != nil {
			return answer{}, err
		}
	}
	return answered(append(out, '}')), nil
}

// usedOfFixed gives what narrows: every other parameter is refused, but those that
// say only how to answer and, leniently, those that R4 does not have.
func usedOfFixed(typ string, params url.Values, strict bool) (url.Values, error) {
	used := url.Values{}
	for name, list := range params {
		switch {
		case name == paramFormat || name == paramTotal:
		case name == paramCount || name == paramOffset:
			if len(list) > 1 {
				return nil, bad(name, "stands twice")
			}
			used[name] = list
		case name == paramSummary:
			if len(list) > 1 || list[0] != "count" && list[0] != "false" {
				return nil, bad(name, "is served with the values count and false only")
			}
			used[name] = list
		case name != paramID && name != paramURL:
			if slices.Contains(withoutEffect, name) && !strict {
				continue
			}
			return nil, bad(name, "is not served for %s; it is searched by url and _id", typ)
		default:
			used[name] = list
		}
	}
	return used, nil
}

// fixedPage is how many are answered, and where the page begins.
type fixedPage struct{ count, begin int }

func pageOfFixed(used url.Values) (page fixedPage, err error) {
	page.count = math.MaxInt
	for _, text := range used[paramCount] {
		if page.count, err = parseCount(text); err != nil {
			return page, err
		}
	}
	for _, text := range used[paramOffset] {
		if page.begin, err = strconv.Atoi(text); err != nil || page.begin < 0 {
			return page, bad(paramOffset, "is none of this search; follow the next link as it was answered")
		}
	}
	return page, nil
}

// asked says whether a value is one of every list that was given.
func asked(lists []string, value string) bool {
	for _, text := range lists {
		if !slices.ContainsFunc(split(text, ','), func(part string) bool {
			one, err := plain(part)
			return err == nil && one == value
		}) {
			return false
		}
	}
	return true
}
