package audit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var (
	inJanuary = time.Date(2026, 1, 12, 8, 0, 0, 0, time.UTC)
	later     = time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
)

func whole() OutcomeQuestion {
	return OutcomeQuestion{Settings: settings.BuiltIn("harbour", "1", "Europe/Berlin"), AsOf: later, Theatre: TheatreList{Because: "it was not asked"}}
}

func number(v float64) units.Maybe[float64] { return units.Some(v) }

// repaired is a case as it goes well: repair intended and done, discharged on day 7, all
// recorded.
func repaired(change ...func(*Case)) *Case {
	c := &Case{
		UID: "u1", Patient: 1, Incision: inJanuary, Timing: Prospective, AsExecuted: true, Intended: "repair", IntendedHoursBefore: number(20),
		Converted: valve.No, LeftTheatreAlive: valve.Yes, DiedInHospital: valve.No, DiedWithin30Days: valve.No, ReturnedToTheatre: valve.No, ReadmittedWithin30Days: valve.No,
		DischargedDay: day(7), StatusKnownUntilDay: day(40), RunCount: day(1), MitralFurtherRuns: day(0),
		Runs: []Run{{Number: 1, ClampMin: number(80), BypassMin: number(110)}},
		Echoes: []Echo{
			{Stage: valve.LeavingTheatre, Run: day(1), Grade: repair.Grade{Scheme: repair.FiveStep, Value: "trace"}, MeanGradientMmHg: number(3), AnteriorMotion: "none"},
			{FollowUp: "discharge", Day: day(6), Grade: repair.Grade{Scheme: repair.FiveStep, Value: "mild"}, MeanGradientMmHg: number(4), AnteriorMotion: "none"},
		},
		Statuses: []Status{
			{Day: day(0), Vital: "alive", ComplicationsRecorded: complete},
			{FollowUp: "discharge", Day: day(7), Vital: "alive", ComplicationsRecorded: complete, ReinterventionsRecorded: complete},
		},
	}
	for _, f := range change {
		f(c)
	}
	return c
}

func of(answer OutcomeAnswer, id string) Outcome {
	for _, o := range answer.Outcomes {
		if o.ID == id && o.Stratum == nil {
			return o
		}
	}
	panic("no outcome " + id)
}

