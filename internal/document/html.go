package document

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"html/template"

	"trigone/internal/picture"
)

// css is the whole style of a document; the policy of the page allows this text only.
const css = `
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, "Liberation Sans", Arial, sans-serif; color: #1b1f24; background: #fff; max-width: 50rem; margin: 2rem auto; padding: 0 1.25rem; }
header { border-bottom: 2px solid #24506b; padding-bottom: .75rem; margin-bottom: 1rem; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .35rem; }
h2 { font-size: 1.15rem; color: #24506b; margin: 1.75rem 0 .4rem; padding-bottom: .15rem; border-bottom: 1px solid #c9d3da; break-after: avoid; }
h3 { font-size: 1rem; margin: 1rem 0 .25rem; break-after: avoid; }
p { margin: .35rem 0; }
.status { font-weight: bold; color: #8a2a0a; margin: 0; }
.final { color: #1b1f24; }
.sheet { width: 100%; margin: 0; font-size: inherit; }
.sheet > thead > tr > td, .sheet > tbody > tr > td { border: 0; padding: 0; }
.head { display: flex; justify-content: space-between; gap: 1.5rem; font-size: .8rem; color: #3d4a54; border-bottom: 1px solid #c9d3da; padding-bottom: .3rem; margin-bottom: .8rem; }
.head span:last-child { text-align: right; }
.fill { display: flex; gap: .6rem; margin: .7rem 0; }
.fill::after { content: ""; flex: 1; border-bottom: 1px solid #6d7d88; min-width: 8rem; }
.room { height: 1.9rem; }
.annex { margin-top: 2.5rem; border-top: 2px solid #24506b; }
ul, ol { margin: .35rem 0; padding-left: 1.6rem; }
li { margin: .2rem 0; break-inside: avoid; }
table { border-collapse: collapse; margin: .6rem 0 .9rem; width: 100%; font-size: .92rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-style: italic; padding-bottom: .25rem; color: #3d4a54; }
th, td { text-align: left; vertical-align: top; padding: .28rem .6rem .28rem 0; border-bottom: 1px solid #dde3e7; font-weight: normal; }
thead th { border-bottom: 1.5px solid #6d7d88; font-weight: bold; }
tr { break-inside: avoid; }
.sheet > tbody > tr { break-inside: auto; }
.subject th { width: 11rem; color: #3d4a54; }
.subject td, .subject th { border: 0; padding-top: .1rem; padding-bottom: .1rem; }
.table { overflow-x: auto; }
.drawing { margin: .8rem 0; break-inside: avoid; }
.drawing svg { display: block; width: 100%; max-width: 26rem; height: auto; }
footer { margin-top: 2.25rem; border-top: 1px solid #6d7d88; padding-top: .6rem; font-size: .85rem; color: #3d4a54; }
@page { size: A4; margin: 16mm 16mm 18mm; @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; color: #3d4a54; } }
@media print {
  html, body { font-size: 9.5pt; }
  body { line-height: 1.4; margin: 0; padding: 0; max-width: none; }
  th, td { padding-top: .15rem; padding-bottom: .15rem; }
  .table, header, footer, .fill { break-inside: avoid; }
  .annex { break-before: page; }
  .drawing svg { max-width: 10.5cm; }
}
`

// contentPolicy forbids everything but this style sheet.
var contentPolicy = func() string {
	sum := sha256.Sum256([]byte(css))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'"
}()

