package note

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// findings tells the examinations of theatre in full and earlier ones in brief;
// where theatre has none, the last one before it in full.
func (b *builder) findings() []Block {
	all := b.assessments()
	full := func(a *trigonev1.Assessment) bool {
		switch a.GetKind() {
		case trigonev1.AssessmentKind_ASSESSMENT_KIND_PRE_BYPASS, trigonev1.AssessmentKind_ASSESSMENT_KIND_DIRECT_INSPECTION:
			return true
		}
		return false
	}
	of := func(kind trigonev1.AssessmentKind) bool {
		return slices.ContainsFunc(all, func(a *trigonev1.Assessment) bool { return a.GetKind() == kind })
	}
	echo, inspected := of(trigonev1.AssessmentKind_ASSESSMENT_KIND_PRE_BYPASS), of(trigonev1.AssessmentKind_ASSESSMENT_KIND_DIRECT_INSPECTION)
	if b.op != nil && !echo {
		b.misses("echo before bypass")
	}
	if b.op != nil && !inspected {
		b.misses("inspection of the valve by segment")
	}
	var blocks []Block
	annulus, calcium := false, false
	for i, a := range all {
		study := a.GetStudy()
		in := full(a) || (!echo && i == len(all)-1)
		annulus = annulus || study.GetAnnulus().GetAnnulusAnteroPosteriorDiameter() != nil || study.GetAnnulus().GetAnnulusIntercommissuralDiameter() != nil
		calcium = calcium || study.GetAnnulus().GetCalcification() != trigonev1.CalcificationExtent_CALCIFICATION_EXTENT_UNSPECIFIED
		own := b.finding(a, in)
		if len(own) == 0 {
			continue
		}
		if in {
			blocks = append(blocks, Block{Subheading: words.Capital(b.examination(a)) + b.allMarks(string(assessmentOccasion(a)))})
		}
		blocks = append(blocks, own...)
	}
	if !annulus {
		b.misses("diameters of the annulus")
	}
	if !calcium {
		b.misses("calcification of the annulus")
	}
	return blocks
}

// finding says what one examination found; in brief its grade and mechanism.
func (b *builder) finding(a *trigonev1.Assessment, full bool) []Block {
	study, o := a.GetStudy(), assessmentOccasion(a)
	r := study.GetRegurgitation()
	grade := ""
	if g := gradeName(r.GetGrade()); g != "" {
		grade = joined(" ", g, "mitral regurgitation", bracketed(joined(", ", say(r.GetTiming()), b.conditions(study, o))))
	}
	mechanism := with("mechanism:", mechanismNames(r))
	var jets []string
	for _, j := range r.GetJets() {
		if from := locationName(j.GetOrigin()); from != "" {
			jets = append(jets, joined(" ", words.At(from), bracketed(say(j.GetDirection()))))
		}
	}
	jet := ""
	if len(jets) > 0 {
		jet = words.Sentence("The jet arises " + words.And(jets))
	}
	if !full {
		text := joined("; ", grade, mechanism)
		if text == "" {
			return nil
		}
		note := b.quote(a.GetNote())
		return []Block{paragraph(words.Sentence(b.examination(a)+": "+text+b.allMarks(string(o))), note)}
	}
	blocks := []Block{paragraph(words.Sentence(grade), words.Sentence(mechanism), jet)}
	if items := b.lesions(study, o); len(items) > 0 {
		blocks = append(blocks, list(items))
	} else if study.GetLeaflets().GetLesionsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		blocks = append(blocks, paragraph("No lesion was found."))
	}
	blocks = append(blocks, Block{Table: b.segments(study, o)}, paragraph(b.annulus(study, o)))
	if note := b.quote(a.GetNote()); note != "" {
		blocks = append(blocks, paragraph("Note of the examiner: "+note))
	}
	return slices.DeleteFunc(blocks, func(x Block) bool { return x == Block{} })
}

// conditions says by which method and under which load a grade was given: under
// anaesthesia and a low pressure a valve leaks less.
func (b *builder) conditions(study *trigonev1.Study, o valve.Occasion) string {
	h := study.GetHaemodynamics()
	load := say(study.GetContext().GetLoad())
	if study.GetContext().GetLoad() == trigonev1.Load_LOAD_BEATING {
		load = "" // an echo is of the beating heart
	}
	parts := []string{say(study.GetContext().GetMethod()), load}
	high, low := "", ""
	if h != nil {
		high, low = b.quantity(h, valve.SystolicArterialPressure, valve.Nowhere, o), b.quantity(h, valve.DiastolicArterialPressure, valve.Nowhere, o)
	}
	const unit = unbroken + "mmHg"
	switch {
	case strings.HasSuffix(high, unit) && strings.HasSuffix(low, unit):
		parts = append(parts, "arterial pressure "+strings.TrimSuffix(high, unit)+"/"+low)
	case high != "":
		parts = append(parts, "systolic arterial pressure "+high)
	}
	if h.GetInotrope() == trigonev1.Answer_ANSWER_YES {
		parts = append(parts, "under an inotrope")
	}
	if h.GetVasopressor() == trigonev1.Answer_ANSWER_YES {
		parts = append(parts, "under a vasopressor")
	}
	switch p := h.GetProvocation(); p {
	case trigonev1.Provocation_PROVOCATION_UNSPECIFIED, trigonev1.Provocation_PROVOCATION_NONE:
	default:
		parts = append(parts, "provoked by "+say(p))
	}
	return joined(", ", parts...)
}

