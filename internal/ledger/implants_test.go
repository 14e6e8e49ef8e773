package ledger

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func theCase(t *testing.T, name string) *trigonev1.CaseFile {
	t.Helper()
	c, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A recall is answered by any text of a label, however it was typed; what was opened
// and not put in is in nobody, what was tried and removed is told apart, and so is what
// a later intervention may have taken out.
func TestFindImplants(t *testing.T) {
	h := newHouse(t, openStore(t), "harbour")
	exchanged, chords := theCase(t, "ring-exchanged"), theCase(t, "billowing-second-run")
	again := proto.CloneOf(chords)
	again.ExternalIdentifier.Value, again.PatientIdentifier.Value = "MV-RECALL-1", "P-RECALL-1"
	again.FollowUps = append(again.FollowUps, &trigonev1.FollowUp{
		Id: "later", StatusKnownOn: "2027-02-01", VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_ALIVE,
		Reinterventions: []*trigonev1.Reintervention{{Id: "r", On: "2027-01-20", Kind: trigonev1.ReinterventionKind_REINTERVENTION_KIND_REPLACED}},
	})
	for _, d := range again.Operation.Devices {
		if d.GetId() == "d-ring" { // only the carrier was read
			d.LotNumber, d.SerialNumber, d.UniqueDeviceIdentification = "", "", "(01)00000000000017(10)LOT-9(21)SN-9"
		}
	}
	for _, c := range []*trigonev1.CaseFile{exchanged, chords, again} {
		h.plan(c)
		h.outcome(c)
	}
	find := func(req *trigonev1.FindImplantsRequest) *trigonev1.FindImplantsResponse {
		t.Helper()
		resp, err := h.ledger.FindImplants(h.ctx, surgeon, req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	for _, tt := range []struct {
		why  string
		req  *trigonev1.FindImplantsRequest
		want []string
	}{
		{"by lot", &trigonev1.FindImplantsRequest{LotNumber: "LOT-260127-1"}, []string{"d-ring in_place"}},
		{"however it is typed", &trigonev1.FindImplantsRequest{LotNumber: "lot 260127 1"}, []string{"d-ring in_place"}},
		{"by serial number", &trigonev1.FindImplantsRequest{SerialNumber: "SN-260505-2-32"}, []string{"d-ring-2 in_place"}},
		{"one that was tried and removed", &trigonev1.FindImplantsRequest{LotNumber: "LOT-260505-1"}, []string{"d-ring-1 removed"}},
		{"one that was opened and not put in is in nobody", &trigonev1.FindImplantsRequest{LotNumber: "LOT-260505-3"}, nil},
		{"of one model", &trigonev1.FindImplantsRequest{Model: "invented ring a"}, []string{"d-ring-1 removed", "d-ring-2 in_place"}},
		{"without a model", &trigonev1.FindImplantsRequest{Maker: "Example Valve Works", Size: "38"}, []string{"d-ring in_place", "d-ring later_intervention"}},
		{"all that is asked must hold", &trigonev1.FindImplantsRequest{Maker: "Example Valve Works", Model: "Invented ring A", Size: "32"}, []string{"d-ring-2 in_place"}},
		{"of one device, not of two", &trigonev1.FindImplantsRequest{LotNumber: "LOT-260505-1", Size: "32"}, nil},
		{"the lot in a carrier", &trigonev1.FindImplantsRequest{LotNumber: "LOT-9"}, []string{"d-ring later_intervention"}},
		{"the serial number in a carrier", &trigonev1.FindImplantsRequest{SerialNumber: "sn9"}, []string{"d-ring later_intervention"}},
		{"another maker's", &trigonev1.FindImplantsRequest{Maker: "Example Suture Works", Model: "Invented ring A"}, nil},
		{"nobody's", &trigonev1.FindImplantsRequest{LotNumber: "LOT-0"}, nil},
	} {
		var got []string
		for _, x := range find(tt.req).GetImplants() {
			got = append(got, x.GetDevice().GetId()+" "+strings.ToLower(strings.TrimPrefix(x.GetPlace().String(), "IMPLANT_PLACE_")))
		}
		slices.Sort(got)
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.why, got, tt.want)
		}
	}
	found := find(&trigonev1.FindImplantsRequest{LotNumber: "LOT-9"}).GetImplants()[0]
	if found.GetExternalIdentifier().GetValue() != "MV-RECALL-1" || found.GetVitalStatus() != trigonev1.VitalStatus_VITAL_STATUS_ALIVE || found.GetStatusOn() != "2027-02-01" ||
		!found.GetIncisionTime().AsTime().Equal(again.GetOperation().GetIncisionTime().AsTime()) {
		t.Errorf("it is told of %v", found)
	}

	// Page by page it is the same.
	req := &trigonev1.FindImplantsRequest{Maker: "Example Valve Works", PageSize: 1}
	n := 0
	for {
		page := find(req)
		n += len(page.GetImplants())
		if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	if all := len(find(&trigonev1.FindImplantsRequest{Maker: "Example Valve Works"}).GetImplants()); n != all || all != 4 {
		t.Errorf("%d implants page by page, %d at once", n, all)
	}

	_, err := h.ledger.FindImplants(h.ctx, surgeon, &trigonev1.FindImplantsRequest{LotNumber: " - "})
	refusal := (*casebook.Error)(nil)
	if !errors.As(err, &refusal) || refusal.Kind != casebook.Invalid {
		t.Errorf("nothing that is looked for: %v", err)
	}
	// What is looked up stands in no row as it is, and is no word for statistics.
	for _, g := range implantGroups(again.GetOperation()) {
		if strings.Contains(strings.ToUpper(g.Word), "LOT") || len(g.Word) != 24 {
			t.Errorf("a row says %q", g.Word)
		}
		if slices.ContainsFunc(groupKinds, func(k struct {
			number int
			kind   string
			words  func(f *trigonev1.CaseFacts) []string
		}) bool {
			return k.number == g.Kind
		}) {
			t.Errorf("number %d is that of a word for statistics", g.Kind)
		}
	}
	// A retracted case has no implant that counts.
	if _, err := h.book.RetractCase(h.ctx, surgeon, &trigonev1.RetractCaseRequest{Case: reference(again), Reason: trigonev1.RetractionReason(1), CaseVersion: h.get(again).GetCaseVersion()}); err != nil {
		t.Fatal(err)
	}
	if left := find(&trigonev1.FindImplantsRequest{LotNumber: "LOT-9"}).GetImplants(); len(left) != 0 {
		text, _ := protojson.Marshal(left[0])
		t.Errorf("a retracted case answers: %s", bytes.TrimSpace(text))
	}
}
