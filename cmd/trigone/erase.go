package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	trigonev1 "trigone/proto/trigone/v1"
)

// eraseTime bounds an erasure: the whole file is written anew.
const eraseTime = 10 * time.Minute

func (a *app) eraseCommand() *cobra.Command {
	var whole, validateOnly bool
	var version int64
	var requestID string
	c := &cobra.Command{
		Use:   "erase CASE",
		Short: "Remove what identifies a patient, or a whole case, for good",
		Long: `erase removes what identifies the patient of a case: identifiers, free text, serial
numbers, reasons, quarantined submits, and every hash made of them; measurements stay
and count. With --whole-case it removes the case: its name, its versions, its changes and
who looked at it stay, and receivers are told of every resource that it was entered in
error. Nobody can bring it back. --version is the version of the case as last answered:
who erases has looked.

Exports, notes and bundles that were handed on, and backups, are not reached. When an
older backup is restored, give it the list of erasures.`,
		Example: `  trigone erase 'urn:example:harbour-hospital:case|MV-2026-001' --version 3
  trigone erase sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed --whole-case --version 3 --validate-only`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			reference, err := caseReference(args[0])
			if err != nil {
				return err
			}
			return a.writeWithin(cmd, eraseTime, &requestID, func(ctx context.Context, s services) error {
				if whole {
					answer, err := s.administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{
						Case: reference, CaseVersion: version, ValidateOnly: validateOnly, RequestId: requestID,
					})
					switch {
					case err != nil:
						return err
					case a.format == formatJSON:
						return printJSON(cmd.OutOrStdout(), answer)
					}
					fmt.Fprintf(cmd.OutOrStdout(), "%s, version %d\n%s\n", answer.GetCaseName(), answer.GetCaseVersion(), answer.GetMessage())
					return nil
				}
				answer, err := s.administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{
					Case: reference, CaseVersion: version, ValidateOnly: validateOnly, RequestId: requestID,
				})
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s, version %d\n%s\n", answer.GetCaseName(), answer.GetCaseVersion(), answer.GetMessage())
				return nil
			})
		},
	}
	f := c.Flags()
	f.BoolVar(&whole, "whole-case", false, "remove the whole case, not only what identifies")
	f.Int64Var(&version, "version", 0, "version of the case as last answered")
	f.BoolVar(&validateOnly, "validate-only", false, "answer as if, and remove nothing")
	f.StringVar(&requestID, "request-id", "", requestIDHelp)
	return c
}
