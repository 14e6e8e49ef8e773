package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) submitCommand() *cobra.Command {
	var sourceTime, requestID, caseName string
	var etags []string
	var validateOnly bool
	c := &cobra.Command{
		Use:   "submit FILE",
		Short: "Store the sections of a case file",
		Long: `submit stores every section of FILE, all or none, and prints what became of each.
A section in FILE replaces the whole section in the record. The case is found by
its case number, or by --case, or opened if FILE carries the identity. A section
that exists already needs --etag, or --source-time for all of them. A submit that
names another patient than the case has is set aside and ends with exit code 7; one
that is stored as older than what the record says ends with 5.`,
		Example: `  trigone submit case.json --source-time 2026-03-02T15:10:00Z
  trigone submit plan.json --etag plan=2 --request-id 7c1e
  trigone submit case.json --validate-only`,
		Args: exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			request := &trigonev1.SubmitCaseRequest{CaseName: caseName, RequestId: requestID, ValidateOnly: validateOnly}
			var err error
			if request.SourceTime, err = instant("--source-time", sourceTime); err != nil {
				return err
			}
			for _, e := range etags {
				section, etag, ok := strings.Cut(e, "=")
				if !ok || section == "" || etag == "" {
					return usagef("--etag is SECTION=ETAG, such as plan=2")
				}
				request.Conditions = append(request.Conditions, &trigonev1.SectionCondition{
					Section: section, Expected: &trigonev1.SectionCondition_Etag{Etag: etag},
				})
			}
			zone, err := a.zoneForServer()
			if err != nil {
				return err
			}
			if request.CaseFile, err = readCaseFile(cmd, args[0], zone); err != nil {
				return err
			}
			return a.write(cmd, &request.RequestId, func(ctx context.Context, s services) error {
				answer, err := s.record.SubmitCase(ctx, request)
				if err != nil {
					return err
				}
				if a.format == formatJSON {
					return errors.Join(printJSON(cmd.OutOrStdout(), answer), becameOf(answer, validateOnly))
				}
				if validateOnly {
					fmt.Fprintln(cmd.OutOrStdout(), "Not stored: --validate-only.")
				}
				render.Submitted(cmd.OutOrStdout(), answer)
				return becameOf(answer, validateOnly)
			})
		},
	}
	f := c.Flags()
	f.StringVar(&sourceTime, "source-time", "", "time in the source system, RFC 3339, for every section without an etag")
	f.StringArrayVar(&etags, "etag", nil, "SECTION=ETAG, the head a section is expected to have; may be repeated")
	f.StringVar(&requestID, "request-id", "", requestIDHelp)
	f.StringVar(&caseName, "case", "", "name of the case, sites/SITE/cases/UID (default: found by the case number)")
	f.BoolVar(&validateOnly, "validate-only", false, "answer as if, and store nothing")
	return c
}

// becameOf says that a submit was answered, and is not what the record says now: a
// correction that came to nothing must not look like one that took effect.
func becameOf(answer *trigonev1.SubmitCaseResponse, tried bool) error {
	// A submit that would be set aside has no id.
	switch aside := answer.GetQuarantineId() != "" || len(answer.GetSections()) == 0; {
	case aside && tried:
		return errAsideTried
	case aside:
		return errAside
	}
	for _, s := range answer.GetSections() {
		if s.GetOutcome() == trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER {
			if tried {
				return errOlderTried
			}
			return errOlder
		}
	}
	return nil
}

func (a *app) getCommand() *cobra.Command {
	var fileOnly bool
	var emergency, state string
	c := &cobra.Command{
		Use:   "get CASE",
		Short: "Show a case: its sections and its newest evaluation",
		Example: `  trigone get sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed
  trigone get 'urn:example:harbour-hospital:case|MV-2026-001' --format json
  trigone get 'urn:example:harbour-hospital:case|MV-2026-001' --case-file`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			reference, err := caseReference(args[0])
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				var answer interface{ GetCase() *trigonev1.Case }
				reference, err := inState(ctx, s, reference, state)
				if err != nil {
					return err
				}
				if emergency != "" {
					answer, err = s.record.GetCaseInEmergency(ctx, &trigonev1.GetCaseInEmergencyRequest{Case: reference, Reason: emergency})
				} else {
					answer, err = s.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: reference})
				}
				switch {
				case err != nil:
					return err
				case fileOnly:
					return printJSON(cmd.OutOrStdout(), answer.GetCase().GetCaseFile())
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer.GetCase())
				}
				render.Case(cmd.OutOrStdout(), answer.GetCase())
				return nil
			})
		},
	}
	c.Flags().StringVar(&state, "state", "", "find CASE by its number among cases of this state: active, retracted, merged or all (default: active)")
	c.Flags().BoolVar(&fileOnly, "case-file", false, "print only the case file, in JSON, as submit takes it")
	c.Flags().StringVar(&emergency, "emergency", "", "why it cannot wait, while reads are refused because they cannot be put on record: needs a right of its own, and is signed off later")
	return c
}

