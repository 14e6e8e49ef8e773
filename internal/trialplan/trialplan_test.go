package trialplan_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/internal/casebook"
	"trigone/internal/casefile"
	"trigone/internal/convert"
	"trigone/internal/policy"
	"trigone/internal/settings"
	"trigone/internal/trialplan"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// sizes are an invented table of two kinds of device.
var sizes = []settings.RingSize{
	{Family: "oval", Label: 30, Kind: trialplan.Complete, InnerAnteroPosteriorMM: units.Some(26.0), InnerTransverseMM: units.Some(33.0)},
	{Family: "strip", Label: 3, Kind: trialplan.Band, BandLengthMM: units.Some(70.0)},
}

// first are the six entries of a first answer.
func first(more ...string) map[string][]string {
	return with(map[string][]string{
		trialplan.A2: {"25"}, trialplan.P2: {"20"}, trialplan.HeightsBy: {trialplan.Echo3D}, trialplan.Aimed: {"15"},
		trialplan.RingAP: {"27"}, trialplan.ContactLow: {"6"}, trialplan.ContactTop: {"10"},
	}, more...)
}

// with sets fields, given as pairs of name and value; an empty value empties one.
func with(typed map[string][]string, pairs ...string) map[string][]string {
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			delete(typed, pairs[i])
			continue
		}
		typed[pairs[i]] = strings.Split(pairs[i+1], "|")
	}
	return typed
}

// The inputs as the project's requirement lists them: number, units of the fields or
// their words, and which six give a first answer.
func TestTheInputsAreThoseRequired(t *testing.T) {
	want := map[int]string{
		1:  "fibroelastic deficiency/billowing/between the two/other",
		2:  "A1/A2/A3/P1/P2/P3/lateral commissure/medial commissure",
		3:  "mm *",
		4:  "mm *",
		5:  "echo in systole, 2D/echo in systole, 3D/ruler in the arrested heart *",
		6:  "mm, mm",
		7:  "mm",
		8:  "mm",
		9:  "mm, mm",
		10: "none/triangular resection/quadrangular resection/height only/chords only",
		11: "P1/P2/P3, mm, mm, mm",
		12: "mm",
		13: "mm, mm, mm",
		14: "mm, mm, mm *",
		15: "A1/A2/A3/P1/P2/P3, count, mm",
		16: "complete ring/posterior band/none",
		17: "mm, size *",
		18: "mm, mm",
		19: "mm, mm *",
		20: "mmHg, %, %",
		21: "cm, kg",
		22: "/min, mL, mm, cm",
		23: "mm, mm, degrees",
		24: "mm",
	}
	seen := map[string]bool{}
	for _, in := range trialplan.Inputs() {
		var fields []string
		for _, p := range in.Parts {
			if seen[p.Name] {
				t.Errorf("%s stands twice", p.Name)
			}
			seen[p.Name] = true
			var labels []string
			for _, w := range p.Words {
				labels = append(labels, w.Label)
			}
			switch {
			case p.Name == trialplan.Size:
				fields = append(fields, "size")
			case p.Whole:
				fields = append(fields, "count")
			case p.IsNumber():
				fields = append(fields, p.Unit)
			default:
				fields = append(fields, strings.Join(labels, "/"))
			}
			if low, high := 0.0, 0.0; p.IsNumber() {
				if low, high = p.Bounds(); low != 0 || high <= 0 {
					t.Errorf("%s: the contract takes %g to %g", p.Name, low, high)
				}
			}
			if _, _, known := p.Plausible(); p.Leaf != "" && !known {
				t.Errorf("%s: the catalogue has no leaf %s", p.Name, p.Leaf)
			}
		}
		got := strings.Join(fields, ", ")
		if in.Group == trialplan.First {
			got += " *"
		}
		if got != want[in.Number] {
			t.Errorf("input %d is %q, want %q", in.Number, got, want[in.Number])
		}
		if (in.Adds == "") != (in.Group == trialplan.First) {
			t.Errorf("input %d: each further input says what it adds, and those of the first answer do not", in.Number)
		}
		delete(want, in.Number)
	}
	for number := range want {
		t.Errorf("input %d is missing", number)
	}
}

