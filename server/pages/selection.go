package pages

import (
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/ledger"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Names in the address of a page of the department that say which cases it is about;
// beside these each kind of word under which cases are filed.
const (
	fromAsked = "from"
	toAsked   = "to" // the day itself belongs to the period
)

// selection says which cases a page of the department is about. It stands in the
// address, so that a page can be sent to a colleague, and goes into every link.
type selection struct {
	from, to string // days, as YYYY-MM-DD; empty: open
	zone     *time.Location
	groups   map[string][]string
	// own are the names of the address that only the page itself knows, with their values.
	own map[string]string
}

const (
	earliestYear = 1900
	latestYear   = 2200
	mostWords    = 32
)

// selection reads it. own are the other names that the page knows: an address that asks
// for something else is refused, since a page that left it out would show other cases
// than were meant.
func (v *visit) selection(own ...string) (selection, error) {
	s := selection{zone: v.zone(), groups: map[string][]string{}, own: map[string]string{}}
	kinds := ledger.GroupKinds()
	for name, values := range v.asked() {
		values = slices.DeleteFunc(slices.Clone(values), func(value string) bool { return value == "" })
		switch {
		case name == siteAsked || len(values) == 0:
		case slices.Contains(kinds, name):
			if len(values) > mostWords {
				return s, casebook.Refuse(casebook.Invalid, "", "more than %d words of one kind are asked for", mostWords)
			}
			s.groups[name] = values
		case len(values) > 1:
			return s, casebook.Refuse(casebook.Invalid, "", "the address asks for one thing twice; choose again in the form of the page")
		case name == fromAsked:
			s.from = values[0]
		case name == toAsked:
			s.to = values[0]
		case slices.Contains(own, name):
			s.own[name] = values[0]
		default:
			return s, errUnknownAsked
		}
	}
	from, err := s.day(s.from)
	if err != nil {
		return s, err
	}
	to, err := s.day(s.to)
	if err == nil && !from.IsZero() && !to.IsZero() && to.Before(from) {
		err = casebook.Refuse(casebook.Invalid, "", "the period ends before it begins: give a last day that is the first one, or later")
	}
	return s, err
}

var errUnknownAsked = casebook.Refuse(casebook.Invalid, "", "the address asks for something that this page does not know; choose again in the form of the page")

// knows refuses what only the page knows, but for these names.
func (s selection) knows(names ...string) error {
	for name := range s.own {
		if !slices.Contains(names, name) {
			return errUnknownAsked
		}
	}
	return nil
}

// day is the first moment of a day at the site; zero: none is given.
func (s selection) day(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	day, err := time.ParseInLocation(time.DateOnly, text, s.zone)
	if err != nil || day.Year() < earliestYear || day.Year() > latestYear {
		return time.Time{}, casebook.Refuse(casebook.Invalid, "", "a day of the period is no date; give it as year-month-day, such as 2026-03-01, between %d and %d", earliestYear, latestYear)
	}
	return day, nil
}

// incision gives the period as requests have it.
func (s selection) incision() (from, before *timestamppb.Timestamp) {
	if day, err := s.day(s.from); err == nil && !day.IsZero() {
		from = timestamppb.New(day)
	}
	if day, err := s.day(s.to); err == nil && !day.IsZero() {
		before = timestamppb.New(day.AddDate(0, 0, 1))
	}
	return from, before
}

// facts gives the words as requests have them.
func (s selection) facts() []*trigonev1.FactFilter {
	var list []*trigonev1.FactFilter
	for _, kind := range slices.Sorted(maps.Keys(s.groups)) {
		list = append(list, &trigonev1.FactFilter{Kind: kind, Words: s.groups[kind]})
	}
	return list
}

func (s selection) audit() *trigonev1.AuditFilter {
	f := &trigonev1.AuditFilter{Groups: s.facts()}
	f.IncisionFrom, f.IncisionBefore = s.incision()
	return f
}

// with gives the selection narrowed to a word.
func (s selection) with(kind, word string) selection {
	groups := maps.Clone(s.groups)
	groups[kind] = []string{word}
	s.groups = groups
	return s
}

// during gives the selection in another period.
func (s selection) during(from, to time.Time) selection {
	s.from, s.to = from.Format(time.DateOnly), to.Format(time.DateOnly)
	return s
}

// addressOf gives that of a page about the cases of a selection; values are pairs of
// name and value, as visit.address takes them.
func (v *visit) addressOf(path string, s selection, values ...string) string {
	q := url.Values{}
	if len(v.face.config.Sites(v.ctx())) > 1 {
		q.Set(siteAsked, v.rooms.Site)
	}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	set(fromAsked, s.from)
	set(toAsked, s.to)
	maps.Copy(q, s.groups)
	for i := 0; i+1 < len(values); i += 2 {
		set(values[i], values[i+1])
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

// told says in words which cases are selected.
func (s selection) told() string {
	list := []string{"all cases"}
	from, _ := s.day(s.from)
	to, _ := s.day(s.to)
	switch {
	case !from.IsZero() && !to.IsZero():
		list[0] = "cases operated on from " + dayText(from) + " to " + dayText(to)
	case !from.IsZero():
		list[0] = "cases operated on since " + dayText(from)
	case !to.IsZero():
		list[0] = "cases operated on up to " + dayText(to)
	}
	for _, f := range s.facts() {
		spoken := make([]string, len(f.GetWords()))
		for i, w := range f.GetWords() {
			spoken[i] = words.Spaced(w)
		}
		list = append(list, words.Spaced(f.GetKind())+": "+strings.Join(spoken, " or "))
	}
	return strings.Join(list, "; ")
}

// narrowed says whether it is not every case.
func (s selection) narrowed() bool { return s.from != "" || s.to != "" || len(s.groups) > 0 }

func dayText(t time.Time) string { return t.Format("2 January 2006") }

// selectionForm is the form that makes such an address: it is sent by GET and needs no
// script.
type selectionForm struct {
	Path, From, To string
	Choices        []choice
	Hidden         []fact
	// Selected says which cases it is about; All leads to every case, if these are not.
	Selected, All string
}

// choice is a list of words of which one is taken, or none.
type choice struct {
	Name, Label, Any string
	Options          []option
}

type option struct {
	Value, Text string
	Chosen      bool
}

// form gives the form with what is selected. own are the page's own choices.
func (v *visit) selectionForm(path string, s selection, own ...choice) *selectionForm {
	f := &selectionForm{Path: path, From: s.from, To: s.to, Selected: words.Sentence(s.told())}
	if len(v.face.config.Sites(v.ctx())) > 1 {
		f.Hidden = append(f.Hidden, fact{siteAsked, v.rooms.Site})
	}
	shown := map[string]bool{}
	for _, c := range v.wordChoices() {
		if list := s.groups[c.Name]; len(list) > 1 || len(c.Options) == 0 {
			continue // more than a list can show
		}
		shown[c.Name] = true
		f.Choices = append(f.Choices, c.chosen(s.groups[c.Name]...))
	}
	for _, c := range own {
		shown[c.Name] = true
		f.Choices = append(f.Choices, c.chosen(s.own[c.Name]))
	}
	for _, kind := range slices.Sorted(maps.Keys(s.groups)) {
		for _, word := range s.groups[kind] {
			if !shown[kind] {
				f.Hidden = append(f.Hidden, fact{kind, word})
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.own)) {
		if !shown[name] && name != pageAsked {
			f.Hidden = append(f.Hidden, fact{name, s.own[name]})
		}
	}
	if s.narrowed() {
		f.All = v.address(path, ownPairs(s)...)
	}
	return f
}

// pageAsked is the place in a list.
const pageAsked = "page"

// ownPairs gives what only the page knows, but for the place in its list.
func ownPairs(s selection) (list []string) {
	for _, name := range slices.Sorted(maps.Keys(s.own)) {
		if name != pageAsked {
			list = append(list, name, s.own[name])
		}
	}
	return list
}

// chosen marks what is taken; a word that is not on the list is added to it.
func (c choice) chosen(taken ...string) choice {
	c.Options = slices.Clone(c.Options)
	for _, word := range taken {
		if word == "" {
			continue
		}
		i := slices.IndexFunc(c.Options, func(o option) bool { return o.Value == word })
		if i < 0 {
			i, c.Options = len(c.Options), append(c.Options, option{Value: word, Text: words.Spaced(word)})
		}
		c.Options[i].Chosen = true
	}
	return c
}

// wordChoices are the kinds of words by which cases are narrowed most.
func (v *visit) wordChoices() []choice {
	var techniques []option
	kinds := (&trigonev1.Technique{}).ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
	for i := range kinds.Len() {
		if name := string(kinds.Get(i).Name()); name == "further_technique" {
			techniques = append(techniques, enumOptions(trigonev1.FurtherTechniqueKind(0))...)
		} else {
			techniques = append(techniques, option{Value: name, Text: words.Capital(words.Spaced(name))})
		}
	}
	var families []option
	for _, r := range v.rooms.Policy.Settings.Rings {
		if !slices.ContainsFunc(families, func(o option) bool { return o.Value == r.Family }) {
			families = append(families, option{Value: r.Family, Text: words.Capital(words.Spaced(r.Family))})
		}
	}
	return []choice{
		{Name: "technique", Label: "Technique", Any: "Any", Options: techniques},
		{Name: "aetiology", Label: "Aetiology", Any: "Any", Options: enumOptions(trigonev1.Aetiology(0))},
		{Name: "leaflet", Label: "Leaflet", Any: "Any", Options: enumOptions(trigonev1.Leaflet(0))},
		{Name: "ring_family", Label: "Ring family", Any: "Any", Options: families},
	}
}

// enumOptions are the words of an enum.
func enumOptions(e protoreflect.Enum) (list []option) {
	values := e.Descriptor().Values()
	zero := string(values.ByNumber(0).Name())
	for i := range values.Len() {
		if one := values.Get(i); one.Number() != 0 {
			word := words.OfEnum(string(one.Name()), zero)
			list = append(list, option{Value: word, Text: words.Capital(words.Spaced(word))})
		}
	}
	return list
}

// telling is a text in which numbers lead to the cases behind them.
type telling []link

// say puts a text together of strings and links.
func say(parts ...any) telling {
	var list telling
	for _, p := range parts {
		switch p := p.(type) {
		case string:
			list = append(list, link{Name: p})
		case link:
			list = append(list, p)
		case telling:
			list = append(list, p...)
		}
	}
	return list
}

// number is a count that leads to what is behind it, where who reads it may see that;
// nothing is behind a zero.
func (v *visit) number(n int32, one, many, path string, s selection, values ...string) link {
	l := link{Name: render.Counted(int(n), one, many)}
	if n > 0 && v.may(PageRight(path)) {
		l.Address = v.addressOf(path, s, values...)
	}
	return l
}
