package pages

import (
	"trigone/internal/convert"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

var sourcesPage = page{
	route: "/sources", name: "Sources", view: "sources.html",
	reads: trigonev1.ReferenceService_ListSources_FullMethodName,
	answer: func(*visit) (view, error) {
		var list []sourceEntry
		for _, s := range convert.Sources().GetSources() {
			list = append(list, sourceEntry{s.GetId(), s.GetCitation(), render.Word(s.GetStrength())})
		}
		return view{title: "Sources", content: list}, nil
	},
}

type sourceEntry struct{ ID, Citation, Strength string }
