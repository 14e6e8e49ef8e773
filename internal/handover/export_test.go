package handover

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// exported is what one export gave.
type exported struct {
	lines  map[string]string // Type/id -> line; a later line takes the place of an earlier one
	order  []string
	counts map[string]int64
	end    *trigonev1.ExportEnd
}

// take puts one answer to the rest and says what is wrong with it.
func (x *exported) take(r *trigonev1.ExportResourcesResponse) error {
	if x.end != nil {
		return errors.New("something follows the end")
	}
	x.end = r.GetEnd()
	chunk := r.GetChunk()
	if chunk == nil {
		return nil
	}
	text, whole := strings.CutSuffix(chunk.GetNdjson(), "\n")
	lines := strings.Split(text, "\n")
	if !whole || len(lines) != int(chunk.GetCount()) || len(chunk.GetNdjson()) > chunkBytes && len(lines) > 1 {
		return fmt.Errorf("a chunk of %d bytes counts %d lines of %d", len(chunk.GetNdjson()), chunk.GetCount(), len(lines))
	}
	for _, line := range lines {
		var head struct{ ResourceType, ID string }
		if err := json.Unmarshal([]byte(line), &head); err != nil {
			return err
		}
		if head.ResourceType != chunk.GetResourceType() || strings.Contains(line, "urn:uuid:") {
			return fmt.Errorf("a line of %s among %s, or a reference that is not literal", head.ResourceType, chunk.GetResourceType())
		}
		at := head.ResourceType + "/" + head.ID
		x.lines[at] = line
		x.order = append(x.order, at)
		x.counts[head.ResourceType]++
	}
	return nil
}

func newExported() *exported {
	return &exported{lines: map[string]string{}, counts: map[string]int64{}}
}

func export1(ctx context.Context, d *Desk, since string, types ...string) (*exported, error) {
	x := newExported()
	err := d.ExportResources(ctx, caller, &trigonev1.ExportResourcesRequest{Since: since, ResourceTypes: types}, x.take)
	if err != nil {
		return nil, err
	}
	if x.end == nil {
		return nil, errors.New("there is no end")
	}
	for _, c := range x.end.GetCounts() {
		if x.counts[c.GetResourceType()] != c.GetCount() {
			return nil, fmt.Errorf("%d lines of %s, the end counts %d", x.counts[c.GetResourceType()], c.GetResourceType(), c.GetCount())
		}
	}
	if len(x.end.GetCounts()) != len(x.counts) {
		return nil, errors.New("the end does not count every type")
	}
	return x, nil
}

func (f fixture) export(since string, types ...string) *exported {
	f.Helper()
	x, err := export1(f.ctx, f.desk, since, types...)
	if err != nil {
		f.Fatal(err)
	}
	return x
}

// bundled gives the resources of the collections of all cases: what an export of
// everything must hold.
func bundled(ctx context.Context, d *Desk, store storage.Store) (map[string]string, error) {
	want := map[string]string{}
	rows, _, err := store.Cases(ctx, []string{d.archive.Policy.Settings.Site}, storage.CaseFilter{}, "", 1000)
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		bundle, err := d.GetBundle(ctx, caller, &trigonev1.GetBundleRequest{
			Case: &trigonev1.CaseReference{Name: d.archive.CaseName(row.UID)}, Form: trigonev1.BundleForm_BUNDLE_FORM_COLLECTION,
		})
		if refusal := (*casebook.Error)(nil); errors.As(err, &refusal) && refusal.Reason == casebook.ReasonNothingAccepted {
			continue
		}
		if err != nil {
			return nil, err
		}
		var whole struct {
			Entry []struct {
				FullURL  string
				Resource json.RawMessage
			}
		}
		if err := json.Unmarshal([]byte(bundle.GetBundle()), &whole); err != nil {
			return nil, err
		}
		for _, e := range whole.Entry {
			want[strings.TrimPrefix(e.FullURL, fhirmap.Base+"/")] = string(e.Resource)
		}
	}
	return want, nil
}

func (f fixture) bundled() map[string]string {
	f.Helper()
	want, err := bundled(f.ctx, f.desk, f.store)
	if err != nil {
		f.Fatal(err)
	}
	return want
}

var versionStamp = regexp.MustCompile(`"versionId":"[0-9]+","lastUpdated":"[^"]+",`)

