package fhirmap

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
)

// Terms answers what a site's policy has to ask about codes; it is empty.
type Terms struct{}

// Systems gives the ids of our code systems.
func (Terms) Systems() []string { return SystemIDs() }

// Faults is SiteCodeFaults.
func (Terms) Faults(list []metric.SiteCode) []metric.SiteCodeFault { return SiteCodeFaults(list) }

var (
	systemForm = regexp.MustCompile(metric.SiteSystemPattern)
	codeForm   = regexp.MustCompile(metric.SiteCodePattern)
	loincForm  = regexp.MustCompile(`^[0-9]{1,7}-[0-9]$`)
	snomedForm = regexp.MustCompile(`^[1-9][0-9]{5,17}$`)
)

// SiteCodeFaults gives everything that is wrong with a list, in its order; nil if
// nothing is.
func SiteCodeFaults(list []metric.SiteCode) []metric.SiteCodeFault {
	var faults []metric.SiteCodeFault
	equivalentOf, equivalentIn := builtInEquivalents()
	given := map[[2]systemCode]bool{}
	for i, c := range list {
		before := len(faults)
		fault := func(f metric.SiteCodeField, format string, args ...any) {
			faults = append(faults, metric.SiteCodeFault{Index: i, Field: f, Text: fmt.Sprintf(format, args...)})
		}
		own, known := ownSystem(c.LocalSystem)
		local := systemCode{own, c.LocalCode}
		switch {
		case !known:
			fault(metric.FieldLocalSystem, "is no code system of ours; give one of %s", strings.Join(SystemIDs(), ", "))
		case !IsLocal(c.LocalSystem, c.LocalCode):
			fault(metric.FieldLocalCode, "is no code of %s; the command trigone terminology writes all of them", c.LocalSystem)
		}
		if !slices.Contains(metric.SiteEquivalences(), c.Equivalence) {
			fault(metric.FieldEquivalence, "is none of %s, %s and %s: what the public code is beside ours", metric.Equivalent, metric.Wider, metric.Narrower)
		}
		for _, f := range []struct {
			field metric.SiteCodeField
			text  string
			why   string
		}{
			{metric.FieldDisplay, c.Display, "give the display of the public code"},
			{metric.FieldVerified, c.Verified, "say in which release and by whom the code was looked up"},
		} {
			if strings.TrimSpace(f.text) == "" || len([]rune(f.text)) > metric.SiteCodeMostLetters {
				fault(f.field, "is empty or longer than %d letters; %s", metric.SiteCodeMostLetters, f.why)
			}
		}
		switch _, err := url.Parse(c.System); {
		case err != nil || !systemForm.MatchString(c.System):
			fault(metric.FieldSystem, "is no address of a code system; give e.g. %s", snomed)
		case c.System == Base || strings.HasPrefix(c.System, Base+"/"):
			fault(metric.FieldSystem, "is a system of ours; give a public one")
		default:
			if text := codeFault(c); text != "" {
				fault(metric.FieldCode, "%s", text)
			}
		}
		if len(faults) > before {
			continue
		}
		public := systemCode{c.System, c.Code}
		if given[[2]systemCode{local, public}] {
			fault(metric.FieldCode, "stands twice for %s; give it once", c.LocalCode)
			continue
		}
		given[[2]systemCode{local, public}] = true
		if builtIn, has := builtInTarget(local, public); has {
			fault(metric.FieldCode, "is built in for %s as %s; leave it out", c.LocalCode, builtIn)
			continue
		}
		if c.Equivalence != metric.Equivalent {
			continue
		}
		if code, has := equivalentIn[[2]string{c.System, local.system + "|" + local.code}]; has {
			fault(metric.FieldCode, "would stand beside %s, which already means the same as %s in that system; leave it out", code, c.LocalCode)
			continue
		}
		if other, has := equivalentOf[public]; has && other != local {
			fault(metric.FieldCode, "already means the same as %s, which is another code of ours; give it as wider or narrower", other.code)
			continue
		}
		equivalentOf[public] = local
		equivalentIn[[2]string{c.System, local.system + "|" + local.code}] = c.Code
	}
	return faults
}

