package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"trigone/fhirmap"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) agreementCommand() *cobra.Command {
	var filter caseFilter
	var groups, kinds, metrics, places, strata []string
	var asOf string
	var asExecuted, firstRun bool
	var sheet sheetFlags
	var plots plotFlags
	c := &cobra.Command{
		Use:   "agreement",
		Short: "Say how far results lie from plans and predictions",
		Long: `agreement holds what was measured against what was planned, aimed at and predicted, over
all cases: how far off on average, between which limits 95 % of the differences lie, how
often a predicted range held. Every quantity, place, method and formula stands apart;
one pair counts a patient. Without a flag it answers for all of them, of plans that were
signed and received before incision.`,
		Example: `  trigone agreement
  trigone agreement --kind prediction_from_plan
  trigone agreement --kind height --by technique
  trigone agreement --kind prediction_from_plan --plot predictions.svg
  trigone agreement --from 2026-01-01 --format csv > agreement.csv
  trigone agreement --format fhir > agreement.json`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV, formatFHIR); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			if err := plots.check(cmd); err != nil {
				return err
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			request := &trigonev1.SummarizeAgreementRequest{
				Filter:      &trigonev1.AuditFilter{IncisionFrom: cases.from, IncisionBefore: cases.before},
				PlanTimings: cases.timings, FirstRun: firstRun, Metrics: metrics, Places: places, Strata: strata, Basis: cases.basis,
				IncludePoints: plots.asked(),
			}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.Kinds, err = enumValues[trigonev1.ComparisonKind]("--kind", kinds, "COMPARISON_KIND_"); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			if asExecuted {
				request.View = trigonev1.AuditView_AUDIT_VIEW_AS_EXECUTED
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.SummarizeAgreement(ctx, request)
				if err != nil {
					return err
				}
				if err := plots.write("agreement", "How far results lie from plans and predictions", render.AgreementPlots(answer)); err != nil {
					return err
				}
				if a.format == formatFHIR {
					return a.printReport(cmd.OutOrStdout(), answer)
				}
				return printFigures(a, cmd, answer, sheet, render.Agreement, render.AgreementCSV, render.AgreementDictionary)
			})
		},
	}
	filter.periodFlags(c)
	sheet.flags(c, false)
	plots.flags(c)
	f := c.Flags()
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringArrayVar(&kinds, "kind", nil, "only this kind, such as height, aim or prediction_from_plan; may be repeated")
	f.StringArrayVar(&metrics, "metric", nil, "only this metric, leaf or compared parameter, by id; may be repeated")
	f.StringArrayVar(&places, "place", nil, "only at this place, such as p2 or a2_p2; may be repeated")
	f.StringArrayVar(&strata, "by", nil, "kind of words for each of which the figures are given once more, such as technique, half_year or ring_family; first_operator and responsible_operator are for auditors; may be repeated")
	f.BoolVar(&asExecuted, "as-executed", false, "only cases whose steps and ring came as planned")
	f.BoolVar(&firstRun, "first-run", false, "what was found after the first pump run, not after the last one")
	f.StringVar(&asOf, "as-of", "", "leave out cases operated on after this date or time; default: now")
	return c
}

// printReport prints figures as a MeasureReport, under the names of the policy's site.
func (a *app) printReport(out io.Writer, answer *trigonev1.SummarizeAgreementResponse) error {
	p, err := a.settings()
	if err != nil {
		return err
	}
	report, err := fhirmap.Site{Base: p.CanonicalBase}.AgreementReport(answer)
	if err != nil {
		return err
	}
	var text bytes.Buffer
	if err := json.Indent(&text, report.JSON, "", "  "); err != nil {
		return err
	}
	text.WriteByte('\n')
	_, err = text.WriteTo(out)
	return err
}

const groupUsage = "KIND=WORD,...: only cases filed under one of these words; may be repeated, then each must hold"

// factFilters reads words under which cases are filed.
func factFilters(groups []string) ([]*trigonev1.FactFilter, error) {
	var list []*trigonev1.FactFilter
	for _, g := range groups {
		kind, words, ok := strings.Cut(g, "=")
		if !ok || kind == "" || words == "" {
			return nil, usagef("--group is KIND=WORD,..., such as urgency=elective")
		}
		list = append(list, &trigonev1.FactFilter{Kind: kind, Words: strings.Split(words, ",")})
	}
	return list, nil
}
