package ledger

import (
	"bytes"
	"encoding/json"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Everything here is invented; there is no such hospital and no such patient.

// zone is that of the invented hospital.
var zone = sync.OnceValue(func() *time.Location {
	z, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		panic(err)
	}
	return z
})

// stateOf gives an invented case as if its plan had come five hours after it was
// signed and its operation seven hours after incision.
func stateOf(t testing.TB, name string, change ...func(*trigonev1.CaseFile)) *casebook.State {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range change {
		f(file)
	}
	return evaluated(t, file)
}

func evaluated(t testing.TB, file *trigonev1.CaseFile) *casebook.State {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	e, err := casebook.EvaluateFile(p, file, "test")
	if err != nil {
		t.Fatal(err)
	}
	s := &casebook.State{Name: "sites/harbour/cases/1", File: file, Evaluation: e, Zone: zone()}
	if file.GetPlan() != nil {
		s.Plans = []convert.PlanRevision{{Revision: 1, Received: file.GetPlan().GetSignedTime().AsTime().Add(5 * time.Hour), Plan: file.GetPlan()}}
	}
	if file.GetOperation() != nil {
		s.OperationReceived = file.GetOperation().GetIncisionTime().AsTime().Add(7 * time.Hour)
	}
	return s
}

func TestFactsOfInventedCases(t *testing.T) {
	yes, no, unknown := trigonev1.Answer_ANSWER_YES, trigonev1.Answer_ANSWER_NO, trigonev1.Answer_ANSWER_UNSPECIFIED
	died := func(days int, kind trigonev1.FollowUpKind) func(*trigonev1.CaseFile) {
		return func(c *trigonev1.CaseFile) {
			on := c.GetOperation().GetIncisionTime().AsTime().AddDate(0, 0, days).Format(time.DateOnly)
			c.FollowUps = []*trigonev1.FollowUp{{
				Id: "last", Kind: kind, StatusKnownOn: on, DiedOn: on, VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_DEAD,
			}}
		}
	}
	team := func(list ...*trigonev1.Operator) func(*trigonev1.CaseFile) {
		return func(c *trigonev1.CaseFile) { c.Operation.Setting.Operators = list }
	}
	surgeon := &trigonev1.Operator{Pseudonym: "surgeon-1", Role: trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON}
	trainee := &trigonev1.Operator{Pseudonym: "trainee-1", Role: trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE}
	type facts = trigonev1.CaseFacts
	rows := []struct {
		reason, of string
		change     func(*trigonev1.CaseFile)
		get        func(*facts) any
		want       any
	}{
		{"a time is cut to the minute", "triangular-complete-ring", func(c *trigonev1.CaseFile) {
			c.Operation.IncisionTime = timestamppb.New(c.Operation.IncisionTime.AsTime().Add(59 * time.Second))
		}, func(f *facts) any { return f.GetTimes().GetIncisionTime().AsTime().Second() }, 0},
		{"a plan received before incision has a negative day", "commissural-conversion", nil,
			func(f *facts) any { return f.GetTimes().GetPlanReceiptDays() < 0 }, true},
		{"seven hours are 7/24 of a day", "commissural-conversion", nil,
			func(f *facts) any { return f.GetTimes().GetOperationReceiptDays() }, 7.0 / 24},
		{"signed 15:20, incision 8:25 on the next day", "commissural-conversion", nil,
			func(f *facts) any { return f.GetTimes().GetSignatureToIncisionHours() }, 17 + 5.0/60},
		{"without an operation there is no day to count from", "commissural-conversion", func(c *trigonev1.CaseFile) { c.Operation, c.Results = nil, nil },
			func(f *facts) any { return f.GetTimes().PlanReceiptDays == nil && f.GetStatuses()[0].Day == nil }, true},

		{"the surgeon operates where nobody is in training", "commissural-conversion", nil,
			func(f *facts) any {
				return []any{f.GetTeam().GetFirstOperator(), f.GetTeam().GetSupervisor(), f.GetTeam().GetTraineeFirst()}
			},
			[]any{"surgeon-1", "", no}},
		{"a trainee operates under supervision", "commissural-conversion", team(surgeon, trainee),
			func(f *facts) any {
				return []any{f.GetTeam().GetFirstOperator(), f.GetTeam().GetSupervisor(), f.GetTeam().GetTraineeFirst()}
			},
			[]any{"trainee-1", "surgeon-1", yes}},
		{"a supervisor who is named is the supervisor, in training or not", "recurrence", nil,
			func(f *facts) any {
				return []any{f.GetTeam().GetFirstOperator(), f.GetTeam().GetSupervisor(), f.GetTeam().GetTraineeFirst()}
			},
			[]any{"surgeon-2", "surgeon-1", no}},
		{"nobody is recorded: not known, not no", "commissural-conversion", team(),
			func(f *facts) any { return f.GetTeam().GetTraineeFirst() }, unknown},

		{"the stated ejection fraction goes before the computed one", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetPatient().GetEjectionFractionPercent() }, 66.0},
		{"without a stated one the computed one serves: (170 - 58) / 170", "advice-in-theatre", func(c *trigonev1.CaseFile) {
			c.Assessments[0].Study.Chambers.StatedLeftVentricularEjectionFraction = nil
		}, func(f *facts) any { return f.GetPatient().GetEjectionFractionPercent() }, 65.9},
		{"what nobody measured is absent, not 0", "advice-in-theatre", func(c *trigonev1.CaseFile) { c.Assessments = nil },
			func(f *facts) any {
				return f.GetPatient().EjectionFractionPercent == nil && f.GetPatient().EndSystolicDiameterMm == nil
			}, true},
		{"Mosteller: root of 172 cm x 75 kg / 3600", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetPatient().GetBodySurfaceM2() }, 1.89},

		{"normal motion beside the prolapse is no dysfunction", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetValve().GetSegments() }, []trigonev1.Segment{trigonev1.Segment_SEGMENT_P2}},
		{"and no type of it", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetValve().GetDysfunctions() }, []trigonev1.DysfunctionType{trigonev1.DysfunctionType_DYSFUNCTION_TYPE_II}},

		{"fibrillation as the operation has it, before the plan's", "measured-twice", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.FibrillationBefore = trigonev1.AtrialFibrillation_ATRIAL_FIBRILLATION_PERMANENT
		}, func(f *facts) any { return f.GetPatient().GetFibrillationBefore() }, trigonev1.AtrialFibrillation_ATRIAL_FIBRILLATION_PERMANENT},
		{"or as the plan has it", "measured-twice", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.FibrillationBefore = trigonev1.AtrialFibrillation_ATRIAL_FIBRILLATION_UNSPECIFIED
		}, func(f *facts) any { return f.GetPatient().GetFibrillationBefore() }, trigonev1.AtrialFibrillation_ATRIAL_FIBRILLATION_PERSISTENT},
		{"an operation that says it had none before outweighs the plan", "measured-twice", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.PreviousProcedures = nil
		}, func(f *facts) any { return len(f.GetSetting().GetPreviousProcedures()) }, 0},
		{"one that says nothing of it does not", "measured-twice", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.PreviousProcedures, c.Operation.Setting.PreviousProceduresRecorded = nil, 0
		}, func(f *facts) any { return f.GetSetting().GetPreviousProcedures() }, []trigonev1.PreviousProcedure{trigonev1.PreviousProcedure_PREVIOUS_PROCEDURE_ABLATION}},
		{"a risk calculated eight days before", "chord-rupture-sliding", nil,
			func(f *facts) any { return f.GetSetting().GetExpectedRisks()[0].GetCalculatedDay() }, int32(-8)},
		{"the same model with another horizon is another risk", "chord-rupture-sliding", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.ExpectedRisks = []*trigonev1.ExpectedRisk{proto.Clone(c.Plan.Setting.ExpectedRisks[0]).(*trigonev1.ExpectedRisk)}
			c.Operation.Setting.ExpectedRisks[0].Horizon = trigonev1.RiskHorizon_RISK_HORIZON_ONE_YEAR
		}, func(f *facts) any { return len(f.GetSetting().GetExpectedRisks()) }, 2},
		{"lines in the order of the contract", "measured-twice", func(c *trigonev1.CaseFile) {
			slices.Reverse(c.Operation.ConcomitantProcedures[0].GetAblation().Lines)
		}, func(f *facts) any { return f.GetConcomitant().GetAblationLines() }, []trigonev1.AblationLine{
			trigonev1.AblationLine_ABLATION_LINE_PULMONARY_VEINS, trigonev1.AblationLine_ABLATION_LINE_POSTERIOR_WALL, trigonev1.AblationLine_ABLATION_LINE_MITRAL,
		}},
		{"grafts are counted where all are recorded", "measured-twice", nil,
			func(f *facts) any { return f.GetConcomitant().GetGraftCount() }, int32(1)},
		{"where they are not, there is no count", "measured-twice", func(c *trigonev1.CaseFile) {
			c.Operation.ConcomitantProcedures[2].GetCoronary().GraftsRecorded = trigonev1.Recorded_RECORDED_PARTIAL
		}, func(f *facts) any { return f.GetConcomitant().GraftCount == nil }, true},
		{"what was declined is not what was done", "several-differences", nil,
			func(f *facts) any {
				return []any{f.GetConcomitant().GetDeclined(), len(f.GetSetting().GetConcomitant())}
			},
			[]any{[]trigonev1.ConcomitantKind{trigonev1.ConcomitantKind_CONCOMITANT_KIND_ABLATION}, 2}},
		{"how the tricuspid valve closed afterwards is told by the last echo in theatre", "several-differences", nil, func(f *facts) any {
			return f.GetEchoes()[len(f.GetEchoes())-2].GetTricuspidRegurgitation().GetValue()
		}, trigonev1.GradeValue_GRADE_VALUE_TRACE},
		{"no unit given is 0, not absent", "chord-rupture-sliding", nil,
			func(f *facts) any {
				return f.GetTheatre().GetBlood().RedCellUnits != nil && f.GetTheatre().GetBlood().GetRedCellUnits() == 0
			}, true},
		{"not recorded is absent, not 0", "triangular-complete-ring", nil,
			func(f *facts) any { return f.GetTheatre().GetBlood() == nil }, true},
		{"rhythm of the entry before that of its echo", "chord-rupture-sliding", func(c *trigonev1.CaseFile) {
			c.FollowUps[0].Rhythm = trigonev1.Rhythm_RHYTHM_ATRIAL_FIBRILLATION
		}, func(f *facts) any { return f.GetStatuses()[1].GetRhythm() }, trigonev1.Rhythm_RHYTHM_ATRIAL_FIBRILLATION},
		{"or that of its echo", "triangular-complete-ring", nil,
			func(f *facts) any { return f.GetStatuses()[1].GetRhythm() }, trigonev1.Rhythm_RHYTHM_SINUS},
		{"the ventilator's hours come with the entry that states them", "measured-twice", nil,
			func(f *facts) any { return f.GetStatuses()[1].GetVentilationHours() }, 9.0},
		{"two runs, the second for the valve", "billowing-second-run", nil,
			func(f *facts) any {
				return []any{f.GetRepair().GetRunCount(), f.GetRepair().GetMitralFurtherRunCount()}
			}, []any{int32(2), int32(1)}},
		{"a list that is not known to be complete gives no count", "billowing-second-run", func(c *trigonev1.CaseFile) {
			c.Operation.RunsRecorded = trigonev1.Recorded_RECORDED_PARTIAL
		}, func(f *facts) any { return f.GetRepair().RunCount == nil }, true},
		{"a further run without an answer leaves the count open", "billowing-second-run", func(c *trigonev1.CaseFile) {
			c.Operation.Runs[1].ForMitralValve = unknown
		}, func(f *facts) any { return f.GetRepair().RunCount != nil && f.GetRepair().MitralFurtherRunCount == nil }, true},
		{"clamp from its times: 9:14 to 10:52", "billowing-second-run", nil,
			func(f *facts) any { return f.GetRuns()[0].GetClampMin() }, 98.0},
		{"clamp as stated where a time is missing", "billowing-second-run", func(c *trigonev1.CaseFile) {
			c.Operation.Runs[0].ClampEnd, c.Operation.Runs[0].StatedClampMin = nil, proto.Float64(97)
		}, func(f *facts) any { return f.GetRuns()[0].GetClampMin() }, 97.0},

		{"a prosthesis is a device", "commissural-conversion", nil,
			func(f *facts) any { d := f.GetDevices(); return d[len(d)-1].GetProsthesis() }, trigonev1.ProsthesisKind_PROSTHESIS_KIND_BIOLOGICAL},
		{"and the ring it replaced is filed nowhere", "commissural-conversion", nil,
			func(f *facts) any { return len(ringKinds(f)) }, 0},
		{"a ring that stayed is", "triangular-complete-ring", nil,
			func(f *facts) any { return ringKinds(f) }, []string{"complete_ring"}},

		{"alive at discharge did not die in hospital", "commissural-conversion", nil,
			func(f *facts) any {
				return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days()}
			}, []any{no, unknown}},
		{"alive after a year lived 30 days", "recurrence", nil,
			func(f *facts) any {
				return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days()}
			}, []any{no, no}},
		{"dead on day 30 is within, wherever", "recurrence", died(30, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER),
			func(f *facts) any {
				return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days()}
			}, []any{unknown, yes}},
		{"dead on day 31 is not", "recurrence", died(31, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER),
			func(f *facts) any { return f.GetOutcome().GetDiedWithin_30Days() }, no},
		{"dead in the stay on day 40 died in hospital", "recurrence", died(40, trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE),
			func(f *facts) any {
				return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days(), f.GetOutcome().GetDiedOnDay()}
			},
			[]any{yes, no, int32(40)}},
		{"dead on the table died on day 0", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps, c.Operation.LeftTheatreAlive = nil, no
		}, func(f *facts) any { return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedOnDay()} }, []any{yes, int32(0)}},
		{"no word of anybody is not known", "recurrence", func(c *trigonev1.CaseFile) { c.FollowUps = nil },
			func(f *facts) any { return f.GetOutcome().GetDiedWithin_30Days() }, unknown},
		{"entries that contradict each other say nothing", "recurrence", func(c *trigonev1.CaseFile) {
			late := proto.Clone(c.FollowUps[len(c.FollowUps)-1]).(*trigonev1.FollowUp)
			died(3, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER)(c)
			c.FollowUps = append(c.FollowUps, late)
		}, func(f *facts) any { return f.GetOutcome().GetDiedWithin_30Days() }, unknown},

		{"what was meant to be done, by whom, 17 h before", "commissural-conversion", nil,
			func(f *facts) any {
				s := f.GetSetting()
				return []any{s.GetIntendedProcedure(), s.GetIntendedStatedBy(), s.GetIntendedToIncisionHours()}
			}, []any{trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_DECIDE_ON_INSPECTION, "surgeon-1", 17 + 5.0/60}},
		{"what the operation states outweighs the plan", "commissural-conversion", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.IntendedProcedure = &trigonev1.IntendedProcedure{Kind: trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPAIR}
		}, func(f *facts) any {
			s := f.GetSetting()
			return []any{s.GetIntendedProcedure(), s.GetIntendedStatedBy()}
		},
			[]any{trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPAIR, ""}},
		{"a plan alone states it too", "commissural-conversion", func(c *trigonev1.CaseFile) { c.Operation.Setting.IntendedProcedure = nil },
			func(f *facts) any { return f.GetSetting().GetIntendedStatedBy() }, "surgeon-1"},
		{"what was said after incision is told as such", "commissural-conversion", func(c *trigonev1.CaseFile) {
			c.Operation.Setting.IntendedProcedure.StatedTime = timestamppb.New(c.Operation.IncisionTime.AsTime().Add(90 * time.Minute))
		}, func(f *facts) any { return f.GetSetting().GetIntendedToIncisionHours() }, -1.5},
		{"admitted two days before", "commissural-conversion", nil,
			func(f *facts) any { return f.GetSetting().GetAdmittedOnDay() }, int32(-2)},

		{"dead in the stay is told by the place, whatever the day", "recurrence", func(c *trigonev1.CaseFile) {
			died(40, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER)(c)
			c.FollowUps[0].DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_STAY
		}, func(f *facts) any {
			return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days(), f.GetOutcome().GetDeathPlace()}
		}, []any{yes, no, trigonev1.DeathPlace_DEATH_PLACE_STAY}},
		{"dead at home on day 20 is within 30 days, not in hospital", "recurrence", func(c *trigonev1.CaseFile) {
			died(20, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER)(c)
			c.FollowUps[0].DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE
		}, func(f *facts) any {
			return []any{f.GetOutcome().GetDiedInHospital(), f.GetOutcome().GetDiedWithin_30Days()}
		}, []any{no, yes}},
		{"after discharge beside an entry of discharge that knew of the death: after discharge", "recurrence", func(c *trigonev1.CaseFile) {
			died(8, trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE)(c)
			c.FollowUps[0].DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE
		}, func(f *facts) any { return f.GetOutcome().GetDiedInHospital() }, no},
		{"two places of death are none", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[0].DeathPlace, c.FollowUps[1].DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_STAY, trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE
		}, func(f *facts) any { return []any{f.GetOutcome().GetDeathPlace(), f.GetOutcome().GetDiedInHospital()} },
			[]any{trigonev1.DeathPlace_DEATH_PLACE_UNSPECIFIED, unknown}},
		{"dead on the table died in theatre, though nobody names the place", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps, c.Operation.LeftTheatreAlive = nil, no
		}, func(f *facts) any { return []any{f.GetOutcome().GetDeathPlace(), f.GetStatuses()[0].GetDeathPlace()} },
			[]any{trigonev1.DeathPlace_DEATH_PLACE_THEATRE, trigonev1.DeathPlace_DEATH_PLACE_THEATRE}},
		{"alive on the way to another acute hospital: the stay goes on", "commissural-conversion", func(c *trigonev1.CaseFile) {
			c.FollowUps[0].Discharge.Destination = trigonev1.DischargeDestination_DISCHARGE_DESTINATION_ACUTE_HOSPITAL
		}, func(f *facts) any { return f.GetOutcome().GetDiedInHospital() }, unknown},
		{"discharged on day 10, to rehabilitation", "commissural-conversion", nil,
			func(f *facts) any {
				return []any{f.GetOutcome().GetDischargedOnDay(), f.GetOutcome().GetDischargeDestination()}
			},
			[]any{int32(10), trigonev1.DischargeDestination_DISCHARGE_DESTINATION_REHABILITATION}},
		{"two days of discharge are none", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[1].Discharge = &trigonev1.Discharge{DischargedOn: "2026-12-09"}
		}, func(f *facts) any { return f.GetOutcome().DischargedOnDay == nil }, true},

		{"unplanned, twelve days after discharge", "recurrence", nil,
			func(f *facts) any {
				return []any{f.GetOutcome().GetReadmittedWithin_30Days(), f.GetEvents()[0].GetDaysSinceDischarge()}
			}, []any{yes, int32(12)}},
		{"day 30 after discharge counts", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[1].Readmissions[0].AdmittedOn = "2027-01-06"
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, yes},
		{"day 31 does not, and nothing else is missing", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[1].Readmissions[0].AdmittedOn = "2027-01-07"
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, no},
		{"a planned one does not", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[1].Readmissions[0].Unplanned = no
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, no},
		{"planned or not is not known: nor is it", "recurrence", func(c *trigonev1.CaseFile) {
			c.FollowUps[1].Readmissions[0].Unplanned = unknown
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, unknown},
		{"no readmission told, and nobody says that these are all", "recurrence", func(c *trigonev1.CaseFile) {
			for _, u := range c.FollowUps {
				u.Readmissions, u.ReadmissionsRecorded = nil, 0
			}
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, unknown},
		{"all are told of a patient who died at home before the 30 days were over", "recurrence", func(c *trigonev1.CaseFile) {
			discharge := c.FollowUps[0]
			died(20, trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER)(c)
			c.FollowUps[0].ReadmissionsRecorded = trigonev1.Recorded_RECORDED_COMPLETE
			c.FollowUps = append(c.FollowUps, discharge)
		}, func(f *facts) any { return f.GetOutcome().GetReadmittedWithin_30Days() }, no},
		{"without a day of discharge no day counts", "recurrence", func(c *trigonev1.CaseFile) { c.FollowUps[0].Discharge = nil },
			func(f *facts) any {
				return []any{f.GetOutcome().GetReadmittedWithin_30Days(), f.GetEvents()[0].DaysSinceDischarge == nil}
			}, []any{unknown, true}},
		{"back in theatre for bleeding", "ring-exchanged", nil,
			func(f *facts) any {
				e := f.GetEvents()[1]
				return []any{f.GetOutcome().GetReturnedToTheatre(), e.GetReturnReason(), e.GetDay()}
			},
			[]any{yes, trigonev1.ReturnReason_RETURN_REASON_BLEEDING, int32(1)}},
		{"never back, as the entry of discharge knows", "neochordae", nil,
			func(f *facts) any { return f.GetOutcome().GetReturnedToTheatre() }, no},
		{"an entry within the stay does not know the rest of it", "neochordae", func(c *trigonev1.CaseFile) {
			c.FollowUps[0].Kind, c.FollowUps[0].StatusKnownOn = trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER, "2026-03-26"
		}, func(f *facts) any { return f.GetOutcome().GetReturnedToTheatre() }, unknown},

		{"the ring in place and the one taken out have an identity each", "ring-exchanged", nil, func(f *facts) any {
			var list []any
			for _, d := range f.GetDevices() {
				list = append(list, d.GetPerformedStepId(), d.GetDeviceId(), d.GetSize(), d.GetDeviceFate())
			}
			return list
		}, []any{"s-ring-1", "d-ring-1", "36", trigonev1.DeviceFate_DEVICE_FATE_REMOVED,
			"s-ring-2", "d-ring-2", "32", trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE,
			"", "d-ring-3", "34", trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED}},
		{"a ring that was opened and not put in is none of the step that names it", "triangular-complete-ring", func(c *trigonev1.CaseFile) {
			c.Operation.Devices = []*trigonev1.Device{{Id: "d", Kind: trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, StepId: "s-ring",
				Fate: trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED, Size: "30"}}
		}, func(f *facts) any {
			d := f.GetDevices()
			return []any{len(d), d[0].GetSize(), d[1].GetSize(), ringKinds(f)}
		},
			[]any{2, "", "30", []string{"complete_ring"}}},
		{"a prosthesis has its label's words", "commissural-conversion", nil, func(f *facts) any {
			for _, d := range f.GetDevices() {
				if d.GetProsthesis() != 0 {
					return []any{d.GetDeviceId(), d.GetMaker(), d.GetModel(), d.GetRun()}
				}
			}
			return nil
		}, []any{"d-prosthesis", "Example Valve Works", "Invented prosthesis", int32(2)}},
		{"a suture is a device and no ring", "neochordae", nil,
			func(f *facts) any { return []any{f.GetDevices()[1].GetModel(), len(ringKinds(f))} }, []any{"Invented chord suture", 1}},
		{"the definition of a kind by its own word is the default one", "commissural-conversion", nil,
			func(f *facts) any {
				e := f.GetEvents()[0]
				return []any{e.GetDefaultDefinition(), e.GetGrade(), e.GetNewDialysis()}
			},
			[]any{yes, trigonev1.ComplicationGrade_COMPLICATION_GRADE_STAGE_3, yes}},
		{"another definition is not", "commissural-conversion", func(c *trigonev1.CaseFile) {
			c.FollowUps[0].Complications[0].Definition = &trigonev1.OutcomeDefinition{Key: "kidney_injury", Version: "2"}
		}, func(f *facts) any { return f.GetEvents()[0].GetDefaultDefinition() }, no},
		{"one that is not stated is neither", "commissural-conversion", nil,
			func(f *facts) any { return f.GetEvents()[2].GetDefaultDefinition() }, unknown},
		{"a complication has its day", "commissural-conversion", nil,
			func(f *facts) any { e := f.GetEvents()[0]; return []any{e.GetComplication(), e.GetDay()} },
			[]any{trigonev1.ComplicationKind_COMPLICATION_KIND_KIDNEY_INJURY, int32(2)}},
		{"inspection is no echo", "advice-in-theatre", func(c *trigonev1.CaseFile) {
			c.Assessments[0].Kind = trigonev1.AssessmentKind_ASSESSMENT_KIND_DIRECT_INSPECTION
		}, func(f *facts) any {
			return slices.ContainsFunc(f.GetEchoes(), func(e *trigonev1.EchoFacts) bool { return e.GetSection() == "assessment/tte" })
		}, false},
		{"severe is the fourth step after none", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetEchoes()[0].GetGradeRank() }, int32(4)},
		{"an echo ten days before has day -10", "advice-in-theatre", nil,
			func(f *facts) any { return f.GetEchoes()[0].GetDay() }, int32(-10)},
		{"what no plan was made for is no planned case", "no-plan", nil,
			func(f *facts) any { return f.GetRepair().GetPlannedCase() }, no},
		{"before the operation it is neither", "no-plan", func(c *trigonev1.CaseFile) { c.Operation = nil },
			func(f *facts) any { return f.GetRepair().GetPlannedCase() }, unknown},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			var change []func(*trigonev1.CaseFile)
			if row.change != nil {
				change = append(change, row.change)
			}
			if got := row.get(Facts(stateOf(t, row.of, change...))); !reflect.DeepEqual(got, row.want) {
				t.Errorf("%s: %v, want %v", row.of, got, row.want)
			}
		})
	}
}

