package demo

import (
	"bytes"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"path"
	"path/filepath"
	"strings"
	"time"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// IndexName is the page of the folder that opens everything else in it.
const IndexName = "index.html"

// Picture is a drawing of a case.
type Picture struct {
	Name  string // a word, for files
	Shows string // in a line, what is on it
	SVG   []byte
}

var (
	//go:embed index.html.tmpl
	indexText string
	//go:embed index.css
	indexStyle string
	indexPage  = template.Must(template.New(IndexName).Parse(indexText))
)

// index is what the page says. Addresses are those of files beside it.
type index struct {
	Style     template.CSS
	StyleHash string
	First     *indexCase // nil: no case was operated as an ordinary one
	Cases     []indexCase
	Tables    []table
	Next      []NextStep
}

type indexCase struct {
	Number, Title, Facts string
	Said                 []string
	Note, File, Bundle   string // empty: it has none
	Drawings             []indexDrawing
}

type indexDrawing struct{ Name, Shows, File string }

// firstCase is the one that the page begins with.
const firstCase = "triangular-complete-ring"

// NextStep is a command to go on with.
type NextStep struct{ Why, Command string }

// NextSteps say how to go on with what the demo left in a folder.
func NextSteps(dir, policy string) []NextStep {
	at := func(name string) string { return shellWord(filepath.Join(dir, name)) }
	return []NextStep{
		{"Look at it: open this page in a browser.", at(IndexName)},
		{"Serve the cases, with pages in a browser on http://127.0.0.1:7431/cases (keep it running).",
			"trigoned --store " + at(StoreName) + " --policy " + shellWord(policy) + " --http-listen 127.0.0.1:7431"},
		{"Ask it, from a second terminal.", "trigone discrepancies --roots"},
		{"Write a plan of your own: take away the # before a line and give its value.", "trigone template --tier model --for plan > my-plan.yaml"},
		{"Evaluate and draw it; nothing is stored.", "trigone evaluate my-plan.yaml && trigone draw my-plan.yaml --what all --out my-drawings"},
	}
}

// shellWord quotes what a shell would take apart.
func shellWord(s string) string {
	if s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return !strings.ContainsRune("/._-+@:,=", r) && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	}) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// draw writes the drawings of a case.
func (p *player) draw(ctx context.Context, c played) ([]indexDrawing, error) {
	if p.pictures == nil || c.stored.GetState() == trigonev1.CaseState_CASE_STATE_RETRACTED {
		return nil, nil
	}
	pictures, err := p.pictures(ctx, p.record, c.stored)
	if err != nil {
		return nil, fmt.Errorf("drawings of %s: %w", c.number, err)
	}
	var list []indexDrawing
	for _, d := range pictures {
		name := path.Join("drawings", c.number+"-"+d.Name+".svg")
		if err := p.save(filepath.FromSlash(name), d.SVG); err != nil {
			return nil, err
		}
		list = append(list, indexDrawing{d.Name, d.Shows, name})
	}
	return list, nil
}

// index writes the page.
func (p *player) index(ctx context.Context, cases []played, tables []table) error {
	sum := sha256.Sum256([]byte(indexStyle))
	page := index{Style: template.CSS(indexStyle), StyleHash: base64.StdEncoding.EncodeToString(sum[:]), Tables: tables, Next: p.next}
	for _, c := range cases {
		drawings, err := p.draw(ctx, c)
		if err != nil {
			return err
		}
		x := indexCase{Number: c.number, Title: words.Capital(c.story.title), Facts: indexFacts(c.stored), Said: c.said, Drawings: drawings, Bundle: path.Join("bundles", c.number+".json")}
		if c.stored.GetState() != trigonev1.CaseState_CASE_STATE_RETRACTED {
			x.Note, x.File = path.Join("notes", c.number+".html"), path.Join("cases", c.number+".json")
		}
		page.Cases = append(page.Cases, x)
		if c.story.name == firstCase {
			page.First = &x
		}
	}
	var text bytes.Buffer
	if err := indexPage.Execute(&text, page); err != nil {
		return fmt.Errorf("write the page of the folder: %w", err)
	}
	return p.save(IndexName, text.Bytes())
}

// indexFacts says in a line when a case was operated and what is said of it.
func indexFacts(c *trigonev1.Case) string {
	if c.GetState() == trigonev1.CaseState_CASE_STATE_RETRACTED {
		return "Retracted: it counts nowhere."
	}
	facts := "No incision recorded"
	if t := c.GetCaseFile().GetOperation().GetIncisionTime(); t != nil {
		facts = "Operated " + t.AsTime().UTC().Format(time.DateOnly)
	}
	open, cautions, differ := 0, 0, 0
	for _, f := range c.GetEvaluation().GetFindings() {
		switch f.GetSeverity() {
		case trigonev1.Severity_SEVERITY_CONTRADICTION:
			if !f.GetConfirmed() {
				open++
			}
		case trigonev1.Severity_SEVERITY_CAUTION:
			cautions++
		}
	}
	for _, d := range c.GetEvaluation().GetDiscrepancies() {
		if d.GetParent() == "" && d.GetVerdict() == trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT {
			differ++
		}
	}
	var parts []string
	for _, of := range []struct {
		n    int
		what string
	}{{open, "open contradiction"}, {cautions, "caution"}, {differ, "primary difference"}} {
		switch {
		case of.n == 1:
			parts = append(parts, "1 "+of.what)
		case of.n > 1:
			parts = append(parts, fmt.Sprintf("%d %ss", of.n, of.what))
		}
	}
	if len(parts) == 0 {
		parts = []string{"no open contradiction, caution or primary difference"}
	}
	return facts + ": " + strings.Join(parts, ", ") + "."
}
