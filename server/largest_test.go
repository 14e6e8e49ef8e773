package server

import (
	"fmt"
	"slices"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// surface is a shape with as many points and triangles as the contract takes.
func surface(seed float64) *trigonev1.AnnulusShape {
	points := func(n int) []float64 {
		list := make([]float64, n)
		for i := range list {
			list[i] = seed + float64(i)/7
		}
		return list
	}
	shape := &trigonev1.AnnulusShape{ContourMm: points(6144)}
	for i := range 8 {
		l := &trigonev1.LeafletPoints{Leaflet: trigonev1.Leaflet(1 + i%2), PointsMm: points(30000)}
		for k := range 60000 {
			l.Triangles = append(l.Triangles, int32(9999-k%3))
		}
		shape.Leaflets = append(shape.Leaflets, l)
	}
	return shape
}

// What can be written can be read by a client with default limits: a section with the
// largest surface that the contract takes, several of them in a case, and a case with as
// many studies as the contract takes.
func TestWhatIsWrittenCanBeRead(t *testing.T) {
	if testing.Short() {
		t.Skip("writes tens of megabytes, one after the other")
	}
	conn, _ := start(t) // a client that was told nothing of sizes
	record := trigonev1.NewRecordServiceClient(conn)
	file, err := testdata.Read(testdata.Cases, "chord-rupture-sliding")
	if err != nil {
		t.Fatal(err)
	}
	submitted := map[string]*trigonev1.Assessment{}
	submit := func(file *trigonev1.CaseFile, name string) *trigonev1.SubmitCaseResponse {
		t.Helper()
		answer, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file, CaseName: name})
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
	name := submit(file, "").GetCaseName()
	for i := range 3 {
		a := proto.Clone(file.GetAssessments()[0]).(*trigonev1.Assessment)
		a.Id = fmt.Sprint("surface-", i)
		if a.Study.Annulus == nil {
			a.Study.Annulus = &trigonev1.Annulus{}
		}
		a.Study.Annulus.Shape = surface(float64(i))
		if size := proto.Size(a); size < 2<<20 || size > defaultAnswerBytes {
			t.Fatalf("the largest surface has %d bytes", size)
		}
		submitted["assessment/"+a.GetId()] = a
		submit(&trigonev1.CaseFile{PatientIdentifier: file.GetPatientIdentifier(), Assessments: []*trigonev1.Assessment{a}}, name)
	}
	of := &trigonev1.CaseReference{Name: name}
	if _, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: of}); status.Code(err) != codes.ResourceExhausted {
		t.Fatalf("the whole case is answered with %v: this test proves nothing", err)
	}
	light, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: of, WithoutPoints: true})
	if err != nil || len(light.GetCase().GetSectionsWithoutPoints()) != 3 {
		t.Fatalf("without points: %v, %v", light.GetCase().GetSectionsWithoutPoints(), err)
	}
	for section, sent := range submitted {
		part, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{
			Case: of, Sections: []string{section}, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"case_file"}},
		})
		if err != nil || len(part.GetCase().GetCaseFile().GetAssessments()) != 1 || !proto.Equal(part.GetCase().GetCaseFile().GetAssessments()[0], sent) {
			t.Errorf("%s: %v", section, err)
		}
	}
	read := 0
	for req := (&trigonev1.ListRevisionsRequest{Case: of, PageSize: 500}); ; {
		page, err := record.ListRevisions(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		read += len(page.GetRevisions())
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if want := len(light.GetCase().GetSections()); read != want {
		t.Errorf("%d revisions were read of %d", read, want)
	}

	// Set aside, it is read too.
	other := proto.Clone(file.GetAssessments()[0]).(*trigonev1.Assessment)
	other.Id, other.Study.Annulus = "aside", &trigonev1.Annulus{Shape: surface(7)}
	id := submit(&trigonev1.CaseFile{
		PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "another"}, Assessments: []*trigonev1.Assessment{other},
	}, name).GetQuarantineId()
	if q, err := record.GetQuarantined(t.Context(), &trigonev1.GetQuarantinedRequest{QuarantineId: id}); err != nil || len(q.GetQuarantined().GetChanges()) == 0 {
		t.Errorf("quarantined: %v", err)
	}
}

