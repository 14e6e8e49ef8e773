package ledger

import (
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Comparisons gives the comparisons of an evaluation, and whether it recorded
// agreements. One of an earlier version has discrepancies only; they are given as
// comparisons without a kind. outcome says whether the case has an outcome: before
// there is one, nothing is compared.
func Comparisons(e *trigonev1.Evaluation, outcome bool) (list []*trigonev1.Comparison, complete bool) {
	if len(e.GetComparisons()) > 0 || (!outcome && len(e.GetDiscrepancies()) == 0) {
		return e.GetComparisons(), true
	}
	for _, d := range e.GetDiscrepancies() {
		list = append(list, asComparison(d))
	}
	return list, false
}

// ofExecution says whether a comparison is one of steps or ring.
func ofExecution(c *trigonev1.Comparison) bool {
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_STEP, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_PLACE,
		trigonev1.ComparisonKind_COMPARISON_KIND_STEP_TECHNIQUE, trigonev1.ComparisonKind_COMPARISON_KIND_STEP_DIMENSION,
		trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL, trigonev1.ComparisonKind_COMPARISON_KIND_RING_KIND,
		trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION:
		return true
	case trigonev1.ComparisonKind_COMPARISON_KIND_UNSPECIFIED: // of an earlier version
		return strings.HasPrefix(c.GetClass(), "step_") || strings.HasPrefix(c.GetClass(), "ring_")
	}
	return false
}

func (r *reader) counts() *trigonev1.FactCounts {
	out := &trigonev1.FactCounts{
		AgreementsRecorded: r.complete,
	}
	for _, s := range r.Case.Sections {
		if s.State == storage.SectionRetracted {
			out.RetractedSectionCount++
		}
	}
	if r.complete {
		out.ThingsPlanned = convert.ThingsPlanned(r.comparisons)
		out.StepsPlanned = convert.ThingsPlanned(stepsOf(r.comparisons))
	}
	verdicts := map[trigonev1.ComparisonVerdict]int32{}
	for _, c := range r.comparisons {
		verdicts[c.GetVerdict()]++
		if c.GetVerdict() != trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT || !ofExecution(c) {
			continue
		}
		if c.GetReason() == "" {
			out.DifferencesWithoutReasonCount++
		} else {
			out.DifferencesWithReasonCount++
		}
	}
	for v := trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT; int(v) < len(trigonev1.ComparisonVerdict_name); v++ {
		if verdicts[v] > 0 {
			out.Comparisons = append(out.Comparisons, &trigonev1.VerdictCount{Verdict: v, Count: verdicts[v]})
		}
	}
	disputed := map[string]bool{}
	for _, f := range r.Evaluation.GetFindings() {
		if f.GetConfirmed() {
			out.ConfirmedFindingCount++
			continue
		}
		for _, in := range f.GetDisputes() {
			disputed[strings.Join([]string{in.GetLeaf(), in.GetPlace(), in.GetOccasion(), in.GetRole().String()}, "\x00")] = true
		}
	}
	out.DisputedValueCount = int32(len(disputed))
	applicable, filled := core(r.File)
	out.CoreApplicableCount, out.CoreFilledCount = int32(applicable), int32(filled)
	return out
}

// core counts the CORE leaves that apply to a case and those that it has. A leaf
// applies where the message that has its field can be there: always in a study,
// in a technique only once that technique is planned or done.
func core(file *trigonev1.CaseFile) (applicable, filled int) {
	below := coreFields()
	has := map[protoreflect.Name]bool{} // by leaf; false: applies and is not there
	var walk func(m protoreflect.Message)
	walk = func(m protoreflect.Message) {
		for _, at := range below[m.Descriptor().FullName()] {
			f := at.field
			switch {
			case at.leaf:
				has[f.Name()] = has[f.Name()] || hasNumber(m, f)
			case f.IsList():
				list := m.Get(f).List()
				for j := range list.Len() {
					walk(list.Get(j).Message())
				}
				if list.Len() == 0 {
					walk(list.NewElement().Message())
				}
			case f.ContainingOneof() != nil && !m.Has(f):
			default:
				walk(m.Get(f).Message())
			}
		}
	}
	walk(file.ProtoReflect())
	for _, there := range has {
		if there {
			filled++
		}
	}
	return len(has), filled
}

// coreField is a field that is a leaf of the tier CORE, or has one below it.
type coreField struct {
	field protoreflect.FieldDescriptor
	leaf  bool
}

// adviceField holds what was asked, which is no record of the case's own values.
const adviceField = "advice"

// coreFields gives those of every message of a case file, by its name.
var coreFields = sync.OnceValue(func() map[protoreflect.FullName][]coreField {
	tier := map[protoreflect.Name]bool{}
	for _, l := range metric.Leaves() {
		if l.Tier == metric.Core {
			tier[protoreflect.Name(l.ID)] = true
		}
	}
	below := map[protoreflect.FullName][]coreField{}
	var look func(d protoreflect.MessageDescriptor)
	look = func(d protoreflect.MessageDescriptor) {
		if _, known := below[d.FullName()]; known {
			return
		}
		var list []coreField
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			switch {
			case tier[f.Name()]:
				list = append(list, coreField{f, true})
			case f.Message() != nil && f.Message().ParentFile().Package() == d.ParentFile().Package() && f.Name() != adviceField:
				look(f.Message())
				if len(below[f.Message().FullName()]) > 0 {
					list = append(list, coreField{f, false})
				}
			}
		}
		below[d.FullName()] = list
	}
	look((&trigonev1.CaseFile{}).ProtoReflect().Descriptor())
	return below
})

// hasNumber says whether a leaf's field holds a value, not a reason for its absence.
func hasNumber(m protoreflect.Message, f protoreflect.FieldDescriptor) bool {
	if !m.Has(f) || f.IsList() {
		return false
	}
	if f.Message() == nil {
		return true
	}
	q := m.Get(f).Message()
	fields := q.Descriptor().Fields()
	for i := range fields.Len() {
		if v := fields.Get(i); v.Kind() == protoreflect.DoubleKind && v.Name() != "sd" {
			return q.Has(v)
		}
	}
	return false
}

// stepsOf keeps what is compared of the steps planned.
func stepsOf(list []*trigonev1.Comparison) []*trigonev1.Comparison {
	var out []*trigonev1.Comparison
	for _, c := range list {
		if strings.HasPrefix(c.GetThingPlanned(), "step:") {
			out = append(out, c)
		}
	}
	return out
}
