package render

import (
	"fmt"
	"io"
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

// FactsCSV writes one kind of rows of the facts as lines under a header; a row of
// which a case may have several begins with the name of its case.
func FactsCSV(w io.Writer, list []*trigonev1.CaseFacts, rows string, basis trigonev1.Basis) error {
	d := (&trigonev1.CaseFacts{}).ProtoReflect().Descriptor()
	var lines []csvLine
	if rows == factCases {
		for _, f := range list {
			lines = append(lines, csvLine{message: f})
		}
		return messagesCSV(w, basis, nil, d, lines, FactRows[1:]...)
	}
	field := d.Fields().ByName(protoreflect.Name(rows))
	for _, f := range list {
		of := f.ProtoReflect().Get(field).List()
		for i := range of.Len() {
			lines = append(lines, csvLine{[]string{f.GetCaseName()}, of.Get(i).Message().Interface()})
		}
	}
	return messagesCSV(w, basis, []string{"case_name"}, field.Message(), lines)
}
