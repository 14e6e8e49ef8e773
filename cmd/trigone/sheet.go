package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"trigone/internal/private"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// sheetFlags say how a list is written for a spreadsheet.
type sheetFlags struct {
	mark, caseNumbers bool
	dictionary        string
	profile           string // empty: there is no choice
}

// flags adds them; numbers says that the list may name cases by their number.
func (f *sheetFlags) flags(c *cobra.Command, numbers bool) {
	c.Flags().BoolVar(&f.mark, "bom", false, "in CSV: the UTF-8 mark first, for office programs")
	c.Flags().StringVar(&f.dictionary, "dictionary", "", "in CSV: write what each column means to this file, as CSV too")
	if numbers {
		c.Flags().BoolVar(&f.caseNumbers, "with-case-numbers", false, "in CSV: with the hospital's numbers of cases, which name patients to whoever can look them up")
	}
}

// profiles adds the choice of a profile.
func (f *sheetFlags) profiles(c *cobra.Command) {
	c.Flags().StringVar(&f.profile, "profile", profileDepartment, "in CSV: "+profileUsage)
}

// external writes a table of an extract for others in place of a list, and says whether it
// did. Of the lines of the table those are written that keep takes. Of the flags of the
// list only those of period and basis can be given: whatever else selects would tell by
// what is left out.
func (f sheetFlags) external(a *app, cmd *cobra.Command, table string, filter caseFilter, keep func(func(column string) string) bool) (done bool, err error) {
	if f.profile == "" {
		return false, nil
	}
	profile, err := profileOf(f.profile)
	if err != nil || profile != trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL {
		return false, err
	}
	if a.format != formatCSV {
		return true, usagef("--profile external goes with --format csv")
	}
	cmd.LocalNonPersistentFlags().VisitAll(func(flag *pflag.Flag) {
		if flag.Changed && !slices.Contains([]string{"profile", "bom", "dictionary", "from", "before", "basis"}, flag.Name) {
			err = usagef("--%s does not go with --profile external: for others whole half-years are told, and nothing narrower; leave it out", flag.Name)
		}
	})
	if err != nil {
		return true, err
	}
	request := &trigonev1.ExtractTableRequest{Profile: profile, Tables: []string{table}}
	if filter.basis != "" {
		cases, err := filter.selected()
		if err != nil {
			return true, err
		}
		request.IncisionFrom, request.IncisionBefore, request.Basis = cases.from, cases.before, cases.basis
	}
	return true, a.stream(cmd, func(ctx context.Context, s services) error {
		return f.extract(ctx, s, cmd.OutOrStdout(), request, keep)
	})
}

func (f sheetFlags) extract(ctx context.Context, s services, w io.Writer, request *trigonev1.ExtractTableRequest, keep func(func(string) string) bool) error {
	var header *trigonev1.ExtractHeader
	var columns []*trigonev1.ExtractColumn
	var rows *render.ExtractSheet
	err := extracted(ctx, s.audit, request, func(h *trigonev1.ExtractHeader) error {
		if len(h.GetTables()) != 1 {
			return errors.New("the server gives another table than was asked for")
		}
		header, columns = h, h.GetTables()[0].GetColumns()
		var err error
		rows, err = render.NewExtractSheet(w, render.Sheet{Mark: f.mark}, columns)
		return err
	}, func(r *trigonev1.ExtractRows) error {
		for _, row := range r.GetRows() {
			word := func(column string) string {
				i := slices.IndexFunc(columns, func(c *trigonev1.ExtractColumn) bool { return c.GetColumn() == column })
				return row.GetValues()[i].GetWritten()
			}
			if !keep(word) {
				continue
			}
			if err := rows.Row(row); err != nil {
				return err
			}
		}
		return nil
	}, func(*trigonev1.ExtractEnd) {})
	if err != nil {
		return err
	}
	if f.dictionary != "" {
		var text bytes.Buffer
		if err := render.ExtractDictionary(&text, header, render.Sheet{Mark: f.mark}); err != nil {
			return err
		}
		if err := private.Write(f.dictionary, text.Bytes()); err != nil {
			return fmt.Errorf("write the data dictionary: %w", err)
		}
	}
	return rows.End()
}

// check refuses them where no CSV is asked for.
func (f sheetFlags) check(a *app) error {
	if a.format != formatCSV && (f.mark || f.caseNumbers || f.dictionary != "") {
		return usagef("--bom, --dictionary and --with-case-numbers go with --format csv")
	}
	return nil
}

// write writes a sheet, and its data dictionary if it was asked for.
func (f sheetFlags) write(out io.Writer, s render.Sheet, rows, dictionary func(io.Writer, render.Sheet) error) error {
	s.Mark, s.CaseNumbers = f.mark, f.caseNumbers
	if f.dictionary != "" {
		var text bytes.Buffer
		if err := dictionary(&text, s); err != nil {
			return err
		}
		if err := private.Write(f.dictionary, text.Bytes()); err != nil {
			return fmt.Errorf("write the data dictionary: %w", err)
		}
	}
	return rows(out, s)
}
