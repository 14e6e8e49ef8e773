package ledger

import (
	"cmp"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

// Figures and groups are the same from the short facts as from all of them: what either
// reads is in the short ones.
func TestShortFactsHoldWhatFiguresRead(t *testing.T) {
	f := &trigonev1.CaseFacts{}
	fill(f.ProtoReflect())
	f.Findings[0].Severity, f.Findings[0].Open = trigonev1.Severity_SEVERITY_CONTRADICTION, true
	f.Repair.AsExecuted = trigonev1.Answer_ANSWER_YES
	s := short(f)
	if got, want := caseOf(s), caseOf(f); !reflect.DeepEqual(got, want) {
		t.Errorf("from short facts %+v, from all %+v", got, want)
	}
	if got, want := Groups(s), Groups(f); !reflect.DeepEqual(got, want) {
		t.Errorf("groups from short facts %v, from all %v", got, want)
	}
	// Every field of a case is read from somewhere: else this proves nothing of it.
	of := reflect.ValueOf(*caseOf(f))
	for i := range of.NumField() {
		switch name := of.Type().Field(i).Name; name {
		case "UID", "Patient", "Incision", "Timing", "counted": // of the row
		default:
			if of.Field(i).IsZero() {
				t.Errorf("the sample has no %s", name)
			}
		}
	}
	if all, less := proto.Size(f), proto.Size(s); less >= all {
		t.Errorf("short facts have %d bytes, all of them %d", less, all)
	}
}

// A walk over the cases comes through those that the list of facts has, oldest first.
func TestTalliesAgainstTheFacts(t *testing.T) {
	h := toldHouse(t, 100)
	facts, err := h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]*trigonev1.CaseFacts{}
	for _, f := range facts.GetFacts() {
		if f.GetTimes().GetIncisionTime() != nil {
			want[f.GetCaseName()] = f
		}
	}
	archive := h.ledger.archives[0]
	var last *audit.Case
	got, err := h.ledger.tally(h.ctx, archive, "harbour", tallyQuestion{}, func(c *audit.Case) error {
		f := want[archive.CaseName(c.UID)]
		delete(want, archive.CaseName(c.UID))
		if f == nil || !reflect.DeepEqual(c.Echoes, caseOf(f).Echoes) || !c.Incision.Truncate(60e9).Equal(f.GetTimes().GetIncisionTime().AsTime()) {
			t.Errorf("case %s: %+v, its facts are %v", c.UID, c, f)
		}
		if last != nil && c.Incision.Before(last.Incision) {
			t.Errorf("%s after %s", c.Incision, last.Incision)
		}
		last = c
		return nil
	})
	if err != nil || got.cases < 20 || got.context.GetLastChange() == 0 {
		t.Errorf("%+v, %v", got, err)
	}
	for name, f := range want {
		if f.GetRepair().GetPlannedCase() != 0 {
			t.Errorf("%s was operated on and not walked over", name)
		}
	}
}

// fill gives every field of a message a value: the first word that says something, 1,
// "x", one entry of each list.
func fill(m protoreflect.Message) {
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		switch {
		case fd.IsList():
			list := m.Mutable(fd).List()
			if fd.Message() != nil {
				fill(list.AppendMutable().Message())
			} else {
				list.Append(scalar(fd))
			}
		case fd.Message() != nil:
			fill(m.Mutable(fd).Message())
		default:
			m.Set(fd, scalar(fd))
		}
	}
}

func scalar(fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(1)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString("x")
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(1)
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(1)
	}
	return protoreflect.ValueOfInt32(1)
}

// Figures by what is made when a case is read: the strata of one kind hold every case
// once, whoever reads them apart, and operators are told to auditors alone.
func TestStrataThatAreMade(t *testing.T) {
	h := toldHouse(t, 100)
	auditor := casebook.Principal{Name: "audit", ByStaff: true}
	facts, err := h.ledger.ListCaseFacts(h.ctx, auditor, &trigonev1.ListCaseFactsRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	want := map[audit.Group]int32{}
	for _, f := range facts.GetFacts() {
		if f.GetTimes().GetIncisionTime() == nil || f.GetSetting().GetPreviousCase() != "" {
			continue
		}
		responsible := cmp.Or(f.GetTeam().GetSupervisor(), f.GetTeam().GetFirstOperator())
		for kind, word := range map[string]string{
			"first_operator": f.GetTeam().GetFirstOperator(), "responsible_operator": responsible, "plan_timing": convert.Word(f.GetTimes().GetPlanTiming()),
		} {
			want[audit.Group{Kind: kind, Word: word}]++
		}
	}
	strata := []string{"first_operator", "responsible_operator", "plan_timing", "half_year"}
	outcomes, err := h.ledger.SummarizeOutcomes(h.ctx, auditor, &trigonev1.SummarizeOutcomesRequest{Strata: strata, Outcomes: []string{"repair_rate_leaving_theatre"}})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, o := range outcomes.GetOutcomes() {
		if s := o.GetStratum(); s != nil {
			seen[s.GetKind()]++
			if n := want[audit.Group{Kind: s.GetKind(), Word: s.GetWord()}]; s.GetKind() != "half_year" && o.GetShare().GetOf() > n {
				t.Errorf("%v: of %d, the facts have %d", s, o.GetShare().GetOf(), n)
			}
		}
	}
	agreement, err := h.ledger.SummarizeAgreement(h.ctx, auditor, &trigonev1.SummarizeAgreementRequest{Strata: strata})
	if err != nil {
		t.Fatal(err)
	}
	pairs, all := map[string]int32{}, int32(0)
	for _, a := range agreement.GetAgreements() {
		if a.GetStratum() == nil {
			all += a.GetPairCount()
			continue
		}
		seen[a.GetStratum().GetKind()]++
		pairs[a.GetStratum().GetKind()] += a.GetPairCount()
	}
	for _, kind := range strata {
		if seen[kind] == 0 || pairs[kind] != all {
			t.Errorf("%s: %d figures, %d pairs of %d", kind, seen[kind], pairs[kind], all)
		}
	}
	_, err = h.ledger.SummarizeAgreement(h.ctx, surgeon, &trigonev1.SummarizeAgreementRequest{Strata: strata[:1]})
	if err == nil || !strings.Contains(err.Error(), "for auditors") {
		t.Errorf("operators side by side to who is no auditor: %v", err)
	}
}