func TestOrderOfSectionsChangesNoFact(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 3))
	for _, name := range testdata.Names(testdata.Cases) {
		s := stateOf(t, name)
		want := Facts(s)
		for range 5 {
			file := proto.Clone(s.File).(*trigonev1.CaseFile)
			shuffle(random, file.Assessments)
			shuffle(random, file.Results)
			shuffle(random, file.FollowUps)
			shuffle(random, file.Advice)
			other := *s
			other.File = file
			if got := Facts(&other); !proto.Equal(got, want) {
				t.Fatalf("%s: the order of its sections shows\ngot  %v\nwant %v", name, got, want)
			}
		}
	}
}

func shuffle[T any](random *rand.Rand, list []T) {
	random.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
}

// The invented cases together fill every field: one that none fills is read from
// nowhere.
func TestEveryFactIsFilled(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	for _, name := range testdata.Names(testdata.Cases) {
		s := stateOf(t, name, rarely)
		s.Evaluation.Number = 3
		if f := s.Evaluation.GetFindings(); len(f) > 0 { // the most severe come first
			f[len(f)-1].Confirmed = true
			f[0].Disputes = f[0].GetInputs()
			s.Confirmations = []*trigonev1.Confirmation{{
				FindingId: f[len(f)-1].GetId(), Rule: f[len(f)-1].GetRule(), State: trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING,
				Caller: "reviewer-1", Time: s.File.GetOperation().GetIncisionTime(),
			}}
		}
		s.Case.Sections = []storage.Section{{State: storage.SectionRetracted}}
		note(seen, Facts(s).ProtoReflect())
	}
	// No invented case says this.
	for _, field := range []protoreflect.FullName{
		"trigone.v1.FactVersions.calibration_id",
	} {
		if seen[field] {
			t.Errorf("%s is filled by now: take it off the list", field)
		}
		seen[field] = true
	}
	for _, f := range fieldsOf((&trigonev1.CaseFacts{}).ProtoReflect().Descriptor(), map[protoreflect.FullName]bool{}) {
		if !seen[f] {
			t.Errorf("%s is filled by no invented case", f)
		}
	}
}

