package main

import (
	"bytes"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"trigone/internal/private"
	"trigone/internal/render"
)

// sheetFlags say how a list is written for a spreadsheet.
type sheetFlags struct {
	mark, caseNumbers bool
	dictionary        string
}

// flags adds them; numbers says that the list may name cases by their number.
func (f *sheetFlags) flags(c *cobra.Command, numbers bool) {
	c.Flags().BoolVar(&f.mark, "bom", false, "in CSV: the UTF-8 mark first, for office programs")
	c.Flags().StringVar(&f.dictionary, "dictionary", "", "in CSV: write what each column means to this file, as CSV too")
	if numbers {
		c.Flags().BoolVar(&f.caseNumbers, "with-case-numbers", false, "in CSV: with the hospital's numbers of cases, which name patients to whoever can look them up")
	}
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