// Every row is one patient: whether he counts in a share, and why not.
func TestOneWayOrTheOther(t *testing.T) {
	echo := func(i int, change func(*Echo)) func(*Case) {
		return func(c *Case) { change(&c.Echoes[i]) }
	}
	event := func(e Event) func(*Case) { return func(c *Case) { c.Events = append(c.Events, e) } }
	for _, r := range []struct {
		reason  string
		outcome string
		c       *Case
		want    string // yes, no, or why not
	}{
		{"as it goes well", repairLeavingTheatre, repaired(), "yes"},
		{"replacement was intended", repairLeavingTheatre, repaired(func(c *Case) { c.Intended = "replacement" }), string(RepairNotIntended)},
		{"nobody stated what was intended", repairLeavingTheatre, repaired(func(c *Case) { c.Intended = "" }), string(IntentionNotStated)},
		{"an intention stated afterwards is none", repairLeavingTheatre, repaired(func(c *Case) { c.IntendedHoursBefore = number(-3) }), string(IntentionAfterwards)},
		{"converted in theatre", repairLeavingTheatre, repaired(func(c *Case) { c.Converted, c.ConversionPoint = valve.Yes, "after_weaning" }), "no"},
		{"converted later in the stay left theatre repaired", repairLeavingTheatre, repaired(func(c *Case) { c.Converted, c.ConversionPoint = valve.Yes, sameStay }), "yes"},
		{"but was not discharged so", repairAtDischarge, repaired(func(c *Case) { c.Converted, c.ConversionPoint = valve.Yes, sameStay }), "no"},
		{"a replacement in the stay that a follow-up tells of", repairAtDischarge, repaired(event(Event{Kind: "reintervention", Reintervention: "replaced", Day: day(4)})), "no"},
		{"one after discharge is no conversion", repairAtDischarge, repaired(event(Event{Kind: "reintervention", Reintervention: "replaced", Day: day(400)})), "yes"},
		{"when it was converted is not recorded", repairLeavingTheatre, repaired(func(c *Case) { c.Converted = valve.Yes }), string(ReplacedUnknown)},
		{"whether it was is not recorded", repairLeavingTheatre, repaired(func(c *Case) { c.Converted = "" }), string(ReplacedUnknown)},
		{"died in theatre", repairLeavingTheatre, repaired(func(c *Case) { c.LeftTheatreAlive = valve.No }), "no"},
		{"who was discharged left theatre alive", repairLeavingTheatre, repaired(func(c *Case) { c.LeftTheatreAlive = "" }), "yes"},
		{"died in the stay", repairAtDischarge, repaired(func(c *Case) { c.DiedInHospital, c.DischargedDay = valve.Yes, units.None[int]() }), "no"},
		{"no entry of discharge", repairAtDischarge, repaired(func(c *Case) { c.DiedInHospital, c.DischargedDay = "", units.None[int]() }), string(NoGoing)},

		{"every part is met", "success_at_discharge", repaired(), "yes"},
		{"moderate at discharge", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.Grade.Value = "moderate" })), "no"},
		{"by the exit echo it is a success all the same", "success_by_exit_echo", repaired(echo(1, func(e *Echo) { e.Grade.Value = "moderate" })), "yes"},
		{"2+ is moderate", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.Grade = repair.Grade{Scheme: repair.PlusSigns, Value: "plus_2"} })), "no"},
		{"the limit itself is not above it", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.MeanGradientMmHg = number(5) })), "yes"},
		{"a gradient above it", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.MeanGradientMmHg = number(5.1) })), "no"},
		{"a gradient under exercise is none at rest", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.MeanGradientMmHg, e.Provocation = number(9), "exercise" })), string(NotAtRest)},
		{"obstruction that stays", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.AnteriorMotion = motionObstructs })), "no"},
		{"the last state that somebody told counts", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.AnteriorMotion = "" })), "yes"},
		{"nobody told one", "success_at_discharge", repaired(echo(0, func(e *Echo) { e.AnteriorMotion = "" }), echo(1, func(e *Echo) { e.AnteriorMotion = "" })), string(NotRecorded)},
		{"one part fails and another is unknown", "success_at_discharge", repaired(echo(1, func(e *Echo) { e.Grade, e.MeanGradientMmHg = repair.Grade{}, number(8) })), "no"},
		{"no echo at discharge", "success_at_discharge", repaired(func(c *Case) { c.Echoes = c.Echoes[:1] }), string(NoEcho)},

		{"the last run is the exit", RegurgitationAtExit, repaired(func(c *Case) {
			c.Echoes = append(c.Echoes, Echo{Stage: valve.LeavingTheatre, Run: day(2), Grade: repair.Grade{Scheme: repair.FiveStep, Value: "severe"}})
		}), "yes"},
		{"the echo at discharge is not the exit's", RegurgitationAtExit, repaired(func(c *Case) { c.Echoes = c.Echoes[1:] }), string(NoEcho)},
		{"off bypass is not the exit", RegurgitationAtExit, repaired(echo(0, func(e *Echo) { e.Stage = valve.OffBypass })), string(NoEcho)},
		{"a replaced valve does not leak from a repair", RegurgitationAtExit, repaired(func(c *Case) { c.Converted, c.ConversionPoint = valve.Yes, "before_weaning" }), string(ReplacedBefore)},
		{"mild to moderate is the lower half of moderate", RegurgitationAtExit, repaired(echo(0, func(e *Echo) { e.Grade = repair.Grade{Scheme: repair.SplitModerate, Value: "mild_to_moderate"} })), "yes"},

		{"an inotrope in theatre is not at rest", "gradient_leaving_theatre", repaired(echo(0, func(e *Echo) { e.MeanGradientMmHg, e.Inotrope = number(8), valve.Yes })), string(NotAtRest)},
		{"nor is a fast rate", "gradient_leaving_theatre", repaired(echo(0, func(e *Echo) { e.MeanGradientMmHg, e.HeartRatePerMin = number(6), number(112) })), string(NotAtRest)},
		{"an ordinary rate is", "gradient_leaving_theatre", repaired(echo(0, func(e *Echo) { e.MeanGradientMmHg, e.HeartRatePerMin = number(6), number(85) })), "yes"},

		{"a further run for the valve", FurtherMitralRun, repaired(func(c *Case) {
			c.Runs, c.MitralFurtherRuns = append(c.Runs, Run{Number: 2, ForMitral: valve.Yes, Reason: "anterior_motion"}), day(1)
		}), "yes"},
		{"a further run for bleeding", FurtherMitralRun, repaired(func(c *Case) { c.Runs = append(c.Runs, Run{Number: 2, ForMitral: valve.No}) }), "no"},
		{"runs that are not complete", FurtherMitralRun, repaired(func(c *Case) { c.MitralFurtherRuns = units.None[int]() }), string(NotComplete)},
		{"one that is there counts all the same", FurtherMitralRun, repaired(func(c *Case) {
			c.Runs, c.MitralFurtherRuns = append(c.Runs, Run{Number: 2, ForMitral: valve.Yes}), units.None[int]()
		}), "yes"},

		{"chords only are no motion of the leaflet", "anterior_motion_in_theatre", repaired(echo(0, func(e *Echo) { e.AnteriorMotion = motionChordal })), "no"},
		{"motion that resolved was there", "anterior_motion_in_theatre", repaired(func(c *Case) {
			c.Echoes = append([]Echo{{Stage: valve.OffBypass, AnteriorMotion: motionObstructs, AnteriorMotionEnd: motionResolved}}, c.Echoes...)
		}), "yes"},

		{"a plan of afterwards has no differences", "steps_or_ring_otherwise", repaired(func(c *Case) { c.Timing = "retrospective" }), string(OtherTiming)},
		{"a difference", "steps_or_ring_otherwise", repaired(func(c *Case) { c.DifferencesWithReason = 1 }), "yes"},
		{"nothing could be told", "steps_or_ring_otherwise", repaired(func(c *Case) { c.AsExecuted = false }), string(NotRecorded)},
		{"with its reason", "difference_without_reason", repaired(func(c *Case) { c.DifferencesWithReason = 1 }), "no"},

		{"alive after 30 days", OperativeMortality, repaired(), "no"},
		{"dead in the stay on day 40", OperativeMortality, repaired(func(c *Case) { c.DiedInHospital, c.DiedWithin30Days, c.DiedDay = valve.Yes, valve.No, day(40) }), "yes"},
		{"dead at home on day 20", OperativeMortality, repaired(func(c *Case) { c.DiedWithin30Days, c.DiedDay = valve.Yes, day(20) }), "yes"},
		{"not known at 30 days", OperativeMortality, repaired(func(c *Case) { c.DiedWithin30Days = "" }), string(NotRecorded)},
		{"30 days are not over", OperativeMortality, repaired(func(c *Case) { c.Incision = later.AddDate(0, 0, -10) }), string(NotOver)},
		{"nor for who died already, else only the dead would count", OperativeMortality, repaired(func(c *Case) { c.Incision, c.DiedInHospital = later.AddDate(0, 0, -10), valve.Yes }), string(NotOver)},
		{"day 40 is not within 30", deathIn30Days, repaired(func(c *Case) { c.DiedInHospital, c.DiedDay = valve.Yes, day(40) }), "no"},

		{"no stroke, all recorded", "complication_stroke", repaired(), "no"},
		{"a stroke on day 3", "complication_stroke", repaired(event(Event{Kind: "complication", Complication: "stroke", Day: day(3)})), "yes"},
		{"a stroke after a year is not of the stay", "complication_stroke", repaired(event(Event{Kind: "complication", Complication: "stroke", Day: day(365)})), "no"},
		{"a stroke by another definition", "complication_stroke", repaired(event(Event{Kind: "complication", Complication: "stroke", Day: day(3), DefaultDefinition: valve.No})), string(OtherDefinition)},
		{"not all are recorded", "complication_stroke", repaired(func(c *Case) { c.Statuses[1].ComplicationsRecorded = "partial" }), string(NotComplete)},
		{"what is there counts all the same", "complication_stroke", repaired(func(c *Case) { c.Statuses[1].ComplicationsRecorded = "partial" }, event(Event{Kind: "complication", Complication: "stroke", InTheatre: true})), "yes"},
		{"a stroke without a day, entries of years", "complication_stroke", repaired(func(c *Case) { c.Statuses = append(c.Statuses, Status{FollowUp: "one_year"}) }, event(Event{Kind: "complication", Complication: "stroke"})), string(NotRecorded)},

		{"kidney injury of stage 2 is no major one", majorMorbidity, repaired(event(Event{Kind: "complication", Complication: "kidney_injury", Grade: "stage_2", Day: day(2)})), "no"},
		{"new dialysis is", majorMorbidity, repaired(event(Event{Kind: "complication", Complication: "kidney_injury", NewDialysis: valve.Yes, Day: day(2)})), "yes"},
		{"a return for the wound is not", majorMorbidity, repaired(func(c *Case) { c.ReturnedToTheatre = valve.Yes }, event(Event{Kind: "return_to_theatre", ReturnReason: "wound", Day: day(5)})), "no"},
		{"a return for bleeding is", majorMorbidity, repaired(func(c *Case) { c.ReturnedToTheatre = valve.Yes }, event(Event{Kind: "return_to_theatre", ReturnReason: "bleeding", Day: day(1)})), "yes"},
		{"returns that are not all recorded leave it open", majorMorbidity, repaired(func(c *Case) { c.ReturnedToTheatre = "" }), string(NotComplete)},
		{"one is enough", "death_or_major_morbidity", repaired(func(c *Case) { c.ReturnedToTheatre, c.DiedWithin30Days = "", valve.Yes }), "yes"},

		{"no further operation, all recorded", reintervention, repaired(), "no"},
		{"nobody asked", reintervention, repaired(func(c *Case) { c.Statuses[1].ReinterventionsRecorded = "" }), string(NotComplete)},
		{"one after years", reintervention, repaired(event(Event{Kind: "reintervention", Reintervention: "repaired_again", Day: day(900)})), "yes"},
		{"who died in the stay is not readmitted", "readmitted_within_30_days", repaired(func(c *Case) { c.DiedInHospital = valve.Yes }), string(DiedBefore)},
	} {
		t.Run(r.reason, func(t *testing.T) {
			g := of(OutcomesOf(whole(), []*Case{r.c}).Answer(), r.outcome)
			got := ""
			switch {
			case g.Share.Of == 1 && g.Share.Count == 1:
				got = "yes"
			case g.Share.Of == 1:
				got = "no"
			case len(g.Left) == 1:
				got = string(g.Left[0].Reason)
			}
			if got != r.want {
				t.Errorf("%s is %q, want %q: %+v", r.outcome, got, r.want, g)
			}
			if g.Share.Of == 0 && (g.Share.Figure.Value.IsSome() || g.Share.Because == "") {
				t.Errorf("a share of nobody: %+v", g.Share)
			}
		})
	}
}

