package render

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Case prints a case: its sections with revision and state, then its newest
// evaluation.
func Case(w io.Writer, c *trigonev1.Case) {
	printf(w, "%s  (case number %s)\n", c.GetName(), cmp.Or(c.GetCaseFile().GetExternalIdentifier().GetValue(), "none"))
	printf(w, "%s, version %d, changed %s UTC\n\n", words.Capital(Word(c.GetState())), c.GetCaseVersion(), minute(c.GetChangedTime()))
	Sections(w, c.GetSections())
	if c.GetEvaluation() != nil {
		fmt.Fprintln(w)
		Evaluation(w, c.GetEvaluation(), EvaluationOptions{})
	}
}

// Sections prints the state of sections.
func Sections(w io.Writer, list []*trigonev1.SectionStatus) {
	g := newGrid("", "Section", "Revision", "Etag", "State", "Received (UTC)", "Source time (UTC)")
	g.right(2)
	g.right(3)
	for _, s := range list {
		state := Word(s.GetState())
		if why := Word(s.GetRetractionReason()); why != "" {
			state += ": " + why
		}
		g.row(s.GetSection(), s.GetRevision(), s.GetEtag(), state, minute(s.GetReceivedTime()), minute(s.GetSourceTime()))
	}
	g.print(w)
}

// Submitted prints the answer to a submit.
func Submitted(w io.Writer, r *trigonev1.SubmitCaseResponse) {
	if r.GetQuarantineId() != "" {
		printf(w, "Quarantined as %s: a reviewer must file or discard it.\n", r.GetQuarantineId())
		if r.GetMessage() != "" {
			wrapped(w, "", "", r.GetMessage())
		}
		return
	}
	if len(r.GetSections()) == 0 { // it would be set aside
		wrapped(w, "", "", r.GetMessage())
		return
	}
	printf(w, "%s, version %d\n", cmp.Or(r.GetCaseName(), "no case"), r.GetCaseVersion())
	if r.GetMessage() != "" {
		wrapped(w, "", "", r.GetMessage())
	}
	g := newGrid("", "Section", "What was done", "Revision", "Etag", "State")
	g.right(3)
	g.right(4)
	for _, s := range r.GetSections() {
		g.row(s.GetSection(), Word(s.GetOutcome()), s.GetRevision(), s.GetEtag(), Word(s.GetState()))
	}
	g.print(w)
	counts := Count(r.GetEvaluation())
	printf(w, "%s; %s from the plan\n", counts.findings(), count(counts.Differences, "difference", "differences"))
}

// Counts is an evaluation in four numbers.
type Counts struct {
	Contradictions, Cautions, Notes int
	// Differences are the roots among the discrepancies that are present or
	// indeterminate.
	Differences int
}

// Count counts what an evaluation says.
func Count(e *trigonev1.Evaluation) Counts {
	var c Counts
	for _, f := range e.GetFindings() {
		switch f.GetSeverity() {
		case trigonev1.Severity_SEVERITY_CONTRADICTION:
			c.Contradictions++
		case trigonev1.Severity_SEVERITY_CAUTION:
			c.Cautions++
		case trigonev1.Severity_SEVERITY_NOTE:
			c.Notes++
		}
	}
	kept, _ := judged(e.GetDiscrepancies())
	c.Differences = len(families(kept))
	return c
}

func (c Counts) findings() string {
	return fmt.Sprintf("%s, %s, %s", count(c.Contradictions, "contradiction", "contradictions"),
		count(c.Cautions, "caution", "cautions"), count(c.Notes, "note", "notes"))
}

// Metrics prints the catalogue.
func Metrics(w io.Writer, list []*trigonev1.MetricDefinition) {
	g := newGrid("", "Metric", "Unit", "Formula [source]")
	g.keep(1)
	for _, m := range list {
		text := m.GetFormula()
		if m.GetLeaf() {
			text = "measured, tier " + Word(m.GetTier())
		}
		if m.GetSource() != "" {
			text += " [" + m.GetSource() + "]"
		}
		g.row(m.GetId(), unitText(m.GetUnit()), text)
	}
	g.print(w)
}

// Rules prints the rules with their limits.
func Rules(w io.Writer, list []*trigonev1.RuleDefinition) {
	g := newGrid("", "Rule", "Severity", "What it says [source]")
	g.keep(1)
	for _, r := range list {
		var limits []string
		for _, l := range r.GetLimits() {
			limits = append(limits, quantity(l.GetValue(), decimals(l.GetValue()), l.GetUnit()))
		}
		text := r.GetSummary()
		if len(limits) > 0 {
			text += " In force: " + strings.Join(limits, "; ") + "."
		}
		g.row(r.GetId(), Word(r.GetSeverity()), text+" ["+r.GetSource()+"]")
	}
	g.print(w)
}
