package metric

// SiteCode says how a public code that a site is licensed for stands to a code of
// ours. What it may be, the room that sends codes knows.
type SiteCode struct {
	// LocalSystem is the id of one of our code systems, e.g. step.
	LocalSystem string
	LocalCode   string
	// System, Code and Display are the public code.
	System, Code, Display string
	Equivalence           Equivalence
	// Verified says where and by whom the code was looked up.
	Verified string
}

// SiteCodeField is a field of a SiteCode that has a fault.
type SiteCodeField string

// The fields that can have one.
const (
	FieldLocalSystem SiteCodeField = "local_system"
	FieldLocalCode   SiteCodeField = "local_code"
	FieldSystem      SiteCodeField = "system"
	FieldCode        SiteCodeField = "code"
	FieldDisplay     SiteCodeField = "display"
	FieldEquivalence SiteCodeField = "equivalence"
	FieldVerified    SiteCodeField = "verified"
)

// SiteCodeFault is what is wrong with one code of a list: the rest of a sentence
// that begins with the field's name.
type SiteCodeFault struct {
	Index int
	Field SiteCodeField
	Text  string
}

// SiteEquivalences are the words a site may use; a code that is unmatched is one that
// nobody gives.
func SiteEquivalences() []Equivalence {
	return []Equivalence{Equivalent, Wider, Narrower}
}

// Patterns of a public code's system and code (HL7 FHIR R4 4.0.1, types uri and
// code), and how long a text may be.
const (
	SiteSystemPattern   = `^(https?://|urn:(oid|uuid):)\S+$`
	SiteCodePattern     = `^\S+( \S+)*$`
	SiteCodeMostLetters = 200
)
