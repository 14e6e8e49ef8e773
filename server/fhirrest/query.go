package fhirrest

import (
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"trigone/fhirmap"
)

// Bounds of a query.
const (
	usualCount  = 100
	mostCount   = 1000
	mostParams  = 100
	mostValues  = 500 // alternatives of all parameters together
	mostAddress = 8 << 10
	mostBody    = 64 << 10
)

// Parameters that say how to answer, not what to search.
const (
	paramCount      = "_count"
	paramCursor     = "_cursor"
	paramFormat     = "_format"
	paramInclude    = "_include"
	paramRevInclude = "_revinclude"
	paramSort       = "_sort"
	paramSummary    = "_summary"
	paramTotal      = "_total"
)

// withoutEffect are parameters of R4 that change only how an answer looks; left out,
// it holds what was asked for.
var withoutEffect = []string{"_elements", "_pretty"}

// query is a search that was understood.
type query struct {
	of       *resourceType
	criteria []criterion // all must hold
	count    int
	// countOnly asks for the total and no resources.
	countOnly bool
	total     bool
	includes  []include
	reverse   []include
	cursor    string
	sort      []sortKey
	// staff are the pseudonyms by which it selects who operated or signed; staffed says
	// that it asks whether anybody did.
	staff   []string
	staffed bool
	// used are the parameters that were used, cursor and format left out: the
	// question that a cursor belongs to.
	used url.Values
}

// criterion holds for a resource if one of its tests does.
type criterion struct {
	param int
	// missing asks whether the resource has no value at all.
	missing *bool
	// not turns the answer round.
	not   bool
	tests []test
	// by is what tells whether it holds.
	by source
	// cases are those in which it can hold, where by is the case itself.
	cases []ofCase
	// since: it holds for nothing that changed before. Zero: it may.
	since time.Time
}

// source is what has to be read to tell whether a criterion holds.
type source int

// The sources, each with those before it.
const (
	bySharedValues source = iota // a shape
	byRow
	byChange // the time of the last change of a case
	byCase   // the resources of a case, rendered
)

// ofCase says of which cases a value is: those whose resource ids begin so, the one
// of a uid, or those of a patient.
type ofCase struct {
	prefix  int64
	uid     string
	patient coding // with no system of any
}

// test says whether the values of a resource are what was asked for.
type test func(*values) bool

func (c criterion) holds(t *resourceType, r record) bool {
	has, holds := false, false
	try := func(v *values) {
		if v == nil {
			return
		}
		has = true
		holds = holds || slices.ContainsFunc(c.tests, func(x test) bool { return x(v) })
	}
	try(r.values[c.param])
	for _, part := range t.params[c.param].union {
		try(r.values[t.position(part)])
	}
	if c.missing != nil {
		return has != *c.missing
	}
	return holds != c.not
}

// readBy says what has to be read to tell whether a criterion of a parameter holds.
func (t *resourceType) readBy(at int) source {
	p := t.params[at]
	switch {
	case p.open():
		return byCase
	case p.shared == lastUpdated:
		return byChange
	case p.hashed || p.kind == kindDate || p.kind == kindQuantity || p.kind == kindComposite && p.valueKind == kindQuantity:
		return byRow
	}
	return bySharedValues
}

// holdsBy says whether those criteria hold that a source tells.
func (q query) holdsBy(by source, r record) bool {
	for _, c := range q.criteria {
		if c.by == by && !c.holds(q.of, r) {
			return false
		}
	}
	return true
}

// needs says whether a source has to be read.
func (q query) needs(by source) bool {
	return slices.ContainsFunc(q.criteria, func(c criterion) bool { return c.by == by })
}

func (q query) matches(r record) bool {
	for _, c := range q.criteria {
		if !c.holds(q.of, r) {
			return false
		}
	}
	return true
}

// siteNames are what a site calls things in a query.
type siteNames interface {
	// PatientOf gives the identifier of a patient whom references name; false: no
	// reference is like that.
	PatientOf(target string) (system, value string, ok bool)
	// Inside gives the name that rows have of a system.
	Inside(system string) string
}

// reading parses a query.
type reading struct {
	q      query
	strict bool
	zone   *time.Location
	base   string
	site   siteNames
	values int
	since  time.Time // the earliest that the dates of the present criterion allow
}

