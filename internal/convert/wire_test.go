package convert

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// nested wraps content into fields by their numbers, outermost first.
func nested(content []byte, numbers ...protowire.Number) []byte {
	for _, n := range slices.Backward(numbers) {
		content = protowire.AppendBytes(protowire.AppendTag(nil, n, protowire.BytesType), content)
	}
	return content
}

// fieldNumber gives the number of a field.
func fieldNumber(m proto.Message, name string) protowire.Number {
	for i := range m.ProtoReflect().Descriptor().Fields().Len() {
		if fd := m.ProtoReflect().Descriptor().Fields().Get(i); string(fd.Name()) == name {
			return fd.Number()
		}
	}
	panic(name)
}

func TestCheckWire(t *testing.T) {
	var (
		file     = fieldNumber(&trigonev1.SubmitCaseRequest{}, "case_file")
		plan     = fieldNumber(&trigonev1.CaseFile{}, "plan")
		results  = fieldNumber(&trigonev1.CaseFile{}, "results")
		advice   = fieldNumber(&trigonev1.CaseFile{}, "advice")
		study    = fieldNumber(&trigonev1.Result{}, "study")
		annulus  = fieldNumber(&trigonev1.Study{}, "annulus")
		shape    = fieldNumber(&trigonev1.Annulus{}, "shape")
		contour  = fieldNumber(&trigonev1.AnnulusShape{}, "contour_mm")
		steps    = fieldNumber(&trigonev1.Plan{}, "steps")
		lesions  = fieldNumber(&trigonev1.PlannedStep{}, "lesion_ids")
		freedom  = fieldNumber(&trigonev1.Advice{}, "freedom")
		unfit    = fieldNumber(&trigonev1.Freedom{}, "unfit_steps")
		leaflets = fieldNumber(&trigonev1.AnnulusShape{}, "leaflets")
		corners  = fieldNumber(&trigonev1.LeafletPoints{}, "triangles")
	)
	empty := func(n int, number protowire.Number) []byte {
		return []byte(strings.Repeat(string(nested(nil, number)), n))
	}
	most := func(m proto.Message, field string) int {
		return maxItems(m.ProtoReflect().Descriptor().Fields().ByNumber(fieldNumber(m, field)))
	}
	mostSteps, mostIDs := most(&trigonev1.Plan{}, "steps"), most(&trigonev1.PlannedStep{}, "lesion_ids")
	mostContour, mostCorners := most(&trigonev1.AnnulusShape{}, "contour_mm"), most(&trigonev1.LeafletPoints{}, "triangles")
	tests := []struct {
		why  string
		raw  []byte
		want string // path of the only violation
	}{
		{"nothing", nil, ""},
		{"a list as long as it may be", nested(empty(mostSteps, steps), file, plan), ""},
		{"one more", nested(empty(mostSteps+1, steps), file, plan), "case_file.plan.steps"},
		{"a list in an entry of a list", nested(slices.Concat(nested(nil, steps), nested(empty(mostIDs+1, lesions), steps)), file, plan), "case_file.plan.steps[1].lesion_ids"},
		{"each list counted for itself", nested(slices.Concat(nested(empty(mostIDs, lesions), steps), nested(empty(mostIDs, lesions), steps)), file, plan), ""},
		{"numbers one by one", nested([]byte(strings.Repeat(string(protowire.AppendFixed64(protowire.AppendTag(nil, contour, protowire.Fixed64Type), 0)), mostContour+1)), file, results, study, annulus, shape), "case_file.results[0].study.annulus.shape.contour_mm"},
		{"numbers in one piece", nested(make([]byte, 8*mostContour), file, results, study, annulus, shape, contour), ""},
		{"one number more in one piece", nested(make([]byte, 8*mostContour+8), file, results, study, annulus, shape, contour), "case_file.results[0].study.annulus.shape.contour_mm"},
		{"numbers of several bytes are counted once", nested([]byte(strings.Repeat("\x80\x01", mostCorners)), file, results, study, annulus, shape, leaflets, corners), ""},
		{"one of them more", nested([]byte(strings.Repeat("\x80\x01", mostCorners+1)), file, results, study, annulus, shape, leaflets, corners), "case_file.results[0].study.annulus.shape.leaflets[0].triangles"},
		{"a list that the contract does not bound", nested(empty(mostParts, unfit), file, advice, freedom), "case_file.advice[0].freedom.unfit_steps"},
		{"one section again and again", []byte(strings.Repeat(string(nested(nil, file)), mostParts+1)), "case_file"},
		{"unknown fields", empty(mostParts+1, 15000), ""},
		{"a known field in another form is unknown", nested([]byte(strings.Repeat(string(protowire.AppendVarint(protowire.AppendTag(nil, steps, protowire.VarintType), 1)), mostSteps+1)), file, plan), ""},
		{"cut off", nested(empty(3, steps), file, plan)[:5], ""},
		{"too long and then cut off", append(nested(empty(mostSteps+1, steps), file, plan), 0x0a), "case_file.plan.steps"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			got := CheckWire(&trigonev1.SubmitCaseRequest{}, tt.raw)
			if len(got) > 1 || (len(got) == 1) != (tt.want != "") || len(got) == 1 && got[0].Path != tt.want {
				t.Errorf("got %v, want %q", got, tt.want)
			}
		})
	}
	twice := nested(slices.Concat(nested(empty(mostIDs+1, lesions), steps), empty(mostSteps, steps)), file, plan)
	if got := CheckWire(&trigonev1.SubmitCaseRequest{}, twice); len(got) != 2 {
		t.Errorf("two lists too long: %v", got)
	}
	if got := CheckWire(&trigonev1.SubmitCaseResponse{}, nested(empty(mostParts+1, 1))); got != nil {
		t.Errorf("no request: %v", got)
	}
}

