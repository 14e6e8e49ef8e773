package note

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// changes puts what was done otherwise beside what was planned, with the reason in
// the words of whoever operated. Aims, predictions and limits are no part of it: an
// operative note judges nothing.
func (b *builder) changes() []Block {
	if b.plan == nil && !b.effective {
		return []Block{paragraph("No plan is on record.")}
	}
	if !b.effective {
		return []Block{paragraph("No plan was signed before the incision, so that nothing is compared.")}
	}
	signed := joined(" ", "The plan was signed", with("by", clean(b.plan.GetSigner())), with("on", b.minute(b.plan.GetSignedTime())))
	t := &Table{Header: []string{"Planned", "Done", "Reason"}}
	for _, c := range b.differences() {
		t.Rows = append(t.Rows, b.difference(c))
	}
	if len(t.Rows) == 0 {
		found := "It was done as planned."
		for _, c := range b.ev.GetComparisons() {
			switch c.GetVerdict() {
			case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE, trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE:
				if slices.Contains(doing, c.GetKind()) {
					found = "In what can be compared no difference was found."
				}
			}
		}
		return []Block{paragraph(words.Sentence(signed+b.allMarks(string(valve.AtPlan))), found)}
	}
	return []Block{paragraph(words.Sentence(signed + b.allMarks(string(valve.AtPlan)))), {Table: t}}
}

// doing are the kinds of comparison that speak of what was done, not of how it came
// out.
var doing = []trigonev1.ComparisonKind{
	trigonev1.ComparisonKind_COMPARISON_KIND_CONVERSION,
	trigonev1.ComparisonKind_COMPARISON_KIND_STEP, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_PLACE,
	trigonev1.ComparisonKind_COMPARISON_KIND_STEP_TECHNIQUE, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_DIMENSION,
	trigonev1.ComparisonKind_COMPARISON_KIND_RING_KIND, trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL,
	trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION, trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT,
}

// differs says whether a step is one of the differences.
func (b *builder) differs(performed string) bool {
	return b.effective && slices.ContainsFunc(b.differences(), func(c *trigonev1.Comparison) bool { return c.GetPerformedStepId() == performed })
}

// ofRings are the kinds that speak of a ring: one row says all of them.
var ofRings = []trigonev1.ComparisonKind{
	trigonev1.ComparisonKind_COMPARISON_KIND_RING_KIND, trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL,
	trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION,
}

// differences are the comparisons of doing that are present, whole steps before
// their dimensions. Where a step was replaced or left out its dimensions say nothing
// more, and what differs of a ring is told once.
func (b *builder) differences() []*trigonev1.Comparison {
	var list []*trigonev1.Comparison
	whole := map[string]bool{}
	for _, kind := range doing {
		for _, c := range b.ev.GetComparisons() {
			if c.GetKind() != kind || c.GetVerdict() != trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT {
				continue
			}
			part := kind == trigonev1.ComparisonKind_COMPARISON_KIND_STEP_DIMENSION || slices.Contains(ofRings, kind)
			if part && c.GetPlannedStepId() != "" && whole[c.GetPlannedStepId()] {
				continue
			}
			if kind == trigonev1.ComparisonKind_COMPARISON_KIND_STEP || kind == trigonev1.ComparisonKind_COMPARISON_KIND_STEP_TECHNIQUE || slices.Contains(ofRings, kind) {
				whole[c.GetPlannedStepId()] = true
			}
			list = append(list, c)
		}
	}
	return list
}

