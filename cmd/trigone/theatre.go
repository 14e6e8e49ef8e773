package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) adviseCommand() *cobra.Command {
	var caseName, adviceID, requestID, at, stage string
	var run int32
	var record bool
	var changes []string
	c := &cobra.Command{
		Use:   "advise FILE",
		Short: "Ask while operating: what can still be changed, and what no longer fits",
		Long: `advise evaluates FILE, which holds what has been measured and done so far, alone
or laid over the stored case --case. It answers with the range that each
dimension still has, what binds its ends and whose that is, how far the model can
be off, planned steps that no longer fit and the age of every input; then comes
the updated evaluation. With --record question, answer and versions are kept in
the case, where a performed step may cite them. Ranges of an uncalibrated model,
not advice to take or leave a step.

--what-if asks what would come of a change, beside the state as it is; it may be
given several times. Parts joined by commas are made together:
  ring=30, ring=FAMILY/30   a size of the site's ring table
  p2=14, a2=25              another final height, mm
  chord:STEP=18             another length of the chords of a step, mm`,
		Example: `  trigone advise so-far.json --case 'urn:example:harbour-hospital:case|MV-2026-001' --time 2026-03-02T10:40:00Z
  trigone advise so-far.json --case sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed --record --id before-ring
  trigone advise so-far.json --what-if ring=30 --what-if ring=32 --what-if ring=32,p2=14`,
		Args: exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			request := &trigonev1.EvaluatePlanRequest{Record: record, AdviceId: adviceID, RequestId: requestID}
			var err error
			if request.Time, err = instant("--time", at); err != nil {
				return err
			}
			if request.Stage, err = stageOf(stage); err != nil {
				return err
			}
			if cmd.Flags().Changed("run") {
				request.Run = &run
			}
			for _, change := range changes {
				w, err := whatIf(change)
				if err != nil {
					return err
				}
				request.WhatIfs = append(request.WhatIfs, w)
			}
			if caseName != "" {
				if request.Case, err = caseReference(caseName); err != nil {
					return err
				}
			}
			zone, err := a.zoneForServer()
			if err != nil {
				return err
			}
			if request.CaseFile, err = readCaseFile(cmd, args[0], zone); err != nil {
				return err
			}
			call := a.call
			if record {
				call = func(cmd *cobra.Command, do func(context.Context, services) error) error {
					return a.write(cmd, &request.RequestId, do)
				}
			}
			return call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.planning.EvaluatePlan(ctx, request)
				if err != nil {
					return err
				}
				if a.format == formatJSON {
					return printJSON(cmd.OutOrStdout(), answer)
				}
				out := cmd.OutOrStdout()
				render.Answer(out, answer)
				if answer.GetAdviceSection() != "" {
					fmt.Fprintf(out, "\nQuestion and answer are kept as section %s.\n", answer.GetAdviceSection())
				}
				return nil
			})
		},
	}
	f := c.Flags()
	f.StringVar(&caseName, "case", "", "the stored case that FILE is laid over (default: none)")
	f.BoolVar(&record, "record", false, "keep question, answer and versions in that case")
	f.StringVar(&adviceID, "id", "", "id of the question that is kept (default: made by the server)")
	f.StringVar(&requestID, "request-id", "", "makes a retry of a recorded question safe")
	f.StringVar(&at, "time", "", "when the question is asked, RFC 3339 (default: now)")
	f.StringVar(&stage, "stage", "", "stage at which it is asked, such as after_leaflet_work")
	f.Int32Var(&run, "run", 0, "pump run in which it is asked")
	f.StringArrayVar(&changes, "what-if", nil, "a change to be answered beside the state as it is, such as ring=30 or p2=14")
	return c
}

// whatIf reads --what-if.
func whatIf(arg string) (*trigonev1.WhatIf, error) {
	out := &trigonev1.WhatIf{}
	for part := range strings.SplitSeq(arg, ",") {
		what, value, found := strings.Cut(strings.TrimSpace(part), "=")
		family, label, inFamily := strings.Cut(value, "/")
		if !inFamily {
			family, label = "", value
		}
		n, err := strconv.ParseFloat(label, 64)
		segment := map[string]trigonev1.Segment{"a2": trigonev1.Segment_SEGMENT_A2, "p2": trigonev1.Segment_SEGMENT_P2}[what]
		step, isChord := strings.CutPrefix(what, "chord:")
		switch {
		case !found || err != nil || inFamily && what != "ring":
			return nil, usagef("--what-if %s is not understood; write ring=LABEL, ring=FAMILY/LABEL, p2=MM, a2=MM or chord:STEP=MM, joined by commas", arg)
		case what == "ring" && out.GetRing() == nil:
			out.Ring = &trigonev1.WhatIfRing{FamilyKey: family, Label: &n}
		case segment != 0:
			out.Heights = append(out.Heights, &trigonev1.WhatIfHeight{Segment: segment, Mm: &n})
		case isChord:
			out.Chords = append(out.Chords, &trigonev1.WhatIfChord{StepId: step, Mm: &n})
		default:
			return nil, usagef("--what-if %s is not understood; write ring=LABEL, ring=FAMILY/LABEL, p2=MM, a2=MM or chord:STEP=MM, joined by commas", arg)
		}
	}
	return out, nil
}