// blocksTemplate writes the blocks of a section with elements that both a page and
// the narrative of a FHIR resource know, closed as XML wants it.
const blocksTemplate = `
{{- define "blocks"}}{{range .}}
{{- if .Subheading}}<h3>{{.Subheading}}</h3>
{{else if .Paragraph}}<p>{{.Paragraph}}</p>
{{else if .Fill}}<p class="fill">{{.Fill}}:</p>
{{else if .Drawing}}<figure class="drawing">
{{svg .Drawing}}</figure>
{{else if .List}}{{if .List.Numbered}}<ol>{{else}}<ul>{{end}}
{{range .List.Items}}<li>{{.Text}}{{if .Sub}}
<ul>
{{range .Sub}}<li>{{.}}</li>
{{end}}</ul>
{{end}}</li>
{{end}}{{if .List.Numbered}}</ol>{{else}}</ul>{{end}}
{{else if .Table}}<div class="table"><table>
{{if .Table.Caption}}<caption>{{.Table.Caption}}</caption>
{{end}}<thead><tr>{{range .Table.Header}}<th scope="col">{{.}}</th>{{end}}</tr></thead>
<tbody>
{{range .Table.Rows}}<tr>{{range $i, $cell := .}}{{if eq $i 0}}<th scope="row">{{$cell}}</th>{{else}}<td{{if not $cell}} class="room"{{end}}>{{$cell}}</td>{{end}}{{end}}</tr>
{{end}}</tbody>
</table></div>
{{end}}{{end}}{{end}}`

const pageTemplate = `<!DOCTYPE html>
<html lang="{{.Language}}">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{.Policy}}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{{.Document.Title}}</title>
<style>{{.Style}}</style>
</head>
<body>
<table class="sheet" role="presentation">
<thead><tr><td><div class="head"><span>{{.Document.Head.First}}<br>{{.Document.Head.Second}}</span><span>{{.Document.Head.Status}}</span></div></td></tr></thead>
<tbody><tr><td>
<header>
<h1>{{.Document.Title}}</h1>
{{range .Document.Status}}<p class="status{{if $.Document.Final}} final{{end}}">{{.}}</p>
{{end}}<table class="subject"><tbody>
{{range .Document.Subject}}<tr><th scope="row">{{.Name}}</th><td>{{.Value}}</td></tr>
{{end}}</tbody></table>
</header>
<main>
{{range .Sections}}{{if .First}}<p class="annex">{{$.Annex}}</p>
{{end}}<section aria-labelledby="{{.Key}}">
<h2 id="{{.Key}}">{{.Heading}}</h2>
{{template "blocks" .Blocks}}</section>
{{end}}</main>
<footer>
{{range .Document.Footer}}<p>{{.}}</p>
{{end}}</footer>
</td></tr></tbody>
</table>
</body>
</html>
`

var (
	blocks = template.Must(template.New("narrative").Funcs(functions).Parse(
		blocksTemplate + `<div xmlns="http://www.w3.org/1999/xhtml" lang="{{.Language}}" xml:lang="{{.Language}}">{{template "blocks" .Blocks}}</div>`))
	page = template.Must(template.Must(template.New("page").Funcs(functions).Parse(blocksTemplate)).Parse(pageTemplate))

	// What draw writes is escaped there.
	functions = template.FuncMap{"svg": func(p *picture.Picture) template.HTML { return template.HTML(picture.SVG(*p)) }}
)

// HTML gives a document as one page: no script, nothing fetched, every text escaped.
func HTML(d Document) ([]byte, error) {
	type section struct {
		Section
		First bool // of the annex
	}
	var sections []section
	for _, s := range d.Sections {
		first := s.Annex && (len(sections) == 0 || !sections[len(sections)-1].Annex)
		sections = append(sections, section{s, first})
	}
	var out bytes.Buffer
	err := page.Execute(&out, struct {
		Document        Document
		Sections        []section
		Annex, Language string
		Policy          string
		Style           template.CSS
	}{d, sections, d.AnnexTitle + ". " + d.AnnexIntro, d.Language, contentPolicy, template.CSS(css)})
	return out.Bytes(), err
}

// Narrative gives blocks as the XHTML division that FHIR asks for; none of them is a
// drawing, which FHIR does not take (see Words).
func Narrative(list []Block, language string) (string, error) {
	var out bytes.Buffer
	err := blocks.Execute(&out, struct {
		Blocks   []Block
		Language string
	}{list, language})
	return out.String(), err
}
