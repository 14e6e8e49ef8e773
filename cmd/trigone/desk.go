package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// What a reviewer works with: the cases, their revisions, and what was set aside.

// everyState is the word of --state that narrows nothing.
const everyState = "all"

// statesOf reads --state.
func statesOf(word string) ([]trigonev1.CaseState, error) {
	if word == everyState {
		return []trigonev1.CaseState{trigonev1.CaseState_CASE_STATE_ACTIVE, trigonev1.CaseState_CASE_STATE_RETRACTED, trigonev1.CaseState_CASE_STATE_MERGED}, nil
	}
	n, err := enumValue("--state", word, trigonev1.CaseState(0).Descriptor(), "CASE_STATE_")
	return []trigonev1.CaseState{trigonev1.CaseState(n)}, err
}

func (a *app) casesCommand() *cobra.Command {
	var state, number string
	var most int
	var sheet sheetFlags
	request := &trigonev1.ListCasesRequest{}
	c := &cobra.Command{
		Use:   "cases",
		Short: "List the cases, newest change first",
		Long: `cases lists the cases of the site with what is open in each. A closed case is found
with --state retracted, merged or all; with --number by its case number, too. The
name in the first column is what other commands take as CASE.`,
		Example: `  trigone cases
  trigone cases --disputed
  trigone cases --state all --number 'urn:example:harbour-hospital:case|MV-2026-001'
  trigone cases --format csv --with-case-numbers > cases.csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			all := func(func(string) string) bool { return true }
			if done, err := sheet.external(a, cmd, render.FactRows[0], caseFilter{}, all); done || err != nil {
				return err
			}
			states, err := statesOf(state)
			if err != nil {
				return err
			}
			if number != "" {
				of, err := caseReference(number)
				if err != nil || of.GetExternalIdentifier() == nil {
					return usagef("--number is a case number as SYSTEM|VALUE; put quotes around it")
				}
				request.ExternalIdentifier = of.GetExternalIdentifier()
			}
			if most < 1 {
				return usagef("--most is a number from 1")
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole, err := listCases(ctx, s, request, states, most)
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case a.format == formatCSV:
					return sheet.write(cmd.OutOrStdout(), render.Sheet{}, func(w io.Writer, s render.Sheet) error { return render.CasesCSV(w, whole.GetCases(), s) }, render.CasesDictionary)
				}
				render.Cases(cmd.OutOrStdout(), whole.GetCases(), whole.GetNextPageToken() != "")
				return nil
			})
		},
	}
	f := c.Flags()
	f.StringVar(&state, "state", "active", "state of the cases: active, retracted, merged or all")
	f.StringVar(&number, "number", "", "only with this case number, SYSTEM|VALUE")
	f.BoolVar(&request.DisputedOnly, "disputed", false, "only with an open contradiction")
	f.BoolVar(&request.AwaitingIncisionOnly, "awaiting", false, "only with a plan whose incision is not recorded")
	sheet.flags(c, true)
	sheet.profiles(c)
	f.IntVar(&most, "most", 500, "at most as many cases, the newest")
	return c
}

// listCases lists cases of some states, at most so many of them together.
func listCases(ctx context.Context, s services, request *trigonev1.ListCasesRequest, states []trigonev1.CaseState, most int) (*trigonev1.ListCasesResponse, error) {
	whole := &trigonev1.ListCasesResponse{}
	for _, request.State = range states {
		for request.PageToken = ""; len(whole.GetCases()) < most; {
			request.PageSize = int32(min(pageSize, most-len(whole.GetCases())))
			page, err := s.record.ListCases(ctx, request)
			if err != nil {
				return nil, err
			}
			whole.Cases = append(whole.Cases, page.GetCases()...)
			if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
				break
			}
		}
		if request.PageToken != "" {
			whole.NextPageToken = request.PageToken
		}
	}
	return whole, nil
}

// inState finds a case by its number in other states than active ones: its name, if there
// is one such case alone.
func inState(ctx context.Context, s services, of *trigonev1.CaseReference, state string) (*trigonev1.CaseReference, error) {
	if state == "" || of.GetExternalIdentifier() == nil {
		return of, nil
	}
	states, err := statesOf(state)
	if err != nil {
		return nil, err
	}
	found, err := listCases(ctx, s, &trigonev1.ListCasesRequest{ExternalIdentifier: of.GetExternalIdentifier()}, states, pageSize)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, c := range found.GetCases() {
		names = append(names, c.GetName())
	}
	switch len(names) {
	case 0:
		return nil, inputError{errors.New("no case of this state has this case number")}
	case 1:
		return &trigonev1.CaseReference{Name: names[0]}, nil
	}
	return nil, inputError{fmt.Errorf("%d cases have this case number; name one of them:\n  %s", len(names), strings.Join(names, "\n  "))}
}

func (a *app) revisionsCommand() *cobra.Command {
	request := &trigonev1.ListRevisionsRequest{PageSize: pageSize}
	var state string
	c := &cobra.Command{
		Use:   "revisions CASE",
		Short: "List what was stored of a case, in the order of storing",
		Long: `revisions lists every revision of the sections of a case: when it came, who sent it,
which one is the head, what was retracted and why. With --format json each comes with
its content.`,
		Example: `  trigone revisions 'urn:example:harbour-hospital:case|MV-2026-009'
  trigone revisions 'urn:example:harbour-hospital:case|MV-2026-009' --section plan --format json`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			reference, err := caseReference(args[0])
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				if request.Case, err = inState(ctx, s, reference, state); err != nil {
					return err
				}
				whole := &trigonev1.ListRevisionsResponse{}
				for {
					page, err := s.record.ListRevisions(ctx, request)
					if err != nil {
						return err
					}
					whole.Revisions = append(whole.Revisions, page.GetRevisions()...)
					if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return render.RevisionsCSV(cmd.OutOrStdout(), whole.GetRevisions())
				}
				render.Revisions(cmd.OutOrStdout(), whole.GetRevisions())
				return nil
			})
		},
	}
	c.Flags().StringVar(&request.Section, "section", "", "only of this section, such as plan or result/exit")
	c.Flags().StringVar(&state, "state", "", "find CASE by its number among cases of this state: active, retracted, merged or all (default: active)")
	return c
}

func (a *app) quarantineCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "quarantine list|show|file|discard",
		Short: "What was set aside: list it, look at it, file it or discard it",
		Long: `quarantine is for reviewers. A submit that names another patient than the case that it
was sent to is set aside whole. show tells who both are, and what filing it would change;
the etag that it prints lets the submit be filed or discarded, so that nobody decides
unread. A submit that is filed counts as of the time at which it came.`,
		Example: `  trigone quarantine list
  trigone quarantine show 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c
  trigone quarantine file 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c --into sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed --etag 0a1b2c3d4e5f-0a1b2c3d4e5f --reason 'a digit of the number'
  trigone quarantine discard 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c --etag 0a1b2c3d4e5f-0a1b2c3d4e5f --reason 'of another hospital'`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return usagef("%s has no command %q; use list, show, file or discard", cmd.CommandPath(), args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	c.AddCommand(a.quarantineListCommand(), a.quarantineShowCommand(), a.quarantineFileCommand(), a.quarantineDiscardCommand())
	return c
}

func (a *app) quarantineListCommand() *cobra.Command {
	var state, caseArg string
	c := &cobra.Command{
		Use:   "list",
		Short: "List what was set aside, newest first",
		Example: `  trigone quarantine list
  trigone quarantine list --state discarded --format csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			n, err := enumValue("--state", state, trigonev1.QuarantineState(0).Descriptor(), "QUARANTINE_STATE_")
			if err != nil {
				return err
			}
			request := &trigonev1.ListQuarantinedRequest{State: trigonev1.QuarantineState(n), PageSize: pageSize}
			if caseArg != "" {
				if request.Case, err = caseReference(caseArg); err != nil {
					return err
				}
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListQuarantinedResponse{}
				for {
					page, err := s.record.ListQuarantined(ctx, request)
					if err != nil {
						return err
					}
					whole.Quarantined = append(whole.Quarantined, page.GetQuarantined()...)
					if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return render.QuarantineCSV(cmd.OutOrStdout(), whole.GetQuarantined())
				}
				render.Quarantine(cmd.OutOrStdout(), whole.GetQuarantined())
				return nil
			})
		},
	}
	c.Flags().StringVar(&state, "state", "open", "open, filed or discarded")
	c.Flags().StringVar(&caseArg, "case", "", "only sent to this case: a name, or SYSTEM|VALUE")
	return c
}

