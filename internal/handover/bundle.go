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
		return d.document(ctx, c)
	}
	a, err := d.account(ctx, c)
	if err != nil {
		return nil, err
	}
	bundle, err := d.bundle(req.GetForm(), a.history)
	switch {
	case errors.Is(err, fhirmap.ErrNothing):
		return nil, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNothingAccepted, "no section of this case was ever accepted, so there is nothing to hand over")
	case err != nil:
		return nil, fmt.Errorf("bundle: %w", err) // a refusal stays one
	}
	return &trigonev1.GetBundleResponse{Bundle: string(bundle), MediaType: fhirmap.MediaType, HistoryNumber: a.history.Number()}, nil
}
