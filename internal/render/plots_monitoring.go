package render

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/picture"
	"trigone/internal/plot"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// MonitoringPlots draws every chart of the answer, and the learning chart where there is
// one. The answer must have its points.
func MonitoringPlots(r *trigonev1.MonitorOutcomesResponse) []picture.Picture {
	var list []picture.Picture
	for i, c := range r.GetCharts() {
		list = append(list, monitoringPlot(fmt.Sprintf("monitoring-%d", i+1), c, r.GetContext()))
	}
	if l := r.GetLearning(); l != nil {
		list = append(list, learningPlot(l, r.GetContext()))
	}
	if len(list) == 0 {
		f := auditFrame("monitoring", r.GetSentence(), r.GetContext())
		f.NotDrawn = "no outcome is followed"
		return []picture.Picture{plot.Nothing(f)}
	}
	return drawnOf(list, "--outcome")
}

func monitoringPlot(name string, c *trigonev1.MonitoringChart, context *trigonev1.AuditContext) picture.Picture {
	m := plot.Monitoring{
		Frame: auditFrame(name, c.GetSentence(), context), Of: words.Spaced(c.GetOutcome()), Before: int(c.GetPointsBeforeCount()),
		Chart: c.GetUpper() != nil || c.GetLower() != nil, Limit: c.GetUpper().GetLimit(), LowerLimit: c.GetLower().GetLimit(),
	}
	m.Counted = words.Capital(words.Spaced(c.GetOutcome())) + ": " + failedOf(c.GetFailedCount(), c.GetKnownCount())
	if c.Expected != nil {
		m.Counted += ", " + number(c.GetExpected(), 1) + " expected"
	}
	var times []time.Time
	known := 0
	for _, q := range c.GetPoints() {
		p := plot.MonitoredCase{
			Up: q.GetUpper(), Down: q.GetLower(), WorstUp: q.GetWorst(), More: q.GetUpperSignal(), Fewer: q.GetLowerSignal(),
			ExpectedMinusObserved: q.GetExpectedMinusObserved(), RecentShare: q.GetRecentRate(),
		}
		switch q.GetState() {
		case trigonev1.MonitoringPointState_MONITORING_POINT_STATE_AWAITED:
			p.State = plot.Awaited
		case trigonev1.MonitoringPointState_MONITORING_POINT_STATE_GAP:
			p.State = plot.Missing
		default:
			known++
		}
		m.VLAD = m.VLAD || q.ExpectedMinusObserved != nil
		m.Recent = m.Recent || q.RecentRate != nil && !m.Chart
		m.Cases = append(m.Cases, p)
		times = append(times, operated(q.GetIncisionTime()))
	}
	m.Years = plot.Years(times, m.Before)
	m.Notes = append(m.Notes, c.GetNotes()...)
	m.Notes = append(m.Notes, leftOutNotes(c.GetLeftOut())...)
	if c.GetPictureBecause() != "" {
		m.Notes = append(m.Notes, words.Sentence(words.Capital("no alarm is read from it, because "+c.GetPictureBecause())))
	}
	if known == 0 {
		m.Chart, m.VLAD, m.Recent = false, false, false
	}
	return m.Picture()
}

func failedOf(failed, known int32) string {
	return fmt.Sprintf("%d of %s", failed, count(int(known), "operation with a known outcome", "operations with a known outcome"))
}

// operated is the time of an incision; zero where there is none.
func operated(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

func learningPlot(l *trigonev1.LearningChart, context *trigonev1.AuditContext) picture.Picture {
	p := plot.Learning{
		Frame: auditFrame("learning", l.GetSentence(), context), Of: words.Spaced(l.GetOutcome()),
		Upper: l.GetUpperLimit(), Lower: -l.GetLowerLimit(), Acceptable: l.GetAcceptableRate(), Unacceptable: l.GetUnacceptableRate(),
		Before: max(0, int(l.GetOperationCount())-len(l.GetPoints())),
	}
	p.Counted = failedOf(l.GetFailedCount(), l.GetKnownCount())
	p.Notes = []string{fmt.Sprintf("Wald's sequential test as it is drawn: alpha %g, beta %g.", l.GetAlpha(), l.GetBeta())}
	var times []time.Time
	for _, q := range l.GetPoints() {
		p.Path = append(p.Path, q.GetValue())
		times = append(times, operated(q.GetIncisionTime()))
	}
	p.Years = plot.Years(times, p.Before)
	return p.Picture()
}
