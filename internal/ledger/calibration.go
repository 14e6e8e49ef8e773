package ledger

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/settings"
	"trigone/internal/storage"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// CalibratePrediction fits what was predicted to what was measured, at one site, and offers
// what foretells better as an entry of its policy.
func (l *Ledger) CalibratePrediction(ctx context.Context, who casebook.Principal, req *trigonev1.CalibratePredictionRequest) (*trigonev1.CalibratePredictionResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)); err != nil {
		return nil, err
	}
	f := storage.PairFilter{
		Restated: restated(req.GetBasis()), Kinds: numbers([]trigonev1.ComparisonKind{
			trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION,
		}),
		Metrics: []int{metricNumber(string(metric.CalibratedQuantity))}, Groups: storedGroups(req.GetFilter().GetGroups()), IncisionFrom: instant(req.GetFilter().GetIncisionFrom()),
		WordKinds: []int{kindNumber(laterKind), kindNumber(audit.TechniqueDone), kindNumber(audit.TechniquePlanned)},
	}
	asOf, before := until(archive, req.GetFilter(), instant(req.GetAsOf()))
	f.IncisionBefore = before
	calibrations := audit.NewCalibrations(audit.CalibrationQuestion{FittedUntil: instant(req.GetFittedUntil())})
	counts, err := pairsOf(ctx, archive, site, f, calibrations)
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	erased, err := archive.Store.Erased(ctx, site)
	if err != nil {
		return nil, err
	}
	invented, err := archive.Invented(ctx)
	if err != nil {
		return nil, err
	}
	answer := calibrations.Answer()
	resp := &trigonev1.CalibratePredictionResponse{
		Context:           auditContext(archive, asOf, req.GetFilter(), req.GetBasis(), counts.LastChange, invented),
		EligibleCaseCount: int32(answer.Eligible), LeftOut: leftOut(answer.Left), RetractedCaseCount: int32(counts.RetractedCases), ErasedCaseCount: int32(erased),
	}
	var offered []settings.Calibration
	for i := range answer.Calibrated {
		c := &answer.Calibrated[i]
		resp.Calibrations = append(resp.Calibrations, calibrationOf(c))
		if c.Calibration != nil {
			offered = append(offered, *c.Calibration)
		}
	}
	if len(offered) > 0 {
		resp.PolicyFragment = policy.Fragment(offered)
	}
	return resp, nil
}

func calibrationOf(c *audit.Calibrated) *trigonev1.PredictionCalibration {
	out := &trigonev1.PredictionCalibration{
		Kind: convert.Enum[trigonev1.ComparisonKind](string(c.Kind)), Quantity: string(metric.CalibratedQuantity), Technique: string(c.Technique),
		Method: convert.Enum[trigonev1.Method](string(c.Method)), Unit: units.MM.UCUM(), FormulaNumber: int32(c.Formula), Sentence: c.Sentence,
		Verdict:            convert.Enum[trigonev1.CalibrationVerdict](string(c.Verdict)),
		FittedPatientCount: int32(c.Fitted), LaterPatientCount: int32(c.Later), LeftOut: leftOut(c.Left),
		Difference: figureOf(c.Difference), ModelError: figureOf(c.ModelError), MeanError: figureOf(c.MeanError), FitError: figureOf(c.FitError),
		Before: coverageOf("", c.Before), After: coverageOf("", c.After), FromLaterCases: c.FromLater,
	}
	if !c.LastCase.IsZero() {
		out.LastCaseTime = timestamppb.New(c.LastCase)
	}
	for _, used := range c.InUse {
		out.InUse = append(out.InUse, coverageOf(used.ID, &used.InRange))
	}
	if made := c.Calibration; made != nil {
		out.Correction = &trigonev1.PredictionCorrection{Id: made.ID, Shift: made.Shift, Centre: made.Centre, Scatter: made.Scatter, Spread: made.SD}
		if made.Stretched {
			out.Correction.Stretch = proto.Float64(made.Stretch)
		}
	}
	return out
}

func coverageOf(id string, r *audit.InRange) *trigonev1.CalibrationCoverage {
	if r == nil {
		return nil
	}
	return &trigonev1.CalibrationCoverage{
		CalibrationId: id, Inside: shareOf(&r.ShareFigure), BelowCount: int32(r.Below), AboveCount: int32(r.Above), Enough: r.Enough,
	}
}
