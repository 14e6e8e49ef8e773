package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) calibrateCommand() *cobra.Command {
	var filter caseFilter
	var groups []string
	var asOf, fittedUntil string
	var fragment bool
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "calibrate",
		Short: "Say whether a prediction fitted to one's own cases foretells better",
		Long: `calibrate fits the predicted coaptation length of A2-P2 to what was measured off bypass,
for each class of techniques apart, one pair a patient: a shift, and with enough
patients a stretch. It says what that is good for in cases that it has not seen, and
offers what foretells better as an entry of the site's clinical policy. It changes
nothing: who answers for an entry signs it there, and predictions made from then on
carry its id; those made before stay as they are.`,
		Example: `  trigone calibrate
  trigone calibrate --fitted-until 2026-06-30
  trigone calibrate --fragment >> harbour.yaml`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			request := &trigonev1.CalibratePredictionRequest{
				Filter: &trigonev1.AuditFilter{IncisionFrom: cases.from, IncisionBefore: cases.before}, Basis: cases.basis,
			}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			if request.FittedUntil, err = instant("--fitted-until", fittedUntil); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.CalibratePrediction(ctx, request)
				if err != nil {
					return err
				}
				switch {
				case fragment && answer.GetPolicyFragment() == "":
					return errNothingOffered
				case fragment:
					_, err := fmt.Fprint(cmd.OutOrStdout(), answer.GetPolicyFragment())
					return err
				}
				return printFigures(a, cmd, answer, sheet, render.Calibrations, render.CalibrationsCSV, render.CalibrationsDictionary)
			})
		},
	}
	sheet.flags(c, false)
	f := c.Flags()
	f.StringVar(&filter.from, "from", "", "only with incision at or after this date or time")
	f.StringVar(&filter.before, "before", "", "only with incision before this date or time")
	f.StringVar(&filter.basis, "basis", "stored", "stored: as answered when a case was last written; restated: as trigoned restate judged it again")
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringVar(&asOf, "as-of", "", "leave out cases operated on after this date or time; default: now")
	f.StringVar(&fittedUntil, "fitted-until", "", "fit cases operated on up to this date or time; later ones say whether the fit holds")
	f.BoolVar(&fragment, "fragment", false, "print only the section for the site's clinical policy; exit code 1 where nothing is offered")
	return c
}

var errNothingOffered = errors.New("no correction is offered: trigone calibrate without --fragment says why")