// sameResources compares byte by byte: both ways encode alike.
func sameResources(got, want map[string]string) error {
	for at, line := range want {
		// Alone a resource states version and time of change, which a bundle leaves to
		// the receiver.
		if versionStamp.ReplaceAllString(got[at], "") != line {
			return fmt.Errorf("%s is\n%.300s\nwant\n%.300s", at, got[at], line)
		}
	}
	if len(got) != len(want) {
		return fmt.Errorf("%d resources, want %d", len(got), len(want))
	}
	return nil
}

func TestExportHoldsWhatTheBundlesHold(t *testing.T) {
	f := newFixture(t)
	if x := f.export(""); len(x.lines) != 0 || x.end.GetNextSince() == "" {
		t.Errorf("an empty record gives %d lines and the token %q", len(x.lines), x.end.GetNextSince())
	}
	for n, name := range []string{"core-only", "triangular-complete-ring"} {
		if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: numbered(t, name, n)}); err != nil {
			t.Fatal(err)
		}
	}
	changed := numbered(t, "core-only", 0)
	changed.Identity.AgeYears = proto.Int32(77)
	if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{
		CaseFile:   changed,
		Conditions: []*trigonev1.SectionCondition{{Section: "identity", Expected: &trigonev1.SectionCondition_Etag{Etag: "1"}}},
	}); err != nil {
		t.Fatal(err)
	}
	all := f.export("")
	if err := sameResources(all.lines, f.bundled()); err != nil {
		t.Error(err)
	}
	if len(all.order) != len(all.lines) {
		t.Error("a resource is on two lines though nothing was written meanwhile")
	}
	for _, typ := range fhirmap.ResourceTypes() {
		only := f.export("", typ, typ)
		for at := range only.lines {
			if !strings.HasPrefix(at, typ+"/") {
				t.Errorf("%s was not asked for", at)
			}
		}
		if only.counts[typ] != all.counts[typ] {
			t.Errorf("%d of %d %s", only.counts[typ], all.counts[typ], typ)
		}
	}
}

func TestExportSinceHoldsOnlyWhatChanged(t *testing.T) {
	f := newFixture(t)
	first, second := f.store1(1), f.store1(2)
	one := f.export("")
	if again := f.export(one.end.GetNextSince()); len(again.lines) != 0 || again.end.GetNextSince() != one.end.GetNextSince() {
		t.Errorf("nothing changed, and %d lines came", len(again.lines))
	}
	third := f.store1(3)
	if _, err := f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{
		Case: &trigonev1.CaseReference{Name: first}, Reason: trigonev1.RetractionReason_RETRACTION_REASON_WRONG_PATIENT, CaseVersion: 1,
	}); err != nil {
		t.Fatal(err)
	}
	two := f.export(one.end.GetNextSince())
	if len(two.lines) == 0 || two.end.GetNextSince() == one.end.GetNextSince() {
		t.Fatal("what changed is not there")
	}
	uid := func(name string) string { return name[strings.LastIndex(name, "/")+1:] }
	seen := map[string]int{}
	for at, line := range two.lines {
		for _, name := range []string{first, second, third} {
			if strings.Contains(line, uid(name)) {
				seen[name]++
			}
		}
		// Provenance is only ever added, and software is no error: both stay.
		stays := strings.HasPrefix(at, "Provenance/") || strings.Contains(line, `"code":"software"`)
		if strings.Contains(line, uid(first)) && !stays && !strings.Contains(line, `tatus":"entered-in-error"`) {
			t.Errorf("%s of the retracted case is not entered in error", at)
		}
	}
	if seen[first] == 0 || seen[second] != 0 || seen[third] == 0 {
		t.Errorf("lines of the retracted, the untouched and the new case: %d, %d, %d", seen[first], seen[second], seen[third])
	}
	union := one.lines
	for at, line := range two.lines {
		union[at] = line
	}
	if err := sameResources(union, f.bundled()); err != nil {
		t.Error(err)
	}
}

