package note

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/rules"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What follows is no part of what is signed.

// severityValues are the parameters behind the grade and the indication, in the
// order in which they are read.
var severityValues = []valve.ID{
	valve.VenaContractaWidth, valve.VenaContractaArea,
	"regurgitant_orifice_area_by_flow_convergence", valve.StatedRegurgitantOrificeArea,
	"regurgitant_volume_by_flow_convergence", "regurgitant_volume_from_inflow", valve.StatedRegurgitantVolume,
	"regurgitant_fraction_by_flow_convergence", "regurgitant_fraction_from_inflow", valve.StatedRegurgitantFraction,
	valve.LeftVentricularEndDiastolicDiameter, valve.LeftVentricularEndSystolicDiameter,
	"left_ventricular_ejection_fraction", valve.StatedLeftVentricularEjectionFraction,
	"left_atrial_volume_index", valve.LeftAtrialDiameter,
	"pulmonary_artery_systolic_pressure", valve.StatedPulmonaryArterySystolicPressure,
	valve.MeanGradient,
}

func (b *builder) measurements() []Block {
	var blocks []Block
	for _, a := range b.assessments() {
		t := &Table{Caption: words.Capital(b.examination(a)), Header: []string{"Parameter", "Value", "Grade"}}
		for _, id := range severityValues {
			for _, v := range b.ev.GetMetrics() {
				if v.GetMetric() == string(id) && v.GetOccasion() == string(assessmentOccasion(a)) && v.Value != nil {
					t.Rows = append(t.Rows, []string{words.Capital(valueName(id)), b.value(v), clean(v.GetBand())})
				}
			}
		}
		blocks = append(blocks, Block{Table: filled(t)})
	}
	return blocks
}

// value writes a value of the evaluation.
func (b *builder) value(v *trigonev1.MetricValue) string {
	return format(valve.ID(v.GetMetric()), v.GetValue()) + b.marks(valve.Key{
		ID: valve.ID(v.GetMetric()), Place: valve.Place(v.GetPlace()), Occasion: valve.Occasion(v.GetOccasion()), Role: valve.Role(word(v.GetRole())),
	})
}

// things says how the things planned came out, where a plan is in force.
func (b *builder) things() string {
	list := b.ev.GetComparisons()
	if !b.effective || convert.ThingsPlanned(list).GetTotal() == 0 {
		return ""
	}
	return words.Sentence(convert.ThingsText(convert.ThingsPlanned(list)))
}

// questions tells what the software was asked while operating and what it answered.
func (b *builder) questions() []Block {
	var blocks []Block
	for _, a := range b.file.GetAdvice() {
		name := joined(", ", "Question "+clean(a.GetId()), b.minute(a.GetTime()), b.when(a.GetRun(), a.GetStage()))
		blocks = append(blocks, Block{Subheading: name})
		var items []Item
		for _, r := range a.GetFreedom().GetRanges() {
			if text := clean(r.GetExplanation()); text != "" {
				items = append(items, Item{Text: words.Sentence(joined(" ", words.Capital(valueName(valve.ID(r.GetLeaf()))), words.At(words.Place(valve.Place(strings.TrimPrefix(r.GetPlace(), "step:")))), "–", text))})
			}
		}
		for _, u := range a.GetFreedom().GetUnfitSteps() {
			items = append(items, Item{Text: words.Sentence(clean(u.GetMessage()))})
		}
		blocks = append(blocks, list(items))
		blocks = append(blocks, list(b.citing(a)))
	}
	if len(blocks) == 0 {
		return nil
	}
	return append([]Block{paragraph("What the software was asked while operating, and what it answered: ranges of a model, not advice.")}, blocks...)
}

// citing says of each step that cites a question whether it followed the answer: what
// was done counts, not the citation.
func (b *builder) citing(a *trigonev1.Advice) []Item {
	var items []Item
	for _, s := range b.op.GetSteps() {
		if slices.Contains(s.GetAdviceIds(), a.GetId()) {
			items = append(items, Item{Text: words.Sentence(words.Capital(technique(s.GetTechnique())) + ": " + convert.FollowedAnswer(b.op, s, a).Sentence())})
		}
	}
	return items
}

