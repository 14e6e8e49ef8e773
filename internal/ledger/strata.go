package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/extract"
)

// Kinds of words that no case is filed under, and by which figures may be given apart all
// the same: they are made when a case is read. Nobody filters by them.
const (
	byHalfYear            = "half_year"
	byPlanTiming          = "plan_timing"
	byFirstOperator       = "first_operator"
	byResponsibleOperator = "responsible_operator"
)

var madeKinds = []string{byFirstOperator, byHalfYear, byPlanTiming, byResponsibleOperator}

// made gives the words of these kinds for a case. A trainee's case is the responsibility
// of who supervised it.
func made(kinds []string, c *audit.Case, zone *time.Location) (list []audit.Group) {
	for _, kind := range kinds {
		word := ""
		switch kind {
		case byHalfYear:
			word = extract.HalfYear(c.Incision.In(zone))
		case byPlanTiming:
			word = c.Timing
		case byFirstOperator:
			word = c.FirstOperator
		case byResponsibleOperator:
			word = c.Supervisor
			if word == "" {
				word = c.FirstOperator
			}
		}
		if word != "" {
			list = append(list, audit.Group{Kind: kind, Word: word})
		}
	}
	return list
}

func unknownStrata(kinds []string) []convert.Violation {
	var list []convert.Violation
	for i, kind := range kinds {
		if !slices.Contains(GroupKinds(), kind) && !slices.Contains(madeKinds, kind) {
			list = append(list, convert.Violation{
				Path: fmt.Sprintf("strata[%d]", i), Message: unknownKind() + "; figures are given by " + strings.Join(madeKinds, ", ") + " too",
			})
		}
	}
	return list
}

// mayAsk refuses figures by operator to who may not hold operators side by side.
func mayAsk(who casebook.Principal, strata []string) error {
	if !who.ByStaff && (slices.Contains(strata, byFirstOperator) || slices.Contains(strata, byResponsibleOperator)) {
		return casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight,
			"figures by operator are for auditors: ask by another kind of word, or an auditor")
	}
	return nil
}

// worded adds the words that are made to the cases that are gathered.
type worded struct {
	gatherer
	kinds []string
	zone  *time.Location
	staff map[string]*audit.Case // who operated, by uid; nil: not asked for
}

// AddCase implements gatherer.
func (w worded) AddCase(c *audit.Case) bool {
	if of := w.staff[c.UID]; of != nil {
		c.FirstOperator, c.Supervisor = of.FirstOperator, of.Supervisor
	}
	c.Words = append(c.Words, made(w.kinds, c, w.zone)...)
	return w.gatherer.AddCase(c)
}

// withWords gives a gatherer to which cases come with the words that the strata ask for.
func (l *Ledger) withWords(ctx context.Context, archive *casebook.Archive, site string, q tallyQuestion, strata []string, to gatherer) (gatherer, error) {
	if !slices.ContainsFunc(strata, func(kind string) bool { return slices.Contains(madeKinds, kind) }) {
		return to, nil
	}
	zone, err := archive.Zone(ctx)
	if err != nil {
		return nil, err
	}
	w := worded{gatherer: to, kinds: strata, zone: zone}
	if !slices.Contains(strata, byFirstOperator) && !slices.Contains(strata, byResponsibleOperator) {
		return w, nil
	}
	// Who operated stands in the facts of a case, not beside its pairs.
	w.staff = map[string]*audit.Case{}
	_, err = l.tally(ctx, archive, site, q, func(c *audit.Case) error {
		w.staff[c.UID] = &audit.Case{FirstOperator: c.FirstOperator, Supervisor: c.Supervisor}
		return nil
	})
	return w, err
}
