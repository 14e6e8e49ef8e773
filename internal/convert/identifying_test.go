package convert

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"pgregory.net/rapid"

	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

// notIdentifying are the texts of the contract that tell nobody who the patient is,
// by the name of the field or, where a name is used for other things too, of the
// message and the field.
var notIdentifying = []struct {
	why    string
	fields string
}{
	{"an id that the client gives to a part of a case, and references to it", `id study_id lesion_id lesion_ids assessment_ids advice_ids advice_id
		planned_step_id performed_step_id device_id event_id step_id step_ids followed_by_step_ids tried_step_ids target_id alternative_of revised_by thing_planned`},
	{"the name of a section: a word and such an id", `section sections wrong_sections advice_section sections_without_points`},
	{"versions of the program and of the policy", `restated_under`},
	{"a calendar month of a whole department", `TheatreCount.month TheatreMonth.month`},
	{"names of fields of the contract", `left_out`},
	{"made by the service: random, or a hash of words and numbers", `finding_id discrepancy_id quarantine_id etag root
		page_token next_page_token cursor next_cursor ExportResourcesRequest.since next_since`},
	{"the name of a case, with an id that the service made", `CaseReference.name Case.name CaseSummary.name case_name case_names into_case previous_case`},
	{"the name of a site", `parent site`},
	{"made by the caller's software for one call", `request_id`},
	{"a pseudonym of staff, never a name; who asked", `signer pseudonym observer first_operator supervisor stated_by intended_stated_by
		operator monitored_operators
		caller ended_caller decided_caller confirmed_by`},
	{"a calendar day: personal, as every time of the record is, and needed to count days", `status_known_on died_on echo_on on date calculated_on height_on weight_on
		admitted_on discharged_on expires_on status_on`},
	{"a version, a hash, or the name of a table or model of risk", `catalogue_version rule_set_version software_version method_version policy_hash hash sha256
		calibration_id judged_by_version prediction_catalogue_version prediction_calibration_id version model model_version family_key RuleDefinition.since until`},
	{"what many devices have on their label, and no single one alone; the definition of an outcome", `maker size key`},
	{"a word of the catalogue, the rules or the grammar of places", `metric metrics leaf leaves place places occasion unit band rule rules_not_evaluable
		threshold class classes missing inputs Discrepancy.reference Discrepancy.reason Comparison.reason planned actual RuleDefinition.reference
		quantity PredictionCalibration.technique`},
	{"why a state changed: a sentence of the program or a word of the contract", `Change.reason`},
	{"a word of the contract", `techniques_planned techniques_done age_decade FactFilter.kind words
		Stratum.kind Stratum.word strata LeftOut.reason MonitorOutcomesRequest.outcomes MonitoringChart.outcome LearningChart.outcome
		Benchmark.outcome SummarizeOutcomesRequest.outcomes OutcomeFigure.outcome OutcomeFigure.title OutcomePart.kind OutcomePart.word ObservedExpected.outcome Funnel.outcome`},
	{"a half-year, or a letter that stands for an operator", `FunnelPoint.label`},
	{"where a share was published, as the caller says", `target_source`},
	{"names of fields of the contract, and ids that the client gives to parts of a case", `FieldChange.path`},
	{"a sentence of the program, made from words and numbers", `message obstacle explanation advice caution uncertainty not_estimated remarks summary not_applicable_because SectionReceipt.note
		sentence not_evaluable_because definition notes picture_because`},
	{"the catalogue, the rules and their sources", `MetricDefinition.name formula source citation code code_system code_display`},
	{"the site's clinical policy, and what is made for it", `GetPolicyResponse.text policy_fragment`},
	{"what a table holds: words, ids and pseudonyms of fields that are themselves listed here, never of one that is marked; names of tables and columns",
		`table tables column meaning written`},
	{"what was called and what came of it: names and words of the program", `Access.method Access.outcome detail`},
	{"a word of a standard", `media_type resource_type resource_types`},
}

