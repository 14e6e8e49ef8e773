package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"

	"github.com/spf13/cobra"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
	"trigone/testdata"
)

func (a *app) checkPolicyCommand() *cobra.Command {
	var recorded bool
	c := &cobra.Command{
		Use:   "check-policy FILE",
		Short: "Check a site's clinical policy",
		Long: `check-policy reads a clinical policy as the server would. It prints ok and what
the policy sets otherwise than the built-in one, or every fault with its line and
column, and then ends with exit code 3. Of each rule of the site's own it says in how
many cases it fires: of the invented ones, or with --recorded of those on the server,
which are judged here and change in nothing. Of the charts that can signal it says how
many false alarms a year are expected of all of them.`,
		Example: `  trigone check-policy harbour.yaml
  trigone check-policy harbour.yaml --recorded`,
		Args: exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable); err != nil {
				return err
			}
			p, err := policy.Load(args[0], fhirmap.Terms{})
			if errors.Is(err, policy.ErrUnread) {
				return err
			}
			if err != nil {
				return inputError{fmt.Errorf("the policy is not in order:\n%w", err)}
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "ok: site %s, version %s, zone %s\nSHA-256 %s\n", p.Settings.Site, p.Settings.Version, p.Settings.Zone, p.Hash)
			changes := p.Changes()
			if len(changes) == 0 {
				fmt.Fprintln(out, "It changes no built-in value.")
				return nil
			}
			header := []any{"Set by the site", "Value", "Built in"}
			var rows [][]any
			for _, c := range changes {
				rows = append(rows, []any{c.Name, c.Site, c.BuiltIn})
			}
			render.Table(out, header, rows...)
			if n := len(p.Monitoring.Charts); n > 0 {
				fmt.Fprintf(out, "%d %s that can signal: with nothing amiss %.2g false alarms a year are expected of all of them together.\n", n, chartsNoun(n), p.Monitoring.FalseAlarmsAYear())
			}
			if len(p.Rules) == 0 {
				return nil
			}
			if !recorded {
				return printFirings(out, p, invented(), "invented")
			}
			return a.callWithin(cmd, 0, func(ctx context.Context, s services) error {
				return printFirings(out, p, onRecord(ctx, s), "recorded")
			})
		},
	}
	c.Flags().BoolVar(&recorded, "recorded", false, "count over the cases on the server, not over the invented ones")
	return c
}

func chartsNoun(n int) string {
	if n == 1 {
		return "chart"
	}
	return "charts"
}

// invented gives the invented cases.
func invented() iter.Seq2[*trigonev1.CaseFile, error] {
	return func(yield func(*trigonev1.CaseFile, error) bool) {
		for _, name := range testdata.Names(testdata.Cases) {
			if !yield(testdata.Read(testdata.Cases, name)) {
				return
			}
		}
	}
}

// onRecord gives the cases of a server that are not retracted or merged.
func onRecord(ctx context.Context, s services) iter.Seq2[*trigonev1.CaseFile, error] {
	return func(yield func(*trigonev1.CaseFile, error) bool) {
		for token := ""; ; {
			page, err := s.record.ListCases(ctx, &trigonev1.ListCasesRequest{PageToken: token})
			if err != nil {
				yield(nil, err)
				return
			}
			for _, row := range page.GetCases() {
				if row.GetState() != trigonev1.CaseState_CASE_STATE_ACTIVE {
					continue
				}
				answer, err := s.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: row.GetName()}})
				if !yield(answer.GetCase().GetCaseFile(), err) {
					return
				}
			}
			if token = page.GetNextPageToken(); token == "" {
				return
			}
		}
	}
}

// printFirings says of each rule of the site in how many cases it fires.
func printFirings(out io.Writer, p policy.Policy, files iter.Seq2[*trigonev1.CaseFile, error], kind string) error {
	list, cases, err := casebook.Firings(p, files, server.Version())
	if err != nil {
		return err
	}
	percent := func(n int) float64 { return 100 * float64(n) / float64(max(cases, 1)) }
	over := fmt.Sprintf("%d %s cases", cases, kind)
	if cases == 1 {
		over = "1 " + kind + " case"
	}
	header := []any{"Rule, over " + over, "Loads as", "Fires", "Not evaluable", "Fails"}
	var rows [][]any
	var remarks []string
	for _, f := range list {
		rows = append(rows, []any{f.Rule.ID, string(f.Rule.Severity), fmt.Sprintf("%d (%.1f %%)", f.Fires, percent(f.Fires)), f.NotEvaluable, f.Failed})
		switch {
		case f.Rule.Lowered:
			remarks = append(remarks, fmt.Sprintf("%s is written as a caution and loads as a note: it fires in more than %d %% of cases by its own fires_percent.", f.Rule.ID, policy.MostFires))
		case f.Rule.IsCaution() && percent(f.Fires) > policy.MostFires:
			remarks = append(remarks, fmt.Sprintf("%s fires in more than %d %% of these cases: write fires_percent as it is counted here, and it loads as a note.", f.Rule.ID, policy.MostFires))
		}
		if f.Fires == 0 && f.NotEvaluable+f.Failed > 0 {
			remarks = append(remarks, f.Rule.ID+" fires nowhere and cannot be judged in some cases: look at what it reads, and from where.")
		}
	}
	fmt.Fprintln(out)
	render.Table(out, header, rows...)
	for _, r := range remarks {
		fmt.Fprintln(out, r)
	}
	return nil
}

func (a *app) policySchemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "policy-schema",
		Short: "Print the JSON schema of a clinical policy",
		Long: `policy-schema prints the JSON schema of a clinical policy, draft 2020-12, for
editors that check while one types. check-policy checks more.`,
		Example: `  trigone policy-schema > policy.schema.json`,
		Args:    exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			schema, err := policy.Schema(fhirmap.Terms{})
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(schema)
			return err
		},
	}
}