func TestNumbersAreReadAsTheyAreTyped(t *testing.T) {
	for _, row := range []struct {
		typed, reason string
		want          float64 // of A2; 0: a fault
		fault, remark string
	}{
		{"24.5", "a point", 24.5, "", ""},
		{"24,5", "a comma", 24.5, "", ""},
		{" 24\u00a0mm ", "the unit of the field behind it", 24, "", ""},
		{"24mm.", "and a full stop", 24, "", ""},
		{"+24", "a sign", 24, "", ""},
		{"2.4 cm", "another unit is not converted", 0, "has another unit behind it; write the number in mm", ""},
		{"24 %", "a unit that no length has", 0, "has another unit", ""},
		{"2,4", "a length in cm", 0, "A2 of 2.4 mm looks like cm; if so, write 24.", ""},
		{"250", "a decimal point that slipped", 0, "A2 of 250 mm looks like a decimal point that slipped; if so, write 25.", ""},
		{"48", "unlikely, and nothing explains it", 48, "", "lies outside 5 to 45 mm"},
		{"2501", "beyond what the contract takes", 0, "is 2501; what is measured lies between 0 mm and 2500 mm", ""},
		{"-3", "below 0", 0, "is below 0", ""},
		{"\u22123", "below 0 with a typographic sign", 0, "is below 0", ""},
		{"1.024,5", "several signs", 0, "several commas or points", ""},
		{"2.4.5", "no number", 0, "is no number", ""},
		{"1e2", "an exponent", 0, "is no number", ""},
		{"0x18", "another base", 0, "is no number", ""},
		{"NaN", "a word of floating point", 0, "is no number", ""},
		{"Inf", "another", 0, "is no number", ""},
		{"24-26", "a range", 0, "is no number", ""},
		{"about 24", "a word before it", 0, "is no number", ""},
		{"\u0662\u0664", "digits of another script", 0, "is no number", ""},
		{"<script>", "markup", 0, "is no number", ""},
		{strings.Repeat("1", 400), "longer than any number", 0, "is no number", ""},
		{"\xff\xfe", "no text at all", 0, "is no number", ""},
	} {
		tr := trialplan.Read(map[string][]string{trialplan.A2: {row.typed}}, nil)
		got := tr.CaseFile().GetAssessments()
		switch {
		case row.want == 0 && len(got) > 0:
			t.Errorf("%s: %q is read as a number", row.reason, row.typed)
		case row.want != 0 && (len(got) == 0 || got[0].GetStudy().GetLeaflets().GetHeights()[0].GetLeafletHeight().GetMm() != row.want):
			t.Errorf("%s: %q is not read as %g: %v", row.reason, row.typed, row.want, got)
		}
		if text := said(tr.Faults); (text != "") != (row.want == 0) || !strings.Contains(text, row.fault) {
			t.Errorf("%s: %q is answered %q, want %q", row.reason, row.typed, text, row.fault)
		}
		if text := about(tr.Remarks, trialplan.A2); (text != "") != (row.remark != "") || !strings.Contains(text, row.remark) {
			t.Errorf("%s: %q is remarked %q, want %q", row.reason, row.typed, text, row.remark)
		}
		if tr.Typed[trialplan.A2] == nil {
			t.Errorf("%s: what was typed is lost", row.reason)
		}
	}
}

func said(list []trialplan.Remark) string {
	var texts []string
	for _, r := range list {
		texts = append(texts, r.Name+": "+r.Text)
	}
	return strings.Join(texts, "\n")
}

func about(list []trialplan.Remark, name string) string {
	for _, r := range list {
		if r.Name == name {
			return r.Text
		}
	}
	return ""
}

