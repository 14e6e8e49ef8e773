package casebook

import (
	"trigone/fhirmap"
	trigonev1 "trigone/proto/trigone/v1"
)

// bundle gives a case in one form other than a document, which is made with the
// note.
func (b *Book) bundle(form trigonev1.BundleForm, h fhirmap.History) ([]byte, error) {
	switch form {
	case trigonev1.BundleForm_BUNDLE_FORM_UNSPECIFIED, trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION:
		return fhirmap.Transaction(h)
	case trigonev1.BundleForm_BUNDLE_FORM_COLLECTION:
		return fhirmap.Collection(h)
	case trigonev1.BundleForm_BUNDLE_FORM_CONDITIONAL_TRANSACTION:
		return fhirmap.ConditionalTransaction(h)
	case trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED:
		if b.deIdentifier == nil {
			return nil, refuse(FailedPrecondition, ReasonNoKey,
				"this server has no key for de-identified bundles; start trigoned with --deidentification-key-file FILE, a file of at least %d random bytes that only its owner may read", fhirmap.MinKeyBytes)
		}
		return b.deIdentifier.Collection(h)
	}
	return nil, violation("form", "is no form of a bundle that this version knows")
}
