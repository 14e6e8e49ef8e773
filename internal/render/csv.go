package render

import (
	"io"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

// Basis says above a list that it is no list of what was answered.
func Basis(w io.Writer, basis trigonev1.Basis) {
	if basis == trigonev1.Basis_BASIS_RESTATED {
		wrapped(w, "", "", "Basis restated: the cases as they were judged again later, as a report. What was answered stands on record (basis stored). Cases written since are not in it.")
	}
}

// Invented says above a list that it is none of patients.
func Invented(w io.Writer, invented bool) {
	if invented {
		wrapped(w, "", "", "Invented cases: this store keeps no others.")
	}
}

// fieldRow is a message that is written as a line, and the name of its case.
type fieldRow struct {
	caseName string
	message  protoreflect.Message
}

// fieldColumns make columns of the fields of a message, but of those named in without.
// says gives the meaning of a field.
func fieldColumns(of protoreflect.MessageDescriptor, says func(protoreflect.Descriptor) string, without ...string) []sheetColumn[fieldRow] {
	var list []sheetColumn[fieldRow]
	for _, f := range convert.Columns(of, without...) {
		last := f.Field()
		c := sheetColumn[fieldRow]{name: f.Name, unit: f.Unit(), words: f.Words(), of: func(r fieldRow) string { return f.Text(r.message) }}
		if says != nil {
			c.meaning = says(last)
		}
		switch {
		case last.Kind() == protoreflect.BoolKind:
			c.words = []string{"true", "false"}
		case last.IsList() && last.Message() != nil:
			var parts []string
			for i := range last.Message().Fields().Len() {
				parts = append(parts, string(last.Message().Fields().Get(i).Name()))
			}
			c.meaning = strings.TrimSpace(c.meaning + " Each entry: " + strings.Join(parts, ":") + ".")
		}
		list = append(list, c)
	}
	return list
}
