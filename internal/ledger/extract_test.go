package ledger

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/extract"
	trigonev1 "trigone/proto/trigone/v1"
)

// received is an extract as a client has it: the cells of each table by column.
type received struct {
	parts  []*trigonev1.ExtractTableResponse
	header *trigonev1.ExtractHeader
	end    *trigonev1.ExtractEnd
	rows   map[string][]map[string]*trigonev1.ExtractValue
	cases  []*trigonev1.ExtractRow
}

func (h *house) extract(req *trigonev1.ExtractTableRequest) (*received, error) {
	h.Helper()
	out := &received{rows: map[string][]map[string]*trigonev1.ExtractValue{}}
	columns := map[string][]*trigonev1.ExtractColumn{}
	err := h.ledger.ExtractTable(h.ctx, surgeon, req, func(part *trigonev1.ExtractTableResponse) error {
		part = proto.CloneOf(part)
		out.parts = append(out.parts, part)
		switch {
		case part.GetHeader() != nil:
			out.header = part.GetHeader()
			for _, t := range out.header.GetTables() {
				columns[t.GetTable()] = t.GetColumns()
			}
		case part.GetEnd() != nil:
			out.end = part.GetEnd()
		}
		table := part.GetRows().GetTable()
		for _, row := range part.GetRows().GetRows() {
			if len(row.GetValues()) != len(columns[table]) {
				h.Fatalf("a row of %s has %d values for %d columns", table, len(row.GetValues()), len(columns[table]))
			}
			cells := map[string]*trigonev1.ExtractValue{}
			for i, v := range row.GetValues() {
				if v.GetValue() != nil {
					cells[columns[table][i].GetColumn()] = v
				}
			}
			out.rows[table] = append(out.rows[table], cells)
			if table == tableCases {
				out.cases = append(out.cases, row)
			}
		}
		return nil
	})
	return out, err
}

func (h *house) mustExtract(req *trigonev1.ExtractTableRequest) *received {
	h.Helper()
	x, err := h.extract(req)
	if err != nil {
		h.Fatal(err)
	}
	return x
}

// department has the invented cases on record, and each of some of them several times over
// as others, so that not everything is rare.
func department(t *testing.T) (*house, []*trigonev1.CaseFile) {
	t.Helper()
	h := newHouse(t, openStore(t), "harbour")
	list := restatedStories(t, 100)
	for i, c := range slices.Clone(list) {
		for n := range 6 * (1 - min(i/4, 1)) {
			again := proto.CloneOf(c)
			again.ExternalIdentifier.Value += fmt.Sprintf("-again-%d", n)
			again.PatientIdentifier.Value += fmt.Sprintf("-again-%d", n)
			list = append(list, again)
		}
	}
	for _, c := range list {
		h.plan(c)
		h.outcome(c)
	}
	h.now = h.now.AddDate(5, 0, 0)
	return h, list
}

const external = trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL

// keyed are the columns by which cases are told apart for others.
var keyed = []string{"operated_in", "age_band", "sex", "aetiology", "approach", "technique_class", "ring_family", "ring_label"}

