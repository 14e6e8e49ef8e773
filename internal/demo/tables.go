package demo

import (
	"bytes"
	"context"
	"fmt"
	"io"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// table is a file for a spreadsheet, with its data dictionary beside it.
type table struct {
	Name, Dictionary, What string
	Lines                  int
}

// tables writes what was compared for office programs. The cases are invented, so that
// their numbers may stand in it.
func (p *player) tables(ctx context.Context, differences []*trigonev1.CaseDiscrepancy) ([]table, error) {
	comparisons, err := p.comparisons(ctx)
	if err != nil {
		return nil, err
	}
	sheet := render.Sheet{Mark: true, CaseNumbers: true, Basis: trigonev1.Basis_BASIS_STORED, Invented: true}
	var list []table
	for _, t := range []struct {
		table
		rows       func(io.Writer) error
		dictionary func(io.Writer, render.Sheet) error
	}{
		{table{"discrepancies.csv", "discrepancies-columns.csv", "differences between plan and outcome", len(differences)},
			func(w io.Writer) error { return render.DiscrepanciesCSV(w, differences, sheet) }, render.DiscrepanciesDictionary},
		{table{"comparisons.csv", "comparisons-columns.csv", "everything that was compared, agreement included", len(comparisons)},
			func(w io.Writer) error { return render.ComparisonsCSV(w, comparisons, sheet) }, render.ComparisonsDictionary},
	} {
		var rows, dictionary bytes.Buffer
		if err := t.rows(&rows); err != nil {
			return nil, err
		}
		if err := t.dictionary(&dictionary, sheet); err != nil {
			return nil, err
		}
		if err := p.save(t.Name, rows.Bytes()); err != nil {
			return nil, err
		}
		if err := p.save(t.Dictionary, dictionary.Bytes()); err != nil {
			return nil, err
		}
		list = append(list, t.table)
	}
	return list, nil
}

// comparisons reads every page.
func (p *player) comparisons(ctx context.Context) ([]*trigonev1.CaseComparison, error) {
	var list []*trigonev1.CaseComparison
	request := &trigonev1.ListComparisonsRequest{PageSize: 500}
	for {
		page, err := p.audit.ListComparisons(ctx, request)
		if err != nil {
			return nil, fmt.Errorf("list the comparisons: %w", err)
		}
		list = append(list, page.GetComparisons()...)
		if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
			return list, nil
		}
	}
}
