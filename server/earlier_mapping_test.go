package server

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	trigonev1 "trigone/proto/trigone/v1"
)

// told is what a receiver that takes PUT requests holds: resources by type and id.
type told map[string]map[string]any

func (r told) take(t *testing.T, bundle []byte) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(bundle))
	d.UseNumber()
	var b struct {
		Entry []struct {
			Resource map[string]any
			Request  struct{ URL string }
		}
	}
	if err := d.Decode(&b); err != nil {
		t.Fatal(err)
	}
	for _, e := range b.Entry {
		r[e.Request.URL] = e.Resource
	}
}

func statusOf(r map[string]any) string {
	if s, ok := r["lifecycleStatus"].(string); ok {
		return s
	}
	s, _ := r["status"].(string)
	return s
}

// A receiver took what mapping 2 sent, and then takes the next bundle of the store
// that mapping 2 left: what it holds under ids that are not made any more is entered in
// error, what is still made is as the new bundle says, and what was a number alone and
// did not change is not amended. testdata/README.md says how store and bundles were made.
func TestReceiverOfTheFormerMapping(t *testing.T) {
	folder := filepath.Join("..", "testdata", "stores")
	store := filepath.Join(t.TempDir(), "s.db")
	if err := os.WriteFile(store, unpacked(t, filepath.Join(folder, "mapping2.db.zst")), 0o600); err != nil {
		t.Fatal(err)
	}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	former := bytes.Split(bytes.TrimSpace(unpacked(t, filepath.Join(folder, "mapping2.bundles.zst"))), []byte("\n"))
	grouped, kept := 0, 0
	for i, number := range []string{"MV-2026-004", "MV-2026-018"} {
		held, before, now := told{}, told{}, told{}
		held.take(t, former[i])
		before.take(t, former[i])
		reference := &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:harbour-hospital:case", Value: number}}
		if i == 1 { // once more after a write, which ends them in the rows
			if _, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{
				ExternalIdentifier: reference.ExternalIdentifier, PatientIdentifier: &trigonev1.Identifier{System: "urn:example:harbour-hospital:patient", Value: "P-0018"},
				FollowUps: []*trigonev1.FollowUp{{Id: "year", Kind: trigonev1.FollowUpKind_FOLLOW_UP_KIND_ONE_YEAR, VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_ALIVE, StatusKnownOn: "2027-06-01"}},
			}}); err != nil {
				t.Fatal(err)
			}
		}
		answer, err := trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(t.Context(), &trigonev1.GetBundleRequest{
			Case: reference,
		})
		if err != nil {
			t.Fatal(err)
		}
		now.take(t, []byte(answer.GetBundle()))
		held.take(t, []byte(answer.GetBundle()))
		for url, r := range held {
			then, had := before[url]
			_, again := now[url]
			switch {
			case !had:
			case !again && r["resourceType"] == "Provenance":
				// That a revision was received stays true.
			case !again:
				t.Errorf("%s: nothing is said any more of %s, which is %s", number, url, statusOf(r))
			case then["component"] != nil && r["resourceType"] == "Observation" && strings.Contains(fmt.Sprint(then["component"]), "/CodeSystem/place"):
				// Its places have Observations of their own.
				if grouped++; statusOf(r) != "entered-in-error" && r["valueQuantity"] == nil {
					t.Errorf("%s: %s with its places is %s", number, url, statusOf(r))
				}
			case then["component"] != nil:
				// Its stage and pump run stand elsewhere: it is amended.
			case statusOf(then) == "final" && fmt.Sprint(then["valueQuantity"]) == fmt.Sprint(r["valueQuantity"]) && r["valueQuantity"] != nil:
				if kept++; statusOf(r) != "final" {
					t.Errorf("%s: %s has its number and is %s", number, url, statusOf(r))
				}
			}
		}
		for url, r := range held {
			if r["resourceType"] == "Observation" && statusOf(r) != "entered-in-error" && r["hasMember"] == nil {
				sites := fmt.Sprint(r["component"])
				if strings.Contains(sites, "/CodeSystem/place") {
					t.Errorf("%s: %s still has places inside", number, url)
				}
			}
			if ids, _ := r["identifier"].([]any); slices.ContainsFunc(ids, func(id any) bool {
				return strings.ContainsAny(fmt.Sprint(id.(map[string]any)["value"]), `|,$\`)
			}) && now[url] != nil {
				t.Errorf("%s: the identifier of %s is cut by receivers", number, url)
			}
		}
		if len(now) <= len(before) {
			t.Errorf("%s: %d resources after %d", number, len(now), len(before))
		}
	}
	if grouped < 10 || kept < 50 {
		t.Errorf("%d Observations with places, %d with their number as before: the comparison sees too little", grouped, kept)
	}
}
