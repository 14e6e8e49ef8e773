package invent

import (
	"math"

	"trigone/internal/repair"
)

// phenotype is a disease of the valve and what its leaflets look like.
type phenotype struct {
	aetiology string
	share     float64
	// A2 and P2 heights and the width of the part that prolapses: mean and SD.
	a2, a2SD, p2, p2SD, width, widthSD float64
	area, areaSD                       float64
	both                               float64
}

// The phenotypes. Shares: common practice, no source. A2: 26 +/- 4 mm in prolapse of the
// posterior leaflet, 33 +/- 6 in prolapse of both (Cho et al., Am J Cardiol 2000, n 20 and 20);
// together they give the 27.2 +/- 4.5 mm of 1,026 repairs (McCarthy et al., J Thorac
// Cardiovasc Surg 2021). P2: no source gives it before repair; 12.7 +/- 4.4 mm in 60
// cadavers (Kaur 2018), 15 to 35 mm from memory, made so that what is left after repair is near the
// 13.9 +/- 2.3 mm of McCarthy et al. Annular area: 13.3 +/- 2.4 and 15 +/- 2.8 cm2 in 32 and 27
// patients (Cardiovasc Ultrasound 2016, s12947-016-0073-4). Widths: common practice,
// no source.
var phenotypes = []phenotype{
	{"fibroelastic_deficiency", 0.56, 25.7, 3.5, 14.2, 2, 9, 2, 13.3, 2.4, 0},
	{"degenerative_intermediate", 0.2, 27, 3.6, 17.5, 2.2, 12, 3, 14, 2.6, 0.1},
	{"myxomatous", 0.24, 31, 4.2, 22, 3, 17, 4, 15, 2.8, 0.3},
}

func phenotypeOf(r *draws) phenotype {
	u := r.Float64()
	for _, p := range phenotypes {
		if u < p.share {
			return p
		}
		u -= p.share
	}
	return phenotypes[len(phenotypes)-1]
}

// patient draws who it is. Ages, sexes and bodies: common practice, no source.
func (c *Case) patient(r *draws) {
	c.Sex, c.HeightCM = "male", r.normal(176, 7, 158, 198)
	if r.happens(0.36) {
		c.Sex, c.HeightCM = "female", r.normal(164, 6.5, 148, 182)
	}
	c.Age = int(r.normal(61, 12, 24, 86))
	index := r.normal(25.5, 3.3, 18.5, 36)
	c.HeightCM = steps(c.HeightCM, 1)
	c.WeightKG = steps(index*c.HeightCM*c.HeightCM/10000, 1)
}

// bodySurface is Mosteller's, m2.
func (c *Case) bodySurface() float64 { return math.Sqrt(c.HeightCM * c.WeightKG / 3600) }

// readingSD is that of a leaflet height by echo, mm: 1.2, as the service takes it.
const readingSD = 1.2