// A case with as many studies as the contract takes, each with as many values as an
// invented one has and each other value once more.
func TestTheCaseOfMostStudiesCanBeRead(t *testing.T) {
	if testing.Short() {
		t.Skip("judges hundreds of studies")
	}
	conn, _ := start(t)
	record := trigonev1.NewRecordServiceClient(conn)
	file, err := testdata.Read(testdata.Cases, "chord-rupture-sliding")
	if err != nil {
		t.Fatal(err)
	}
	full := proto.Clone(file.GetAssessments()[0].GetStudy()).(*trigonev1.Study)
	for _, name := range testdata.Names(testdata.Cases) {
		other, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range other.GetAssessments() {
			add(full, a.GetStudy())
		}
		for _, r := range other.GetResults() {
			add(full, r.GetStudy())
		}
	}
	full.StudyId, full.Time = "", nil
	for i := len(file.GetAssessments()); i < 64; i++ {
		file.Assessments = append(file.Assessments, &trigonev1.Assessment{Id: fmt.Sprint("copy-", i), Study: full})
	}
	first := int32(1)
	for i := len(file.GetResults()); i < 64; i++ {
		file.Results = append(file.Results, &trigonev1.Result{Id: fmt.Sprint("copy-", i), Run: &first, Stage: trigonev1.Stage_STAGE_OFF_BYPASS, Study: full})
	}
	for i := len(file.GetFollowUps()); i < 128; i++ {
		file.FollowUps = append(file.FollowUps, &trigonev1.FollowUp{Id: fmt.Sprint("copy-", i), Study: full})
	}
	answer, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("case file %d bytes, answer %d bytes, left out %v", proto.Size(file), proto.Size(answer), answer.GetEvaluation().GetLeftOut())
	if proto.Size(answer) > defaultAnswerBytes || len(answer.GetEvaluation().GetFindings()) == 0 {
		t.Errorf("the answer has %d bytes and %d findings", proto.Size(answer), len(answer.GetEvaluation().GetFindings()))
	}
	of := &trigonev1.CaseReference{Name: answer.GetCaseName()}
	for _, field := range []string{"case_file", "evaluation.findings", "evaluation.rule_gaps", "evaluation.comparisons", "sections"} {
		if _, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: of, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{field}}}); err != nil {
			t.Errorf("%s: %v", field, err)
		}
	}
	var all []string
	for _, s := range answer.GetSections() {
		all = append(all, s.GetSection())
	}
	metrics := 0
	for some := range slices.Chunk(all, 32) {
		part, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: of, Sections: some, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"evaluation.metrics"}}})
		if err != nil {
			t.Fatal(err)
		}
		metrics += len(part.GetCase().GetEvaluation().GetMetrics())
	}
	if left := answer.GetEvaluation().GetLeftOut(); len(left) == 0 && metrics != len(answer.GetEvaluation().GetMetrics()) || metrics < 10_000 {
		t.Errorf("%d metrics in parts, %d at once", metrics, len(answer.GetEvaluation().GetMetrics()))
	}
}

// add puts into a message what another has and it has not; lists are left alone.
func add(into, from proto.Message) {
	if from == nil || !from.ProtoReflect().IsValid() {
		return
	}
	copied := proto.Clone(from)
	proto.Merge(copied, into)
	has := into.ProtoReflect()
	for i := range has.Descriptor().Fields().Len() {
		fd := has.Descriptor().Fields().Get(i)
		switch m := copied.ProtoReflect(); {
		case !m.Has(fd):
		case !has.Has(fd):
			has.Set(fd, m.Get(fd))
		case fd.Message() != nil && !fd.IsList() && fd.Message().Fields().ByName("absent_reason") == nil: // a quantity stays as it is
			add(has.Mutable(fd).Message().Interface(), from.ProtoReflect().Get(fd).Message().Interface())
		}
	}
}

func TestWhatIsLeftOutIsNamed(t *testing.T) {
	e := &trigonev1.Evaluation{Caution: "c", Findings: []*trigonev1.Finding{{Id: "f"}}}
	for range 100 {
		e.Metrics = append(e.Metrics, &trigonev1.MetricValue{Metric: "coaptation_length", Place: "a2_p2"})
		e.RuleGaps = append(e.RuleGaps, &trigonev1.RuleGap{})
	}
	for _, answer := range []proto.Message{
		&trigonev1.SubmitCaseResponse{Evaluation: e}, &trigonev1.FileQuarantinedResponse{Submitted: &trigonev1.SubmitCaseResponse{Evaluation: e}},
	} {
		lighten(answer, 10)
		got := evaluationIn(answer.ProtoReflect())
		if !slices.Equal(got.GetLeftOut(), []string{"metrics"}) || len(got.GetMetrics()) != 0 || len(got.GetRuleGaps()) != 100 || len(got.GetFindings()) != 1 || got.GetCaution() == "" {
			t.Errorf("%T: %v", answer, got)
		}
	}
	if len(e.GetMetrics()) != 100 || len(e.GetLeftOut()) != 0 {
		t.Error("what is stored was changed")
	}
}
