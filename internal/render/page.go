package render

import (
	"fmt"
	"html/template"
	"io"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// page is the frame of a printed table: it fetches nothing and runs nothing.
var page = template.Must(template.New("page").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width">
<title>{{.Title}}</title>
<style>
body { font: 15px/1.5 system-ui, sans-serif; color: #1b1f24; max-width: 75rem; margin: 2rem auto; padding: 0 1rem }
.caution { border-left: 4px solid #8a6d00; padding: .2rem 1rem; background: #fbf7e8 }
table { border-collapse: collapse; width: 100%; margin: 1rem 0 }
th, td { text-align: left; vertical-align: top; padding: .4rem .8rem .4rem 0; border-bottom: 1px solid #dfe3e8 }
thead th { position: sticky; top: 0; background: #fff }
code { font-size: 13px }
@media print { body { font-size: 10px; max-width: none } thead th { position: static } tr { break-inside: avoid } }
</style>
</head>
<body>
<h1>{{.Title}}</h1>
<p class="caution">{{.Caution}}</p>
<p>{{.Intro}}</p>
{{range .Tables}}<h2>{{.Title}}</h2>
<table>
<thead><tr>{{range .Header}}<th scope="col">{{.}}</th>{{end}}</tr></thead>
<tbody>
{{range .Rows}}<tr>{{range $i, $cell := .}}<td>{{if eq $i 0}}<code>{{$cell}}</code>{{else}}{{$cell}}{{end}}</td>{{end}}</tr>
{{end}}</tbody>
</table>
{{end}}</body>
</html>
`))

type pageTable struct {
	Title  string
	Header []string
	Rows   [][]string
}

type pageContent struct {
	Title, Caution, Intro string
	Tables                []pageTable
}

// RulesPage writes all rules as an HTML page: by severity, with limits in force,
// whose they are, and the sources.
func RulesPage(w io.Writer, list *trigonev1.ListRulesResponse, sources []*trigonev1.Source) error {
	content := pageContent{
		Title: "Rules", Caution: Caution,
		Intro: fmt.Sprintf("%s of rule set %s. Limits are those of the policy in force. A contradiction disputes the values it reads; a caution and a note dispute nothing. A rule whose input is missing is not evaluable, which is no pass.",
			count(len(list.GetRules()), "rule", "rules"), list.GetRuleSetVersion()),
	}
	cited := map[string]bool{}
	for _, s := range []trigonev1.Severity{trigonev1.Severity_SEVERITY_CONTRADICTION, trigonev1.Severity_SEVERITY_CAUTION, trigonev1.Severity_SEVERITY_NOTE} {
		t := pageTable{Header: []string{"Rule", "What it says", "Limits in force", "Kind", "Source", "Since"}}
		for _, r := range list.GetRules() {
			if r.GetSeverity() != s {
				continue
			}
			var limits []string
			for _, l := range r.GetLimits() {
				limits = append(limits, limitText(l))
			}
			since := "set " + r.GetSince()
			if r.GetUntil() != "" {
				since += ", not in set " + r.GetUntil()
			}
			t.Rows = append(t.Rows, []string{r.GetId(), r.GetSummary(), strings.Join(limits, "; "), Word(r.GetKind()), r.GetSource(), since})
			cited[r.GetSource()] = true
		}
		t.Title = words.Capital(Word(s)) + ": " + count(len(t.Rows), "rule", "rules")
		content.Tables = append(content.Tables, t)
	}
	content.Tables = append(content.Tables, sourceTable(sources, cited))
	return page.Execute(w, content)
}

// MetricsPage writes the catalogue as an HTML page.
func MetricsPage(w io.Writer, list *trigonev1.ListMetricsResponse, sources []*trigonev1.Source) error {
	content := pageContent{
		Title: "Metrics", Caution: Caution,
		Intro: fmt.Sprintf("Catalogue %s. A metric whose input is missing is not evaluable, which is no zero. Predictions are ranges.", list.GetCatalogueVersion()),
	}
	cited := map[string]bool{}
	computed := pageTable{Header: []string{"Metric", "What it is", "Unit", "Formula", "Source"}}
	measured := pageTable{Header: []string{"Value", "What it is", "Unit", "Tier"}}
	for _, m := range list.GetMetrics() {
		if m.GetLeaf() {
			measured.Rows = append(measured.Rows, []string{m.GetId(), m.GetName(), unitText(m.GetUnit()), Word(m.GetTier())})
			continue
		}
		computed.Rows = append(computed.Rows, []string{m.GetId(), m.GetName(), unitText(m.GetUnit()), m.GetFormula(), m.GetSource()})
		cited[m.GetSource()] = true
	}
	computed.Title = "Computed: " + count(len(computed.Rows), "metric", "metrics")
	content.Tables = append(content.Tables, computed)
	if len(measured.Rows) > 0 {
		measured.Title = "Measured: " + count(len(measured.Rows), "value", "values")
		content.Tables = append(content.Tables, measured)
	}
	content.Tables = append(content.Tables, sourceTable(sources, cited))
	return page.Execute(w, content)
}

func sourceTable(sources []*trigonev1.Source, cited map[string]bool) pageTable {
	t := pageTable{Header: []string{"Source", "Citation", "How far it was read"}}
	for _, s := range sources {
		if cited[s.GetId()] {
			t.Rows = append(t.Rows, []string{s.GetId(), s.GetCitation(), Word(s.GetStrength())})
		}
	}
	t.Title = "Sources: " + count(len(t.Rows), "source", "sources")
	return t
}

func limitText(l *trigonev1.AppliedLimit) string {
	owner := ""
	if l.GetOwner() == trigonev1.LimitOwner_LIMIT_OWNER_SITE {
		owner = ", set by the site"
	}
	return fmt.Sprintf("%s (%s%s)", quantity(l.GetValue(), decimals(l.GetValue()), l.GetUnit()), words.Spaced(l.GetThreshold()), owner)
}