// Patients are counted: a later operation is a further one of the first, and nothing else.
func TestLaterOperationIsLinked(t *testing.T) {
	second := repaired(func(c *Case) {
		c.UID, c.Incision = "u2", inJanuary.AddDate(0, 3, 0)
		c.DiedInHospital = valve.Yes
	})
	answer := OutcomesOf(whole(), []*Case{second, repaired()}).Answer()
	if answer.Eligible != 2 || answer.Patients != 1 || !reflect.DeepEqual(answer.Left, []Left{{LaterCase, 1}}) {
		t.Errorf("%+v", answer)
	}
	if g := of(answer, reintervention); g.Share.Count != 1 || g.Share.Of != 1 || len(g.Parts) != 1 || g.Parts[0].Group != laterOperation {
		t.Errorf("further operation: %+v", g)
	}
	if g := of(answer, hospitalDeath); g.Share.Count != 0 || g.Share.Of != 1 {
		t.Errorf("a death after the later operation is one of the first: %+v", g)
	}
	// What the record of the first already tells is not counted twice, and what it leaves
	// open is closed.
	told := repaired(func(c *Case) { c.Events = []Event{{Kind: "reintervention", Reintervention: "replaced", Day: day(90)}} })
	if g := of(OutcomesOf(whole(), []*Case{told, second}).Answer(), reintervention); g.Share.Count != 1 || g.Share.Of != 1 {
		t.Errorf("told twice: %+v", g)
	}
	open := repaired(func(c *Case) { c.Statuses = c.Statuses[:1] })
	if g := of(OutcomesOf(whole(), []*Case{open, second}).Answer(), reintervention); g.Share.Count != 1 || g.Share.Of != 1 || g.Unknown != 0 || len(g.Left) != 0 {
		t.Errorf("left open: %+v", g)
	}
	// Where the first operation is not among the cases the later one counts for nobody.
	alone := repaired(func(c *Case) { c.Later = true })
	if answer := OutcomesOf(whole(), []*Case{alone}).Answer(); answer.Patients != 0 {
		t.Errorf("a later operation alone counts: %+v", answer)
	}
}

