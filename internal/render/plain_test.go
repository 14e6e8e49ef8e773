package render

import (
	"bytes"
	"encoding/json"
	"io"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// hostile are texts that a terminal or a spreadsheet would obey, with what is
// printed of them in a line.
var hostile = []struct{ why, text, line string }{
	{"clears the screen", "MV-1\x1b[2J", "MV-1<U+001B>[2J"},
	{"sets the title of the window", "\x1b]0;owned\x07", "<U+001B>]0;owned<U+0007>"},
	{"the same by a single character of the second set", "\u009b2J", "<U+009B>2J"},
	{"turns what follows around", "MV-\u202e321", "MV-<U+202E>321"},
	{"isolates it", "\u2066MV\u2069", "<U+2066>MV<U+2069>"},
	{"begins a line that looks like one of ours", "none\r\nContradictions: 0", "none  Contradictions: 0"},
	{"ends a line where few look for it", "a\u2028b", "a<U+2028>b"},
	{"takes back what was printed", "12\b\b34\x7f", "12<U+0008><U+0008>34<U+007F>"},
	{"no UTF-8", "a\xffb", "a\uFFFDb"},
	{"ordinary text of any script", "Échographie עברית 心エコー – 36 mm²", "Échographie עברית 心エコー – 36 mm²"},
}

func TestWhatATerminalObeysIsPrintedByNumber(t *testing.T) {
	for _, tt := range hostile {
		if got := plain(tt.text); got != tt.line {
			t.Errorf("%s: %q, want %q", tt.why, got, tt.line)
		}
		// Cut anywhere, even inside a character.
		var whole, cut bytes.Buffer
		pieces := Terminal(&cut)
		for i := range len(tt.text) {
			if _, err := pieces.Write([]byte{tt.text[i]}); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := io.WriteString(Terminal(&whole), tt.text); err != nil {
			t.Fatal(err)
		}
		if whole.String() != cut.String() {
			t.Errorf("%s: %q in pieces, %q at once", tt.why, cut.String(), whole.String())
		}
		if strings.ContainsFunc(whole.String(), func(r rune) bool { return commands(r) && r != '\n' }) {
			t.Errorf("%s: the terminal gets %q", tt.why, whole.String())
		}
	}
}

// Every function that prints a case is given one that holds such texts; nothing of
// them may come out, and no line may be theirs.
func TestNoTableObeys(t *testing.T) {
	for _, tt := range hostile[:len(hostile)-2] {
		number := &trigonev1.Identifier{System: tt.text, Value: tt.text}
		status := []*trigonev1.SectionStatus{{Section: tt.text, Etag: tt.text}}
		printed := map[string]func(w io.Writer){
			"case": func(w io.Writer) {
				Case(w, &trigonev1.Case{Name: tt.text, CaseFile: &trigonev1.CaseFile{ExternalIdentifier: number}, Sections: status})
			},
			"submitted": func(w io.Writer) {
				Submitted(w, &trigonev1.SubmitCaseResponse{CaseName: tt.text, Message: tt.text, Sections: []*trigonev1.SectionReceipt{{Section: tt.text}}})
			},
			"changes": func(w io.Writer) {
				Changes(w, []*trigonev1.Change{{Section: tt.text, Reason: tt.text}}, tt.text)
			},
			"discrepancies": func(w io.Writer) {
				Discrepancies(w, []*trigonev1.CaseDiscrepancy{{ExternalIdentifier: number, Discrepancy: &trigonev1.Discrepancy{
					Class: tt.text, Message: tt.text, Planned: tt.text, Actual: tt.text, Place: tt.text,
				}}}, nil)
			},
			"evaluation": func(w io.Writer) {
				Evaluation(w, &trigonev1.Evaluation{Findings: []*trigonev1.Finding{{
					Severity: trigonev1.Severity_SEVERITY_CAUTION, Rule: tt.text, Message: tt.text, Occasion: tt.text, Place: tt.text,
				}}}, EvaluationOptions{})
			},
		}
		for what, print := range printed {
			var page bytes.Buffer
			print(Terminal(&page))
			if strings.ContainsFunc(page.String(), func(r rune) bool { return commands(r) && r != '\n' }) {
				t.Errorf("%s, a text that %s: %q", what, tt.why, page.String())
			}
			for line := range strings.Lines(page.String()) {
				if strings.HasPrefix(line, "Contradictions: 0") {
					t.Errorf("%s, a text that %s: a line of its own\n%s", what, tt.why, page.String())
				}
			}
		}
	}
}

// JSON keeps what the record holds, and a terminal has nothing to obey in it.
func TestJSONIsEscapedAndMeansTheSame(t *testing.T) {
	for _, tt := range hostile {
		text := strings.ToValidUTF8(tt.text, "")
		out, err := JSON(&trigonev1.Identifier{Value: text})
		if err != nil {
			t.Fatal(err)
		}
		var got struct{ Value string }
		if err := json.Unmarshal(out, &got); err != nil || got.Value != text {
			t.Errorf("%s: %q came back as %q, %v", tt.why, text, got.Value, err)
		}
		var page bytes.Buffer
		if _, err := Terminal(&page).Write(out); err != nil || !bytes.Equal(page.Bytes(), out) {
			t.Errorf("%s: a terminal changes %q", tt.why, out)
		}
	}
}

// A cell that begins a formula is run by who opens the file. The signs are those of
// OWASP's page on CSV injection, from memory.
func TestNoCellBeginsAFormula(t *testing.T) {
	for _, tt := range []struct{ why, text, cell string }{
		{"a formula", "=HYPERLINK(\"http://example.org\")", "'=HYPERLINK(\"http://example.org\")"},
		{"a formula with a sign", "+1+cmd", "'+1+cmd"},
		{"the same", "-2+3", "'-2+3"},
		{"a function of an older sheet", "@SUM(A1)", "'@SUM(A1)"},
		{"a tab before it", "\t=1", "' =1"},
		{"a break before it", "\r=1", "' =1"},
		{"a negative number", "-3.5", "-3.5"},
		{"a small number", "-1e-05", "-1e-05"},
		{"a number with its sign", "+2", "+2"},
		{"a name with a sign inside", "p-ring", "p-ring"},
		{"a sign alone", "-", "'-"},
		{"nothing", "", ""},
	} {
		if got := cell(tt.text); got != tt.cell {
			t.Errorf("%s: %q, want %q", tt.why, got, tt.cell)
		}
	}
	var file bytes.Buffer
	err := DiscrepanciesCSV(&file, []*trigonev1.CaseDiscrepancy{{
		ExternalIdentifier: &trigonev1.Identifier{System: "=1+1", Value: "@SUM(A1)\u202e"}, Discrepancy: &trigonev1.Discrepancy{Planned: "\x1b[2J"},
	}}, Sheet{CaseNumbers: true})
	if err != nil {
		t.Fatal(err)
	}
	if row := file.String(); !strings.Contains(row, ",'=1+1,") || !strings.Contains(row, "\n'@SUM(A1)<U+202E>,") || strings.Contains(row, "\x1b") {
		t.Errorf("the file holds %q", row)
	}
}
