package fhirmap

import (
	"html"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// narratives gives every resource that a person may read a sentence of what it
// says, made of displays of codes and of numbers. No text of the record, no
// identifier and no name gets in; a finding's sentence is the rule's own.
func (p *producer) narratives() {
	for _, r := range p.out {
		switch {
		case r.observation != nil:
			r.observation.Text = narrative(observationText(r.observation))
		case r.procedure != nil:
			x := r.procedure
			r.procedure.Text = narrative(join(": ", join(", ", spoken(x.Code), sites(x.BodySite)), join(", ", x.Status.Display(), spoken(x.StatusReason))))
		case r.device != nil:
			r.device.Text = narrative(deviceText(r.device))
		case r.issue != nil:
			if r.issue.Detail != nil {
				kind, _, _ := strings.Cut(spoken(&r.issue.Evidence[0].Code[0]), ":")
				r.issue.Text = narrative(kind + ": " + *r.issue.Detail)
			}
		case r.request != nil:
			x := r.request
			details := []string{x.Status.Display()}
			for i := range x.OrderDetail {
				details = append(details, spoken(&x.OrderDetail[i]))
			}
			x.Text = narrative(join(": ", "Planned, "+join(", ", spoken(x.Code), sites(x.BodySite)), join(", ", details...)))
		case r.ringRequest != nil:
			x := r.ringRequest
			parts := []string{x.Status.Display()}
			for _, v := range x.Parameter {
				if value := join("", numberText(v.ValueQuantity), rangeText(v.ValueRange)); value != "" {
					parts = append(parts, brief(v.Code)+" "+value)
				}
			}
			x.Text = narrative(join(": ", "Planned, "+spoken(x.CodeCodeableConcept), join(", ", parts...)))
		case r.goal != nil:
			r.goal.Text = narrative(goalText(r.goal))
		case r.report != nil:
			x := r.report
			conclusion := ""
			if len(x.ConclusionCode) > 0 {
				conclusion = spoken(&x.ConclusionCode[0])
			}
			x.Text = narrative(join(". ", spoken(&x.Code), conclusion))
		}
	}
}

func deviceText(x *fhir.Device) string {
	parts := []string{x.Status.Display()}
	for _, v := range x.Property {
		if len(v.ValueQuantity) > 0 {
			parts = append(parts, "labelled size "+numberText(&v.ValueQuantity[0]))
		}
	}
	for _, v := range x.Version {
		parts = append(parts, strings.ToLower(spoken(v.Type))+" "+v.Value)
	}
	return join(": ", spoken(x.Type), join(", ", parts...))
}

// narrative escapes a sentence; nil for an empty one.
func narrative(sentence string) *fhir.Narrative {
	if strings.TrimSpace(sentence) == "" {
		return nil
	}
	return &fhir.Narrative{
		Status: fhir.NarrativeStatusGenerated,
		Div:    `<div xmlns="http://www.w3.org/1999/xhtml">` + html.EscapeString(sentence) + `</div>`,
	}
}

// brief gives a display up to where it explains itself.
func brief(c *fhir.CodeableConcept) string {
	head, _, _ := strings.Cut(spoken(c), ";")
	return head
}

// join joins what is not empty.
func join(by string, parts ...string) string {
	var kept []string
	for _, s := range parts {
		if s != "" {
			kept = append(kept, s)
		}
	}
	return strings.Join(kept, by)
}

func sites(list []fhir.CodeableConcept) string {
	var parts []string
	for i := range list {
		parts = append(parts, spoken(&list[i]))
	}
	return join(", ", parts...)
}

func numberText(q *fhir.Quantity) string {
	switch {
	case q == nil:
		return ""
	case q.Value == nil:
		return "no value"
	case q.Unit == nil || *q.Unit == "1" || *q.Unit == "label":
		return q.Value.String()
	}
	return q.Value.String() + " " + *q.Unit
}

func rangeText(r *fhir.Range) string {
	if r == nil {
		return ""
	}
	low, high := numberText(r.Low), numberText(r.High)
	switch {
	case low == "":
		return "at most " + high
	case high == "":
		return "at least " + low
	}
	return low + " to " + high
}

func observationText(o *fhir.Observation) string {
	what := join(", ", spoken(&o.Code), spoken(o.BodySite))
	for i := 1; i < len(o.Category); i++ {
		what = join(", ", what, strings.ToLower(spoken(&o.Category[i])))
	}
	for _, e := range o.Extension {
		if e.Url == runExtension {
			what = join(", ", what, "pump run "+strconv.Itoa(*e.ValueInteger))
		}
	}
	absent := func(c *fhir.CodeableConcept) string {
		if c == nil {
			return ""
		}
		return "no value, " + strings.ToLower(spoken(c))
	}
	parts := []string{join("", numberText(o.ValueQuantity), rangeText(o.ValueRange), spoken(o.ValueCodeableConcept), absent(o.DataAbsentReason))}
	for i := range o.Component {
		c := &o.Component[i]
		parts = append(parts, spoken(&c.Code)+" "+join("", numberText(c.ValueQuantity), spoken(c.ValueCodeableConcept), orEmpty(c.ValueDateTime)))
	}
	return join(": ", what, join("; ", parts...))
}

func goalText(g *fhir.Goal) string {
	var parts []string
	for i := range g.Target {
		t := &g.Target[i]
		where := ""
		for _, e := range t.Extension {
			where = join(", ", where, spoken(e.ValueCodeableConcept))
		}
		parts = append(parts, join(" ", join(", ", spoken(t.Measure), where), join("", numberText(t.DetailQuantity), rangeText(t.DetailRange), spoken(t.DetailCodeableConcept))))
	}
	return join(". ", join(": ", spoken(&g.Description), join("; ", parts...)), spoken(g.AchievementStatus))
}
