package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) implantsCommand() *cobra.Command {
	request := &trigonev1.FindImplantsRequest{}
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "implants",
		Short: "Find in whom an implant is, for a recall",
		Long: `implants finds in whom an implant is: by any of maker, model, size, lot and serial
number; what is given must hold. It says whether each is still in place as far as the
record tells. What was opened and not put in, and a sizer, is no implant. What no record
names is not found: the list does not replace the implant book.`,
		Example: `  trigone implants --lot LOT-260127-1
  trigone implants --maker 'Example Valve Works' --model 'Invented ring A' --format csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			if request.GetMaker()+request.GetModel()+request.GetSize()+request.GetLotNumber()+request.GetSerialNumber() == "" {
				return usagef("say what is looked for: --maker, --model, --size, --lot or --serial")
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.FindImplantsResponse{}
				request.PageSize = pageSize
				for {
					page, err := s.audit.FindImplants(ctx, request)
					if err != nil {
						return err
					}
					whole.Implants, whole.ErasedCaseCount = append(whole.GetImplants(), page.GetImplants()...), page.GetErasedCaseCount()
					whole.Invented = page.GetInvented()
					if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
						break
					}
				}
				switch a.format {
				case formatJSON:
					return printJSON(cmd.OutOrStdout(), whole)
				case formatCSV:
					return sheet.write(cmd.OutOrStdout(), render.Sheet{Invented: whole.GetInvented()},
						func(w io.Writer, s render.Sheet) error { return render.ImplantsCSV(w, whole.GetImplants(), s) }, render.ImplantsDictionary)
				}
				render.Invented(cmd.OutOrStdout(), whole.GetInvented())
				render.Implants(cmd.OutOrStdout(), whole.GetImplants(), whole.GetErasedCaseCount())
				return nil
			})
		},
	}
	sheet.flags(c, false)
	f := c.Flags()
	f.StringVar(&request.Maker, "maker", "", "who made it, as on the label")
	f.StringVar(&request.Model, "model", "", "model or reference number")
	f.StringVar(&request.Size, "size", "", "size, as on the label")
	f.StringVar(&request.LotNumber, "lot", "", "lot number")
	f.StringVar(&request.SerialNumber, "serial", "", "serial number")
	return c
}
