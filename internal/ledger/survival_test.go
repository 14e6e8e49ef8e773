package ledger

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// What another system sends of invented patients: operations, and what became of them.
const (
	sentOperation = `{
	  "externalIdentifier": {"system": "urn:example:harbour-hospital:case", "value": %q},
	  "patientIdentifier": {"system": "urn:example:harbour-hospital:patient", "value": %q},
	  "identity": {"sex": "SEX_FEMALE", "ageYears": 61},
  "operation": {"incisionTime": %q, "endTime": %[4]q, "leftTheatreAlive": "ANSWER_YES", "conversion": {"converted": %[5]q}},
	  "results": [{"id": "r1", "run": 1, "stage": "STAGE_LEAVING_THEATRE", "study": {"context": {"method": "METHOD_ECHO_2D"},
	    "regurgitation": {"grade": {"scheme": "GRADE_SCHEME_PLUS_SIGNS", "value": "GRADE_VALUE_PLUS_0"}}}}]}`
	sentEcho = `{"followUps": [{"id": %q, "kind": "FOLLOW_UP_KIND_OTHER", "statusKnownOn": %[2]q, "vitalStatus": "VITAL_STATUS_ALIVE", "reinterventionsRecorded": "RECORDED_COMPLETE",
	  "echoOn": %[2]q, "study": {"context": {"method": "METHOD_ECHO_2D"}, "regurgitation": {"grade": {"scheme": "GRADE_SCHEME_PLUS_SIGNS", "value": %[3]q}}}}]}`
	sentDeath = `{"followUps": [{"id": %q, "kind": "FOLLOW_UP_KIND_OTHER", "statusKnownOn": %q, "vitalStatus": "VITAL_STATUS_DEAD", "diedOn": %q}]}`
	sentAgain = `{"followUps": [{"id": %q, "kind": "FOLLOW_UP_KIND_OTHER", "statusKnownOn": %q, "vitalStatus": "VITAL_STATUS_ALIVE",
	  "reinterventions": [{"on": %q, "kind": "REINTERVENTION_KIND_REPLACED", "mechanism": "REGURGITATION_MECHANISM_SUTURE_LINE"}]}]}`
)

func (h *house) send(of *trigonev1.CaseFile, received time.Time, text string, args ...any) *trigonev1.CaseFile {
	h.Helper()
	c := &trigonev1.CaseFile{}
	if err := protojson.Unmarshal(fmt.Appendf(nil, text, args...), c); err != nil {
		h.Fatal(err)
	}
	if of == nil {
		of = c
	}
	h.now = received
	h.submit(of, c)
	return of
}

// followedHouse has ten patients on record: of each what its row in the tests says.
func followedHouse(t *testing.T) (h *house, operated time.Time) {
	h = newHouse(t, openStore(t), "harbour")
	operated = time.Date(2020, 3, 2, 8, 0, 0, 0, time.UTC)
	on := func(days int) string { return operated.AddDate(0, 0, days).Format(time.DateOnly) }
	at := func(days int) time.Time { return operated.AddDate(0, 0, days).Add(6 * time.Hour) }
	operate := func(number, patient string, day, received int, converted string) *trigonev1.CaseFile {
		return h.send(nil, at(received), sentOperation, number, patient, operated.AddDate(0, 0, day).Format(time.RFC3339), at(day).Format(time.RFC3339), converted)
	}
	for i := range 12 {
		number := fmt.Sprintf("L-%02d", i)
		received, converted := 1, "ANSWER_NO"
		switch i {
		case 1:
			received = 300
		case 2:
			converted = "ANSWER_YES"
		}
		c := operate(number, "P"+number, 0, received, converted)
		switch i {
		case 0:
			h.send(c, at(820), sentDeath, "f1", on(810), on(800))
		case 3:
			h.send(c, at(370), sentEcho, "f1", on(365), "GRADE_VALUE_PLUS_1")
			h.send(c, at(910), sentEcho, "f2", on(900), "GRADE_VALUE_PLUS_3")
			continue
		case 4:
			h.send(c, at(510), sentAgain, "f1", on(500), on(490))
			continue
		case 5:
			operate("L-05-again", "P"+number, 600, 601, "ANSWER_NO")
		}
		h.send(c, at(370), sentEcho, "f9", on(365), "GRADE_VALUE_PLUS_1")
	}
	h.now = at(2000)
	return h, operated
}

