package fhirrest

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-json"

	"trigone/fhirmap"
	"trigone/internal/handover"
)

// A resource is found by a row of its own. What many resources share stands once,
// as a shape: the codes, the units, which elements there are. A row adds its dates
// and its numbers. Whom a resource is of and what it refers to is in no row: both
// say of which case it is, and that one is rendered. A lot number or a device
// identifier of an implant stands in its row as a hash.

// indexForm rises when rows are written in another way. What they are written of,
// the table of parameters, is part of IndexVersion by itself.
const indexForm = 2

// IndexVersion is the version of what Index makes.
func IndexVersion() int64 {
	sum := crc32.NewIEEE()
	fmt.Fprintln(sum, indexForm)
	for _, t := range served {
		for _, p := range t.params {
			fmt.Fprintln(sum, t.name, p.name, p.kind, p.paths, p.system, p.value, p.valueKind, p.union, p.hashed, p.staff)
		}
	}
	return int64(sum.Sum32())
}

// In a shape, values are written so.
type (
	sharedShape  struct{ Values []sharedValues }
	sharedValues struct {
		Codings [][2]string  `json:"c,omitempty"`
		URIs    []string     `json:"u,omitempty"`
		Texts   []string     `json:"s,omitempty"`
		Units   []sharedUnit `json:"q,omitempty"` // one for each amount
		Pairs   []sharedPair `json:"p,omitempty"`
		Count   int          `json:"n,omitempty"` // of dates or hashes; 1 of what is only there
	}
	sharedUnit struct {
		System, Code, Word string
		Open               string `json:",omitempty"` // the comparator
	}
	sharedPair struct {
		Code    [][2]string
		Concept [][2]string `json:",omitempty"`
		Amounts int         `json:",omitempty"`
	}
)

// open says that the values of a parameter are told by no shape: there is no end of
// them.
func (p param) open() bool {
	return p.kind == kindReference && !p.staff || p.kind == kindToken && slices.ContainsFunc(p.paths, func(path string) bool {
		return path == "id" || strings.HasSuffix(strings.ToLower(path), "identifier") || path == "requisition"
	})
}

// numbers names the parameter that searches the amounts of a composite alone.
func (p param) numbers() string { return strings.Replace(p.name, "code-value", "value", 1) }

// Index makes the rows by which the resources of one case are found.
func Index(list []fhirmap.Resource) (rows handover.IndexRows, err error) {
	reader := newReader(time.UTC)
	reader.presence = true
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b fhirmap.Resource) int { return cmp.Compare(a.ID, b.ID) })
	parts := partsOf(list)
	numbers := map[string]handover.Shape{}
	for i, r := range list {
		t := typeNamed(r.Type)
		if t == nil {
			continue // a type that this face does not serve
		}
		x, err := reader.read(t, r)
		if err != nil {
			return rows, err
		}
		shape, content := t.divide(x)
		text, err := json.Marshal(shape)
		if err != nil {
			return rows, err
		}
		key := t.name + "\n" + string(text)
		s, known := numbers[key]
		if !known {
			s = handover.Shape{Number: short(key, shapeBits), Lead: t.lead(x), Type: t.name, Content: text}
			numbers[key] = s
			rows.Shapes = append(rows.Shapes, s)
		}
		rows.Found = append(rows.Found, handover.Found{Lead: s.Lead, Part: parts[i], Shape: s.Number, Content: content})
	}
	return rows, nil
}

// Bits of the numbers that are made of texts: as many as six and four bytes hold.
const (
	shapeBits = 47
	leadBits  = 31
)

func short(text string, bits int) int64 {
	sum := sha256.Sum256([]byte(text))
	return int64(binary.BigEndian.Uint64(sum[:8]) >> (64 - bits))
}

// partsOf gives the part of each id; ids come in their order, and so do the parts.
// Two alike, of which there is hardly ever one, move on by one.
func partsOf(list []fhirmap.Resource) []int64 {
	parts := make([]int64, len(list))
	for i, r := range list {
		parts[i] = fhirmap.PartOf(r.ID)
		if i > 0 {
			parts[i] = max(parts[i], parts[i-1]+1)
		}
	}
	return parts
}

