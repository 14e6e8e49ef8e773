package fhirmap

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	plain "encoding/json"
	"fmt"
	"slices"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Mapping is the version of what this package makes of a case. It rises with every
// change of what is sent, which a test holds against the golden bundles.
const Mapping = 3

// SentState is what became of a resource that was sent.
type SentState int

// The states.
const (
	// Living: it is stated, and never said anything else.
	Living SentState = 1
	// Amended: it is stated, and said something else before.
	Amended SentState = 2
	// Gone: it is entered in error.
	Gone SentState = 3
	// Past: it is not made any more but was no error: a Provenance of a former
	// revision, software that is no longer in use.
	Past SentState = 4
)

// Sent is a resource that was ever sent. Rows are never given up.
type Sent struct {
	Type, ID string
	// Mapping is the one that wrote the row.
	Mapping int64
	// Digest is of what a result says of the patient, as long as it never said
	// anything else: empty once it has, and for other types.
	Digest []byte
	// First is the version of the case that first had it, Last the one whose write
	// ended it; 0: it is stated.
	First, Last int64
	State       SentState
	// Gone is its form once it is Gone or Past, in JSON: whose it is and the history
	// number are left empty, they are those of the bundle that it stands in.
	Gone []byte
}

func (s Sent) ended() bool { return s.State == Gone || s.State == Past }

func (s Sent) equal(o Sent) bool {
	return s.Type == o.Type && s.ID == o.ID && s.Mapping == o.Mapping && s.First == o.First && s.Last == o.Last && s.State == o.State &&
		bytes.Equal(s.Digest, o.Digest) && bytes.Equal(s.Gone, o.Gone)
}

// barless is the first mapping whose identifiers hold no bars.
const barless = 3

// withoutBars gives the form of an ended resource with its identifier as the present
// mapping writes it.
func withoutBars(row Sent) ([]byte, error) {
	const head = `"identifier":[{"system":"` + IdentifierSystem + `","value":`
	before, rest, found := bytes.Cut(row.Gone, []byte(head))
	if row.Mapping >= barless || !found {
		return row.Gone, nil
	}
	end := 1 + bytes.IndexByte(rest[1:], '"') + 1 // what is in a key needs no escape
	var value string
	if err := json.Unmarshal(rest[:end], &value); err != nil {
		return nil, fmt.Errorf("%s %s: its identifier: %w", row.Type, row.ID, err)
	}
	written, err := json.Marshal(toIdentifier.Replace(value))
	if err != nil {
		return nil, err
	}
	return slices.Concat(before, []byte(head), written, rest[end:]), nil
}

// Stated is a case with what its current state makes, which is not made a second time.
type Stated struct {
	history History
	living  []resource
}

// Sent gives the rows of every resource that was ever sent.
func (s Stated) Sent() []Sent { return s.history.Sent }

// Resources gives what Transaction sends, each resource by itself.
func (s Stated) Resources() ([]Resource, error) {
	a, err := assembleOf(s.history, s.living)
	if err != nil {
		return nil, err
	}
	return s.history.leavingAll(a.resources())
}

// Advance gives the rows that a write adds or changes, and the case as it leaves it. before and after are the
// case on its two sides; before is nil for the first write. after.Sent has the rows
// that were there. Where the forms of ended ones are left out, so are those resources.
//
// Rows of a former mapping are taken as they are: what the present one does not
// make any more is ended, and what it says otherwise is amended.
func Advance(before *History, after History) (changed []Sent, left Stated, err error) {
	var was func() ([]resource, error)
	if before != nil {
		was = func() ([]resource, error) {
			h := *before
			h.Sent = after.Sent
			return produce(h)
		}
		after.softwareBefore = before.software()
	}
	left.history = after
	if left.living, err = produce(after); err != nil {
		return nil, left, err
	}
	var version int64
	if before != nil {
		version = before.Current.Case.GetCaseVersion()
	}
	if changed, err = advance(rowsOf(after.Sent), was, version, left.living, after.Current.Case.GetCaseVersion()); err != nil {
		return nil, left, err
	}
	rows := rowsOf(after.Sent)
	for _, row := range changed {
		rows[row.ID] = row
	}
	left.history.Sent = listOf(rows)
	return changed, left, nil
}

func rowsOf(sent []Sent) map[string]Sent {
	rows := make(map[string]Sent, len(sent))
	for _, s := range sent {
		rows[s.ID] = s
	}
	return rows
}

