package convert

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/rules"
	trigonev1 "trigone/proto/trigone/v1"
)

// The words that a rule of a site may compare with are those of the contract, all of
// them: one that is missing could not be named, one too many would never come.
func TestFactsOfSiteRulesSayTheContractsWords(t *testing.T) {
	answer := trigonev1.Answer(0)
	enums := map[string]protoreflect.Enum{
		"aetiology": trigonev1.Aetiology(0), "anterior_motion": trigonev1.AnteriorMotionState(0), "calcification": trigonev1.CalcificationExtent(0),
		"circumflex_flow_checked": answer, "converted": answer, "functional_class": trigonev1.FunctionalClass(0), "inotrope": answer,
		"lateral_wall_checked": answer, "provocation": trigonev1.Provocation(0), "regurgitation_moderate_or_more": answer,
		"rhythm": trigonev1.Rhythm(0), "sex": trigonev1.Sex(0), "tricuspid_moderate_or_more": answer, "vital_status": trigonev1.VitalStatus(0),
	}
	for _, f := range rules.SiteFacts() {
		e := enums[f.Name]
		if e == nil {
			if len(f.Words) > 0 {
				t.Errorf("%s has words and no enum of the contract", f.Name)
			}
			continue
		}
		var want []string
		values := e.Descriptor().Values()
		for i := 1; i < values.Len(); i++ { // the first is unspecified
			want = append(want, wordsOf(e).word[values.Get(i).Number()])
		}
		got := slices.Clone(f.Words)
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s says %v, the contract %v", f.Name, got, want)
		}
	}
}
