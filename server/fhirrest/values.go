package fhirrest

import (
	"errors"
	"math"
	"math/big"
	"regexp"
	"strings"
	"time"
)

// span is a time to the precision it was given: from (within) until (no longer
// within).
type span struct{ from, until time.Time }

// Ends of a period that is open. They lie beyond every time that FHIR can write.
var (
	always = time.Date(-100000, 1, 1, 0, 0, 0, 0, time.UTC)
	never  = time.Date(100000, 1, 1, 0, 0, 0, 0, time.UTC)
)

func (s span) within(other span) bool {
	return !s.from.Before(other.from) && !s.until.After(other.until)
}

var (
	dateForm = regexp.MustCompile(`^(\d{4})(-\d{2}(-\d{2}(T\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?(Z|[+-]\d{2}:\d{2})?)?)?)?$`)

	errDate = errors.New("is no date: write 2026, 2026-03, 2026-03-01 or 2026-03-01T09:30:00Z, with + as %2B in an address")
)

// parseSpan reads a date or time of any precision. One without a zone is meant in
// the site's.
func parseSpan(text string, zone *time.Location) (span, error) {
	m := dateForm.FindStringSubmatch(text)
	if m == nil || m[1] == "0000" {
		return span{}, errDate
	}
	layout, clock, fraction := time.DateOnly[:min(len(text), len(time.DateOnly))], m[4] != "", m[6]
	if clock {
		layout = "2006-01-02T15:04"
		if m[5] != "" {
			layout += ":05"
		}
		if m[7] != "" {
			layout += "Z07:00"
		}
	}
	from, err := time.ParseInLocation(layout, text, zone)
	if err != nil {
		return span{}, errDate
	}
	y, mo, d := from.Date()
	switch {
	case fraction != "":
		step := time.Second
		for range len(fraction) - 1 {
			step /= 10
		}
		return span{from, from.Add(step)}, nil
	case clock && m[5] != "":
		return span{from, from.Add(time.Second)}, nil
	case clock:
		return span{from, from.Add(time.Minute)}, nil
	case len(text) == len(time.DateOnly):
		return span{from, time.Date(y, mo, d+1, 0, 0, 0, 0, zone)}, nil
	case len(text) == len("2006-01"):
		return span{from, time.Date(y, mo+1, 1, 0, 0, 0, 0, zone)}, nil
	}
	return span{from, time.Date(y+1, 1, 1, 0, 0, 0, 0, zone)}, nil
}

// prefix compares what is on record with what is asked for, in FHIR's words.
type prefix string

const (
	equal          prefix = "eq"
	notEqual       prefix = "ne"
	greater        prefix = "gt"
	less           prefix = "lt"
	greaterOrEqual prefix = "ge"
	lessOrEqual    prefix = "le"
	startsAfter    prefix = "sa"
	endsBefore     prefix = "eb"
)

var errPrefix = errors.New("begins with a word that is no prefix served; prefixes are eq, ne, gt, lt, ge, le, sa and eb")

// cutPrefix takes the prefix off a date or a number; none is eq.
func cutPrefix(text string) (prefix, string, error) {
	if len(text) < 2 || text[0] < 'a' || text[0] > 'z' {
		return equal, text, nil
	}
	switch p := prefix(text[:2]); p {
	case equal, notEqual, greater, less, greaterOrEqual, lessOrEqual, startsAfter, endsBefore:
		return p, text[2:], nil
	}
	return "", "", errPrefix
}

// matches follows R4's search page (3.1.1.4.7): eq when the record lies within
// what is asked for, gt and lt when any of it lies beyond, sa and eb when all of it
// does.
func (p prefix) matches(record, asked span) bool {
	switch p {
	case equal:
		return record.within(asked)
	case notEqual:
		return !record.within(asked)
	case greater:
		return record.until.After(asked.until)
	case less:
		return record.from.Before(asked.from)
	case greaterOrEqual:
		return record.until.After(asked.until) || record.within(asked)
	case lessOrEqual:
		return record.from.Before(asked.from) || record.within(asked)
	case startsAfter:
		return !record.from.Before(asked.until)
	case endsBefore:
		return !record.until.After(asked.from)
	}
	return false
}

