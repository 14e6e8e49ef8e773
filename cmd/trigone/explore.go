package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/progress"
	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/policy"
	"trigone/internal/private"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
)

// exploreFlags are the flags of explore.
type exploreFlags struct {
	axes     []string
	sort     string
	csv      string
	caseArg  string
	most     int
	isRemote bool
}

func (a *app) exploreCommand() *cobra.Command {
	var f exploreFlags
	c := &cobra.Command{
		Use:   "explore FILE",
		Short: "Evaluate a plan at every point of a grid over its own dimensions",
		Long: `explore varies dimensions of the plan in FILE and evaluates every variant: the
predicted contact as a range, and every rule that the variant would break. It
prints tables whose rows are the first axis and whose columns are the second, one
set of tables for each combination of further axes. No variant is called best.

An axis is WHAT=VALUES. Lengths are in mm, FROM:TO:STEP, FROM:TO in steps of
1 mm, or one number.
  p2=14:20:1              planned final height of a segment, a1 to p3, where the
                          final height is read
  p2/seam=14:20:1         the same at a station: segment_mid, seam,
                          seam_lateral_edge or seam_medial_edge
  STEP=8:14:1             of a resection of the plan, by its id: width along the
                          free edge; STEP/base or STEP/both for other edges;
                          of artificial chords: their length
  STEP/lateral=3:8:1      of a sliding plasty: advance of a side, lateral or medial
  ring=24:28:1            inner antero-posterior diameters of a complete ring in the
                          place of the planned one; STEP=... if several are planned
  ring=24x31,26x34        the same with the transverse diameter
  ring=FAMILY             every size of a family of the site's ring table;
                          FAMILY/LABEL for one, several parted by commas
A ring is one object: what is not given of it is not known, and rules that need it
cannot be judged. Without --axis the final height of P2 is varied by 3 mm to both
sides, and the planned ring: the sizes of its family in the site's ring table, or
else 2 mm to both sides of its diameter.

It works without a server and stores nothing. With --server, or --case, the
server calculates, under its own policy. Interrupted, it stops within one variant,
says how far it came, and prints and writes nothing. What variants break is shown
and changes no exit code.`,
		Example: `  trigone explore testdata/cases/triangular-complete-ring.json
  trigone explore testdata/cases/triangular-complete-ring.json --axis p2=14:20:1 --axis ring=24:27:0.5
  trigone explore case.json --axis p-resection=6:12:1 --axis p2=14:18:1 --csv variants.csv
  trigone explore case.json --sort predicted_mean_contact:desc
  trigone explore plan.json --case 'urn:example:harbour-hospital:case|MV-2026-004'`,
		Args: exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable, formatCSV); err != nil {
				return err
			}
			f.isRemote = cmd.Flags().Changed("server") || f.caseArg != ""
			return a.explore(cmd, args[0], f)
		},
	}
	flags := c.Flags()
	flags.StringArrayVar(&f.axes, "axis", nil, "WHAT=VALUES, a dimension to vary; may be repeated, the first gives the rows")
	flags.StringVar(&f.sort, "sort", "", "METRIC[@PLACE][:desc], list the variants in the order of a metric (default: by axis)")
	flags.StringVar(&f.csv, "csv", "", "also write a line for each variant to this file; -: to standard output, instead of tables")
	flags.StringVar(&f.caseArg, "case", "", "lay FILE over this case on record: a name, or SYSTEM|VALUE")
	flags.IntVar(&f.most, "max-variants", 0, "refuse a larger grid (default: 20000; at most 100000)")
	return c
}

// explorer is where variants come from: this process or a server.
type explorer struct {
	// plan is that of the file, or the one on record.
	plan     *trigonev1.Plan
	evaluate func(context.Context) (*trigonev1.Evaluation, error)
	policy   func(context.Context) (policy.Policy, error)
	explore  func(context.Context, *trigonev1.ExplorePlansRequest, func(*trigonev1.ExplorePlansResponse) error) error
}