func TestExtractForOthers(t *testing.T) {
	h, files := department(t)
	x := h.mustExtract(&trigonev1.ExtractTableRequest{Profile: external})

	// Counted again from what left.
	cells := map[string]int{}
	class := map[int64]string{}
	for _, row := range x.rows[tableCases] {
		var key []string
		for _, c := range keyed {
			key = append(key, row[c].GetWritten())
		}
		cells[strings.Join(key, "|")]++
		class[row["case"].GetWhole()] = row["technique_class"].GetWritten()
	}
	smallest := 1 << 30
	for key, n := range cells {
		smallest = min(smallest, n)
		if n < 5 {
			t.Errorf("%d cases hold %s", n, key)
		}
	}
	if smallest != int(x.end.GetSmallestCell()) || len(cells) < 3 || len(x.rows[tableCases])+int(x.end.GetLeftOutCaseCount()) != len(files) {
		t.Errorf("%d cells, the smallest of %d, told %v", len(cells), smallest, x.end)
	}

	// Nothing that a client wrote, and nothing that names a case, leaves in any cell.
	whole := ""
	written := map[string]string{}
	for _, f := range files {
		texts(f.ProtoReflect(), func(fd protoreflect.FieldDescriptor, s string) {
			if fd.Parent().Name() != "OutcomeDefinition" { // their keys are words of the contract too
				written[s] = string(fd.FullName())
			}
		})
	}
	for _, p := range x.parts {
		whole += prototext.Format(p)
	}
	for _, k := range h.names(files) {
		if strings.Contains(whole, k) {
			t.Errorf("%s stands in it", k)
		}
	}
	isWord := map[string]bool{} // an id that a client chose may be a word of the contract
	for _, table := range x.header.GetTables() {
		for _, c := range table.GetColumns() {
			isWord[table.GetTable()+"."+c.GetColumn()] = len(c.GetWords()) > 0
		}
	}
	for table, rows := range x.rows {
		for _, row := range rows {
			for column, v := range row {
				s := v.GetWritten()
				if v.GetTime() != nil {
					t.Fatalf("%s.%s tells a time", table, column)
				}
				if from := written[s]; from != "" && !isWord[table+"."+column] && column != "ring_family" && column != "ring_label" {
					t.Errorf("%s.%s is %q, which stands in %s", table, column, s, from)
				}
			}
		}
	}

	// No extreme is one case's alone, and no comparison tells a technique that is not told.
	steps := 0
	for _, table := range x.header.GetTables() {
		for _, c := range table.GetColumns() {
			if c.GetType() != trigonev1.ExtractType_EXTRACT_TYPE_NUMBER && c.GetType() != trigonev1.ExtractType_EXTRACT_TYPE_WHOLE || slices.Contains([]string{"case", "row", "formula_number", "metric_formula_number"}, c.GetColumn()) {
				continue
			}
			of := map[string][]float64{}
			for _, row := range x.rows[table.GetTable()] {
				if v := row[c.GetColumn()]; v != nil {
					metric := row["metric"].GetWritten()
					if c.GetType() == trigonev1.ExtractType_EXTRACT_TYPE_WHOLE {
						metric = ""
					}
					of[metric] = append(of[metric], numberOf(v))
				}
			}
			for metric, list := range of {
				slices.Sort(list)
				if len(list) < 10 || list[4] != list[0] || list[len(list)-5] != list[len(list)-1] {
					t.Errorf("%s.%s %s: extremes are few cases' alone: %v", table.GetTable(), c.GetColumn(), metric, list[:min(5, len(list))])
				}
			}
		}
	}
	for _, row := range x.rows[tableComparisons] {
		if strings.HasPrefix(row["kind"].GetWritten(), "step") {
			steps++
			if class[row["case"].GetWhole()] == extract.Other {
				t.Errorf("a comparison of a step is told of case %d, whose technique is not", row["case"].GetWhole())
			}
		}
	}
	if steps == 0 {
		t.Error("no comparison of a step is left: the test looks at nothing")
	}
}

// names are what finds a case or a patient: it stands in no extract.
func (h *house) names(files []*trigonev1.CaseFile) []string {
	var list []string
	for _, f := range files {
		list = append(list, f.GetExternalIdentifier().GetValue(), f.GetPatientIdentifier().GetValue(), f.GetPatientIdentifier().GetSystem(),
			h.get(f).GetName()[len("sites/harbour/cases/"):])
		for _, d := range f.GetOperation().GetDevices() {
			for _, s := range []string{d.GetSerialNumber(), d.GetLotNumber()} {
				if s != "" {
					list = append(list, s)
				}
			}
		}
	}
	return list
}

func texts(m protoreflect.Message, visit func(protoreflect.FieldDescriptor, string)) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsList() && fd.Message() != nil:
			for i := range v.List().Len() {
				texts(v.List().Get(i).Message(), visit)
			}
		case fd.IsList() && fd.Kind() == protoreflect.StringKind:
			for i := range v.List().Len() {
				visit(fd, v.List().Get(i).String())
			}
		case fd.Message() != nil:
			texts(v.Message(), visit)
		case fd.Kind() == protoreflect.StringKind && fd.Name() != "metric" && fd.Name() != "leaf": // words of the catalogue
			visit(fd, v.String())
		}
		return true
	})
}

