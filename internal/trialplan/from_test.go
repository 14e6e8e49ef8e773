package trialplan_test

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/trialplan"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Of every invented case the values of its assessments are taken over with how and when
// they were read, and nothing that tells whose they are.
func TestValuesOfACase(t *testing.T) {
	heights := 0
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		c := trialplan.FromCase(file, nil, time.UTC)
		for _, f := range trialplan.Read(c.Typed, sizes).Faults {
			if !strings.Contains(f.Text, "looks like") { // a slip that is on record
				t.Errorf("%s: what is copied is faulted: %s", name, f.Text)
			}
		}
		if len(c.Typed[trialplan.P2]) > 0 {
			heights++
		}
		for field, values := range c.Typed {
			if c.From[field] == "" {
				t.Errorf("%s: %s is copied as %v, and nothing says from where", name, field, values)
			}
		}
		for _, planned := range []string{trialplan.Aimed, trialplan.RingAP, trialplan.Work, trialplan.ContactLow} {
			if c.Typed[planned] != nil {
				t.Errorf("%s: %s is copied, and is no value of an assessment", name, planned)
			}
		}
		all := strings.Join(slices.Collect(maps.Values(c.From)), " ") + strings.Join(c.Left, " ")
		for _, identifying := range []string{file.GetExternalIdentifier().GetValue(), file.GetPatientIdentifier().GetValue()} {
			if identifying != "" && strings.Contains(all, identifying) {
				t.Errorf("%s: the copy tells whose values they are", name)
			}
		}
	}
	if heights < 20 {
		t.Errorf("the height of P2 is copied from %d cases", heights)
	}
}

func TestHowAndWhenAValueWasRead(t *testing.T) {
	file := caseOf(func(s *trigonev1.Study) {
		s.Time = timestamppb.New(time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC))
	})
	c := trialplan.FromCase(file, nil, time.FixedZone("site", 2*3600))
	if got := c.From[trialplan.P2]; got != "3D echo, transoesophageal echo before bypass, 3 March 2026" {
		t.Errorf("P2 is from %q", got)
	}
	if got := c.Typed[trialplan.HeightsBy]; !slices.Equal(got, []string{trialplan.Echo3D}) {
		t.Errorf("heights were read by %v", got)
	}
	// A height by another method than that of P2 stays out, and that is told.
	leaflets := file.Assessments[0].Study.Leaflets
	leaflets.Heights[0].LeafletHeight.Context = &trigonev1.Context{Method: trigonev1.Method_METHOD_RULER}
	c = trialplan.FromCase(file, nil, time.UTC)
	if c.Typed[trialplan.A2] != nil || !strings.Contains(strings.Join(c.Left, ""), "another method") {
		t.Errorf("A2 by ruler is copied beside P2 by echo: %v", c.Left)
	}
	// An annulus in diastole is not what the form asks for.
	file.Assessments[0].Study.Annulus = &trigonev1.Annulus{AnnulusAnteroPosteriorDiameter: mm(36, trigonev1.CardiacPhase_CARDIAC_PHASE_END_DIASTOLE)}
	c = trialplan.FromCase(file, nil, time.UTC)
	if c.Typed[trialplan.AnnulusAP] != nil || !strings.Contains(strings.Join(c.Left, ""), "in diastole") {
		t.Errorf("an annulus in diastole is copied: %v", c.Left)
	}
}

// A value in doubt stays out, until it is confirmed.
func TestDoubtedValuesStayOut(t *testing.T) {
	p2 := &trigonev1.InputValue{Leaf: "leaflet_height", Place: "p2/segment_mid", Occasion: "assessment/toe"}
	file := caseOf(func(*trigonev1.Study) {})
	for name, finding := range map[string]*trigonev1.Finding{
		"disputed":   {Disputes: []*trigonev1.InputValue{p2}},
		"questioned": {Questions: []*trigonev1.InputValue{p2}},
	} {
		c := trialplan.FromCase(file, []*trigonev1.Finding{finding}, time.UTC)
		if c.Typed[trialplan.P2] != nil || len(c.Left) != 1 || c.Typed[trialplan.A2] == nil {
			t.Errorf("%s: %v %v", name, c.Typed, c.Left)
		}
		finding.Confirmed = true
		if c := trialplan.FromCase(file, []*trigonev1.Finding{finding}, time.UTC); c.Typed[trialplan.P2] == nil {
			t.Errorf("%s and confirmed: %v", name, c.Left)
		}
	}
}