// vitalSigns are the LOINC codes that oblige whoever uses one to the vital signs
// profile. Source: HL7 FHIR R4 4.0.1, value set observation-vitalsignresult.
var vitalSigns = []string{
	"85353-1", "9279-1", heartRateCode, "2708-6", "8310-5", "8302-2", "9843-4", "29463-7", "39156-5", "85354-9", "8480-6", "8462-4", "8478-0",
}

// codeFault judges a public code by itself. LOINC and SNOMED CT codes end with a
// check digit, which finds what was typed wrongly.
func codeFault(c metric.SiteCode) string {
	switch {
	case !codeForm.MatchString(c.Code) || len(c.Code) > metric.SiteCodeMostLetters:
		return "is no code: it has no spaces at its ends, none twice, and is not empty"
	case c.System == loinc && (!loincForm.MatchString(c.Code) || !modulusTen(strings.Replace(c.Code, "-", "", 1))):
		return "is no LOINC code: its check digit is wrong; look it up once more"
	case c.System == snomed && (!snomedForm.MatchString(c.Code) || !dihedralTen(c.Code)):
		return "is no SNOMED CT code: its check digit is wrong; look it up once more"
	case c.System == loinc && c.Equivalence == metric.Equivalent && slices.Contains(vitalSigns, c.Code):
		return "obliges to the vital signs profile of FHIR R4, with a time and a category that are not always there; leave it out"
	}
	return ""
}

// modulusTen checks the last digit as LOINC makes it: every second digit from the
// right doubled (LOINC Users' Guide, check digit by modulus 10; from memory).
func modulusTen(digits string) bool {
	sum := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 1 {
			d *= 2
			if d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return sum%10 == 0
}

// dihedralTen checks the last digit as SNOMED CT makes it: by the multiplication
// of the dihedral group of order ten, with a permutation for each position (SNOMED
// CT release file specification, check digit computation; from memory).
func dihedralTen(digits string) bool {
	times := func(a, b int) int {
		switch {
		case a < 5 && b < 5:
			return (a + b) % 5
		case a < 5:
			return 5 + (a+b-5)%5
		case b < 5:
			return 5 + (a-5-b+5)%5
		}
		return (a - b + 5) % 5
	}
	step := [10]int{1, 5, 7, 6, 2, 8, 3, 0, 9, 4}
	check := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		for range i % 8 {
			d = step[d]
		}
		check = times(check, d)
	}
	return check == 0
}

// CodesHash tells two lists of a site's codes apart.
func CodesHash(list []metric.SiteCode) ([]byte, error) {
	if len(list) == 0 {
		return nil, nil
	}
	text, err := json.Marshal(list)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	return sum[:], nil
}

// SystemIDs gives the ids of our code systems, in order.
func SystemIDs() []string {
	var ids []string
	for _, s := range CodeSystems() {
		ids = append(ids, lastPart(s.URL))
	}
	slices.Sort(ids)
	return ids
}

func lastPart(address string) string { return address[strings.LastIndexByte(address, '/')+1:] }

// ownSystem gives the URL of one of our code systems by its id.
func ownSystem(id string) (address string, ok bool) {
	for _, s := range CodeSystems() {
		if lastPart(s.URL) == id {
			return s.URL, true
		}
	}
	return "", false
}

// IsLocal says whether a code system of ours, given by its id, has a code.
func IsLocal(systemID, code string) bool {
	for _, s := range CodeSystems() {
		if lastPart(s.URL) == systemID {
			return slices.ContainsFunc(published(s), func(c concept) bool { return c.code == code })
		}
	}
	return false
}

