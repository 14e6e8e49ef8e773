package casefile

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/metric"
	"trigone/internal/valve"
)

// Tiers of a skeleton, each with what the one before has.
var Tiers = []metric.Tier{metric.Core, metric.Model, metric.Full}

// Purposes are what a skeleton is for, each with the sections that it has beside the
// identifiers.
var Purposes = []struct {
	Name     string
	Sections []string
}{
	{"assessment", []string{"identity", "assessments"}},
	{"plan", []string{"plan"}},
	{"operation", []string{"operation"}},
	{"result", []string{"results"}},
	{"follow_up", []string{"follow_ups"}},
}

// wordsOfTier are the fields without a measured value that a skeleton has before the
// full one, by message; measured values have the tier of their leaf. Every other field
// stands in the full one.
var wordsOfTier = map[metric.Tier]map[protoreflect.Name][]protoreflect.Name{
	metric.Core: {
		"Identifier":    {"system", "value"},
		"Identity":      {"sex", "age_years", "height_cm", "weight_kg"},
		"Assessment":    {"id", "kind"},
		"Study":         {"time", "context", "regurgitation"},
		"Context":       {"method"},
		"Regurgitation": {"grade"}, "Grade": {"scheme", "value"},
		"Leaflets": {"lesions", "lesions_recorded"}, "Lesion": {"id", "location", "kinds"},
		"Location":      {"segment", "commissure"},
		"LeafletHeight": {"segment", "station"}, "Coaptation": {"slice"},
		"Plan":       {"signer", "signed_time", "assessment_ids", "indication", "steps_recorded"},
		"Indication": {"aetiology"}, "PlannedStep": {"id"},
		"Annuloplasty": {"kind", "rigidity"}, "ArtificialChord": {"targets", "pair_count"}, "CleftClosure": {"location"},
		"CommissuralClosure": {"commissure"}, "EdgeToEdge": {"slice"}, "HeightReduction": {"segments"},
		"LeafletResection": {"segments", "shape"}, "Plication": {"segments"},
		"Target": {"id", "stage", "regurgitation_grade_at_most"}, "CoaptationTarget": {"slice", "range"}, "HeightTarget": {"segment", "station", "range"}, "Technique": {"annuloplasty"},
		"Operation":     {"incision_time", "end_time", "runs", "steps_recorded", "left_theatre_alive"},
		"PumpRun":       {"number", "bypass_start", "bypass_end", "clamp_start", "clamp_end"},
		"PerformedStep": {"id", "run", "planned_step_id", "fate"}, "FieldHeights": {"run", "stage"},
		"Result":   {"id", "run", "stage", "decision"},
		"FollowUp": {"id", "kind", "status_known_on", "vital_status", "echo_on"},
	},
	metric.Model: {
		"Context": {"load", "cardiac_phase", "path"}, "Plan": {"reference_segment"},
		"Annuloplasty": {"family_key", "planned_label_min", "planned_label_max", "implanted_label"},
		"FieldHeights": {"context"}, "LeafletResection": {"to_annulus"}, "ArtificialChord": {"length_basis"},
	},
}

// Template gives a skeleton: every field of a tier with what it means, its unit, what
// is plausible and its words, and nothing filled in. No purpose: all of them.
func Template(tier metric.Tier, purposes ...string) string {
	t := skeleton{tier: tier}
	for _, paragraph := range []string{
		fmt.Sprintf("A case file of trigone, to be filled in: tier %s.", tier),
		"Take away the # before a line and write its value behind the colon; leave out what is not known. Lines without a # are headings; " +
			"one with nothing below it is left out. What there is more than once is an entry of a list: copy it from its dash on.",
		fmt.Sprintf("A measured value names its unit, such as {mm: }. Beside it may stand sd (standard deviation, in that unit) and context, "+
			"where it was measured otherwise than the examination around it; in place of the value absent_reason (%s). 'trigone explain NAME' tells more of a field.",
			orList(wordsOf(quantityField("absent_reason").Enum()))),
		"Decision support for qualified staff, not a medical device.",
	} {
		t.above("", paragraph)
		t.WriteString("#\n")
	}
	sections := []string{"external_identifier", "patient_identifier"}
	for _, p := range Purposes {
		if len(purposes) == 0 || slices.Contains(purposes, p.Name) {
			sections = append(sections, p.Sections...)
		}
	}
	for _, name := range sections {
		t.WriteByte('\n')
		t.field(root().Fields().ByName(protoreflect.Name(name)), "")
	}
	return t.String()
}

// quantityField gives a field that every quantity has.
func quantityField(name protoreflect.Name) protoreflect.FieldDescriptor {
	return root().Fields().ByName("assessments").Message().Fields().ByName("study").Message().
		Fields().ByName("annulus").Message().Fields().ByName(protoreflect.Name(valve.AnnulusArea)).Message().Fields().ByName(name)
}

