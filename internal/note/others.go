package note

import (
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// concomitantDetails tells how the procedures beside the mitral one were done, and
// which were considered and not done.
func (b *builder) concomitantDetails() []Item {
	var items []Item
	for _, c := range b.op.GetConcomitantProcedures() {
		if text := detailOf(c); text != "" && say(c.GetKind()) != "" {
			items = append(items, Item{Text: words.Sentence(words.Capital(say(c.GetKind())) + ": " + text)})
		}
	}
	for _, d := range b.op.GetDeclinedProcedures() {
		what := say(d.GetKind())
		if what == "" {
			continue
		}
		reason := b.look("reason for not doing: "+what, say(d.GetReason()))
		items = append(items, Item{Text: joined(" ", words.Sentence(words.Capital(joined(": ", what+" was considered and not done", reason))), b.quote(d.GetReasonText()))})
	}
	return items
}

func detailOf(c *trigonev1.ConcomitantProcedure) string {
	switch d := c.GetDetail().(type) {
	case *trigonev1.ConcomitantProcedure_Tricuspid:
		t := d.Tricuspid
		ring := joined(" ", say(t.GetRigidity()), say(t.GetRingKind()))
		label := ""
		if t.ImplantedLabel != nil {
			label = "labelled size " + plain(t.GetImplantedLabel())
		}
		return joined(", ", words.And(sayAll(t.GetTechniques())), ring, label)
	case *trigonev1.ConcomitantProcedure_Ablation:
		a := d.Ablation
		lines := ""
		if l := words.And(sayAll(a.GetLines())); l != "" {
			lines = "lines: " + l + partial(a.GetLinesRecorded())
		}
		block := ""
		switch a.GetBlockConfirmed() {
		case trigonev1.Answer_ANSWER_YES:
			block = "conduction block across the lines was found"
		case trigonev1.Answer_ANSWER_NO:
			block = "conduction block across the lines was not found"
		}
		return joined("; ", lines, with("by", words.And(sayAll(a.GetEnergies()))), block)
	case *trigonev1.ConcomitantProcedure_Appendage:
		a := d.Appendage
		closed := ""
		switch a.GetClosedOnEcho() {
		case trigonev1.Answer_ANSWER_YES:
			closed = "closed on echo"
		case trigonev1.Answer_ANSWER_NO:
			closed = "not closed on echo"
		}
		return joined(", ", say(a.GetTechnique()), closed)
	case *trigonev1.ConcomitantProcedure_Coronary:
		var grafts []string
		for _, g := range d.Coronary.GetGrafts() {
			grafts = append(grafts, joined(" to the ", or(say(g.GetConduit())), words.And(sayAll(g.GetTargets()))))
		}
		if len(grafts) == 0 {
			return ""
		}
		return strings.Join(grafts, "; ") + partial(d.Coronary.GetGraftsRecorded())
	}
	return ""
}

// left tells the lesions that were seen and left in place on purpose.
func (b *builder) left() string {
	var sentences []string
	for _, l := range b.op.GetAcceptedLesions() {
		reason := b.look("reason for leaving a lesion", say(l.GetReason()))
		what := joined(" ", orElse(say(l.GetKind()), "a lesion"), words.At(locationName(l.GetLocation())))
		sentences = append(sentences, words.Sentence(joined(": ", words.Capital(what)+" was left in place", reason)), b.quote(l.GetReasonText()))
	}
	return joined(" ", sentences...)
}