func (c *Case) valve(r *draws) {
	v := &c.Valve
	p := phenotypeOf(r)
	v.Aetiology = p.aetiology
	v.A2 = r.normal(p.a2, p.a2SD, 17, 42)
	// A tall valve is tall on both sides.
	v.P2 = r.normal(p.p2+0.35*p.p2SD*(v.A2-p.a2)/p.a2SD, p.p2SD*math.Sqrt(1-0.35*0.35), 9, 32)
	v.Both = r.happens(p.both)
	v.Segment = pick(r, share[string]{"p2", 0.66}, share[string]{"p3", 0.18}, share[string]{"p1", 0.08}, share[string]{"a2", 0.08})
	if v.Both || v.Segment != "a2" && p.p2 > 16 {
		v.Segment = "p2" // what is tall prolapses in the middle
	}
	v.Flail = r.happens(0.6)
	v.FlailWidthMM = steps(r.normal(p.width, p.widthSD, 5, 26), 1)
	if v.Segment == "p1" || v.Segment == "p3" {
		v.FlailWidthMM = min(v.FlailWidthMM, 11)
	}
	v.ReadA2, v.ReadP2 = steps(r.of(v.A2, readingSD), 0.5), steps(r.of(v.P2, readingSD), 0.5)
	v.P1, v.P3 = steps(0.78*v.P2+r.of(0, 1), 0.5), steps(0.82*v.P2+r.of(0, 1), 0.5)
	// 27.7 +/- 9.8 mm in cadavers (Kaur 2018); twice what prolapses at least.
	v.ScallopMM = steps(max(r.normal(27.7, 6, 18, 45), 2*v.FlailWidthMM+2), 1)

	v.AnnulusArea = steps(r.normal(p.area, p.areaSD, 8, 23), 0.1)
	// Antero-posterior over intercommissural 0.75 +/- 0.07 in normals, 0.8 +/- 0.08 in
	// regurgitation; an ellipse is 0.936 of the area (BioMed Res Int 2020:3261714).
	ratio := r.normal(0.79, 0.05, 0.68, 0.93)
	v.ICDiameter = steps(math.Sqrt(0.936*v.AnnulusArea*100*4/math.Pi/ratio), 0.5)
	v.APDiameter = steps(ratio*v.ICDiameter, 0.5)
	v.Perimeter = steps(ellipse(v.APDiameter, v.ICDiameter)/0.936, 1)
	v.Depth = r.normal(4.3, 1.1, 1.5, 8)
	v.ReadDepth = steps(r.normal(v.Depth, 1, 1, 10), 0.5)

	// Distances and angles: factors of anterior motion by BOJAR stand at 25 mm, 15 mm, 120
	// degrees; how they spread is common practice, no source.
	v.Septum = steps(r.normal(10.5, 1.6, 7, 17), 0.5)
	v.ToSeptum = steps(r.normal(31, 4, 18, 44), 0.5)
	v.Angle = steps(r.normal(129, 7, 108, 150), 1)
	// 6.97 +/- 3.85 mm (Kruse et al., Interdiscip Cardiovasc Thorac Surg 2025, n 315).
	v.Circumflex = steps(r.normal(6.97, 3.85, 0.9, 18), 0.1)
	v.Thickness = steps(map[bool]float64{true: r.normal(5.3, 0.7, 4, 8), false: r.normal(2.8, 0.5, 1.6, 4.4)}[v.Aetiology == "myxomatous"], 0.1)

	// Chambers: common practice, no source.
	v.EDV = steps(r.normal(168, 30, 105, 280), 1)
	v.EjectionFraction = steps(r.normal(63, 6, 38, 76), 1)
	v.ESV = steps(v.EDV*(1-v.EjectionFraction/100), 1)
	v.EDD = steps(57+0.09*(v.EDV-168)+r.of(0, 2.2), 1)
	v.ESD = steps(v.EDD*(0.62-0.0065*(v.EjectionFraction-63))+r.of(0, 1), 1)
	v.AtriumVolume = steps(r.normal(105, 28, 45, 240), 1)
	stroke := v.EDV - v.ESV
	v.RegurgVolume = steps(stroke*r.normal(0.59, 0.03, 0.53, 0.66), 1)
	v.Orifice = steps(v.RegurgVolume/r.normal(142, 9, 120, 165), 0.01)
	v.VenaWidth = steps(r.normal(7.9, 0.5, 7.1, 10), 0.1)
	v.TricuspidVelocity = steps(r.normal(265, 35, 190, 390), 5)
	v.Fibrillation = pick(r, share[string]{"none", 0.74}, share[string]{"paroxysmal", 0.14}, share[string]{"persistent", 0.12})
	v.Rate = steps(r.normal(71, 9, 50, 102), 1)
	v.FunctionalClass = pick(r, share[string]{"ii", 0.47}, share[string]{"iii", 0.28}, share[string]{"i", 0.22}, share[string]{"iv", 0.03})
	v.TricuspidGrade = pick(r, share[string]{Trace, 0.5}, share[string]{Mild, 0.3}, share[string]{None, 0.2})
	v.Clinic = morning(c.Incision.AddDate(0, 0, -12-r.IntN(60))).Add(90 * 60e9)
	v.Transoesophageal = morning(c.Incision.AddDate(0, 0, -1-r.IntN(9))).Add(200 * 60e9)
}

// ellipse gives the perimeter of an ellipse (Ramanujan).
func ellipse(a, b float64) float64 {
	h := (a - b) * (a - b) / ((a + b) * (a + b))
	return math.Pi * (a + b) / 2 * (1 + 3*h/(10+math.Sqrt(4-3*h)))
}

// contact is how far both leaflets touch in the middle of a closed valve, mm: flat
// leaflets that slide until their tips are level (internal/geometry says it in words).
func contact(a2, p2, diameter, depth float64) float64 {
	eccentric := a2 - p2
	free := diameter*diameter - eccentric*eccentric
	if free <= 0 {
		return 0
	}
	return (a2 + p2 - diameter*math.Sqrt(1+4*depth*depth/free)) / 2
}

// Families of the invented rings. Labels, dimensions and names belong to no product.
const (
	FirstFamily = "pier-oval"
	// MiscalibratedFamily is the one whose rings are deeper than its table says, where
	// that is built in.
	MiscalibratedFamily = "quay-oval"
	BandFamily          = "jetty-band"
)

// smallest and largest label of every family; a label is two to the next.
const smallestLabel, largestLabel = 26, 42

// Rings is the table of the three families.
func Rings() []Ring {
	var list []Ring
	for _, family := range []string{FirstFamily, MiscalibratedFamily, BandFamily} {
		for label := float64(smallestLabel); label <= largestLabel; label += 2 {
			list = append(list, ringOf(family, label))
		}
	}
	return list
}

func ringOf(family string, label float64) Ring {
	r := Ring{Family: family, Label: label, AP: 22.5 + 0.75*(label-32), Across: 34 + (label - 32)}
	switch family {
	case MiscalibratedFamily:
		r.AP -= 0.5
		r.Across += 0.5
	case BandFamily:
		// Its length goes round an ellipse of these diameters but for the anterior arc.
		r.Band = true
	}
	r.Area = steps(0.82*r.AP*r.Across/100, 0.1)
	return r
}

// BandLength is the length of a band along its course: round the ellipse of its
// diameters but for an anterior arc of 28 mm.
func (r Ring) BandLength() float64 { return steps(ellipse(r.AP, r.Across)-28, 0.5) }

// Kind is complete ring or posterior band.
func (r Ring) Kind() string {
	if r.Band {
		return string(repair.PosteriorBand)
	}
	return string(repair.CompleteRing)
}

// sized gives the label that goes with a height of A2: the sizer's.
func sized(a2 float64) float64 {
	return min(max(2*math.Floor(a2/2)+6, smallestLabel), largestLabel)
}
