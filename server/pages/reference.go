package pages

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/render"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// The pages of reference: rules, metrics and sources, which lead to each other.

const (
	rulesPath   = "/rules"
	metricsPath = "/metrics"
	sourcesPath = "/sources"
	// mostSearched bounds what is searched for.
	mostSearched = 100
)

// referenceContent is a page of entries that can be searched and narrowed to a subject.
type referenceContent struct {
	Path, Search, Subject string
	// Site keeps the site over a search; empty: there is one only.
	Site     string
	Subjects []link
	Intro    string
	Count    string
	Groups   []entryGroup
}

type entryGroup struct {
	Name    string
	Entries []entry
}

// entry is a rule, a metric or a source.
type entry struct {
	ID, Name, Tag string
	Texts         []string
	// Lines are what is said of it in short, each with links.
	Lines []entryLine
	group string
}

type entryLine struct {
	Name  string
	Text  string
	Links []link
}

// reference narrows entries to what was asked for, and puts them into their groups.
func (v *visit) reference(path, intro, one, many string, all []entry) referenceContent {
	c := referenceContent{Path: path, Search: cut(strings.TrimSpace(v.asked().Get("q"))), Subject: v.asked().Get("subject"), Intro: intro}
	if len(v.face.config.Sites(v.ctx())) > 1 {
		c.Site = v.rooms.Site
	}
	c.Subjects = append(c.Subjects, link{"All", v.address(path, "q", c.Search), c.Subject == ""})
	seen := map[string]int{}
	count := 0
	for _, e := range all {
		i, known := seen[e.group]
		if !known {
			i = len(c.Groups)
			seen[e.group], c.Groups = i, append(c.Groups, entryGroup{Name: e.group})
			c.Subjects = append(c.Subjects, link{e.group, v.address(path, "q", c.Search, "subject", e.group), c.Subject == e.group})
		}
		if (c.Subject == "" || c.Subject == e.group) && e.holds(c.Search) {
			c.Groups[i].Entries = append(c.Groups[i].Entries, e)
			count++
		}
	}
	c.Groups = slices.DeleteFunc(c.Groups, func(g entryGroup) bool { return len(g.Entries) == 0 })
	c.Count = render.Counted(count, one, many)
	return c
}

func cut(s string) string {
	if r := []rune(s); len(r) > mostSearched {
		return string(r[:mostSearched])
	}
	return s
}

// holds says whether every word of a search stands somewhere in an entry.
func (e entry) holds(search string) bool {
	text := strings.ToLower(e.ID + " " + words.Spaced(e.ID) + " " + e.Name + " " + e.Tag + " " + strings.Join(e.Texts, " "))
	for _, l := range e.Lines {
		text += " " + strings.ToLower(l.Text)
		for _, to := range l.Links {
			text += " " + strings.ToLower(to.Name)
		}
	}
	for _, word := range strings.Fields(strings.ToLower(search)) {
		if !strings.Contains(text, word) {
			return false
		}
	}
	return true
}

// citations gives what sources say, by their ids.
func citations() map[string]string {
	list := map[string]string{}
	for _, s := range convert.Sources().GetSources() {
		list[s.GetId()] = s.GetCitation()
	}
	return list
}

func (v *visit) sourceLine(id string, cited map[string]string) entryLine {
	return entryLine{Name: "Source", Links: []link{{Name: cmp.Or(cited[id], id), Address: v.address(sourcesPath) + "#" + id}}}
}

var rulesPage = page{
	route: rulesPath, name: "Rules", group: referencePages, about: "what is looked for, with its limits at this site", view: "reference.html",
	reads: trigonev1.ReferenceService_ListRules_FullMethodName,
	answer: func(v *visit) (view, error) {
		list, cited := convert.RuleDefinitions(v.rooms.Policy.Settings, v.rooms.Policy.Rules), citations()
		var all []entry
		for _, s := range []trigonev1.Severity{trigonev1.Severity_SEVERITY_CONTRADICTION, trigonev1.Severity_SEVERITY_CAUTION, trigonev1.Severity_SEVERITY_NOTE} {
			for _, r := range list.GetRules() {
				if r.GetSeverity() == s {
					all = append(all, v.ruleEntry(r, cited))
				}
			}
		}
		intro := "Rule set " + list.GetRuleSetVersion() + ". Limits are those of the policy in force at this site. A contradiction disputes the values it reads; a caution and a note dispute nothing. A rule whose input is missing is not evaluable, which is no pass."
		return view{title: "Rules", content: v.reference(rulesPath, intro, "rule", "rules", all)}, nil
	},
}

func (v *visit) ruleEntry(r *trigonev1.RuleDefinition, cited map[string]string) entry {
	e := entry{ID: r.GetId(), Name: words.Capital(words.Spaced(r.GetId())), Tag: render.Word(r.GetKind()), Texts: []string{r.GetSummary()}, group: words.Capital(render.Word(r.GetSeverity()))}
	var limits []string
	for _, l := range r.GetLimits() {
		limits = append(limits, render.Limit(l))
	}
	if len(limits) > 0 {
		e.Lines = append(e.Lines, entryLine{Name: "Limits", Text: strings.Join(limits, "; ")})
	}
	e.Lines = append(e.Lines, v.sourceLine(r.GetSource(), cited))
	if r.GetSince() != "" {
		since := "rule set " + r.GetSince()
		if r.GetUntil() != "" {
			since += ", no longer in rule set " + r.GetUntil()
		}
		e.Lines = append(e.Lines, entryLine{Name: "Since", Text: since})
	}
	return e
}