// rarely adds to a case what none of the invented ones has by itself.
func rarely(c *trigonev1.CaseFile) {
	o := c.GetOperation()
	if o == nil || len(o.GetSteps()) == 0 {
		return
	}
	if o.Setting == nil {
		o.Setting = &trigonev1.CaseSetting{}
	}
	o.Setting.PreviousCase = "sites/harbour/cases/0"
	o.Setting.Operators = append(o.Setting.Operators, &trigonev1.Operator{Pseudonym: "trainee-1", Role: trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE})
	on := o.GetIncisionTime().AsTime().AddDate(9, 0, 0).Format(time.DateOnly)
	c.FollowUps = append(c.FollowUps, &trigonev1.FollowUp{
		Id: "end", StatusKnownOn: on, DiedOn: on, VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_DEAD, DeathCause: trigonev1.DeathCause_DEATH_CAUSE_OTHER,
		IntensiveCare: &trigonev1.IntensiveCare{Support: []*trigonev1.CirculatorySupport{{Kind: trigonev1.SupportKind_SUPPORT_KIND_EXTRACORPOREAL}}},
		DeathPlace:    trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE,
	})
	c.Advice = append(c.Advice, &trigonev1.Advice{
		Id: "asked", Time: timestamppb.New(o.GetIncisionTime().AsTime().Add(90 * time.Minute)), Run: proto.Int32(1),
		Stage: trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK,
		Answer: &trigonev1.Evaluation{Metrics: []*trigonev1.MetricValue{{
			Metric: metric.IDPredictedOverlap, Place: middleSlice, Role: trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN,
			State: trigonev1.MetricState_METRIC_STATE_VALUE, Value: proto.Float64(8), Lower: proto.Float64(3), Upper: proto.Float64(13),
		}}},
		Freedom: &trigonev1.Freedom{Ranges: []*trigonev1.FreedomRange{{
			Leaf: string(valve.RingInnerAnteroPosteriorDiameter), State: trigonev1.MetricState_METRIC_STATE_VALUE, Lower: proto.Float64(18), Upper: proto.Float64(26),
		}}},
	})
	for _, s := range o.GetSteps() {
		s.AdviceIds = []string{"asked"}
	}
}