func TestFreedomThroughTheRecord(t *testing.T) {
	h, operated := followedHouse(t)
	ask := func(req *trigonev1.EstimateFreedomRequest) *trigonev1.EstimateFreedomResponse {
		t.Helper()
		resp, err := h.ledger.EstimateFreedom(h.ctx, surgeon, req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	told := func(resp *trigonev1.EstimateFreedomResponse) string {
		var list []string
		for _, c := range resp.GetCurves() {
			var days []string
			for _, one := range c.GetCases() {
				days = append(days, fmt.Sprint(one.GetDay()))
			}
			list = append(list, fmt.Sprintf("%d of %d (%s)", c.GetEventCount(), c.GetPatientCount(), strings.Join(days, " ")))
		}
		return strings.Join(list, ", ")
	}
	as := func(days int) *timestamppb.Timestamp { return timestamppb.New(operated.AddDate(0, 0, days)) }
	for _, r := range []struct {
		why  string
		req  *trigonev1.EstimateFreedomRequest
		want string
	}{
		// Death on day 800; a replacement on 490 and a later case on 600; 3+ on 900 and a
		// replacement for a leak on 490.
		{"all that is known", &trigonev1.EstimateFreedomRequest{}, "1 of 11 (800), 2 of 11 (490 600), 2 of 11 (490 900), 4 of 11 (490 600 800 900)"},
		{"the letter of day 810 is not known on 805", &trigonev1.EstimateFreedomRequest{AsOf: as(805)}, "0 of 11 (), 2 of 11 (490 600), 1 of 11 (490), 2 of 11 (490 600)"},
		{"what is told on day 500 is not known on 495", &trigonev1.EstimateFreedomRequest{AsOf: as(495)}, "0 of 11 (), 0 of 11 (), 0 of 11 (), 0 of 11 ()"},
		{"a case received on day 300 is nobody's to follow before", &trigonev1.EstimateFreedomRequest{AsOf: as(290)}, "0 of 10 (), 0 of 10 (), 0 of 10 (), 0 of 10 ()"},
		{"the later case of a patient counts though it was not asked for", &trigonev1.EstimateFreedomRequest{Events: []trigonev1.FollowedEvent{trigonev1.FollowedEvent_FOLLOWED_EVENT_REINTERVENTION},
			Filter: &trigonev1.AuditFilter{IncisionBefore: as(1)}}, "2 of 11 (490 600)"},
		{"3+ is not 4+", &trigonev1.EstimateFreedomRequest{Events: []trigonev1.FollowedEvent{trigonev1.FollowedEvent_FOLLOWED_EVENT_RECURRENCE}, RecurrenceGrade: trigonev1.GradeValue_GRADE_VALUE_SEVERE},
			"1 of 11 (490)"},
		{"before the first operation", &trigonev1.EstimateFreedomRequest{AsOf: as(-1)}, "0 of 0 (), 0 of 0 (), 0 of 0 (), 0 of 0 ()"},
	} {
		resp := ask(r.req)
		if got := told(resp); got != r.want {
			t.Errorf("%s: %s, want %s", r.why, got, r.want)
		}
		for _, c := range resp.GetCurves() {
			if c.GetSentence() == "" || strings.Contains(c.GetSentence(), "NaN") {
				t.Errorf("%s: sentence %q", r.why, c.GetSentence())
			}
		}
	}
	resp := ask(&trigonev1.EstimateFreedomRequest{})
	if resp.GetEligibleCaseCount() != 13 || resp.GetReplacedPatientCount() != 1 || resp.GetCurves()[0].GetLateEntryCount() != 1 {
		t.Errorf("%d cases, %d replaced, %d late", resp.GetEligibleCaseCount(), resp.GetReplacedPatientCount(), resp.GetCurves()[0].GetLateEntryCount())
	}
	if again := ask(&trigonev1.EstimateFreedomRequest{AsOf: resp.GetContext().GetAsOf()}); !proto.Equal(resp, again) {
		t.Error("asked again as of the same time the answer is another one")
	}
	stratified := ask(&trigonev1.EstimateFreedomRequest{Strata: []string{"converted"}})
	if len(stratified.GetCurves()) != 8 || stratified.GetStrataCount() != 4 || stratified.GetCurves()[1].GetStratum().GetWord() != "no" {
		t.Errorf("%d curves of %d strata", len(stratified.GetCurves()), stratified.GetStrataCount())
	}
}

func TestFreedomQuestions(t *testing.T) {
	h := toldHouse(t, 1)
	for _, r := range []struct {
		reason string
		req    *trigonev1.EstimateFreedomRequest
		refuse string
	}{
		{"a grade of one scheme alone", &trigonev1.EstimateFreedomRequest{RecurrenceGrade: trigonev1.GradeValue_GRADE_VALUE_PLUS_2}, "recurrence_grade: is no level"},
		{"no event", &trigonev1.EstimateFreedomRequest{Events: []trigonev1.FollowedEvent{trigonev1.FollowedEvent_FOLLOWED_EVENT_UNSPECIFIED}}, "events[0]: is none of the events"},
		{"words of no kind", &trigonev1.EstimateFreedomRequest{Strata: []string{"surname"}}, "strata[0]: is none of the kinds"},
		{"a filter of no kind", &trigonev1.EstimateFreedomRequest{Filter: &trigonev1.AuditFilter{Groups: []*trigonev1.FactFilter{{Kind: "luck", Words: []string{"good"}}}}}, "filter.groups[0].kind: is none of the kinds"},
	} {
		if _, err := h.ledger.EstimateFreedom(h.ctx, surgeon, r.req); err == nil || !strings.Contains(err.Error(), r.refuse) {
			t.Errorf("%s: %v, want %q", r.reason, err, r.refuse)
		}
	}
	// A period that ends before it begins holds nobody, and that is no error.
	resp, err := h.ledger.EstimateFreedom(h.ctx, surgeon, &trigonev1.EstimateFreedomRequest{Filter: &trigonev1.AuditFilter{
		IncisionFrom: timestamppb.Now(), IncisionBefore: timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))}})
	if err != nil || resp.GetEligibleCaseCount() != 0 || len(resp.GetCurves()) != 4 || resp.GetCurves()[0].GetSentence() == "" {
		t.Errorf("%v, %v", resp, err)
	}
}
