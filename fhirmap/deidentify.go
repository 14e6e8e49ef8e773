package fhirmap

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"trigone/internal/rules"
	"trigone/internal/settings"
)

// PseudonymSystem is the system of the keyed pseudonym that stands for a patient
// in a de-identified bundle.
const PseudonymSystem = Base + "/pseudonym"

const (
	// MinKeyBytes is the length that a key for de-identification has at least.
	MinKeyBytes = 32
	// maxShiftDays is how far dates are moved at most, either way.
	maxShiftDays = 365
	// oldestYears is the highest age in years that is sent; above it ages are so
	// rare that they name people.
	oldestYears = 89
)

// DeIdentifier makes bundles for whoever may not know the patient. Everything that
// it makes up derives from one key: whoever has the key can make it again, nobody
// else can. It is safe for concurrent use.
type DeIdentifier struct{ key []byte }

// NewDeIdentifier takes a secret of at least MinKeyBytes. One whose bytes are all zero
// is none: an empty disk image gives it.
func NewDeIdentifier(key []byte) (*DeIdentifier, error) {
	if len(key) < MinKeyBytes {
		return nil, fmt.Errorf("the key for de-identification has %d bytes; it needs at least %d, made at random", len(key), MinKeyBytes)
	}
	if bytes.Count(key, []byte{0}) == len(key) {
		return nil, errors.New("the key for de-identification has nothing but zero bytes, which anybody guesses; make one at random")
	}
	return &DeIdentifier{bytes.Clone(key)}, nil
}

// Collection gives a case as Collection does, in so far as it says nothing of who
// the patient is:
//
//   - ids of resources, and the identifier of the patient, are keyed hashes;
//   - every date is moved by one whole number of days, not zero and at most 365
//     either way, the same for every case of a patient: durations and the time of
//     day stay as they are;
//   - an age above 89 years is sent as 89;
//   - identifiers of resources, what names one piece of a device or its maker, who
//     operated and who signed, the hospital's stay, text, notes, displays that are
//     not those of our tables, the site and its own codes are left out.
//
// It takes over only the elements of a list, so that whatever the mapping sends
// one day stays here until it is put on the list. What is left measures a valve:
// a rare combination of measures may still be recognised by those who know the
// patient, so that such a bundle is no public one. The errors are those of
// Transaction.
func (d *DeIdentifier) Collection(h History) ([]byte, error) {
	h.Patient = settings.PatientReference{} // a pseudonym stands for the identifier
	h.Base = ""                             // a site's own may say which site it is
	text, err := Collection(h)
	if err != nil {
		return nil, err
	}
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.UseNumber()
	var whole map[string]any
	if err := decoder.Decode(&whole); err != nil {
		return nil, fmt.Errorf("a bundle of ours cannot be read: %w", err)
	}
	who := subjectOf(h).Identifier
	return json.Marshal(d.bundle(h.Site, orEmpty(who.System), orEmpty(who.Value), whole))
}

// keyed gives a hash of parts for one purpose.
func (d *DeIdentifier) keyed(purpose string, parts ...string) []byte {
	mac := hmac.New(sha256.New, d.key)
	for _, p := range append([]string{purpose}, parts...) {
		var length [8]byte
		binary.BigEndian.PutUint64(length[:], uint64(len(p)))
		mac.Write(length[:])
		mac.Write([]byte(p))
	}
	return mac.Sum(nil)
}

// shiftDays gives the offset of a patient's dates.
func (d *DeIdentifier) shiftDays(site, system, value string) int {
	n := binary.BigEndian.Uint64(d.keyed("days", site, system, value)) % (2 * maxShiftDays)
	days := int(n) - maxShiftDays
	if days >= 0 {
		days++
	}
	return days
}

// id makes a UUID of a keyed hash of the whole id, the part that names the case too.
func (d *DeIdentifier) id(site, typ, id string) string {
	return versionEight(uuid.UUID(d.keyed("id", site, typ, id)[:16])).String()
}