func TestGradesOfSchemesStandApart(t *testing.T) {
	graded := func(i int, g repair.Grade) *Case {
		return repaired(func(c *Case) { c.UID, c.Patient, c.Echoes[0].Grade = fmt.Sprint(i), int64(i), g })
	}
	g := of(OutcomesOf(whole(), []*Case{
		graded(1, repair.Grade{Scheme: repair.FiveStep, Value: "mild"}), graded(2, repair.Grade{Scheme: repair.FiveStep, Value: "moderate"}),
		graded(3, repair.Grade{Scheme: repair.PlusSigns, Value: "plus_2"}),
	}).Answer(), RegurgitationAtExit)
	if g.Share.Count != 2 || g.Share.Of != 3 {
		t.Errorf("moderate or more: %+v", g.Share)
	}
	var told []string
	for _, p := range g.Parts {
		told = append(told, fmt.Sprintf("%s/%s %d of %d", p.Kind, p.Word, p.Count, p.Of))
	}
	want := []string{
		"five_step/none 0 of 2", "five_step/trace 0 of 2", "five_step/mild 1 of 2", "five_step/moderate 1 of 2", "five_step/severe 0 of 2",
		"plus_signs/plus_0 0 of 1", "plus_signs/plus_1 0 of 1", "plus_signs/plus_2 1 of 1", "plus_signs/plus_3 0 of 1", "plus_signs/plus_4 0 of 1",
	}
	if !reflect.DeepEqual(told, want) {
		t.Errorf("%v, want %v", told, want)
	}
}

// varied gives cases that differ in what figures read, each of another patient.
func varied(n int, seed uint64) []*Case {
	r := rand.New(rand.NewPCG(seed, 1))
	var list []*Case
	for i := range n {
		list = append(list, repaired(func(c *Case) {
			c.UID, c.Patient, c.Incision = fmt.Sprintf("u%04d", i), int64(i+1), inJanuary.AddDate(-2, 0, i%700)
			c.FirstOperator = fmt.Sprintf("op-%d", i%6)
			c.Words = []Group{{"technique", []string{"triangular", "neochord"}[i%2]}}
			c.Risks = []Risk{{Outcome: "death_30_days", Horizon: "stay_or_thirty_days", Model: "harbour-risk", Version: "2", Percent: number(1 + 9*r.Float64()), ReceivedDays: number(-1)}}
			c.Echoes[0].MeanGradientMmHg = number(units.Round(2+4*r.Float64(), 0.1))
			switch r.IntN(12) {
			case 0:
				c.Converted, c.ConversionPoint = valve.Yes, "after_weaning"
			case 1:
				c.Echoes[0].Grade.Value = "moderate"
			case 2:
				c.DiedWithin30Days, c.DiedDay = valve.Yes, day(12)
			case 3:
				c.Statuses = c.Statuses[:1]
			case 4:
				c.Patient = int64(i) // of the one before
			case 5:
				c.DiedWithin30Days = ""
			}
		}))
	}
	return list
}

