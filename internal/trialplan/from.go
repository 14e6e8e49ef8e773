package trialplan

import (
	"slices"
	"strings"
	"time"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Copied is what a form takes over from the assessments of a case.
type Copied struct {
	// Typed is what stands in the fields then.
	Typed map[string][]string
	// From says of each field how and on which day its value was read.
	From map[string]string
	// Left says what was not taken over, and why.
	Left []string
}

// taken are the fields that a case fills in, with where their value stands.
var taken = []struct {
	name  string
	leaf  valve.ID
	place valve.Place
	// systolic ones are taken over only where they were not read in diastole.
	systolic bool
}{
	{A2, valve.LeafletHeight, valve.AtStation(valve.A2, valve.SegmentMid), false},
	{P1, valve.LeafletHeight, valve.AtStation(valve.P1, valve.SegmentMid), false},
	{P2, valve.LeafletHeight, valve.AtStation(valve.P2, valve.SegmentMid), false},
	{P3, valve.LeafletHeight, valve.AtStation(valve.P3, valve.SegmentMid), false},
	{AnnulusAP, valve.AnnulusAnteroPosteriorDiameter, valve.Nowhere, true},
	{AnnulusIC, valve.AnnulusIntercommissuralDiameter, valve.Nowhere, true},
	{DepthNow, valve.CoaptationDepth, valve.AtSlice(valve.A2P2), true},
	{Septum, valve.BasalSeptumThickness, valve.Nowhere, false},
	{ToSeptum, valve.CoaptationToSeptumDistance, valve.Nowhere, true},
	{Angle, valve.AortoMitralAngle, valve.Nowhere, false},
	{Diastole, valve.LeftVentricularEndDiastolicDiameter, valve.Nowhere, false},
}

// FromCase takes over what was read before the operation: values with how and when,
// never who the patient is, and nothing of what was planned or done. A value that an
// open finding of the case disputes or questions stays out. Days are those of the
// site's zone.
func FromCase(file *trigonev1.CaseFile, findings []*trigonev1.Finding, zone *time.Location) Copied {
	c := convert.Case(convert.Record{Identity: file.GetIdentity(), Assessments: file.GetAssessments(), Plan: file.GetPlan()})
	out := Copied{Typed: map[string][]string{}, From: map[string]string{}}
	f := from{Case: c, Copied: &out, zone: zone, doubted: doubted(findings)}
	f.heightsBy()
	for _, row := range taken {
		f.take(row.name, metric.NativeKey(c, row.leaf, row.place, true), row.systolic)
	}
	f.flow()
	f.body(file.GetIdentity())
	f.disease()
	f.prolapse()
	f.outside()
	return out
}

type from struct {
	*repair.Case
	*Copied
	zone   *time.Location
	method valve.Method // by which the heights are taken over
	// doubted are the values that an open contradiction or slip names.
	doubted map[valve.Key]bool
}

func doubted(findings []*trigonev1.Finding) map[valve.Key]bool {
	named := map[valve.Key]bool{}
	for _, f := range findings {
		if f.GetConfirmed() {
			continue
		}
		for _, v := range slices.Concat(f.GetDisputes(), f.GetQuestions()) {
			named[valve.Key{ID: valve.ID(v.GetLeaf()), Place: valve.Place(v.GetPlace()), Occasion: valve.Occasion(v.GetOccasion()), Role: valve.Measured}] = true
		}
	}
	return named
}

// heightsBy chooses how the heights were read: as the native height of P2 was, else as
// that of A2. Heights read otherwise are left out: this form has one way for all.
func (f *from) heightsBy() {
	for _, seg := range []valve.Segment{valve.P2, valve.A2} {
		m, ok := f.Measured[metric.NativeKey(f.Case, valve.LeafletHeight, valve.AtStation(seg, valve.SegmentMid), true)]
		if !ok || m.Value.IsNone() {
			continue
		}
		f.method = m.Context.Method
		if word, known := methodWords[f.method]; known {
			f.put(HeightsBy, word, "as the height of "+strings.ToUpper(string(seg))+" was read")
		}
		return
	}
}

var methodWords = map[valve.Method]string{valve.Echo2D: Echo2D, valve.Echo3D: Echo3D, valve.Ruler: Ruler}

func (f *from) put(name, value, how string) {
	f.Typed[name], f.From[name] = append(f.Typed[name], value), how
}

func (f *from) leave(name, why string) {
	in, p, _ := part(name)
	f.Left = append(f.Left, in.Names(p)+": "+why+".")
}

func (f *from) take(name string, k valve.Key, systolic bool) {
	m, ok := f.Measured[k]
	v, some := m.Value.Get()
	switch {
	case !ok || !some:
		return
	case f.doubted[k]:
		f.leave(name, "an open contradiction names it, or it may have been typed in another unit")
		return
	case systolic && (m.Context.Phase == valve.EndDiastole || m.Context.Phase == valve.Diastole):
		f.leave(name, "read in diastole, and this form asks for systole")
		return
	case k.ID == valve.LeafletHeight && m.Context.Method != f.method:
		f.leave(name, "read by another method than the other heights")
		return
	}
	how := []string{"method not recorded"}
	if m.Context.Method != "" {
		how[0] = methodText(m.Context.Method)
	}
	if study := f.StudyAt(k.Occasion); study != nil {
		if study.Modality != "" {
			text, spoken := words.Spoken("ASSESSMENT_KIND_" + strings.ToUpper(study.Modality))
			if !spoken {
				text = words.Spaced(study.Modality)
			}
			how = append(how, text)
		}
		if study.Time.IsZero() {
			how = append(how, "day not recorded")
		} else {
			how = append(how, study.Time.In(f.zone).Format("2 January 2006"))
		}
	}
	f.put(name, plainNumber(v), strings.Join(how, ", "))
}

// flow takes over what belongs to one reading of the forward flow: its integral, and
// the diameter and the rate of the same examination.
func (f *from) flow() {
	integral := metric.NativeKey(f.Case, valve.OutflowTractVelocityTimeIntegral, valve.Nowhere, true)
	at := func(leaf valve.ID) valve.Key {
		return valve.Key{ID: leaf, Occasion: integral.Occasion, Role: valve.Measured}
	}
	if f.Measured[integral].Value.IsNone() {
		f.take(HeartRate, metric.NativeKey(f.Case, valve.HeartRate, valve.Nowhere, true), false)
		return
	}
	f.take(OutflowVTI, integral, false)
	f.take(Outflow, at(valve.OutflowTractDiameter), false)
	for _, leaf := range []valve.ID{valve.HeartRate, valve.GradientHeartRate} {
		if f.Measured[at(leaf)].Value.IsSome() {
			f.take(HeartRate, at(leaf), false)
			return
		}
	}
}

func methodText(m valve.Method) string {
	switch m {
	case valve.Echo2D:
		return "2D echo"
	case valve.Echo3D:
		return "3D echo"
	}
	return words.Spaced(m)
}

func (f *from) body(id *trigonev1.Identity) {
	day := func(on string) string {
		if on == "" {
			return "day not recorded"
		}
		return on
	}
	if id != nil && id.HeightCm != nil {
		f.put(BodyHeight, plainNumber(id.GetHeightCm()), day(id.GetHeightOn()))
	}
	if id != nil && id.WeightKg != nil {
		f.put(BodyWeight, plainNumber(id.GetWeightKg()), day(id.GetWeightOn()))
	}
}

func (f *from) disease() {
	if f.Plan == nil || f.Plan.Aetiology == "" {
		return
	}
	for word, aetiology := range diseases {
		if convert.Word(aetiology) == f.Plan.Aetiology {
			f.put(Disease, word, "as in the plan on record")
			return
		}
	}
	f.put(Disease, "other", "the plan on record says "+words.Spaced(f.Plan.Aetiology))
}

func (f *from) prolapse() {
	for _, l := range rules.Prolapsing(f.Case) {
		word := string(l.Segment)
		switch l.Commissure {
		case valve.LateralCommissure:
			word = LateralComm
		case valve.MedialCommissure:
			word = MedialComm
		}
		if word == "" {
			f.leave(Segments, "a prolapse is recorded at a place that this form does not have")
			continue
		}
		if !slices.Contains(f.Typed[Segments], word) {
			f.put(Segments, word, "as an assessment found")
		}
	}
}

// outside ticks what this form has no answer for.
func (f *from) outside() {
	for _, why := range metric.OutsideBefore(f.Case) {
		word, known := outsideWords[why]
		switch {
		case !known:
			f.Left = append(f.Left, "An assessment found "+why+", which this form does not have: the geometry does not hold for this valve.")
		case word == "":
			// a commissure: it stands among the segments
		case !slices.Contains(f.Typed[Not], word):
			f.put(Not, word, "an assessment found it")
		}
	}
}

// outsideWords are the reasons for which the model says nothing, with their word here.
var outsideWords = map[string]string{
	"open cleft": "cleft", "restricted leaflet motion": "restriction", "prolapse of a commissure": "",
	"calcification of unknown extent": "calcification", "calcification beyond a spot": "calcification",
	"systolic anterior motion": "anterior_motion",
}
