package casebook

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// A case as it is loaded says what the whole record of it says, whatever was written
// before: it is judged, presented and told to projectors alike.
func TestLoadedReadsAsWhole(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	draw := rand.New(rand.NewPCG(3, 4))
	plan := func() string {
		return strings.Replace(planPart, "surgeon-1", fmt.Sprint("surgeon-", draw.IntN(1000)), 1)
	}
	operation := func() string {
		return fmt.Sprintf(`"operation":{"incisionTime":"2026-03-01T09:%02d:00Z"}`, draw.IntN(60))
	}
	result := func() string {
		return strings.Replace(resultPart, `"perMin":75`, fmt.Sprintf(`"perMin":%d`, 60+draw.IntN(40)), 1)
	}
	// head gives the etag of a section; empty: the case never had it.
	head := func(section string) (etag string, retracted bool) {
		for _, s := range f.get().GetSections() {
			if s.GetSection() == section {
				return s.GetEtag(), s.GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED
			}
		}
		return "", false
	}
	put := func(section, part string) {
		tag, _ := head(section)
		if tag == "" {
			f.mustSubmit(object(numberAndPatient, part))
			return
		}
		f.mustSubmit(object(numberAndPatient, part), expect(section, tag))
	}
	retract := func(section string) {
		tag, gone := head(section)
		if tag == "" || gone {
			return
		}
		req := &trigonev1.RetractSectionRequest{Case: ref(), Section: section, Etag: tag, Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR}
		if _, err := f.book.RetractSection(f.ctx, caller, req); err != nil {
			t.Fatal(err)
		}
	}
	// older is stored beside the head and does not become it.
	older := func(section, part string) {
		if _, gone := head(section); !gone {
			f.mustSubmit(object(numberAndPatient, part), sourceTime(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)))
		}
	}
	partial := 0
	for step := range 70 {
		switch draw.IntN(9) {
		case 0, 1:
			put("plan", plan())
		case 2:
			older("plan", plan())
		case 3:
			retract("plan")
		case 4, 5:
			put("operation", operation())
		case 6:
			retract("operation")
		default:
			if tag, gone := head("result/exit"); tag == "" || !gone {
				put("result/exit", result())
			}
		}
		c, err := f.book.Find(f.ctx, ref())
		if err != nil {
			t.Fatal(err)
		}
		whole, err := f.book.Whole(f.ctx, c)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(whole.Case.Sections, c.Sections) {
			t.Fatalf("step %d: the sections are kept as %+v, their revisions say %+v", step, c.Sections, whole.Case.Sections)
		}
		former := c
		former.Sections = slices.Clone(c.Sections)
		for i := range former.Sections { // as written before lines were kept
			former.Sections[i].First, former.Sections[i].Last = 0, 0
		}
		for _, of := range []storage.Case{c, former} {
			loaded, err := f.book.Load(f.ctx, of)
			if err != nil {
				t.Fatal(err)
			}
			if len(loaded.revisions) < len(whole.revisions) && len(loaded.Earlier) < len(whole.Earlier) {
				partial++
			}
			f.wantSame(step, loaded, whole)
		}
	}
	if partial < 30 {
		t.Errorf("in %d steps only some of a history was read; the test wants more", partial)
	}
}

func (f fixture) wantSame(step int, loaded, whole *Folder) {
	f.Helper()
	var cases [2]*trigonev1.Case
	var records [2]convert.Record
	var judged [2]*trigonev1.Evaluation
	var earlier [2][]*State
	now := time.Date(2026, 4, 1, 8, 0, 0, 0, time.UTC)
	for i, folder := range []*Folder{loaded, whole} {
		var err error
		if cases[i], err = f.book.Present(folder); err != nil {
			f.Fatal(err)
		}
		if records[i], err = folder.Record(); err != nil {
			f.Fatal(err)
		}
		j, err := f.book.judge(f.ctx, folder, now)
		if err != nil {
			f.Fatal(err)
		}
		judged[i] = j.message
		if step%10 != 0 {
			continue
		}
		state, err := f.book.State(f.ctx, folder)
		if err != nil {
			f.Fatal(err)
		}
		if earlier[i], err = state.Earlier(); err != nil {
			f.Fatal(err)
		}
	}
	if !proto.Equal(cases[0], cases[1]) {
		f.Errorf("step %d: the case differs:\n%v\nof the whole\n%v", step, cases[0], cases[1])
	}
	if !proto.Equal(judged[0], judged[1]) {
		f.Errorf("step %d: it is judged otherwise", step)
	}
	plans := func(r convert.Record) (list []string) {
		for _, p := range r.Plans {
			list = append(list, fmt.Sprint(p.Revision, p.Received, p.Plan.GetSigner()))
		}
		return append(list, r.OperationReceived.String(), fmt.Sprint(r.PlanRevision))
	}
	if got, want := plans(records[0]), plans(records[1]); !slices.Equal(got, want) {
		f.Errorf("step %d: plans and operation\n%q\nof the whole\n%q", step, got, want)
	}
	if len(earlier[0]) != len(earlier[1]) {
		f.Fatalf("step %d: %d earlier states, of the whole %d", step, len(earlier[0]), len(earlier[1]))
	}
	for i := range earlier[0] {
		if !proto.Equal(earlier[0][i].Message(), earlier[1][i].Message()) {
			f.Errorf("step %d: earlier state %d differs", step, i)
		}
	}
}
