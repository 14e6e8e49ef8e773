package fhirrest

import (
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The naive filter below shares nothing with the search: it looks at the decoded
// resources, compares dates as calendar text in the site's zone, and numbers as
// fractions.

// stock is every resource of every type, decoded.
var stock = struct {
	sync.Mutex
	byType map[string][]map[string]any
	zone   *time.Location
}{}

func everything(t *testing.T) map[string][]map[string]any {
	t.Helper()
	f := all(t)
	stock.Lock()
	defer stock.Unlock()
	if stock.byType != nil {
		return stock.byType
	}
	stock.byType = map[string][]map[string]any{}
	for _, c := range f.cases(t) {
		rendered, err := f.desk.CaseResources(t.Context(), caller, c.UID)
		if err != nil {
			t.Fatal(err)
		}
		var list []map[string]any
		for _, r := range rendered.Resources {
			d := json.NewDecoder(strings.NewReader(string(r.JSON)))
			d.UseNumber()
			var x map[string]any
			if err := d.Decode(&x); err != nil {
				t.Fatal(err)
			}
			list = append(list, x)
		}
		slices.SortFunc(list, func(a, b map[string]any) int { return strings.Compare(a["id"].(string), b["id"].(string)) })
		for _, x := range list {
			typ := x["resourceType"].(string)
			stock.byType[typ] = append(stock.byType[typ], x)
		}
	}
	zone, err := f.desk.Zone()
	if err != nil {
		t.Fatal(err)
	}
	stock.zone = zone
	return stock.byType
}

// question is a random search with the naive answer to it.
type question struct {
	name, value string
	holds       func(map[string]any) bool
}

func concept(v any, system, code string) bool {
	c, _ := v.(map[string]any)
	for _, x := range anyList(c["coding"]) {
		if (system == "" || x["system"] == system) && x["code"] == code {
			return true
		}
	}
	return false
}

func drawCoding(t *rapid.T, from []map[string]any, member string) (system, code string) {
	var found [][2]string
	for _, r := range from {
		c, _ := r[member].(map[string]any)
		for _, x := range anyList(c["coding"]) {
			found = append(found, [2]string{x["system"].(string), x["code"].(string)})
		}
	}
	if len(found) == 0 {
		return "urn:none", "none"
	}
	x := rapid.SampledFrom(found).Draw(t, "coding")
	return x[0], x[1]
}

func drawCode(t *rapid.T, list []map[string]any) question {
	var tests []func(map[string]any) bool
	var parts []string
	for range rapid.IntRange(1, 3).Draw(t, "alternatives") {
		system, code := drawCoding(t, list, "code")
		if rapid.Bool().Draw(t, "any system") {
			parts = append(parts, code)
			system = ""
		} else {
			parts = append(parts, system+"|"+code)
		}
		tests = append(tests, func(r map[string]any) bool { return concept(r["code"], system, code) })
	}
	either := func(r map[string]any) bool {
		return slices.ContainsFunc(tests, func(x func(map[string]any) bool) bool { return x(r) })
	}
	if rapid.IntRange(0, 4).Draw(t, "modifier") == 0 {
		return question{"code:not", strings.Join(parts, ","), func(r map[string]any) bool { return !either(r) }}
	}
	return question{"code", strings.Join(parts, ","), either}
}

func drawStatus(t *rapid.T) question {
	words := []string{"final", "completed", "not-done", "stopped", "entered-in-error", "none"}
	asked := rapid.SliceOfNDistinct(rapid.SampledFrom(words), 1, 3, rapid.ID).Draw(t, "status")
	return question{"status", strings.Join(asked, ","), func(r map[string]any) bool {
		s, _ := r["status"].(string)
		return slices.Contains(asked, s)
	}}
}

// ends gives the first and the last day or month of a resource's time in the
// site's calendar, cut to a length; open ends sort before and behind all.
func ends(r map[string]any, prefix string, cut int) (first, last string, ok bool) {
	day := func(v any, otherwise string) string {
		s, given := v.(string)
		if !given {
			return otherwise
		}
		if at, err := time.Parse(time.RFC3339Nano, s); err == nil {
			s = at.In(stock.zone).Format(time.DateOnly)
		}
		return s[:cut]
	}
	if v, given := r[prefix+"DateTime"]; given {
		return day(v, ""), day(v, ""), true
	}
	if p, given := r[prefix+"Period"].(map[string]any); given {
		return day(p["start"], ""), day(p["end"], "~"), true
	}
	return "", "", false
}

func drawDate(t *rapid.T, typ string) question {
	prefix := map[string]string{"Observation": "effective", "Procedure": "performed"}[typ]
	cut := rapid.SampledFrom([]int{4, 7, 10}).Draw(t, "precision")
	day := time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 420).Draw(t, "day"))
	asked := day.Format(time.DateOnly)[:cut]
	p := rapid.SampledFrom([]string{"", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"}).Draw(t, "prefix")
	return question{"date", p + asked, func(r map[string]any) bool {
		first, last, ok := ends(r, prefix, cut)
		if !ok {
			return false
		}
		is := first == asked && last == asked
		switch p {
		case "", "eq":
			return is
		case "ne":
			return !is
		case "gt":
			return last > asked
		case "lt":
			return first < asked
		case "ge":
			return last > asked || is
		case "le":
			return first < asked || is
		case "sa":
			return first > asked
		}
		return last < asked
	}}
}

func fraction(s string) *big.Rat {
	x, _ := new(big.Rat).SetString(s)
	return x
}

func drawPlace(t *rapid.T) question {
	place := rapid.SampledFrom([]string{"p2", "a2-p2", "p2-segment-mid", "anterior-leaflet", "lateral-side"}).Draw(t, "place")
	return question{"place", own + "place|" + place, func(r map[string]any) bool {
		sites := anyList(r["bodySite"])
		if one, single := r["bodySite"].(map[string]any); single {
			sites = append(sites, one)
		}
		return slices.ContainsFunc(sites, func(c map[string]any) bool { return concept(c, own+"place", place) })
	}}
}

func drawQuantity(t *rapid.T, list []map[string]any, unit string) question {
	value := fmt.Sprintf("%d", rapid.IntRange(0, 60).Draw(t, "whole"))
	digits := rapid.IntRange(0, 2).Draw(t, "digits")
	if digits > 0 {
		value += fmt.Sprintf(".%0*d", digits, rapid.IntRange(0, []int{0, 9, 99}[digits]).Draw(t, "part"))
	}
	p := rapid.SampledFrom([]string{"", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"}).Draw(t, "prefix")
	asked := fraction(value)
	half := new(big.Rat).Quo(fraction("1/2"), []*big.Rat{fraction("1"), fraction("10"), fraction("100")}[digits])
	compare := func(q any) bool {
		o, _ := q.(map[string]any)
		n, ok := o["value"].(json.Number)
		if !ok || o["code"] != unit {
			return false
		}
		x := fraction(n.String())
		off := new(big.Rat).Sub(x, asked)
		is := off.Cmp(new(big.Rat).Neg(half)) >= 0 && off.Cmp(half) < 0
		switch p {
		case "", "eq":
			return is
		case "ne":
			return !is
		case "gt", "sa":
			return off.Sign() > 0
		case "lt", "eb":
			return off.Sign() < 0
		case "ge":
			return off.Sign() >= 0
		}
		return off.Sign() <= 0
	}
	text := p + value + "|http://unitsofmeasure.org|" + unit
	if rapid.Bool().Draw(t, "unit alone") {
		text = p + value + "||" + unit
	}
	switch rapid.IntRange(0, 3).Draw(t, "of") {
	case 0:
		return question{"value-quantity", text, func(r map[string]any) bool { return compare(r["valueQuantity"]) }}
	case 1:
		return question{"combo-value-quantity", text, func(r map[string]any) bool {
			return compare(r["valueQuantity"]) || slices.ContainsFunc(anyList(r["component"]), func(c map[string]any) bool { return compare(c["valueQuantity"]) })
		}}
	case 2:
		system, code := drawCoding(t, list, "code")
		return question{"code-value-quantity", system + "|" + code + "$" + text, func(r map[string]any) bool {
			return concept(r["code"], system, code) && compare(r["valueQuantity"])
		}}
	}
	part := rapid.SampledFrom([]string{"difference", "tolerance"}).Draw(t, "part")
	return question{"component-code-value-quantity", own + "record-kind|" + part + "$" + text, func(r map[string]any) bool {
		return slices.ContainsFunc(anyList(r["component"]), func(c map[string]any) bool {
			return concept(c["code"], own+"record-kind", part) && compare(c["valueQuantity"])
		})
	}}
}

// drawLabel asks by what some label says, or by a piece of it.
func drawLabel(t *rapid.T, list []map[string]any) question {
	member := rapid.SampledFrom([]string{"manufacturer", "modelNumber", "lotNumber"}).Draw(t, "member")
	name := map[string]string{"manufacturer": "manufacturer", "modelNumber": "model", "lotNumber": "lot-number"}[member]
	labelled := slices.DeleteFunc(slices.Clone(list), func(r map[string]any) bool { return r[member] == nil })
	asked := rapid.SampledFrom(labelled).Draw(t, "device")[member].(string)
	alike := func(s string) string { return strings.ToLower(strings.NewReplacer(" ", "", "-", "").Replace(s)) }
	modifier := ""
	if name != "lot-number" {
		modifier = rapid.SampledFrom([]string{"", "contains", "exact"}).Draw(t, "modifier")
		from := 0
		if modifier == "contains" {
			from = rapid.IntRange(0, len(asked)-1).Draw(t, "from")
		}
		asked = asked[from:rapid.IntRange(from+1, len(asked)).Draw(t, "until")]
		if alike(asked) == "" {
			asked = "none"
		}
	}
	if modifier == "exact" {
		return question{name + ":exact", asked, func(r map[string]any) bool { return r[member] == asked }}
	}
	if rapid.Bool().Draw(t, "as typed") {
		asked = strings.ToUpper(alike(asked))
	}
	if modifier != "" {
		modifier = ":" + modifier
	}
	return question{name + modifier, asked, func(r map[string]any) bool {
		has, given := r[member].(string)
		switch {
		case !given:
			return false
		case name == "lot-number":
			return alike(has) == alike(asked)
		case modifier != "":
			return strings.Contains(alike(has), alike(asked))
		}
		return strings.HasPrefix(alike(has), alike(asked))
	}}
}

func TestSearchEqualsNaiveFilter(t *testing.T) {
	f, stock := all(t), everything(t)
	found := 0
	rapid.Check(t, func(r *rapid.T) {
		typ := rapid.SampledFrom([]string{"Observation", "Observation", "Procedure", "Device"}).Draw(r, "type")
		list := stock[typ]
		var asked []question
		for range rapid.IntRange(1, 2).Draw(r, "criteria") {
			if typ == "Device" {
				asked = append(asked, drawLabel(r, list))
				continue
			}
			switch rapid.IntRange(0, 4).Draw(r, "kind") {
			case 0:
				asked = append(asked, drawCode(r, list))
			case 1:
				asked = append(asked, drawStatus(r))
			case 2:
				asked = append(asked, drawDate(r, typ))
			case 4:
				asked = append(asked, drawPlace(r))
			case 3:
				if typ == "Observation" {
					asked = append(asked, drawQuantity(r, list, rapid.SampledFrom([]string{"mm", "mm[Hg]", "%"}).Draw(r, "unit")))
				}
			}
		}
		query := url.Values{"_count": {"1000"}}
		want := []string{}
		for _, q := range asked {
			query.Add(q.name, q.value)
		}
		for _, x := range list {
			if !slices.ContainsFunc(asked, func(q question) bool { return !q.holds(x) }) {
				want = append(want, name(x))
			}
		}
		found += len(want)
		got := []string{}
		for path := "/" + typ + "?" + query.Encode(); path != ""; {
			answer := f.do(t, http.MethodGet, path, "", "Prefer", "handling=strict")
			var s struct {
				Link  []link
				Entry []struct{ FullURL string }
			}
			if err := json.Unmarshal(answer.body, &s); err != nil || answer.status != http.StatusOK {
				r.Fatalf("%s: %d, %v", path, answer.status, err)
			}
			for _, e := range s.Entry {
				got = append(got, strings.TrimPrefix(e.FullURL, f.base+"/"))
			}
			path = set{Link: s.Link}.next()
		}
		if !slices.Equal(got, want) {
			r.Fatalf("%s finds %d, the filter %d", query.Encode(), len(got), len(want))
		}
	})
	if found == 0 {
		t.Error("no question had an answer")
	}
}
