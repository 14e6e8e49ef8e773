package metric

import (
	"cmp"
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// UncalibratedLabel stands with every prediction.
const UncalibratedLabel = "range of an uncalibrated model, not advice"

// Standard deviations of the prediction of the mean contact, in mm: of the model
// itself, and of one measured coaptation length. Both are assumed; no study
// validates the absolute prediction.
const (
	contactModelSD       = 2.0
	contactObservationSD = 1.2
)

// Both metrics use the flat form of the closure model, which needs no depth of
// coaptation; a tented valve closes over less.
var predictionMetrics = []Metric{
	{
		ID: IDPredictedContact, Name: "predicted mean contact of A2 and P2",
		Unit: units.SignedMM, Grid: 0.1, Signed: true,
		Formula: "(A2 + P2 − inner antero-posterior diameter of the ring) / 2, final heights, complete ring; below 0 a gap",
		Inputs:  append([]string{leafRingAP}, finalHeightInputs...),
		Source:  settings.SourceOwnModel, Since: "1",
		Where:   wherePredicted,
		Compute: predictedContact,
	},
	{
		ID: IDPredictedAnteriorShare, Name: "predicted share of the antero-posterior diameter in front of the closure line",
		Unit: units.Percent, Grid: 0.1,
		Formula: "100 · (½ + (A2 − P2) / (2 · inner antero-posterior diameter of the ring)), both leaflets sliding freely",
		Inputs:  append([]string{leafRingAP}, finalHeightInputs...),
		Source:  settings.SourceOwnModel, Since: "1",
		Where:   wherePredicted,
		Compute: predictedShare,
	},
}

func wherePredicted(c *repair.Case) []At {
	var list []At
	slice := valve.AtSlice(valve.A2P2)
	if c.Plan != nil && len(c.Plan.Steps) > 0 {
		list = append(list, At{Place: slice, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan, Stage: valve.LeavingTheatre})
	}
	if c.Operation != nil && len(c.Operation.Steps) > 0 {
		list = append(list, At{
			Place: slice, Occasion: valve.AtOperation, Role: valve.PredictedFromExecution,
			Run: max(c.Operation.LastRun(), 1), Stage: valve.LeavingTheatre,
		})
	}
	return list
}

// predictedSlice gives the slice to be predicted; ok is false outside the
// model's domain, which is looked at before any number.
func predictedSlice(r *Reader) (s geometry.Slice, ok bool) {
	r.Explain(UncalibratedLabel)
	m := momentOf(r)
	steps := r.memo.steps(r.c, m)
	if why := r.memo.outside(r.c, m); len(why) > 0 {
		r.DoesNotApply("outside the model's domain: " + join(why))
		return s, false
	}
	if !lesionsKnown(r.Case()) {
		r.Explain("no assessment states a complete list of lesions: the domain could not be checked in full")
	}
	ring := ringInPlace(steps)
	if ring == nil {
		r.DoesNotApply("there is no ring; its inner antero-posterior diameter sets the diameter of the slice")
		return s, false
	}
	if !completeRing(r, ring) {
		return s, false
	}
	s.Diameter = units.Length(r.Read(m.stepKey(leafRingAP, ring.ID)))
	s.Anterior, s.Posterior = finalPair(r, m)
	share := geometry.FlatAnteriorShare(s.Anterior, s.Posterior, s.Diameter)
	// What is missing leads to no number and is told as missing.
	if len(r.missing) == 0 && geometry.CheckDomain(s, share) != nil {
		r.DoesNotApply("outside the model's domain: the ring's diameter must lie between 15 and 45 mm and the closure line at 35 to 90 % of it from the anterior hinge")
	}
	return s, true
}

func predictedContact(r *Reader) float64 {
	s, ok := predictedSlice(r)
	if !ok {
		return nan
	}
	if heldLine(r.memo.steps(r.c, momentOf(r))) {
		r.Explain("artificial chords on A2 or P2 hold the closure line at an unknown place: this is the mean of both leaflets' contact, the overlap that echo sees is unknown")
	}
	r.ModelSD(contactModelSD)
	r.ObservationSD(contactObservationSD)
	return float64(geometry.FlatCoaptation(s.Anterior, s.Posterior, s.Diameter))
}

func predictedShare(r *Reader) float64 {
	s, ok := predictedSlice(r)
	if !ok {
		return nan
	}
	if heldLine(r.memo.steps(r.c, momentOf(r))) {
		r.DoesNotApply("artificial chords on A2 or P2 hold the closure line at an unknown place; the share holds for leaflets that slide freely")
	}
	// The line lies a − c from the anterior hinge, so the model's error of the
	// contact is one of the line.
	r.ModelSD(float64(units.Length(contactModelSD).Over(s.Diameter).Percent()))
	return float64(geometry.FlatAnteriorShare(s.Anterior, s.Posterior, s.Diameter).Percent())
}

// ringInPlace gives the ring or band that stays, the last of several, or nil.
func ringInPlace(steps []repair.Step) *repair.Step {
	var last *repair.Step
	for i := range steps {
		s := &steps[i]
		if s.Technique != repair.Annuloplasty || !s.Done() {
			continue
		}
		if last == nil || cmp.Or(cmp.Compare(s.Run, last.Run), cmp.Compare(s.Order, last.Order)) >= 0 {
			last = s
		}
	}
	return last
}

// heldLine says whether artificial chords hold the closure line, or may do so.
func heldLine(steps []repair.Step) bool {
	return slices.ContainsFunc(steps, repair.Step.MayHoldLine)
}

// outsideDomain gives why the closure model says nothing of this valve.
func outsideDomain(c *repair.Case, m moment, steps []repair.Step) []string {
	var why []string
	add := func(text string, found bool) {
		if found && !slices.Contains(why, text) {
			why = append(why, text)
		}
	}
	add("the valve was replaced", !m.plan && c.Operation.Converted())
	add("edge-to-edge suture", len(repair.Of(steps, repair.EdgeToEdge)) > 0)
	for i := range c.Studies {
		s := &c.Studies[i]
		if s.Kind == repair.Result {
			add("systolic anterior motion", !m.plan && max(s.Run, 1) == m.run && movesForward(s))
		}
		if s.Kind != repair.Assessment {
			continue
		}
		for _, l := range s.Lesions {
			commissural := l.Where.Commissure != ""
			add("open cleft", l.Has("cleft") && !closed(l, steps))
			add("prolapse of a commissure", commissural &&
				(l.Flail == valve.Yes || l.Has("chord_rupture") || l.Has("chord_elongation")))
			add("restricted leaflet motion", l.Has("retraction"))
			add("calcification of unknown extent", l.Has("calcification") && s.Calcification == "")
		}
		for _, d := range s.Dysfunctions {
			add("prolapse of a commissure", d.Where.Commissure != "" && d.Type == "ii")
			add("restricted leaflet motion", d.Type == "iiia" || d.Type == "iiib")
		}
		add("restricted leaflet motion", slices.Contains(s.Mechanisms, "restriction"))
		add("calcification beyond a spot", s.Calcification != "" && s.Calcification != "none" && s.Calcification != "focal")
		add("systolic anterior motion", m.plan && movesForward(s))
	}
	return why
}

func movesForward(s *repair.Study) bool {
	return s.AnteriorMotion != "" && s.AnteriorMotion != "none" && s.AnteriorMotionEnd != "resolved"
}

// closed says whether a step closes the cleft: it names the lesion, or stands at
// its place.
func closed(l repair.Lesion, steps []repair.Step) bool {
	return slices.ContainsFunc(steps, func(s repair.Step) bool {
		return s.Technique == repair.CleftClosure &&
			(slices.Contains(s.LesionIDs, l.ID) || slices.Contains(s.Places, l.Where))
	})
}

func lesionsKnown(c *repair.Case) bool {
	for i := range c.Studies {
		if c.Studies[i].Kind == repair.Assessment && c.Studies[i].LesionsRecorded == valve.Complete {
			return true
		}
	}
	return false
}
