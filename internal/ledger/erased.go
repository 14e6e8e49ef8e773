package ledger

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

// Cut gives what of a case may be kept when it is erased: nothing by which it, or
// somebody in it, is found.
func (Projection) Cut(before *casebook.State) ([]byte, error) {
	r := newReader(before)
	if r.operation == nil {
		return nil, nil
	}
	return marshal(cutFacts(r.facts(), r.day.Year()))
}

// cutFacts cuts the facts of a case; the year is 1 where none is recorded.
func cutFacts(f *trigonev1.CaseFacts, year int) *trigonev1.ErasedFacts {
	out := &trigonev1.ErasedFacts{
		TechniquesDone: f.GetRepair().GetTechniquesDone(), Converted: f.GetRepair().GetConverted(), Decision: f.GetRepair().GetDecision(),
		LeftTheatreAlive: f.GetOutcome().GetLeftTheatreAlive(), DiedInHospital: f.GetOutcome().GetDiedInHospital(),
		DiedWithin_30Days: f.GetOutcome().GetDiedWithin_30Days(), ReturnedToTheatre: f.GetOutcome().GetReturnedToTheatre(),
	}
	if year > 1 {
		out.Year = int32(year)
	}
	for _, word := range decade(f.GetPatient()) {
		out.AgeDecade = word
	}
	for _, e := range f.GetEchoes() {
		if e.GetStage() == trigonev1.Stage_STAGE_LEAVING_THEATRE {
			out.LeavingTheatreGrade = e.GetGrade()
		}
	}
	return out
}

// mostErased is how many are answered.
const mostErased = 5000

// withErased adds what was kept of erased cases.
func (l *Ledger) withErased(ctx context.Context, sites []string, resp *trigonev1.ListCaseFactsResponse) error {
	for _, site := range sites {
		kept, err := l.archives.Store().Remains(ctx, site, mostErased-len(resp.GetErased()))
		if err != nil {
			return err
		}
		for _, content := range kept {
			e := &trigonev1.ErasedFacts{}
			if err := proto.Unmarshal(content, e); err != nil {
				return fmt.Errorf("what was kept of an erased case cannot be read: %w", err)
			}
			resp.Erased = append(resp.Erased, e)
		}
		casebook.AccessOf(ctx).At(site).Cases(len(kept))
	}
	n, err := l.erased(ctx, sites)
	resp.ErasedCaseCount = int32(n)
	return err
}