func (d *DeIdentifier) bundle(site, system, value string, whole map[string]any) map[string]any {
	s := &scrub{
		days: d.shiftDays(site, system, value), pseudonym: hex.EncodeToString(d.keyed("patient", site, system, value)[:16]),
		ids: map[string]string{},
	}
	var resources []map[string]any
	entries, _ := whole["entry"].([]any)
	for _, e := range entries {
		entry, _ := e.(map[string]any)
		r, _ := entry["resource"].(map[string]any)
		typ, _ := r["resourceType"].(string)
		id, _ := r["id"].(string)
		if _, listed := taken[typ]; listed && id != "" {
			s.ids[typ+"/"+id] = typ + "/" + d.id(site, typ, id)
			resources = append(resources, r)
		}
	}
	// A resource that lost what it must have falls out, and with it the references
	// to it, which others may need: until nothing falls out any more.
	var kept []any
	for fell := true; fell; {
		fell, kept = false, nil
		for _, r := range resources {
			typ := r["resourceType"].(string)
			at := typ + "/" + r["id"].(string)
			if s.ids[at] == "" {
				continue
			}
			clean, ok := taken[typ](s, r)
			if !ok {
				delete(s.ids, at)
				fell = true
				continue
			}
			c := clean.(map[string]any)
			c["resourceType"], c["id"] = typ, strings.TrimPrefix(s.ids[at], typ+"/")
			kept = append(kept, map[string]any{"fullUrl": resourceBase + s.ids[at], "resource": c})
		}
	}
	out := map[string]any{"resourceType": "Bundle", "type": "collection"}
	for element, take := range map[string]treatment{"timestamp": takeDate, "meta": takeMeta} {
		if v, ok := take(s, whole[element]); ok {
			out[element] = v
		}
	}
	if len(kept) > 0 {
		out["entry"] = kept
	}
	return out
}

// scrub is the work on one bundle.
type scrub struct {
	days      int
	pseudonym string
	ids       map[string]string // Type/id as it was and as it is sent, of what is kept
}

// A treatment gives what is sent of an element, or that nothing is.
type treatment func(s *scrub, value any) (any, bool)

// takeElements takes the elements listed and drops all others. Nothing is left of an
// object that lacks one of needed, or all of several joined by a bar.
func takeElements(list map[string]treatment, needed ...string) treatment {
	names := slices.Sorted(maps.Keys(list))
	return func(s *scrub, value any) (any, bool) {
		o, _ := value.(map[string]any)
		out := map[string]any{}
		for _, name := range names {
			if v, has := o[name]; has {
				if clean, ok := list[name](s, v); ok {
					out[name] = clean
				}
			}
		}
		for _, need := range needed {
			if !slices.ContainsFunc(strings.Split(need, "|"), func(name string) bool { return out[name] != nil }) {
				return nil, false
			}
		}
		return out, len(out) > 0
	}
}

// takeMany treats each member of a list.
func takeMany(each treatment) treatment {
	return func(s *scrub, value any) (any, bool) {
		list, _ := value.([]any)
		var out []any
		for _, v := range list {
			if clean, ok := each(s, v); ok {
				out = append(out, clean)
			}
		}
		return out, len(out) > 0
	}
}

// takeWord takes a word of one of the standard's closed lists, such as a status.
func takeWord(_ *scrub, value any) (any, bool) {
	w, _ := value.(string)
	return w, wordLike.MatchString(w)
}

var wordLike = regexp.MustCompile(`^[a-z]{1,20}(-[a-z]{1,20}){0,3}$`)

// takeNumber takes a number.
func takeNumber(_ *scrub, value any) (any, bool) {
	n, ok := value.(json.Number)
	return n, ok
}

// takeBoolean takes true or false.
func takeBoolean(_ *scrub, value any) (any, bool) {
	b, ok := value.(bool)
	return b, ok
}

// takeDate moves a date, or an instant in UTC; what is neither is dropped.
func takeDate(s *scrub, value any) (any, bool) {
	text, _ := value.(string)
	if t, err := time.Parse(time.DateOnly, text); err == nil {
		return t.AddDate(0, 0, s.days).Format(time.DateOnly), true
	}
	t, err := time.Parse(layout, text)
	if err != nil {
		return nil, false
	}
	return t.UTC().AddDate(0, 0, s.days).Format(layout), true
}

var takePeriod = takeElements(map[string]treatment{"start": takeDate, "end": takeDate})

// takeCoding takes a code of the closed tables, with the table's display: a code from
// elsewhere, such as a site's own, may say anything.
func takeCoding(_ *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	system, _ := o["system"].(string)
	code, _ := o["code"].(string)
	key := systemCode{system, code}
	display, known := localIndex()[key]
	if c, standard := standardIndex()[key]; standard {
		display, known = c.Display, true
	}
	if system == ruleSystem {
		_, known = rules.ByID(code)
	}
	out := map[string]any{"system": system, "code": code}
	if display != "" {
		out["display"] = display
	}
	return out, known
}

var takeConcept = takeElements(map[string]treatment{"coding": takeMany(takeCoding)}, "coding")

// takeMeta takes the history number, by which a receiver drops what is older.
var takeMeta = takeElements(map[string]treatment{"extension": takeMany(takeExtension), "tag": takeMany(func(_ *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	code, _ := o["code"].(string)
	return map[string]any{"system": HistorySystem, "code": code}, o["system"] == HistorySystem && digitsLike.MatchString(code)
})})

var digitsLike = regexp.MustCompile(`^[0-9]{1,19}$`)

// yearsCode is the UCUM code of years, in which nothing but an age is stated.
const yearsCode = "a"

