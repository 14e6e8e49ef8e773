package fhirrest

import (
	"encoding/json"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"
)

func london(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// Spans by the calendar of the site; on 29 March 2026 its clocks go forward.
// Source of the change of clocks: the IANA time zone database.
func TestSpans(t *testing.T) {
	tests := []struct{ text, from, until string }{
		{"2026", "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z"},
		{"2026-02", "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"},
		{"2026-12", "2026-12-01T00:00:00Z", "2027-01-01T00:00:00Z"},
		{"2026-03-29", "2026-03-29T00:00:00Z", "2026-03-29T23:00:00Z"},
		{"2026-06-01", "2026-05-31T23:00:00Z", "2026-06-01T23:00:00Z"},
		{"2028-02-29", "2028-02-29T00:00:00Z", "2028-03-01T00:00:00Z"},
		{"2026-06-01T10:00", "2026-06-01T09:00:00Z", "2026-06-01T09:01:00Z"},
		{"2026-06-01T10:00Z", "2026-06-01T10:00:00Z", "2026-06-01T10:01:00Z"},
		{"2026-06-01T10:00:07+02:00", "2026-06-01T08:00:07Z", "2026-06-01T08:00:08Z"},
		{"2026-06-01T10:00:07.25Z", "2026-06-01T10:00:07.25Z", "2026-06-01T10:00:07.26Z"},
		{"9999", "9999-01-01T00:00:00Z", "+10000-01-01T00:00:00Z"},
	}
	for _, tt := range tests {
		s, err := parseSpan(tt.text, london(t))
		format := func(x time.Time) string {
			out := x.UTC().Format(time.RFC3339Nano)
			if x.Year() > 9999 {
				return "+" + out
			}
			return out
		}
		if err != nil || format(s.from) != tt.from || format(s.until) != tt.until {
			t.Errorf("%s is %s to %s, %v", tt.text, format(s.from), format(s.until), err)
		}
	}
}

// The prefixes on a period that crosses the day asked for, one inside it, and open
// ones. Source: HL7 FHIR R4, search, 3.1.1.4.7 'Prefixes'.
func TestPrefixes(t *testing.T) {
	at := func(text string) span {
		s, err := parseSpan(text, time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	day := at("2026-03-10")
	across := span{at("2026-03-09").from, at("2026-03-11").until}
	tests := []struct {
		why    string
		record span
		holds  string // prefixes that hold, in order
	}{
		{"within the day", at("2026-03-10T09:00:00Z"), "eq ge le"},
		{"the last second of the day", at("2026-03-10T23:59:59Z"), "eq ge le"},
		{"the first second of the next day", at("2026-03-11T00:00:00Z"), "ne gt ge sa"},
		{"the day before", at("2026-03-09"), "ne lt le eb"},
		{"the month around", at("2026-03"), "ne gt lt ge le"},
		{"across the day", across, "ne gt lt ge le"},
		{"since the day before", span{at("2026-03-09").from, never}, "ne gt lt ge le"},
		{"since that day", span{day.from, never}, "ne gt ge"},
		{"since the day after", span{day.until, never}, "ne gt ge sa"},
		{"until that day", span{always, day.until}, "ne lt le"},
		{"until the day before", span{always, day.from}, "ne lt le eb"},
	}
	for _, tt := range tests {
		var holds []string
		for _, p := range []prefix{equal, notEqual, greater, less, greaterOrEqual, lessOrEqual, startsAfter, endsBefore} {
			if p.matches(tt.record, day) {
				holds = append(holds, string(p))
			}
		}
		if got := strings.Join(holds, " "); got != tt.holds {
			t.Errorf("%s: %s, want %s", tt.why, got, tt.holds)
		}
	}
}

// The range that the digits of a number stand for. Source: HL7 FHIR R4, search,
// 3.1.1.4.9 'Number': 100 is [99.5, 100.5), 100.00 is [99.995, 100.005). For 1e2
// that page gives [95, 105), which is not one significant figure as it says; here
// it is [50, 150).
func TestNumbers(t *testing.T) {
	for text, want := range map[string]number{
		"100": {100, 99.5, 100.5}, "100.00": {100, 99.995, 100.005}, "0.4": {0.4, 0.35, 0.45}, "-2.5": {-2.5, -2.55, -2.45},
		"5.40e-3": {0.0054, 0.005395, 0.005405}, "1e2": {100, 50, 150}, "+7": {7, 6.5, 7.5},
	} {
		if got, err := parseNumber(text); err != nil || got != want {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", ".5", "1.", "1e", "1e100", "0x1p4", "1_0", "Inf", "NaN", " 1", "1234567890123456", "1.234567890123456"} {
		if got, err := parseNumber(text); err == nil {
			t.Errorf("%q: %v", text, got)
		}
	}
}

// Escapes. Source: HL7 FHIR R4, search, 3.1.1.4.4 'Escaping Search Parameters'.
func TestEscapes(t *testing.T) {
	if got := split(`a\,b,c\\,d`, ','); !slices.Equal(got, []string{`a\,b`, `c\\`, `d`}) {
		t.Errorf("%q", got)
	}
	if got, err := plain(`a\,b\$\|\\`); err != nil || got != `a,b$|\` {
		t.Errorf("%q, %v", got, err)
	}
	matches, err := parseToken(`urn:a\|b|c\,d`)
	if err != nil || !matches(coding{"urn:a|b", "c,d"}) || matches(coding{"urn:a", "b|c,d"}) {
		t.Error(err)
	}
}

// plainSite has nothing of its own: nobody is referred to but by identifier.
type plainSite struct{}

func (plainSite) PatientOf(string) (system, value string, ok bool) { return "", "", false }
func (plainSite) Inside(system string) string                      { return system }

// FuzzQuery: no query breaks the parser, and what it used reads as itself.
func FuzzQuery(f *testing.F) {
	for _, seed := range []string{
		"code=a|b,c&date=ge2026-03&_count=7", "value-quantity=gt0.4|http://unitsofmeasure.org|cm2", "code-value-quantity=x$le1e2",
		"subject:identifier=a|b&part-of:Procedure=x&status:not=final&category:missing=true", `code=a\,b\\`, "_include=Observation:part-of&_summary=count",
		"_lastUpdated=2026-03-29T01:30:00%2B01:00", "_id=%00", "a=1;b=2", "date=9999-12-31T23:59&_count=999999999999999999999",
	} {
		f.Add(seed)
	}
	zone := london(f)
	f.Fuzz(func(t *testing.T, text string) {
		params, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		for i := range served {
			of := &served[i]
			q, err := parseQuery(of, params, false, zone, "http://127.0.0.1/fhir", plainSite{})
			if err != nil {
				if strings.Contains(err.Error(), "%!") {
					t.Fatalf("a broken sentence: %s", err)
				}
				continue
			}
			// A record without any value must be answered too.
			none := q.matches(record{typ: of.name, values: make([]*values, len(of.params))})
			again, err := parseQuery(of, q.used, true, zone, "http://127.0.0.1/fhir", plainSite{})
			if err != nil {
				t.Fatalf("%s used as %s is refused: %v", text, q.used.Encode(), err)
			}
			if again.used.Encode() != q.used.Encode() || again.count != q.count || len(again.criteria) != len(q.criteria) ||
				again.matches(record{typ: of.name, values: make([]*values, len(of.params))}) != none {
				t.Fatalf("%s used as %s", q.used.Encode(), again.used.Encode())
			}
		}
	})
}

// Members are found as the standard library finds them.
func TestMembers(t *testing.T) {
	for _, text := range []string{
		`{}`, `{"a":1}`, `{"a":"x,y:{]\"\\","b":[{"c":"]"},[]],"c":{"d":{}},"e":true,"f":-1.5e3}`, `{"a":null,"b":"\\\\"}`,
	} {
		got, err := membersOf([]byte(text))
		var want map[string]json.RawMessage
		if bad := json.Unmarshal([]byte(text), &want); bad != nil || err != nil || len(got) != len(want) {
			t.Fatalf("%s: %d of %d, %v, %v", text, len(got), len(want), err, bad)
		}
		for name, value := range want {
			if string(got.named(name)) != string(value) {
				t.Errorf("%s of %s is %s", name, text, got.named(name))
			}
		}
	}
	for _, text := range []string{"", "[]", `{"a"}`, `{"a":1`, `{a:1}`, `{"a":1}}`, `{"a":[1}`, `{"a":"1}`} {
		if got, err := membersOf([]byte(text)); err == nil {
			t.Errorf("%s: %v", text, got)
		}
	}
}

// A date comes back from a row as the resource has it, whatever its precision.
func TestPackedDates(t *testing.T) {
	for _, d := range []written{
		{start: "2026"}, {start: "2026-03"}, {start: "2026-03-16"}, {start: "1899-12-31"}, {start: "2026-03-10T08:20:00Z"}, {start: "2026-03-10T08:20:00.5Z"},
		{start: "2026-03-10T08:20:00.250Z"}, {start: "1969-12-31T23:59:59.999Z"}, {start: "2026-03-10T08:20:00+01:00"}, {start: "2026-02-30"},
		{period: true, start: "2026-03-16"}, {period: true, end: "2026-03-10T08:20:00Z"}, {period: true, start: "2026-03-10T08:20:00Z", end: "2026-03-10T11:20:00.125Z"},
	} {
		packed := d.pack([]byte{7})
		got, rest, err := unpackDate(append(packed, 9)[1:])
		if err != nil || got != d || string(rest) != "\x09" {
			t.Errorf("%+v is %+v, %v, %v", d, got, rest, err)
		}
		for n := 1; n < len(packed); n++ {
			if _, rest, err := unpackDate(packed[1:n]); err == nil && len(rest) > 0 {
				t.Errorf("%+v cut to %d bytes", d, n-1)
			}
		}
	}
}
