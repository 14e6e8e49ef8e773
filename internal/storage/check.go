package storage

import (
	"errors"
	"fmt"
	"time"
)

// A store keeps times as nanoseconds since 1970 in 64 bits. Times outside these
// bounds are refused; the zero time stands for none.
var (
	MinTime = time.Unix(0, -1<<63).UTC()  // in the year 1677
	MaxTime = time.Unix(0, 1<<63-1).UTC() // in the year 2262
)

// Check says what makes a write one that no store may take, whatever it holds:
// a fault of the caller, not of the record. Every store calls it first.
func (w *Write) Check(site string) error {
	if site == "" {
		return errors.New("a write needs a site")
	}
	if err := w.checkCase(site); err != nil {
		return err
	}
	for _, r := range w.Revisions {
		if r.Whole || (r.Retraction && (r.Content != nil || r.Identifying != nil)) || (!r.Retraction && r.Content == nil) {
			return fmt.Errorf("revision %d of section %q cannot be written: a retraction has no content, and every other one has it without what identifies", r.Revision, r.Section)
		}
		if r.Section == "" || r.Revision < 1 {
			return fmt.Errorf("revision %d of section %q cannot be written: a revision has a section and a number from 1", r.Revision, r.Section)
		}
	}
	for _, c := range w.Confirmations {
		if c.FindingID == "" || (c.Kind != Confirmed && c.Kind != ConfirmationRevoked && c.Kind != ConfirmationLapsed) {
			return fmt.Errorf("an entry %q on a confirmation cannot be written: it names a finding and is %s, %s or %s", c.Kind, Confirmed, ConfirmationRevoked, ConfirmationLapsed)
		}
	}
	for _, a := range w.Amendments {
		if a.Kind == "" {
			return errors.New("an amendment needs its kind")
		}
	}
	if e := w.Evaluation; e != nil && len(e.Answer) == 0 {
		return errors.New("an evaluation is written with its answer: it is the evidence")
	}
	if e := w.Evaluation; e != nil && (e.Number < 1 || e.Number != w.Case.Evaluation) {
		return fmt.Errorf("evaluation %d cannot be written: its number is from 1 and the one the case names, %d", e.Number, w.Case.Evaluation)
	}
	if r := w.Request; r != nil && (r.Site != site || r.RequestID == "") {
		return errors.New("a request row needs a request id and the site of its write")
	}
	if q := w.Quarantined; q != nil && q.ID == "" {
		return errors.New("a quarantined submit needs an id")
	}
	if p := w.Policy; p != nil && p.Hash == "" {
		return errors.New("a policy needs a hash")
	}
	if w.Mark != Unmarked && w.Mark != MarkInvented && w.Mark != MarkReal {
		return fmt.Errorf("%q is no mark of a store", w.Mark)
	}
	if err := w.checkErasure(); err != nil {
		return err
	}
	if w.Access != nil {
		if err := w.Access.Check(); err != nil {
			return err
		}
		if w.Access.Site != site {
			return errors.New("a line of the access record names the site of its write")
		}
	}
	if err := w.checkProjected(); err != nil {
		return err
	}
	return w.checkTimes()
}

// checkErasure says what must not come with a case whose content is removed.
func (w *Write) checkErasure() error {
	switch c := w.Case; {
	case w.Erase == EraseNothing && w.Discarded != nil:
		return errors.New("only a write that erases discards submits")
	case w.Erase != EraseWhole && w.Remains != nil:
		return errors.New("something is kept apart only of a case that is erased whole")
	case w.Erase == EraseNothing && (c == nil || c.ErasedTime.IsZero()):
		return nil
	case w.Erase == EraseNothing:
		return errors.New("a case that was erased is not written again")
	case w.Erase != EraseIdentity && w.Erase != EraseWhole:
		return fmt.Errorf("%q is nothing that can be erased", w.Erase)
	case c == nil || w.Expected == 0 || len(w.Revisions)+len(w.Confirmations)+len(w.Amendments) > 0 || w.Evaluation != nil:
		return errors.New("a write that erases is of a case that is there, and adds nothing that would be erased")
	case c.ExternalIdentifier != Identifier{} || c.Patient != Identifier{} || len(c.FormerPatients) > 0:
		return errors.New("a case whose identity is erased comes without identifiers")
	case w.Erase == EraseWhole && (c.ErasedTime.IsZero() || c.State == CaseActive || len(c.Sections) > 0 || c.Evaluation != 0 || !c.IncisionTime.IsZero() || c.PlanTiming != ""):
		return errors.New("a case that is erased comes retracted or merged, with its erased time, and without sections, evaluation, incision and timing of the plan")
	}
	return nil
}

// checkProjected says what no store may take as rows.
func (w *Write) checkProjected() error {
	seen := map[ProjectionVersion]bool{}
	for i := range w.Projected {
		p := &w.Projected[i]
		version := ProjectionVersion{Name: p.Name, Version: p.Version}
		if err := version.Check(); err != nil {
			return err
		}
		switch {
		case w.Case == nil:
			return errors.New("rows of a projection are written with their case")
		case seen[version]:
			return fmt.Errorf("version %d of projection %s is there twice", p.Version, p.Name)
		case p.Unchanged && w.Expected == 0:
			return errors.New("a write that opens a case has no rows to leave unchanged")
		}
		seen[version] = true
		if err := p.Rows.Check(p.Name); err != nil {
			return err
		}
	}
	return nil
}