// parseQuery reads the parameters of a search. Unknown ones are refused if strict,
// else left out; a known one that cannot be understood is always refused, since an
// answer without it would hold what was not asked for.
func parseQuery(of *resourceType, params url.Values, strict bool, zone *time.Location, base string, site siteNames) (query, error) {
	r := reading{q: query{of: of, count: usualCount, used: url.Values{}}, strict: strict, zone: zone, base: base, site: site}
	n := 0
	for _, list := range params {
		n += len(list)
	}
	if n > mostParams {
		return query{}, refuse(http.StatusBadRequest, issueTooCostly, "the search has %d parameters; at most %d are taken", n, mostParams)
	}
	names := make([]string, 0, len(params))
	for name := range params {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		for _, v := range params[name] {
			if !utf8.ValidString(v) || strings.ContainsRune(v, 0) {
				return query{}, bad(name, "is no text in UTF-8")
			}
		}
		if err := r.param(name, params[name]); err != nil {
			return query{}, err
		}
	}
	if r.q.countOnly {
		r.q.includes, r.q.reverse = nil, nil
	}
	return r.q, nil
}

var parameterName = regexp.MustCompile(`^[A-Za-z_-]{1,40}(:[A-Za-z-]{1,20}){0,3}(\.[a-z-]{1,20})?$`)

// bad refuses a parameter. Only its name is told, and only if it looks like one.
func bad(name, format string, args ...any) *problem {
	if !parameterName.MatchString(name) {
		name = "a parameter whose name is none"
	}
	p := refuse(http.StatusBadRequest, issueInvalid, format, args...)
	p.text = name + ": " + p.text
	return p
}

func (r *reading) param(name string, list []string) error {
	switch name {
	case paramFormat: // chosen before
		return nil
	case paramCount, paramCursor, paramSort, paramSummary, paramTotal:
		if len(list) > 1 {
			return bad(name, "stands more than once")
		}
		return r.control(name, list[0])
	case paramInclude, paramRevInclude:
		return r.include(name, list)
	}
	bare, modifier, modified := strings.Cut(chainless(name), ":")
	at := r.q.of.position(bare)
	if at < 0 {
		return r.unknown(name, bare)
	}
	for _, text := range list {
		r.since = time.Time{}
		c, err := r.criterion(at, name, modifier, modified, text)
		if err != nil {
			return err
		}
		r.q.criteria = append(r.q.criteria, c)
	}
	r.q.used[name] = list
	return nil
}

// chainless gives a chain that is served as the modifier that asks the same: who a
// patient is, is known by identifier, and stands in the reference itself.
func chainless(name string) string {
	switch name {
	case "patient.identifier", "patient:Patient.identifier":
		return "patient:" + modIdentifier
	case "subject.identifier", "subject:Patient.identifier":
		return "subject:" + modIdentifier
	case "performer.identifier", "performer:Practitioner.identifier":
		return "performer:" + modIdentifier
	case "requester.identifier", "requester:Practitioner.identifier":
		return "requester:" + modIdentifier
	}
	return name
}

// unknown refuses a parameter that is not served, unless it can be left out: one
// that narrows what is asked for never is, whatever the client prefers.
func (r *reading) unknown(name, bare string) error {
	const served = "; the CapabilityStatement at metadata lists what is served"
	switch {
	case bare == paramInclude || bare == paramRevInclude:
		return bad(name, "has a modifier that is not served; includes are not repeated along a chain")
	case strings.Contains(name, "."):
		return bad(name, "is a chain, which is not served; of chains patient.identifier=system|value, subject.identifier=system|value and the same of performer and requester are%s", served)
	case strings.HasPrefix(name, "_has:"):
		return bad(name, "is not served; ask for the resources that refer, with _include%s", served)
	case strings.Contains(name, ":"):
		return bad(name, "has a modifier and is no search parameter of %s served here%s", r.q.of.name, served)
	case slices.Contains(r.q.of.refused, name):
		return bad(name, "is a search parameter of %s in R4 that is not served; without it the answer would hold more than was asked for%s", r.q.of.name, served)
	case slices.Contains(withoutEffect, name) && !r.strict:
		return nil
	case reserved.MatchString(name):
		return bad(name, "is not served; without it the answer could hold more than was asked for%s", served)
	case r.strict:
		return bad(name, "is no search parameter of %s served here%s", r.q.of.name, served)
	}
	return nil
}