func TestExportTokens(t *testing.T) {
	f := newFixture(t)
	f.store1(1)
	token := f.export("").end.GetNextSince()
	tests := []struct {
		name   string // why this row
		since  string
		types  []string
		reason string
	}{
		{"a token of an export of all types would skip what it passed over", f.export("", "Device").end.GetNextSince(), nil, casebook.ReasonViolations},
		{"and the other way round", token, []string{"Device"}, casebook.ReasonViolations},
		{"no token at all", "tomorrow", nil, casebook.ReasonViolations},
		{"a type that nobody makes", "", []string{"Device", "Patient"}, casebook.ReasonViolations},
	}
	for _, tt := range tests {
		_, err := export1(f.ctx, f.desk, tt.since, tt.types...)
		if refusal := (*casebook.Error)(nil); !errors.As(err, &refusal) || refusal.Reason != tt.reason {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := export1(f.ctx, f.desk, "", "Patient"); err == nil || !strings.Contains(fmt.Sprint(err), "Observation") {
		t.Errorf("the refusal does not list the types: %v", err)
	}

	// Another record under the same secret: the change that the token names is not
	// the one that stands there.
	f.store1(2)
	later := f.export("").end.GetNextSince()
	secret, err := f.store.Secret(f.ctx)
	if err != nil {
		t.Fatal(err)
	}
	other := newFixtureOn(t, sameSecret{openStore(t), secret})
	other.store1(9)
	for _, since := range []string{token, later} {
		_, err := export1(other.ctx, other.desk, since)
		if refusal := (*casebook.Error)(nil); !errors.As(err, &refusal) || refusal.Reason != casebook.ReasonOtherRecord {
			t.Errorf("a record set back is not noticed: %v", err)
		}
	}
}

// A write that commits while the export runs is in this export or in the next, and
// the export is not one of a state that never was.
func TestExportMeetsALateCommit(t *testing.T) {
	f := newFixture(t)
	for n := range 3 {
		f.store1(n)
	}
	late := []func(){
		func() { f.store1(10) },
		func() { // a second version of a case that was on the way
			file := numbered(t, "core-only", 2)
			file.Identity.AgeYears = proto.Int32(77)
			if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{
				CaseFile:   &trigonev1.CaseFile{ExternalIdentifier: file.ExternalIdentifier, PatientIdentifier: file.PatientIdentifier, Identity: file.Identity},
				Conditions: []*trigonev1.SectionCondition{{Section: "identity", Expected: &trigonev1.SectionCondition_Etag{Etag: "1"}}},
			}); err != nil {
				t.Fatal(err)
			}
		},
	}
	x := newExported()
	err := f.desk.ExportResources(f.ctx, caller, &trigonev1.ExportResourcesRequest{}, func(r *trigonev1.ExportResourcesResponse) error {
		if len(late) > 0 && r.GetProgress() != nil {
			late[0]()
			late = late[1:]
		}
		return x.take(r)
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(late) > 0 {
		t.Fatal("the export told too little of its progress for this test")
	}
	next := f.export(x.end.GetNextSince())
	for at, line := range next.lines {
		x.lines[at] = line
	}
	if err := sameResources(x.lines, f.bundled()); err != nil {
		t.Error(err)
	}
}

func TestExportIsCancelled(t *testing.T) {
	f := newFixture(t)
	for n := range 3 {
		f.store1(n)
	}
	ctx, cancel := context.WithCancel(f.ctx)
	answers := 0
	err := f.desk.ExportResources(ctx, caller, &trigonev1.ExportResourcesRequest{}, func(*trigonev1.ExportResourcesResponse) error {
		answers++
		cancel()
		return nil
	})
	if !errors.Is(err, context.Canceled) || answers != 1 {
		t.Errorf("%v after %d answers", err, answers)
	}
	gone := errors.New("the receiver is gone")
	err = f.desk.ExportResources(f.ctx, caller, &trigonev1.ExportResourcesRequest{}, func(*trigonev1.ExportResourcesResponse) error { return gone })
	if !errors.Is(err, gone) {
		t.Errorf("%v", err)
	}
}

// Whatever is submitted while exports run, one after the other: their union is the
// record once the writers have ended and one more export has run.
func TestExportsBesideWritersMissNothing(t *testing.T) {
	for round := range 12 {
		random := rand.New(rand.NewPCG(uint64(round), 1))
		ctx := t.Context()
		f := newFixture(t)
		writers, cases := 1+random.IntN(3), 1+random.IntN(4)
		var ages [][]int32
		for range writers {
			var list []int32
			for range 1 + random.IntN(8) {
				list = append(list, 18+random.Int32N(70))
			}
			ages = append(ages, list)
		}
		var running sync.WaitGroup
		failed := make(chan error, writers)
		for w := range writers {
			running.Go(func() {
				for i, age := range ages[w] {
					file := numbered(t, "core-only", 100*w+i%cases)
					file.Identity.AgeYears = proto.Int32(age)
					if i >= cases {
						file = &trigonev1.CaseFile{ExternalIdentifier: file.ExternalIdentifier, PatientIdentifier: file.PatientIdentifier, Identity: file.Identity}
					}
					req := &trigonev1.SubmitCaseRequest{CaseFile: file}
					if i >= cases {
						c, err := f.book.GetCase(ctx, caller, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{ExternalIdentifier: file.ExternalIdentifier}})
						if err != nil {
							failed <- err
							return
						}
						req.Conditions = []*trigonev1.SectionCondition{{
							Section: "identity", Expected: &trigonev1.SectionCondition_Etag{Etag: c.GetCase().GetSections()[0].GetEtag()},
						}}
					}
					if _, err := f.book.SubmitCase(ctx, caller, req); err != nil {
						failed <- err
						return
					}
				}
			})
		}
		done := make(chan struct{})
		go func() { running.Wait(); close(done) }()
		union, since := map[string]string{}, ""
		step := func() {
			x, err := export1(ctx, f.desk, since)
			if err != nil {
				t.Fatal(err)
			}
			for at, line := range x.lines {
				union[at] = line
			}
			since = x.end.GetNextSince()
		}
		for ended := false; !ended; {
			select {
			case <-done:
				ended = true
			default:
			}
			step()
		}
		close(failed)
		for err := range failed {
			t.Fatal(err)
		}
		want, err := bundled(ctx, f.desk, f.store)
		if err != nil {
			t.Fatal(err)
		}
		if err := sameResources(union, want); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
	}
}

// The memory an export holds does not grow with the record: measured as live heap
// while it runs, against that of a small record.
func TestExportTakesTheSameMemoryWhateverTheSize(t *testing.T) {
	const small, large = 10, 200
	live := func(cases int) (peak int64, bytes int64) {
		f := newFixture(t)
		for n := range cases {
			f.store1(n)
		}
		heap := func() int64 {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			return int64(m.HeapAlloc)
		}
		before := heap()
		err := f.desk.ExportResources(f.ctx, caller, &trigonev1.ExportResourcesRequest{}, func(r *trigonev1.ExportResourcesResponse) error {
			bytes += int64(len(r.GetChunk().GetNdjson()))
			peak = max(peak, heap()-before)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return peak, bytes
	}
	one, oneBytes := live(small)
	twenty, twentyBytes := live(large)
	t.Logf("%d cases: %d KiB sent, %d KiB live; %d cases: %d KiB sent, %d KiB live", small, oneBytes>>10, one>>10, large, twentyBytes>>10, twenty>>10)
	if twentyBytes < 15*oneBytes {
		t.Fatalf("%d bytes against %d: the records do not differ enough", twentyBytes, oneBytes)
	}
	// What waits to be sent is at most a chunk of every type, each with its copy in
	// the message; the store's own caches add some.
	if allowed := max(one, 1<<20) * 4; twenty > allowed {
		t.Errorf("%d bytes live against %d", twenty, one)
	}
}

// BenchmarkExport prints the cases and the megabytes of an export a second, on one
// caller without a network.
func BenchmarkExport(b *testing.B) {
	const cases = 50
	f := newFixture(b)
	for n := range cases {
		if _, err := f.book.SubmitCase(b.Context(), caller, &trigonev1.SubmitCaseRequest{CaseFile: numbered(b, "triangular-complete-ring", n)}); err != nil {
			b.Fatal(err)
		}
	}
	var bytes int64
	b.ReportAllocs()
	for b.Loop() {
		bytes = 0
		err := f.desk.ExportResources(b.Context(), caller, &trigonev1.ExportResourcesRequest{}, func(r *trigonev1.ExportResourcesResponse) error {
			bytes += int64(len(r.GetChunk().GetNdjson()))
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(bytes)
	b.ReportMetric(float64(cases*b.N)/b.Elapsed().Seconds(), "cases/s")
}