// advance enters what a write states now. was gives what the state before made: it
// is asked where a form of something ended is needed, or where the rows may lack
// what another mapping sent of it.
func advance(rows map[string]Sent, was func() ([]resource, error), version int64, now []resource, to int64) ([]Sent, error) {
	changed := map[string]Sent{}
	stated := make(map[string]bool, len(now))
	for _, r := range now {
		stated[r.id] = true
	}
	former := false
	ends := false
	for id, row := range rows {
		former = former || row.Mapping != Mapping
		ends = ends || !row.ended() && !stated[id]
	}
	forms := map[string]resource{}
	if was != nil && (ends || former || len(rows) == 0) {
		list, err := was()
		if err != nil {
			return nil, fmt.Errorf("the state before: %w", err)
		}
		for _, r := range list {
			forms[r.id] = r
			if _, known := rows[r.id]; !known {
				row := Sent{Type: r.typ, ID: r.id, Mapping: Mapping, Digest: r.digest(), First: version, State: Living}
				rows[r.id], changed[r.id] = row, row
			}
		}
	}
	for _, r := range now {
		row, known := rows[r.id]
		next := Sent{Type: r.typ, ID: r.id, Mapping: Mapping, Digest: r.digest(), First: to, State: Living}
		if known {
			next.First = row.First
			if amends(next.Digest, row) {
				next.State, next.Digest = Amended, nil
			}
			if next.Mapping = row.Mapping; !next.equal(row) {
				next.Mapping = Mapping
			}
		}
		if !known || !next.equal(row) {
			changed[r.id] = next
		}
	}
	for id, row := range rows {
		if row.ended() || stated[id] {
			continue
		}
		form, had := forms[id]
		if !had {
			form = unknownForm(row.Type, id)
		}
		text, state, err := form.ended()
		if err != nil {
			return nil, err
		}
		row.Mapping, row.Last, row.State, row.Gone = Mapping, to, state, text
		changed[id] = row
	}
	list := make([]Sent, 0, len(changed))
	for _, row := range changed {
		list = append(list, row)
	}
	slices.SortFunc(list, sentInOrder)
	return list, nil
}

func sentInOrder(a, b Sent) int { return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID)) }

// Replay gives the history of a case by its states, oldest first: its rows are
// those that Advance gave write by write. It is how rows are built anew. asked is the
// history's.
func Replay(site, uid string, states []Snapshot, asked func() error) (History, error) {
	h, _, err := replay(site, uid, states, asked)
	return h, err
}

// Restated gives the case that Replay gives the history of.
func Restated(site, uid string, states []Snapshot, asked func() error) (Stated, error) {
	h, living, err := replay(site, uid, states, asked)
	return Stated{h, living}, err
}

func replay(site, uid string, states []Snapshot, asked func() error) (h History, living []resource, err error) {
	h = History{Site: site, UID: uid, Asked: asked}
	rows := map[string]Sent{}
	var was func() ([]resource, error)
	for i, s := range states {
		var before *History
		if i > 0 {
			then := h
			before = &then
		}
		h = h.Next(s)
		h.Sent = listOf(rows)
		if before != nil {
			h.softwareBefore = before.software()
		}
		now, err := produce(h)
		if err != nil {
			return h, nil, fmt.Errorf("version %d of the case: %w", s.Case.GetCaseVersion(), err)
		}
		changed, err := advance(rows, was, before.version(), now, s.Case.GetCaseVersion())
		if err != nil {
			return h, nil, fmt.Errorf("version %d of the case: %w", s.Case.GetCaseVersion(), err)
		}
		for _, row := range changed {
			rows[row.ID] = row
		}
		was = func() ([]resource, error) { return now, nil }
		living = now
	}
	h.Sent = listOf(rows)
	return h, living, nil
}

func (h *History) version() int64 {
	if h == nil {
		return 0
	}
	return h.Current.Case.GetCaseVersion()
}

func listOf(rows map[string]Sent) []Sent {
	list := make([]Sent, 0, len(rows))
	for _, row := range rows {
		list = append(list, row)
	}
	slices.SortFunc(list, sentInOrder)
	return list
}

// Next gives the history of the case as another write left it, with the rows that
// were there before.
func (h History) Next(s Snapshot) History {
	next := h
	if h.Current.Case != nil {
		next.Plans, next.LastPatient = h.plans(), h.patient()
	}
	next.Current = s
	return next
}

// software gives the Device of the software that made the evaluation; empty: none
// is sent.
func (h History) software() string {
	if h.Current.Case.GetEvaluation() == nil || !h.Current.accepted() {
		return ""
	}
	return resourceID(h.UID, typeDevice, softwareKey(h.Current.Case.GetEvaluation()))
}

// computedAnew says whether another software computed something before.
func (h History) computedAnew() bool {
	now := h.software()
	return h.softwareBefore != "" && h.softwareBefore != now ||
		slices.ContainsFunc(h.Sent, func(s Sent) bool { return s.State == Past && s.Type == typeDevice && s.ID != now })
}