func (b *builder) annulus(study *trigonev1.Study, o valve.Occasion) string {
	an := study.GetAnnulus()
	if an == nil {
		return ""
	}
	var parts []string
	for _, d := range []struct {
		field valve.ID
		name  string
	}{
		{valve.AnnulusAnteroPosteriorDiameter, "antero-posterior"}, {valve.AnnulusIntercommissuralDiameter, "intercommissural"},
		{valve.AnnulusArea, "area"}, {valve.AnnulusPerimeter, "perimeter"}, {valve.IntertrigonalDistance, "between the trigones"},
		{valve.AnnularDisjunction, "disjunction"},
	} {
		if v := b.quantity(an, d.field, valve.Nowhere, o); v != "" && v != notApplicable {
			parts = append(parts, d.name+" "+v)
		}
	}
	text := with("Annulus:", strings.Join(parts, ", "))
	switch c := an.GetCalcification(); c {
	case trigonev1.CalcificationExtent_CALCIFICATION_EXTENT_UNSPECIFIED:
	case trigonev1.CalcificationExtent_CALCIFICATION_EXTENT_NONE:
		text = joined("; ", text, "not calcified")
	default:
		text = joined("; ", text, joined(" ", "calcified:", say(c), bracketed(segmentNames(an.GetCalcifiedAt()))))
	}
	if !strings.HasPrefix(text, "Annulus") {
		text = with("Annulus", text)
	}
	return words.Sentence(text)
}

// lesions says each lesion with its measures.
func (b *builder) lesions(study *trigonev1.Study, o valve.Occasion) []Item {
	var items []Item
	for _, l := range study.GetLeaflets().GetLesions() {
		var what []string
		for _, k := range l.GetKinds() {
			what = append(what, say(k))
		}
		text := cmp.Or(words.Capital(locationName(l.GetLocation())), "Place not recorded") + ": " + cmp.Or(words.And(what), "lesion of a kind not recorded")
		if l.GetFlail() == trigonev1.Answer_ANSWER_YES {
			text += ", flail"
		}
		for _, d := range []struct {
			field valve.ID
			name  string
		}{
			{valve.FlailWidth, "over %s of the free edge"}, {valve.FlailGap, "gap to the opposite leaflet %s"},
			{valve.ProlapseHeight, "free edge %s above the annular plane"}, {valve.BillowHeight, "body %s above the annular plane"},
			{valve.CleftDepth, "%s deep"},
		} {
			switch v := b.quantity(l, d.field, valve.AtLesion(l.GetId()), o); {
			case v == "" || v == notApplicable:
			case strings.Contains(v, "measured"):
				text += ", " + shortNames[d.field] + " " + v
			default:
				text += ", " + strings.Replace(d.name, "%s", v, 1)
			}
		}
		items = append(items, Item{Text: words.Sentence(text)})
	}
	return items
}

// segments puts motion and heights of one examination side by side; nil: neither is
// recorded.
func (b *builder) segments(study *trigonev1.Study, o valve.Occasion) *Table {
	leaflets := study.GetLeaflets()
	t := &Table{Header: []string{"Place", "Motion", "Leaflet height"}}
	var places []string
	motion, height := map[string][]string{}, map[string][]string{}
	add := func(place string) string {
		place = cmp.Or(words.Capital(place), "Place not recorded")
		if !slices.Contains(places, place) {
			places = append(places, place)
		}
		return place
	}
	for _, d := range leaflets.GetDysfunctions() {
		if m := say(d.GetType()); m != "" {
			p := add(locationName(d.GetLocation()))
			motion[p] = append(motion[p], m)
		}
	}
	for _, h := range leaflets.GetHeights() {
		if v := b.quantity(h, valve.LeafletHeight, heightPlace(h), o); v != "" {
			p := add(words.Place(heightPlace(h)))
			height[p] = append(height[p], v)
		}
	}
	slices.Sort(places)
	for _, p := range places {
		t.Rows = append(t.Rows, []string{p, strings.Join(motion[p], "; "), strings.Join(height[p], "; ")})
	}
	return filled(t)
}

func heightPlace(h *trigonev1.LeafletHeight) valve.Place {
	if c := h.GetCommissure(); c != trigonev1.Commissure_COMMISSURE_UNSPECIFIED {
		return valve.AtCommissure(valve.Commissure(word(c)))
	}
	return valve.AtStation(valve.Segment(word(h.GetSegment())), valve.Station(word(h.GetStation())))
}

// filled drops the columns in which nothing is recorded and marks the gaps of the
// others; nil: nothing is left.
func filled(t *Table) *Table {
	out := &Table{Caption: t.Caption, Rows: make([][]string, len(t.Rows))}
	for i, name := range t.Header {
		if i > 0 && !slices.ContainsFunc(t.Rows, func(row []string) bool { return row[i] != "" }) {
			continue
		}
		out.Header = append(out.Header, name)
		for j, row := range t.Rows {
			out.Rows[j] = append(out.Rows[j], cmp.Or(row[i], "–"))
		}
	}
	if len(out.Header) < 2 || len(out.Rows) == 0 {
		return nil
	}
	return out
}