const measuredGroup = "Measured"

var metricsPage = page{
	route: metricsPath, name: "Metrics", group: referencePages, about: "what is measured and computed, and from what", view: "reference.html",
	reads: trigonev1.ReferenceService_ListMetrics_FullMethodName,
	answer: func(v *visit) (view, error) {
		list, cited := convert.MetricDefinitions(true), citations()
		readBy, listed := map[string][]string{}, map[string]bool{}
		for _, m := range list.GetMetrics() {
			listed[m.GetId()] = true
			for _, input := range m.GetInputs() {
				readBy[input] = append(readBy[input], m.GetId())
			}
		}
		var computed, measured []entry
		for _, m := range list.GetMetrics() {
			if e := v.metricEntry(m, readBy[m.GetId()], listed, cited); m.GetLeaf() {
				measured = append(measured, e)
			} else {
				computed = append(computed, e)
			}
		}
		intro := "Catalogue " + list.GetCatalogueVersion() + ". A metric whose input is missing is not evaluable, which is no zero. Predictions are ranges."
		return view{title: "Metrics", content: v.reference(metricsPath, intro, "metric or measured value", "metrics and measured values", append(computed, measured...))}, nil
	},
}

func (v *visit) metricEntry(m *trigonev1.MetricDefinition, readBy []string, listed map[string]bool, cited map[string]string) entry {
	e := entry{ID: m.GetId(), Name: words.Capital(m.GetName()), Tag: cmp.Or(render.Unit(m.GetUnit()), "a number"), group: measuredGroup}
	to := func(ids []string) (list []link) {
		for _, id := range ids {
			one := link{Name: words.Spaced(id)}
			if listed[id] { // what has no row of its own, such as a contour, leads nowhere
				one.Address = v.address(metricsPath) + "#" + id
			}
			list = append(list, one)
		}
		return list
	}
	if !m.GetLeaf() {
		e.group = metric.TopicOf(valve.ID(m.GetId()))
		e.Texts = []string{words.Sentence(m.GetFormula())}
		if len(m.GetInputs()) > 0 {
			e.Lines = append(e.Lines, entryLine{Name: "Reads", Links: to(m.GetInputs())})
		}
		e.Lines = append(e.Lines, v.sourceLine(m.GetSource(), cited))
	} else {
		e.Lines = append(e.Lines, entryLine{Name: "Belongs to", Text: "the " + render.Word(m.GetTier()) + " record"})
	}
	if len(readBy) > 0 {
		e.Lines = append(e.Lines, entryLine{Name: "Read by", Links: to(readBy)})
	}
	if m.GetCode() != "" {
		e.Lines = append(e.Lines, entryLine{Name: "Public code", Text: m.GetCodeDisplay() + " (" + m.GetCode() + ")"})
	}
	return e
}

var sourcesPage = page{
	route: sourcesPath, name: "Sources", group: referencePages, about: "where rules and numbers come from", view: "reference.html",
	reads: trigonev1.ReferenceService_ListSources_FullMethodName,
	answer: func(v *visit) (view, error) {
		rules, metrics := map[string][]link{}, map[string][]link{}
		for _, r := range convert.RuleDefinitions(v.rooms.Policy.Settings, v.rooms.Policy.Rules).GetRules() {
			rules[r.GetSource()] = append(rules[r.GetSource()], link{Name: words.Spaced(r.GetId()), Address: v.address(rulesPath) + "#" + r.GetId()})
		}
		for _, m := range convert.MetricDefinitions(false).GetMetrics() {
			metrics[m.GetSource()] = append(metrics[m.GetSource()], link{Name: words.Spaced(m.GetId()), Address: v.address(metricsPath) + "#" + m.GetId()})
		}
		var all []entry
		strengths := trigonev1.SourceStrength(0).Descriptor().Values()
		for i := 1; i < strengths.Len(); i++ {
			for _, s := range convert.Sources().GetSources() {
				if s.GetStrength().Number() != strengths.Get(i).Number() {
					continue
				}
				e := entry{ID: s.GetId(), Name: s.GetCitation(), group: words.Capital(render.Word(s.GetStrength()))}
				if list := rules[s.GetId()]; len(list) > 0 {
					e.Lines = append(e.Lines, entryLine{Name: "Rules", Links: list})
				}
				if list := metrics[s.GetId()]; len(list) > 0 {
					e.Lines = append(e.Lines, entryLine{Name: "Metrics", Links: list})
				}
				all = append(all, e)
			}
		}
		return view{title: "Sources", content: v.reference(sourcesPath, "Where the numbers come from, by how far each source was read. What is from memory serves notes only.", "source", "sources", all)}, nil
	},
}