// sentAsText are the texts of a case file that are neither marked nor held to the
// pattern of an id or a day.
var sentAsText = map[protoreflect.FullName]string{
	"trigone.v1.CaseSetting.previous_case": "longer than the pattern of ids; the name of a case, with an id that the service made",
	"trigone.v1.ExpectedRisk.model":        "the name of a model of risk, as published",
	"trigone.v1.ExpectedRisk.version":      "its version, as published",
	"trigone.v1.Device.maker":              "a maker's name, as on the label",
	"trigone.v1.Device.model":              "a maker's name of a model, as on the label",
	"trigone.v1.Device.size":               "a labelled size, which many pieces have",
}

func eachMessage(visit func(md protoreflect.MessageDescriptor)) {
	protoregistry.GlobalFiles.RangeFilesByPackage("trigone.v1", func(file protoreflect.FileDescriptor) bool {
		var walk func(list protoreflect.MessageDescriptors)
		walk = func(list protoreflect.MessageDescriptors) {
			for i := range list.Len() {
				visit(list.Get(i))
				walk(list.Get(i).Messages())
			}
		}
		walk(file.Messages())
		return true
	})
}

func isText(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() == protoreflect.StringKind || fd.Kind() == protoreflect.BytesKind
}

// Every text of the contract, requests and answers included, is marked as
// identifying or listed with the reason why it is not.
func TestEveryTextIsIdentifyingOrListed(t *testing.T) {
	why := map[string]string{}
	for _, class := range notIdentifying {
		for name := range strings.FieldsSeq(class.fields) {
			if why[name] != "" {
				t.Errorf("%s is listed twice", name)
			}
			why[name] = class.why
		}
	}
	used := map[string]bool{}
	messages, marked := 0, 0
	eachMessage(func(md protoreflect.MessageDescriptor) {
		messages++
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			if fd.IsMap() {
				t.Errorf("%s is a map: Part knows none; teach it, or use a list", fd.FullName())
			}
			name := string(fd.Name())
			if full := string(md.Name()) + "." + name; why[full] != "" {
				name = full
			}
			switch {
			case Identifying(fd):
				marked++
				if why[name] != "" {
					t.Errorf("%s is marked as identifying and listed as not: %s", fd.FullName(), why[name])
				}
			case !isText(fd):
			case why[name] == "":
				t.Errorf("%s is text: mark it as identifying, or list it with the reason why it is not", fd.FullName())
			default:
				used[name] = true
			}
		}
	})
	for name, reason := range why {
		if !used[name] {
			t.Errorf("%s is listed (%s), but no text has this name", name, reason)
		}
	}
	if messages < 100 || marked < 20 {
		t.Errorf("%d messages and %d marked fields: the walk misses some", messages, marked)
	}
}

// In what a client sends as a case, text that is not marked fits an id or a day:
// nothing can be told in it.
func TestUnmarkedTextOfACaseHasAPattern(t *testing.T) {
	answers := map[protoreflect.FullName]bool{ // inside an advice: made by the service
		"trigone.v1.Evaluation": true, "trigone.v1.Freedom": true,
	}
	seen := map[protoreflect.FullName]bool{}
	found := 0
	var walk func(md protoreflect.MessageDescriptor)
	walk = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] || answers[md.FullName()] {
			return
		}
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			if fd.Message() != nil {
				walk(fd.Message())
			}
			if !isText(fd) || Identifying(fd) {
				continue
			}
			found++
			pattern := fieldRules(fd).GetString().GetPattern()
			_, listed := sentAsText[fd.FullName()]
			if bound := pattern != "" || refersByID(fd); bound == listed {
				t.Errorf("%s: pattern %q, listed %t: give it a pattern, mark it as identifying, or list it with the reason", fd.FullName(), pattern, listed)
			}
		}
	}
	walk((&trigonev1.CaseFile{}).ProtoReflect().Descriptor())
	if found < 20 {
		t.Errorf("only %d texts were found", found)
	}
}

// eachInside visits a message and every message in it.
func eachInside(m protoreflect.Message, visit func(m protoreflect.Message)) {
	visit(m)
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() == nil:
		case fd.IsList():
			for i := range v.List().Len() {
				eachInside(v.List().Get(i).Message(), visit)
			}
		default:
			eachInside(v.Message(), visit)
		}
		return true
	})
}

