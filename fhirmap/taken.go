package fhirmap

import (
	"slices"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// mixed stands where values do not state one word all alike: it is none that a code
// asks for, and not the same as nothing stated.
const mixed = "mixed"

// taken says how a value was measured, as far as its public code may depend on it: by
// the contexts of the record, for a computed value those of everything it read. Its
// method is that of the value.
func (p *producer) taken(r reading) metric.Taken {
	var t metric.Taken
	var contexts []valve.Context
	if rows()[r.metric].formula {
		for _, i := range r.value.GetInputs() {
			at := slices.IndexFunc(p.occasions, func(o *occasion) bool { return string(o.name) == i.GetOccasion() })
			if at < 0 {
				return t
			}
			contexts = append(contexts, p.occasions[at].contexts(valve.ID(i.GetLeaf()), "")...)
		}
	}
	word := valve.Method("")
	if r.method != 0 {
		word = valve.Method(enumWord(r.method.String(), methodPrefix))
	}
	if !rows()[r.metric].formula {
		contexts = r.occasion.contexts(r.metric, word)
	}
	for i, c := range contexts {
		if i == 0 {
			t.Context = c
			continue
		}
		if c.Phase != t.Phase {
			t.Phase = mixed
		}
		if c.Plane != t.Plane {
			t.Plane = mixed
		}
	}
	t.Method = word
	if id, ok := strings.CutPrefix(r.instance, lesionPrefix); ok {
		t.Flail = p.flail(r.occasion.name, id)
	}
	return t
}

// publicCode gives the public code that means a value taken so, nil if none does.
func publicCode(codes []metric.Coding, t metric.Taken) *fhir.CodeableConcept {
	c, ok := metric.CodeFor(codes, t)
	if !ok {
		return nil
	}
	return standard(c.System, c.Code)
}

const (
	methodPrefix = "METHOD_"
	phasePrefix  = "CARDIAC_PHASE_"
	planePrefix  = "PLANE_"
	lesionPrefix = "lesion:"
)

// flail says whether the study calls a lesion flail.
func (p *producer) flail(name valve.Occasion, id string) bool {
	for _, s := range p.studies() {
		if s.name != name {
			continue
		}
		for _, l := range s.study.GetLeaflets().GetLesions() {
			if l.GetId() == id {
				return l.GetFlail() == trigonev1.Answer_ANSWER_YES
			}
		}
	}
	return false
}

// contexts gives how the values of a leaf at the occasion were taken, of one method if
// one is named.
func (o *occasion) contexts(leaf valve.ID, method valve.Method) []valve.Context {
	if o.taken == nil {
		o.taken = map[string][]valve.Context{}
		if o.content != nil && o.content.IsValid() {
			collectContexts(o.content, valve.Context{}, o.taken)
		}
	}
	all := o.taken[string(leaf)]
	if method == "" {
		return all
	}
	var list []valve.Context
	for _, c := range all {
		if c.Method == method || c.Method == "" {
			list = append(list, c)
		}
	}
	return list
}

// collectContexts walks a message: a field that holds a quantity is named after its
// leaf, and what a value does not state is that of the set around it.
func collectContexts(m protoreflect.Message, around valve.Context, into map[string][]valve.Context) {
	note := func(leaf string, c valve.Context) {
		if !slices.Contains(into[leaf], c) {
			into[leaf] = append(into[leaf], c)
		}
	}
	contextField := m.Descriptor().Fields().ByName("context")
	own := narrowedBy(around, m, contextField)
	if shape, ok := m.Interface().(*trigonev1.AnnulusShape); ok {
		if shape.GetCardiacPhase() != 0 {
			own.Phase = valve.CardiacPhase(enumWord(shape.GetCardiacPhase().String(), phasePrefix))
		}
		note(metric.InputShape, own)
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.Message() == nil || f.IsMap() || f == contextField {
			return true
		}
		visit := func(child protoreflect.Message) {
			if !isQuantity(child.Descriptor()) {
				collectContexts(child, own, into)
				return
			}
			note(string(f.Name()), narrowedBy(own, child, child.Descriptor().Fields().ByName("context")))
		}
		if f.IsList() {
			for i := range v.List().Len() {
				visit(v.List().Get(i).Message())
			}
			return true
		}
		visit(v.Message())
		return true
	})
}

// narrowedBy gives the context around with what a message itself states.
func narrowedBy(around valve.Context, m protoreflect.Message, field protoreflect.FieldDescriptor) valve.Context {
	if field == nil || field.Message() == nil || !m.Has(field) {
		return around
	}
	c, ok := m.Get(field).Message().Interface().(*trigonev1.Context)
	if !ok {
		return around
	}
	if c.GetMethod() != 0 {
		around.Method = valve.Method(enumWord(c.GetMethod().String(), methodPrefix))
	}
	if c.GetCardiacPhase() != 0 {
		around.Phase = valve.CardiacPhase(enumWord(c.GetCardiacPhase().String(), phasePrefix))
	}
	if c.GetPlane() != 0 {
		around.Plane = enumWord(c.GetPlane().String(), planePrefix)
	}
	return around
}

// isQuantity says whether a message is a measured quantity: a value or the reason
// why there is none, with its context.
func isQuantity(d protoreflect.MessageDescriptor) bool {
	return d.Fields().ByName("absent_reason") != nil && d.Fields().ByName("context") != nil
}