func TestWhatDoesNotGoTogether(t *testing.T) {
	for _, row := range []struct {
		reason string
		typed  []string
		fault  string // field of it; empty: none
	}{
		{"the six alone", nil, ""},
		{"aims exchanged", []string{trialplan.ContactLow, "10", trialplan.ContactTop, "6"}, trialplan.ContactTop},
		{"an aim of one number", []string{trialplan.ContactLow, "8", trialplan.ContactTop, "8"}, ""},
		{"closure line exchanged", []string{trialplan.LineLow, "80", trialplan.LineTop, "60"}, trialplan.LineTop},
		{"a height and an edge", []string{trialplan.AimedLat, "14"}, trialplan.Aimed},
		{"one edge alone", []string{trialplan.Aimed, "", trialplan.AimedLat, "14"}, trialplan.AimedMed},
		{"the other edge alone", []string{trialplan.Aimed, "", trialplan.AimedMed, "14"}, trialplan.AimedLat},
		{"both edges", []string{trialplan.Aimed, "", trialplan.AimedLat, "14", trialplan.AimedMed, "17"}, ""},
		{"widths without a shape", []string{trialplan.FreeEdge, "9"}, trialplan.Work},
		{"a shape without widths", []string{trialplan.Work, trialplan.Triangular}, ""},
		{"no work and a resection", []string{trialplan.Work, trialplan.NoWork, trialplan.FreeEdge, "9"}, trialplan.Work},
		{"no work and chords", []string{trialplan.Work, trialplan.NoWork, trialplan.ChordsAt, "p2"}, trialplan.Work},
		{"height only and a resection", []string{trialplan.Work, trialplan.HeightOnly, trialplan.Base, "9"}, trialplan.Work},
		{"chords only and a strip", []string{trialplan.Work, trialplan.ChordsOnly, trialplan.ChordsAt, "p2", trialplan.Strip, "4"}, trialplan.Work},
		{"chords to nowhere", []string{trialplan.Work, trialplan.ChordsOnly}, trialplan.ChordsAt},
		{"a length of chords to nowhere", []string{trialplan.ChordLong, "18"}, trialplan.ChordsAt},
		{"pairs are a count", []string{trialplan.ChordsAt, "a2", trialplan.ChordPairs, "1.5"}, trialplan.ChordPairs},
		{"diameter and size", []string{trialplan.Size, "oval 30"}, trialplan.RingAP},
		{"a size that the site has not", []string{trialplan.RingAP, "", trialplan.Size, "oval 99"}, trialplan.Size},
		{"a size of the other kind", []string{trialplan.RingAP, "", trialplan.Size, "strip 3", trialplan.Device, trialplan.Complete}, trialplan.Size},
		{"a size of its own kind", []string{trialplan.RingAP, "", trialplan.Size, "oval 30", trialplan.Device, trialplan.Complete}, ""},
		{"no device and a diameter", []string{trialplan.Device, trialplan.NoDevice}, trialplan.Device},
		{"no device", []string{trialplan.Device, trialplan.NoDevice, trialplan.RingAP, ""}, ""},
		{"a ring with the length of a band", []string{trialplan.Device, trialplan.Complete, trialplan.BandLength, "70"}, trialplan.BandLength},
		{"a band with its length", []string{trialplan.Device, trialplan.Band, trialplan.BandLength, "70"}, ""},
		{"two ways to the flow", []string{trialplan.Stroke, "70", trialplan.Outflow, "20"}, trialplan.Stroke},
		{"a word of no list", []string{trialplan.Work, "melt"}, trialplan.Work},
	} {
		tr := trialplan.Read(first(row.typed...), sizes)
		switch {
		case row.fault == "" && len(tr.Faults) > 0:
			t.Errorf("%s: %s", row.reason, said(tr.Faults))
		case row.fault != "" && (len(tr.Faults) != 1 || tr.Faults[0].Name != row.fault):
			t.Errorf("%s: one fault at %s wanted: %s", row.reason, row.fault, said(tr.Faults))
		}
		if tr.Answerable() == (row.fault != "") {
			t.Errorf("%s: answerable is %v", row.reason, tr.Answerable())
		}
	}
}

func TestWhatHasNoAnswerHere(t *testing.T) {
	for _, r := range trialplan.Refusals() {
		tr := trialplan.Read(first(trialplan.Not, r.Value), sizes)
		if tr.Answerable() || len(tr.Refusals) != 1 || tr.Refusals[0] != r.Sentence {
			t.Errorf("%s: %v", r.Value, tr.Refusals)
		}
	}
	for _, c := range []string{trialplan.LateralComm, trialplan.MedialComm} {
		if tr := trialplan.Read(first(trialplan.Segments, "p2|"+c), sizes); tr.Answerable() || len(tr.Refusals) != 1 {
			t.Errorf("%s: %v", c, tr.Refusals)
		}
	}
	if trialplan.Read(nil, sizes).Answerable() {
		t.Error("an empty form is answered")
	}
}