// Follow-up.

func (b *builder) followUps() []Block {
	var items []Item
	for _, u := range b.file.GetFollowUps() {
		items = append(items, b.followUp(u))
	}
	if len(items) == 0 {
		return []Block{paragraph("Follow-up is not recorded.")}
	}
	return []Block{list(items)}
}

func (b *builder) followUp(u *trigonev1.FollowUp) Item {
	status := orElse(say(u.GetVitalStatus()), "vital status not recorded")
	if d := day(u.GetStatusKnownOn()); d != "" {
		status += ", known on " + d
	}
	if d := day(u.GetDiedOn()); d != "" {
		status += ", died on " + d
	}
	if c := say(u.GetDeathCause()); c != "" {
		status += " (cause: " + c + ")"
	}
	if u.GetLost() == trigonev1.Answer_ANSWER_YES {
		status += ", contact lost"
	}
	if f := say(u.GetFunctionalClass()); f != "" {
		status += ", functional class " + f
	}
	item := Item{Text: words.Sentence(orElse(words.Capital(say(u.GetKind())), "Follow-up") + ": " + status + b.allMarks("follow_up/"+u.GetId()))}
	switch {
	case u.GetStudy() != nil:
		on := orElse(day(u.GetEchoOn()), b.local(u.GetStudy().GetTime(), dayLayout))
		e := b.echo(u.GetStudy(), valve.Occasion("follow_up/"+u.GetId()))
		item.Sub = append(item.Sub, words.Sentence("Echo "+onDay(on)+": "+orElse(joined("; ", e.regurgitation, e.gradient, e.motion, e.coaptation), "nothing of it is recorded")))
	case u.GetEchoNotDoneReason() != trigonev1.EchoNotDoneReason_ECHO_NOT_DONE_REASON_UNSPECIFIED:
		item.Sub = append(item.Sub, words.Sentence("No echo: "+say(u.GetEchoNotDoneReason())))
	default:
		item.Sub = append(item.Sub, "An echo is not recorded.")
	}
	for _, r := range u.GetReinterventions() {
		item.Sub = append(item.Sub, words.Sentence(joined(", ", "Further intervention on the mitral valve "+onDay(day(r.GetOn())), say(r.GetKind()), with("mechanism", say(r.GetMechanism())))))
	}
	if len(u.GetReinterventions()) == 0 && u.GetReinterventionsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		item.Sub = append(item.Sub, "No further intervention on the mitral valve.")
	}
	if len(u.GetComplications()) > 0 || u.GetComplicationsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		item.Sub = append(item.Sub, "Complications since the last entry: "+complicationWords(u.GetComplications(), u.GetComplicationsRecorded(), "none.", "not recorded."))
	}
	if q := b.quote(u.GetNote()); q != "" {
		item.Sub = append(item.Sub, "Note: "+q)
	}
	return item
}

// Prediction.

// predictionShown are the predictions that an annex speaks of.
var predictionShown = []valve.ID{"predicted_overlap", "predicted_anterior_closure_share"}

