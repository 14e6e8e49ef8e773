package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/demo"
	"trigone/internal/draw"
	"trigone/internal/picture"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
)

func (a *app) demoCommand() *cobra.Command {
	var out string
	var force, withDepartment bool
	c := &cobra.Command{
		Use:   "demo --out DIR",
		Short: "Play an invented year of a hospital on a server of its own",
		Long: `demo starts a server on a free loopback port with a new store in DIR, submits
invented cases over gRPC as they would arrive, prints one plan's evaluation,
findings and all discrepancies, and writes

  DIR/cases/*.json        the case files as read back
  DIR/index.html          a page that opens everything else
  DIR/notes/*.html        the operative notes
  DIR/drawings/*.svg      the cases drawn
  DIR/bundles/*.json      the cases as FHIR bundles
  DIR/discrepancies.csv   every discrepancy; discrepancies-columns.csv says what its
                          columns mean
  DIR/comparisons.csv     everything that was compared, with its columns likewise
  DIR/policy.yaml         the invented hospital's clinical policy, unless --policy gives one
  DIR/demo.db             the store

With --department it then draws an invented department of 400 cases, which takes the
better part of a minute, as generate does:

  DIR/department.db           its store
  DIR/department.policy.yaml  its policy

Everything in it is invented data.`,
		Example: `  trigone demo --out /tmp/trigone-demo
  trigone demo --out /tmp/trigone-demo --department
  trigone demo --out /tmp/trigone-demo --force`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return usagef("demo needs --out DIR, the folder to write to")
			}
			if err := a.formats(formatTable); err != nil {
				return err
			}
			out = filepath.Clean(out)
			err := demo.Run(cmd.Context(), demo.Options{
				Dir: out, Force: force, Out: cmd.OutOrStdout(), Policy: a.policy, Start: a.startServer, Draw: drawings,
			})
			if err != nil || !withDepartment {
				return err
			}
			return a.demoDepartment(cmd.Context(), cmd.OutOrStdout(), out, force)
		},
	}
	c.Flags().StringVar(&out, "out", "", "folder to write to; it is made if it is not there")
	c.Flags().BoolVar(&force, "force", false, "replace the stores of an earlier demo in that folder")
	c.Flags().BoolVar(&withDepartment, "department", false, "also draw an invented department of 400 cases, to try the audit on")
	return c
}

// drawings draws a case of the demo.
func drawings(ctx context.Context, record trigonev1.RecordServiceClient, c *trigonev1.Case) ([]demo.Picture, error) {
	plans, err := planRevisions(ctx, services{record: record}, c)
	if err != nil {
		return nil, err
	}
	subject := convert.Drawn(convert.RecordOf(c.GetCaseFile(), plans...), c.GetEvaluation())
	var list []demo.Picture
	for _, d := range draw.Drawings() {
		list = append(list, demo.Picture{Name: d.Name, Shows: d.Shows, SVG: picture.SVG(d.Of(subject))})
	}
	return list, nil
}

// startServer starts a server for the demo.
func (a *app) startServer(ctx context.Context, store, policy string, now func() time.Time) (demo.Server, error) {
	running, err := server.Start(ctx, server.Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy, Now: now})
	if err != nil {
		return demo.Server{}, err
	}
	return demo.Server{Addr: running.Addr(), Stop: running.Stop}, nil
}

func (a *app) evaluateCommand() *cobra.Command {
	var shown render.EvaluationOptions
	c := &cobra.Command{
		Use:   "evaluate FILE",
		Short: "Evaluate a case file without a server",
		Long: `evaluate says everything that the service would say of a case file: findings,
prediction as a range, plan against outcome, what could not be judged, and with
--metrics every number it computed. Nothing is stored. It ends with exit code 4 if a finding is a
contradiction.`,
		Example: `  trigone evaluate case.yaml
  trigone evaluate case.json --metrics
  trigone evaluate case.json --policy harbour.yaml --format json
  trigone evaluate - < case.json`,
		Args: exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			clinical, err := a.settings()
			if err != nil {
				return err
			}
			zone, err := zoneOf(clinical)
			if err != nil {
				return err
			}
			file, err := readCaseFile(cmd, args[0], zone)
			if err != nil {
				return err
			}
			e, err := casebook.EvaluateFile(clinical, file, server.Version())
			if err != nil {
				return err
			}
			if a.format == formatJSON {
				err = printJSON(cmd.OutOrStdout(), e)
			} else {
				render.Evaluation(cmd.OutOrStdout(), e, shown)
			}
			if err != nil {
				return err
			}
			for _, f := range e.GetFindings() {
				if f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION {
					return errContradiction
				}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&shown.Metrics, "metrics", false, "also list the computed values by occasion")
	c.Flags().BoolVar(&shown.Measured, "measured", false, "also list the computed and the measured values")
	return c
}

func (a *app) metricsCommand() *cobra.Command {
	var leaves bool
	c := &cobra.Command{
		Use:   "metrics",
		Short: "List the catalogue of metrics",
		Example: `  trigone metrics
  trigone metrics --leaves --format json
  trigone metrics --format html > metrics.html`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatHTML); err != nil {
				return err
			}
			catalogue := convert.MetricDefinitions(leaves)
			switch a.format {
			case formatJSON:
				return printJSON(cmd.OutOrStdout(), catalogue)
			case formatHTML:
				return render.MetricsPage(cmd.OutOrStdout(), catalogue, convert.Sources().GetSources())
			}
			render.Metrics(cmd.OutOrStdout(), catalogue.GetMetrics())
			fmt.Fprintf(cmd.OutOrStdout(), "\nCatalogue version %s.\n", catalogue.GetCatalogueVersion())
			return nil
		},
	}
	c.Flags().BoolVar(&leaves, "leaves", false, "also list the measured values")
	return c
}

func (a *app) rulesCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "rules",
		Short: "List the rules with their effective limits",
		Example: `  trigone rules
  trigone rules --policy harbour.yaml
  trigone rules --format html > rules.html`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatHTML); err != nil {
				return err
			}
			clinical, err := a.settings()
			if err != nil {
				return err
			}
			list := convert.RuleDefinitions(clinical.Settings, clinical.Rules)
			switch a.format {
			case formatJSON:
				return printJSON(cmd.OutOrStdout(), list)
			case formatHTML:
				return render.RulesPage(cmd.OutOrStdout(), list, convert.Sources().GetSources())
			}
			render.Rules(cmd.OutOrStdout(), list.GetRules())
			fmt.Fprintf(cmd.OutOrStdout(), "\nRule set version %s. Limits are those of the policy in force.\n", list.GetRuleSetVersion())
			return nil
		},
	}
}