func (a *app) quarantineShowCommand() *cobra.Command {
	var into string
	c := &cobra.Command{
		Use:   "show ID",
		Short: "Show who it is about and what filing it would change",
		Long: `show prints a submit that was set aside: who sent it and when, the patients that it and
the case name, and every field that filing would change. With --into filing is tried on
another case than the one that it was sent to. Nothing is stored; who looked is on record.`,
		Example: `  trigone quarantine show 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c
  trigone quarantine show 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c --into 'urn:example:harbour-hospital:case|MV-2026-001'`,
		Args: exactly("ID"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				name, err := nameOf(ctx, s, into)
				if err != nil {
					return err
				}
				answer, err := s.record.GetQuarantined(ctx, &trigonev1.GetQuarantinedRequest{QuarantineId: args[0], IntoCase: name})
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer.GetQuarantined())
				}
				render.Quarantined(cmd.OutOrStdout(), answer.GetQuarantined())
				return nil
			})
		},
	}
	c.Flags().StringVar(&into, "into", "", "the case that filing is tried on: a name, or SYSTEM|VALUE (default: the one that it was sent to)")
	return c
}

// nameOf gives the name of CASE; of none it is empty.
func nameOf(ctx context.Context, s services, arg string) (string, error) {
	if arg == "" {
		return "", nil
	}
	of, err := caseReference(arg)
	if err != nil || of.GetName() != "" {
		return of.GetName(), err
	}
	found, err := s.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: of, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}})
	return found.GetCase().GetName(), err
}

