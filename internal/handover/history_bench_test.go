package handover

import (
	"strconv"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// revised stores a case of so many revisions of one result.
func (f fixture) revised(n, revisions int) (name string, submit func()) {
	f.Helper()
	name = f.store1(n)
	given := numbered(f, "core-only", n).GetResults()[0]
	section, tag := "result/"+given.GetId(), "1"
	turn := 0
	submit = func() {
		turn++
		result := proto.Clone(given).(*trigonev1.Result)
		*result.Study.Gradient.MeanGradient.Mmhg += float64(turn%20) / 10
		resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{
			CaseName: name,
			CaseFile: &trigonev1.CaseFile{
				ExternalIdentifier: numbered(f, "core-only", n).GetExternalIdentifier(), PatientIdentifier: numbered(f, "core-only", n).GetPatientIdentifier(),
				Results: []*trigonev1.Result{result},
			},
			Conditions: []*trigonev1.SectionCondition{{Section: section, Expected: &trigonev1.SectionCondition_Etag{Etag: tag}}},
		})
		if err != nil {
			f.Fatal(err)
		}
		tag = resp.GetSections()[0].GetEtag()
	}
	for range revisions {
		submit()
	}
	return name, submit
}

// BenchmarkLongHistory asks for the bundle, the note and the case of 300 revisions, and
// submits to it, in turns with the same of 10; it prints how many times longer the
// fastest took. Promised: 2.
func BenchmarkLongHistory(b *testing.B) {
	const short, long, turns = 10, 300, 15
	f := newFixture(b)
	few, submitFew := f.revised(1, short)
	many, submitMany := f.revised(2, long)
	call := func(name string, do func(*trigonev1.CaseReference) error) func() {
		return func() {
			if err := do(&trigonev1.CaseReference{Name: name}); err != nil {
				b.Fatal(err)
			}
		}
	}
	bundle := func(c *trigonev1.CaseReference) error {
		_, err := f.desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: c})
		return err
	}
	note := func(c *trigonev1.CaseReference) error {
		_, err := f.desk.GetOperativeNote(f.ctx, caller, &trigonev1.GetOperativeNoteRequest{Case: c})
		return err
	}
	get := func(c *trigonev1.CaseReference) error {
		_, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: c})
		return err
	}
	revisions := func(c *trigonev1.CaseReference) error {
		_, err := f.book.ListRevisions(f.ctx, caller, &trigonev1.ListRevisionsRequest{Case: c, PageSize: short})
		return err
	}
	for _, bench := range []struct {
		name      string
		few, many func()
	}{
		{"bundle", call(few, bundle), call(many, bundle)},
		{"note", call(few, note), call(many, note)},
		{"case", call(few, get), call(many, get)},
		{"revisions", call(few, revisions), call(many, revisions)},
		{"submit", submitFew, submitMany},
	} {
		b.Run(bench.name+"/"+strconv.Itoa(long), func(b *testing.B) {
			var fastest [2]time.Duration
			for b.Loop() {
				for range turns {
					for i, do := range []func(){bench.few, bench.many} {
						begin := time.Now()
						do()
						if took := time.Since(begin); fastest[i] == 0 || took < fastest[i] {
							fastest[i] = took
						}
					}
				}
			}
			b.ReportMetric(float64(fastest[1].Microseconds()), "us")
			b.ReportMetric(float64(fastest[1])/float64(fastest[0]), "times10")
		})
	}
}