// lead is a number for what most searches name: type, status and code.
func (t *resourceType) lead(r record) int64 {
	text := t.name
	for _, name := range []string{"status", "lifecycle-status", "code", "type"} {
		if at := t.position(name); at >= 0 && r.values[at] != nil {
			if c := r.values[at].codings; len(c) > 0 {
				text += "\n" + c[0].system + "|" + c[0].code
			}
		}
	}
	return short(text, leadBits)
}

// divide parts what is searched of a resource into what others share and the rest.
func (t *resourceType) divide(r record) (shape sharedShape, content []byte) {
	shape.Values = make([]sharedValues, len(t.params))
	for i, p := range t.params {
		v, s := r.values[i], &shape.Values[i]
		switch {
		case v == nil:
		case p.open() || p.shared == lastUpdated:
			s.Count = 1
		default:
			s.Codings, s.URIs, s.Count = pairsOf(v.codings), v.uris, len(v.dates)+len(v.hashes)
			for _, x := range v.phrases {
				s.Texts = append(s.Texts, x.text)
			}
			for _, h := range v.hashes {
				content = append(content, h[:]...)
			}
			for _, d := range v.dates {
				content = d.pack(content)
			}
			for _, a := range v.amounts {
				s.Units = append(s.Units, sharedUnit{a.unit.system, a.unit.code, a.unit.word, a.open})
				digits := strconv.FormatFloat(a.exact, 'g', -1, 64)
				content = append(append(content, byte(len(digits))), digits...)
			}
			for _, x := range v.pairs {
				s.Pairs = append(s.Pairs, sharedPair{pairsOf(x.code), pairsOf(x.concept), len(x.amounts)})
			}
		}
	}
	return shape, content
}

const lastUpdated = "Resource-lastUpdated"

func pairsOf(list []coding) (out [][2]string) {
	for _, c := range list {
		out = append(out, [2]string{c.system, c.code})
	}
	return out
}

// shape is a shape, read. Its record has what is shared; what the rows add is there
// without its content, so that it counts as present.
type shape struct {
	record
	of     *resourceType
	lead   int64
	shared sharedShape
}

var errIndex = errors.New("a row by which a resource is found is not what was written")

// readShape reads one; public gives the site's codes of ours, which rows do not have.
func readShape(s handover.Shape, public map[string][]string) (*shape, error) {
	out := &shape{of: typeNamed(s.Type), lead: s.Lead}
	if out.of == nil {
		return nil, fmt.Errorf("%w: type %s", errIndex, s.Type)
	}
	if err := json.Unmarshal(s.Content, &out.shared); err != nil || len(out.shared.Values) != len(out.of.params) {
		return nil, fmt.Errorf("%w: shape %d", errIndex, s.Number)
	}
	codings := func(pairs [][2]string) (list []coding) {
		for _, p := range pairs {
			list = append(list, coding{p[0], p[1]})
			for _, other := range public[p[0]+"|"+p[1]] {
				system, code, _ := strings.Cut(other, "|")
				list = append(list, coding{system, code})
			}
		}
		return list
	}
	out.typ, out.values = out.of.name, make([]*values, len(out.of.params))
	for i, s := range out.shared.Values {
		v := &values{codings: codings(s.Codings), uris: s.URIs}
		for _, text := range s.Texts {
			v.phrases = append(v.phrases, phraseOf(text))
		}
		for _, u := range s.Units {
			v.amounts = append(v.amounts, amount{unit: &unit{u.System, u.Code, u.Word}, open: u.Open})
		}
		for _, p := range s.Pairs {
			v.pairs = append(v.pairs, pair{code: codings(p.Code), concept: codings(p.Concept)})
		}
		if s.Count > 0 || !v.none() {
			out.values[i] = v
		}
	}
	return out, nil
}

