package policy

import (
	"math"
	"strings"
	"testing"
	"time"

	"trigone/internal/audit"
	"trigone/internal/statistics"
)

const monitoringHead = head + "monitoring:\n  cases_a_year: 120\n  baseline: {from: 2024-01-01, before: 2026-01-01}\n  charts:\n"

func monitoringFaults() []faultRow {
	chart := func(rest string) string { return monitoringHead + "    - {" + rest + "}\n" }
	const rates = "outcome: any_failure, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 1000"
	return []faultRow{
		{"monitoring of what nobody follows", chart("outcome: happiness, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 1000"), "bad.yaml:8:8: monitoring.charts[0] can't be followed: outcome is none of the outcomes that can be followed: operative_mortality, "},
		{"a chart without outcome", chart("acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 1000"), "has no outcome"},
		{"a chart without a wanted run", chart("outcome: any_failure, acceptable_percent: 5, unacceptable_percent: 10"), "has no in_control_cases"},
		{"a run so short that all is alarm", chart("outcome: any_failure, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 20"), "in_control_cases is 20; give a number above 20"},
		{"neither risk nor rates", chart("outcome: any_failure, in_control_cases: 1000"), "needs either odds_ratio"},
		{"risk and rates", chart("outcome: operative_mortality, odds_ratio: 2, model: m, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 1000"), "needs either odds_ratio"},
		{"one rate", chart("outcome: any_failure, acceptable_percent: 5, in_control_cases: 1000"), "needs both"},
		{"rates the wrong way round", chart("outcome: any_failure, acceptable_percent: 10, unacceptable_percent: 5, in_control_cases: 1000"), "unacceptable_percent is not above monitoring.charts[0].acceptable_percent"},
		{"a rate of 0", chart("outcome: any_failure, acceptable_percent: 0, unacceptable_percent: 5, in_control_cases: 1000"), "acceptable_percent is 0; give a number above 0 and below 100"},
		{"odds that are as expected", chart("outcome: operative_mortality, odds_ratio: 1, model: m, in_control_cases: 1000"), "odds_ratio is 1; give a number above 1"},
		{"odds without a model", chart("outcome: operative_mortality, odds_ratio: 2, in_control_cases: 1000"), "has no model"},
		{"a model without odds", chart(rates + ", model: m"), "names a model without odds_ratio"},
		{"an outcome of which there are no risks", chart("outcome: further_mitral_run, odds_ratio: 2, model: m, in_control_cases: 1000"), "there is no expected risk of further_mitral_run"},
		{"an operator who is a name", chart(rates + ", operator: Dr A"), "no pseudonym"},
		{"one chart twice", chart(rates) + "    - {" + rates + "}\n", "follows any_failure a second time"},
		{"odds without a baseline", head + "monitoring: {cases_a_year: 120, charts: [{outcome: operative_mortality, odds_ratio: 2, model: m, in_control_cases: 1000}]}\n", "needs a baseline"},
		{"nobody says how many cases", head + "monitoring: {charts: [{" + rates + "}]}\n", "has no cases_a_year"},
		{"a baseline without an end", head + "monitoring: {baseline: {from: 2024-01-01}}\n", "bad.yaml:4:14: monitoring.baseline has no before"},
		{"a baseline that ends first", head + "monitoring: {baseline: {from: 2024-01-01, before: 2024-01-01}}\n", "monitoring.baseline.before is not after"},
		{"no day", head + "monitoring: {baseline: {from: 2024-13-01, before: 2026-01-01}}\n", "monitoring.baseline.from is no day"},
		{"a learning chart with one rate", head + "monitoring: {learning: {acceptable_percent: 5}}\n", "monitoring.learning needs both"},
		{"a learning chart that is as often wrong as right", head + "monitoring: {learning: {alpha_percent: 50}}\n", "alpha_percent is 50 or more"},
	}
}

func TestFaultsOfMonitoring(t *testing.T) {
	for _, tt := range monitoringFaults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

func TestMonitoring(t *testing.T) {
	p, err := parsed("north.yaml", []byte(monitoringHead+`
    - {outcome: operative_mortality, odds_ratio: 2, model: invented-risk, model_version: 1, in_control_cases: 2400}
    - {outcome: any_failure, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 600}
    - {outcome: any_failure, operator: surgeon-1, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 600, cases_a_year: 30}
  learning: {acceptable_percent: 4, unacceptable_percent: 8, beta_percent: 20}
`))
	if err != nil {
		t.Fatal(err)
	}
	m := p.Monitoring
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	if !m.BaselineFrom.Equal(time.Date(2024, 1, 1, 0, 0, 0, 0, london)) || !m.BaselineBefore.Equal(time.Date(2026, 1, 1, 0, 0, 0, 0, london)) {
		t.Errorf("baseline %v to %v", m.BaselineFrom, m.BaselineBefore)
	}
	want := []audit.Monitored{
		{Outcome: audit.OperativeMortality, OddsRatio: 2, Model: "invented-risk", Version: "1", InControl: 2400, CasesAYear: 120},
		{Outcome: audit.AnyFailure, Acceptable: 0.05, Unacceptable: 0.1, InControl: 600, CasesAYear: 120},
		{Outcome: audit.AnyFailure, Operator: "surgeon-1", Acceptable: 0.05, Unacceptable: 0.1, InControl: 600, CasesAYear: 30},
	}
	if len(m.Charts) != len(want) {
		t.Fatalf("%+v", m.Charts)
	}
	for i := range want {
		if m.Charts[i] != want[i] {
			t.Errorf("chart %d: %+v, want %+v", i, m.Charts[i], want[i])
		}
	}
	if got := m.FalseAlarmsAYear(); math.Abs(got-(0.05+0.2+0.05)) > 1e-12 {
		t.Errorf("%v false alarms a year, 120/2400 + 120/600 + 30/600 are expected", got)
	}
	if m.Learning == nil || *m.Learning != (statistics.LearningChart{Acceptable: 0.04, Unacceptable: 0.08, Alpha: 0.1, Beta: 0.2}) {
		t.Errorf("learning chart %+v", m.Learning)
	}
	var told []string
	for _, c := range p.Changes() {
		told = append(told, c.Name+"|"+c.Site)
	}
	for _, want := range []string{
		"monitoring.operative_mortality|odds 2 times those expected by invented-risk 1, one false alarm in 2400 operations: 0.05 a year of 120 operations",
		"monitoring.any_failure, surgeon-1|10 % against 5 %, one false alarm in 600 operations: 0.05 a year of 30 operations",
	} {
		if !strings.Contains(strings.Join(told, "\n"), want) {
			t.Errorf("not told: %s\n%s", want, strings.Join(told, "\n"))
		}
	}
	built, err := BuiltIn()
	if err != nil || len(built.Monitoring.Charts) != 0 {
		t.Errorf("the built-in policy follows %v, %v", built.Monitoring.Charts, err)
	}
	// Nothing is judged by it: an old policy stays readable whatever it followed.
	old, err := ParseStored("old", []byte(head+"monitoring: {charts: [{outcome: what_was_followed_once}]}\n"))
	if err != nil || len(old.Monitoring.Charts) != 0 {
		t.Errorf("a policy that was in force once: %v, %v", old.Monitoring, err)
	}
}
