package render

import (
	"fmt"
	"strings"

	"trigone/internal/picture"
	"trigone/internal/plot"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// mostPlots are those of an answer that are drawn; what is left says so.
const mostPlots = 24

// AgreementPlots draws what the answer holds: how often predicted ranges and aims held,
// then one difference plot for each figure with pairs. Who asks for it wants the pairs
// too (include_points).
func AgreementPlots(r *trigonev1.SummarizeAgreementResponse) []picture.Picture {
	var list []picture.Picture
	for _, c := range []struct {
		name, promise string
		wanted        float64
		of            func(trigonev1.ComparisonKind) bool
	}{
		{"coverage", "printed 95 % ranges", promisedShare, predictedKind},
		{"aims", "ranges aimed at", 0, func(k trigonev1.ComparisonKind) bool {
			return k == trigonev1.ComparisonKind_COMPARISON_KIND_AIM
		}},
	} {
		var rows []plot.CoverageRow
		for _, a := range r.GetAgreements() {
			if a.GetInRange() != nil && c.of(a.GetKind()) {
				rows = append(rows, coverageRow(a))
			}
		}
		if len(rows) == 0 {
			continue
		}
		p := plot.Coverage{Frame: auditFrame(c.name, coverageSentence(rows, c.promise, c.wanted), r.GetContext()), Wanted: c.wanted, Rows: rows}
		list = append(list, p.Picture())
	}
	for i, a := range r.GetAgreements() {
		if estimate(a.GetBias()) != nil || len(a.GetPoints()) > 0 {
			list = append(list, differencePlot(fmt.Sprintf("difference-%d", i+1), a, r.GetContext()))
		}
	}
	if len(list) == 0 {
		f := auditFrame("agreement", "How far results lie from plans and predictions can't be told.", r.GetContext())
		f.NotDrawn = "no comparison has numbers on both sides"
		return []picture.Picture{plot.Nothing(f)}
	}
	return drawnOf(list, "--kind, --metric, --place")
}

// drawnOf keeps a file to what can be looked at; what is left out says so.
func drawnOf(list []picture.Picture, by string) []picture.Picture {
	if len(list) <= mostPlots {
		return list
	}
	rest := picture.NewSheet("rest", fmt.Sprintf("%d of %d plots are drawn.", mostPlots, len(list)))
	rest.Say("Ask for fewer figures to see the others: "+by+".", picture.Ink)
	return append(list[:mostPlots:mostPlots], rest.Done("Ask for fewer figures to see the others: "+by+"."))
}

// promisedShare is what a printed range of a prediction promises.
const promisedShare = 0.95

func predictedKind(k trigonev1.ComparisonKind) bool {
	return k == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN || k == trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION
}

// auditFrame is what stands on every plot of an answer.
func auditFrame(name, sentence string, c *trigonev1.AuditContext) plot.Frame {
	return plot.Frame{
		Name: name, Sentence: sentence, Invented: c.GetInvented(),
		Method: fmt.Sprintf("Cases operated on up to %s UTC; record read up to change %d; method %s.", minute(c.GetAsOf()), c.GetLastChange(), c.GetMethodVersion()),
	}
}

// agreementName names what an agreement is of.
func agreementName(a *trigonev1.Agreement) string {
	s := words.Spaced(a.GetMetric())
	if a.GetPlace() != "" {
		s += " at " + place(a.GetPlace())
	}
	s += ", " + Word(a.GetKind()) + suffix(Word(a.GetStage())) + suffix(Word(a.GetMethod())) + suffix(a.GetCalibrationId())
	if a.GetStratum() != nil {
		s += "; " + stratumText(a)
	}
	return s
}

func coverageRow(a *trigonev1.Agreement) plot.CoverageRow {
	in := a.GetInRange()
	return plot.CoverageRow{
		Name: agreementName(a), Inside: int(in.GetInside().GetCount()), Of: int(in.GetInside().GetOf()), Share: estimate(in.GetInside().GetShare()),
		Below: int(in.GetBelowCount()), Above: int(in.GetAboveCount()), Few: predictedKind(a.GetKind()) && !in.GetEnough(),
	}
}

func coverageSentence(rows []plot.CoverageRow, promise string, wanted float64) string {
	if wanted == 0 {
		inside, of := 0, 0
		for _, r := range rows {
			inside, of = inside+r.Inside, of+r.Of
		}
		return fmt.Sprintf("Of %s with a measured value %d lie in the %s.", count(of, "aim", "aims"), inside, promise)
	}
	judged, less, more := 0, 0, 0
	for _, r := range rows {
		if r.Few || r.Share == nil || r.Share.Interval == nil {
			continue
		}
		judged++
		switch {
		case r.Share.Interval.Upper < wanted:
			less++
		case r.Share.Interval.Lower > wanted:
			more++
		}
	}
	switch {
	case judged == 0:
		return "There are too few patients to say how often the " + promise + " hold."
	case less == 0 && more == 0:
		return fmt.Sprintf("Of %d %s that can be judged none holds clearly more or less often than it promises.", judged, promise)
	}
	return fmt.Sprintf("Of %d %s that can be judged, held less often than promised: %d; more often: %d.", judged, promise, less, more)
}

func differencePlot(name string, a *trigonev1.Agreement, c *trigonev1.AuditContext) picture.Picture {
	d := differencesOf(auditFrame(name, stratumLead(a)+a.GetSentence(), c), a)
	d.Counted = words.Capital(agreementName(a)) + ": " + count(int(a.GetPairCount()), "patient", "patients")
	d.Notes = append(leftOutNotes(a.GetLeftOut()), d.Notes...)
	return d.Picture()
}

// DifferencePlot draws the pairs of a figure beside which its sentence stands, and who is
// left out.
func DifferencePlot(name string, a *trigonev1.Agreement, c *trigonev1.AuditContext) (p picture.Picture, ok bool) {
	if estimate(a.GetBias()) == nil || a.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_AIM { // of an aim only misses have a planned number
		return p, false
	}
	d := differencesOf(plot.Frame{Name: name, Sentence: AgreementName(a) + ".", Invented: c.GetInvented()}, a)
	d.Counted = count(int(a.GetPairCount()), "patient", "patients")
	return d.Picture(), true
}

// CoveragePlot draws how often ranges held that figures stand beside.
func CoveragePlot(name, sentence string, list []*trigonev1.Agreement, c *trigonev1.AuditContext) picture.Picture {
	p := plot.Coverage{Frame: plot.Frame{Name: name, Sentence: sentence, Invented: c.GetInvented()}}
	for _, a := range list {
		if predictedKind(a.GetKind()) {
			p.Wanted = promisedShare // an aim promises nothing
		}
		p.Rows = append(p.Rows, coverageRow(a))
	}
	return p.Picture()
}

// differencesOf gives what is drawn of the pairs of a figure.
func differencesOf(f plot.Frame, a *trigonev1.Agreement) plot.Difference {
	d := plot.Difference{
		Frame: f, Unit: unitText(a.GetUnit()), Of: "planned", Against: "planned", Digits: figureDecimals,
		Bias: estimate(a.GetBias()), Lower: estimate(a.GetLowerLimit()), Upper: estimate(a.GetUpperLimit()),
	}
	if d.Unit == "" {
		d.Unit = "number"
	}
	if predictedKind(a.GetKind()) {
		d.Of, d.Against = "predicted", "mean of predicted and measured"
	}
	for _, q := range a.GetPoints() {
		at := q.GetPlanned()
		if predictedKind(a.GetKind()) {
			at = (at + q.GetMeasured()) / 2
		}
		d.Points = append(d.Points, plot.DifferencePoint{At: at, Difference: q.GetMeasured() - q.GetPlanned()})
	}
	if len(d.Points) == 0 {
		d.Notes = append(d.Notes, "The pairs themselves are not drawn.")
	}
	if because := a.GetLowerLimit().GetNotEvaluableBecause(); because != "" {
		d.Notes = append(d.Notes, "No limits: "+because+".")
	}
	return d
}

func leftOutNotes(list []*trigonev1.LeftOut) []string {
	var parts []string
	for _, l := range list {
		parts = append(parts, fmt.Sprintf("%d %s", l.GetCount(), words.Spaced(l.GetReason())))
	}
	if len(parts) == 0 {
		return nil
	}
	return []string{"Left out: " + strings.Join(parts, ", ") + "."}
}

// estimate gives a figure as it is drawn; nil: there is none.
func estimate(f *trigonev1.Figure) *plot.Estimate {
	if f == nil || f.Value == nil {
		return nil
	}
	e := &plot.Estimate{Value: f.GetValue()}
	if f.Lower != nil && f.Upper != nil {
		e.Interval = &plot.Interval{Lower: f.GetLower(), Upper: f.GetUpper()}
	}
	return e
}
