package handover

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// bundle gives a case in one form other than a document, which is made with the
// note.
func (d *Desk) bundle(form trigonev1.BundleForm, h fhirmap.History) ([]byte, error) {
	switch form {
	case trigonev1.BundleForm_BUNDLE_FORM_UNSPECIFIED, trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION:
		return fhirmap.Transaction(h)
	case trigonev1.BundleForm_BUNDLE_FORM_COLLECTION:
		return fhirmap.Collection(h)
	case trigonev1.BundleForm_BUNDLE_FORM_CONDITIONAL_TRANSACTION:
		return fhirmap.ConditionalTransaction(h)
	case trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED:
		if d.deIdentifier == nil {
			return nil, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNoKey,
				"this server has no key for de-identified bundles; start trigoned with --deidentification-key-file FILE, a file of at least %d random bytes that only its owner may read", fhirmap.MinKeyBytes)
		}
		return d.deIdentifier.Collection(h)
	}
	return nil, casebook.RefuseField("form", "is no form of a bundle that this version knows")
}

// begin finds the case that a request names and waits for a turn to calculate; end
// gives the turn back.
func (d *Desk) begin(ctx context.Context, who casebook.Principal, req interface {
	proto.Message
	GetCase() *trigonev1.CaseReference
}) (c storage.Case, end func(), err error) {
	if _, err := d.archive.Admit(who, req); err != nil {
		return c, nil, err
	}
	if err := casebook.RefuseFields(convert.Check(req)); err != nil {
		return c, nil, err
	}
	if c, err = d.archive.Find(ctx, req.GetCase()); err != nil {
		return c, nil, err
	}
	end, err = d.archive.Turn(ctx)
	return c, end, err
}

// GetBundle gives a case as FHIR: as it stands, and what was ever sent of it.
func (d *Desk) GetBundle(ctx context.Context, who casebook.Principal, req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
	c, end, err := d.begin(ctx, who, req)
	if err != nil {
		return nil, err
	}
	defer end()
	if req.GetForm() == trigonev1.BundleForm_BUNDLE_FORM_DOCUMENT {
		if req.GetMaxEntries() > 0 || req.GetPart() > 1 {
			return nil, casebook.RefuseField("max_entries", "is not for this form: a document and a de-identified bundle are given whole")
		}
		return d.document(ctx, c)
	}
	a, err := d.account(ctx, c)
	if err != nil {
		return nil, err
	}
	answer := &trigonev1.GetBundleResponse{MediaType: fhirmap.MediaType, HistoryNumber: a.history.Number()}
	var bundle []byte
	if part, inParts := partForms[req.GetForm()]; req.GetMaxEntries() > 0 || req.GetForm() == trigonev1.BundleForm_BUNDLE_FORM_BATCH {
		if !inParts {
			return nil, casebook.RefuseField("max_entries", "is not for this form: a document and a de-identified bundle are given whole")
		}
		bundle, answer.Parts, err = partOf(req, part, a.history)
	} else {
		if err := wholeOnly(req); err != nil {
			return nil, err
		}
		bundle, err = d.bundle(req.GetForm(), a.history)
	}
	switch {
	case errors.Is(err, fhirmap.ErrNothing):
		return nil, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNothingAccepted, "no section of this case was ever accepted, so there is nothing to hand over")
	case err != nil:
		return nil, fmt.Errorf("bundle: %w", d.refused(c, err)) // a refusal stays one
	}
	answer.Bundle = string(bundle)
	return answer, nil
}

// partForms are the forms that are given in parts.
var partForms = map[trigonev1.BundleForm]fhirmap.PartForm{
	trigonev1.BundleForm_BUNDLE_FORM_UNSPECIFIED:             fhirmap.PartTransaction,
	trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION:             fhirmap.PartTransaction,
	trigonev1.BundleForm_BUNDLE_FORM_BATCH:                   fhirmap.PartBatch,
	trigonev1.BundleForm_BUNDLE_FORM_CONDITIONAL_TRANSACTION: fhirmap.PartConditional,
	trigonev1.BundleForm_BUNDLE_FORM_COLLECTION:              fhirmap.PartCollection,
}

// wholeOnly refuses a part of what was not asked for in parts.
func wholeOnly(req *trigonev1.GetBundleRequest) error {
	if req.GetPart() > 1 {
		return casebook.RefuseField("part", "is of no sequence: say by max_entries how large the parts are")
	}
	return nil
}

// partOf gives one part, all of the state that the first was of.
func partOf(req *trigonev1.GetBundleRequest, form fhirmap.PartForm, h fhirmap.History) (part []byte, of int32, err error) {
	switch {
	case req.GetPart() > 1 && req.GetHistoryNumber() == 0:
		return nil, 0, casebook.RefuseField("history_number", "is needed for a part behind the first: it is the one that part 1 was answered with")
	case req.GetHistoryNumber() != 0 && req.GetHistoryNumber() != h.Number():
		return nil, 0, casebook.Refuse(casebook.Aborted, casebook.ReasonRace,
			"parts of history number %d are asked for, and the case is at %d by now; begin again with part 1", req.GetHistoryNumber(), h.Number())
	}
	parts, err := fhirmap.Parts(h, form, int(req.GetMaxEntries()))
	if err != nil {
		return nil, 0, err
	}
	number := max(1, int(req.GetPart()))
	if number > len(parts) {
		return nil, 0, casebook.RefuseField("part", fmt.Sprintf("is %d, and there are %d", number, len(parts)))
	}
	return parts[number-1], int32(len(parts)), nil
}