// decision is what the flags of file and discard say.
type decision struct{ etag, reason, requestID string }

func (d *decision) flags(c *cobra.Command) {
	c.Flags().StringVar(&d.etag, "etag", "", "etag that show printed")
	reviewFlags(c, &d.reason, &d.requestID)
}

func (d *decision) check(cmd *cobra.Command) error {
	switch {
	case d.etag == "":
		return usagef("%s needs --etag, as quarantine show prints it: who decides has looked", cmd.CommandPath())
	case d.reason == "":
		return usagef("%s needs --reason", cmd.CommandPath())
	}
	return nil
}

func (a *app) quarantineFileCommand() *cobra.Command {
	var d decision
	var into string
	c := &cobra.Command{
		Use:   "file ID",
		Short: "File a submit that was set aside into a case",
		Long: `file files a submit that was set aside into the case of --into, under that case's
patient. Its etag is the one that show printed beside that case. It ends with exit code
5 if a section was stored as older than what the record says.`,
		Example: `  trigone quarantine file 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c --into 'urn:example:harbour-hospital:case|MV-2026-001' --etag 0a1b2c3d4e5f-0a1b2c3d4e5f --reason 'a digit of the number'`,
		Args:    exactly("ID"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			if into == "" {
				return usagef("%s needs --into CASE", cmd.CommandPath())
			}
			if err := d.check(cmd); err != nil {
				return err
			}
			return a.write(cmd, &d.requestID, func(ctx context.Context, s services) error {
				name, err := nameOf(ctx, s, into)
				if err != nil {
					return err
				}
				answer, err := s.record.FileQuarantined(ctx, &trigonev1.FileQuarantinedRequest{
					QuarantineId: args[0], Decision: &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: name}, Etag: d.etag, Reason: d.reason, RequestId: d.requestID,
				})
				if err != nil {
					return err
				}
				if a.format == formatJSON {
					return errors.Join(printJSON(cmd.OutOrStdout(), answer), becameOf(answer.GetSubmitted(), false))
				}
				fmt.Fprintln(cmd.OutOrStdout(), "The submit was filed.")
				render.Submitted(cmd.OutOrStdout(), answer.GetSubmitted())
				return becameOf(answer.GetSubmitted(), false)
			})
		},
	}
	c.Flags().StringVar(&into, "into", "", "the case to file it into: a name, or SYSTEM|VALUE")
	d.flags(c)
	return c
}