func TestExtractForTheDepartment(t *testing.T) {
	h, files := department(t)
	x := h.mustExtract(&trigonev1.ExtractTableRequest{})
	whole := ""
	for _, p := range x.parts {
		whole += prototext.Format(p)
	}
	for _, k := range h.names(files) {
		if strings.Contains(whole, k) {
			t.Errorf("%s stands in it", k)
		}
	}
	facts := h.facts(trigonev1.Basis_BASIS_STORED)
	children, operators := 0, 0
	for _, f := range facts {
		children += len(f.GetEchoes())
	}
	for _, row := range x.rows[tableCases] {
		if row["team_first_operator"] != nil && row["times_incision_time"].GetTime() != nil {
			operators++
		}
	}
	if len(x.rows[tableCases]) != len(facts) || len(x.rows["echoes"]) != children || operators < len(facts)/2 {
		t.Errorf("%d cases, %d echoes, %d with operator and date; facts have %d and %d", len(x.rows[tableCases]), len(x.rows["echoes"]), operators, len(facts), children)
	}
	if n := len(h.comparisons(trigonev1.Basis_BASIS_STORED)); len(x.rows[tableComparisons]) != n {
		t.Errorf("%d comparisons, the list has %d", len(x.rows[tableComparisons]), n)
	}

	named := h.mustExtract(&trigonev1.ExtractTableRequest{WithCaseNumbers: true, Tables: []string{tableCases}})
	numbers := map[string]bool{}
	for _, row := range named.cases {
		numbers[row.GetExternalIdentifier().GetValue()] = true
	}
	if len(numbers) != len(files) || len(named.header.GetTables()) != 1 {
		t.Errorf("%d case numbers of %d cases", len(numbers), len(files))
	}
}

// The order of the rows tells nothing of the order of operations, and another extract has
// another one; the same question on the same record is the same answer.
func TestOrderOfAnExtract(t *testing.T) {
	h, _ := department(t)
	order := func(x *received) (list []string) {
		for _, row := range x.rows[tableCases] {
			list = append(list, row["times_incision_time"].GetTime().AsTime().Format(time.RFC3339))
		}
		return list
	}
	at := timestamppb.New(h.now)
	first, again := h.mustExtract(&trigonev1.ExtractTableRequest{AsOf: at}), h.mustExtract(&trigonev1.ExtractTableRequest{AsOf: at})
	for i := range first.parts {
		if !proto.Equal(first.parts[i], again.parts[i]) {
			t.Fatal("asked again as of the same time it is another answer")
		}
	}
	rising := 0
	for i, list := 1, order(first); i < len(list); i++ {
		if list[i] >= list[i-1] {
			rising++
		}
	}
	if n := len(first.rows[tableCases]); rising < n/4 || rising > n*3/4 {
		t.Errorf("of %d cases %d come after the one before", n, rising)
	}
	later := h.mustExtract(&trigonev1.ExtractTableRequest{AsOf: timestamppb.New(h.now.Add(time.Hour))})
	if slices.Equal(order(first), order(later)) {
		t.Error("another extract has the same order")
	}
}

func TestExtractsOfLittle(t *testing.T) {
	empty := newHouse(t, openStore(t), "harbour")
	empty.now = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for _, p := range []trigonev1.ExtractProfile{0, external} {
		if x := empty.mustExtract(&trigonev1.ExtractTableRequest{Profile: p}); x.end.GetCaseCount() != 0 || len(x.header.GetTables()) != 9 || len(x.rows) != 0 {
			t.Errorf("of nothing: %v", x.end)
		}
	}
	one := toldHouse(t, 1)
	if x := one.mustExtract(&trigonev1.ExtractTableRequest{Profile: external}); x.end.GetLeftOutCaseCount() != 1 || len(x.rows) != 0 {
		t.Errorf("of one case, for others: %v", x.end)
	}
	if x := one.mustExtract(&trigonev1.ExtractTableRequest{}); x.end.GetCaseCount() != 1 || len(x.rows[tableCases]) != 1 {
		t.Errorf("of one case: %v", x.end)
	}
	at, err := time.LoadLocation(one.book.Policy.Settings.Zone)
	if err != nil {
		t.Fatal(err)
	}
	half := time.Date(2026, 7, 1, 0, 0, 0, 0, at)
	for _, r := range []struct {
		reason string
		req    *trigonev1.ExtractTableRequest
		refuse string
	}{
		{"a table that is none", &trigonev1.ExtractTableRequest{Tables: []string{"patients"}}, "tables[0]: is none of cases"},
		{"case numbers for others", &trigonev1.ExtractTableRequest{Profile: external, WithCaseNumbers: true}, "with_case_numbers: is for the department alone"},
		{"for others any day", &trigonev1.ExtractTableRequest{Profile: external, IncisionFrom: timestamppb.New(half.AddDate(0, 0, 1))}, "incision_from: is no begin of a half-year"},
		{"for others a half-year", &trigonev1.ExtractTableRequest{Profile: external, IncisionFrom: timestamppb.New(half)}, ""},
		{"for the department any day", &trigonev1.ExtractTableRequest{IncisionFrom: timestamppb.New(half.AddDate(0, 0, 1))}, ""},
	} {
		if _, err := one.extract(r.req); r.refuse == "" && err != nil || r.refuse != "" && (err == nil || !strings.Contains(err.Error(), r.refuse)) {
			t.Errorf("%s: %v", r.reason, err)
		}
	}
}

