package casebook

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"trigone/internal/convert"
)

// Kind is a class of refusal; the server maps it to a status code.
type Kind string

// The kinds.
const (
	Invalid            Kind = "invalid_argument"
	NotFound           Kind = "not_found"
	AlreadyExists      Kind = "already_exists"
	FailedPrecondition Kind = "failed_precondition"
	Aborted            Kind = "aborted"
	Unauthenticated    Kind = "unauthenticated"
	PermissionDenied   Kind = "permission_denied"
	Exhausted          Kind = "resource_exhausted" // for want of room; may be sent again
	Unavailable        Kind = "unavailable"        // of the store; may be sent again
	DataLoss           Kind = "data_loss"          // what is stored is damaged
)

// Reasons, stable words for programs.
const (
	ReasonViolations        = "FIELD_VIOLATIONS"
	ReasonUnknownCase       = "UNKNOWN_CASE"
	ReasonUnknownLine       = "UNKNOWN_LINE"
	ReasonNoPrincipal       = "NO_PRINCIPAL"
	ReasonNotSignedIn       = "NOT_SIGNED_IN"
	ReasonNoRight           = "NO_RIGHT"
	ReasonNotYourself       = "NOT_YOUR_PSEUDONYM"
	ReasonSiteNeeded        = "SITE_NEEDED"
	ReasonRate              = "RATE"
	ReasonUnknownSite       = "UNKNOWN_SITE"
	ReasonUnknownSection    = "UNKNOWN_SECTION"
	ReasonUnknownQuarantine = "UNKNOWN_QUARANTINED_SUBMIT"
	ReasonUnknownPolicy     = "UNKNOWN_POLICY"
	ReasonRequestIDReused   = "REQUEST_ID_REUSED"
	ReasonNoCondition       = "ETAG_OR_SOURCE_TIME_NEEDED"
	ReasonMark              = "OTHER_MARK"
	ReasonClosedSection     = "SECTION_CLOSED"
	ReasonClosedCase        = "CASE_CLOSED"
	ReasonCaseNumber        = "OTHER_CASE_NUMBER"
	ReasonNothingAccepted   = "NOTHING_ACCEPTED"
	ReasonNoOperation       = "NO_OPERATION"
	ReasonNothingSigned     = "NOTHING_SIGNED"
	ReasonErased            = "ERASED"
	ReasonOtherFormat       = "SIGNED_IN_ANOTHER_FORMAT"
	ReasonUnknownVersion    = "UNKNOWN_CASE_VERSION"
	ReasonDecided           = "QUARANTINE_DECIDED"
	ReasonStaleEtag         = "STALE_ETAG"
	ReasonStaleVersion      = "STALE_CASE_VERSION"
	ReasonRace              = "WRITTEN_MEANWHILE"
	ReasonCaseNumberTaken   = "CASE_NUMBER_TAKEN"
	ReasonNoContradiction   = "NO_OPEN_CONTRADICTION"
	ReasonNotConfirmed      = "NOT_CONFIRMED"
	ReasonUnknownRuleSet    = "UNKNOWN_RULE_SET"
	ReasonUnknownEvaluation = "UNKNOWN_EVALUATION"
	ReasonPolicyUnreadable  = "POLICY_UNREADABLE"
	ReasonAdviceExists      = "ADVICE_EXISTS"
	ReasonOtherPatient      = "OTHER_PATIENT"
	ReasonPatientReference  = "PATIENT_REFERENCE"
	ReasonNoKey             = "DE_IDENTIFICATION_KEY_NEEDED"
	ReasonOtherRecord       = "OTHER_RECORD"
	ReasonNotBuilt          = "ROWS_NOT_BUILT"
	ReasonAccessRecord      = "ACCESS_RECORD_BROKEN"
	ReasonBusy              = "BUSY"
)

// Keys of what programs read of a refusal. Where there are several sections, their names
// and etags stand in the same order, separated by commas, which neither has.
const (
	AboutSection     = "section"      // name of the section, or names
	AboutEtag        = "etag"         // the present etag of each
	AboutCaseVersion = "case_version" // the present version of the case
	AboutLimit       = "limit"        // what is taken at most, or at least: a number
	AboutField       = "field"        // path of the first field that is not acceptable
)

// Error is a refusal: nothing was stored. Message never holds text or
// identifiers of the record.
type Error struct {
	Kind       Kind
	Reason     string
	Message    string
	Violations []convert.Violation
	// About is what programs read of it, by the keys below; nil: nothing.
	About map[string]string
	// RetryAfter is when the same call may be made again; 0: it is not said.
	RetryAfter time.Duration
}

// Error gives the message.
func (e *Error) Error() string { return e.Message }

// Refuse makes a refusal.
func Refuse(k Kind, reason, format string, args ...any) error {
	return &Error{Kind: k, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// refuseAbout is Refuse with what programs read of it.
func refuseAbout(about map[string]string, k Kind, reason, format string, args ...any) error {
	return &Error{Kind: k, Reason: reason, Message: fmt.Sprintf(format, args...), About: about}
}

// aboutSections tells sections with the etags of their heads.
func (f *Folder) aboutSections(names ...string) map[string]string {
	var etags []string
	for _, name := range names {
		etags = append(etags, etag(f.section(name).Head))
	}
	return map[string]string{AboutSection: strings.Join(names, ","), AboutEtag: strings.Join(etags, ",")}
}

func aboutVersion(version int64) map[string]string {
	return map[string]string{AboutCaseVersion: strconv.FormatInt(version, 10)}
}

// RefuseFields refuses what is wrong with a request, all at once; nil: nothing is.
func RefuseFields(list []convert.Violation) error {
	if len(list) == 0 {
		return nil
	}
	noun := "fields are"
	if len(list) == 1 {
		noun = "field is"
	}
	about := map[string]string{AboutField: list[0].Path}
	if list[0].Limit != "" {
		about[AboutLimit] = list[0].Limit
	}
	return &Error{Kind: Invalid, Reason: ReasonViolations, Violations: list, About: about,
		Message: fmt.Sprintf("%d %s not acceptable; nothing was stored. First: %s: %s", len(list), noun, list[0].Path, list[0].Message)}
}

// RefuseField refuses one field.
func RefuseField(path, message string) error {
	return RefuseFields([]convert.Violation{{Path: path, Message: message}})
}