func (a *app) quarantineDiscardCommand() *cobra.Command {
	var d decision
	c := &cobra.Command{
		Use:     "discard ID",
		Short:   "Discard a submit that was set aside",
		Example: `  trigone quarantine discard 1b8f9ab8-2d36-4925-a976-7a912c4ebb8c --etag 0a1b2c3d4e5f-0a1b2c3d4e5f --reason 'of another hospital'`,
		Args:    exactly("ID"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			if err := d.check(cmd); err != nil {
				return err
			}
			return a.write(cmd, &d.requestID, func(ctx context.Context, s services) error {
				answer, err := s.record.FileQuarantined(ctx, &trigonev1.FileQuarantinedRequest{
					QuarantineId: args[0], Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true}, Etag: d.etag, Reason: d.reason, RequestId: d.requestID,
				})
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer)
				}
				_, err = fmt.Fprintln(cmd.OutOrStdout(), answer.GetMessage())
				return err
			})
		},
	}
	d.flags(c)
	return c
}

func (a *app) retractCommand() *cobra.Command {
	var section, etag, why, text, requestID string
	var version int64
	c := &cobra.Command{
		Use:   "retract CASE",
		Short: "Retract a section of a case, or the whole case",
		Long: `retract ends a section, or with --version the whole case: it stays on record, counts
nowhere, and receivers are told that it was entered in error. --etag of the section, or
--version of the case, is the one last answered: who retracts has looked. --reason is
entered_in_error, wrong_patient, wrong_case, duplicate or consent_withdrawn.`,
		Example: `  trigone retract 'urn:example:harbour-hospital:case|MV-2026-001' --section result/exit --etag 1 --reason wrong_patient
  trigone retract 'urn:example:harbour-hospital:case|MV-2026-001' --version 3 --reason duplicate --text 'opened twice'`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			of, err := caseReference(args[0])
			if err != nil {
				return err
			}
			switch {
			case why == "":
				return usagef("%s needs --reason", cmd.CommandPath())
			case (section == "") == (version == 0):
				return usagef("%s needs --section with --etag, or --version of the whole case", cmd.CommandPath())
			case section != "" && etag == "":
				return usagef("--section needs its --etag, as get prints it: who retracts has looked")
			}
			n, err := enumValue("--reason", why, trigonev1.RetractionReason(0).Descriptor(), "RETRACTION_REASON_")
			if err != nil {
				return err
			}
			reason := trigonev1.RetractionReason(n)
			return a.write(cmd, &requestID, func(ctx context.Context, s services) error {
				if section == "" {
					answer, err := s.record.RetractCase(ctx, &trigonev1.RetractCaseRequest{Case: of, CaseVersion: version, Reason: reason, ReasonText: text, RequestId: requestID})
					switch {
					case err != nil:
						return err
					case a.format == formatJSON:
						return printJSON(cmd.OutOrStdout(), answer)
					}
					_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s is %s, version %d.\n", answer.GetCaseName(), render.Word(answer.GetState()), answer.GetCaseVersion())
					return err
				}
				answer, err := s.record.RetractSection(ctx, &trigonev1.RetractSectionRequest{Case: of, Section: section, Etag: etag, Reason: reason, ReasonText: text, RequestId: requestID})
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "The case is at version %d.\n", answer.GetCaseVersion())
				render.Sections(cmd.OutOrStdout(), []*trigonev1.SectionStatus{answer.GetSection()})
				return nil
			})
		},
	}
	f := c.Flags()
	f.StringVar(&section, "section", "", "the section, such as plan or result/exit")
	f.StringVar(&etag, "etag", "", "etag of the section as last answered")
	f.Int64Var(&version, "version", 0, "version of the whole case as last answered")
	f.StringVar(&why, "reason", "", "why, as one of the words above")
	f.StringVar(&text, "text", "", "why, in words; it is kept")
	f.StringVar(&requestID, "request-id", "", requestIDHelp)
	return c
}

