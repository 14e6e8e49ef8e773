package haemo

import (
	"math"

	"trigone/internal/units"
)

// Band is one of the four ordered severity bands of the 2017 recommendations.
// The zero Band is 'not graded'.
type Band uint8

// The bands, mildest first.
const (
	Mild Band = iota + 1
	MildToModerate
	ModerateToSevere
	Severe
)

// String gives the band in words.
func (b Band) String() string {
	switch b {
	case Mild:
		return "mild"
	case MildToModerate:
		return "mild to moderate"
	case ModerateToSevere:
		return "moderate to severe"
	case Severe:
		return "severe"
	default:
		return "not graded"
	}
}

// StepsFrom gives how many bands b lies from c, without sign. A band that is
// not graded has no distance: callers ask only for graded ones.
func (b Band) StepsFrom(c Band) int {
	if b < c {
		b, c = c, b
	}
	return int(b - c)
}

// BandRange is the lowest and the highest band that a measurement allows. Both
// are equal where the parameter separates all four bands.
type BandRange struct{ Low, High Band }

// String gives the range in words.
func (r BandRange) String() string {
	if r.Low == r.High {
		return r.Low.String()
	}
	return r.Low.String() + " or " + r.High.String()
}

// GradeEdge is the lower end of a band. The end itself belongs to the band
// unless Exclusive.
type GradeEdge struct {
	From      float64
	Exclusive bool
	Bands     BandRange
}

// GradeRow is how one parameter is graded. Below the first edge a value is Mild.
type GradeRow struct {
	Parameter string
	Unit      units.Unit
	Edges     []GradeEdge
}

func exactly(b Band) BandRange { return BandRange{Low: b, High: b} }

var intermediate = BandRange{Low: MildToModerate, High: ModerateToSevere}

// The bands are printed closed on whole numbers (30-44, 45-59 mL). Read for
// real numbers they are half-open, [30, 45): an edge belongs to the higher band
// (our reading). Source of the limits: the 2017 recommendations' severity table
// as reproduced in an anaesthesiology handbook, read in a secondary page. They
// are for primary regurgitation.
var (
	orificeRow = GradeRow{"effective regurgitant orifice area", units.CM2, []GradeEdge{
		{From: 0.20, Bands: exactly(MildToModerate)},
		{From: 0.30, Bands: exactly(ModerateToSevere)},
		{From: 0.40, Bands: exactly(Severe)},
	}}
	volumeRow = GradeRow{"regurgitant volume", units.ML, []GradeEdge{
		{From: 30, Bands: exactly(MildToModerate)},
		{From: 45, Bands: exactly(ModerateToSevere)},
		{From: 60, Bands: exactly(Severe)},
	}}
	fractionRow = GradeRow{"regurgitant fraction", units.Percent, []GradeEdge{
		{From: 30, Bands: exactly(MildToModerate)},
		{From: 40, Bands: exactly(ModerateToSevere)},
		{From: 50, Bands: exactly(Severe)},
	}}
	venaContractaRow = GradeRow{"vena contracta width, one plane", units.MM, []GradeEdge{
		{From: 3, Bands: intermediate},
		{From: 7, Bands: exactly(Severe)},
	}}
	venaContractaBiplaneRow = GradeRow{"vena contracta width, mean of two planes", units.MM, []GradeEdge{
		{From: 3, Bands: intermediate},
		{From: 8, Exclusive: true, Bands: exactly(Severe)},
	}}
)

// GradeTable gives the whole table of edges as a copy, for pages that print it.
func GradeTable() []GradeRow {
	rows := []GradeRow{orificeRow, volumeRow, fractionRow, venaContractaRow, venaContractaBiplaneRow}
	for i := range rows {
		rows[i].Edges = append([]GradeEdge(nil), rows[i].Edges...)
	}
	return rows
}

// GradeOrifice gives the band of an effective regurgitant orifice area: mild
// below 0.20, severe from 0.40 cm2. A value that is not a number is not graded.
// Edges are compared as they stand, so a computed value is rounded first.
func GradeOrifice(a units.Area) Band { return orificeRow.grade(float64(a)).Low }

// GradeVolume gives the band of a regurgitant volume: mild below 30, severe from
// 60 mL. A volumetric value below 0 is mild. See GradeOrifice for the rest.
func GradeVolume(v units.Volume) Band { return volumeRow.grade(float64(v)).Low }

// GradeFraction gives the band of a regurgitant fraction: mild below 30, severe
// from 50 %. See GradeOrifice for the rest.
func GradeFraction(f units.Fraction) Band { return fractionRow.grade(float64(f)).Low }

// GradeVenaContracta gives the bands that a vena contracta width in one plane
// allows: mild below 3 mm, severe from 7 mm, and between them both intermediate
// bands, which the width does not separate. It is never 'severe' alone: a second
// parameter has to agree. See GradeOrifice for the rest.
func GradeVenaContracta(width units.Length) BandRange {
	return venaContractaRow.grade(float64(width))
}

// GradeVenaContractaBiplane is GradeVenaContracta for the mean of two planes:
// severe strictly above 8 mm.
func GradeVenaContractaBiplane(width units.Length) BandRange {
	return venaContractaBiplaneRow.grade(float64(width))
}

// Agreement is how the bands of several parameters of one study stand to each
// other. Apart counts the steps by which two of them cannot be brought together.
// Where all can, Lowest to Highest is what all of them allow; else it spans from
// the mildest to the most severe, a parameter that allows two bands taken at the
// nearer one.
type Agreement struct {
	Lowest, Highest Band
	Apart           int
}

// Agree compares the bands of parameters. With Lᵢ and Hᵢ the lowest and highest
// band that a parameter allows,
//
//	lowest = min(max L, min H),  highest = max(max L, min H),  apart = max(0, max L − min H)
//
// Ranges that are not graded are left out; without any the Agreement is zero.
// Source: own rule; common practice is to grade each parameter and compare.
func Agree(ranges []BandRange) Agreement {
	var low, high Band
	for _, r := range ranges {
		if r.Low == 0 {
			continue
		}
		low = max(low, r.Low)
		if high == 0 || r.High < high {
			high = r.High
		}
	}
	a := Agreement{Lowest: min(low, high), Highest: max(low, high)}
	if low > high {
		a.Apart = low.StepsFrom(high)
	}
	return a
}

func (r GradeRow) grade(x float64) BandRange {
	if math.IsNaN(x) {
		return BandRange{}
	}
	bands := exactly(Mild)
	for _, e := range r.Edges {
		if x > e.From || (x == e.From && !e.Exclusive) {
			bands = e.Bands
		}
	}
	return bands
}