func (b *builder) prediction() []Block {
	t := &Table{Header: []string{"Quantity", "From", "95 % range"}}
	for _, id := range predictionShown {
		for _, v := range b.ev.GetMetrics() {
			from := ""
			switch v.GetRole() {
			case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN:
				from = "the plan"
			case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION:
				from = "what was done"
			}
			if v.GetMetric() != string(id) || from == "" || v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || v.Lower == nil || v.Upper == nil {
				continue
			}
			t.Rows = append(t.Rows, []string{
				joined(" ", words.Capital(valueName(id)), words.At(words.Place(valve.Place(v.GetPlace())))), from, format(id, v.GetLower()) + " to " + format(id, v.GetUpper()),
			})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	said := "Ranges of an uncalibrated model, not advice: the range in which one observation is expected to lie."
	if c := convert.Calibrated(b.ev.GetMetrics()); c.Some() {
		said = words.Sentence(words.Capital(c.Label())) + " A range is that in which one observation is expected to lie."
	}
	return []Block{{Table: t}, paragraph(said)}
}

// Findings of the rules.

func (b *builder) ruleFindings() []Block {
	var open, confirmed, cautions, notes []Item
	for _, f := range b.ev.GetFindings() {
		if rules.IsSite(f.GetRule()) {
			continue // it is read on the hospital's own screens
		}
		item := Item{Text: words.Sentence(words.Capital(words.Spaced(f.GetRule())) + ": " + clean(f.GetMessage()))}
		switch f.GetSeverity() {
		case trigonev1.Severity_SEVERITY_CAUTION:
			cautions = append(cautions, item)
			continue
		case trigonev1.Severity_SEVERITY_NOTE:
			notes = append(notes, item)
			continue
		case trigonev1.Severity_SEVERITY_CONTRADICTION:
		default:
			continue
		}
		var values []string
		for _, d := range f.GetDisputes() {
			values = append(values, joined(" ", valueName(valve.ID(d.GetLeaf())), words.At(words.Place(valve.Place(d.GetPlace()))), format(valve.ID(d.GetLeaf()), d.GetValue()), "("+spacedOccasion(d.GetOccasion())+")"))
		}
		if len(values) > 0 {
			item.Sub = append(item.Sub, words.Sentence("Values named: "+strings.Join(values, ", ")))
		}
		if f.GetConfirmed() {
			item.Sub = append(item.Sub, words.Sentence("Confirmed by a reviewer"+b.confirmedOn(f.GetId())))
			confirmed = append(confirmed, item)
			continue
		}
		open = append(open, item)
	}
	var blocks []Block
	add := func(intro string, items []Item) {
		items = slices.CompactFunc(items, func(x, y Item) bool { return x.Text == y.Text })
		if len(items) > 0 {
			blocks = append(blocks, paragraph(intro), list(items))
		}
	}
	if len(open) == 0 {
		blocks = append(blocks, paragraph("The record holds no open contradiction."))
	}
	add("Open contradictions: the values named are disputed until the record is corrected or a reviewer confirms them.", open)
	add("Contradictions whose values a reviewer confirmed as they stand:", confirmed)
	add("Cautions:", cautions)
	add("Notes:", notes)
	return blocks
}

func (b *builder) confirmedOn(finding string) string {
	for _, c := range b.in.Case.GetConfirmations() {
		if c.GetFindingId() == finding && c.GetState() == trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
			if t := b.minute(c.GetTime()); t != "" {
				return " on " + t
			}
		}
	}
	return ""
}

func spacedOccasion(o string) string {
	return strings.NewReplacer("_", " ", "/", " ").Replace(clean(o))
}

// made says by which software and versions the note was made.
func (b *builder) made() []Block {
	hash := b.ev.GetPolicyHash()
	sentences := []string{fmt.Sprintf("Written by trigone %s from the record: catalogue %s, rule set %s, policy %s, %s.",
		or(b.ev.GetSoftwareVersion()), or(b.ev.GetCatalogueVersion()), or(b.ev.GetRuleSetVersion()), or(hash[:min(len(hash), 12)]), b.historyText())}
	var retracted []string
	for _, s := range b.in.Case.GetSections() {
		if s.GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED {
			retracted = append(retracted, clean(s.GetSection()))
		}
	}
	if len(retracted) > 0 {
		sentences = append(sentences, "Left out because they were retracted: "+words.And(retracted)+".")
	}
	return []Block{paragraph(append(sentences, words.Sentence(clean(b.ev.GetCaution())))...)}
}

func (b *builder) historyText() string {
	if n := b.in.History; n > 0 {
		return "history number " + strconv.FormatInt(n, 10)
	}
	return "not on record"
}