func (a *app) amendIdentityCommand() *cobra.Command {
	var kind, patient string
	request := &trigonev1.AmendIdentityRequest{}
	c := &cobra.Command{
		Use:   "amend-identity CASE",
		Short: "Merge or correct who the patient of a case is, or take another's sections out",
		Long: `amend-identity says who the patient of a case is from now on. --as merge: two numbers
of one patient became one; --as correction: the number was wrong. Both need --patient,
and the former number stays valid. --as wrong_patient takes sections of somebody else out
of the case, each named by --section: they are retracted. --version is the version of the
case as last answered: who amends has looked.

An identifier on a command line stays in the history of the shell and can be seen by
others on the machine; --patient - reads it from standard input.`,
		Example: `  trigone amend-identity 'urn:example:harbour-hospital:case|MV-2026-001' --as merge --patient - --version 3 --reason 'two numbers, one patient' < number.txt
  trigone amend-identity 'urn:example:harbour-hospital:case|MV-2026-001' --as wrong_patient --section result/exit --version 3 --reason 'echo of the bed beside'`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			var err error
			if request.Case, err = caseReference(args[0]); err != nil {
				return err
			}
			n, err := enumValue("--as", kind, trigonev1.IdentityAmendment(0).Descriptor(), "IDENTITY_AMENDMENT_")
			if err != nil {
				return err
			}
			request.Amendment = trigonev1.IdentityAmendment(n)
			if request.GetReason() == "" || request.GetCaseVersion() == 0 {
				return usagef("%s needs --version and --reason", cmd.CommandPath())
			}
			if patient == "-" {
				if patient, err = bufio.NewReader(cmd.InOrStdin()).ReadString('\n'); patient == "" {
					return fmt.Errorf("read the patient identifier from standard input: %w", err)
				}
			}
			if patient != "" {
				i := strings.LastIndexByte(patient, '|')
				if i < 1 || i == len(strings.TrimSpace(patient))-1 {
					return usagef("--patient is SYSTEM|VALUE; put quotes around it, or give - and write it to standard input")
				}
				request.PatientIdentifier = &trigonev1.Identifier{System: strings.TrimSpace(patient[:i]), Value: strings.TrimSpace(patient[i+1:])}
			}
			return a.write(cmd, &request.RequestId, func(ctx context.Context, s services) error {
				answer, err := s.record.AmendIdentity(ctx, request)
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "The identity was amended; the case is at version %d.\n", answer.GetCaseVersion())
				render.Sections(cmd.OutOrStdout(), answer.GetSections())
				return nil
			})
		},
	}
	f := c.Flags()
	f.StringVar(&kind, "as", "", "what kind of amendment: merge, correction or wrong_patient")
	f.StringVar(&patient, "patient", "", "the patient from now on, SYSTEM|VALUE, or - for standard input")
	f.StringArrayVar(&request.WrongSections, "section", nil, "a section that belongs to somebody else; may be repeated")
	f.Int64Var(&request.CaseVersion, "version", 0, "version of the case as last answered")
	reviewFlags(c, &request.Reason, &request.RequestId)
	return c
}