// equivalents are the public codes of a site that mean the same as a code of ours.
type equivalents map[systemCode][]fhir.Coding

func equivalentsOf(codes []metric.SiteCode) equivalents {
	e := equivalents{}
	for _, c := range codes {
		if own, ok := ownSystem(c.LocalSystem); ok && c.Equivalence == metric.Equivalent {
			key := systemCode{own, c.LocalCode}
			e[key] = append(e[key], fhir.Coding{System: text(c.System), Code: text(c.Code), Display: text(c.Display)})
		}
	}
	return e
}

// PublicCodes gives, for each of our codes that a site has public ones for, those that
// mean the same: by system and code, a bar between them.
func PublicCodes(site Site) map[string][]string {
	public := map[string][]string{}
	for own, list := range equivalentsOf(site.Codes) {
		for _, c := range list {
			key := site.CanonicalBase() + strings.TrimPrefix(own.system, Base) + "|" + own.code
			public[key] = append(public[key], *c.System+"|"+*c.Code)
		}
	}
	return public
}

// put puts the public codes of a site before every code of ours that means the
// same, wherever a resource has one. With inText it is the one place where they
// enter a bundle.
func (e equivalents) put(resources []resource) {
	if len(e) == 0 {
		return
	}
	for _, r := range resources {
		addCodings(reflect.ValueOf(r.wrapped()), e)
	}
}

// inText does the same in an encoded resource.
func (e equivalents) inText(typ string, text []byte) ([]byte, error) {
	if !e.concern(text) {
		return text, nil
	}
	into := map[string]any{
		typeObservation: &observation{}, typeProcedure: &procedure{}, typeDevice: &device{}, typeIssue: &issue{}, typeRequest: &request{},
		typeRingRequest: &deviceRequest{}, typeGoal: &goal{}, typeReport: &report{}, typeProvenance: &provenance{},
	}[typ]
	if into == nil {
		return nil, fmt.Errorf("a %s is made by no mapping", typ)
	}
	if err := json.Unmarshal(text, into); err != nil {
		return nil, err
	}
	addCodings(reflect.ValueOf(into), e)
	return json.Marshal(into)
}

// concern says whether a code that has a public one may stand in a text.
func (e equivalents) concern(text []byte) bool {
	for own := range e {
		if bytes.Contains(text, []byte(`"code":"`+own.code+`"`)) {
			return true
		}
	}
	return false
}

var conceptType = reflect.TypeFor[fhir.CodeableConcept]()

// addCodings walks a resource and completes its concepts. One that two resources
// share is completed once.
func addCodings(v reflect.Value, equivalents equivalents) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			addCodings(v.Elem(), equivalents)
		}
	case reflect.Slice:
		if kind := v.Type().Elem().Kind(); kind != reflect.Struct && kind != reflect.Pointer {
			return
		}
		for i := range v.Len() {
			addCodings(v.Index(i), equivalents)
		}
	case reflect.Struct:
		if v.Type() == conceptType && v.CanAddr() {
			complete(v.Addr().Interface().(*fhir.CodeableConcept), equivalents)
			return
		}
		for i := range v.NumField() {
			addCodings(v.Field(i), equivalents)
		}
	}
}

// complete makes a new list: two resources may share the old one.
func complete(c *fhir.CodeableConcept, equivalents equivalents) {
	var list []fhir.Coding
	for _, own := range c.Coding {
		if own.System != nil && own.Code != nil {
			for _, public := range equivalents[systemCode{*own.System, *own.Code}] {
				if !holds(c.Coding, public) {
					list = append(list, public)
				}
			}
		}
		list = append(list, own)
	}
	c.Coding = list
}

func holds(list []fhir.Coding, c fhir.Coding) bool {
	return slices.ContainsFunc(list, func(x fhir.Coding) bool { return same(x.System, c.System) && same(x.Code, c.Code) })
}

func same(a, b *string) bool { return a != nil && b != nil && *a == *b }