// reserved are the names that R4 keeps for what every type has.
var reserved = regexp.MustCompile(`^_[A-Za-z]`)

func (r *reading) control(name, text string) error {
	switch name {
	case paramCursor:
		if text == "" {
			return bad(name, "is empty; leave it out to begin")
		}
		r.q.cursor = text
		return nil
	case paramSort:
		keys, err := r.q.of.sortKeys(text)
		if err != nil {
			return err
		}
		r.q.sort = keys
	case paramCount:
		n, err := parseCount(text)
		if err != nil {
			return err
		}
		r.q.countOnly = r.q.countOnly || n == 0
		r.q.count = n
		text = strconv.Itoa(r.q.count)
	case paramSummary:
		switch text {
		case "count":
			r.q.countOnly = true
		case "false":
		default:
			return bad(name, "is served with the values count and false only")
		}
	case paramTotal:
		switch text {
		case "accurate":
			r.q.total = true
		case "none":
		default:
			return bad(name, "is served with the values accurate and none only")
		}
	}
	r.q.used.Set(name, text)
	return nil
}

// parseCount gives how many a page may hold. 0 asks for the total alone; more than is
// served gets what is served.
func parseCount(text string) (int, error) {
	n, err := strconv.Atoi(text)
	switch {
	case errors.Is(err, strconv.ErrRange) && !strings.HasPrefix(text, "-"):
		n = mostCount
	case err != nil || n < 0:
		return 0, bad(paramCount, "is no number of resources from 0")
	}
	return min(n, mostCount), nil
}

func (r *reading) include(name string, list []string) error {
	allowed, into := r.q.of.includes(), &r.q.includes
	if name == paramRevInclude {
		allowed, into = r.q.of.reverseIncludes(), &r.q.reverse
	}
	for _, text := range list {
		i, ok := parseInclude(text, allowed)
		if !ok {
			return bad(name, "is not served for %s with this value; metadata lists what is, in the form Type:parameter", r.q.of.name)
		}
		*into = append(*into, i)
	}
	r.q.used[name] = list
	return nil
}

// Modifiers.
const (
	modMissing    = "missing"
	modNot        = "not"
	modIdentifier = "identifier"
	modExact      = "exact"
	modContains   = "contains"
)

func (r *reading) criterion(at int, name, modifier string, modified bool, text string) (criterion, error) {
	p := r.q.of.params[at]
	c := criterion{param: at, by: r.q.of.readBy(at)}
	if text == "" {
		return c, bad(name, "is empty; leave it out or give a value")
	}
	if modified {
		isType := slices.Contains(p.targets, modifier)
		switch {
		case modifier == modMissing:
			if text != "true" && text != "false" {
				return c, bad(name, "is true or false")
			}
			missing := text == "true"
			r.q.staffed = r.q.staffed || p.staff
			c.missing, c.by = &missing, bySharedValues
			return c, nil
		case modifier == modNot && p.kind == kindToken && !p.open():
			c.not = true
		case modifier == modIdentifier && p.kind == kindReference, isType:
		case (modifier == modExact || modifier == modContains) && p.kind == kindString && !p.hashed:
		default:
			return c, bad(name, "has a modifier that is not served")
		}
	}
	for _, part := range split(text, ',') {
		if r.values++; r.values > mostValues {
			return c, refuse(http.StatusBadRequest, issueTooCostly, "the search has more than %d values", mostValues)
		}
		test, err := r.test(p, modifier, part)
		if err != nil {
			return c, bad(name, "%s", err.Error())
		}
		c.tests = append(c.tests, test)
		if c.by != byCase {
			continue
		}
		if err := r.narrow(&c, p, modifier, part); err != nil {
			return c, bad(name, "%s", err.Error())
		}
	}
	if c.by == byChange {
		c.since = r.since
	}
	return c, nil
}

var errWhole = errors.New("is no identifier: write system|value or value, since there is no end of those of a system")

