package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"trigone/fhirmap"
	"trigone/internal/casefile"
)

func (a *app) explainCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "explain PATH",
		Short: "Tell what a field of a case file means",
		Long: `explain tells of one field of a case file what it means, how it is written, its
unit, what the contract takes and what is plausible, its words, which metrics and
rules read it, and how it leaves as FHIR. PATH is the way to it with dots, or the
end of that alone. In JSON the same has names, for editors and programs.`,
		Example: `  trigone explain identity.sex
  trigone explain identity.sex --format json
  trigone explain plan.steps.technique.leaflet_resection`,
		Args: exactly("PATH"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			x, err := casefile.Explain(args[0])
			if err != nil {
				return usageError{err}
			}
			if a.format == formatJSON {
				out := json.NewEncoder(cmd.OutOrStdout())
				out.SetEscapeHTML(false)
				out.SetIndent("", "  ")
				return out.Encode(struct {
					casefile.Explanation
					FHIR []string `json:"fhir"`
				}{x, fhirOf(x)})
			}
			printExplanation(cmd.OutOrStdout(), x)
			return nil
		},
	}
}

func printExplanation(out io.Writer, x casefile.Explanation) {
	fmt.Fprintf(out, "%s\n\n  %s\n\n", x.Path, x.Meaning)
	row := func(name, value string) {
		if value != "" {
			fmt.Fprintf(out, "  %-14s%s\n", name, value)
		}
	}
	list := func(name string, values []string) {
		for i, v := range values {
			if i > 0 {
				name = ""
			}
			row(name, v)
		}
	}
	row("Written as", x.Form)
	row("Taken", x.Bounds)
	if x.Plausible != "" {
		row("Plausible", fmt.Sprintf("%s; what lies beyond is stored and noted [%s]", x.Plausible, x.PlausibleSource))
	}
	row("Tier", x.Tier)
	list("Words", said(x.Words))
	list("Fields", said(x.Fields))
	list("Metrics", x.Metrics)
	list("Rules", x.Rules)
	row("Also read by", x.ReadBy)
	list("FHIR", fhirOf(x))
	list("Also in", x.Others)
	if x.Tier != "" {
		fmt.Fprintln(out, "\n  Rules are those in force that read it in their own examples; those for every value read it too.")
	}
}

func said(list []casefile.Said) []string {
	lines := make([]string, len(list))
	for i, s := range list {
		lines[i] = s.String()
	}
	return lines
}

// fhirOf says how a field leaves as FHIR.
func fhirOf(x casefile.Explanation) []string {
	section := x.Steps[0].Field
	for _, step := range x.Steps {
		if why := fhirmap.WhyNotSent(section, step.Message, step.Field); why != "" {
			return []string{"not sent: " + why}
		}
	}
	if x.Tier == "" {
		return []string{"sent where it says something; the terminology command writes the profiles"}
	}
	said := []string{"sent"}
	for _, c := range x.Codes {
		said = append(said, c+", where the context of the value holds what the code asks")
	}
	return said
}
