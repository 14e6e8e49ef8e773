package note

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Procedure.

// procedure is the one line by which the operation is known.
func (b *builder) procedure() []Block {
	var done, tried []string
	for _, s := range b.op.GetSteps() {
		name := technique(s.GetTechnique())
		switch s.GetFate() {
		case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN, trigonev1.StepFate_STEP_FATE_REVISED:
			tried = append(tried, name)
		default:
			done = append(done, name)
		}
	}
	var text string
	switch c := b.op.GetConversion(); {
	case b.converted():
		prosthesis := joined(" ", say(c.GetProsthesis()), "prosthesis")
		if c.ProsthesisLabel != nil {
			prosthesis += ", labelled size " + plain(c.GetProsthesisLabel())
		}
		text = "Converted to mitral valve replacement (" + prosthesis + ")"
		if b.meantToReplace() {
			text = "Mitral valve replacement (" + prosthesis + ")"
		}
		if len(tried)+len(done) > 0 {
			text += " after " + words.And(unique(slices.Concat(tried, done)))
		}
	case len(done) > 0:
		text = "Mitral valve repair: " + words.And(unique(done))
	case len(b.op.GetSteps()) == 0 && b.op.GetStepsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		text = "Mitral valve operation without a repair step"
	default:
		text = "Mitral valve operation"
		b.misses("what was done to the mitral valve")
	}
	if c := b.concomitant(); c != "" {
		text += "; " + c
	}
	return []Block{paragraph(words.Sentence(text))}
}

// meantToReplace says whether the valve was to be replaced from the outset: then its
// replacement is no conversion.
func (b *builder) meantToReplace() bool {
	kind := b.op.GetSetting().GetIntendedProcedure().GetKind()
	if kind == trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_UNSPECIFIED {
		kind = b.plan.GetSetting().GetIntendedProcedure().GetKind()
	}
	return kind == trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPLACEMENT
}