// narrow notes of which cases a value of an open parameter is. One that is of none
// is nowhere found.
func (r *reading) narrow(c *criterion, p param, modifier, part string) error {
	if p.kind == kindReference && modifier != modIdentifier {
		target, err := plain(part)
		if err != nil {
			return err
		}
		id := target[strings.LastIndexByte(target, '/')+1:]
		if p.ofPatient() {
			local := strings.TrimPrefix(target, r.base+"/")
			if local == id {
				local = patientPrefix + id
			}
			if system, value, named := r.site.PatientOf(local); named {
				c.cases = append(c.cases, ofCase{patient: coding{system, value}})
			}
			return nil
		}
		if prefix, ours := fhirmap.PrefixOf(id); ours {
			c.cases = append(c.cases, ofCase{prefix: prefix})
		}
		return nil
	}
	parts := split(part, '|')
	for i := range parts {
		parts[i], _ = plain(parts[i]) // read before
	}
	value := parts[len(parts)-1]
	switch {
	case value == "":
		return errWhole
	case p.name == "_id":
		if prefix, ours := fhirmap.PrefixOf(value); ours {
			c.cases = append(c.cases, ofCase{prefix: prefix})
		}
	case p.ofPatient():
		who := coding{code: value}
		if len(parts) == 2 {
			who.system = parts[0]
		}
		c.cases = append(c.cases, ofCase{patient: who})
	default:
		if uid := fhirmap.CaseOfIdentifier(value); uid != "" {
			c.cases = append(c.cases, ofCase{uid: uid})
		}
	}
	return nil
}

var errEmpty = errors.New("has an empty value in its list")

// test understands one value; it still has its escapes.
func (r *reading) test(p param, modifier, part string) (test, error) {
	if part == "" {
		return nil, errEmpty
	}
	switch {
	case p.staff:
		return r.staffTest(modifier, part)
	case p.hashed:
		return hashedTest(p, part)
	}
	switch p.kind {
	case kindDate:
		return r.dateTest(part)
	case kindString:
		return phraseTest(modifier, part)
	case kindToken:
		return tokenTest(part)
	case kindQuantity:
		return quantityTest(part)
	case kindComposite:
		return compositeTest(p, part)
	case kindReference:
		if modifier == modIdentifier {
			return identifierTest(part)
		}
		return r.referenceTest(p, modifier, part)
	}
	uri, err := plain(part)
	if err != nil {
		return nil, err
	}
	return func(v *values) bool { return slices.Contains(v.uris, uri) }, nil
}

var errStaff = errors.New("names somebody by pseudonym only: write performer.identifier=pseudonym or performer:identifier=system|pseudonym, requester likewise")

// staffTest asks for one pseudonym.
func (r *reading) staffTest(modifier, part string) (test, error) {
	parts := split(part, '|')
	if modifier != modIdentifier || len(parts) > 2 {
		return nil, errStaff
	}
	for i := range parts {
		var err error
		if parts[i], err = plain(parts[i]); err != nil {
			return nil, err
		}
	}
	who := parts[len(parts)-1]
	if who == "" {
		return nil, errStaff
	}
	r.q.staff = append(r.q.staff, who)
	if len(parts) == 2 {
		parts[0] = r.site.Inside(parts[0])
	}
	asked := staffHash(parts...)
	return func(v *values) bool { return slices.Contains(v.hashes, asked) }, nil
}

func (r *reading) dateTest(part string) (test, error) {
	p, rest, err := cutPrefix(part)
	if err != nil {
		return nil, err
	}
	asked, err := parseSpan(rest, r.zone)
	if err != nil {
		return nil, err
	}
	switch p {
	case equal, greater, greaterOrEqual, startsAfter:
		// A time is stated to the second where its fraction is 0.
		if from := asked.from.Add(-time.Second); r.since.IsZero() || from.Before(r.since) {
			r.since = from
		}
	default:
		r.since = always
	}
	return func(v *values) bool {
		return slices.ContainsFunc(v.spans, func(s span) bool { return p.matches(s, asked) })
	}, nil
}

var errToken = errors.New("is no token: write code, system|code, |code or system|")

// parseToken reads code, system|code, |code (a code without a system) and system|
// (any code of it).
func parseToken(part string) (matches func(coding) bool, err error) {
	parts := split(part, '|')
	for i := range parts {
		if parts[i], err = plain(parts[i]); err != nil {
			return nil, err
		}
	}
	switch {
	case len(parts) == 1:
		return func(c coding) bool { return c.code == parts[0] }, nil
	case len(parts) > 2 || parts[0] == "" && parts[1] == "":
		return nil, errToken
	case parts[1] == "":
		return func(c coding) bool { return c.system == parts[0] }, nil
	}
	return func(c coding) bool { return c == coding{parts[0], parts[1]} }, nil
}