// number is a decimal with the range that its last digit stands for.
type number struct{ exact, from, until float64 }

var (
	numberForm = regexp.MustCompile(`^[+-]?(\d{1,15})(\.(\d{1,15}))?([eE]([+-]?\d{1,2}))?$`)

	errNumber = errors.New("is no number: write a decimal such as 0.4, of at most 15 digits")
)

// exactDigits is how many digits of a decimal a float64 keeps apart, so that two
// numbers compare as their decimals do.
const exactDigits = 15

func parseNumber(text string) (number, error) {
	m := numberForm.FindStringSubmatch(text)
	if m == nil || len(m[1])+len(m[3]) > exactDigits {
		return number{}, errNumber
	}
	half := "0.5"
	if n := len(m[3]); n > 0 {
		half = "0." + strings.Repeat("0", n) + "5"
	}
	if m[5] != "" {
		half += "e" + m[5]
	}
	exact, ok := new(big.Rat).SetString(text)
	margin, also := new(big.Rat).SetString(half)
	if !ok || !also {
		return number{}, errNumber
	}
	var n number
	n.exact, _ = exact.Float64()
	n.from, _ = new(big.Rat).Sub(exact, margin).Float64()
	n.until, _ = new(big.Rat).Add(exact, margin).Float64()
	return n, nil
}

// unit is what an amount is counted in.
type unit struct{ system, code, word string }

// amount is a quantity on record. One with a comparator is open at one end.
type amount struct {
	exact       float64
	from, until float64
	open        string // the comparator
	unit        *unit
}

// at gives the amount with its number.
func (a amount) at(x float64) amount {
	a.exact, a.from, a.until = x, x, x
	switch a.open {
	case "<", "<=":
		a.from = math.Inf(-1)
	case ">", ">=":
		a.until = math.Inf(1)
	}
	return a
}

// asks compares: eq and ne by the range that the digits asked for stand for, the
// others exactly, as R4 has it.
func (n number) asks(p prefix, a amount) bool {
	switch p {
	case equal:
		return a.from >= n.from && a.until < n.until
	case notEqual:
		return a.from < n.from || a.until >= n.until
	case greater:
		return a.until > n.exact
	case less:
		return a.from < n.exact
	case greaterOrEqual:
		return a.until >= n.exact
	case lessOrEqual:
		return a.from <= n.exact
	case startsAfter:
		return a.from > n.exact
	case endsBefore:
		return a.until < n.exact
	}
	return false
}

// coding is a code in a system; an identifier is one too.
type coding struct{ system, code string }

// pointer is a reference on record.
type pointer struct {
	target     string // Type/id, or an address elsewhere; empty: none
	identifier *coding
}

// resource gives the resource of ours that is pointed to.
func (p pointer) resource() (typ, id string, ok bool) {
	typ, id, ok = strings.Cut(p.target, "/")
	return typ, id, ok && typeNamed(typ) != nil
}

// split cuts a value at a separator that no backslash stands before. The parts
// keep their backslashes.
func split(text string, at byte) []string {
	var parts []string
	begin := 0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '\\':
			i++
		case at:
			parts = append(parts, text[begin:i])
			begin = i + 1
		}
	}
	return append(parts, text[begin:])
}

var errEscape = errors.New(`has a backslash that is no escape; escapes are \, \$ \| and \\`)

// plain takes the escapes out.
func plain(text string) (string, error) {
	if !strings.Contains(text, `\`) {
		return text, nil
	}
	var out strings.Builder
	for i := 0; i < len(text); i++ {
		c := text[i]
		if c == '\\' {
			i++
			if i == len(text) || !strings.ContainsRune(`,$|\`, rune(text[i])) {
				return "", errEscape
			}
			c = text[i]
		}
		out.WriteByte(c)
	}
	return out.String(), nil
}
