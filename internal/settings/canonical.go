package settings

// A canonical base is the URI under which what is a site's own in FHIR is named: code
// systems, identifiers, profiles, extensions.
const (
	// CanonicalBasePattern is its form: an absolute http or https URL, or a URN, without
	// query, fragment, user and slash at the end, of signs that need no escape in JSON,
	// in XML or in an address.
	CanonicalBasePattern = `^(https?://[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?(:[0-9]{1,5})?|urn:[A-Za-z0-9][A-Za-z0-9-]{1,31}:[A-Za-z0-9._~:-]*[A-Za-z0-9_~])(/[A-Za-z0-9_~][A-Za-z0-9._~-]*)*$`
	// CanonicalBaseTakenPattern finds those under which a site can name nothing: the
	// standards' own, and URNs of a number, to which nothing can be added.
	CanonicalBaseTakenPattern = `^(urn:([oO][iI][dD]|[uU][uU][iI][dD]|[iI][eE][tT][fF]|[iI][sS][oO]):|https?://([A-Za-z0-9.-]+\.)?(hl7\.org|loinc\.org|snomed\.info|nema\.org|unitsofmeasure\.org)([:/]|$))`
	// CanonicalBaseMost is how many letters it has at most: what is named under it
	// still has fewer than 255, which many receivers keep.
	CanonicalBaseMost = 120
)
