package pages

import (
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"trigone/internal/picture"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// figuresContent is a page of figures: which cases it is about, what they are drawn from,
// then each figure as a sentence, a picture where there is one, numbers with their
// intervals, and who is left out.
type figuresContent struct {
	Form *selectionForm
	// Lead is what the page says first.
	Lead  string
	Drawn []telling
	// Missing says why there is nothing, and what to do.
	Missing  string
	Sections []figureSection
	Notes    []string
	Basis    stamp
	Files    []link
}

// figureSection are figures of one kind.
type figureSection struct {
	ID, Name, About string
	// Beside says that figures stand side by side where there is room.
	Beside  bool
	Figures []figure
	// Few are those of which there is too little for more than their sentence.
	Few []fewFigure
}

// figure is what is said of one thing.
type figure struct {
	ID, Name, Tag, Sentence string
	Plot                    template.HTML
	Lines                   []figureLine
	// More are numbers that are read seldom, Defined is how it is counted.
	More    []figureLine
	Defined string
	Tables  []figureTable
	Notes   []string
}

// figureLine is one number with its interval.
type figureLine struct {
	Name  string
	Value telling
	About string
}

// figureTable holds figures of some of the cases, or of some times, side by side.
type figureTable struct {
	Name    string
	Columns []string
	Rows    []figureRow
}

// figureRow is a line of it: what it is of, and its cells.
type figureRow struct {
	Of    telling
	Cells []telling
}

type fewFigure struct {
	Name, Sentence string
	Count          link
}

// line adds a number; a dash, or nothing, adds none.
func line(into *[]figureLine, name, value, about string) {
	if value != "-" && value != "" {
		*into = append(*into, figureLine{Name: name, Value: say(value), About: about})
	}
}

// tableOf makes a table of columns; one in which nothing stands is left out.
func tableOf[T any](name string, list []T, of func(T) telling, columns ...column[T]) []figureTable {
	if len(list) == 0 {
		return nil
	}
	table := figureTable{Name: name}
	for _, one := range list {
		table.Rows = append(table.Rows, figureRow{Of: of(one)})
	}
	for _, c := range columns {
		cells, full := make([]telling, len(list)), false
		for i, one := range list {
			cells[i] = c.cell(one)
			full = full || len(cells[i]) > 0 && cells[i][0].Name != "-" && cells[i][0].Name != ""
		}
		if !full {
			continue
		}
		table.Columns = append(table.Columns, c.name)
		for i := range cells {
			table.Rows[i].Cells = append(table.Rows[i].Cells, cells[i])
		}
	}
	return []figureTable{table}
}

// column is one of a table.
type column[T any] struct {
	name string
	cell func(T) telling
}

// textColumn is one of texts.
func textColumn[T any](name string, cell func(T) string) column[T] {
	return column[T]{name, func(one T) telling { return say(cell(one)) }}
}

// anchor makes the id of a figure from its words.
func anchor(parts ...string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return '-'
	}, strings.ToLower(strings.Join(parts, " "))), "-")
}

// drawn gives a picture as part of a page; its title is what it says.
func drawn(p picture.Picture) template.HTML {
	return template.HTML(picture.SVG(p)) //nolint:gosec // made by picture, which escapes what it writes
}

// stamp says what figures stand on.
type stamp struct{ Text, Caution string }

func (v *visit) stamp(c *trigonev1.AuditContext) stamp {
	judged := "as cases were judged when they were last written"
	if c.GetBasis() == trigonev1.Basis_BASIS_RESTATED {
		judged = "as cases were judged again"
	}
	text := fmt.Sprintf("Cases operated on up to %s, as the record stood at change %d; %s; methods %s; policy %.12s.",
		when(c.GetAsOf(), v.zone()), c.GetLastChange(), judged, c.GetMethodVersion(), c.GetPolicyHash())
	return stamp{text, c.GetCaution()}
}

// upToNow narrows a selection to what a figure as of a time has seen: what is to come is
// left out, and what has no incision.
func (v *visit) upToNow(s selection, c *trigonev1.AuditContext) selection {
	if s.to == "" {
		s.to = c.GetAsOf().AsTime().In(v.zone()).Format("2006-01-02")
	}
	return s
}

// leftOut says how many were left out, and why; empty: none.
func leftOut(list []*trigonev1.LeftOut, one, many string) string {
	var parts []string
	for _, l := range list {
		parts = append(parts, render.Counted(int(l.GetCount()), one, many)+" ("+words.Spaced(l.GetReason())+")")
	}
	return words.And(parts)
}

// cases that no figure holds.
type absentCases struct{ retracted, erased, undated int32 }

// told says so; empty: there are none.
func (a absentCases) told() string {
	var parts []string
	if a.retracted > 0 {
		parts = append(parts, render.Counted(int(a.retracted), "case is retracted and left out.", "cases are retracted and left out."))
	}
	if a.undated > 0 {
		parts = append(parts, render.Counted(int(a.undated), "operated case has no time of incision and stands in no figure.", "operated cases have no time of incision and stand in no figure."))
	}
	if a.erased > 0 {
		parts = append(parts, "Of "+render.Counted(int(a.erased), "case of the site that was erased nothing is known.", "cases of the site that were erased nothing is known."))
	}
	return strings.Join(parts, " ")
}

// strataLooked says what many looks at a record do.
func strataLooked(n int32) string {
	return render.Counted(int(n), "stratum was", "strata were") + " looked at beside the whole. They describe, nothing was tested; the more one looks at, the more of them stand out by chance."
}

// strataChoice lets figures be given once more for each word of a kind.
func strataChoice(kinds []string) choice {
	c := choice{Name: byAsked, Label: "Once more by", Any: "Nothing"}
	for _, kind := range kinds {
		c.Options = append(c.Options, option{Value: kind, Text: words.Capital(words.Spaced(kind))})
	}
	return c
}

// byAsked is the kind of word for each of which figures are given once more.
const byAsked = "by"

// stratumLink leads to the same page about the cases of a word.
func (v *visit) stratumLink(path string, s selection, st *trigonev1.Stratum) telling {
	return say(link{Name: words.Capital(words.Spaced(st.GetWord())), Address: v.addressOf(path, s.with(st.GetKind(), st.GetWord()), without(s, byAsked)...)})
}

// percent gives a share in percent.
func percent(share float64) string { return strconv.FormatFloat(100*share, 'f', 1, 64) + " %" }

// unsigned gives a figure that is no difference.
func unsigned(f *trigonev1.Figure, unit string) string {
	text := render.FigureText(f, unit)
	if len(text) > 1 && text[0] == '+' {
		return text[1:]
	}
	return text
}