func (a *app) explore(cmd *cobra.Command, path string, f exploreFlags) error {
	if a.format == formatCSV {
		if f.csv != "" && f.csv != "-" {
			return usagef("--csv %s and --format csv name two places; leave one of them out", f.csv)
		}
		f.csv = "-"
	}
	if f.most < 0 || f.most > math.MaxInt32 {
		return usagef("--max-variants %d is no number of variants; give 1 to 100000", f.most)
	}
	if f.isRemote && a.policy != "" {
		return usagef("--policy is for exploring without a server; with --server or --case the server's own policy holds")
	}
	axes, err := parseAxes(f.axes)
	if err != nil {
		return err
	}
	order, sortBy, err := parseOrder(f.sort)
	if err != nil {
		return err
	}
	request := &trigonev1.ExplorePlansRequest{MaxVariants: int32(f.most), SortBy: order}
	if f.caseArg != "" {
		if request.Case, err = caseReference(f.caseArg); err != nil {
			return err
		}
	}
	var clinical policy.Policy
	var zone *time.Location
	if !f.isRemote {
		if clinical, err = a.settings(); err != nil {
			return err
		}
		if zone, err = zoneOf(clinical); err != nil {
			return err
		}
	}
	if request.CaseFile, err = readCaseFile(cmd, path, zone); err != nil {
		return err
	}
	run := func(ctx context.Context, e explorer) error {
		said := axes
		first, err := e.evaluate(ctx)
		if err != nil {
			return err
		}
		if e.plan == nil {
			return inputError{fmt.Errorf("%s has no plan, and what is varied are the dimensions of a plan; add one, or name a case with a plan by --case", path)}
		}
		if len(said) == 0 {
			if said, err = defaultAxes(ctx, e, first); err != nil {
				return err
			}
		}
		for _, s := range said {
			axis, err := s.resolve(e.plan)
			if err != nil {
				return err
			}
			request.Axes = append(request.Axes, axis)
		}
		x := render.NewExploration(first, sortBy)
		if err := gather(ctx, cmd.ErrOrStderr(), x, e, request); err != nil {
			return named(err, said, f.sort)
		}
		return printExploration(cmd.OutOrStdout(), x, f.csv)
	}
	if f.isRemote {
		return a.callWithin(cmd, 0, func(ctx context.Context, s services) error {
			e, err := remoteExplorer(ctx, s, request)
			if err != nil {
				return err
			}
			return run(ctx, e)
		})
	}
	return run(cmd.Context(), localExplorer(clinical, request.GetCaseFile()))
}

func localExplorer(clinical policy.Policy, file *trigonev1.CaseFile) explorer {
	return explorer{
		plan: file.GetPlan(),
		evaluate: func(context.Context) (*trigonev1.Evaluation, error) {
			return casebook.EvaluateFile(clinical, file, server.Version())
		},
		policy: func(context.Context) (policy.Policy, error) { return clinical, nil },
		explore: func(ctx context.Context, r *trigonev1.ExplorePlansRequest, take func(*trigonev1.ExplorePlansResponse) error) error {
			return casebook.ExploreFile(ctx, clinical, r, server.Version(), take)
		},
	}
}

func remoteExplorer(ctx context.Context, s services, r *trigonev1.ExplorePlansRequest) (explorer, error) {
	e := explorer{
		plan: r.GetCaseFile().GetPlan(),
		evaluate: func(ctx context.Context) (*trigonev1.Evaluation, error) {
			answer, err := s.planning.EvaluatePlan(ctx, &trigonev1.EvaluatePlanRequest{CaseFile: r.GetCaseFile(), Case: r.GetCase()})
			return answer.GetEvaluation(), err
		},
		policy: func(ctx context.Context) (policy.Policy, error) {
			answer, err := s.reference.GetPolicy(ctx, &trigonev1.GetPolicyRequest{})
			if err != nil {
				return policy.Policy{}, err
			}
			return policy.Parse("the server's policy", []byte(answer.GetText()), fhirmap.Terms{})
		},
		explore: func(ctx context.Context, r *trigonev1.ExplorePlansRequest, take func(*trigonev1.ExplorePlansResponse) error) error {
			stream, err := s.planning.ExplorePlans(ctx, r)
			if err != nil {
				return err
			}
			for {
				answer, err := stream.Recv()
				if errors.Is(err, io.EOF) {
					return nil
				}
				if err != nil {
					return err
				}
				if err := take(answer); err != nil {
					return err
				}
			}
		},
	}
	if e.plan == nil && r.GetCase() != nil {
		answer, err := s.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: r.GetCase()})
		if err != nil {
			return e, err
		}
		e.plan = answer.GetCase().GetCaseFile().GetPlan()
	}
	return e, nil
}