// What was taken where nothing was chosen is told, and is true.
func TestWhatIsTakenIsTold(t *testing.T) {
	for _, row := range []struct {
		reason string
		typed  []string
		want   string
		not    string
	}{
		{"a diameter alone is one of a ring", nil, "A complete ring is taken", "band"},
		{"a length is one of a band", []string{trialplan.BandLength, "70"}, "A posterior band is taken", "ring is taken"},
		{"a chosen device is not told", []string{trialplan.Device, trialplan.Complete}, "", "chosen"},
		{"a size has its kind", []string{trialplan.RingAP, "", trialplan.Size, "oval 30"}, "", "chosen"},
		{"nothing of the depth", nil, "it is taken as 0 mm", "as before the repair, "},
		{"the depth before", []string{trialplan.DepthNow, "4"}, "as before the repair, 4 mm", "taken as 0"},
		{"the depth expected", []string{trialplan.DepthNow, "4", trialplan.Depth, "6,5"}, "as you expect it after the repair, 6.5 mm", "as before the repair, "},
		{"a resection nowhere", []string{trialplan.Work, trialplan.Triangular}, "taken to lie at P2", ""},
		{"a resection at P3", []string{trialplan.Work, trialplan.Triangular, trialplan.CutAt, "p3"}, "", "at P2"},
	} {
		text := strings.Join(trialplan.Read(first(row.typed...), sizes).Taken(true), "\n")
		if !strings.Contains(text, row.want) || row.not != "" && strings.Contains(text, row.not) {
			t.Errorf("%s: %q", row.reason, text)
		}
	}
	if list := trialplan.Read(first(trialplan.Device, trialplan.Complete), sizes).Taken(false); len(list) > 0 {
		t.Errorf("no contact is predicted, and its depth is told: %v", list)
	}
}

// anyForm fills in fields at random: numbers, absurd numbers, words, other words.
func anyForm(t *rapid.T) map[string][]string {
	typed := map[string][]string{}
	number := rapid.Custom(func(t *rapid.T) string {
		return rapid.SampledFrom([]string{"0", "0,1", "1", "2.5", "7", "12", "15", "18,5", "24", "27", "33", "60", "90", "150", "2500", "99999", "-1", "x", "", "1/2"}).Draw(t, "number")
	})
	add := func(p trialplan.Part) {
		switch {
		case rapid.Bool().Draw(t, "given"):
		case p.Name == trialplan.Size:
			typed[p.Name] = []string{rapid.SampledFrom([]string{"oval 30", "strip 3", "none"}).Draw(t, "size")}
		case p.IsNumber():
			typed[p.Name] = []string{number.Draw(t, p.Name)}
		default:
			for _, w := range p.Words {
				if rapid.IntRange(0, 3).Draw(t, w.Value) == 0 {
					typed[p.Name] = append(typed[p.Name], w.Value)
				}
			}
		}
	}
	for _, in := range trialplan.Inputs() {
		for _, p := range in.Parts {
			add(p)
		}
	}
	return typed
}

// sound gives the form without what it is faulted or refused for.
func sound(typed map[string][]string) *trialplan.Trial {
	for {
		delete(typed, trialplan.Not)
		typed[trialplan.Segments] = slices.DeleteFunc(typed[trialplan.Segments], func(w string) bool { return strings.Contains(w, "commissure") })
		tr := trialplan.Read(typed, sizes)
		if len(tr.Faults) == 0 {
			return tr
		}
		for _, f := range tr.Faults {
			delete(typed, f.Name)
			if f.Name == trialplan.ChordsAt {
				with(typed, trialplan.ChordPairs, "", trialplan.ChordLong, "", trialplan.Work, "")
			}
			if f.Name == trialplan.Work {
				with(typed, trialplan.FreeEdge, "", trialplan.Base, "", trialplan.CutDepth, "", trialplan.CutAt, "")
			}
			if f.Name == trialplan.AimedLat || f.Name == trialplan.AimedMed {
				with(typed, trialplan.AimedLat, "", trialplan.AimedMed, "")
			}
		}
	}
}

// Whatever is filled in, the case that is made of it is one that the contract takes,
// is evaluated, holds nobody and nothing signed, and comes back as it was from the file
// that it is written to.
func TestEveryAnswerableFormIsACase(t *testing.T) {
	pol, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		tr := sound(anyForm(t))
		if tr.Empty() {
			return
		}
		file := tr.CaseFile()
		if list := convert.CheckSections(file); len(list) > 0 {
			t.Fatalf("%v: %v", tr.Typed, list)
		}
		if file.GetExternalIdentifier() != nil || file.GetPatientIdentifier() != nil || file.GetOperation() != nil || file.GetResults() != nil ||
			file.GetPlan().GetSigner() != "" || file.GetPlan().GetSignedTime() != nil {
			t.Fatalf("more than a trial: %v", file)
		}
		e, err := casebook.EvaluateFile(pol, file, "test")
		if err != nil {
			t.Fatalf("%v: %v", tr.Typed, err)
		}
		if timing := e.GetPlanInForce().GetTiming(); timing != trigonev1.PlanTiming_PLAN_TIMING_UNSIGNED && timing != trigonev1.PlanTiming_PLAN_TIMING_NO_INCISION_TIME {
			t.Fatalf("the plan is %v", timing)
		}
		text := casefile.Write(file)
		again, err := casefile.Read(casefile.Source{Name: "trial.yaml"}, []byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if !proto.Equal(file, again) {
			t.Fatalf("written and read again it is another case:\n%s", text)
		}
	})
}