func (a *app) bundleCommand() *cobra.Command {
	var form string
	var entries int32
	c := &cobra.Command{
		Use:   "bundle CASE",
		Short: "Print a case as a FHIR R4 bundle",
		Long: `bundle prints a case as a FHIR R4 bundle.

Forms
  transaction              PUT requests with ids made by the service
  conditional-transaction  updates by identifier, for receivers that refuse such ids
  batch                    PUT requests with literal references, each for itself
  collection               the resources alone, with literal references
  de-identified            a collection with keyed ids, dates moved, no text and no
                           identifier; the server needs a key for it
  document                 the operative note with the resources it refers to

With --max-entries the case comes in several bundles, one a line, for receivers
that take no more at once. Send them in their order; each may be sent again.`,
		Example: `  trigone bundle 'urn:example:harbour-hospital:case|MV-2026-001' > bundle.json
  trigone bundle 'urn:example:harbour-hospital:case|MV-2026-001' --form collection
  trigone bundle 'urn:example:harbour-hospital:case|MV-2026-001' --max-entries 25 > parts.ndjson
  trigone bundle sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			// A bundle has one form; table is only the default of the flag.
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			reference, err := caseReference(args[0])
			if err != nil {
				return err
			}
			number, err := enumValue("--form", form, trigonev1.BundleForm(0).Descriptor(), "BUNDLE_FORM_")
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				if entries > 0 {
					return bundleParts(ctx, s, cmd.OutOrStdout(), &trigonev1.GetBundleRequest{Case: reference, Form: trigonev1.BundleForm(number), MaxEntries: entries})
				}
				answer, err := s.fhir.GetBundle(ctx, &trigonev1.GetBundleRequest{Case: reference, Form: trigonev1.BundleForm(number)})
				if err != nil {
					return err
				}
				text, err := render.IndentJSON([]byte(answer.GetBundle()))
				if err != nil {
					return fmt.Errorf("the bundle is no JSON: %w", err)
				}
				_, err = cmd.OutOrStdout().Write(text)
				return err
			})
		},
	}
	c.Flags().StringVar(&form, "form", "transaction", "form of the bundle")
	c.Flags().Int32Var(&entries, "max-entries", 0, "give the case in bundles of at most so many entries, one a line; 0: one bundle")
	return c
}

// bundleParts prints the parts of one state of a case, one a line.
func bundleParts(ctx context.Context, s services, to io.Writer, req *trigonev1.GetBundleRequest) error {
	for of := int32(1); req.Part < of; {
		req.Part++
		answer, err := s.fhir.GetBundle(ctx, req)
		if err != nil {
			return err
		}
		of, req.HistoryNumber = answer.GetParts(), answer.GetHistoryNumber()
		if _, err := fmt.Fprintln(to, answer.GetBundle()); err != nil {
			return err
		}
	}
	return nil
}

func (a *app) discrepanciesCommand() *cobra.Command {
	var filter discrepancyFilter
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "discrepancies",
		Short: "List the differences between plans and outcomes",
		Long: `discrepancies lists every difference between plan and outcome, children under
their root. A difference is not an error and carries no blame.`,
		Example: `  trigone discrepancies
  trigone discrepancies --class ring_size --class step_omitted --from 2026-01-01
  trigone discrepancies --case 'urn:example:harbour-hospital:case|MV-2026-002'
  trigone discrepancies --format csv --bom --with-case-numbers --dictionary columns.csv > discrepancies.csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			differs := func(of func(string) string) bool {
				return of("class") != "" && slices.Contains([]string{"present", "indeterminate", "not_evaluable"}, of("verdict"))
			}
			if done, err := sheet.external(a, cmd, "comparisons", filter.caseFilter, differs); done || err != nil {
				return err
			}
			request, err := filter.request()
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListDiscrepanciesResponse{}
				for {
					page, err := s.audit.ListDiscrepancies(ctx, request)
					if err != nil {
						return err
					}
					if whole.Counts == nil {
						whole.Counts = page.GetCounts()
					}
					whole.Basis, whole.Invented = page.GetBasis(), page.GetInvented()
					whole.Discrepancies = append(whole.Discrepancies, page.GetDiscrepancies()...)
					if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return sheet.write(cmd.OutOrStdout(), render.Sheet{Basis: whole.GetBasis(), Invented: whole.GetInvented()},
						func(w io.Writer, s render.Sheet) error {
							return render.DiscrepanciesCSV(w, whole.GetDiscrepancies(), s)
						}, render.DiscrepanciesDictionary)
				}
				render.Invented(cmd.OutOrStdout(), whole.GetInvented())
				render.Basis(cmd.OutOrStdout(), whole.GetBasis())
				render.Discrepancies(cmd.OutOrStdout(), whole.GetDiscrepancies(), whole.GetCounts())
				return nil
			})
		},
	}
	filter.flags(c)
	sheet.flags(c, true)
	sheet.profiles(c)
	f := c.Flags()
	f.StringArrayVar(&filter.groups, "group", nil, groupUsage)
	f.StringArrayVar(&filter.classes, "class", nil, "only this class, such as ring_size; may be repeated")
	f.StringArrayVar(&filter.verdicts, "verdict", nil, "only this verdict: present, indeterminate or not_evaluable; may be repeated")
	f.BoolVar(&filter.roots, "roots", false, "only primary differences, without what stands under them")
	return c
}

