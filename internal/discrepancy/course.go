package discrepancy

import (
	"cmp"
	"fmt"
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// course speaks of further pump runs and of conversion.
func (c *comparing) course() {
	c.furtherRuns()
	conv := c.op.Conversion
	e := entry{Comparison: Comparison{
		ID: key(KindConversion, "", "", valve.Nowhere, string(valve.AtOperation)), Kind: KindConversion,
		DiscrepancyID: id(Conversion), Class: Conversion, Verdict: Present, Occasion: valve.AtOperation, Planned: "repair",
	}}
	intended := c.op.Intended
	if intended == "" && c.plan != nil {
		intended = c.plan.Intended
	}
	if intended == "decide_on_inspection" {
		e.Planned = "repair, decided on inspection"
	}
	switch {
	case intended == "replacement":
		e.notApplicable("a replacement was intended")
		e.Planned = "replacement"
		e.Message = "Conversion: a replacement was intended from the beginning"
	case c.op.Converted():
		e.Actual, e.Reason = "replacement", conv.Reason
		e.Message = "The repair was given up for a replacement"
		if conv.Point != "" {
			e.Message += ", " + points[conv.Point]
		}
		e.Message += because(conv.Reason)
	case conv == nil || conv.Converted == "":
		e.Verdict = NotJudged
		e.Missing = []string{"conversion of operation"}
		e.Message = "Whether the repair was converted to a replacement is not recorded"
	default:
		e.Verdict, e.Actual = Agrees, "repair"
		e.Message = "The repair was not given up for a replacement"
	}
	c.add(e)
}

var points = map[string]string{
	"before_repair":  "before any repair step",
	"before_weaning": "before weaning from bypass",
	"after_weaning":  "after weaning from bypass",
	sameStay:         "later in the same stay",
}

// valveReasons are the reasons of a further pump run that concern the mitral
// valve by themselves; otherReasons those that do not.
var (
	valveReasons = []string{"residual_regurgitation", "anterior_motion", "stenosis"}
	otherReasons = []string{"circumflex", "aortic_valve", "bleeding", "heart_failure"}
)

// furtherRuns speaks of every pump run after the first that was for the mitral
// valve: stated so, by its reason, or because a step was done in it.
func (c *comparing) furtherRuns() {
	runs := map[int]repair.Run{}
	for _, r := range c.op.Runs {
		runs[r.Number] = r
	}
	none := c.op.RunsRecorded == valve.Complete
	for n := 2; n <= c.lastRun; n++ {
		r := runs[n]
		e := entry{planned: n, Comparison: Comparison{
			ID: key(KindPumpRun, "", "", valve.Nowhere, fmt.Sprintf("%s/run%d", valve.AtOperation, n)), Kind: KindPumpRun,
			DiscrepancyID: id(FurtherPumpRun, fmt.Sprintf("run%d", n)), Class: FurtherPumpRun, Verdict: Present,
			Occasion: valve.AtOperation, Run: n, Planned: "one pump run", Actual: fmt.Sprintf("pump run %d", n), Reason: r.Reason,
			Message: fmt.Sprintf("Bypass was resumed for the mitral valve, pump run %d%s", n, because(r.Reason)),
		}}
		stepDone := slices.ContainsFunc(c.steps, func(s performedStep) bool { return s.Run == n || s.TakenDownInRun == n })
		switch {
		case r.ForMitralValve == valve.Yes, r.ForMitralValve == "" && (slices.Contains(valveReasons, r.Reason) || stepDone):
			none = false
		case r.ForMitralValve == valve.No, slices.Contains(otherReasons, r.Reason):
			e.notApplicable("it was not for the mitral valve")
			e.Message = fmt.Sprintf("Pump run %d: %s%s", n, e.NotApplicableBecause, because(r.Reason))
		default:
			none = false
			e.Verdict = NotJudged
			e.Missing = []string{"for_mitral_valve of pump run " + fmt.Sprint(n)}
			e.Message = fmt.Sprintf("Whether pump run %d was for the mitral valve is not recorded", n)
		}
		c.add(e)
	}
	all := Comparison{
		ID: key(KindPumpRun, "", "", valve.Nowhere, string(valve.AtOperation)), Kind: KindPumpRun, Class: FurtherPumpRun,
		DiscrepancyID: id(FurtherPumpRun), Verdict: Agrees, Occasion: valve.AtOperation,
		Planned: "one pump run", Actual: "one pump run", Message: "Bypass was not resumed for the mitral valve",
	}
	switch {
	case none:
		c.add(entry{Comparison: all})
	case c.op.RunsRecorded != valve.Complete && c.lastRun < 2:
		c.add(entry{Comparison: Comparison{
			ID: all.ID, Kind: all.Kind, DiscrepancyID: all.DiscrepancyID, Class: FurtherPumpRun, Verdict: NotJudged, Occasion: valve.AtOperation,
			Missing: []string{"runs_recorded of operation"},
			Message: "Whether there was a further pump run is not recorded: the runs are not stated to be complete",
		}})
	}
}

// setsToJudge gives the results that speak of the outcome: that on leaving
// theatre, those before a further pump run or a conversion, and where nothing is
// recorded on leaving theatre those of the last run. exit is nil if there is none.
func (c *comparing) setsToJudge() (exit *repair.Study, before []repair.Study) {
	if list := c.resultsAt(valve.LeavingTheatre); len(list) > 0 {
		exit = &list[0]
	}
	for _, s := range c.in.Case.OfKind(repair.Result) {
		earlier := s.Run > 0 && s.Run < c.lastRun
		led := (exit == nil || c.op.Converted()) && s.Stage != valve.LeavingTheatre
		if earlier || led {
			before = append(before, s)
		}
	}
	return exit, before
}

// atSet begins an entry about one result.
func atSet(kind Kind, class Class, metric string, s *repair.Study, parts ...string) entry {
	return entry{Comparison: Comparison{
		ID: key(kind, "", metric, valve.Nowhere, string(s.Occasion)), Kind: kind,
		DiscrepancyID: id(class, append(parts, string(s.Occasion))...), Class: class, Verdict: Present, Metric: metric,
		Occasion: s.Occasion, Run: s.Run, Stage: s.Stage,
	}}
}

// regurgitation speaks of what is left: moderate or more, or above the grade that
// the plan accepts.
func (c *comparing) regurgitation() {
	_, before := c.setsToJudge()
	for i := range before {
		s := &before[i]
		left, byMotion := c.residual(s, s.Run == 0 || s.Run >= c.lastRun)
		moderate, graded := left.ModerateOrMore()
		if !graded && (!byMotion || !s.Grade.Known()) {
			continue
		}
		e := atSet(KindSiteLimit, ResidualRegurgitation, mitralGrade, s)
		e.Planned, e.LimitOnReading = "mild or less", true
		switch {
		case !graded:
			e.Actual = s.Grade.String()
			e.notApplicable("it came with systolic anterior motion, which is told by itself")
			e.Message = fmt.Sprintf("Regurgitation %s %s: %s", e.Actual, setWords(s), e.NotApplicableBecause)
		case moderate:
			e.Actual = left.String()
			e.Message = fmt.Sprintf("Residual regurgitation %s %s%s", e.Actual, setWords(s), withMotion(byMotion))
		default:
			e.Verdict, e.Actual = Agrees, left.String()
			e.Message = fmt.Sprintf("Regurgitation %s %s", e.Actual, setWords(s))
		}
		c.add(e)
	}
	e := entry{Comparison: Comparison{
		ID: key(KindSiteLimit, "", mitralGrade, valve.Nowhere, string(valve.LeavingTheatre)), Kind: KindSiteLimit, LimitOnReading: true,
		DiscrepancyID: id(ResidualRegurgitation, string(valve.LeavingTheatre)), Class: ResidualRegurgitation, Verdict: Present,
		Metric: mitralGrade, Stage: valve.LeavingTheatre, Planned: "mild or less",
	}}
	s := c.gradedResult(valve.LeavingTheatre)
	if s == nil {
		e.Verdict = NotJudged
		e.Missing = []string{mitralGrade + " of " + string(valve.LeavingTheatre)}
		e.Message = "Regurgitation at leaving theatre is not recorded as a grade of a scheme"
		c.add(e)
		return
	}
	left, byMotion := c.residual(s, true)
	e.Occasion, e.Run, e.Actual = s.Occasion, s.Run, left.String()
	e.Message = fmt.Sprintf("Residual regurgitation %s at leaving theatre%s", e.Actual, withMotion(byMotion))
	if c.replacedInTheatre() {
		e.Message = fmt.Sprintf("Regurgitation %s at leaving theatre, after replacement", e.Actual)
	}
	moderate, _ := left.ModerateOrMore()
	if !moderate {
		e.Verdict = Agrees
		if !c.replacedInTheatre() {
			e.Message = fmt.Sprintf("Regurgitation %s at leaving theatre", e.Actual)
		}
		if g, above := c.aboveAccepted(left); above {
			e.Message = fmt.Sprintf("Residual regurgitation %s at leaving theatre", e.Actual)
			e.Planned, e.LimitOnReading = "at most the grade that the plan accepts", false
			e.compareGrades(g)
			c.byPlan(&e.Comparison, ByTarget)
			e.Message += ", above the grade that the plan accepts" + doubt(g.verdict)
		}
	}
	c.add(e)
}

// residual gives the grade of a result that counts as left, and whether it is that
// of anterior motion. Under an earlier rule set it is the grade as it stands.
func (c *comparing) residual(s *repair.Study, last bool) (left repair.Grade, byMotion bool) {
	if c.in.Settings.Edition.Before(motionApart) {
		return s.Grade, false
	}
	return s.Residual(last)
}

// motionApart is the edition since which regurgitation with anterior motion, and a
// gradient that was not read when quiet, are judged apart.
const motionApart = 3

func withMotion(byMotion bool) string {
	if byMotion {
		return ", while anterior motion is present"
	}
	return ""
}

// aboveAccepted compares a grade on leaving theatre with the lowest that the plan
// accepts there in the same scheme.
func (c *comparing) aboveAccepted(g repair.Grade) (worst graded, above bool) {
	if c.plan == nil || c.replacedInTheatre() {
		return graded{}, false
	}
	for _, t := range c.plan.Targets {
		if t.Leaf != "" || cmp.Or(t.Stage, valve.LeavingTheatre) != valve.LeavingTheatre {
			continue
		}
		if by := c.worse(t.Grade, g); (by.verdict == Present || by.verdict == Indeterminate) && by.steps > worst.steps {
			worst, above = by, true
		}
	}
	return worst, above
}

// setWords says when a result was read: at leaving theatre, off bypass after pump
// run 1.
func setWords(s *repair.Study) string {
	text := "in a result without a stage"
	if s.Stage != "" {
		text = when(s.Stage)
	}
	if s.Run > 0 {
		text += fmt.Sprintf(" after pump run %d", s.Run)
	}
	return text
}

// when says a stage as a time.
func when(s valve.Stage) string {
	switch s {
	case valve.OffBypass, valve.AfterLeafletWork, valve.AfterRing:
		return words.Spaced(s)
	}
	return "at " + words.Spaced(s)
}

// newFindings speaks of what was not there before: anterior motion, a high
// gradient, aortic regurgitation, a wall that moves abnormally.
func (c *comparing) newFindings() {
	exit, before := c.setsToJudge()
	for i := range before {
		for _, e := range c.findings(&before[i], string(before[i].Occasion)) {
			// Before a further run, what was not recorded is not asked for; what was
			// and cannot be judged is told.
			if e.Verdict != NotJudged || e.ActualValue.IsSome() {
				c.add(e)
			}
		}
	}
	if exit == nil {
		c.add(entry{Comparison: Comparison{
			ID: key(KindSiteLimit, "", "", valve.Nowhere, string(valve.LeavingTheatre)), Kind: KindSiteLimit,
			DiscrepancyID: id(NewFinding, string(valve.LeavingTheatre)), Class: NewFinding, Verdict: NotJudged, Stage: valve.LeavingTheatre,
			Missing: []string{"result of " + string(valve.LeavingTheatre)},
			Message: "New findings on leaving theatre cannot be judged: there is no result of that stage",
		}})
		return
	}
	for _, e := range c.findings(exit, string(valve.LeavingTheatre)) {
		c.add(e)
	}
}

// findings judges one result; each finding is named once for the set it is in.
func (c *comparing) findings(s *repair.Study, set string) []entry {
	var list []entry
	for i, look := range []func(*repair.Study, entry) entry{
		c.anteriorMotion, c.highGradient, c.aorticRegurgitation, c.lateralWall,
	} {
		name := []string{"anterior_motion", string(meanGradient), "aortic_regurgitation", "lateral_wall"}[i]
		e := atSet(KindSiteLimit, NewFinding, name, s)
		e.ID, e.DiscrepancyID = key(KindSiteLimit, "", name, valve.Nowhere, set), id(NewFinding, name, set)
		e.planned = i
		list = append(list, look(s, e))
	}
	return list
}

// motions gives the rank of anterior motion.
var motions = []string{"none", "chordal", "leaflet_without_obstruction", "leaflet_with_obstruction"}

// anteriorMotion is new where it is worse than in the last assessment that speaks
// of it.
func (c *comparing) anteriorMotion(s *repair.Study, e entry) entry {
	rank := slices.Index(motions, s.AnteriorMotion)
	if rank < 0 {
		return notRecorded(e, "anterior_motion", s)
	}
	baseline := c.baseline(func(a *repair.Study) bool { return a.AnteriorMotion != "" })
	e.Planned, e.Actual = "none", words.Spaced(s.AnteriorMotion)
	if baseline != nil {
		e.Planned = words.Spaced(baseline.AnteriorMotion)
	}
	e.Message = fmt.Sprintf("Systolic anterior motion %s: %s", setWords(s), e.Actual)
	if rank == 0 || (baseline != nil && rank <= slices.Index(motions, baseline.AnteriorMotion)) {
		e.Verdict = Agrees
	}
	return e
}

const meanGradient = valve.MeanGradient

// highGradient is a mean gradient beyond the site's threshold. The limit has a
// source whose readings carried the same error, so that it applies to the reading
// as it is; whether that was taken when quiet is judged as the rules judge it.
func (c *comparing) highGradient(s *repair.Study, e entry) entry {
	limit := c.in.Settings.Threshold(settings.GradientHigh)
	e.JudgedBy, e.JudgedByVersion = BySiteTolerance, c.in.Settings.PolicyHash
	e.Planned = "not above " + amount(meanGradient, limit.Value)
	e.Owner, e.LimitOnReading = limit.Owner, true
	if c.replacedInTheatre() && s.Stage == valve.LeavingTheatre {
		e.notApplicable(replaced)
		e.Message = "Mean gradient at leaving theatre: " + replaced
		return e
	}
	k := valve.Key{ID: meanGradient, Occasion: s.Occasion, Role: valve.Measured}
	v, missing := c.read(k)
	if missing != "" {
		e = notRecorded(e, string(meanGradient), s)
		e.Missing = []string{missing}
		return e
	}
	e.Method, e.ActualSD = c.measured[k].Context.Method, c.sd(k)
	numbers(&e.Comparison, meanGradient, limit.Value, v, 0, 0)
	e.Upper, e.Tolerance = units.Some(limit.Value), units.None[float64]()
	limitText := amount(meanGradient, limit.Value)
	reading := metric.JudgeGradient(c.in.Settings, c.quiet(s), v, c.gradientRate(s))
	switch reading.Verdict {
	case metric.GradientHigh:
		e.Verdict = Present
		e.Message = fmt.Sprintf("Mean gradient %s: %s, above the limit of %s by %s", setWords(s), e.Actual, limitText, amount(meanGradient, e.Difference.OrElse(0)))
		if reading.Under != "" {
			e.Message += ", read " + reading.Under + ", which does not excuse it"
		}
		e.Message += c.onReading(&e.Comparison)
	case metric.GradientNotComparable:
		e.Verdict = NotJudged
		e.Missing = []string{string(meanGradient) + " of " + string(s.Occasion) + " when quiet"}
		e.Message = fmt.Sprintf("Mean gradient %s: %s, read %s: not comparable with the limit of %s at rest", setWords(s), e.Actual, reading.Under, limitText)
	case metric.GradientProvoked:
		e.notApplicable("it was read " + reading.Under)
		e.Message = fmt.Sprintf("Mean gradient %s: %s, read %s; the limit of %s is one at rest", setWords(s), e.Actual, reading.Under, limitText)
	default:
		e.Verdict = Agrees
		e.Message = fmt.Sprintf("Mean gradient %s: %s, limit %s", setWords(s), e.Actual, limitText)
	}
	return e
}

// quiet gives the study with what it was done under. Under an earlier rule set
// nobody asked.
func (c *comparing) quiet(s *repair.Study) *repair.Study {
	if c.in.Settings.Edition.Before(motionApart) {
		return &repair.Study{Kind: s.Kind}
	}
	return s
}

// gradientRate gives the heart rate at which the gradient of a study was taken, from
// any section of it.
func (c *comparing) gradientRate(s *repair.Study) units.Maybe[float64] {
	if c.in.Settings.Edition.Before(motionApart) {
		return units.None[float64]()
	}
	list := []valve.Occasion{s.Occasion}
	for _, other := range c.in.Case.Studies {
		if other.StudyID == s.StudyID {
			list = append(list, other.Occasion)
		}
	}
	for _, o := range list {
		if v := c.measured[valve.Key{ID: valve.GradientHeartRate, Occasion: o, Role: valve.Measured}].Value; v.IsSome() {
			return v
		}
	}
	return units.None[float64]()
}

// onReading says why a limit on the reading is judged without its error.
func (c *comparing) onReading(d *Comparison) string {
	text := "; the limit applies to the reading itself"
	if sd, known := d.ActualSD.Get(); known {
		text += ", whose standard deviation is " + amount(valve.ID(d.Metric), sd)
	}
	return text
}

// aorticRegurgitation is new where its grade is worse than in the last assessment
// of the same scheme.
func (c *comparing) aorticRegurgitation(s *repair.Study, e entry) entry {
	baseline := c.baseline(func(a *repair.Study) bool { return a.AorticGrade.Known() })
	if baseline == nil || !s.AorticGrade.Known() {
		e = notRecorded(e, "aortic_regurgitation", s)
		if baseline == nil {
			e.Missing = append(e.Missing, "aortic_regurgitation of an assessment")
		}
		if s.AorticGrade.Known() {
			e.Missing = e.Missing[1:]
		}
		return e
	}
	by := c.worse(baseline.AorticGrade, s.AorticGrade)
	e.Planned, e.Actual = baseline.AorticGrade.String(), s.AorticGrade.String()
	e.compareGrades(by)
	if by.verdict == NotJudged {
		e.Missing = []string{"aortic_regurgitation in one scheme"}
		e.Message = "Aortic regurgitation before and after is graded in different schemes"
		return e
	}
	e.Message = fmt.Sprintf("Aortic regurgitation %s: %s, before %s%s", setWords(s), e.Actual, e.Planned, doubt(by.verdict))
	return e
}

// lateralWall is newly abnormal where the result or the operation says so.
func (c *comparing) lateralWall(s *repair.Study, e entry) entry {
	atExit := s.Stage == valve.LeavingTheatre
	stated := c.op.Neighbourhood.LateralWallNewlyAbnormal
	switch {
	case s.NewLateral, atExit && stated == valve.Yes:
		e.Planned, e.Actual = "as before", "newly abnormal"
		e.Message = fmt.Sprintf("Lateral wall newly abnormal %s", setWords(s))
		return e
	case stated == valve.No:
		e.Verdict, e.Planned, e.Actual = Agrees, "as before", "as before"
		e.Message = fmt.Sprintf("Lateral wall not newly abnormal %s", setWords(s))
		return e
	}
	e = notRecorded(e, "lateral_wall", s)
	e.Missing = []string{"lateral_wall_newly_abnormal of operation"}
	return e
}

func notRecorded(e entry, what string, s *repair.Study) entry {
	e.Verdict = NotJudged
	e.Missing = []string{what + " of " + string(s.Occasion)}
	e.Message = fmt.Sprintf("%s %s cannot be judged", words.Capital(words.Spaced(what)), setWords(s))
	return e
}

// baseline gives the last assessment that says something, or nil.
func (c *comparing) baseline(says func(*repair.Study) bool) *repair.Study {
	var last *repair.Study
	for _, s := range c.in.Case.OfKind(repair.Assessment) {
		if says(&s) {
			last = &s
		}
	}
	return last
}
