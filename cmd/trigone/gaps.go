package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) gapsCommand() *cobra.Command {
	var from, before, asOf string
	var groups, kinds []string
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "gaps",
		Short: "List what is missing in the record",
		Long: `gaps lists what is missing before figures can be trusted: open contradictions, operations
without a result, a time or a signed plan, differences without a reason, follow-ups that
are overdue, and the months for which the theatre list says that more was operated on
than this record has seen.`,
		Example: `  trigone gaps
  trigone gaps --kind one_year_overdue --format csv > ask.csv
  trigone gaps --from 2026-01-01 --before 2027-01-01`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			request := &trigonev1.ListGapsRequest{Filter: &trigonev1.AuditFilter{}, PageSize: 500}
			var err error
			if request.Filter.IncisionFrom, err = instant("--from", from); err != nil {
				return err
			}
			if request.Filter.IncisionBefore, err = instant("--before", before); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.Kinds, err = enumValues[trigonev1.GapKind]("--kind", kinds, "GAP_KIND_"); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.ListGaps(ctx, request)
				if err != nil {
					return err
				}
				// Every page is of one moment.
				request.AsOf = answer.GetContext().GetAsOf()
				for next := answer.GetNextPageToken(); next != ""; {
					request.PageToken = next
					page, err := s.audit.ListGaps(ctx, request)
					if err != nil {
						return err
					}
					answer.Gaps = append(answer.Gaps, page.GetGaps()...)
					next = page.GetNextPageToken()
				}
				answer.NextPageToken = ""
				return printFigures(a, cmd, answer, sheet, render.RecordGaps, render.RecordGapsCSV, render.RecordGapsDictionary)
			})
		},
	}
	sheet.flags(c, true)
	f := c.Flags()
	f.StringVar(&from, "from", "", "only with incision at or after this date or time")
	f.StringVar(&before, "before", "", "only with incision before this date or time")
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringArrayVar(&kinds, "kind", nil, "only this kind, such as open_contradiction or one_year_overdue; may be repeated")
	f.StringVar(&asOf, "as-of", "", "what was missing as of this date or time, in the record as it stands; default: now")
	return c
}

func (a *app) theatreCountCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "theatre-count MONTH PROCEDURE[/AETIOLOGY]=N ...",
		Short: "Submit what the theatre list says was operated in a month",
		Long: `theatre-count tells the record how many operations on the mitral valve the list of the
theatres has for a month, so that the audit knows what it has not seen. PROCEDURE is
repair, replacement or other; AETIOLOGY a word of the contract, such as myxomatous. Give
all of the month: a kind that is not given had none. The count takes the place of an
earlier one of the same month.`,
		Example: `  trigone theatre-count 2026-03 repair=14 replacement=3
  trigone theatre-count 2026-03 repair/myxomatous=9 repair/secondary=2 replacement=3`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			count := &trigonev1.TheatreCount{Month: args[0]}
			for _, arg := range args[1:] {
				row, err := theatreRow(arg)
				if err != nil {
					return err
				}
				count.Rows = append(count.Rows, row)
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.SubmitTheatreCount(ctx, &trigonev1.SubmitTheatreCountRequest{Count: count})
				if err != nil {
					return err
				}
				if a.format == formatJSON {
					return printJSON(cmd.OutOrStdout(), answer)
				}
				n := 0
				for _, r := range answer.GetCount().GetRows() {
					n += int(r.GetCount())
				}
				state := fmt.Sprintf("count %d of this month", answer.GetCount().GetRevision())
				if answer.GetUnchanged() {
					state += ", as it stood"
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s: %d operations on the theatre list (%s)\n", answer.GetCount().GetMonth(), n, state)
				return nil
			})
		},
	}
}

// theatreRow reads PROCEDURE[/AETIOLOGY]=N.
func theatreRow(arg string) (*trigonev1.TheatreCountRow, error) {
	what, number, ok := strings.Cut(arg, "=")
	n, err := strconv.ParseInt(number, 10, 32)
	if !ok || err != nil || n < 0 {
		return nil, usagef("%q is no count: write PROCEDURE[/AETIOLOGY]=N, such as repair=14", arg)
	}
	procedure, aetiology, _ := strings.Cut(what, "/")
	row := &trigonev1.TheatreCountRow{Count: int32(n)}
	p, err := enumValue("PROCEDURE", procedure, row.Procedure.Descriptor(), "THEATRE_PROCEDURE_")
	if err != nil {
		return nil, err
	}
	row.Procedure = trigonev1.TheatreProcedure(p)
	if aetiology != "" {
		v, err := enumValue("AETIOLOGY", aetiology, row.Aetiology.Descriptor(), "AETIOLOGY_")
		if err != nil {
			return nil, err
		}
		row.Aetiology = trigonev1.Aetiology(v)
	}
	return row, nil
}
