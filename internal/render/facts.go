package render

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// FactRows are the rows that the facts of a case consist of: the cases themselves,
// and what a case may have several of.
var FactRows = []string{factCases, "runs", "devices", "echoes", "statuses", "events", "findings", "queries"}

const factCases = "cases"

// Facts prints the facts of cases, one line a case.
func Facts(w io.Writer, list []*trigonev1.CaseFacts) {
	g := newGrid("", "Case", "Incision", "Plan", "Techniques done", "As planned", "Converted", "Died in hospital")
	g.keep(1)
	for i, columns := range []int{36, 10, 13, 20, 10, 9, 9} {
		g.most(1+i, columns)
	}
	for _, f := range list {
		_, uid, _ := strings.Cut(f.GetCaseName(), "/cases/")
		techniques := make([]string, len(f.GetRepair().GetTechniquesDone()))
		for i, t := range f.GetRepair().GetTechniquesDone() {
			techniques[i] = words.Spaced(t)
		}
		things := "not recorded"
		if t := f.GetCounts().GetThingsPlanned(); t != nil {
			things = fmt.Sprintf("%d of %d", t.GetAsPlanned(), t.GetTotal())
		}
		g.row(uid, day(f.GetTimes().GetIncisionTime()), Word(f.GetTimes().GetPlanTiming()), strings.Join(techniques, ", "), things,
			orUnknown(f.GetRepair().GetConverted()), orUnknown(f.GetOutcome().GetDiedInHospital()))
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "no case")
	}
	g.print(w)
	fmt.Fprintln(w, "These rows name nobody and are personal data all the same.")
}

// ErasedFacts prints what was kept of erased cases, and how many were erased.
func ErasedFacts(w io.Writer, list []*trigonev1.ErasedFacts, erased int32) {
	fmt.Fprintf(w, "\n%s erased; of %s something was kept\n", count(int(erased), "case was", "cases were"), count(len(list), "case", "cases"))
	if len(list) == 0 {
		return
	}
	g := newGrid("", "Year", "Age", "Techniques done", "Decision", "Left theatre alive", "Died in hospital", "Died in 30 days")
	for i, columns := range []int{12, 10, 34, 14, 10, 9, 9} {
		g.most(1+i, columns)
	}
	for _, e := range list {
		techniques := make([]string, len(e.GetTechniquesDone()))
		for i, t := range e.GetTechniquesDone() {
			techniques[i] = words.Spaced(t)
		}
		year := "not recorded"
		if e.GetYear() > 0 {
			year = fmt.Sprint(e.GetYear())
		}
		g.row(year, words.Spaced(e.GetAgeDecade()), strings.Join(techniques, ", "), Word(e.GetDecision()), orUnknown(e.GetLeftTheatreAlive()),
			orUnknown(e.GetDiedInHospital()), orUnknown(e.GetDiedWithin_30Days()))
	}
	g.print(w)
}

func day(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.DateOnly)
}

func orUnknown(a trigonev1.Answer) string {
	if a == trigonev1.Answer_ANSWER_UNSPECIFIED {
		return "not known"
	}
	return Word(a)
}

// factColumns are the columns of one kind of rows.
func factColumns(s Sheet, rows string, says func(protoreflect.Descriptor) string) []sheetColumn[fieldRow] {
	d := (&trigonev1.CaseFacts{}).ProtoReflect().Descriptor()
	leave := append([]string{"case_name"}, FactRows[1:]...)
	if rows != factCases {
		d, leave = d.Fields().ByName(protoreflect.Name(rows)).Message(), nil
	}
	return slices.Concat(fieldColumns(d, says, leave...), []sheetColumn[fieldRow]{
		{name: "case_name", meaning: "The case, by which rows of one case are joined.", of: func(r fieldRow) string { return r.caseName }},
	}, ofSheet[fieldRow](s))
}

// FactsCSV writes one kind of rows of the facts as lines under a header; each names
// its case.
func FactsCSV(w io.Writer, list []*trigonev1.CaseFacts, rows string, s Sheet) error {
	var lines []fieldRow
	for _, f := range list {
		m := f.ProtoReflect()
		if rows == factCases {
			lines = append(lines, fieldRow{f.GetCaseName(), m})
			continue
		}
		of := m.Get(m.Descriptor().Fields().ByName(protoreflect.Name(rows))).List()
		for i := range of.Len() {
			lines = append(lines, fieldRow{f.GetCaseName(), of.Get(i).Message()})
		}
	}
	return writeSheet(w, s, factColumns(s, rows, nil), lines)
}

// FactsDictionary writes what the columns of one kind of rows mean; says gives the
// meaning of a field of the contract.
func FactsDictionary(w io.Writer, rows string, s Sheet, says func(protoreflect.Descriptor) string) error {
	about := "Facts of cases, one line for each case."
	if rows != factCases {
		about = "Facts of cases: one line for each of " + rows + "."
	}
	return writeDictionary(w, s, about, factColumns(s, rows, says))
}