func note(seen map[protoreflect.FullName]bool, m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		seen[f.FullName()] = true
		switch {
		case f.Message() == nil:
		case f.IsList():
			for i := range v.List().Len() {
				note(seen, v.List().Get(i).Message())
			}
		default:
			note(seen, v.Message())
		}
		return true
	})
}

// fieldsOf lists the fields of the messages declared with the facts.
func fieldsOf(d protoreflect.MessageDescriptor, done map[protoreflect.FullName]bool) []protoreflect.FullName {
	if done[d.FullName()] || d.ParentFile() != trigonev1.File_trigone_v1_case_facts_proto {
		return nil
	}
	done[d.FullName()] = true
	var list []protoreflect.FullName
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		list = append(list, f.FullName())
		if f.Message() != nil {
			list = append(list, fieldsOf(f.Message(), done)...)
		}
	}
	return list
}

func TestCoreFieldsAreCountedWhereTheyApply(t *testing.T) {
	rows := []struct {
		reason             string
		file               *trigonev1.CaseFile
		applicable, filled int
	}{
		{"an absent value with its reason is not filled", &trigonev1.CaseFile{Results: []*trigonev1.Result{{Study: &trigonev1.Study{
			Gradient: &trigonev1.Gradient{MeanGradient: &trigonev1.Pressure{AbsentReason: trigonev1.AbsentReason_ABSENT_REASON_NOT_PERFORMED}},
		}}}}, 0, 0},
		{"a value is", &trigonev1.CaseFile{Results: []*trigonev1.Result{{Study: &trigonev1.Study{
			Gradient: &trigonev1.Gradient{MeanGradient: &trigonev1.Pressure{Mmhg: proto.Float64(0)}},
		}}}}, 0, 1},
		{"a technique brings its own leaves", &trigonev1.CaseFile{Plan: &trigonev1.Plan{Steps: []*trigonev1.PlannedStep{{Technique: &trigonev1.Technique{
			Kind: &trigonev1.Technique_Plication{Plication: &trigonev1.Plication{}},
		}}}}}, 1, 0},
	}
	base, _ := core(&trigonev1.CaseFile{})
	if base == 0 || base > 40 {
		t.Fatalf("%d CORE leaves apply to any case", base)
	}
	for _, row := range rows {
		applicable, filled := core(row.file)
		if applicable != base+row.applicable || filled != row.filled {
			t.Errorf("%s: %d of %d, want %d of %d", row.reason, filled, applicable, row.filled, base+row.applicable)
		}
	}
}

