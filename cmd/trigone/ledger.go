package main

import (
	"context"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casefile"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// caseFilter is what the flags of every list over cases select.
type caseFilter struct {
	caseArg, from, before, basis string
	timings                      []string
}

func (f *caseFilter) flags(c *cobra.Command) {
	c.Flags().StringVar(&f.caseArg, "case", "", "only of this case: a name, or SYSTEM|VALUE")
	f.periodFlags(c)
}

// periodFlags are those of figures, which are of no single case.
func (f *caseFilter) periodFlags(c *cobra.Command) {
	f.spanFlags(c)
	c.Flags().StringArrayVar(&f.timings, "plan-timing", nil, "only with this timing of the plan, such as prospective; may be repeated")
}

// spanFlags are those of figures that ask for no plan.
func (f *caseFilter) spanFlags(c *cobra.Command) {
	c.Flags().StringVar(&f.from, "from", "", "only with incision at or after this date or time")
	c.Flags().StringVar(&f.before, "before", "", "only with incision before this date or time")
	c.Flags().StringVar(&f.basis, "basis", "stored", basisUsage)
}

const basisUsage = "stored: as answered when a case was last written; restated: as trigoned restate judged it again"

type selectedCases struct {
	reference    *trigonev1.CaseReference
	basis        trigonev1.Basis
	from, before *timestamppb.Timestamp
	timings      []trigonev1.PlanTiming
}

func (f caseFilter) selected() (out selectedCases, err error) {
	if f.caseArg != "" {
		if out.reference, err = caseReference(f.caseArg); err != nil {
			return out, err
		}
	}
	if out.from, err = instant("--from", f.from); err != nil {
		return out, err
	}
	if out.before, err = instant("--before", f.before); err != nil {
		return out, err
	}
	basis, err := enumValue("--basis", f.basis, out.basis.Descriptor(), "BASIS_")
	if err != nil {
		return out, err
	}
	out.basis = trigonev1.Basis(basis)
	out.timings, err = enumValues[trigonev1.PlanTiming]("--plan-timing", f.timings, "PLAN_TIMING_")
	return out, err
}

// enumValues reads words of one enum.
func enumValues[E interface {
	~int32
	protoreflect.Enum
}](flag string, words []string, lead string) ([]E, error) {
	var list []E
	for _, word := range words {
		v, err := enumValue(flag, word, E(0).Descriptor(), lead)
		if err != nil {
			return nil, err
		}
		list = append(list, E(v))
	}
	return list, nil
}

func (a *app) comparisonsCommand() *cobra.Command {
	var filter caseFilter
	var groups, kinds, classes, metrics, places, verdicts []string
	var roots bool
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "comparisons",
		Short: "List what was held against what, agreement included",
		Long: `comparisons lists every comparison of plan, prediction and limit with what was done
and found: those that agree too, those that differ, those that nobody can tell and
those that could not be made. Behind the list it says how many of the things planned
came as planned. A difference is no error and carries no blame.`,
		Example: `  trigone comparisons --verdict agrees
  trigone comparisons --kind prediction_from_plan --plan-timing prospective
  trigone comparisons --case 'urn:example:harbour-hospital:case|MV-2026-002'
  trigone comparisons --format csv > comparisons.csv`,
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
			request := &trigonev1.ListComparisonsRequest{
				Case: cases.reference, Classes: classes, Metrics: metrics, Places: places, RootsOnly: roots, PlanTimings: cases.timings,
				IncisionFrom: cases.from, IncisionBefore: cases.before, PageSize: pageSize, IncludeCounts: true,
				Basis: cases.basis,
			}
			if request.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.Kinds, err = enumValues[trigonev1.ComparisonKind]("--kind", kinds, "COMPARISON_KIND_"); err != nil {
				return err
			}
			if request.Verdicts, err = enumValues[trigonev1.ComparisonVerdict]("--verdict", verdicts, "COMPARISON_VERDICT_"); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListComparisonsResponse{}
				for {
					page, err := s.audit.ListComparisons(ctx, request)
					if err != nil {
						return err
					}
					if whole.Counts == nil {
						whole.Counts = page.GetCounts()
					}
					whole.Basis, whole.Invented = page.GetBasis(), page.GetInvented()
					whole.Comparisons = append(whole.Comparisons, page.GetComparisons()...)
					if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return sheet.write(cmd.OutOrStdout(), render.Sheet{Basis: whole.GetBasis(), Invented: whole.GetInvented()},
						func(w io.Writer, s render.Sheet) error { return render.ComparisonsCSV(w, whole.GetComparisons(), s) }, render.ComparisonsDictionary)
				}
				render.Invented(cmd.OutOrStdout(), whole.GetInvented())
				render.Basis(cmd.OutOrStdout(), whole.GetBasis())
				render.Comparisons(cmd.OutOrStdout(), whole.GetComparisons(), whole.GetCounts())
				return nil
			})
		},
	}
	filter.flags(c)
	sheet.flags(c, true)
	f := c.Flags()
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringArrayVar(&kinds, "kind", nil, "only this kind, such as step_dimension or prediction_from_plan; may be repeated")
	f.StringArrayVar(&classes, "class", nil, "only this class of differences, such as ring_size; may be repeated")
	f.StringArrayVar(&metrics, "metric", nil, "only this metric, leaf or compared parameter, by id; may be repeated")
	f.StringArrayVar(&places, "place", nil, "only at this place, such as p2 or a2_p2; may be repeated")
	f.StringArrayVar(&verdicts, "verdict", nil, "only this verdict: agrees, present, indeterminate, not_evaluable or not_applicable; may be repeated")
	f.BoolVar(&roots, "roots", false, "only primary differences, without what stands under them")
	return c
}