// ended gives the form in which a resource is kept once it is not made any more.
// It has none where it would have to name what is not known.
func (r resource) ended() (text []byte, state SentState, err error) {
	state = Gone
	if r.provenance != nil || r.device != nil && isSoftware(r.device) {
		state = Past
	}
	if r.typ == typeProvenance && r.provenance == nil {
		return nil, Past, nil
	}
	form := r.enteredInError(&fhir.Reference{}, &fhir.Meta{}, nil)
	if err := form.checkStatus(); err != nil {
		return nil, 0, err
	}
	text, err = json.Marshal(form.wrapped())
	if err != nil {
		return nil, 0, fmt.Errorf("%s %s: %w", r.typ, r.id, err)
	}
	return text, state, nil
}

// unknownForm stands for a resource that only a former mapping made.
func unknownForm(typ, id string) resource {
	r := resource{typ: typ, id: id}
	what := fhir.CodeableConcept{Text: text("No longer stated")}
	switch typ {
	case typeObservation:
		r.observation = &fhir.Observation{Id: text(id), Code: what}
	case typeProcedure:
		r.procedure = &fhir.Procedure{Id: text(id), Code: &what}
	case typeDevice:
		r.device = &fhir.Device{Id: text(id), Type: &what, Patient: &fhir.Reference{}}
	case typeIssue:
		r.issue = &fhir.DetectedIssue{Id: text(id), Code: &what}
	case typeRequest:
		r.request = &fhir.ServiceRequest{Id: text(id), Code: &what}
	case typeRingRequest:
		r.ringRequest = &deviceRequest{ID: text(id), CodeCodeableConcept: &what}
	case typeGoal:
		r.goal = &fhir.Goal{Id: text(id), Description: what}
	case typeReport:
		r.report = &fhir.DiagnosticReport{Id: text(id), Code: what}
	}
	return r
}

// The two elements that are left empty in the form of an ended resource. No other
// element is ever empty, and inside a string the quotes would be escaped, so that
// these bytes are always the elements' own.
var (
	emptyMeta     = []byte(`"meta":{}`)
	emptySubjects = [][]byte{[]byte(`"subject":{}`), []byte(`"patient":{}`)}
)

// ending puts the bundle's own history number and subject into forms of ended
// resources.
type ending struct {
	// meta and history carry the history number.
	meta, history, subject []byte
	codes                  equivalents
}

func newEnding(h History) (ending, error) {
	e := ending{codes: equivalentsOf(h.Codes)}
	var err error
	if e.meta, err = json.Marshal(tagOf(h)); err != nil {
		return e, err
	}
	if e.history, err = json.Marshal(historyOf(h)); err != nil {
		return e, err
	}
	e.subject, err = subjectJSON(h)
	return e, err
}

func subjectJSON(h History) ([]byte, error) { return json.Marshal(subjectOf(h)) }

// append writes an ended resource as it is sent now behind out.
func (e ending) append(out []byte, s Sent) ([]byte, error) {
	form, err := e.codes.inText(s.Type, s.Gone)
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", s.Type, s.ID, err)
	}
	head, rest, found := bytes.Cut(form, emptyMeta)
	if !found {
		return nil, fmt.Errorf("%s %s: its form as ended has no room for the history number", s.Type, s.ID)
	}
	out = append(out, head...)
	out = append(out, emptyMeta[:len(emptyMeta)-2]...)
	out = append(out, e.meta...)
	out = append(out, `,"extension":`...) // its form has none
	out = append(out, e.history...)
	for _, empty := range emptySubjects {
		if s.Type == typeProvenance {
			break // it names nobody, and is long
		}
		if before, after, found := bytes.Cut(rest, empty); found {
			out = append(out, before...)
			out = append(out, empty[:len(empty)-2]...)
			out = append(out, e.subject...)
			rest = after
			break
		}
	}
	return append(out, rest...), nil
}

// room is more than append adds to a form.
func (e ending) room() int {
	return len(e.meta) + len(`,"extension":`) + len(e.history) + len(e.subject)
}

// digestBytes are enough to tell apart what one resource said in states that
// follow each other.
const digestBytes = 8

// digest is of what a result says of the patient; nil for other types. Its form
// outlives the program: another form would make an amendment of everything.
func (r resource) digest() []byte {
	var said any
	switch {
	case r.observation != nil:
		said = saidBy(r.observation)
	case r.report != nil:
		said = concludedBy(r.report)
	default:
		return nil
	}
	text, err := plain.Marshal(said)
	if err != nil {
		return nil // a number that is none; encoding the resource says so
	}
	sum := sha256.Sum256(text)
	return sum[:digestBytes]
}