// Rows on record hold the number of a kind: a line here is never written again.
func TestKindsOfGroupsKeepTheirNumbers(t *testing.T) {
	want := []string{
		"aetiology", "age_decade", "approach", "as_executed", "calcification", "commissure", "complexity", "concomitant", "converted", "dysfunction", "leaflet",
		"planned_approach", "previous_cardiac_surgery", "ring_family", "ring_kind", "segment", "sex", "technique", "technique_planned", "trainee_first", "urgency",
		"fibrillation_before", "previous_procedure", "protection", "support",
		"approach_changed", "complication", "died_in_hospital", "died_within_30_days", "intended_procedure", "readmitted_within_30_days", "returned_to_theatre",
		"", "", "", "", "", // labels of implants
		"later_operation",
	}
	used := map[int]bool{}
	for _, kind := range GroupKinds() {
		n := kindNumber(kind)
		if used[n] || n < 1 || n > len(want) || want[n-1] != kind {
			t.Errorf("%s has the number %d", kind, n)
		}
		used[n] = true
	}
}

func TestGroupKindsAreSortedAndWordsAreOnce(t *testing.T) {
	if !slices.IsSorted(GroupKinds()) {
		t.Errorf("not in alphabetical order: %v", GroupKinds())
	}
	used := map[string]bool{}
	for _, name := range testdata.Names(testdata.Cases) {
		seen := map[Group]bool{}
		for _, g := range Groups(Facts(stateOf(t, name))) {
			if seen[g] || g.Word == "" {
				t.Errorf("%s: %+v is there twice, or says nothing", name, g)
			}
			seen[g], used[g.Kind] = true, true
		}
	}
	for _, kind := range GroupKinds() {
		if !used[kind] && kind != "trainee_first" && kind != "as_executed" && kind != laterKind {
			t.Errorf("no invented case is filed under %s", kind)
		}
	}
}

