package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var coaptationLongerThanLeaflet = Rule{
	ID: "coaptation-longer-than-leaflet", Reference: "R38",
	Summary:  "The coaptation length of a slice exceeds neither leaflet height of the same slice, study and method.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the coaptation length or the leaflet height.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		var list []metric.At
		for _, slice := range slicesOfValve {
			for _, here := range studies(c, func(s *repair.Study) bool { return holdsAny(c, s, valve.AtSlice(slice), valve.CoaptationLength) }) {
				here.Place = valve.AtSlice(slice)
				list = append(list, here)
			}
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		coaptation := r.Here(valve.CoaptationLength)
		anterior, posterior := r.LeafletsOfSlice()
		if !r.Has(anterior) && !r.Has(posterior) {
			r.Miss(posterior)
			return Verdict{}
		}
		for _, height := range []valve.Key{posterior, anterior} {
			if r.Has(height) && r.OneMethod(coaptation, height) && r.Greater(r.Read(coaptation), r.Read(height)) {
				v := broken("A coaptation length of %s exceeds the height of %s, %s.",
					r.Text(coaptation), segmentName(height.Place.Segment()), r.Text(height))
				v.Disputes = []valve.Key{coaptation, height}
				return v
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "8 mm of coaptation on a posterior leaflet of 14", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Coaptation(8).Height(valve.P2, 14).Height(valve.A2, 27).Case()
		}},
		{Name: "15 mm on 12", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Coaptation(15).Height(valve.P2, 12).Case()
		}},
		{Name: "as long as the leaflet", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Coaptation(12).Height(valve.P2, 12).Case()
		}},
		{Name: "no leaflet height in this study", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Coaptation(8).Case()
		}},
	},
}

var slicesOfValve = []valve.Slice{valve.A1P1, valve.A2P2, valve.A3P3}

// LeafletsOfSlice gives the heights of the slice that is being judged in the
// study that is being judged; the posterior one is the highest of its seam and
// its middle, so that the doubt is the record's.
func (r *Reader) LeafletsOfSlice() (anterior, posterior valve.Key) {
	front, back := valve.Slice(r.At().Place).Segments()
	anterior = r.InStudy(valve.LeafletHeight, valve.AtStation(front, valve.SegmentMid))
	posterior = r.InStudy(valve.LeafletHeight, valve.AtStation(back, valve.SegmentMid))
	for _, station := range []valve.Station{valve.Seam, valve.SeamLateralEdge, valve.SeamMedialEdge} {
		seam := r.InStudy(valve.LeafletHeight, valve.AtStation(back, station))
		m, _ := r.Measurement(seam)
		n, _ := r.Measurement(posterior)
		if r.Has(seam) && m.Value.OrElse(0) > n.Value.OrElse(0) {
			posterior = seam
		}
	}
	return anterior, posterior
}
