package fhirmap

import (
	"crypto/sha256"
	"errors"
	"net/url"
	"strings"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
	"trigone/internal/settings"
)

// Site is what the output of one site has of its own by its policy; the zero value is
// what is built in.
type Site struct {
	// Codes are its public codes; see SiteCodeFaults for what they must be. They change
	// no id.
	Codes []metric.SiteCode
	// Patient is how its resources refer to the patient.
	Patient settings.PatientReference
	// Base stands in the place of the built-in Base in all that leaves, but for
	// de-identified bundles, which do not say of which site they are. It changes no id.
	Base string
}

// Hash tells two sites' choices apart; none where all is as it is built in.
func (s Site) Hash() ([]byte, error) {
	hash, err := CodesHash(s.Codes)
	if err != nil {
		return nil, err
	}
	also := func(what []byte) {
		sum := sha256.Sum256(append(hash, what...))
		hash = sum[:]
	}
	if !s.Patient.Logical() {
		text, err := json.Marshal(s.Patient)
		if err != nil {
			return nil, err
		}
		also(text)
	}
	if base := ownBase(s.Base); base != "" {
		also([]byte(base))
	}
	return hash, nil
}

// ErrPatient says that the patient is known, and cannot be referred to as the site
// has chosen. It does not say who that is.
var ErrPatient = errors.New("the patient's identifier cannot be referred to as the site has chosen")

// patientLink gives what a reference to the patient has beside the identifier; empty:
// nothing, by the site's choice or because the patient is not known.
func (h History) patientLink() (string, error) {
	id := h.patient()
	if id.GetValue() == "" {
		return "", nil
	}
	switch h.Patient.Form {
	case settings.PatientLiteral:
		target, ok := h.Patient.Target(id.GetSystem(), id.GetValue())
		if !ok {
			return "", ErrPatient
		}
		return target, nil
	case settings.PatientConditional:
		if !h.transaction {
			return "", nil
		}
		// What R4 escapes in a search is cut by receivers all the same, and half of an
		// identifier may be somebody else's.
		token := id.GetSystem() + "|" + id.GetValue()
		if id.GetSystem() == "" || strings.Count(token, "|") > 1 || strings.ContainsAny(token, `,$\`) {
			return "", ErrPatient
		}
		return "Patient?identifier=" + strings.ReplaceAll(url.QueryEscape(token), "+", "%20"), nil
	}
	return "", nil
}

// inTransaction says that a history is made into a transaction, whose receiver
// resolves searches.
func (h History) inTransaction() History {
	h.transaction = true
	return h
}

// subjectOf names the patient by identifier, and by what the site has chosen beside it;
// where none is known, by the case alone.
func subjectOf(h History) *fhir.Reference {
	identifier := &fhir.Identifier{System: text(CaseSubjectSystem), Value: text(h.UID)}
	if id := h.patient(); id.GetValue() != "" {
		identifier = &fhir.Identifier{System: text(id.GetSystem()), Value: text(id.GetValue())}
	}
	link, _ := h.patientLink() // assembleOf and Document refuse a fault of it
	return &fhir.Reference{Reference: text(link), Type: text("Patient"), Identifier: identifier}
}