// companions are what a field needs beside it to be taken.
var companions = map[string][]string{
	trialplan.AimedLat: {trialplan.Aimed, "", trialplan.AimedMed, "16"}, trialplan.AimedMed: {trialplan.Aimed, "", trialplan.AimedLat, "16"},
	trialplan.Size:  {trialplan.RingAP, ""},
	trialplan.CutAt: {trialplan.Work, trialplan.Triangular}, trialplan.FreeEdge: {trialplan.Work, trialplan.Triangular},
	trialplan.Base: {trialplan.Work, trialplan.Quadrangular}, trialplan.CutDepth: {trialplan.Work, trialplan.Triangular},
	trialplan.ChordPairs: {trialplan.ChordsAt, "p2"}, trialplan.ChordLong: {trialplan.ChordsAt, "p2"},
	trialplan.Stroke:     {trialplan.HeartRate, "75"},
	trialplan.BandLength: {trialplan.Device, trialplan.Band},
	trialplan.Work:       {}, trialplan.Device: {},
}

// alike are words that mean what is taken where nothing is chosen, which is told.
var alike = []string{trialplan.CutAt + " p2", trialplan.Device + " " + trialplan.Complete}

// Each field changes the case, and so does each word of it.
func TestEveryFieldIsInTheCase(t *testing.T) {
	for _, in := range trialplan.Inputs() {
		for _, p := range in.Parts {
			var values []string
			switch {
			case p.Name == trialplan.Size:
				values = []string{"oval 30", "strip 3"}
			case p.IsNumber():
				low, high, known := p.Plausible()
				values = []string{"3"}
				if known {
					values = []string{fmt.Sprint((2*low + high) / 3)}
				}
				if p.Name == trialplan.ContactTop {
					values = []string{"12"}
				}
			}
			for _, w := range p.Words {
				if !strings.Contains(w.Value, "commissure") {
					values = append(values, w.Value)
				}
			}
			files := map[string]string{}
			add := func(value string) {
				typed := with(first(), companions[p.Name]...)
				if p.Name == trialplan.Device && value == trialplan.NoDevice {
					with(typed, trialplan.RingAP, "")
				}
				if p.Name == trialplan.Work && value == trialplan.ChordsOnly {
					with(typed, trialplan.ChordsAt, "p2")
				}
				delete(typed, p.Name)
				if value != "" {
					typed[p.Name] = []string{value}
				}
				tr := trialplan.Read(typed, sizes)
				if value != "" && !tr.Answerable() {
					t.Errorf("%s %q: %s", p.Name, value, said(tr.Faults))
				}
				text := casefile.Write(tr.CaseFile())
				if other, same := files[text]; same && !slices.Contains(alike, p.Name+" "+value+other) {
					t.Errorf("%s: %q and %q make the same case", p.Name, value, other)
				}
				files[text] = value
			}
			for _, value := range append([]string{""}, values...) {
				add(value)
			}
		}
	}
}

// A template fills in words and no number, and what it fills in is answerable with the
// six entries.
func TestTemplatesAreWordsOnly(t *testing.T) {
	for _, template := range trialplan.Templates() {
		words := trialplan.FromTemplate(template.Name)
		if len(words) == 0 {
			t.Errorf("%s fills in nothing", template.Name)
		}
		for _, in := range trialplan.Inputs() {
			for _, p := range in.Parts {
				if p.IsNumber() && words[p.Name] != nil {
					t.Errorf("%s fills in the number %s", template.Name, p.Name)
				}
			}
		}
		typed := first()
		for name, value := range words {
			typed[name] = value
		}
		if tr := trialplan.Read(typed, sizes); !tr.Answerable() {
			t.Errorf("%s: %s", template.Name, said(tr.Faults))
		}
	}
	if trialplan.FromTemplate("no such") != nil {
		t.Error("a template that is none")
	}
}