// What closes the domain of the model comes along, whatever it is called there: else a
// copy would open it.
func TestWhatIsOutsideTheModelComesAlong(t *testing.T) {
	p2 := &trigonev1.Location{At: &trigonev1.Location_Segment{Segment: trigonev1.Segment_SEGMENT_P2}}
	commissure := &trigonev1.Location{At: &trigonev1.Location_Commissure{Commissure: trigonev1.Commissure_COMMISSURE_MEDIAL}}
	lesion := func(where *trigonev1.Location, kinds ...trigonev1.LesionKind) func(*trigonev1.Study) {
		return func(s *trigonev1.Study) {
			s.Leaflets.Lesions = append(s.Leaflets.Lesions, &trigonev1.Lesion{Id: "l", Location: where, Kinds: kinds})
		}
	}
	motion := func(where *trigonev1.Location, of trigonev1.DysfunctionType) func(*trigonev1.Study) {
		return func(s *trigonev1.Study) {
			s.Leaflets.Dysfunctions = append(s.Leaflets.Dysfunctions, &trigonev1.Dysfunction{Location: where, Type: of})
		}
	}
	for name, change := range map[string]func(*trigonev1.Study){
		"a cleft":                         lesion(p2, trigonev1.LesionKind_LESION_KIND_CLEFT),
		"retracted tissue":                lesion(p2, trigonev1.LesionKind_LESION_KIND_RETRACTION),
		"calcification of unknown extent": lesion(p2, trigonev1.LesionKind_LESION_KIND_CALCIFICATION),
		"chord rupture of a commissure":   lesion(commissure, trigonev1.LesionKind_LESION_KIND_CHORD_RUPTURE),
		"excess motion of a commissure":   motion(commissure, trigonev1.DysfunctionType_DYSFUNCTION_TYPE_II),
		"restriction in systole":          motion(p2, trigonev1.DysfunctionType_DYSFUNCTION_TYPE_IIIB),
		"restriction throughout":          motion(p2, trigonev1.DysfunctionType_DYSFUNCTION_TYPE_IIIA),
		"restriction as mechanism": func(s *trigonev1.Study) {
			s.Regurgitation = &trigonev1.Regurgitation{Mechanisms: []trigonev1.RegurgitationMechanism{trigonev1.RegurgitationMechanism_REGURGITATION_MECHANISM_RESTRICTION}}
		},
		"a calcified annulus": func(s *trigonev1.Study) {
			s.Annulus = &trigonev1.Annulus{Calcification: trigonev1.CalcificationExtent_CALCIFICATION_EXTENT_THIRD}
		},
		"anterior motion": func(s *trigonev1.Study) {
			s.AnteriorMotion = &trigonev1.AnteriorMotion{State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_CHORDAL}
		},
	} {
		c := trialplan.FromCase(caseOf(change), nil, time.UTC)
		typed := first()
		maps.Copy(typed, c.Typed)
		if tr := trialplan.Read(typed, sizes); len(tr.Refusals) == 0 || tr.Answerable() {
			t.Errorf("%s is lost: %v %v", name, c.Typed, c.Left)
		}
	}
	c := trialplan.FromCase(caseOf(motion(p2, trigonev1.DysfunctionType_DYSFUNCTION_TYPE_II)), nil, time.UTC)
	if tr := trialplan.Read(c.Typed, sizes); len(tr.Refusals) > 0 || !slices.Equal(c.Typed[trialplan.Segments], []string{"p2"}) {
		t.Errorf("prolapse of P2 is copied as %v, refused by %v", c.Typed[trialplan.Segments], tr.Refusals)
	}
}

func mm(v float64, phase trigonev1.CardiacPhase) *trigonev1.Length {
	return &trigonev1.Length{Mm: &v, Context: &trigonev1.Context{Method: trigonev1.Method_METHOD_ECHO_3D, CardiacPhase: phase}}
}

// caseOf gives a case with one assessment, changed.
func caseOf(change func(*trigonev1.Study)) *trigonev1.CaseFile {
	height := func(s trigonev1.Segment, v float64) *trigonev1.LeafletHeight {
		return &trigonev1.LeafletHeight{At: &trigonev1.LeafletHeight_Segment{Segment: s}, LeafletHeight: mm(v, trigonev1.CardiacPhase_CARDIAC_PHASE_END_SYSTOLE)}
	}
	s := &trigonev1.Study{Leaflets: &trigonev1.Leaflets{Heights: []*trigonev1.LeafletHeight{
		height(trigonev1.Segment_SEGMENT_A2, 25), height(trigonev1.Segment_SEGMENT_P2, 20),
	}}}
	change(s)
	return &trigonev1.CaseFile{Assessments: []*trigonev1.Assessment{{Id: "toe", Kind: trigonev1.AssessmentKind_ASSESSMENT_KIND_PRE_BYPASS, Study: s}}}
}