func tokenTest(part string) (test, error) {
	matches, err := parseToken(part)
	if err != nil {
		return nil, err
	}
	return func(v *values) bool { return slices.ContainsFunc(v.codings, matches) }, nil
}

func identifierTest(part string) (test, error) {
	matches, err := parseToken(part)
	if err != nil {
		return nil, err
	}
	return func(v *values) bool {
		return slices.ContainsFunc(v.pointers, func(p pointer) bool {
			return p.identifier != nil && matches(*p.identifier)
		})
	}, nil
}

var errReference = errors.New("is no reference: write Type/id or id; a patient is known by identifier, as in subject:identifier=system|value")

func (r *reading) referenceTest(of param, typ, part string) (test, error) {
	target, err := plain(part)
	if err != nil {
		return nil, err
	}
	local := strings.TrimPrefix(target, r.base+"/")
	if strings.Contains(local, "://") || strings.HasPrefix(local, "urn:") {
		return func(v *values) bool {
			return slices.ContainsFunc(v.pointers, func(p pointer) bool { return p.target == target })
		}, nil
	}
	id := local
	if before, after, named := strings.Cut(local, "/"); named {
		if typ != "" && typ != before {
			return nil, errReference
		}
		typ, id = before, after
	}
	if !resourceID.MatchString(id) {
		return nil, errReference
	}
	return func(v *values) bool {
		return slices.ContainsFunc(v.pointers, func(p pointer) bool {
			if of.ofPatient() {
				return (typ == "" || typ+"/" == patientPrefix) && p.target == patientPrefix+id
			}
			pointed, to, ok := p.resource()
			return ok && to == id && (typ == "" || typ == pointed)
		})
	}, nil
}

var errQuantity = errors.New("is no quantity: write a number, number|system|code or number||code, with a prefix such as gt before it")

// parseQuantity reads number, number|system|code and number||code.
func parseQuantity(part string) (matches func(amount) bool, err error) {
	parts := split(part, '|')
	for i := range parts {
		if parts[i], err = plain(parts[i]); err != nil {
			return nil, err
		}
	}
	if len(parts) != 1 && len(parts) != 3 {
		return nil, errQuantity
	}
	p, digits, err := cutPrefix(parts[0])
	if err != nil {
		return nil, err
	}
	n, err := parseNumber(digits)
	if err != nil {
		return nil, err
	}
	if len(parts) == 1 {
		return func(a amount) bool { return n.asks(p, a) }, nil
	}
	system, code := parts[1], parts[2]
	if code == "" {
		return nil, errQuantity
	}
	return func(a amount) bool {
		switch {
		case system == "" && a.unit.code != code && a.unit.word != code:
			return false
		case system != "" && (a.unit.system != system || a.unit.code != code):
			return false
		}
		return n.asks(p, a)
	}, nil
}

func quantityTest(part string) (test, error) {
	matches, err := parseQuantity(part)
	if err != nil {
		return nil, err
	}
	return func(v *values) bool { return slices.ContainsFunc(v.amounts, matches) }, nil
}

var errComposite = errors.New("is no pair: write the code, a dollar sign and the value, as in system|code$gt0.4")

func compositeTest(p param, part string) (test, error) {
	parts := split(part, '$')
	if len(parts) != 2 || parts[0] == "" || parts[1] == "" {
		return nil, errComposite
	}
	code, err := parseToken(parts[0])
	if err != nil {
		return nil, err
	}
	if p.valueKind == kindQuantity {
		amounts, err := parseQuantity(parts[1])
		if err != nil {
			return nil, err
		}
		return func(v *values) bool {
			return slices.ContainsFunc(v.pairs, func(x pair) bool {
				return slices.ContainsFunc(x.code, code) && slices.ContainsFunc(x.amounts, amounts)
			})
		}, nil
	}
	concept, err := parseToken(parts[1])
	if err != nil {
		return nil, err
	}
	return func(v *values) bool {
		return slices.ContainsFunc(v.pairs, func(x pair) bool {
			return slices.ContainsFunc(x.code, code) && slices.ContainsFunc(x.concept, concept)
		})
	}, nil
}
