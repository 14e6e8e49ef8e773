package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/draw"
	"trigone/internal/picture"
	"trigone/internal/private"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
)

// allDrawings asks for every drawing.
const allDrawings = "all"

func (a *app) drawCommand() *cobra.Command {
	var out string
	var what []string
	var clock bool
	c := &cobra.Command{
		Use:   "draw CASE|FILE --what NAME --out FILE.svg",
		Short: "Draw a case, as SVG",
		Long:  drawLong(),
		Example: `  trigone draw case.json --what strip --out strip.svg
  trigone draw case.json --what all --out drawings
  trigone draw 'urn:example:harbour-hospital:case|MV-2026-009' --what slice --out -`,
		Args: exactly("CASE or FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable); err != nil {
				return usagef("draw writes SVG; leave --format out")
			}
			list, err := drawingsNamed(what)
			if err != nil {
				return err
			}
			var pictures []picture.Picture
			if out == "" || out == "-" && len(list) > 1 {
				return usagef("--out names the file to write to, - for standard output, or for several drawings the folder")
			}
			subject, err := a.subject(cmd, args[0])
			if err != nil {
				return err
			}
			subject.Clock = clock
			for _, name := range list {
				if name == draw.NameWindow {
					variation, err := a.variation(cmd, args[0])
					if err != nil {
						return err
					}
					pictures = append(pictures, draw.Window(subject, variation))
				}
				for _, d := range draw.Drawings() {
					if d.Name == name {
						pictures = append(pictures, d.Of(subject))
					}
				}
			}
			if len(list) > 1 {
				if err := private.Folder(out); err != nil {
					return fmt.Errorf("make the folder for the drawings: %w", err)
				}
			}
			for _, p := range pictures {
				svg := picture.SVG(p)
				switch {
				case out == "-":
					_, err = cmd.OutOrStdout().Write(svg)
				case len(list) > 1:
					err = private.Write(filepath.Join(out, p.Name+".svg"), svg)
				default:
					err = private.Write(out, svg)
				}
				if err != nil {
					return fmt.Errorf("write the drawing: %w", err)
				}
			}
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "file to write to, - for standard output; for several drawings the folder")
	c.Flags().StringSliceVar(&what, "what", nil, "which drawings, by name, with commas between several; all: every one")
	c.Flags().BoolVar(&clock, "clock", false, "in the course, the clock's times in theatre in place of minutes from incision")
	return c
}

// windowShows says in a line what is on the window.
const windowShows = "the window: the plan's variants as a table to scale, with every rule they would break"

// drawingNames lists the drawings, in their order.
func drawingNames() []string {
	var names []string
	for _, d := range draw.Drawings() {
		names = append(names, d.Name)
	}
	return append(names, draw.NameWindow)
}

func drawLong() string {
	text := `draw makes drawings of a case on record, or of a case file without a server, from
what is recorded and what its evaluation says:

`
	for _, d := range draw.Drawings() {
		text += fmt.Sprintf("  %-8s %s\n", d.Name, d.Shows)
	}
	return text + fmt.Sprintf("  %-8s %s\n", draw.NameWindow, windowShows) + `
What was not measured is not drawn, and the drawing says so. No drawing holds an
identifier, a date or a text that somebody typed. The window varies the height of P2
by 3 mm to both sides, and the ring through the sizes of its family in the site's
ring table.`
}

// drawingsNamed gives the names asked for, in their order.
func drawingsNamed(names []string) ([]string, error) {
	all := drawingNames()
	for _, n := range names {
		if n != allDrawings && !slices.Contains(all, n) {
			return nil, usagef("there is no drawing %q; use %s or %s", n, strings.Join(all, ", "), allDrawings)
		}
	}
	if len(names) == 0 {
		return nil, usagef("--what says which drawing: %s or %s", strings.Join(all, ", "), allDrawings)
	}
	return slices.DeleteFunc(all, func(name string) bool {
		return !slices.Contains(names, name) && !slices.Contains(names, allDrawings)
	}), nil
}

