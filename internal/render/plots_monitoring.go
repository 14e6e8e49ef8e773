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
	m := monitoringOf(auditFrame(name, c.GetSentence(), context), c)
	m.Notes = append(m.Notes, c.GetNotes()...)
	m.Notes = append(m.Notes, leftOutNotes(c.GetLeftOut())...)
	if c.GetPictureBecause() != "" {
		m.Notes = append(m.Notes, words.Sentence(words.Capital("no alarm is read from it, because "+c.GetPictureBecause())))
	}
	return m.Picture()
}

// monitoringOf gives what is drawn of a chart.
func monitoringOf(f plot.Frame, c *trigonev1.MonitoringChart) plot.Monitoring {
	m := plot.Monitoring{
		Frame: f, Of: words.Spaced(c.GetOutcome()), Before: int(c.GetPointsBeforeCount()),
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
	if known == 0 {
		m.Chart, m.VLAD, m.Recent = false, false, false
	} else if !m.Chart && !m.VLAD && !m.Recent {
		m.NotDrawn = "no rate is expected against which a path could be drawn"
	}
	return m
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
	p := learningOf(auditFrame("learning", l.GetSentence(), context), l)
	p.Notes = []string{fmt.Sprintf("Wald's sequential test as it is drawn: alpha %g, beta %g.", l.GetAlpha(), l.GetBeta())}
	return p.Picture()
}

// learningOf gives what is drawn of a learning chart.
func learningOf(f plot.Frame, l *trigonev1.LearningChart) plot.Learning {
	p := plot.Learning{
		Frame: f, Of: words.Spaced(l.GetOutcome()),
		Upper: l.GetUpperLimit(), Lower: -l.GetLowerLimit(), Acceptable: l.GetAcceptableRate(), Unacceptable: l.GetUnacceptableRate(),
		Before: max(0, int(l.GetOperationCount())-len(l.GetPoints())),
	}
	p.Counted = failedOf(l.GetFailedCount(), l.GetKnownCount())
	var times []time.Time
	for _, q := range l.GetPoints() {
		p.Path = append(p.Path, q.GetValue())
		times = append(times, operated(q.GetIncisionTime()))
	}
	p.Years = plot.Years(times, p.Before)
	return p
}

// MonitoringPlot draws a chart beside which its sentence stands, and what belongs to it;
// ok is false where there is no path to draw.
func MonitoringPlot(name string, c *trigonev1.MonitoringChart, context *trigonev1.AuditContext) (p picture.Picture, ok bool) {
	m := monitoringOf(plot.Frame{Name: name, Sentence: signalled(c), Invented: context.GetInvented()}, c)
	return m.Picture(), m.Chart || m.VLAD || m.Recent
}

// LearningPlot draws a learning chart beside which its sentence stands.
func LearningPlot(name string, l *trigonev1.LearningChart, context *trigonev1.AuditContext) picture.Picture {
	return learningOf(plot.Frame{Name: name, Sentence: learned(l), Invented: context.GetInvented()}, l).Picture()
}

// signalled says in short what a chart shows; beside it stands its sentence.
func signalled(chart *trigonev1.MonitoringChart) string {
	more, fewer := 0, 0
	for _, s := range chart.GetSignals() {
		if s.GetMore() {
			more++
		} else {
			fewer++
		}
	}
	lead := words.Capital(words.Spaced(chart.GetOutcome())) + ", from operation to operation: "
	switch {
	case chart.GetUpper() == nil && chart.GetLower() == nil:
		return lead + "a picture, from which no alarm is read."
	case more+fewer == 0:
		return lead + "no signal."
	case fewer == 0:
		return lead + count(more, "signal", "signals") + " of more failures than expected."
	case more == 0:
		return lead + count(fewer, "signal", "signals") + " of fewer failures than expected."
	}
	return lead + fmt.Sprintf("%s of more failures than expected, %d of fewer.", count(more, "signal", "signals"), fewer)
}

// learned says in short what a learning chart shows.
func learned(l *trigonev1.LearningChart) string {
	lead := words.Capital(words.Spaced(l.GetOutcome())) + ", from operation to operation: "
	rate := func(share float64) string { return number(100*share, decimals(100*share)) + " %" }
	switch {
	case l.ToldAt == nil:
		return lead + fmt.Sprintf("not told yet whether the rate is %s or %s.", rate(l.GetAcceptableRate()), rate(l.GetUnacceptableRate()))
	case l.GetToldUnacceptable():
		return lead + fmt.Sprintf("rather %s than %s, told at operation %d.", rate(l.GetUnacceptableRate()), rate(l.GetAcceptableRate()), l.GetToldAt())
	}
	return lead + fmt.Sprintf("rather %s than %s, told at operation %d.", rate(l.GetAcceptableRate()), rate(l.GetUnacceptableRate()), l.GetToldAt())
}