// discrepancyFilter is what the flags select.
type discrepancyFilter struct {
	caseFilter
	classes, verdicts, groups []string
	roots                     bool
}

func (f discrepancyFilter) request() (*trigonev1.ListDiscrepanciesRequest, error) {
	cases, err := f.selected()
	if err != nil {
		return nil, err
	}
	request := &trigonev1.ListDiscrepanciesRequest{
		Case: cases.reference, Classes: f.classes, RootsOnly: f.roots, PlanTimings: cases.timings,
		IncisionFrom: cases.from, IncisionBefore: cases.before, PageSize: pageSize, IncludeCounts: true,
		Basis: cases.basis,
	}
	if request.Groups, err = factFilters(f.groups); err != nil {
		return nil, err
	}
	request.Verdicts, err = enumValues[trigonev1.DiscrepancyVerdict]("--verdict", f.verdicts, "DISCREPANCY_VERDICT_")
	return request, err
}

// enumValue reads a word of an enum.
func enumValue(flag, word string, d protoreflect.EnumDescriptor, lead string) (protoreflect.EnumNumber, error) {
	var known []string
	for i := 1; i < d.Values().Len(); i++ {
		v := d.Values().Get(i)
		name := strings.ToLower(strings.TrimPrefix(string(v.Name()), lead))
		if strings.ReplaceAll(strings.ToLower(word), "-", "_") == name {
			return v.Number(), nil
		}
		known = append(known, name)
	}
	slices.Sort(known)
	return 0, usagef("%s does not know %q; use one of %s", flag, word, strings.Join(known, ", "))
}

// instant reads a time, or a date as its first moment in UTC; empty is none.
func instant(flag, s string) (*timestamppb.Timestamp, error) {
	if s == "" {
		return nil, nil
	}
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return timestamppb.New(t), nil
		}
	}
	return nil, usagef("%s needs a time such as 2026-03-02T15:10:00Z, or a date such as 2026-03-02", flag)
}

func (a *app) changesCommand() *cobra.Command {
	var cursor string
	c := &cobra.Command{
		Use:   "changes",
		Short: "List what changed since a cursor",
		Long: `changes lists every change of the record since a cursor, oldest first, under the
name of its case, as other commands take it, and the cursor to ask with the next time. Without a cursor it begins at the beginning.`,
		Example: `  trigone changes
  trigone changes --cursor "$CURSOR" --format json`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListChangesResponse{NextCursor: cursor}
				for {
					page, err := s.record.ListChanges(ctx, &trigonev1.ListChangesRequest{Cursor: whole.GetNextCursor(), PageSize: pageSize})
					if err != nil {
						return err
					}
					whole.Changes = append(whole.Changes, page.GetChanges()...)
					whole.NextCursor = page.GetNextCursor()
					if !page.GetMore() {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return render.ChangesCSV(cmd.OutOrStdout(), whole.GetChanges())
				}
				render.Changes(cmd.OutOrStdout(), whole.GetChanges(), whole.GetNextCursor())
				return nil
			})
		},
	}
	c.Flags().StringVar(&cursor, "cursor", "", "cursor as last answered (default: from the beginning)")
	return c
}
