package main

import (
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// What a request names already stays as it is; what can name no site is left alone.
func TestSiteIsNamedWhereNoneIs(t *testing.T) {
	number := &trigonev1.Identifier{System: "urn:example:harbour-hospital:case", Value: "MV-1"}
	for _, tt := range []struct {
		req, want proto.Message
		why       string
	}{
		{&trigonev1.ListCasesRequest{}, &trigonev1.ListCasesRequest{Parent: "sites/-"}, "a list has a parent"},
		{&trigonev1.ListCasesRequest{Parent: "sites/bay"}, &trigonev1.ListCasesRequest{Parent: "sites/bay"}, "it names one"},
		{
			&trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{ExternalIdentifier: number}},
			&trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Parent: "sites/-", ExternalIdentifier: number}}, "a case number leaves the site open",
		},
		{
			&trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: "sites/bay/cases/x"}},
			&trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: "sites/bay/cases/x"}}, "the name of a case says its site",
		},
		{&trigonev1.ListMetricsRequest{}, &trigonev1.ListMetricsRequest{}, "the catalogue is of no site"},
	} {
		nameSite(tt.req, "sites/-")
		if !proto.Equal(tt.req, tt.want) {
			t.Errorf("%s: %v", tt.why, tt.req)
		}
	}
}