// takeExtension takes an extension of the table that holds a number or a code.
func takeExtension(s *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	url, _ := o["url"].(string)
	if !slices.ContainsFunc(Extensions(), func(x Extension) bool { return x.URL == url }) {
		return nil, false
	}
	for name, take := range map[string]treatment{"valueDecimal": takeNumber, "valueInteger": takeNumber, "valueRange": takePlainRange, "valueCodeableConcept": takeConcept} {
		if v, has := o[name]; has {
			clean, ok := take(s, v)
			return map[string]any{"url": url, name: clean}, ok
		}
	}
	return nil, false
}

// takeQuantity takes a quantity with what is known of its uncertainty.
func takeQuantity(s *scrub, value any) (any, bool) {
	out, ok := takePlainQuantity(s, value)
	if !ok {
		return nil, false
	}
	o, _ := value.(map[string]any)
	if list, ok := takeMany(takeExtension)(s, o["extension"]); ok {
		out.(map[string]any)["extension"] = list
	}
	return out, true
}

// takePlainQuantity takes a quantity whose unit is in the table of units, with the
// table's text; an age is capped.
func takePlainQuantity(_ *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	n, ok := o["value"].(json.Number)
	code, _ := o["code"].(string)
	name, known := unitTexts()[code]
	if code == yearsCode {
		name, known = yearsCode, true
		if age, parsed := new(big.Rat).SetString(n.String()); !parsed || age.Cmp(big.NewRat(oldestYears, 1)) > 0 {
			n = json.Number(fmt.Sprint(oldestYears))
		}
	}
	out := map[string]any{"value": n, "unit": name, "system": ucum, "code": code}
	switch c, _ := o["comparator"].(string); c {
	case "<", "<=", ">", ">=":
		out["comparator"] = c
	}
	return out, ok && known
}

var takePlainRange = takeElements(map[string]treatment{"low": takePlainQuantity, "high": takePlainQuantity}, "low|high")

var takeRange = takeElements(map[string]treatment{"low": takeQuantity, "high": takeQuantity}, "low|high")

// takeReference takes a reference to a resource that is sent.
func takeReference(s *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	target, _ := o["reference"].(string)
	to := s.ids[target]
	return map[string]any{"reference": to}, to != ""
}

// takeSubject puts the pseudonym in the place of whatever names the patient.
func takeSubject(s *scrub, _ any) (any, bool) {
	return map[string]any{
		"type":       "Patient",
		"identifier": map[string]any{"system": PseudonymSystem, "value": s.pseudonym},
	}, true
}

// takeVersion takes the versions of our software and tables; the name of a calibration
// is the site's.
func takeVersion(s *scrub, value any) (any, bool) {
	o, _ := value.(map[string]any)
	kind, ok := takeConcept(s, o["type"])
	text, _ := o["value"].(string)
	if !ok || !versionLike.MatchString(text) || hasCoding(kind, calibrationNumber) {
		return nil, false
	}
	return map[string]any{"type": kind, "value": text}, true
}

var versionLike = regexp.MustCompile(`^v?[0-9][0-9A-Za-z.+_-]{0,62}$`)

func hasCoding(kind any, code string) bool {
	list, _ := kind.(map[string]any)["coding"].([]any)
	return slices.ContainsFunc(list, func(c any) bool { return c.(map[string]any)["code"] == code })
}