// No answer depends on the order in which cases came.
func TestOutcomesOfAnyOrder(t *testing.T) {
	q := whole()
	q.Strata, q.ByOperator, q.Name = []string{"technique"}, true, true
	rapid.Check(t, func(t *rapid.T) {
		cases := varied(80, rapid.Uint64().Draw(t, "seed"))
		want := OutcomesOf(q, cases).Answer()
		shuffled := rapid.Permutation(cases).Draw(t, "order")
		if got := OutcomesOf(q, shuffled).Answer(); !reflect.DeepEqual(got, want) {
			t.Errorf("another order, another answer")
		}
		// A case that was added and taken back changes nothing: it is not read.
		without := OutcomesOf(q, slices.Concat(shuffled[:40], shuffled[41:])).Answer()
		if again := OutcomesOf(q, slices.Concat(shuffled[41:], shuffled[:40])).Answer(); !reflect.DeepEqual(again, without) {
			t.Errorf("without one of them: another answer")
		}
	})
}

// Strata that part all patients add up to the whole, and counts hold together.
func TestStrataAddUp(t *testing.T) {
	q := whole()
	q.Strata = []string{"technique"}
	answer := OutcomesOf(q, varied(200, 7)).Answer()
	sums := map[string][3]int{}
	for _, g := range answer.Outcomes {
		if g.Share == nil || g.ID == "repair_rate_theatre_list" {
			continue
		}
		s := sums[g.ID]
		sign := 1
		if g.Stratum != nil {
			sign = -1
		}
		sums[g.ID] = [3]int{s[0] + sign*g.Share.Count, s[1] + sign*g.Share.Of, s[2] + sign*g.Unknown}
		left := 0
		for _, l := range g.Left {
			left += l.Count
		}
		if g.Stratum == nil && g.Share.Of+left != answer.Patients {
			t.Errorf("%s: %d counted, %d left out of %d", g.ID, g.Share.Of, left, answer.Patients)
		}
	}
	for id, s := range sums {
		if s != ([3]int{}) {
			t.Errorf("%s: strata differ from the whole by %v", id, s)
		}
	}
	if answer.Looked != 2 {
		t.Errorf("%d strata", answer.Looked)
	}
}

// What there is nothing of has a sentence, and never a number.
func TestNothingIsNoNumber(t *testing.T) {
	bare := &Case{UID: "bare", Patient: 9, Incision: inJanuary}
	for _, r := range []struct {
		reason string
		cases  []*Case
	}{
		{"an empty period", nil},
		{"a case of which nothing is recorded", []*Case{bare}},
		{"one case", []*Case{repaired()}},
		{"all equal", []*Case{repaired(), repaired(func(c *Case) { c.UID, c.Patient = "u2", 2 }), repaired(func(c *Case) { c.UID, c.Patient = "u3", 3 })}},
		{"a case without an incision", []*Case{{UID: "x"}}},
	} {
		t.Run(r.reason, func(t *testing.T) {
			answer := OutcomesOf(whole(), r.cases).Answer()
			for _, g := range answer.Outcomes {
				if g.Sentence == "" || strings.Contains(g.Sentence, "NaN") || strings.Contains(g.Sentence, "not a number") || strings.Contains(g.Sentence, "{") || strings.Contains(g.Sentence, "  ") {
					t.Errorf("%s: %q", g.ID, g.Sentence)
				}
				for _, f := range []Figure{g.Mean, g.Median} {
					v, ok := f.Value.Get()
					if g.Quantity && (!ok && f.Because == "" || math.IsNaN(v) || g.Measured == 0 && ok) {
						t.Errorf("%s: %+v of %d", g.ID, f, g.Measured)
					}
				}
				if g.Share != nil && g.Share.Of == 0 && (g.Share.Figure.Value.IsSome() || g.Share.Because == "") {
					t.Errorf("%s: a share of nobody: %+v", g.ID, g.Share)
				}
				if g.Exact && g.Share.Of > 0 && g.Share.Count == 0 {
					if high, ok := g.Share.Upper.Get(); !ok || high == 0 {
						t.Errorf("%s: none of %d without its upper limit", g.ID, g.Share.Of)
					}
				}
			}
			for _, f := range answer.Funnels {
				if f.Sentence == "" || f.Because == "" {
					t.Errorf("%s: %+v", f.Outcome, f)
				}
			}
		})
	}
}

