package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/document"
	"trigone/internal/private"
	"trigone/internal/yearly"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) reportCommand() *cobra.Command {
	var year int
	var out, actionsFile, asOf string
	c := &cobra.Command{
		Use:   "report --year YEAR --out FILE.pdf|FILE.html",
		Short: "Write the yearly report of a department, as PDF or HTML",
		Long: `report writes one document of the operations of a year: what the theatre list says and what
was received, what is missing and how results would move if all of it were bad or good,
results, plans and what came of them, differences and their reasons, charts and curves,
deaths and conversions one by one, and lines for what the department takes from it.

It is the internal copy: it lists cases under the hospital's numbers. It names the state
of the record that it stands on and ends with a hash of its own content; made again as of
the same time, of the same state of the record, it is the same.

FILE of --actions has one action of last year a line, and after a | what became of it.`,
		Example: `  trigone report --year 2025 --out report-2025.pdf
  trigone report --year 2025 --actions actions.txt --out report-2025.html`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable); err != nil {
				return usagef("report writes a document; leave --format out")
			}
			if year < 1950 || year > 2200 {
				return usagef("--year is the year of the operations, such as --year 2025")
			}
			extension := strings.ToLower(filepath.Ext(out))
			if extension != ".pdf" && extension != ".html" {
				return usagef("--out names a file that ends in .pdf or .html")
			}
			at, err := instant("--as-of", asOf)
			if err != nil {
				return err
			}
			in := yearly.Input{Year: year}
			if in.Actions, err = actions(actionsFile); err != nil {
				return err
			}
			const tries = 3
			var d document.Document
			for try := 1; ; try++ {
				if err := a.callWithin(cmd, reportTimeout, func(ctx context.Context, s services) error { return collect(ctx, s, &in, at) }); err != nil {
					return err
				}
				d, err = yearly.Build(in)
				if err == nil {
					break
				}
				if !errors.Is(err, yearly.ErrAnotherRecord) || try == tries {
					return err
				}
			}
			content, err := document.HTML(d)
			if extension == ".pdf" {
				content, err = document.PDF(d)
			}
			if err != nil {
				return err
			}
			if err := private.Write(out, content); err != nil {
				return fmt.Errorf("write the report: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.IntVar(&year, "year", 0, "year of the operations, by UTC")
	f.StringVar(&out, "out", "", "file to write to, .pdf or .html")
	f.StringVar(&actionsFile, "actions", "", "file with one action of last year a line, and after a | what became of it")
	f.StringVar(&asOf, "as-of", "", "what is known by this date or time; default: now")
	return c
}

// reportTimeout is that of all calls for a report.
const reportTimeout = 5 * time.Minute

// actions reads the actions of last year; a line that begins with # is none.
func actions(file string) ([]string, error) {
	if file == "" {
		return nil, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read the actions: %w", err)
	}
	var list []string
	for line := range strings.Lines(string(text)) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			list = append(list, line)
		}
	}
	if len(list) == 0 {
		return nil, usagef("%s has no line with an action", file)
	}
	return list, nil
}

// collect asks for what a report is made of, as of one time.
func collect(ctx context.Context, s services, in *yearly.Input, asOf *timestamppb.Timestamp) error {
	from := timestamppb.New(time.Date(in.Year, 1, 1, 0, 0, 0, 0, time.UTC))
	before := timestamppb.New(time.Date(in.Year+1, 1, 1, 0, 0, 0, 0, time.UTC))
	period := &trigonev1.AuditFilter{IncisionFrom: from, IncisionBefore: before}
	var err error
	if in.Gaps, err = s.audit.ListGaps(ctx, &trigonev1.ListGapsRequest{Filter: period, AsOf: asOf, PageSize: 1}); err != nil {
		return err
	}
	asOf = in.Gaps.GetContext().GetAsOf()
	if in.Freedom, err = s.audit.EstimateFreedom(ctx, &trigonev1.EstimateFreedomRequest{Filter: &trigonev1.AuditFilter{IncisionBefore: before}, AsOf: asOf}); err != nil {
		return err
	}
	if in.Monitoring, err = s.audit.MonitorOutcomes(ctx, &trigonev1.MonitorOutcomesRequest{AsOf: asOf}); err != nil {
		return err
	}
	if in.Outcomes, err = s.audit.SummarizeOutcomes(ctx, &trigonev1.SummarizeOutcomesRequest{Filter: period, AsOf: asOf}); err != nil {
		return err
	}
	if in.HalfYears, err = s.audit.SummarizeOutcomes(ctx, &trigonev1.SummarizeOutcomesRequest{Filter: &trigonev1.AuditFilter{IncisionBefore: before}, AsOf: asOf}); err != nil {
		return err
	}
	in.Facts, in.Discrepancies, in.Numbers = nil, nil, map[string]string{}
	for request := (&trigonev1.ListCaseFactsRequest{IncisionFrom: from, IncisionBefore: before, PageSize: 500}); ; {
		page, err := s.audit.ListCaseFacts(ctx, request)
		if err != nil {
			return err
		}
		for _, f := range page.GetFacts() {
			if !f.GetTimes().GetIncisionTime().AsTime().After(asOf.AsTime()) {
				in.Facts = append(in.Facts, f)
			}
		}
		if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
			break
		}
	}
	for request := (&trigonev1.ListDiscrepanciesRequest{
		IncisionFrom: from, IncisionBefore: before, PageSize: 500, RootsOnly: true,
		Verdicts: []trigonev1.DiscrepancyVerdict{trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT},
	}); ; {
		page, err := s.audit.ListDiscrepancies(ctx, request)
		if err != nil {
			return err
		}
		for _, d := range page.GetDiscrepancies() {
			if !d.GetIncisionTime().AsTime().After(asOf.AsTime()) {
				in.Discrepancies = append(in.Discrepancies, d)
			}
		}
		if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
			break
		}
	}
	for _, f := range in.Facts {
		if !yearly.OneByOne(f) {
			continue
		}
		found, err := s.record.GetCase(ctx, &trigonev1.GetCaseRequest{
			Case: &trigonev1.CaseReference{Name: f.GetCaseName()}, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"case_file"}},
		})
		if err != nil {
			return err
		}
		in.Numbers[f.GetCaseName()] = found.GetCase().GetCaseFile().GetExternalIdentifier().GetValue()
	}
	// The last question tells whether anything was written meanwhile.
	in.Agreement, err = s.audit.SummarizeAgreement(ctx, &trigonev1.SummarizeAgreementRequest{Filter: period, AsOf: asOf, IncludePoints: true})
	return err
}