// unique drops what was said before.
func unique(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// concomitant names the procedures beside the mitral one.
func (b *builder) concomitant() string {
	var list []string
	for _, c := range b.op.GetConcomitantProcedures() {
		text := say(c.GetKind())
		if text == "" {
			b.misses("which other procedure was done")
			continue
		}
		if c.GetPlanned() == trigonev1.Answer_ANSWER_NO {
			text += " (not planned)"
		}
		list = append(list, text)
	}
	switch {
	case len(list) > 0:
		return "with " + words.And(list)
	case b.op.GetConcomitantProceduresRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		return "no other procedure on the heart"
	}
	b.misses("other procedures on the heart, or none")
	return ""
}

// Diagnosis.

func (b *builder) diagnosis() []Block {
	preoperative := typed(b.op.GetReport().GetPreoperativeDiagnosis())
	if preoperative == "" {
		preoperative = b.preoperative()
	}
	blocks := []Block{paragraph(words.Sentence("Before the operation: " + preoperative))}
	if b.op != nil {
		if after := b.look("diagnosis after the operation", typed(b.op.GetReport().GetPostoperativeDiagnosis())); after != "" {
			blocks = append(blocks, paragraph(words.Sentence("After the operation: "+after)))
		}
	}
	s := b.setting()
	urgency := with("Urgency:", b.look("urgency", say(s.GetUrgency())))
	before := ""
	switch s.GetPreviousCardiacSurgery() {
	case trigonev1.Answer_ANSWER_YES:
		before = "repeat operation: the heart was operated on before"
	case trigonev1.Answer_ANSWER_NO:
		before = "first operation on the heart"
	default:
		b.misses("first or repeat operation on the heart")
	}
	var earlier []string
	for _, p := range s.GetPreviousProcedures() {
		if w := say(p); w != "" {
			earlier = append(earlier, w)
		}
	}
	rhythm := ""
	if f := s.GetFibrillationBefore(); f != trigonev1.AtrialFibrillation_ATRIAL_FIBRILLATION_UNSPECIFIED {
		rhythm = "atrial fibrillation before: " + say(f)
	}
	return append(blocks, paragraph(words.Sentence(joined("; ", urgency, before, with("earlier procedures:", words.And(earlier)), rhythm))))
}

// preoperative says the disease and what it does to the valve, by the last
// examination that grades it.
func (b *builder) preoperative() string {
	grade, mechanisms := "", ""
	for _, a := range b.assessments() {
		r := a.GetStudy().GetRegurgitation()
		grade = cmp.Or(gradeName(r.GetGrade()), grade)
		mechanisms = cmp.Or(mechanismNames(r), mechanisms)
	}
	text := "mitral regurgitation"
	if grade != "" {
		text = grade + " " + text
	}
	if grade == "" {
		b.misses("grade of mitral regurgitation before the operation")
	}
	disease := b.look("disease of the valve", say(b.plan.GetIndication().GetAetiology()))
	return joined("; ", text, disease, mechanisms)
}

func mechanismNames(r *trigonev1.Regurgitation) string {
	var list []string
	for _, m := range r.GetMechanisms() {
		if w := say(m); w != "" {
			list = append(list, w)
		}
	}
	return strings.Join(list, ", ")
}

// People.

// roles are those whom a reader looks for, in the order of the note.
var roles = []struct {
	role     trigonev1.OperatorRole
	name     string
	expected bool
}{
	{trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON, "surgeon", true},
	{trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE, "trainee, operating under supervision", false},
	{trigonev1.OperatorRole_OPERATOR_ROLE_SUPERVISOR, "supervisor", false},
	{trigonev1.OperatorRole_OPERATOR_ROLE_ASSISTANT, "first assistant", true},
	{trigonev1.OperatorRole_OPERATOR_ROLE_ANAESTHETIST, "anaesthetist", true},
	{trigonev1.OperatorRole_OPERATOR_ROLE_ECHOCARDIOGRAPHER, "echo reader", true},
	{trigonev1.OperatorRole_OPERATOR_ROLE_PERFUSIONIST, "perfusionist", true},
}

// roleName says what somebody was at the operation.
func roleName(role trigonev1.OperatorRole) string {
	for _, r := range roles {
		if r.role == role {
			return r.name
		}
	}
	return say(role)
}

// people lists the pseudonyms of the record, each with room for the name.
func (b *builder) people() []Block {
	t := &Table{Header: []string{"Role", "Pseudonym", "Name"}}
	operators := b.op.GetSetting().GetOperators()
	if b.op == nil {
		operators = b.plan.GetSetting().GetOperators()
	}
	for _, r := range roles {
		found := false
		for _, o := range operators {
			if o.GetRole() == r.role {
				found = true
				t.Rows = append(t.Rows, []string{words.Capital(r.name), or(clean(o.GetPseudonym())), ""})
			}
		}
		// Who operates under supervision has a supervisor.
		supervised := r.role == trigonev1.OperatorRole_OPERATOR_ROLE_SUPERVISOR && slices.ContainsFunc(operators, func(o *trigonev1.Operator) bool {
			return o.GetRole() == trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE
		})
		if !found && (r.expected || supervised) {
			b.misses(r.name)
		}
	}
	for _, o := range operators {
		if o.GetRole() == trigonev1.OperatorRole_OPERATOR_ROLE_UNSPECIFIED {
			t.Rows = append(t.Rows, []string{"Role not recorded", or(clean(o.GetPseudonym())), ""})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return []Block{{Table: t}}
}

// Indication.

func (b *builder) indication() []Block {
	i := b.plan.GetIndication()
	var triggers []string
	for _, t := range i.GetTriggers() {
		if w := say(t); w != "" {
			triggers = append(triggers, w)
		}
	}
	why := ""
	switch {
	case len(triggers) > 0:
		why = words.Sentence(words.And(triggers) + partial(i.GetTriggersRecorded()))
	case i.GetTriggersRecorded() == trigonev1.Recorded_RECORDED_COMPLETE:
		why = "No finding that counts towards an operation is recorded, and the list is complete."
	case i.GetText() == "":
		b.misses("indication")
	}
	class := ""
	if c := b.look("functional class", say(i.GetFunctionalClass())); c != "" {
		class = words.Sentence("Functional class " + c)
	}
	return []Block{paragraph(typed(i.GetText()), why, class), {Fill: "Consent"}}
}
