// Package department writes an invented department as a hospital would send it: case
// files section by section, in the order in which they would arrive, and sends them
// to a server that is told the time of the story. It knows the contract; what is in
// the cases comes from internal/invent.
package department

import (
	"slices"
	"time"

	"trigone/internal/invent"
	trigonev1 "trigone/proto/trigone/v1"
)

// Systems of identifiers. They begin as those of invented cases do, so that a store is
// marked by the first.
const (
	caseSystem    = "urn:example:harbour-department:case"
	patientSystem = "urn:example:harbour-department:patient"
)

// Letter is what arrives at one moment.
type Letter struct {
	At   time.Time
	Case *invent.Case
	File *trigonev1.CaseFile
	// Retracts: the case was opened twice; the one sent is retracted at once.
	Retracts bool
}

// Letters gives all that is sent of a department, in the order of time.
func Letters(d invent.Department) []Letter {
	var list []Letter
	for i := range d.Cases {
		c := &d.Cases[i]
		w := writer{d: d, c: c}
		list = append(list, w.letters()...)
	}
	slices.SortStableFunc(list, func(a, b Letter) int { return a.At.Compare(b.At) })
	return slices.DeleteFunc(list, func(l Letter) bool { return l.At.After(d.Settings.Until) })
}

// writer writes one case.
type writer struct {
	d invent.Department
	c *invent.Case
}

// letters are the sections of the case, those that arrive at one moment together.
func (w writer) letters() []Letter {
	var list []Letter
	at := func(t time.Time) *trigonev1.CaseFile {
		for i := range list {
			if list[i].At.Equal(t) {
				return list[i].File
			}
		}
		f := &trigonev1.CaseFile{ExternalIdentifier: w.number(), PatientIdentifier: w.patient()}
		list = append(list, Letter{At: t, Case: w.c, File: f})
		return f
	}
	got := w.c.Received
	first := at(got.Clinic)
	first.Identity, first.Assessments = w.identity(), w.assessments()
	if p := w.c.Plan; p.Revised && !w.c.Backfilled && got.Plan.Before(w.c.Incision) && !got.Plan.IsZero() {
		at(got.Plan.Add(-25 * time.Hour)).Plan = w.earlierPlan()
	}
	if !got.Plan.IsZero() {
		at(got.Plan).Plan = w.plan()
	}
	if !got.Operation.IsZero() {
		f := at(got.Operation)
		f.Operation, f.Results = w.operation(), w.results()
	}
	if !got.Discharge.IsZero() {
		f := at(got.Discharge)
		f.FollowUps = append(f.FollowUps, w.discharge())
	}
	for i := range w.c.Entries {
		e := &w.c.Entries[i]
		f := at(e.Received)
		f.FollowUps = append(f.FollowUps, w.entry(e))
	}
	if correction := w.correction(); correction != nil {
		list = append(list, *correction)
	}
	if w.c.Twice {
		f := &trigonev1.CaseFile{
			ExternalIdentifier: &trigonev1.Identifier{System: caseSystem, Value: w.number().GetValue() + "-again"}, PatientIdentifier: w.patient(),
			Identity: w.identity(), Plan: w.plan(),
		}
		list = append(list, Letter{At: got.Plan.Add(20 * time.Minute), Case: w.c, File: f, Retracts: true})
	}
	// A plan may come before the clinic's letter was due: the case is opened by the first.
	slices.SortStableFunc(list, func(a, b Letter) int { return a.At.Compare(b.At) })
	if list[0].File.Identity == nil {
		list[0].File.Identity = w.identity()
	}
	return list
}

func (w writer) number() *trigonev1.Identifier {
	return &trigonev1.Identifier{System: caseSystem, Value: w.d.Name(w.c)}
}

// patient is one for each first case; a re-operation has that of its first.
func (w writer) patient() *trigonev1.Identifier {
	first := w.c
	if w.c.Reoperation > 0 {
		first = &w.d.Cases[w.c.Reoperation-1]
	}
	return &trigonev1.Identifier{System: patientSystem, Value: "P-" + w.d.Name(first)}
}

// theatreCount is the theatre list of a month and when it is sent.
type theatreCount struct {
	at    time.Time
	count *trigonev1.TheatreCount
}

func theatreCounts(d invent.Department) []theatreCount {
	var list []theatreCount
	for _, l := range d.Lists {
		c := &trigonev1.TheatreCount{Month: l.Month.Format("2006-01")}
		for _, r := range l.Rows {
			c.Rows = append(c.Rows, &trigonev1.TheatreCountRow{
				Aetiology: word[trigonev1.Aetiology](r.Aetiology), Procedure: word[trigonev1.TheatreProcedure](r.Procedure), Count: int32(r.Count),
			})
		}
		list = append(list, theatreCount{l.Received, c})
	}
	return list
}