// variation explores what the window shows, by this process or by the server; a plan
// that gives nothing to vary has none.
func (a *app) variation(cmd *cobra.Command, arg string) (v draw.Variation, err error) {
	run := func(ctx context.Context, e explorer, request *trigonev1.ExplorePlansRequest) error {
		first, err := e.evaluate(ctx)
		if err != nil || e.plan == nil {
			return err
		}
		clinical, err := e.policy(ctx)
		if err != nil {
			return err
		}
		request.Axes = convert.WindowAxes(e.plan, first, func(family string) bool { return len(clinical.Settings.RingFamily(family)) > 0 })
		if len(request.Axes) == 0 {
			return nil
		}
		request.Metrics = convert.WindowMetrics(first)
		var basis *trigonev1.ExplorationBasis
		var variants []*trigonev1.PlanVariant
		if err := e.explore(ctx, request, func(answer *trigonev1.ExplorePlansResponse) error {
			if answer.GetBasis() != nil {
				basis = answer.GetBasis()
			}
			if answer.GetVariant() != nil {
				variants = append(variants, answer.GetVariant())
			}
			return nil
		}); err != nil {
			return err
		}
		v = convert.DrawnVariation(basis, variants)
		return nil
	}
	if isCase(arg) {
		reference, err := caseReference(arg)
		if err != nil {
			return v, err
		}
		return v, a.call(cmd, func(ctx context.Context, s services) error {
			request := &trigonev1.ExplorePlansRequest{Case: reference}
			e, err := remoteExplorer(ctx, s, request)
			if err != nil {
				return err
			}
			return run(ctx, e, request)
		})
	}
	clinical, err := a.settings()
	if err != nil {
		return v, err
	}
	zone, err := zoneOf(clinical)
	if err != nil {
		return v, err
	}
	file, err := readCaseFile(cmd, arg, zone)
	if err != nil {
		return v, err
	}
	return v, run(cmd.Context(), localExplorer(clinical, file), &trigonev1.ExplorePlansRequest{CaseFile: file})
}

// subject gives what is drawn of CASE, or of FILE without a server.
func (a *app) subject(cmd *cobra.Command, arg string) (draw.Subject, error) {
	if isCase(arg) {
		return a.subjectOnRecord(cmd, arg)
	}
	clinical, err := a.settings()
	if err != nil {
		return draw.Subject{}, err
	}
	zone, err := zoneOf(clinical)
	if err != nil {
		return draw.Subject{}, err
	}
	file, err := readCaseFile(cmd, arg, zone)
	if err != nil {
		return draw.Subject{}, err
	}
	e, err := casebook.EvaluateFile(clinical, file, server.Version())
	if err != nil {
		return draw.Subject{}, err
	}
	subject := convert.Drawn(convert.RecordOf(file), e)
	subject.Zone = zone
	return subject, nil
}

// subjectOnRecord reads a case with its newest evaluation and the revisions of its
// plan, which a drawing tells of.
func (a *app) subjectOnRecord(cmd *cobra.Command, arg string) (draw.Subject, error) {
	reference, err := caseReference(arg)
	if err != nil {
		return draw.Subject{}, err
	}
	zone, err := a.zoneForServer()
	if err != nil {
		return draw.Subject{}, err
	}
	var subject draw.Subject
	err = a.call(cmd, func(ctx context.Context, s services) error {
		answer, err := s.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: reference})
		if err != nil {
			return err
		}
		c := answer.GetCase()
		plans, err := planRevisions(ctx, s, c)
		if err != nil {
			return err
		}
		subject = convert.Drawn(convert.RecordOf(c.GetCaseFile(), plans...), c.GetEvaluation())
		subject.Zone = zone
		return nil
	})
	return subject, err
}

// planRevisions reads the revisions of the plan since it was last retracted, oldest
// first.
func planRevisions(ctx context.Context, s services, c *trigonev1.Case) ([]convert.PlanRevision, error) {
	if c.GetCaseFile().GetPlan() == nil {
		return nil, nil
	}
	var list []convert.PlanRevision
	req := &trigonev1.ListRevisionsRequest{Case: &trigonev1.CaseReference{Name: c.GetName()}, Section: convert.SectionPlan, PageSize: pageSize}
	for {
		page, err := s.record.ListRevisions(ctx, req)
		if err != nil {
			return nil, err
		}
		for _, r := range page.GetRevisions() {
			if r.GetRetraction() {
				list = nil
				continue
			}
			list = append(list, convert.PlanRevision{Revision: r.GetRevision(), Received: r.GetReceivedTime().AsTime(), Plan: r.GetContent().GetPlan()})
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			return list, nil
		}
	}
}