// taken is the list: what is sent of which type. Type and id of a resource are
// put in by bundle.
var taken = map[string]treatment{
	typeObservation: takeObservation(takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "category": takeMany(takeConcept), "code": takeConcept, "subject": takeSubject,
		"focus": takeMany(takeReference), "basedOn": takeMany(takeReference), "partOf": takeMany(takeReference), "hasMember": takeMany(takeReference),
		"derivedFrom": takeMany(takeReference), "device": takeReference,
		"effectiveDateTime": takeDate, "effectivePeriod": takePeriod,
		"valueQuantity": takeQuantity, "valueRange": takeRange, "valueCodeableConcept": takeConcept, "valueInteger": takeNumber, "valueBoolean": takeBoolean,
		"dataAbsentReason": takeConcept, "bodySite": takeConcept, "method": takeConcept, "interpretation": takeMany(takeConcept),
		"referenceRange": takeMany(takeReferenceRange),
		"component": takeMany(takeElements(map[string]treatment{
			"code": takeConcept, "valueQuantity": takeQuantity, "valueCodeableConcept": takeConcept, "valueDateTime": takeDate,
		}, "code", "valueQuantity|valueCodeableConcept|valueDateTime")),
	}, "status", "code", "subject")),
	typeProcedure: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "statusReason": takeConcept, "category": takeConcept, "code": takeConcept, "subject": takeSubject,
		"basedOn": takeMany(takeReference), "partOf": takeMany(takeReference), "performedDateTime": takeDate, "performedPeriod": takePeriod,
		"bodySite": takeMany(takeConcept), "reasonCode": takeMany(takeConcept), "outcome": takeConcept, "complication": takeMany(takeConcept),
		"focalDevice":     takeMany(takeElements(map[string]treatment{"action": takeConcept, "manipulated": takeReference}, "manipulated")),
		"reasonReference": takeMany(takeReference), "usedReference": takeMany(takeReference),
	}, "status", "subject"),
	typeDevice: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "type": takeConcept, "patient": takeSubject, "version": takeMany(takeVersion),
		"property": takeMany(takeElements(map[string]treatment{
			"type": takeConcept, "valueQuantity": takeMany(takeQuantity), "valueCode": takeMany(takeConcept),
		}, "type", "valueQuantity|valueCode")),
	}, "status", "type"),
	typeIssue: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "severity": takeWord, "code": takeConcept, "patient": takeSubject,
		"identifiedDateTime": takeDate, "identifiedPeriod": takePeriod, "author": takeReference, "implicated": takeMany(takeReference),
		"evidence":   takeMany(takeElements(map[string]treatment{"code": takeMany(takeConcept)}, "code")),
		"mitigation": takeMany(takeElements(map[string]treatment{"action": takeConcept, "date": takeDate}, "action")),
	}, "status", "patient"),
	typeReport: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "category": takeMany(takeConcept), "code": takeConcept, "subject": takeSubject,
		"effectiveDateTime": takeDate, "effectivePeriod": takePeriod, "result": takeMany(takeReference), "conclusionCode": takeMany(takeConcept),
	}, "status", "code", "subject"),
	typeRequest: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "intent": takeWord, "priority": takeWord, "category": takeMany(takeConcept), "code": takeConcept,
		"subject": takeSubject, "basedOn": takeMany(takeReference), "replaces": takeMany(takeReference), "occurrenceDateTime": takeDate,
		"occurrencePeriod": takePeriod, "authoredOn": takeDate, "reasonCode": takeMany(takeConcept), "bodySite": takeMany(takeConcept), "doNotPerform": takeBoolean,
		"orderDetail": takeMany(takeConcept), "supportingInfo": takeMany(takeReference),
	}, "status", "intent", "subject"),
	typeRingRequest: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "status": takeWord, "intent": takeWord, "codeCodeableConcept": takeConcept, "subject": takeSubject,
		"basedOn": takeMany(takeReference), "priorRequest": takeMany(takeReference), "authoredOn": takeDate, "occurrenceDateTime": takeDate,
		"parameter": takeMany(takeElements(map[string]treatment{
			"code": takeConcept, "valueQuantity": takeQuantity, "valueRange": takeRange, "valueCodeableConcept": takeConcept, "valueBoolean": takeBoolean,
		}, "code", "valueQuantity|valueRange|valueCodeableConcept|valueBoolean")),
	}, "intent", "codeCodeableConcept", "subject"),
	typeGoal: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "lifecycleStatus": takeWord, "achievementStatus": takeConcept, "category": takeMany(takeConcept), "description": takeConcept, "subject": takeSubject,
		"startDate": takeDate, "statusDate": takeDate, "addresses": takeMany(takeReference), "outcomeReference": takeMany(takeReference),
		"target": takeMany(takeElements(map[string]treatment{
			"measure": takeConcept, "detailQuantity": takeQuantity, "detailRange": takeRange, "detailCodeableConcept": takeConcept, "dueDate": takeDate,
			"extension": takeMany(takeExtension),
		}, "measure|dueDate")),
	}, "lifecycleStatus", "description", "subject"),
	typeProvenance: takeElements(map[string]treatment{
		"meta": takeMeta, "extension": takeMany(takeExtension), "target": takeMany(takeReference), "recorded": takeDate, "occurredDateTime": takeDate, "occurredPeriod": takePeriod, "activity": takeConcept,
		"agent":  takeMany(takeElements(map[string]treatment{"type": takeConcept, "who": takeReference}, "who")),
		"entity": takeMany(takeElements(map[string]treatment{"role": takeWord, "what": takeReference}, "role", "what")),
	}, "target", "recorded", "agent"),
}

var takeReferenceRange = takeElements(map[string]treatment{"low": takeQuantity, "high": takeQuantity, "type": takeConcept}, "low|high")

// takeObservation drops an Observation that says nothing any more.
func takeObservation(take treatment) treatment {
	says := []string{"valueQuantity", "valueRange", "valueCodeableConcept", "valueInteger", "valueBoolean", "dataAbsentReason", "component", "hasMember"}
	return func(s *scrub, value any) (any, bool) {
		out, ok := take(s, value)
		if !ok {
			return nil, false
		}
		o := out.(map[string]any)
		return o, o["status"] == "entered-in-error" || slices.ContainsFunc(says, func(name string) bool { return o[name] != nil })
	}
}