// staysAtHome are the texts that do not leave to others, with the reason.
var staysAtHome = map[string]string{
	"CaseFacts.case_name":       "names the case",
	"FactSetting.previous_case": "names a case",
	"FactTeam.signer":           "operator", "FactTeam.first_operator": "operator", "FactTeam.supervisor": "operator", "FactOperator.pseudonym": "operator",
	"FactSetting.intended_stated_by": "operator", "FindingFacts.confirmed_by": "operator",
	"FactRisk.model": "a client wrote it", "FactRisk.version": "a client wrote it",
	"FactRepair.techniques_planned": "tells more than the class of techniques", "FactRepair.techniques_done": "tells more than the class of techniques",
	"FactVersions.catalogue_version": "tells the time", "FactVersions.rule_set_version": "tells the time", "FactVersions.policy_hash": "tells the time",
	"FactVersions.calibration_id": "tells the time", "Comparison.judged_by_version": "tells the time",
	"Comparison.prediction_catalogue_version": "tells the time", "Comparison.prediction_calibration_id": "tells the time",
	"RunFacts.section": "a client's id", "DeviceFacts.section": "a client's id", "EchoFacts.section": "a client's id", "StatusFacts.section": "a client's id",
	"EventFacts.section": "a client's id", "QueryFacts.section": "a client's id", "FindingFacts.occasion": "a client's id", "Comparison.occasion": "a client's id",
	"DeviceFacts.planned_step_id": "a client's id", "DeviceFacts.performed_step_id": "a client's id", "DeviceFacts.device_id": "a client's id", "EventFacts.event_id": "a client's id",
	"QueryFacts.followed_by_step_ids": "a client's id", "QueryStepFacts.step_id": "a client's id", "QueryStepFacts.leaf": "of a list of steps", "QueryStepFacts.unit": "of a list of steps",
	"QueryStepFacts.explanation": "names steps",
	"Comparison.id":              "a client's id", "Comparison.discrepancy_id": "stands in other systems", "Comparison.thing_planned": "a client's id", "Comparison.planned_step_id": "a client's id",
	"Comparison.performed_step_id": "a client's id", "Comparison.target_id": "a client's id", "Comparison.parent": "stands in other systems",
	"Comparison.message": "names values before they are coded", "Comparison.planned": "values before they are coded, labels of rings", "Comparison.actual": "values before they are coded, labels of rings",
	"Comparison.missing": "may name a step", "Comparison.not_applicable_because": "a sentence that may name a step",
	"OutcomeDefinition.key": "a client names it", "OutcomeDefinition.version": "a client names it",
	"DeviceFacts.family_key": "told as ring_family, where enough share it", "DeviceFacts.maker": "identity of an implant", "DeviceFacts.model": "identity of an implant", "DeviceFacts.size": "identity of an implant",
}

// Every text of facts and comparisons either leaves to others or has the reason why not.
func TestEveryTextOfAnExtractIsDecided(t *testing.T) {
	seen := map[string]bool{}
	var walk func(md protoreflect.MessageDescriptor)
	walk = func(md protoreflect.MessageDescriptor) {
		for i := range md.Fields().Len() {
			f := md.Fields().Get(i)
			name := string(md.Name()) + "." + string(f.Name())
			switch {
			case f.Message() != nil && !convert.IsTime(f):
				walk(f.Message())
			case f.Kind() == protoreflect.StringKind:
				seen[name] = true
				if textsForOthers[name] == (staysAtHome[name] != "") {
					t.Errorf("%s: decide whether this text leaves to others, in one of the two lists", name)
				}
			}
		}
	}
	walk((&trigonev1.CaseFacts{}).ProtoReflect().Descriptor())
	walk((&trigonev1.Comparison{}).ProtoReflect().Descriptor())
	for name := range staysAtHome {
		if !seen[name] {
			t.Errorf("%s is no text of facts or comparisons", name)
		}
	}
}
