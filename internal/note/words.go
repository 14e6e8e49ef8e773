package note

import (
	"strconv"
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// notRecorded is what the note says where a reader would expect a value.
const notRecorded = "not recorded"

// word gives the word of an enum value, as everywhere: its name in lower case
// without the enum's prefix; the zero value and an unknown number have none. It is
// not convert's, whose checks of requests would come with it into whoever only
// maps a note.
func word(e protoreflect.Enum) string {
	values := e.Descriptor().Values()
	v := values.ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return words.OfEnum(string(v.Name()), string(values.ByNumber(0).Name()))
}

// say gives an enum value in words; the zero value is empty.
func say(e protoreflect.Enum) string {
	if v := e.Descriptor().Values().ByNumber(e.Number()); v != nil {
		if s, ok := words.Spoken(string(v.Name())); ok {
			return s
		}
	}
	return words.Spaced(word(e))
}

// sayAll gives the values of a list that are stated.
func sayAll[E protoreflect.Enum](list []E) []string {
	var out []string
	for _, e := range list {
		if w := say(e); w != "" {
			out = append(out, w)
		}
	}
	return out
}

// or gives what the note says where a reader would expect a value.
func or(s string) string {
	if s == "" {
		return notRecorded
	}
	return s
}

// joined joins what is not empty.
func joined(separator string, parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, separator)
}

// bracketedIf brackets what is said of a text, if there is one.
func bracketedIf(of, s string) string {
	if of == "" {
		return ""
	}
	return bracketed(s)
}

func bracketed(s string) string {
	if s == "" {
		return ""
	}
	return "(" + s + ")"
}

// numerals are the numbers that a sentence writes in letters.
var numerals = []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

func numeral(n int64) string {
	if n >= 0 && n < int64(len(numerals)) {
		return numerals[n]
	}
	return strconv.FormatInt(n, 10)
}

func count(n int64, one, many string) string {
	if n == 1 {
		return "one " + one
	}
	return numeral(n) + " " + many
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// clean makes a text of the record safe for every form: one line, no control
// characters, no characters that turn the direction of the text around them.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || r == '\u2028' || r == '\u2029':
			return ' '
		case unicode.IsControl(r), r >= '\u202a' && r <= '\u202e', r >= '\u2066' && r <= '\u2069', r == '\ufffe', r == '\uffff':
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(s, string(unicode.ReplacementChar)))
	return strings.Join(strings.Fields(s), " ")
}

// day writes a civil date of the record; a text that is no date is given as it is.
func day(s string) string {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return clean(s)
	}
	return t.Format(dayLayout)
}

const (
	dayLayout    = "2 January 2006"
	clockLayout  = "15:04"
	minuteLayout = "2 January 2006, 15:04"
)

func usable(t *timestamppb.Timestamp) bool { return t != nil && t.CheckValid() == nil }

func segmentName(s trigonev1.Segment) string { return strings.ToUpper(word(s)) }

func segmentNames(list []trigonev1.Segment) string {
	var names []string
	for _, s := range list {
		if n := segmentName(s); n != "" {
			names = append(names, n)
		}
	}
	return words.And(names)
}

func commissureName(c trigonev1.Commissure) string {
	if w := word(c); w != "" {
		return "the " + w + " commissure"
	}
	return ""
}

func locationName(l *trigonev1.Location) string {
	switch x := l.GetAt().(type) {
	case *trigonev1.Location_Segment:
		return segmentName(x.Segment)
	case *trigonev1.Location_Boundary:
		if w := word(x.Boundary); w != "" {
			return words.Place(valve.Place(w))
		}
	case *trigonev1.Location_Commissure:
		return commissureName(x.Commissure)
	case *trigonev1.Location_Leaflet:
		if w := word(x.Leaflet); w != "" {
			return "the " + w + " leaflet"
		}
	}
	return ""
}

func locationNames(list []*trigonev1.Location) string {
	var names []string
	for _, l := range list {
		if n := locationName(l); n != "" {
			names = append(names, n)
		}
	}
	return words.And(names)
}

// gradeName gives a grade in words of its scheme.
func gradeName(g *trigonev1.Grade) string { return say(g.GetValue()) }

// stageName says when something was.
func stageName(s trigonev1.Stage) string { return words.When(valve.Stage(word(s))) }