func TestALaterOperationIsFiledAsOne(t *testing.T) {
	f := Facts(stateOf(t, "several-differences"))
	if got := Groups(f); slices.ContainsFunc(got, func(g Group) bool { return g.Kind == laterKind }) {
		t.Errorf("a first operation is filed as a later one: %v", got)
	}
	f.Setting.PreviousCase = "sites/harbour/cases/0"
	if got := Groups(f); !slices.Contains(got, Group{laterKind, "yes"}) {
		t.Errorf("not filed as a later operation: %v", got)
	}
}

func TestAgeIsFiledByDecade(t *testing.T) {
	for _, row := range []struct {
		reason string
		age    *int32
		want   []string
	}{
		{"not recorded", nil, nil},
		{"lower edge", proto.Int32(60), []string{"60_to_69"}},
		{"upper edge", proto.Int32(69), []string{"60_to_69"}},
		{"the oldest stand together, or an age would name them", proto.Int32(104), []string{"90_or_more"}},
	} {
		if got := decade(&trigonev1.FactPatient{AgeYears: row.age}); !slices.Equal(got, row.want) {
			t.Errorf("%s: %v, want %v", row.reason, got, row.want)
		}
	}
}

func TestAnswersOfAnEarlierVersionHaveNoAgreements(t *testing.T) {
	s := stateOf(t, "several-differences")
	s.Evaluation.Comparisons = nil
	f := Facts(s)
	if c := f.GetCounts(); c.GetAgreementsRecorded() || c.ThingsPlanned != nil || len(c.GetComparisons()) == 0 {
		t.Errorf("an answer with discrepancies only: %v", c)
	}
	if got := f.GetRepair().GetAsExecuted(); got != trigonev1.Answer_ANSWER_NO {
		t.Errorf("a step that differed is a step that differed: %v", got)
	}
	if _, complete := Comparisons(&trigonev1.Evaluation{}, false); !complete {
		t.Error("before there is an outcome there is nothing to agree")
	}
	if convert.Word(f.GetCounts().GetComparisons()[0].GetVerdict()) != "present" {
		t.Errorf("verdicts in their order: %v", f.GetCounts().GetComparisons())
	}
}