// strange puts a field that the contract does not know into about every second
// message, whatever its depth.
func strange(t *rapid.T, m proto.Message) {
	eachInside(m.ProtoReflect(), func(m protoreflect.Message) {
		if rapid.Bool().Draw(t, "unknown") {
			unknown := protowire.AppendTag(nil, protowire.Number(rapid.IntRange(901, 903).Draw(t, "number")), protowire.BytesType)
			m.SetUnknown(protowire.AppendString(unknown, rapid.StringMatching(`[a-z]{0,4}`).Draw(t, "content")))
		}
	})
}

// Whatever the case file, unknown fields included: its parts make up the whole
// again, nothing marked or unknown is in the first, and nothing else in the second.
func TestPartsJoinToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := &trigonev1.CaseFile{}
		drawing{t: t}.message(file.ProtoReflect())
		strange(t, file)
		before := file.String() // proto.Clone loses a negative zero

		clinical, identifying := Part(file)
		whole, err := Join(clinical, identifying)
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(whole, file) {
			t.Fatalf("joined:\n%v\nwant\n%v", whole, file)
		}
		if file.String() != before {
			t.Fatal("the message was changed")
		}
		eachInside(clinical.ProtoReflect(), func(m protoreflect.Message) {
			if len(m.GetUnknown()) > 0 {
				t.Fatalf("the clinical part has an unknown field in %s", m.Descriptor().FullName())
			}
			m.Range(func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
				if Identifying(fd) {
					t.Fatalf("the clinical part has %s", fd.FullName())
				}
				return true
			})
		})
		if identifying == nil {
			return
		}
		eachInside(identifying.ProtoReflect(), func(m protoreflect.Message) {
			m.Range(func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
				if fd.Message() == nil && !Identifying(fd) {
					t.Fatalf("the identifying part has %s", fd.FullName())
				}
				return true
			})
		})
		again, rest := Part(clinical)
		if rest != nil || !proto.Equal(again, clinical) {
			t.Fatal("the clinical part has an identifying part itself")
		}
	})
}

// Through bytes, as the store keeps them, section by section.
func TestPartsOfSectionsAsBytes(t *testing.T) {
	parted := 0
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			file, err := testdata.Read(folder, name)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range sections(file) {
				clinical, identifying, err := MarshalParts(s.message)
				if err != nil {
					t.Fatal(err)
				}
				whole, err := UnmarshalParts(s.name, clinical, identifying)
				if err != nil || !proto.Equal(whole, s.message) {
					t.Errorf("%s/%s: %s is not itself again: %v", folder, name, s.name, err)
				}
				without, err := UnmarshalParts(s.name, clinical, nil)
				first, second := Part(s.message)
				if err != nil || !proto.Equal(without, first) {
					t.Errorf("%s/%s: %s without what identifies: %v", folder, name, s.name, err)
				}
				if (identifying == nil) != (second == nil) {
					t.Errorf("%s/%s: %s has %d identifying bytes", folder, name, s.name, len(identifying))
				}
				if identifying != nil {
					parted++
				}
			}
		}
	}
	if parted < 10 {
		t.Errorf("only %d sections of the invented cases have free text", parted)
	}
}

func TestPartAndJoinByHand(t *testing.T) {
	step := func(id, rationale string) *trigonev1.PlannedStep {
		return &trigonev1.PlannedStep{Id: id, Rationale: rationale}
	}
	for _, tt := range []struct {
		why                          string
		whole, clinical, identifying proto.Message
	}{
		{
			"nothing identifies: there is no second part",
			&trigonev1.Plan{Signer: "s"}, &trigonev1.Plan{Signer: "s"}, nil,
		},
		{
			"empty is no text, and a message that is there stays there",
			&trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{}}, &trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{}}, nil,
		},
		{
			"the whole of an identifier",
			&trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{System: "urn:x", Value: "7"}},
			&trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{}},
			&trigonev1.CaseFile{PatientIdentifier: &trigonev1.Identifier{System: "urn:x", Value: "7"}},
		},
		{
			"the list ends with the last entry that identifies",
			&trigonev1.Plan{Steps: []*trigonev1.PlannedStep{step("a", ""), step("b", "because"), step("c", "")}},
			&trigonev1.Plan{Steps: []*trigonev1.PlannedStep{step("a", ""), step("b", ""), step("c", "")}},
			&trigonev1.Plan{Steps: []*trigonev1.PlannedStep{{}, step("", "because")}},
		},
		{
			"bytes, of an answer",
			&trigonev1.GetOperativeNoteResponse{Content: []byte("note"), MediaType: "text/plain"},
			&trigonev1.GetOperativeNoteResponse{MediaType: "text/plain"},
			&trigonev1.GetOperativeNoteResponse{Content: []byte("note")},
		},
	} {
		clinical, identifying := Part(tt.whole)
		if !proto.Equal(clinical, tt.clinical) || !proto.Equal(identifying, tt.identifying) {
			t.Errorf("%s: parts are\n%v\n%v", tt.why, clinical, identifying)
		}
		if whole, err := Join(clinical, identifying); err != nil || !proto.Equal(whole, tt.whole) {
			t.Errorf("%s: joined to %v, %v", tt.why, whole, err)
		}
	}
}