// The bound on parts is far from what a case file has.
func TestCheckWirePassesEveryInventedCase(t *testing.T) {
	shape := wireShapes()[(&trigonev1.CaseFile{}).ProtoReflect().Descriptor().FullName()]
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := proto.Marshal(file)
		if err != nil {
			t.Fatal(err)
		}
		w := &wireWalk{left: mostParts}
		if whole := w.message(shape, raw, 0); !whole || len(w.found) > 0 || mostParts-w.left > mostParts/50 || w.left == mostParts {
			t.Errorf("%s: whole %v, %v, %d parts", name, whole, w.found, mostParts-w.left)
		}
	}
}

// The walk takes as much memory for 15 MB as for a few bytes. One allocation for each
// entry would be millions; the runtime makes one or two of its own now and then.
func TestCheckWireTakesNoMemory(t *testing.T) {
	allocations := func(raw []byte) float64 {
		return testing.AllocsPerRun(3, func() { CheckWire(&trigonev1.SubmitCaseRequest{}, raw) })
	}
	tag := fieldNumber(&trigonev1.SubmitCaseRequest{}, "case_file")
	steps := func(n int) []byte {
		return nested([]byte(strings.Repeat(string(nested(nil, fieldNumber(&trigonev1.Plan{}, "steps"))), n)), tag, fieldNumber(&trigonev1.CaseFile{}, "plan"))
	}
	few := maxItems((&trigonev1.Plan{}).ProtoReflect().Descriptor().Fields().ByName("steps")) + 1
	if small, large := allocations(steps(few)), allocations(steps(7_500_000)); large > 2*small {
		t.Errorf("%v allocations for 15 MB, %v for a few bytes", large, small)
	}
}

// BenchmarkCheckWire is the count beside the decoding that follows it.
func BenchmarkCheckWire(b *testing.B) {
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		b.Fatal(err)
	}
	raw, err := proto.Marshal(&trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		b.Fatal(err)
	}
	var counted, decoded time.Duration
	for b.Loop() {
		begin := time.Now()
		CheckWire(&trigonev1.SubmitCaseRequest{}, raw)
		between := time.Now()
		if err := proto.Unmarshal(raw, &trigonev1.SubmitCaseRequest{}); err != nil {
			b.Fatal(err)
		}
		counted, decoded = counted+between.Sub(begin), decoded+time.Since(between)
	}
	b.ReportMetric(float64(counted)/float64(decoded), "of-decoding")
}