type skeleton struct {
	strings.Builder
	tier metric.Tier
}

// has says whether the skeleton has a field.
func (t *skeleton) has(fd protoreflect.FieldDescriptor) bool {
	md := fd.ContainingMessage()
	if leaf, ok := metric.LeafByID(valve.ID(fd.Name())); ok && fd.Message() != nil {
		return slices.Index(Tiers, leaf.Tier) <= slices.Index(Tiers, t.tier)
	}
	if t.tier == metric.Full || strings.HasSuffix(string(md.Name()), "Range") {
		return true
	}
	for _, tier := range Tiers[:slices.Index(Tiers, t.tier)+1] {
		if slices.Contains(wordsOfTier[tier][md.Name()], fd.Name()) {
			return true
		}
	}
	// A heading stands where something measured stands below it.
	return fd.Message() != nil && !isTime(fd.Message()) && unitOf(fd.Message()) == "" && t.measures(fd.Message())
}

func (t *skeleton) measures(md protoreflect.MessageDescriptor) bool {
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		if fd.Message() == nil || isTime(fd.Message()) {
			continue
		}
		if _, leaf := metric.LeafByID(valve.ID(fd.Name())); leaf {
			if t.has(fd) {
				return true
			}
		} else if unitOf(fd.Message()) == "" && t.measures(fd.Message()) {
			return true
		}
	}
	return false
}

// field writes a field: a heading, or a line to be filled in.
func (t *skeleton) field(fd protoreflect.FieldDescriptor, indent string) {
	name := string(fd.Name())
	if fd.Message() == nil || isTime(fd.Message()) || unitOf(fd.Message()) != "" {
		t.line(indent, name, emptyValue(fd), describe(fd))
		return
	}
	t.above(indent, describe(fd))
	fmt.Fprintf(t, "%s%s:\n", indent, name)
	below := indent + setIn
	if fd.IsList() {
		fmt.Fprintf(t, "%s-\n", below)
		below += setIn
	}
	for i := range fd.Message().Fields().Len() {
		if inner := fd.Message().Fields().Get(i); t.has(inner) {
			t.field(inner, below)
		}
	}
}

// emptyValue is what stands behind the colon.
func emptyValue(fd protoreflect.FieldDescriptor) string {
	switch {
	case fd.IsList():
		return " []"
	case fd.Message() != nil && !isTime(fd.Message()):
		return " {" + unitOf(fd.Message()) + ": }"
	}
	return ""
}

// line writes a line to be filled in, with what it means behind it, or above it where
// that is long.
func (t *skeleton) line(indent, name, value, about string) {
	row := indent + "#" + name + ":" + value
	if len(row)+len(about)+4 <= widthOfRow {
		fmt.Fprintf(t, "%s  # %s\n", row, about)
		return
	}
	t.above(indent, about)
	t.WriteString(row + "\n")
}

// above writes a comment in rows.
func (t *skeleton) above(indent, about string) {
	row := indent + "#"
	for _, word := range strings.Fields(about) {
		if len(row)+1+len(word) > widthOfRow && row != indent+"#" {
			t.WriteString(row + "\n")
			row = indent + "#"
		}
		row += " " + word
	}
	t.WriteString(row + "\n")
}

// describe says in one line what a field holds and how it is written.
func describe(fd protoreflect.FieldDescriptor) string {
	parts := []string{strings.TrimSuffix(meaning(fd), ".")}
	if leaf, ok := leafOf(fd); ok {
		parts = append(parts, fmt.Sprintf("plausible %s", plausible(leaf)))
	}
	switch {
	case fd.Enum() != nil:
		parts = append(parts, "words: "+strings.Join(wordsOf(fd.Enum()), ", "))
	case fd.Message() != nil && isTime(fd.Message()):
		parts = append(parts, "YYYY-MM-DDTHH:MM")
	case fd.Message() != nil && unitOf(fd.Message()) == "" && fd.ContainingOneof() != nil:
		parts = append(parts, "one of these only")
	}
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "; ")
}

// leafOf gives the leaf of a field that holds a measured value.
func leafOf(fd protoreflect.FieldDescriptor) (metric.Leaf, bool) {
	leaf, ok := metric.LeafByID(valve.ID(leafID(fd)))
	return leaf, ok
}

// leafID is the field's name: it is the id of its leaf.
func leafID(fd protoreflect.FieldDescriptor) string {
	switch fd.FullName() {
	case "trigone.v1.Identity.height_cm":
		return string(valve.BodyHeight)
	case "trigone.v1.Identity.weight_kg":
		return string(valve.BodyWeight)
	}
	return string(fd.Name())
}

// plausible gives the range beyond which a value is noted.
func plausible(l metric.Leaf) string {
	return strings.TrimSpace(fmt.Sprintf("%g to %g %s", l.Low, l.High, l.Unit.Text()))
}