// Check says what makes rows ones that no store may take in this projection.
func (r *Rows) Check(name string) error {
	ledger := len(r.Comparisons) > 0 || r.Facts != nil || len(r.Groups) > 0 || len(r.Children) > 0 || r.Counts != Counts{}
	switch {
	case name == ProjectionLedger && (len(r.Resources) > 0 || r.CasePrefix != 0):
		return fmt.Errorf("resource ids are rows of projection %s, not of %s", ProjectionResources, name)
	case name != ProjectionSearch && len(r.Found)+len(r.Shapes) > 0:
		return fmt.Errorf("resources as searches find them are rows of projection %s, not of %s", ProjectionSearch, name)
	case name == ProjectionSearch && (ledger || len(r.Resources) > 0 || r.CasePrefix != 0):
		return fmt.Errorf("projection %s has rows by which resources are found, and no others", name)
	case name == ProjectionResources && ledger:
		return fmt.Errorf("comparisons, facts, groups, child rows and counts are rows of projection %s, not of %s", ProjectionLedger, name)
	case r.CasePrefix < 0 || r.CasePrefix >= 1<<48:
		return errors.New("the case part of resource ids has 48 bits")
	}
	for i := range r.Comparisons {
		c := &r.Comparisons[i]
		if c.ID == "" || c.Verdict < ComparisonPresent || c.Verdict > ComparisonNotApplicable || c.Class < 0 || c.Metric < 0 || c.Kind < 0 {
			return fmt.Errorf("comparison %d cannot be written: it has an id, a verdict from %d to %d, and no number below 0", i, ComparisonPresent, ComparisonNotApplicable)
		}
	}
	if err := r.checkFound(); err != nil {
		return err
	}
	for _, g := range r.Groups {
		if g.Kind < 1 || g.Word == "" {
			return errors.New("a group has a kind, numbered from 1, and a word")
		}
	}
	return nil
}

// checkFound holds that every row has a shape beside it, of its own lead.
func (r *Rows) checkFound() error {
	leads := map[int64]int64{}
	for _, s := range r.Shapes {
		if _, twice := leads[s.Number]; twice || s.Type == "" || len(s.Content) == 0 {
			return fmt.Errorf("shape %d cannot be written: it has a type and a content, and comes once", s.Number)
		}
		leads[s.Number] = s.Lead
	}
	type place struct{ lead, part int64 }
	seen := map[place]bool{}
	for _, f := range r.Found {
		if lead, known := leads[f.Shape]; !known || lead != f.Lead || seen[place{f.Lead, f.Part}] {
			return fmt.Errorf("row %d under lead %d cannot be written: it is there once, and its shape beside it under the same lead", f.Part, f.Lead)
		}
		seen[place{f.Lead, f.Part}] = true
	}
	return nil
}

func (w *Write) checkCase(site string) error {
	c := w.Case
	switch {
	case c == nil && (w.Expected != 0 || len(w.Revisions) > 0 || len(w.Confirmations) > 0 || len(w.Amendments) > 0 || w.Evaluation != nil):
		return errors.New("a write without a case has no expected version, no revisions, no confirmations, no amendments and no evaluation")
	case w.Evaluation == nil && len(w.Findings) > 0:
		return errors.New("findings are written with the evaluation they belong to")
	case c == nil:
		return nil
	case c.UID == "":
		return errors.New("a case needs a uid")
	case c.Site != "" && c.Site != site:
		return fmt.Errorf("a case of site %q cannot be written at site %q", c.Site, site)
	case w.Expected < 0 || c.Version != w.Expected+1:
		return fmt.Errorf("a write that expects version %d makes version %d, not %d", w.Expected, w.Expected+1, c.Version)
	case c.State != CaseActive && c.State != CaseRetracted && c.State != CaseMerged:
		return fmt.Errorf("%q is no state of a case", c.State)
	case c.ChangedTime.IsZero():
		return errors.New("a case needs its changed time: cases are listed by it")
	case c.ExternalIdentifier.Value == "" && c.ExternalIdentifier.System != "":
		return errors.New("a case number has a value; without one leave its system out too")
	}
	return nil
}

func (w *Write) checkTimes() error {
	var bad error
	check := func(name string, t time.Time) {
		if bad == nil && !t.IsZero() && (t.Before(MinTime) || t.After(MaxTime)) {
			bad = fmt.Errorf("%s %s cannot be kept: give a time from %d to %d", name, t.UTC().Format(time.RFC3339), MinTime.Year()+1, MaxTime.Year()-1)
		}
	}
	if c := w.Case; c != nil {
		check("opened time", c.OpenedTime)
		check("changed time", c.ChangedTime)
		check("incision time", c.IncisionTime)
		check("erased time", c.ErasedTime)
	}
	for _, r := range w.Revisions {
		check("received time", r.ReceivedTime)
		check("source time", r.SourceTime)
	}
	if w.Evaluation != nil {
		check("evaluation time", w.Evaluation.Time)
	}
	for _, c := range w.Changes {
		check("change time", c.Time)
	}
	if w.Discarded != nil {
		check("change time", w.Discarded.Time)
	}
	for _, c := range w.Confirmations {
		check("confirmation time", c.Time)
	}
	for _, a := range w.Amendments {
		check("amendment time", a.Time)
	}
	if w.Request != nil {
		check("request time", w.Request.Time)
	}
	if w.Quarantined != nil {
		check("received time", w.Quarantined.ReceivedTime)
		check("decided time", w.Quarantined.DecidedTime)
	}
	if w.Policy != nil {
		check("first used", w.Policy.FirstUsed)
	}
	return bad
}
