package discrepancy

import (
	"cmp"
	"fmt"
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// course speaks of further pump runs and of conversion.
func (c *comparison) course() {
	c.furtherRuns()
	conv := c.op.Conversion
	e := entry{Discrepancy: Discrepancy{
		ID: id(Conversion), Class: Conversion, Verdict: Present, Occasion: valve.AtOperation, Planned: "repair",
	}}
	switch {
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
		return
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
func (c *comparison) furtherRuns() {
	runs := map[int]repair.Run{}
	for _, r := range c.op.Runs {
		runs[r.Number] = r
	}
	for n := 2; n <= c.lastRun; n++ {
		r := runs[n]
		e := entry{planned: n, Discrepancy: Discrepancy{
			ID: id(FurtherPumpRun, fmt.Sprintf("run%d", n)), Class: FurtherPumpRun, Verdict: Present,
			Occasion: valve.AtOperation, Run: n, Planned: "one pump run", Actual: fmt.Sprintf("pump run %d", n), Reason: r.Reason,
			Message: fmt.Sprintf("Bypass was gone on again for the mitral valve, pump run %d%s", n, because(r.Reason)),
		}}
		stepDone := slices.ContainsFunc(c.steps, func(s performedStep) bool { return s.Run == n || s.TakenDownInRun == n })
		switch {
		case r.ForMitralValve == valve.Yes, r.ForMitralValve == "" && (slices.Contains(valveReasons, r.Reason) || stepDone):
		case r.ForMitralValve == valve.No, slices.Contains(otherReasons, r.Reason):
			continue
		default:
			e.Verdict = NotJudged
			e.Missing = []string{"for_mitral_valve of pump run " + fmt.Sprint(n)}
			e.Message = fmt.Sprintf("Whether pump run %d was for the mitral valve is not recorded", n)
		}
		c.add(e)
	}
	if c.op.RunsRecorded != valve.Complete && c.lastRun < 2 {
		c.add(entry{Discrepancy: Discrepancy{
			ID: id(FurtherPumpRun), Class: FurtherPumpRun, Verdict: NotJudged, Occasion: valve.AtOperation,
			Missing: []string{"runs_recorded of operation"},
			Message: "Whether there was a further pump run is not recorded: the runs are not stated to be complete",
		}})
	}
}

// setsToJudge gives the results that speak of the outcome: that on leaving
// theatre, those before a further pump run or a conversion, and where nothing is
// recorded on leaving theatre those of the last run. exit is nil if there is none.
func (c *comparison) setsToJudge() (exit *repair.Study, before []repair.Study) {
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
func atSet(class Class, metric string, s *repair.Study, parts ...string) entry {
	return entry{Discrepancy: Discrepancy{
		ID: id(class, append(parts, string(s.Occasion))...), Class: class, Verdict: Present, Metric: metric,
		Occasion: s.Occasion, Run: s.Run, Stage: s.Stage,
	}}
}

// regurgitation speaks of what is left: moderate or more, or above the grade that
// the plan accepts.
func (c *comparison) regurgitation() {
	_, before := c.setsToJudge()
	for _, s := range before {
		if moderate, ok := s.Grade.ModerateOrMore(); ok && moderate {
			e := atSet(ResidualRegurgitation, mitralGrade, &s)
			e.Actual, e.Planned = s.Grade.String(), "mild or less"
			e.Message = fmt.Sprintf("Residual regurgitation %s at %s", e.Actual, setWords(&s))
			c.add(e)
		}
	}
	e := entry{Discrepancy: Discrepancy{
		ID: id(ResidualRegurgitation, string(valve.LeavingTheatre)), Class: ResidualRegurgitation, Verdict: Present,
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
	e.Occasion, e.Run, e.Actual = s.Occasion, s.Run, s.Grade.String()
	e.Message = fmt.Sprintf("Residual regurgitation %s at leaving theatre", e.Actual)
	if c.replacedInTheatre() {
		e.Message = fmt.Sprintf("Regurgitation %s at leaving theatre, after replacement", e.Actual)
	}
	moderate, _ := s.Grade.ModerateOrMore()
	if !moderate {
		verdict, steps := c.aboveAccepted(s.Grade)
		if verdict == "" {
			return
		}
		e.Verdict, e.Planned = verdict, "at most the grade that the plan accepts"
		e.Difference, e.Tolerance = units.Some(float64(steps)), units.Some(c.gradeTolerance())
		c.byPlan(&e.Discrepancy, ByTarget)
		e.Message += ", above the grade that the plan accepts" + doubt(verdict)
	}
	c.add(e)
}

// aboveAccepted compares a grade on leaving theatre with the lowest that the plan
// accepts there in the same scheme.
func (c *comparison) aboveAccepted(g repair.Grade) (worst Verdict, steps int) {
	if c.plan == nil || c.replacedInTheatre() {
		return "", 0
	}
	for _, t := range c.plan.Targets {
		if t.Leaf != "" || cmp.Or(t.Stage, valve.LeavingTheatre) != valve.LeavingTheatre {
			continue
		}
		if v, n := c.worse(t.Grade, g); (v == Present || v == Indeterminate) && n > steps {
			worst, steps = v, n
		}
	}
	return worst, steps
}

// setWords names a result: leaving theatre, off bypass after pump run 1.
func setWords(s *repair.Study) string {
	text := cmp.Or(words(string(s.Stage)), "a result without a stage")
	if s.Run > 0 {
		text += fmt.Sprintf(" after pump run %d", s.Run)
	}
	return text
}

// newFindings speaks of what was not there before: anterior motion, a high
// gradient, aortic regurgitation, a wall that moves abnormally.
func (c *comparison) newFindings() {
	exit, before := c.setsToJudge()
	for i := range before {
		for _, e := range c.findings(&before[i], string(before[i].Occasion)) {
			if e.Verdict != NotJudged {
				c.add(e)
			}
		}
	}
	if exit == nil {
		c.add(entry{Discrepancy: Discrepancy{
			ID: id(NewFinding, string(valve.LeavingTheatre)), Class: NewFinding, Verdict: NotJudged, Stage: valve.LeavingTheatre,
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
func (c *comparison) findings(s *repair.Study, set string) []entry {
	var list []entry
	for i, look := range []func(*repair.Study, entry) (entry, bool){
		c.anteriorMotion, c.highGradient, c.aorticRegurgitation, c.lateralWall,
	} {
		name := []string{"anterior_motion", string(meanGradient), "aortic_regurgitation", "lateral_wall"}[i]
		e := atSet(NewFinding, name, s)
		e.ID = id(NewFinding, name, set)
		e.planned = i
		if e, say := look(s, e); say {
			list = append(list, e)
		}
	}
	return list
}

// motions gives the rank of anterior motion.
var motions = []string{"none", "chordal", "leaflet_without_obstruction", "leaflet_with_obstruction"}

// anteriorMotion is new where it is worse than in the last assessment that speaks
// of it.
func (c *comparison) anteriorMotion(s *repair.Study, e entry) (entry, bool) {
	rank := slices.Index(motions, s.AnteriorMotion)
	if rank < 0 {
		return notRecorded(e, "anterior_motion", s), true
	}
	baseline := c.baseline(func(a *repair.Study) bool { return a.AnteriorMotion != "" })
	if rank == 0 || (baseline != nil && rank <= slices.Index(motions, baseline.AnteriorMotion)) {
		return e, false
	}
	e.Planned, e.Actual = "none", words(s.AnteriorMotion)
	if baseline != nil {
		e.Planned = words(baseline.AnteriorMotion)
	}
	e.Message = fmt.Sprintf("Systolic anterior motion at %s: %s", setWords(s), e.Actual)
	return e, true
}

const meanGradient = valve.MeanGradient

// highGradient is a mean gradient beyond the site's threshold.
func (c *comparison) highGradient(s *repair.Study, e entry) (entry, bool) {
	limit := c.in.Settings.Threshold(settings.GradientHigh)
	e.JudgedBy, e.JudgedByVersion = BySiteTolerance, c.in.Settings.PolicyHash
	e.Planned = "not above " + amount(meanGradient, limit.Value)
	if c.replacedInTheatre() && s.Stage == valve.LeavingTheatre {
		e.Verdict = NotJudged
		e.Message = "Mean gradient at leaving theatre: " + replaced
		return e, true
	}
	key := valve.Key{ID: meanGradient, Occasion: s.Occasion, Role: valve.Measured}
	v, missing := c.read(key)
	if missing != "" {
		e = notRecorded(e, string(meanGradient), s)
		e.Missing = []string{missing}
		return e, true
	}
	if !limit.Beyond(v) {
		return e, false
	}
	e.Method = c.measured[key].Context.Method
	numbers(&e.Discrepancy, meanGradient, limit.Value, v, 0)
	e.Message = fmt.Sprintf("Mean gradient at %s: %s, above %s", setWords(s), e.Actual, amount(meanGradient, limit.Value))
	return e, true
}

// aorticRegurgitation is new where its grade is worse than in the last assessment
// of the same scheme.
func (c *comparison) aorticRegurgitation(s *repair.Study, e entry) (entry, bool) {
	baseline := c.baseline(func(a *repair.Study) bool { return a.AorticGrade.Known() })
	if baseline == nil || !s.AorticGrade.Known() {
		e = notRecorded(e, "aortic_regurgitation", s)
		if baseline == nil {
			e.Missing = append(e.Missing, "aortic_regurgitation of an assessment")
		}
		if s.AorticGrade.Known() {
			e.Missing = e.Missing[1:]
		}
		return e, true
	}
	verdict, steps := c.worse(baseline.AorticGrade, s.AorticGrade)
	e.Verdict = verdict
	e.Planned, e.Actual = baseline.AorticGrade.String(), s.AorticGrade.String()
	switch verdict {
	case "":
		return e, false
	case NotJudged:
		e.Missing = []string{"aortic_regurgitation in one scheme"}
		e.Message = "Aortic regurgitation before and after is graded in different schemes"
	default:
		e.Difference, e.Tolerance = units.Some(float64(steps)), units.Some(c.gradeTolerance())
		e.Message = fmt.Sprintf("Aortic regurgitation at %s: %s, before %s%s", setWords(s), e.Actual, e.Planned, doubt(verdict))
	}
	return e, true
}

// lateralWall is newly abnormal where the result or the operation says so.
func (c *comparison) lateralWall(s *repair.Study, e entry) (entry, bool) {
	atExit := s.Stage == valve.LeavingTheatre
	stated := c.op.Neighbourhood.LateralWallNewlyAbnormal
	switch {
	case s.NewLateral, atExit && stated == valve.Yes:
		e.Planned, e.Actual = "as before", "newly abnormal"
		e.Message = fmt.Sprintf("Lateral wall newly abnormal at %s", setWords(s))
		return e, true
	case stated == valve.No:
		return e, false
	}
	e = notRecorded(e, "lateral_wall", s)
	e.Missing = []string{"lateral_wall_newly_abnormal of operation"}
	return e, true
}

func notRecorded(e entry, what string, s *repair.Study) entry {
	e.Verdict = NotJudged
	e.Missing = []string{what + " of " + string(s.Occasion)}
	e.Message = fmt.Sprintf("%s at %s cannot be judged", capital(words(what)), setWords(s))
	return e
}

// baseline gives the last assessment that says something, or nil.
func (c *comparison) baseline(says func(*repair.Study) bool) *repair.Study {
	var last *repair.Study
	for _, s := range c.in.Case.OfKind(repair.Assessment) {
		if says(&s) {
			last = &s
		}
	}
	return last
}