func (a *app) factsCommand() *cobra.Command {
	var filter caseFilter
	var groups []string
	var rows string
	var sheet sheetFlags
	var erased bool
	c := &cobra.Command{
		Use:   "facts",
		Short: "List what cases have to say to whoever counts them",
		Long: `facts lists the facts of every case: when, by what approach, what was planned and
done, how it came, what became of the patient. They name nobody and are personal data
all the same. In CSV, --rows chooses the rows: the cases, or what a case may have
several of.`,
		Example: `  trigone facts
  trigone facts --group technique=leaflet_resection,sliding_plasty --group urgency=elective
  trigone facts --format csv > cases.csv
  trigone facts --format csv --rows echoes > echoes.csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			if !slices.Contains(render.FactRows, rows) {
				return usagef("--rows does not know %q; use one of %s", rows, strings.Join(render.FactRows, ", "))
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			request := &trigonev1.ListCaseFactsRequest{
				Case: cases.reference, PlanTimings: cases.timings, IncisionFrom: cases.from, IncisionBefore: cases.before, PageSize: pageSize,
				Basis: cases.basis, IncludeErased: erased,
			}
			if request.Groups, err = factFilters(groups); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListCaseFactsResponse{}
				for {
					page, err := s.audit.ListCaseFacts(ctx, request)
					if err != nil {
						return err
					}
					whole.Basis, whole.Invented = page.GetBasis(), page.GetInvented()
					whole.Facts = append(whole.Facts, page.GetFacts()...)
					if request.GetPageToken() == "" {
						whole.Erased, whole.ErasedCaseCount = page.GetErased(), page.GetErasedCaseCount()
					}
					if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return sheet.write(cmd.OutOrStdout(), render.Sheet{Basis: whole.GetBasis(), Invented: whole.GetInvented()},
						func(w io.Writer, s render.Sheet) error { return render.FactsCSV(w, whole.GetFacts(), rows, s) },
						func(w io.Writer, s render.Sheet) error { return render.FactsDictionary(w, rows, s, casefile.Meaning) })
				}
				render.Invented(cmd.OutOrStdout(), whole.GetInvented())
				render.Basis(cmd.OutOrStdout(), whole.GetBasis())
				render.Facts(cmd.OutOrStdout(), whole.GetFacts())
				if erased {
					render.ErasedFacts(cmd.OutOrStdout(), whole.GetErased(), whole.GetErasedCaseCount())
				}
				return nil
			})
		},
	}
	filter.flags(c)
	sheet.flags(c, false)
	c.Flags().BoolVar(&erased, "erased", false, "tell too, as a table or JSON, how many cases were erased and what was kept of them")
	c.Flags().StringArrayVar(&groups, "group", nil, groupUsage)
	c.Flags().StringVar(&rows, "rows", render.FactRows[0], "in CSV: "+strings.Join(render.FactRows, ", "))
	return c
}
