package main

import (
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// figures is an answer over many cases.
type figures interface {
	proto.Message
	GetContext() *trigonev1.AuditContext
}

// printFigures prints an answer in the form that was asked for.
func printFigures[F figures](a *app, cmd *cobra.Command, answer F, sheet sheetFlags, table func(io.Writer, F), csv func(io.Writer, F, render.Sheet) error, dictionary func(io.Writer, render.Sheet) error) error {
	out := cmd.OutOrStdout()
	switch a.format {
	case formatJSON:
		return printJSON(out, answer)
	case formatCSV:
		about := answer.GetContext()
		return sheet.write(out, render.Sheet{Basis: about.GetBasis(), Invented: about.GetInvented()},
			func(w io.Writer, s render.Sheet) error { return csv(w, answer, s) }, dictionary)
	}
	render.Basis(out, answer.GetContext().GetBasis())
	table(out, answer)
	return nil
}