// What an older version did not know went with the second part; it comes back when
// it is known, as if it had been so from the beginning.
func TestJoinTakesWhatWasUnknown(t *testing.T) {
	clinical := &trigonev1.Plan{Signer: "s", Steps: []*trigonev1.PlannedStep{{Id: "a"}}}
	identifying := &trigonev1.Plan{
		Context: trigonev1.PlanContext(1), AssessmentIds: []string{"tee"},
		Steps:   []*trigonev1.PlannedStep{{ExpectedEffect: trigonev1.ExpectedEffect(2)}},
		Targets: []*trigonev1.Target{{Id: "t"}, {Id: "u"}},
	}
	want := &trigonev1.Plan{
		Signer: "s", Context: trigonev1.PlanContext(1), AssessmentIds: []string{"tee"},
		Steps:   []*trigonev1.PlannedStep{{Id: "a", ExpectedEffect: trigonev1.ExpectedEffect(2)}},
		Targets: []*trigonev1.Target{{Id: "t"}, {Id: "u"}},
	}
	if got, err := Join(clinical, identifying); err != nil || !proto.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
}

func TestPartsOfTwoMessagesAreRefused(t *testing.T) {
	for _, tt := range []struct {
		why                   string
		clinical, identifying proto.Message
	}{
		{"another message", &trigonev1.Plan{}, &trigonev1.Operation{}},
		{
			"a longer list", &trigonev1.Plan{Steps: []*trigonev1.PlannedStep{{Id: "a"}}},
			&trigonev1.Plan{Steps: []*trigonev1.PlannedStep{{}, {Rationale: "because"}}},
		},
	} {
		if whole, err := Join(tt.clinical, tt.identifying); err == nil || whole != nil {
			t.Errorf("%s: joined to %v", tt.why, whole)
		}
	}
}

// What it costs to keep a section in two parts, beside encoding it in one.
func BenchmarkParts(b *testing.B) {
	file, err := testdata.Read(testdata.Cases, "billowing-second-run")
	if err != nil {
		b.Fatal(err)
	}
	list := sections(file)
	each := func(b *testing.B, work func(s namedSection) error) {
		b.ReportAllocs()
		for b.Loop() {
			for _, s := range list {
				if err := work(s); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	b.Run("marshal", func(b *testing.B) {
		each(b, func(s namedSection) error { _, err := MarshalSection(s.message); return err })
	})
	b.Run("marshal parts", func(b *testing.B) {
		each(b, func(s namedSection) error { _, _, err := MarshalParts(s.message); return err })
	})
	whole, clinical, identifying := map[string][]byte{}, map[string][]byte{}, map[string][]byte{}
	for _, s := range list {
		if whole[s.name], err = MarshalSection(s.message); err != nil {
			b.Fatal(err)
		}
		if clinical[s.name], identifying[s.name], err = MarshalParts(s.message); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("unmarshal", func(b *testing.B) {
		each(b, func(s namedSection) error { _, err := UnmarshalSection(s.name, whole[s.name]); return err })
	})
	b.Run("unmarshal parts", func(b *testing.B) {
		each(b, func(s namedSection) error {
			_, err := UnmarshalParts(s.name, clinical[s.name], identifying[s.name])
			return err
		})
	})
}
