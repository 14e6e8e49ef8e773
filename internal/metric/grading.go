package metric

import (
	"slices"

	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The ids of this file.
const (
	IDLowestBand   = "regurgitation_grade_lowest_band"
	IDHighestBand  = "regurgitation_grade_highest_band"
	IDBandSpread   = "regurgitation_band_spread"
	IDPrimaryStage = "primary_regurgitation_stage"
)

var gradingInputs = []valve.ID{
	valve.StatedRegurgitantOrificeArea, valve.StatedRegurgitantVolume, valve.StatedRegurgitantFraction, valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.ConvergenceAngle, valve.RegurgitationPeakVelocity, valve.RegurgitationVelocityTimeIntegral,
	valve.InflowAnnulusDiameter, valve.InflowAnnulusDiameterAcross, valve.InflowVelocityTimeIntegral, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume, valve.VenaContractaWidth, valve.VenaContractaWidthAcross,
}

var gradingMetrics = []Metric{
	{
		ID: IDLowestBand, Name: "mildest grade that the graded parameters of regurgitation give",
		Unit: units.One, Grid: 1, Steps: true,
		Formula: "bands of orifice area, volume, fraction and vena contracta, one each: min(max of the lowest, min of the highest that each allows); 1 mild to 4 severe; nothing is severe by a vena contracta alone",
		Inputs:  gradingInputs,
		Source:  settings.SourceASE2017, Since: "2", Where: whereGraded,
		Compute: func(r *Reader) float64 { return grade(r, func(a haemo.Agreement) haemo.Band { return a.Lowest }) },
		Band:    bandWord,
	},
	{
		ID: IDHighestBand, Name: "most severe grade that the graded parameters of regurgitation give",
		Unit: units.One, Grid: 1, Steps: true,
		Formula: "as the mildest band: max(max of the lowest, min of the highest that each parameter allows)",
		Inputs:  gradingInputs,
		Source:  settings.SourceASE2017, Since: "2", Where: whereGraded,
		Compute: func(r *Reader) float64 { return grade(r, func(a haemo.Agreement) haemo.Band { return a.Highest }) },
		Band:    bandWord,
	},
	{
		ID: IDBandSpread, Name: "grades by which two graded parameters of regurgitation lie apart",
		Unit: units.One, Grid: 1, Steps: true,
		Formula: "max(0, max of the lowest − min of the highest band that each parameter allows); two parameters or more",
		Inputs:  gradingInputs, Thresholds: []string{settings.RegurgitationBandSteps},
		Source: settings.SourceASE2017, Since: "2", Where: whereGraded,
		Compute: bandSpread,
	},
	{
		ID: IDPrimaryStage, Name: "stage of chronic primary regurgitation before the operation",
		Unit: units.One, Grid: 1, Steps: true,
		Formula: "1 A at risk, 2 B progressive, 3 C1 and 4 C2 severe without symptoms (C2: ejection fraction 60 % or less, or end-systolic diameter 40 mm or more), 5 D severe with symptoms; not told where the parameters disagree on severe",
		Inputs:  slices.Concat(gradingInputs, []valve.ID{valve.JetToLeftAtriumShare, valve.StatedLeftVentricularEjectionFraction, valve.LeftVentricularEndSystolicDiameter}),
		Source:  settings.SourceGuideline2020, Since: "2",
		Where: func(c *repair.Case) []At {
			return slices.DeleteFunc(whereGraded(c), func(at At) bool { return c.StudyAt(at.Occasion).Kind != repair.Assessment })
		},
		Compute: func(r *Reader) float64 { return float64(stage(r)) },
		Band:    func(v float64) string { return haemo.Stage(v).String() },
	},
}

func bandWord(v float64) string { return haemo.Band(v).String() }

// whereGraded gives the studies in which a parameter of regurgitation was
// measured. A ventricle's volumes alone are none: they need the outflow.
func whereGraded(c *repair.Case) []At {
	alone := inStudies(valve.StatedRegurgitantOrificeArea, valve.StatedRegurgitantVolume, valve.StatedRegurgitantFraction, valve.ProximalIsovelocityRadius, valve.VenaContractaWidth, valve.InflowVelocityTimeIntegral)(c)
	together := inStudiesWith(c, []valve.ID{valve.LeftVentricularEndDiastolicVolume}, []valve.ID{valve.LeftVentricularEndSystolicVolume}, []valve.ID{valve.OutflowTractVelocityTimeIntegral})
	for _, at := range together {
		if !slices.Contains(alone, at) {
			alone = append(alone, at)
		}
	}
	return alone
}

// inStudiesWith gives the studies in which of each group at least one leaf was
// asked for.
func inStudiesWith(c *repair.Case, groups ...[]valve.ID) []At {
	list := inStudies(groups[0]...)(c)
	for _, group := range groups[1:] {
		also := inStudies(group...)(c)
		list = slices.DeleteFunc(list, func(at At) bool { return !slices.Contains(also, at) })
	}
	return list
}

// parameter is one way to a graded value.
type parameter struct {
	words   string
	metric  valve.ID // its id, or a leaf's
	compute func(*Reader) float64
	unit    units.Unit
	grid    float64
	grade   func(float64) haemo.BandRange
	// singleFrame says that the value is read in one picture of systole, and
	// overstates where regurgitation does not last.
	singleFrame bool
}

func exactly(grade func(float64) haemo.Band) func(float64) haemo.BandRange {
	return func(v float64) haemo.BandRange { b := grade(v); return haemo.BandRange{Low: b, High: b} }
}

// gradedKinds gives the ways to each kind of parameter, the first that is there
// counts: as stated; by flow convergence, corrected for the angle where that was
// measured and then never mixed with the uncorrected value; by volumes.
func gradedKinds() [][]parameter {
	orifice := exactly(func(v float64) haemo.Band { return haemo.GradeOrifice(units.Area(v)) })
	volume := exactly(func(v float64) haemo.Band { return haemo.GradeVolume(units.Volume(v)) })
	fraction := exactly(func(v float64) haemo.Band { return haemo.GradeFraction(units.Fraction(v)) })
	return [][]parameter{
		{
			{"orifice area as stated", valve.StatedRegurgitantOrificeArea, of(StatedRegurgitantOrificeArea), units.CM2, areaGrid, orifice, true},
			{"orifice area by flow convergence, corrected for the angle", IDAngleCorrectedOrifice, func(r *Reader) float64 {
				return float64(haemo.RegurgitantOrificeArea(correctedFlow(r), RegurgitationPeakVelocity.Of(r)))
			}, units.CM2, areaGrid, orifice, true},
			{"orifice area by flow convergence", IDOrificeByConvergence, func(r *Reader) float64 { return float64(convergenceOrifice(r)) }, units.CM2, areaGrid, orifice, true},
			{"orifice area from the inflow", IDOrificeFromInflow, func(r *Reader) float64 {
				return float64(haemo.VolumetricOrificeArea(volumeFromInflow(r), RegurgitationVelocityTimeIntegral.Of(r)))
			}, units.CM2, areaGrid, orifice, false},
			{"orifice area from the ventricle", IDOrificeFromVentricle, func(r *Reader) float64 {
				return float64(haemo.VolumetricOrificeArea(volumeFromVentricle(r), RegurgitationVelocityTimeIntegral.Of(r)))
			}, units.CM2, areaGrid, orifice, false},
		},
		{
			{"volume as stated", valve.StatedRegurgitantVolume, of(StatedRegurgitantVolume), units.ML, volumeGrid, volume, false},
			{"volume by flow convergence, corrected for the angle", IDAngleCorrectedVolume, func(r *Reader) float64 {
				return float64(haemo.RegurgitantVolume(
					haemo.RegurgitantOrificeArea(correctedFlow(r), RegurgitationPeakVelocity.Of(r)), RegurgitationVelocityTimeIntegral.Of(r)))
			}, units.ML, volumeGrid, volume, true},
			{"volume by flow convergence", IDVolumeByConvergence, func(r *Reader) float64 {
				return float64(haemo.RegurgitantVolume(convergenceOrifice(r), RegurgitationVelocityTimeIntegral.Of(r)))
			}, units.ML, volumeGrid, volume, true},
			{"volume from the inflow", IDVolumeFromInflow, func(r *Reader) float64 { return float64(volumeFromInflow(r)) }, units.ML, volumeGrid, volume, false},
			{"volume from the ventricle", IDVolumeFromVentricle, func(r *Reader) float64 { return float64(volumeFromVentricle(r)) }, units.ML, volumeGrid, volume, false},
		},
		{
			{"fraction as stated", valve.StatedRegurgitantFraction, of(StatedRegurgitantFraction), units.Percent, percentGrid, fraction, false},
			{"fraction of the inflow", IDFractionFromInflow, func(r *Reader) float64 {
				return float64(haemo.RegurgitantFraction(volumeFromInflow(r), inflowVolume(r)))
			}, units.Percent, percentGrid, fraction, false},
			{"fraction of the ventricle's stroke volume", IDFractionFromVentricle, func(r *Reader) float64 {
				return float64(haemo.RegurgitantFraction(volumeFromVentricle(r), ventricularVolume(r)))
			}, units.Percent, percentGrid, fraction, false},
		},
		{
			{"vena contracta, mean of two planes", IDMeanVenaContractaWidth, func(r *Reader) float64 {
				return float64(haemo.BiplaneVenaContractaWidth(VenaContractaWidth.Of(r), VenaContractaWidthAcross.Of(r)))
			}, units.MM, lengthGrid, func(v float64) haemo.BandRange { return haemo.GradeVenaContractaBiplane(units.Length(v)) }, true},
			{"vena contracta in one plane", valve.VenaContractaWidth, of(VenaContractaWidth), units.MM, lengthGrid,
				func(v float64) haemo.BandRange { return haemo.GradeVenaContracta(units.Length(v)) }, true},
		},
	}
}

func of[T quantity](h Handle[T]) func(*Reader) float64 {
	return func(r *Reader) float64 { return float64(h.Of(r)) }
}

// partOfSystole says that regurgitation is known not to last the whole systole.
func partOfSystole(r *Reader) bool {
	s := r.Study()
	return s != nil && s.Timing != "" && s.Timing != "holosystolic"
}

// gradedBands grades each kind of parameter by itself and tells each with its
// band. widthAlone says that nothing but a vena contracta is graded.
func gradedBands(r *Reader) (bands []haemo.BandRange, widthAlone bool) {
	kinds := gradedKinds()
	for i, ways := range kinds {
		for _, p := range ways {
			raw, ok := r.try(p.compute)
			if !ok {
				continue
			}
			v := units.Round(raw, p.grid)
			text := p.words + " " + units.Format(v, p.unit, p.grid)
			if p.singleFrame && partOfSystole(r) {
				r.Explain(text + ": left out, regurgitation is not holosystolic and a single frame overstates it")
				continue
			}
			band := p.grade(v)
			r.Explain(text + ": " + band.String())
			bands = append(bands, band)
			widthAlone = len(bands) == 1 && i == len(kinds)-1
			break
		}
	}
	return bands, widthAlone
}

// agreement compares the graded parameters; ok is false where they allow no
// grade.
func agreement(r *Reader) (a haemo.Agreement, count int, ok bool) {
	bands, widthAlone := gradedBands(r)
	a = haemo.Agree(bands)
	switch {
	case len(bands) == 0:
		missParameters(r)
		return a, 0, false
	case widthAlone && a.Highest == haemo.Severe:
		r.Refuse("a vena contracta alone does not make severe: a second parameter has to agree")
		return a, 1, false
	}
	return a, len(bands), true
}

// missParameters tells what would make a parameter of regurgitation complete:
// what was begun, else the values as stated.
func missParameters(r *Reader) {
	switch {
	case partOfSystole(r) && len(r.notes) > 0:
	case ProximalIsovelocityRadius.In(r) || AliasingVelocity.In(r):
		convergenceOrifice(r)
	case InflowVelocityTimeIntegral.In(r):
		volumeFromInflow(r)
	default:
		for _, leaf := range []valve.ID{valve.StatedRegurgitantOrificeArea, valve.StatedRegurgitantVolume, valve.StatedRegurgitantFraction} {
			r.Miss(valve.Key{ID: leaf, Occasion: r.At().Occasion, Role: valve.Measured})
		}
	}
	if len(r.missing) == 0 && !r.notApplicable {
		r.Refuse("nothing is left that grades regurgitation: a volume or a fraction is needed")
	}
}

func grade(r *Reader, which func(haemo.Agreement) haemo.Band) float64 {
	a, count, ok := agreement(r)
	if !ok {
		return nan
	}
	if count == 1 {
		r.Explain("one parameter only: none grades alone")
	}
	return float64(which(a))
}

func bandSpread(r *Reader) float64 {
	a, count, ok := agreement(r)
	if !ok {
		return nan
	}
	if count < 2 {
		r.Refuse("one parameter only: a second is needed to compare")
		return nan
	}
	switch limit := r.s.Threshold(settings.RegurgitationBandSteps); {
	case a.Apart == 0:
		r.Explain("concordant")
	case limit.Beyond(float64(a.Apart)):
		r.Explain("discordant: have the study reviewed")
	default:
		r.Explain("concordant within " + itoa(a.Apart) + " grade")
	}
	return float64(a.Apart)
}

// stage gives the stage of an assessment; what it needs beyond the bands depends
// on them.
func stage(r *Reader) haemo.Stage {
	const none haemo.Stage = 0
	plan := r.c.Plan
	if plan != nil && plan.Aetiology == "secondary" {
		r.DoesNotApply("secondary regurgitation has other stages")
		return none
	}
	a, count, ok := agreement(r)
	if !ok {
		return none
	}
	if plan == nil || plan.Aetiology == "" {
		r.Explain("the aetiology is not recorded; the stages are those of primary regurgitation")
	}
	if s := r.Study(); s != nil && s.Modality == "pre_bypass" {
		r.Explain("taken before bypass: anaesthesia lessens regurgitation")
	}
	switch {
	case a.Lowest == haemo.Severe:
		if count == 1 {
			r.Explain("severe by one parameter only")
		}
		return severeStage(r)
	case a.Highest == haemo.Severe:
		r.Refuse("the parameters disagree on whether regurgitation is severe; no stage is told")
		return none
	case a.Highest > haemo.Mild:
		return haemo.StageB
	}
	return mildStage(r)
}

// mildStage tells A, at risk, from B, progressive, by jet and vena contracta.
func mildStage(r *Reader) haemo.Stage {
	jet, jetKnown := r.try(of(JetToLeftAtriumShare))
	width, widthKnown := r.try(of(VenaContractaWidth))
	switch {
	case !jetKnown && !widthKnown:
		JetToLeftAtriumShare.Of(r)
		VenaContractaWidth.Of(r)
		return 0
	case jetKnown && !haemo.SmallJet(units.Fraction(jet)), widthKnown && !haemo.NarrowVenaContracta(units.Length(width)):
		return haemo.StageB
	}
	return haemo.StageA
}

// severeStage tells C1, C2 and D apart by symptoms and ventricle.
func severeStage(r *Reader) haemo.Stage {
	symptoms := ""
	if r.c.Plan != nil {
		symptoms = r.c.Plan.FunctionalClass
	}
	switch symptoms {
	case "":
		r.Refuse("regurgitation is severe; the functional class of the plan's indication is not recorded, without which C and D cannot be told apart")
		return 0
	case "i":
	default:
		r.Explain("functional class " + symptoms + " by the plan")
		return haemo.StageD
	}
	r.Explain("functional class i by the plan")
	ejection, ejectionKnown := r.try(func(r *Reader) float64 {
		if StatedLeftVentricularEjectionFraction.In(r) {
			return float64(StatedLeftVentricularEjectionFraction.Of(r))
		}
		return float64(haemo.EjectionFraction(LeftVentricularEndDiastolicVolume.Of(r), LeftVentricularEndSystolicVolume.Of(r)))
	})
	systole, systoleKnown := r.try(of(LeftVentricularEndSystolicDiameter))
	reduced := ejectionKnown && haemo.EjectionReduced(units.Fraction(units.Round(ejection, percentGrid)))
	dilated := systoleKnown && haemo.SystoleDilated(units.Length(systole))
	switch {
	case reduced || dilated:
		return haemo.StageC2
	case ejectionKnown && systoleKnown:
		return haemo.StageC1
	}
	if !ejectionKnown {
		StatedLeftVentricularEjectionFraction.Of(r)
	}
	if !systoleKnown {
		LeftVentricularEndSystolicDiameter.Of(r)
	}
	return 0
}