func TestSentencesOfOutcomes(t *testing.T) {
	cases := varied(0, 1)
	for i := range 40 {
		cases = append(cases, repaired(func(c *Case) {
			c.UID, c.Patient = fmt.Sprint(i), int64(i+1)
			c.Echoes[0].MeanGradientMmHg = number(2 + float64(i%5))
			if i == 3 {
				c.Converted, c.ConversionPoint, c.ConversionReason = valve.Yes, "after_weaning", "stenosis"
			}
			if i < 4 {
				c.DiedWithin30Days = ""
			}
			if i == 8 {
				c.ReturnedToTheatre = valve.Yes
				c.Events = []Event{{Kind: "return_to_theatre", ReturnReason: "bleeding", Day: day(1)}}
			}
			if i == 9 {
				c.Incision = later.AddDate(0, 0, -3)
			}
		}))
	}
	answer := OutcomesOf(whole(), cases).Answer()
	for id, want := range map[string]string{
		repairLeavingTheatre:                   "39 of 40 patients in whom repair was intended left theatre alive with a repaired valve (98 %, 95 % interval 87 to 100 %).",
		Conversion:                             "1 of 40 patients in whom repair was intended was converted to replacement (3 %, 95 % interval 0 to 13 %).",
		OperativeMortality:                     "None of 39 patients died in the stay or within 30 days, and of 4 of them it is not known: the share lies between 0.0 and 10.3 %. For 1 the time is not over, so that they are not counted.",
		hospitalDeath:                          "None of 40 patients died in the stay; the share may still be up to 8.8 % (95 % interval).",
		"returned_to_theatre":                  "1 of 40 patients was taken back to theatre in the stay (2.5 %, 95 % interval 0.1 to 13.2 %).",
		"difference_without_reason":            "There is no patient among these who had a step or a ring otherwise than planned.",
		"gradient_leaving_theatre":             "In 39 patients the resting mean gradient on leaving theatre was on average 3.97 mmHg (95 % interval 3.51 to 4.44); the median was 4.00, quartiles 3.00 and 5.00 mmHg. 8 of 39 patients who left theatre with a repaired valve had a resting mean gradient above 5 mmHg on leaving theatre (21 %, 95 % interval 11 to 36 %).",
		"clamp_first_run":                      "In each of 40 patients the cross-clamp time of the first run was 80 min.",
		"repair_rate_theatre_list":             "The repair rate of the theatre list can't be told: it was not asked.",
		"complication_stroke":                  "None of 40 patients had a stroke in the stay; the share may still be up to 8.8 % (95 % interval).",
		"gradient_not_at_rest_leaving_theatre": "No value is recorded of the mean gradient on leaving theatre, read under an inotrope or at a fast rate.",
	} {
		if got := of(answer, id).Sentence; got != want {
			t.Errorf("%s:\n%s\nwant\n%s", id, got, want)
		}
	}
}

func TestTheatreList(t *testing.T) {
	for _, r := range []struct {
		reason string
		list   TheatreList
		want   string
	}{
		{"nothing was submitted", TheatreList{Missing: []string{"2026-02", "2026-01"}}, "The repair rate of the theatre list can't be told: the theatre list has not been submitted for 2026-01 and 2026-02."},
		{"a month is missing", TheatreList{Repaired: 24, Replaced: 5, Other: 1, Months: 5, Missing: []string{"2026-03"}},
			"The theatre list of 5 months names 30 operations for degenerative regurgitation, of which 24 were repairs (80 %, 95 % interval 63 to 90 %). It has not been submitted for 2026-03."},
		{"rows of a month", func() TheatreList {
			var l TheatreList
			l.Add(TheatreMonth{Month: "2026-01", Rows: []TheatreRow{
				{"myxomatous", "repair", 4}, {"fibroelastic_deficiency", "repair", 3}, {"degenerative_intermediate", "replacement", 2}, {"myxomatous", "other", 1},
				{"rheumatic", "replacement", 9}, {"", "repair", 5},
			}})
			return l
		}(), "The theatre list of 1 month names 10 operations for degenerative regurgitation, of which 7 were repairs (70 %, 95 % interval 40 to 89 %). Of 5 more it does not tell the disease."},
		{"a month without an operation", TheatreList{Months: 1}, "The theatre list of 1 month names 0 operations for degenerative regurgitation."},
	} {
		q := whole()
		q.Theatre = r.list
		g := of(OutcomesOf(q, []*Case{repaired()}).Answer(), "repair_rate_theatre_list")
		if g.Sentence != r.want {
			t.Errorf("%s:\n%s\nwant\n%s", r.reason, g.Sentence, r.want)
		}
		if (g.Share.Figure.Value.IsNone()) != (g.Share.Of == 0) {
			t.Errorf("%s: %+v", r.reason, g.Share)
		}
	}
}

// risked gives n cases with a risk by a model, of whom the first die.
func risked(n, dead int, percent float64, change ...func(*Case)) (list []*Case) {
	for i := range n {
		list = append(list, repaired(func(c *Case) {
			c.UID, c.Patient = fmt.Sprint(percent, i), int64(percent*1e6)+int64(i)
			c.Risks = []Risk{{Outcome: "death_30_days", Horizon: "stay_or_thirty_days", Model: "harbour-risk", Version: "2", Percent: number(percent), ReceivedDays: number(-2)}}
			if i < dead {
				c.DiedInHospital = valve.Yes
			}
			for _, f := range change {
				f(c)
			}
		}))
	}
	return list
}