// gather takes every answer. Progress is told on a terminal only.
func gather(ctx context.Context, stderr io.Writer, x *render.Exploration, e explorer, r *trigonev1.ExplorePlansRequest) error {
	told, stop := func(int, int) {}, func(error) {}
	if isTerminal(stderr) {
		told, stop = progressBar(stderr)
	}
	err := e.explore(ctx, r, func(answer *trigonev1.ExplorePlansResponse) error {
		x.Take(answer)
		told(x.Progress())
		return nil
	})
	stop(err)
	if err == nil {
		return nil
	}
	if ctx.Err() == nil && status.Code(err) != codes.Canceled {
		return err
	}
	if done, total := x.Progress(); total > 0 {
		return fmt.Errorf("stopped after %d of %d variants; nothing was printed or written", done, total)
	}
	return errors.New("stopped before the first variant; nothing was printed or written")
}

// isTerminal says whether somebody looks at what is written.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// progressBar tells progress on one line until stop, after which it writes no more.
func progressBar(w io.Writer) (told func(done, total int), stop func(error)) {
	bar := progress.NewWriter()
	bar.SetOutputWriter(w)
	bar.SetAutoStop(true)
	bar.SetStyle(progress.StyleBlocks)
	bar.SetUpdateFrequency(100 * time.Millisecond)
	tracker := &progress.Tracker{Message: "variants"}
	bar.AppendTracker(tracker)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		bar.Render()
	}()
	all := 0
	told = func(done, total int) {
		all = total
		tracker.UpdateTotal(int64(total))
		tracker.SetValue(int64(min(done, total-1))) // stop says when it is done
	}
	return told, func(err error) {
		if err != nil {
			tracker.MarkAsErrored()
		} else {
			tracker.SetValue(int64(all))
			tracker.MarkAsDone()
		}
		<-ended
	}
}

func printExploration(stdout io.Writer, x *render.Exploration, path string) error {
	if path == "-" {
		return x.CSV(stdout)
	}
	x.Print(stdout)
	if path == "" {
		return nil
	}
	out, err := private.Create(path)
	if err != nil {
		return fmt.Errorf("write the variants: %w", err)
	}
	if err := errors.Join(x.CSV(out), out.Close()); err != nil {
		return fmt.Errorf("write the variants: %w", err)
	}
	return nil
}

// named puts the flag with its value in the place of a field's path, so that a
// refusal names what the caller wrote.
func named(err error, axes []axisFlag, sort string) error {
	const message = "this cannot be explored"
	var refused *casebook.Error
	if errors.As(err, &refused) && len(refused.Violations) > 0 {
		said := *refused
		said.Message, said.Violations = message, nil
		for _, v := range refused.Violations {
			said.Violations = append(said.Violations, convert.Violation{Path: flagOf(v.Path, axes, sort), Message: inFlags(v.Message, axes)})
		}
		return &said
	}
	s, ok := status.FromError(err)
	if !ok || s.Code() != codes.InvalidArgument {
		return err
	}
	said := s.Proto()
	for i, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			v.Field, v.Description = flagOf(v.GetField(), axes, sort), inFlags(v.GetDescription(), axes)
		}
		if err := said.GetDetails()[i].MarshalFrom(bad); err != nil {
			return s.Err()
		}
		said.Message = message
	}
	return status.FromProto(said).Err()
}

// axisPath is the path of an axis in the request, with the field in it.
var axisPath = regexp.MustCompile(`axes\[(\d+)\](?:[a-z_.]*\.([a-z_]+)(?:\[\d+\])?)?`)

// flagOf gives the flag that a path of the request comes from.
func flagOf(path string, axes []axisFlag, sort string) string {
	field, inSort := strings.CutPrefix(path, "sort_by.")
	switch {
	case path == "axes" && len(axes) > 0:
		var all []string
		for _, a := range axes {
			all = append(all, "--axis "+a.text)
		}
		return strings.Join(all, " ")
	case path == "max_variants":
		return "--max-variants"
	case inSort:
		return "--sort " + sort + ", " + field
	}
	return axisFlags(path, axes)
}

// inFlags puts flags into a message in the place of fields of the request.
func inFlags(message string, axes []axisFlag) string {
	return strings.NewReplacer("max_variants", "--max-variants", "ListMetrics", "trigone metrics").Replace(axisFlags(message, axes))
}

func axisFlags(s string, axes []axisFlag) string {
	return axisPath.ReplaceAllStringFunc(s, func(found string) string {
		part := axisPath.FindStringSubmatch(found)
		i, err := strconv.Atoi(part[1])
		switch {
		case err != nil || i >= len(axes):
			return found
		case part[2] != "":
			return "--axis " + axes[i].text + ", " + part[2]
		}
		return "--axis " + axes[i].text
	})
}