// join gives a resource as far as rows tell of it.
func (s *shape) join(content []byte, zone *time.Location) (record, error) {
	r := record{typ: s.typ, values: slices.Clone(s.values)}
	for i, p := range s.of.params {
		shared := &s.shared.Values[i]
		if p.kind == kindDate && p.shared != lastUpdated && shared.Count > 0 {
			v := &values{}
			for range shared.Count {
				d, rest, err := unpackDate(content)
				if err != nil {
					return r, err
				}
				span, ok := spanOf(d.element(), zone)
				if !ok {
					return r, errIndex
				}
				v.spans, content = append(v.spans, span), rest
			}
			r.values[i] = v
		}
		if p.hashed && shared.Count > 0 {
			v := &values{hashes: make([]hash, shared.Count)}
			for k := range v.hashes {
				if len(content) < len(hash{}) {
					return r, errIndex
				}
				content = content[copy(v.hashes[k][:], content):]
			}
			r.values[i] = v
		}
		if len(shared.Units) > 0 {
			v := &values{amounts: slices.Clone(s.values[i].amounts)}
			for k := range v.amounts {
				if len(content) == 0 || len(content) <= int(content[0]) {
					return r, errIndex
				}
				x, err := strconv.ParseFloat(string(content[1:1+content[0]]), 64)
				if err != nil {
					return r, errIndex
				}
				v.amounts[k] = v.amounts[k].at(x)
				content = content[1+content[0]:]
			}
			r.values[i] = v
		}
	}
	if len(content) > 0 {
		return r, errIndex
	}
	for i, p := range s.of.params {
		if p.kind != kindComposite || p.valueKind != kindQuantity || len(s.shared.Values[i].Pairs) == 0 {
			continue
		}
		var amounts []amount
		if v := r.values[s.of.position(p.numbers())]; v != nil {
			amounts = v.amounts
		}
		v := &values{pairs: slices.Clone(s.values[i].pairs)}
		for k, shared := range s.shared.Values[i].Pairs {
			if len(amounts) < shared.Amounts {
				return r, errIndex
			}
			v.pairs[k].amounts, amounts = amounts[:shared.Amounts], amounts[shared.Amounts:]
		}
		r.values[i] = v
	}
	return r, nil
}

// written is a date, a time or a period as the resource has it: in which zone a day
// is meant is the site's, and may change.
type written struct {
	period     bool
	start, end string // of a date or time the start alone
}

func (d written) element() any {
	if !d.period {
		return d.start
	}
	o := object{}
	if d.start != "" {
		o["start"] = d.start
	}
	if d.end != "" {
		o["end"] = d.end
	}
	return o
}

// Forms of a packed date: a day, and a time in UTC to the second or millisecond;
// every other one stands as text.
const (
	packedText = iota
	packedDay
	packedSecond
	packedMilli
	packedPeriod = 0x80
)

const (
	secondLayout = "2006-01-02T15:04:05Z"
	milliLayout  = "2006-01-02T15:04:05.000Z"
)

func (d written) pack(out []byte) []byte {
	at := len(out)
	out = packTime(out, d.start)
	if d.period {
		out[at] |= packedPeriod
		out = packTime(out, d.end)
	}
	return out
}

func packTime(out []byte, text string) []byte {
	for form, layout := range [...]string{packedDay: time.DateOnly, packedSecond: secondLayout, packedMilli: milliLayout} {
		if form == packedText || len(layout) != len(text) {
			continue
		}
		at, err := time.Parse(layout, text)
		if err != nil || at.Format(layout) != text {
			continue
		}
		n := at.UnixMilli()
		switch form {
		case packedDay:
			n /= 24 * 3600 * 1000
		case packedSecond:
			n /= 1000
		}
		return binary.AppendVarint(append(out, byte(form)), n)
	}
	return append(append(out, packedText, byte(len(text))), text...)
}

func unpackDate(content []byte) (d written, rest []byte, err error) {
	if len(content) == 0 {
		return d, nil, errIndex
	}
	d.period = content[0]&packedPeriod != 0
	if d.start, rest, err = unpackTime(content[0]&^packedPeriod, content[1:]); err != nil || !d.period {
		return d, rest, err
	}
	if len(rest) == 0 {
		return d, nil, errIndex
	}
	d.end, rest, err = unpackTime(rest[0], rest[1:])
	return d, rest, err
}

func unpackTime(form byte, content []byte) (text string, rest []byte, err error) {
	if form == packedText {
		if len(content) == 0 || len(content) <= int(content[0]) {
			return "", nil, errIndex
		}
		return string(content[1 : 1+content[0]]), content[1+content[0]:], nil
	}
	n, size := binary.Varint(content)
	if size <= 0 || form > packedMilli {
		return "", nil, errIndex
	}
	layout := time.DateOnly
	switch form {
	case packedDay:
		n *= 24 * 3600 * 1000
	case packedSecond:
		n, layout = n*1000, secondLayout
	case packedMilli:
		layout = milliLayout
	}
	return time.UnixMilli(n).UTC().Format(layout), content[size:], nil
}