func TestObservedAgainstExpected(t *testing.T) {
	other := func(change func(*Risk)) func(*Case) { return func(c *Case) { change(&c.Risks[0]) } }
	for _, r := range []struct {
		reason  string
		cases   []*Case
		want    string
		used    int
		left    []Left
		answers int
	}{
		{"too little is expected for a ratio", risked(100, 3, 2), "Of 100 patients with a risk by harbour-risk 2 recorded before incision 3 died in the stay or within 30 days, 2.0 were expected: too few expected for a ratio.", 100, nil, 1},
		{"enough", risked(200, 12, 5), "Of 200 patients with a risk by harbour-risk 2 recorded before incision 12 died in the stay or within 30 days, 10.0 were expected: 1.20 times as many (95 % interval 0.63 to 2.05).", 200, nil, 1},
		{"nobody died", risked(200, 0, 5), "Of 200 patients with a risk by harbour-risk 2 recorded before incision none died in the stay or within 30 days, 10.0 were expected: at most 0.37 times as many as expected (95 % interval).", 200, nil, 1},
		{"a risk of after incision is none", risked(50, 5, 5, other(func(r *Risk) { r.ReceivedDays = number(0.2) })), "No patient has both a risk by harbour-risk 2 recorded before incision and a known outcome. Of the 50 others 5 died in the stay or within 30 days.", 0, []Left{{RiskAfterIncision, 50}}, 1},
		{"one of a model that does not say until when", risked(50, 5, 5, other(func(r *Risk) { r.Horizon = "" })), "Risks by harbour-risk 2 don't say until when they count, so that nothing is held against them.", 0, []Left{{RiskOtherHorizon, 50}}, 1},
		{"one of another horizon is of another end-point", risked(50, 5, 5, other(func(r *Risk) { r.Outcome, r.Horizon = "death", "one_year" })), "", 0, nil, 0},
		{"a risk of 100 can't be weighed", risked(50, 5, 100), "No patient has both a risk by harbour-risk 2 recorded before incision and a known outcome. Of the 50 others 5 died in the stay or within 30 days.", 0, []Left{{RiskCertain, 50}}, 1},
		{"who has no risk is told beside, with what happened", slices.Concat(risked(200, 12, 5), varied(0, 1), risked(10, 4, 6, func(c *Case) { c.Risks = nil })),
			"Of 200 patients with a risk by harbour-risk 2 recorded before incision 12 died in the stay or within 30 days, 10.0 were expected: 1.20 times as many (95 % interval 0.63 to 2.05). Of the 10 others 4 died in the stay or within 30 days.",
			200, []Left{{NoRisk, 10}}, 1},
		{"who is not known at 30 days moves it", slices.Concat(risked(200, 12, 5), risked(20, 0, 4.9, func(c *Case) { c.DiedWithin30Days = "" })),
			"Of 200 patients with a risk by harbour-risk 2 recorded before incision 12 died in the stay or within 30 days, 10.0 were expected: 1.20 times as many (95 % interval 0.63 to 2.05). Of 20 more with such a risk the outcome is not known: with them it lies between 1.09 and 2.91 times.",
			200, []Left{{OutcomeUnknown, 20}}, 1},
		{"two models are never added", slices.Concat(risked(200, 12, 5), risked(100, 1, 4, other(func(r *Risk) { r.Version = "3" }))), "", 200, []Left{{NoRisk, 100}}, 2},
	} {
		t.Run(r.reason, func(t *testing.T) {
			list := OutcomesOf(whole(), r.cases).Answer().Expected
			if len(list) != r.answers {
				t.Fatalf("%d answers: %+v", len(list), list)
			}
			if r.answers == 0 {
				return
			}
			e := list[0]
			if r.want != "" && e.Sentence != r.want {
				t.Errorf("\n%s\nwant\n%s", e.Sentence, r.want)
			}
			if e.Observed.Of != r.used || !reflect.DeepEqual(e.Left, r.left) {
				t.Errorf("%+v", e)
			}
		})
	}
}

// Of several risks by one model the last that was recorded before incision counts.
func TestLastRiskBeforeIncision(t *testing.T) {
	c := repaired(func(c *Case) {
		for _, r := range []struct{ days, percent float64 }{{-30, 1}, {-2, 7}, {1, 50}} {
			c.Risks = append(c.Risks, Risk{Outcome: "death_30_days", Horizon: "stay_or_thirty_days", Model: "m", Version: "1", Percent: number(r.percent), ReceivedDays: number(r.days)})
		}
	})
	if e := OutcomesOf(whole(), []*Case{c}).Answer().Expected; len(e) != 1 || math.Abs(e[0].Expected-0.07) > 1e-12 {
		t.Errorf("%+v", e)
	}
}

func byUnits(operators, each int, bad map[int]int) (list []*Case) {
	for op := range operators {
		for i := range each {
			list = append(list, repaired(func(c *Case) {
				c.UID, c.Patient, c.FirstOperator = fmt.Sprint(op, "-", i), int64(op*1000+i+1), fmt.Sprintf("op-%d", op)
				if i < bad[op] {
					c.Converted, c.ConversionPoint = valve.Yes, "after_weaning"
				}
			}))
		}
	}
	return list
}

