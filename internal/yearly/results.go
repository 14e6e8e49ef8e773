package yearly

import (
	"fmt"
	"slices"
	"strconv"

	"trigone/internal/document"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// headlines are the outcomes that stand in the table of the first pages, in its order;
// the others are told in sentences.
var headlines = []string{
	"repair_rate_leaving_theatre", "repair_rate_at_discharge", "success_at_discharge", "regurgitation_moderate_or_more_leaving_theatre",
	"regurgitation_moderate_or_more_at_discharge", "further_mitral_run", "conversion", "operative_mortality", "major_morbidity", "returned_to_theatre",
}

// bounds are the share if all that is missing were bad, and if all of it were good:
// patients of whom it is not known, and operations that never arrived.
func bounds(o *trigonev1.OutcomeFigure, missing int) (worst, best float64, ok bool) {
	happened, open := float64(o.GetShare().GetCount()), float64(int(o.GetNotKnownCount())+missing)
	all := float64(o.GetShare().GetOf()) + open
	if all == 0 {
		return 0, 0, false
	}
	if o.GetHopedFor() {
		return happened / all, (happened + open) / all, true
	}
	return (happened + open) / all, happened / all, true
}

func (b *builder) results() []document.Block {
	theatre := b.theatre()
	table := &document.Table{Header: []string{"Result", "Known", "Share (95 % interval)", "Not known", "If all missing were bad", "If all were good"}}
	var sentences, definitions []string
	for _, name := range headlines {
		for _, o := range b.in.Outcomes.GetOutcomes() {
			if o.GetOutcome() != name || o.GetStratum() != nil {
				continue
			}
			s := o.GetShare()
			row := []string{o.GetTitle(), fmt.Sprintf("%d of %d", s.GetCount(), s.GetOf()), "not told", strconv.Itoa(int(o.GetNotKnownCount())), "no case", "no case"}
			if f := s.GetShare(); f != nil && f.Value != nil {
				row[2] = percent(f.GetValue())
				if f.Lower != nil && f.Upper != nil {
					row[2] += fmt.Sprintf(" (%s to %s)", percent(f.GetLower()), percent(f.GetUpper()))
				}
			}
			if worst, best, ok := bounds(o, theatre.missing); ok {
				row[4], row[5] = percent(worst), percent(best)
			}
			table.Rows = append(table.Rows, row)
			definitions = append(definitions, o.GetTitle()+": "+o.GetDefinition())
		}
	}
	for _, o := range b.in.Outcomes.GetOutcomes() {
		if o.GetStratum() == nil && !slices.Contains(headlines, o.GetOutcome()) && told(o) {
			sentences = append(sentences, o.GetSentence())
		}
	}
	note := fmt.Sprintf("Missing are patients of whom it is not known and, in every row, the %s of the theatre list that never arrived here.", operations(theatre.missing))
	if theatre.missing == 0 {
		note = "Missing are patients of whom it is not known."
	}
	if theatre.silent > 0 {
		note += " Operations missing in months without a theatre list are in no column."
	}
	note += " The truth lies between the last two columns as far as what is on record is right."
	blocks := []document.Block{{Table: table}, paragraph(note), {Subheading: "Further results"}}
	blocks = append(blocks, list(sentences...)...)
	var expected []string
	for _, o := range b.in.Outcomes.GetObservedExpected() {
		expected = append(expected, o.GetSentence())
	}
	if len(expected) > 0 {
		blocks = append(append(blocks, document.Block{Subheading: "Against what was expected before the operation"}), list(expected...)...)
	}
	return append(append(blocks, document.Block{Subheading: "How they are counted"}), list(definitions...)...)
}

// told says whether an outcome beside the headlines is worth a sentence: a quantity, or
// something that happened.
func told(o *trigonev1.OutcomeFigure) bool {
	return o.GetMeasuredCount() > 0 || o.GetShare().GetCount() > 0
}

func percent(share float64) string { return strconv.FormatFloat(100*share, 'f', 1, 64) + "\u00a0%" }

// halfYears draws how the main results ran, if there are two half-years.
func (b *builder) halfYears() []document.Block {
	var blocks []document.Block
	for _, p := range render.OutcomePlots(b.in.HalfYears) {
		if p.NotDrawn == "" {
			blocks = append(blocks, document.Block{Drawing: &p})
		}
	}
	return blocks
}

// benchmark is a published figure, read at its abstract or a summary of it. One that has
// our definition and window would stand beside ours; so far none has.
type benchmark struct {
	what, value, source string
	// because is why it can't be set beside ours.
	because string
}

var benchmarks = []benchmark{
	{
		"operative mortality of isolated repairs intended for primary regurgitation, 2014 to 2020", "1.16\u00a0% of 53,462", "American College of Cardiology, journal scan of 14 February 2023",
		"it is of isolated operations for primary regurgitation; ours is of all operations",
	},
	{
		"conversion to replacement of the same", "6.36\u00a0% of 53,462", "the same",
		"it is of isolated operations for primary regurgitation; ours is of all repairs intended",
	},
	{
		"repair rate in leaflet prolapse, 2011 to 2016", "82.5\u00a0%", "Gammie et al., Annals of Thoracic Surgery 2018",
		"it counts replacements that were intended; ours is of repairs intended",
	},
	{
		"recurrence of moderate or worse regurgitation within 15 years", "13.3\u00a0% of 1,218", "Suri et al. 2016, as scanned by the American College of Cardiology",
		"ours is told for the years in which 10 patients are still followed",
	},
}

func (b *builder) benchmarks() []document.Block {
	table := &document.Table{Header: []string{"Published", "Figure", "Source", "Beside ours"}}
	for _, m := range benchmarks {
		table.Rows = append(table.Rows, []string{m.what, m.value, m.source, "not comparable: " + m.because})
	}
	return []document.Block{paragraph("A published figure is set beside ours only where definition and window of follow-up are the same. None is called better or worse."), {Table: table}}
}
