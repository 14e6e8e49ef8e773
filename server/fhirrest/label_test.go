package fhirrest

import (
	"slices"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// An invented carrier in the form of GS1, with a lot that stands nowhere else.
const (
	identifierOfCarrier = "00000000000123"
	carrier             = "(01)00000000000123(17)300101(10)gs 1-lot(21)gs1-serial"
)

// implants is a store with invented cases that hold implants: in place, tried and
// removed, opened and not put in. The label of one suture was read from its carrier.
func implants(t *testing.T) *fixture {
	t.Helper()
	f := newFixture(t, 0, "core-only", "ring-exchanged", "commissural-conversion")
	file, err := testdata.Read(testdata.Cases, "neochordae")
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range file.GetOperation().GetDevices() {
		if d.GetId() == "d-suture" {
			d.LotNumber, d.UniqueDeviceIdentification = "", carrier
			d.Maker = "Éxample Suture Works"
		}
	}
	if _, err := f.book.SubmitCase(t.Context(), caller, &trigonev1.SubmitCaseRequest{CaseFile: file}); err != nil {
		t.Fatal(err)
	}
	return f
}

// A recalled implant is found, and its status says whether the operation left it in
// place. How texts compare: HL7 FHIR R4, search, 3.1.1.4.8 'String' and 3.1.1.4.10
// 'Token', from memory; how lots do, as in FindImplants.
func TestRecall(t *testing.T) {
	f := implants(t)
	for _, tt := range []struct {
		why  string
		path string
		want []string // what stands in the case file, with the status
	}{
		{"a lot that was removed again", ask("Device", "lot-number", "LOT-260505-1"), []string{"LOT-260505-1 inactive"}},
		{"a lot in place", ask("Device", "lot-number", "LOT-260505-2"), []string{"LOT-260505-2 active"}},
		{"opened and not put in: in nobody", ask("Device", "lot-number", "LOT-260505-3"), nil},
		{"as people type it", ask("Device", "lot-number", "lot 260505 2"), []string{"LOT-260505-2 active"}},
		{"without a system", ask("Device", "lot-number", "|LOT-260505-2"), []string{"LOT-260505-2 active"}},
		{"several lots of a recall", ask("Device", "lot-number", "LOT-260505-1,LOT-260505-2,LOT-260210-2"), []string{"LOT-260210-2 active", "LOT-260505-1 inactive", "LOT-260505-2 active"}},
		{"still in place", ask("Device", "lot-number", "LOT-260505-1,LOT-260505-2,LOT-260210-2", "status", "active"), []string{"LOT-260210-2 active", "LOT-260505-2 active"}},
		{"a beginning of a lot is another lot", ask("Device", "lot-number", "LOT-260505"), nil},
		{"a serial number is no lot", ask("Device", "lot-number", "SN-260505-2-32"), nil},
		{"a lot in the carrier alone", ask("Device", "lot-number", "GS1-LOT"), []string{carrier + " active"}},
		{"a carrier is no lot", ask("Device", "lot-number", carrier), nil},
		{"a device identifier", ask("Device", "udi-di", identifierOfCarrier), []string{carrier + " active"}},
		{"another device identifier", ask("Device", "udi-di", "00000000000124"), nil},
		{"no carrier of GS1 but one", ask("Device", "udi-di:missing", "false"), []string{carrier + " active"}},
		{"the beginning of a model", ask("Device", "model", "invented RING"), []string{"LOT-260210-1 inactive", "LOT-260324-1 active", "LOT-260505-1 inactive", "LOT-260505-2 active"}},
		{"not its end", ask("Device", "model", "ring A"), nil},
		{"any part of it, where asked for", ask("Device", "model:contains", "ring a"), []string{"LOT-260210-1 inactive", "LOT-260324-1 active", "LOT-260505-1 inactive", "LOT-260505-2 active"}},
		{"to the letter", ask("Device", "model:exact", "Invented prosthesis"), []string{"LOT-260210-2 active"}},
		{"to the letter, capitals too", ask("Device", "model:exact", "invented prosthesis"), nil},
		{"the whole, not the beginning", ask("Device", "model:exact", "Invented"), nil},
		{"a maker without the accent", ask("Device", "manufacturer", "example suture"), []string{carrier + " active"}},
		{"a maker with an accent too many", ask("Device", "manufacturer", "exàmple suture"), []string{carrier + " active"}},
		{"accents to the letter", ask("Device", "manufacturer:exact", "Example Suture Works"), nil},
		{"maker and lot", ask("Device", "manufacturer", "Example Valve", "lot-number", "GS1-LOT,LOT-260505-1"), []string{"LOT-260505-1 inactive"}},
		{"a maker of nobody", ask("Device", "manufacturer", "Nobody"), nil},
	} {
		t.Run(tt.why, func(t *testing.T) {
			got := []string{}
			for _, r := range f.pages(t, tt.path, nil) {
				label, given := r["lotNumber"].(string)
				if !given {
					label = anyList(r["udiCarrier"])[0]["carrierHRF"].(string)
				}
				got = append(got, label+" "+r["status"].(string))
			}
			if got = sorted(got); !slices.Equal(got, append([]string{}, tt.want...)) {
				t.Errorf("%s\n got %q\nwant %q", tt.path, got, tt.want)
			}
			if n := f.search(t, tt.path+"&_summary=count").Total; n == nil || *n != len(tt.want) {
				t.Errorf("%s counts %v, not %d", tt.path, n, len(tt.want))
			}
		})
	}
}

// No row holds a lot, a serial number or a carrier, nor a part of one.
func TestRowsHoldNoLabelThatIdentifies(t *testing.T) {
	f := implants(t)
	looked := 0
	for _, c := range f.cases(t) {
		rendered, err := f.desk.CaseResources(t.Context(), caller, c.UID)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := Index(rendered.Resources)
		if err != nil {
			t.Fatal(err)
		}
		var all strings.Builder
		for _, s := range rows.Shapes {
			all.Write(s.Content)
		}
		for _, r := range rows.Found {
			all.Write(r.Content)
		}
		text := folded(all.String())
		for _, secret := range []string{"LOT-2", "SN-2", "INVENTED-DI", identifierOfCarrier, "gs 1-lot", "gs1-serial"} {
			if strings.Contains(text, folded(secret)) {
				t.Errorf("a row holds %s", secret)
			}
		}
		looked += strings.Count(text, folded("Example Valve Works"))
	}
	if looked == 0 {
		t.Error("no row of an implant was looked at")
	}
}

func TestFolded(t *testing.T) {
	for text, want := range map[string]string{
		"lot 12-A": "LOT12A", "Éxample": "EXAMPLE", "E\u0301xample": "EXAMPLE", "a\tb\u00a0c": "ABC", "- ": "", "12.3": "12.3", "(01)": "(01)",
	} {
		if got := folded(text); got != want {
			t.Errorf("%q is %q, want %q", text, got, want)
		}
	}
}
