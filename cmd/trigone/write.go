package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/casefile"
	"trigone/internal/metric"
	"trigone/testdata"
)

// fullExample is printed where no other is named: it holds a value of most sections.
const fullExample = "chord-rupture-sliding"

func (a *app) templateCommand() *cobra.Command {
	var tier, purpose string
	c := &cobra.Command{
		Use:   "template",
		Short: "Print a case file to be filled in",
		Long: `template prints a case file as YAML in which nothing is filled in: under every
heading the fields with their meaning, unit, plausible range and words. core is
what record, comparison with the plan and audit need; model adds what the
prediction needs; full has every field.`,
		Example: `  trigone template > case.yaml
  trigone template --tier model --for plan > plan.yaml`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable); err != nil {
				return err
			}
			if !slices.Contains(casefile.Tiers, metric.Tier(tier)) {
				return usagef("--tier is core, model or full")
			}
			var purposes []string
			if purpose != "" {
				var names []string
				for _, p := range casefile.Purposes {
					names = append(names, p.Name)
				}
				if !slices.Contains(names, purpose) {
					return usagef("--for is one of %s", strings.Join(names, ", "))
				}
				purposes = []string{purpose}
			}
			_, err := fmt.Fprint(cmd.OutOrStdout(), casefile.Template(metric.Tier(tier), purposes...))
			return err
		},
	}
	c.Flags().StringVar(&tier, "tier", string(metric.Core), "how much of a record: core, model or full")
	c.Flags().StringVar(&purpose, "for", "", "one part of it: assessment, plan, operation, result or follow_up")
	return c
}

func (a *app) exampleCommand() *cobra.Command {
	var list bool
	c := &cobra.Command{
		Use:   "example [NAME]",
		Short: "Print an invented case as a case file",
		Long: `example prints one of the invented cases as YAML; without NAME one that holds a
whole record. Nothing in it is a real person, hospital or product.`,
		Example: `  trigone example > example.yaml
  trigone example core-only
  trigone example --list`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 || list && len(args) > 0 {
				return usagef("%s takes at most NAME, and none with --list", cmd.CommandPath())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable); err != nil {
				return err
			}
			names := testdata.Names(testdata.Cases)
			if list {
				_, err := fmt.Fprintln(cmd.OutOrStdout(), strings.Join(names, "\n"))
				return err
			}
			name := fullExample
			if len(args) > 0 {
				name = args[0]
			}
			if !slices.Contains(names, name) {
				return usagef("there is no example of that name; the nearest are %s; 'trigone example --list' prints all", strings.Join(casefile.Nearest(name, names), ", "))
			}
			file, err := testdata.Read(testdata.Cases, name)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "# %s: an invented case. Nothing in it is a real person, hospital or product.\n\n%s", name, casefile.Write(file))
			return err
		},
	}
	c.Flags().BoolVar(&list, "list", false, "print the names of all")
	return c
}

func (a *app) schemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of case files",
		Long: `schema prints the JSON Schema (2020-12) of case files. An editor that knows it
completes fields and words and marks what is wrong while it is written; what
fields say together only evaluate and submit see.`,
		Example: `  trigone schema > case.schema.json`,
		Args:    exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			text, err := casefile.Schema()
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(text)
			return err
		},
	}
}