// stageOf reads --stage.
func stageOf(word string) (trigonev1.Stage, error) {
	if word == "" {
		return trigonev1.Stage_STAGE_UNSPECIFIED, nil
	}
	n, known := trigonev1.Stage_value["STAGE_"+strings.ToUpper(strings.ReplaceAll(word, "-", "_"))]
	if !known || n == 0 {
		var words []string
		for i := int32(1); trigonev1.Stage_name[i] != ""; i++ {
			words = append(words, strings.ToLower(strings.TrimPrefix(trigonev1.Stage_name[i], "STAGE_")))
		}
		return 0, usagef("--stage is one of %s", strings.Join(words, ", "))
	}
	return trigonev1.Stage(n), nil
}

func (a *app) confirmCommand() *cobra.Command {
	var reason, requestID string
	c := &cobra.Command{
		Use:   "confirm CASE FINDING",
		Short: "Confirm that the values of a contradiction are right",
		Long: `confirm tells the record that a reviewer checked the values that contradict each
other and that they are right. The finding stays, and its values are no longer
disputed. It lapses when the contradiction is no longer found. FINDING is the id
that get prints with a contradiction.`,
		Example: `  trigone confirm 'urn:example:harbour-hospital:case|MV-2026-001' e67117463197f3df --reason 'measured twice'`,
		Args:    exactly("CASE", "FINDING"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.review(cmd, args[0], reason, &requestID, func(ctx context.Context, s services, of *trigonev1.CaseReference) (reviewed, error) {
				return s.record.ConfirmFinding(ctx, &trigonev1.ConfirmFindingRequest{Case: of, FindingId: args[1], Reason: reason, RequestId: requestID})
			})
		},
	}
	reviewFlags(c, &reason, &requestID)
	return c
}

func (a *app) revokeCommand() *cobra.Command {
	var reason, requestID string
	c := &cobra.Command{
		Use:     "revoke CASE FINDING",
		Short:   "Take a confirmation back",
		Example: `  trigone revoke 'urn:example:harbour-hospital:case|MV-2026-001' e67117463197f3df --reason 'the caliper was wrong'`,
		Args:    exactly("CASE", "FINDING"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.review(cmd, args[0], reason, &requestID, func(ctx context.Context, s services, of *trigonev1.CaseReference) (reviewed, error) {
				return s.record.RevokeConfirmation(ctx, &trigonev1.RevokeConfirmationRequest{Case: of, FindingId: args[1], Reason: reason, RequestId: requestID})
			})
		},
	}
	reviewFlags(c, &reason, &requestID)
	return c
}

func reviewFlags(c *cobra.Command, reason, requestID *string) {
	c.Flags().StringVar(reason, "reason", "", "why, in words; it is kept")
	c.Flags().StringVar(requestID, "request-id", "", requestIDHelp)
}

// reviewed is the answer to a reviewer's decision on a finding.
type reviewed interface {
	GetConfirmation() *trigonev1.Confirmation
	GetCaseVersion() int64
	GetSections() []*trigonev1.SectionStatus
	GetEvaluation() *trigonev1.Evaluation
	proto.Message
}

// review makes a reviewer's decision and prints what became of it.
func (a *app) review(cmd *cobra.Command, caseArg, reason string, requestID *string, decide func(context.Context, services, *trigonev1.CaseReference) (reviewed, error)) error {
	if err := a.formats(formatTable, formatJSON); err != nil {
		return err
	}
	if reason == "" {
		return usagef("%s needs --reason", cmd.CommandPath())
	}
	of, err := caseReference(caseArg)
	if err != nil {
		return err
	}
	return a.write(cmd, requestID, func(ctx context.Context, s services) error {
		answer, err := decide(ctx, s, of)
		if err != nil {
			return err
		}
		if a.format == formatJSON {
			return printJSON(cmd.OutOrStdout(), answer)
		}
		render.Confirmed(cmd.OutOrStdout(), answer.GetConfirmation(), answer.GetCaseVersion(), answer.GetSections(), answer.GetEvaluation())
		return nil
	})
}

func (a *app) againCommand() *cobra.Command {
	request := &trigonev1.EvaluateAgainRequest{}
	c := &cobra.Command{
		Use:   "again CASE",
		Short: "Evaluate a case again, under an earlier rule set or policy",
		Long: `again evaluates the sections of a stored evaluation under the rule set and policy
that are named and says how faithful the result is, and which findings it has
that the stored one has not. Nothing is stored.`,
		Example: `  trigone again 'urn:example:harbour-hospital:case|MV-2026-001' --rules 1
  trigone again 'urn:example:harbour-hospital:case|MV-2026-001' --evaluation 2`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			var err error
			if request.Case, err = caseReference(args[0]); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.record.EvaluateAgain(ctx, request)
				if err != nil {
					return err
				}
				if a.format == formatJSON {
					return printJSON(cmd.OutOrStdout(), answer)
				}
				render.Again(cmd.OutOrStdout(), answer)
				return nil
			})
		},
	}
	f := c.Flags()
	f.StringVar(&request.RuleSetVersion, "rules", "", "version of the rule set (default: the present one)")
	f.StringVar(&request.PolicyHash, "policy-hash", "", "hash of a policy under which this site evaluated before (default: the one in force)")
	f.Int64Var(&request.Evaluation, "evaluation", 0, "number of the stored evaluation whose sections are read (default: the heads)")
	return c
}