// difference is a row: planned, done, and the reason.
func (b *builder) difference(c *trigonev1.Comparison) []string {
	planned, done := clean(c.GetPlanned()), clean(c.GetActual())
	name, value := "", trimmed(planned) // of what has a size
	step := b.performed(c.GetPerformedStepId())
	before := b.plannedStep(c.GetPlannedStepId())
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_CONVERSION:
		return []string{"Repair of the mitral valve", "Replacement", b.reason("replacement", b.op.GetConversion().GetReason().String(), say(b.op.GetConversion().GetReason()), b.op.GetConversion().GetReasonText())}
	case trigonev1.ComparisonKind_COMPARISON_KIND_STEP:
		planned = "Not planned"
		if before != nil {
			planned = words.Capital(technique(before.GetTechnique()))
		}
		if step != nil {
			done = words.Capital(technique(step.GetTechnique()))
			if step.GetFate() == trigonev1.StepFate_STEP_FATE_TAKEN_DOWN {
				done = "Done and taken down"
			}
		} else {
			done = words.Capital(strings.Replace(done, "not performed", "not done", 1))
		}
	case trigonev1.ComparisonKind_COMPARISON_KIND_STEP_PLACE, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_TECHNIQUE:
		if before != nil && step != nil {
			planned, done = words.Capital(technique(before.GetTechnique())), words.Capital(technique(step.GetTechnique()))
		}
	case trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT:
		name = "leaflet height " + words.At(words.Place(valve.Place(c.GetPlace())))
		planned, done = words.Capital(name+" "+value), trimmed(done)
	case trigonev1.ComparisonKind_COMPARISON_KIND_RING_KIND, trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL, trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION:
		if before != nil && step != nil {
			planned, done = b.ringInShort(before.GetTechnique(), valve.AtPlan), b.ringInShort(step.GetTechnique(), valve.AtOperation)
		}
	default:
		name = cmp.Or(shortNames[valve.ID(c.GetMetric())], lower(valueName(valve.ID(c.GetMetric()))))
		if before != nil {
			name = technique(before.GetTechnique()) + ", " + name
		}
		planned, done = words.Capital(name+" "+value), words.Capital(trimmed(done))
	}
	if c.GetPlanRevised() {
		planned += " (revised before the first cut)"
	}
	for _, k := range b.comparedKeys(c) {
		if m := b.marks(k); m != "" && !strings.Contains(done, m) {
			done += m
		}
	}
	of := lower(done) + " instead of " + lower(planned)
	if name != "" {
		of = lower(name) + ": " + lower(done) + " instead of " + value
	}
	switch {
	case c.GetKind() != trigonev1.ComparisonKind_COMPARISON_KIND_STEP:
	case before == nil:
		of = lower(done) + ", not planned"
	default:
		of = lower(planned) + ", " + lower(done)
	}
	return []string{planned, done, b.reason(of, c.GetReason(), say(step.GetReason()), step.GetReasonText())}
}

// ringInShort names a ring as planned or as implanted, with its dimensions.
func (b *builder) ringInShort(t *trigonev1.Technique, o valve.Occasion) string {
	r := t.GetAnnuloplasty()
	if r == nil {
		return words.Capital(technique(t))
	}
	var inner []string
	for _, d := range []valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter} {
		if v, known := value(r, d); known {
			inner = append(inner, format(d, v))
		}
	}
	size := ""
	if o == valve.AtPlan || r.ImplantedLabel != nil {
		size = b.ringSize(r, "", o)
	}
	return words.Capital(joined(", ", ringKind(r), size, with("inner", strings.Join(inner, " by "))))
}

// trimmed takes zeros that only fill from a number of a comparison.
func trimmed(s string) string {
	parts := strings.Split(s, " ")
	for i, p := range parts {
		if head, tail, ok := strings.Cut(p, "."); ok && digits(head) && digits(tail) {
			if tail = strings.TrimRight(tail, "0"); tail != "" {
				tail = "." + tail
			}
			parts[i] = head + tail
		}
	}
	return strings.Join(parts, " ")
}

func digits(s string) bool {
	return s != "" && strings.IndexFunc(s, func(r rune) bool { return r < '0' || r > '9' }) < 0
}

// reason gives why something differs: the word of the record and the surgeon's own.
func (b *builder) reason(of, recorded, word, text string) string {
	quoted := b.quote(text)
	if recorded == "" && quoted == "" {
		b.misses("reason: " + of)
		return "–"
	}
	return joined(" ", words.Sentence(word), quoted)
}

// lower begins with a small letter, but for a name of a segment.
func lower(s string) string {
	if len(s) > 1 && s[1] >= 'a' && s[1] <= 'z' {
		return strings.ToLower(s[:1]) + s[1:]
	}
	return s
}

func (b *builder) performed(id string) *trigonev1.PerformedStep {
	for _, s := range b.op.GetSteps() {
		if s.GetId() == id && id != "" {
			return s
		}
	}
	return nil
}

func (b *builder) plannedStep(id string) *trigonev1.PlannedStep {
	for _, s := range b.plan.GetSteps() {
		if s.GetId() == id && id != "" {
			return s
		}
	}
	return nil
}

// comparedKeys are the values of the outcome that a comparison may have read.
func (b *builder) comparedKeys(c *trigonev1.Comparison) []valve.Key {
	if c.GetMetric() == "" {
		return nil
	}
	return []valve.Key{{ID: valve.ID(c.GetMetric()), Place: valve.Place(c.GetPlace()), Occasion: valve.Occasion(c.GetOccasion()), Role: valve.Measured}}
}