func TestFunnelsOfOperators(t *testing.T) {
	q := whole()
	q.ByOperator, q.Own, q.Outcomes = true, []string{"op-2"}, []string{Conversion}
	funnel := func(q OutcomeQuestion, cases []*Case) Funnel { return OutcomesOf(q, cases).Answer().Funnels[0] }

	f := funnel(q, byUnits(6, 40, map[int]int{0: 2, 1: 2, 2: 14, 3: 1, 4: 2, 5: 2}))
	looked, own := "", ""
	for _, p := range f.Points {
		if strings.Contains(p.Label, "op-") {
			t.Errorf("a pseudonym in a funnel: %s", p.Label)
		}
		if p.Look {
			looked += p.Label
		}
		if p.Own {
			own += p.Label
		}
		target, ok := p.Target.Get()
		if !ok || p.Of != 40 {
			t.Errorf("%+v", p)
		}
		// Each is held against the others, not against itself.
		if want := float64(23-p.Count) / 200; math.Abs(target-want) > 1e-12 {
			t.Errorf("%s is held against %v, want %v", p.Label, target, want)
		}
	}
	if !f.ByOperator || len(f.Points) != 6 || len(own) != 1 || looked != own || f.Dispersion != nil {
		t.Errorf("look at %q, own %q: %+v", looked, own, f)
	}
	if strings.Contains(f.Sentence, "outlier") || !strings.Contains(f.Sentence, "one to look at, not a verdict") {
		t.Errorf("%q", f.Sentence)
	}

	// Four are too few, and one with nine cases is none.
	small := append(byUnits(4, 40, map[int]int{1: 2}), byUnits(5, 9, nil)[36:]...)
	if f := funnel(q, small); f.ByOperator || !strings.HasPrefix(f.Sentence, "Fewer than 5 operators have 10 cases") {
		t.Errorf("%+v", f)
	}
	// From ten on it is told whether they differ beyond chance, and limits hold that.
	ten := funnel(q, byUnits(12, 60, map[int]int{0: 1, 1: 15, 2: 2, 3: 14, 4: 1, 5: 12, 6: 2, 7: 16, 8: 1, 9: 13, 10: 0, 11: 15}))
	if ten.Dispersion == nil || !ten.Widened || strings.Contains(ten.Sentence, "NaN") || slices.ContainsFunc(ten.Points, func(p FunnelPoint) bool { return p.Look }) {
		t.Errorf("%+v", ten)
	}
	// A share from elsewhere is the same for all, with its source.
	q.Benchmarks = []Benchmark{{Conversion, 0.0636, "a registry, 2014-20"}}
	f = funnel(q, byUnits(6, 40, map[int]int{2: 14}))
	if target, ok := f.Points[0].Target.Get(); !ok || target != 0.0636 || !strings.Contains(f.Sentence, "6.4 % (a registry, 2014-20)") {
		t.Errorf("%+v", f)
	}
}

// A trainee's operation is the supervisor's unless it is asked otherwise.
func TestTraineesBelongToTheSupervisor(t *testing.T) {
	cases := byUnits(5, 12, map[int]int{1: 3})
	for _, c := range cases {
		if c.FirstOperator == "op-4" {
			c.Trainee, c.Supervisor = valve.Yes, "op-0"
		}
	}
	q := whole()
	q.ByOperator, q.Outcomes = true, []string{Conversion}
	if f := OutcomesOf(q, cases).Answer().Funnels[0]; f.ByOperator {
		t.Errorf("the trainee is a unit: %+v", f)
	}
	q.TraineesApart = true
	if f := OutcomesOf(q, cases).Answer().Funnels[0]; !f.ByOperator || len(f.Points) != 5 {
		t.Errorf("%+v", f)
	}
}

func TestRunOfTime(t *testing.T) {
	var cases []*Case
	for i := range 90 {
		cases = append(cases, repaired(func(c *Case) {
			c.UID, c.Patient, c.Incision = fmt.Sprint(i), int64(i+1), time.Date(2025, time.Month(1+6*(i/30)), 10, 8, 0, 0, 0, time.UTC)
			if i >= 60 && i < 75 || i == 0 || i == 31 {
				c.Converted, c.ConversionPoint = valve.Yes, "after_weaning"
			}
		}))
	}
	q := whole()
	q.Outcomes = []string{Conversion}
	f := OutcomesOf(q, cases).Answer().Funnels[0]
	var labels []string
	for _, p := range f.Points {
		labels = append(labels, fmt.Sprint(p.Label, " ", p.Count, "/", p.Of, " ", p.Look))
	}
	if want := []string{"2025-H1 1/30 false", "2025-H2 1/30 false", "2026-H1 15/30 true"}; !reflect.DeepEqual(labels, want) {
		t.Errorf("%v, want %v", labels, want)
	}
}

// Published shares lie where the figures would put them: a check of plausibility, not of
// a formula. Isolated repair intended for primary regurgitation, 2014-20, n 53,462:
// mortality 1.16 %, conversion 6.36 % (scan of a registry's paper read in).
func TestPublishedSharesArePlausible(t *testing.T) {
	var cases []*Case
	for i := range 5000 {
		cases = append(cases, repaired(func(c *Case) {
			c.UID, c.Patient = fmt.Sprint(i), int64(i+1)
			if i < 318 {
				c.Converted, c.ConversionPoint = valve.Yes, "after_weaning"
			}
			if i%86 == 1 {
				c.DiedInHospital = valve.Yes
			}
		}))
	}
	answer := OutcomesOf(whole(), cases).Answer()
	for id, want := range map[string]float64{Conversion: 0.0636, OperativeMortality: 0.0116} {
		g := of(answer, id)
		low, _ := g.Share.Lower.Get()
		high, _ := g.Share.Upper.Get()
		if !(low < want && want < high) || high-low > 0.02 {
			t.Errorf("%s: %v to %v, published %v", id, low, high, want)
		}
	}
}