// Nothing in the facts of a case, or in what lies below them, is marked as
// identifying.
func TestNoFactNamesAnybody(t *testing.T) {
	done := map[protoreflect.FullName]bool{}
	var walk func(d protoreflect.MessageDescriptor)
	walk = func(d protoreflect.MessageDescriptor) {
		if done[d.FullName()] {
			return
		}
		done[d.FullName()] = true
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			if convert.Identifying(f) {
				t.Errorf("%s identifies", f.FullName())
			}
			if f.Message() != nil {
				walk(f.Message())
			}
		}
	}
	walk((&trigonev1.CaseFacts{}).ProtoReflect().Descriptor())
	if len(done) < 15 {
		t.Errorf("only %d messages were looked at", len(done))
	}
}

var update = flag.Bool("update", false, "rewrite the golden files")

// TestGoldenFacts holds the facts of some invented cases, to be read as a whole when
// they change. Findings are left to the golden files of the rules.
func TestGoldenFacts(t *testing.T) {
	var got bytes.Buffer
	for _, name := range []string{
		"advice-in-theatre", "billowing-second-run", "commissural-conversion", "no-plan", "plan-signed-late", "recurrence",
	} {
		f := Facts(stateOf(t, name))
		f.Findings, f.Versions.PolicyHash = nil, ""
		text, err := protojson.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		got.WriteString(name + " ")
		if err := json.Indent(&got, text, "", "  "); err != nil {
			t.Fatal(err)
		}
		got.WriteString("\n")
	}
	path := filepath.Join("testdata", "facts.golden")
	if *update {
		if err := os.WriteFile(path, got.Bytes(), 0o640); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), want) {
		t.Errorf("the facts of the invented cases changed; read the difference and run go test ./internal/ledger -update\n%s", got.String())
	}
}
