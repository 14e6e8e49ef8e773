// Package rules is the table of consistency rules, one file per rule, and the
// engine that runs them. A rule speaks of one case at one place; it never
// compares a plan with an outcome, which is what package discrepancy does. A
// missing input never breaks a rule: it is not evaluable, and says what is
// missing. A broken rule is data, not an error.
package rules

import (
	"cmp"
	"slices"
	"strconv"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// SetVersion is raised whenever a rule, a limit or a message changes its meaning.
const SetVersion = "3"

// SetVersions gives every version of the rule set this software knows, oldest
// first: versions are whole numbers from 1 to SetVersion.
func SetVersions() []string { return slices.Clone(setVersions) }

var setVersions = func() []string {
	var list []string
	for n := 1; n <= number(SetVersion); n++ {
		list = append(list, strconv.Itoa(n))
	}
	return list
}()

// InSet says whether a version of the rule set has the rule; empty: the present
// version.
func (r Rule) InSet(version string) bool {
	version = cmp.Or(version, SetVersion)
	return slices.Contains(setVersions, version) && number(r.Since) <= number(version) &&
		(r.Until == "" || number(version) < number(r.Until))
}

// JudgesAll says whether the rule judges all values, those that a contradiction
// disputes included: what can find a contradiction, and in later versions what
// may name its cause. All other rules judge what is left.
func (r Rule) JudgesAll(version string) bool {
	return r.Severity == Contradiction || r.JudgesAllSince != "" && number(r.JudgesAllSince) <= number(cmp.Or(version, SetVersion))
}

// number reads a version; 0 for what is none.
func number(version string) int {
	n, err := strconv.Atoi(version)
	if err != nil {
		return 0
	}
	return n
}

// Severity says how strong a finding is.
type Severity string

// The severities, strongest first.
const (
	Contradiction Severity = "contradiction" // arithmetic, geometry, time or definition, inside one method and study
	Caution       Severity = "caution"       // a limit from a source that was read, or plain safety
	Note          Severity = "note"          // local or expert view, from memory, or methods that disagree
)

// Kind says what a rule rests on.
type Kind string

// The kinds.
const (
	Arithmetic   Kind = "arithmetic"
	Time         Kind = "time"
	Definition   Kind = "definition"
	Plausibility Kind = "plausibility"
	Clinical     Kind = "clinical"
	Completeness Kind = "completeness"
	Slip         Kind = "slip" // a value that was likely typed in another unit; a reviewer may confirm it
)

// Rule is one rule.
type Rule struct {
	// ID is kebab-case, equal to the file's name, never reused.
	ID string
	// Reference is the number in the project's list of candidates, e.g. R31.
	Reference string
	// Summary is one sentence with quantity, direction and limit.
	Summary    string
	Severity   Severity
	Kind       Kind
	Source     settings.SourceID
	Thresholds []string // names of the limits it applies
	// Advice says what to do about a finding.
	Advice string
	// Since is the first version of the rule set that has the rule, Until the first
	// one that has it no longer; empty: it is in force.
	Since, Until string
	// JudgesAllSince is the first version in which a rule that finds no
	// contradiction judges disputed values too; empty: none.
	JudgesAllSince string
	// Explains says that a finding of this rule is the cause of every other finding
	// that read one of its values, where it judges all of them.
	Explains bool
	// Under names the rules beneath whose finding at the same occasion this one's
	// finding is grouped, because the cause is the same.
	Under []string
	// Where lists the places at which the rule speaks.
	Where func(c *repair.Case) []metric.At
	// Check judges one place.
	Check func(r *Reader) Verdict
	// Examples hold one of each kind at least: holds, broken, on the edge, input
	// missing.
	Examples []Example
}

// Verdict is what a Check says; the zero Verdict holds.
type Verdict struct {
	Broken  bool
	Message string // one sentence with the values
	Advice  string // in place of the rule's, where that does not hold; empty: the rule's
	// Disputes are the values a contradiction disputes; nil: all that were read.
	Disputes []valve.Key
	// Sections are the sections a contradiction disputes beside those that hold
	// its values, e.g. for a clock time.
	Sections []string
}

// Outcome of an example.
type Outcome string

// The outcomes.
const (
	Holds        Outcome = "holds"
	Broken       Outcome = "broken"
	NotEvaluable Outcome = "not_evaluable"
	Inapplicable Outcome = "not_applicable" // the rule speaks at no place
)

// Example is a case on which the rule is tried.
type Example struct {
	Name string // why this row
	Edge bool   // it sits exactly on the limit
	Case func() *repair.Case
	Want Outcome
}

// Finding is something that a rule says of a case.
type Finding struct {
	ID        string // fingerprint
	Rule      string
	Reference string
	Severity  Severity
	Kind      Kind
	Message   string
	Advice    string
	At        metric.At
	Inputs    []valve.InputValue
	Facts     []Fact
	Limits    []settings.Threshold
	Source    settings.SourceID
	Disputes  []valve.InputValue
	// Questions are the values that a slip names: they are judged as typed, and what
	// is computed of them waits.
	Questions []valve.InputValue
	Sections  []string // sections that hold what is disputed
	Root      string   // id of the finding it is grouped under, empty: a root
	Final     bool     // speaks of the state at the end
	// Confirmed says that a reviewer confirmed the values of this contradiction or
	// slip: it then disputes or questions none of them.
	Confirmed bool
}

// Confirmable says whether a reviewer may confirm the values of a finding.
func (f Finding) Confirmable() bool { return f.Severity == Contradiction || f.Kind == Slip }

// Gap is a rule that could not be judged at one place.
type Gap struct {
	Rule    string
	At      metric.At
	Missing []string
}
