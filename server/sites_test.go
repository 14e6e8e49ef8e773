package server

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/fhirmap"
	"trigone/internal/policy"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// threeSites is a server with a third site, island. two has rights at the other two,
// uneven audits at one and records at the other, and owner writes at all three.
func threeSites(t *testing.T) *trusted {
	clinical, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	island := filepath.Join(t.TempDir(), "island.yaml")
	if err := os.WriteFile(island, []byte(strings.Replace(clinical.Text, "site: harbour", "site: island", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	return trust(t, func(text string) string {
		text = strings.Replace(text, "sites: {", "sites: {island: {policy: "+island+"}, ", 1)
		return text + `  two: {token_subjects: [two], rights: {harbour: {roles: [reader, reviewer, auditor]}, bay: {roles: [reader, reviewer, auditor]}}}
  same: {token_subjects: [same], rights: {bay: {roles: [reader, reviewer, auditor]}, harbour: {roles: [reader, reviewer, auditor]}}}
  uneven: {token_subjects: [uneven], rights: {bay: {roles: [auditor]}, harbour: {roles: [recorder]}}}
  owner: {token_subjects: [owner], rights: {bay: {roles: [recorder]}, harbour: {roles: [recorder]}, island: {roles: [recorder, reader, reviewer, auditor]}}}
`
	})
}

// put puts invented cases on record at the sites in turn, one day apart, so that the
// lists of the sites interleave.
func (s *trusted) put(record trigonev1.RecordServiceClient, first int, sites ...string) {
	s.Helper()
	for i, name := range []string{"several-differences", "ring-exchanged", "smaller-ring"} {
		for j, site := range sites {
			file, err := testdata.Read(testdata.Cases, name)
			s.ok(err)
			file.ExternalIdentifier.Value = fmt.Sprint("MV-", first+i)
			if op := file.GetOperation(); op.GetIncisionTime() != nil && i != 1 {
				op.IncisionTime = timestamppb.New(op.GetIncisionTime().AsTime().Add(time.Duration(i*len(sites)+(j+i)%len(sites)) * time.Second))
			}
			_, err = record.SubmitCase(s.as("owner"), &trigonev1.SubmitCaseRequest{CaseFile: file, Parent: "sites/" + site})
			s.ok(err)
		}
	}
}

// page is one page of a list: its rows, each as the text that it sorts by and the row.
type page struct {
	rows   []proto.Message
	next   string
	counts proto.Message
}

// siteLists are the lists that may be asked over several sites.
func siteLists(s *trusted) map[string]func(subject, parent, token string, size int32) (page, error) {
	conn := s.conn("")
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	return map[string]func(subject, parent, token string, size int32) (page, error){
		"ListCases": func(subject, parent, token string, size int32) (page, error) {
			r, err := record.ListCases(s.as(subject), &trigonev1.ListCasesRequest{Parent: parent, PageToken: token, PageSize: size})
			return page{messages(r.GetCases()), r.GetNextPageToken(), nil}, err
		},
		"ListDiscrepancies": func(subject, parent, token string, size int32) (page, error) {
			r, err := audit.ListDiscrepancies(s.as(subject), &trigonev1.ListDiscrepanciesRequest{Parent: parent, PageToken: token, PageSize: size, IncludeCounts: true})
			return page{messages(r.GetDiscrepancies()), r.GetNextPageToken(), r.GetCounts()}, err
		},
		"ListComparisons": func(subject, parent, token string, size int32) (page, error) {
			r, err := audit.ListComparisons(s.as(subject), &trigonev1.ListComparisonsRequest{Parent: parent, PageToken: token, PageSize: size, IncludeCounts: true})
			return page{messages(r.GetComparisons()), r.GetNextPageToken(), r.GetCounts()}, err
		},
		"ListCaseFacts": func(subject, parent, token string, size int32) (page, error) {
			r, err := audit.ListCaseFacts(s.as(subject), &trigonev1.ListCaseFactsRequest{Parent: parent, PageToken: token, PageSize: size})
			return page{messages(r.GetFacts()), r.GetNextPageToken(), nil}, err
		},
		"FindImplants": func(subject, parent, token string, size int32) (page, error) {
			r, err := audit.FindImplants(s.as(subject), &trigonev1.FindImplantsRequest{Parent: parent, PageToken: token, PageSize: size, Maker: implantMaker})
			return page{messages(r.GetImplants()), r.GetNextPageToken(), nil}, err
		},
	}
}

// implantMaker is one whose rings the cases of put have.
const implantMaker = "Example Valve Works"

func messages[M proto.Message](list []M) (out []proto.Message) {
	for _, m := range list {
		out = append(out, m)
	}
	return out
}

// all reads a list to its end; each is called with every token.
func (s *trusted) all(list func(subject, parent, token string, size int32) (page, error), subject, parent string, size int32, each func(token string)) (rows []string) {
	s.Helper()
	token := ""
	for range 10_000 {
		p, err := list(subject, parent, token, size)
		s.ok(err)
		for _, m := range p.rows {
			raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
			s.ok(err)
			rows = append(rows, string(raw))
		}
		if p.next == "" {
			return rows
		}
		if token = p.next; each != nil {
			each(token)
		}
	}
	s.Fatal("the list does not end")
	return nil
}

// inOrder says whether rows of one list are all there in another, in its order.
func inOrder(rows, of []string) bool {
	i := 0
	for _, row := range of {
		if i < len(rows) && rows[i] == row {
			i++
		}
	}
	return i == len(rows)
}

// sites/- is all of one's own: every list holds each row of those sites once, in the
// order of each, in pages of whatever size, and of a site without rights nothing, in no
// row, count or token.
func TestOwnSitesAreOneList(t *testing.T) {
	s := threeSites(t)
	record := trigonev1.NewRecordServiceClient(s.conn(""))
	s.put(record, 1, "harbour", "island", "bay")
	s.put(record, 4, "bay", "harbour")
	lists := siteLists(s)
	whole := map[string][]string{}
	for name, list := range lists {
		bay, harbour := s.all(list, "two", "sites/bay", 500, nil), s.all(list, "two", "sites/harbour", 500, nil)
		if len(bay) < 4 || len(harbour) < 4 {
			t.Fatalf("%s: %d and %d rows tell nothing", name, len(bay), len(harbour))
		}
		for _, size := range []int32{1, 2, 3, 500} {
			got := s.all(list, "two", "sites/-", size, func(token string) {
				raw, err := base64.RawURLEncoding.DecodeString(token)
				s.ok(err)
				if strings.Contains(string(raw), "island") || strings.Contains(string(raw), "sites") {
					t.Errorf("%s: a token tells of a site: %q", name, raw)
				}
			})
			if len(got) != len(bay)+len(harbour) || !inOrder(bay, got) || !inOrder(harbour, got) {
				t.Errorf("%s in pages of %d: %d rows, of %d and %d", name, size, len(got), len(bay), len(harbour))
			}
			if whole[name] == nil {
				whole[name] = got
			}
			if !slices.Equal(got, whole[name]) {
				t.Errorf("%s in pages of %d is another list", name, size)
			}
			if strings.Contains(strings.Join(got, ""), "sites/island") {
				t.Errorf("%s tells of a site without rights", name)
			}
		}
		// One who has the right at one of his sites sees that one.
		if name != "ListCases" && name != "FindImplants" {
			if got := s.all(list, "uneven", "sites/-", 500, nil); !slices.Equal(got, bay) {
				t.Errorf("%s by one who audits at one site: %d rows, want %d", name, len(got), len(bay))
			}
		}
	}
	// Both sites are in the first rows: nothing is listed site by site.
	if head := strings.Join(whole["ListCaseFacts"][:4], ""); !strings.Contains(head, "sites/bay/") || !strings.Contains(head, "sites/harbour/") {
		t.Error("the list goes site by site")
	}
	for _, name := range []string{"ListDiscrepancies", "ListComparisons"} {
		var counts []proto.Message
		for _, parent := range []string{"sites/bay", "sites/harbour", "sites/-"} {
			p, err := lists[name]("two", parent, "", 1)
			s.ok(err)
			counts = append(counts, p.counts)
		}
		s.sums(name, counts)
	}
	// What is written at a site without rights changes nothing, tokens included.
	tokens := func() (list []string) {
		for _, name := range []string{"ListCases", "ListDiscrepancies", "ListComparisons", "ListCaseFacts", "FindImplants"} {
			list = append(list, s.all(lists[name], "two", "sites/-", 2, func(token string) { list = append(list, token) })...)
		}
		return list
	}
	before := tokens()
	s.put(record, 7, "island")
	if !slices.Equal(before, tokens()) {
		t.Error("what is written at a site without rights changes the answers")
	}
}

// sums holds the counts of sites against those of all of them.
func (s *trusted) sums(name string, counts []proto.Message) {
	s.Helper()
	text := func(m proto.Message) map[string]int64 {
		out := map[string]int64{}
		flatten("", m.ProtoReflect(), out)
		return out
	}
	a, b, both := text(counts[0]), text(counts[1]), text(counts[2])
	if len(both) < 4 {
		s.Fatalf("%s: counts tell nothing: %v", name, both)
	}
	for field, n := range both {
		if n != a[field]+b[field] || n == 0 {
			s.Errorf("%s: %s is %d of %d and %d", name, field, n, a[field], b[field])
		}
	}
}

// Who asks over his sites leaves a line at each, and none elsewhere; each says how many
// of its own cases were told of.
func TestEachSiteHasItsLine(t *testing.T) {
	s := threeSites(t)
	conn := s.conn("")
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	s.put(record, 1, "harbour", "island", "bay")
	s.put(record, 4, "bay")
	_, err := audit.ListCaseFacts(s.as("two"), &trigonev1.ListCaseFactsRequest{Parent: "sites/-"})
	s.ok(err)
	told := func(subject, parent string) (list []string) {
		page, err := audit.ListAccesses(s.as(subject), &trigonev1.ListAccessesRequest{Parent: parent, Caller: "two"})
		s.ok(err)
		for _, a := range page.GetAccesses() {
			if a.GetMethod() == "AuditService/ListCaseFacts" {
				list = append(list, fmt.Sprint(a.GetCaseCount(), " ", a.GetOutcome()))
			}
		}
		return list
	}
	for deadline := time.Now().Add(10 * time.Second); len(told("two", "sites/harbour")) == 0 && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		continue
	}
	for parent, want := range map[string][]string{"sites/bay": {"6 OK"}, "sites/harbour": {"3 OK"}} {
		if got := told("two", parent); !slices.Equal(got, want) {
			t.Errorf("lines at %s: %v, want %v", parent, got, want)
		}
	}
	if got := told("owner", "sites/island"); len(got) != 0 {
		t.Errorf("lines at a site that was not asked: %v", got)
	}
	both := told("two", "sites/-")
	if slices.Sort(both); !slices.Equal(both, []string{"3 OK", "6 OK"}) {
		t.Errorf("lines at both: %v", both)
	}
}

// What one answer cannot be drawn from several sites for is refused with what to do, and
// so is a token of another list.
func TestWhatIsAskedOfOneSite(t *testing.T) {
	s := threeSites(t)
	conn := s.conn("")
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	s.put(record, 1, "harbour", "island", "bay")
	number := &trigonev1.Identifier{System: "urn:example:harbour-hospital:case", Value: "MV-1"}
	_, cases := record.ListCases(s.as("two"), &trigonev1.ListCasesRequest{})
	_, changes := record.ListChanges(s.as("two"), &trigonev1.ListChangesRequest{Parent: "sites/-"})
	_, one := record.GetCase(s.as("two"), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Parent: "sites/-", ExternalIdentifier: number}})
	_, twice := audit.ListCaseFacts(s.as("two"), &trigonev1.ListCaseFactsRequest{Parent: "sites/-", Case: &trigonev1.CaseReference{ExternalIdentifier: number}})
	for what, tt := range map[string]struct {
		err  error
		says string
	}{
		"a list that names no site":         {cases, "or sites/- for all of them"},
		"changes":                           {changes, "numbered by each site"},
		"a case by its number":              {one, "sites/bay, sites/harbour"},
		"a case number that two sites gave": {twice, "give its name, or one of sites/bay, sites/harbour"},
	} {
		if status.Code(tt.err) != codes.InvalidArgument || !strings.Contains(tt.err.Error(), tt.says) || strings.Contains(tt.err.Error(), "island") {
			t.Errorf("%s: %v", what, tt.err)
		}
	}
	// A case is found at whichever of one's sites it is.
	facts, err := audit.ListCaseFacts(s.as("two"), &trigonev1.ListCaseFactsRequest{Parent: "sites/-", Case: &trigonev1.CaseReference{Parent: "sites/bay", ExternalIdentifier: number}})
	if err != nil || len(facts.GetFacts()) != 1 {
		t.Errorf("of one of them: %v, %v", facts, err)
	}
	s.put(record, 7, "bay")
	s.put(record, 10, "island")
	number.Value = "MV-7"
	if facts, err := audit.ListCaseFacts(s.as("two"), &trigonev1.ListCaseFactsRequest{Parent: "sites/-", Case: &trigonev1.CaseReference{ExternalIdentifier: number}}); err != nil || len(facts.GetFacts()) != 1 {
		t.Errorf("by its number: %v, %v", facts, err)
	}
	for _, value := range []string{"MV-10", "MV-99"} { // one of a foreign site, and none
		number.Value = value
		if _, err := audit.ListCaseFacts(s.as("two"), &trigonev1.ListCaseFactsRequest{Parent: "sites/-", Case: &trigonev1.CaseReference{ExternalIdentifier: number}}); status.Code(err) != codes.NotFound {
			t.Errorf("%s: %v", value, err)
		}
	}
	for name, list := range siteLists(s) {
		p, err := list("two", "sites/-", "", 1)
		s.ok(err)
		if _, err := list("same", "sites/-", p.next, 1); err != nil {
			t.Errorf("%s: a token of the same sites: %v", name, err)
		}
		for _, parent := range []string{"sites/bay", "sites/harbour"} {
			if _, err := list("two", parent, p.next, 1); status.Code(err) != codes.InvalidArgument {
				t.Errorf("%s: a token of two sites at %s: %v", name, parent, err)
			}
			of, err := list("two", parent, "", 1)
			s.ok(err)
			if _, err := list("two", "sites/-", of.next, 1); of.next != "" && status.Code(err) != codes.InvalidArgument {
				t.Errorf("%s: a token of %s at both: %v", name, parent, err)
			}
		}
	}
}

// An export over one's own sites holds what the exports of each hold, and goes on from
// its token with what changed at either.
func TestExportOverOwnSites(t *testing.T) {
	s := threeSites(t)
	conn := s.conn("")
	record := trigonev1.NewRecordServiceClient(conn)
	s.put(record, 1, "harbour", "island", "bay")
	export := func(subject, parent, since string) (lines []string, end *trigonev1.ExportEnd, done *trigonev1.ExportProgress) {
		stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(s.as(subject), &trigonev1.ExportResourcesRequest{Parent: parent, Since: since})
		s.ok(err)
		for {
			part, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				slices.Sort(lines)
				return lines, end, done
			}
			s.ok(err)
			if part.GetEnd() != nil {
				end = part.GetEnd()
			}
			if part.GetProgress() != nil {
				done = part.GetProgress()
			}
			lines = append(lines, slices.Collect(strings.Lines(part.GetChunk().GetNdjson()))...)
		}
	}
	bay, _, _ := export("two", "sites/bay", "")
	harbour, atHarbour, _ := export("two", "sites/harbour", "")
	both, end, done := export("two", "sites/-", "")
	want := slices.Concat(bay, harbour)
	slices.Sort(want)
	if len(bay) < 100 || !slices.Equal(both, want) {
		t.Errorf("%d lines, of %d and %d", len(both), len(bay), len(harbour))
	}
	total := int64(0)
	for _, c := range end.GetCounts() {
		total += c.GetCount()
	}
	if total != int64(len(both)) || done.GetCasesDone() != 6 || done.GetCasesTotal() != 6 {
		t.Errorf("%d lines are counted, %d are there; %v", total, len(both), done)
	}
	raw, err := base64.RawURLEncoding.DecodeString(end.GetNextSince())
	s.ok(err)
	if strings.Contains(string(raw), "island") {
		t.Errorf("a token tells of a site without rights: %q", raw)
	}
	s.put(record, 7, "island")
	if more, again, _ := export("two", "sites/-", end.GetNextSince()); len(more) != 0 || again.GetNextSince() != end.GetNextSince() {
		t.Errorf("what is written elsewhere is exported: %d lines", len(more))
	}
	s.put(record, 4, "bay")
	more, next, _ := export("two", "sites/-", end.GetNextSince())
	alone, _, _ := export("two", "sites/bay", "")
	if len(more) != len(alone)-len(bay) || len(more) == 0 {
		t.Errorf("%d lines more, want %d", len(more), len(alone)-len(bay))
	}
	if last, _, _ := export("two", "sites/-", next.GetNextSince()); len(last) != 0 {
		t.Errorf("%d lines at the end", len(last))
	}
	stream, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(s.as("two"), &trigonev1.ExportResourcesRequest{Parent: "sites/-", Since: atHarbour.GetNextSince()})
	s.ok(err)
	if _, err := stream.Recv(); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a token of one site for both: %v", err)
	}
	if one, _, _ := export("uneven", "sites/-", ""); !slices.Equal(one, alone) {
		t.Errorf("by one who may export at one site: %d lines, want %d", len(one), len(alone))
	}
}

// flatten gives the numbers of a message by their path; those of a list by the word that
// each element counts.
func flatten(path string, m protoreflect.Message, out map[string]int64) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		here := path + "." + string(fd.Name())
		switch {
		case fd.IsList():
			for i := range v.List().Len() {
				e := v.List().Get(i).Message().Interface().(*trigonev1.VerdictCount)
				out[here+"."+e.GetVerdict().String()] = int64(e.GetCount())
			}
		case fd.Message() != nil:
			flatten(here, v.Message(), out)
		default:
			out[here] = v.Int()
		}
		return true
	})
}

// Who operated or signed is selected by auditors, and by everybody for himself: by the
// pseudonyms that the deployment file ties to him at that site.
func TestSelectingByStaff(t *testing.T) {
	s := trust(t, func(text string) string {
		return text + "  own: {token_subjects: [own], rights: {harbour: {roles: [reader], operators: [op-1, op-7]}, bay: {roles: [reader]}}}\n"
	})
	file, err := testdata.Read(testdata.Cases, "saddle-annulus")
	s.ok(err)
	operators := file.GetOperation().GetSetting().GetOperators()
	if len(operators) < 2 {
		t.Fatal("the case has too few operators")
	}
	operators[0].Pseudonym, operators[1].Pseudonym, file.Plan.Signer = "op-1", "op-2", "op-1"
	for _, site := range twoSites {
		_, err := trigonev1.NewRecordServiceClient(s.conn("")).SubmitCase(s.as("both"), &trigonev1.SubmitCaseRequest{CaseFile: file, Parent: "sites/" + site})
		s.ok(err)
	}
	again, err := testdata.Read(testdata.Cases, "recurrence")
	s.ok(err)
	again.GetOperation().GetSetting().GetOperators()[0].Pseudonym = "op-1"
	_, err = trigonev1.NewRecordServiceClient(s.conn("")).SubmitCase(s.as("both"), &trigonev1.SubmitCaseRequest{CaseFile: again, Parent: "sites/harbour"})
	s.ok(err)
	web := s.web("")
	total := func(subject, path string) (int, string) {
		code, body, _ := s.do(web, s.request(http.MethodGet, path+"&_summary=count", s.token(subject, nil)))
		_, n, _ := strings.Cut(body, `"total":`)
		n, _, _ = strings.Cut(n, "}")
		if code != http.StatusOK {
			if strings.Contains(body, "op-") || strings.Contains(body, "missing=") {
				t.Errorf("a refusal repeats what was asked: %s", body)
			}
			return code, body
		}
		return code, n
	}
	const performer, requester = "Procedure?performer.identifier=", "ServiceRequest?requester:identifier="
	for _, tt := range []struct {
		subject, path string
		ok            bool
		why           string
	}{
		{"harbour-auditor", "harbour/" + performer + "op-1", true, "an auditor selects by anybody"},
		{"harbour-auditor", "harbour/" + performer + "op-2", true, "an auditor selects by anybody"},
		{"harbour-auditor", "harbour/" + requester + "op-1", true, "an auditor selects by anybody"},
		{"own", "harbour/" + performer + "op-1", true, "it is himself"},
		{"own", "harbour/" + performer + "op-1,op-7", true, "both are himself"},
		{"own", "harbour/" + requester + "op-1", true, "it is himself"},
		{"own", "harbour/" + performer + "op-2", false, "it is somebody else"},
		{"own", "harbour/" + performer + "op-1,op-2", false, "one of them is somebody else"},
		{"own", "harbour/" + performer + "op-1&performer.identifier=op-2", false, "with whom he operated is somebody else"},
		{"own", "harbour/Procedure?performer:missing=true", false, "that tells of everybody"},
		{"own", "bay/" + performer + "op-1", false, "the pseudonym is not his at that site"},
		{"harbour-reader", "harbour/" + performer + "op-1", false, "he is no auditor"},
		{"harbour-planner", "harbour/" + performer + "nobody", false, "whether there is somebody is not told either"},
		{"harbour-reviewer", "harbour/" + requester + "op-1", false, "he is no auditor"},
	} {
		code, said := total(tt.subject, tt.path)
		switch {
		case !tt.ok && (code != http.StatusForbidden || !strings.Contains(said, "OperationOutcome") || !strings.Contains(said, "auditor")):
			t.Errorf("%s asks %s: %d %s; %s", tt.subject, tt.path, code, said, tt.why)
		case tt.ok && (code != http.StatusOK || said == "0" || said == ""):
			t.Errorf("%s asks %s: %d %s; %s", tt.subject, tt.path, code, said, tt.why)
		}
	}
	// The same by POST, and on a page behind the first.
	req := s.request(http.MethodPost, "harbour/Procedure/_search", s.token("own", nil))
	req.Body = io.NopCloser(strings.NewReader("performer.identifier=op-2"))
	if code, _, _ := s.do(web, req); code != http.StatusForbidden {
		t.Errorf("by POST: %d", code)
	}
	code, body, _ := s.do(web, s.request(http.MethodGet, "harbour/"+performer+"op-1&_count=1", s.token("own", nil)))
	_, next, more := strings.Cut(body, `"relation":"next","url":"`)
	if code != http.StatusOK || !more {
		t.Fatalf("no page behind the first: %d %s", code, body)
	}
	next, _, _ = strings.Cut(next, `"`)
	_, next, _ = strings.Cut(strings.ReplaceAll(next, `\u0026`, "&"), "/fhir/")
	for subject, want := range map[string]int{"own": http.StatusOK, "harbour-auditor": http.StatusOK, "harbour-reader": http.StatusForbidden} {
		if code, _, _ := s.do(web, s.request(http.MethodGet, next, s.token(subject, nil))); code != want {
			t.Errorf("%s takes the next page: %d, want %d", subject, code, want)
		}
	}
}

// Who looked is exported as AuditEvent to auditors alone, only if it is asked for, and
// goes on from where it ended.
func TestExportOfWhoLooked(t *testing.T) {
	s := threeSites(t)
	conn := s.conn("")
	record, handover := trigonev1.NewRecordServiceClient(conn), trigonev1.NewElectronicRecordServiceClient(conn)
	s.put(record, 1, "harbour", "island", "bay")
	export := func(subject, parent, since string, types ...string) (lines []string, next string, err error) {
		stream, err := handover.ExportResources(s.as(subject), &trigonev1.ExportResourcesRequest{Parent: parent, Since: since, ResourceTypes: types})
		s.ok(err)
		for {
			part, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return lines, next, nil
			}
			if err != nil {
				return lines, next, err
			}
			lines = append(lines, slices.Collect(strings.Lines(part.GetChunk().GetNdjson()))...)
			next += part.GetEnd().GetNextSince()
		}
	}
	name := s.all(siteLists(s)["ListCases"], "two", "sites/harbour", 1, nil)
	if len(name) == 0 {
		t.Fatal("no case")
	}
	cases, err := record.ListCases(s.as("two"), &trigonev1.ListCasesRequest{Parent: "sites/harbour", PageSize: 1})
	s.ok(err)
	uid := cases.GetCases()[0].GetName()
	_, err = record.GetCase(s.as("two"), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: uid}})
	s.ok(err)
	uid = uid[strings.LastIndexByte(uid, '/')+1:]
	all, _, err := export("two", "sites/harbour", "")
	s.ok(err)
	if text := strings.Join(all, ""); len(all) < 100 || strings.Contains(text, "AuditEvent") {
		t.Error("who looked is in an export that did not ask for it")
	}
	var lines []string
	var next string
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		lines, next, err = export("two", "sites/harbour", "", fhirmap.TypeAuditEvent)
		s.ok(err)
		if strings.Contains(strings.Join(lines, ""), "ElectronicRecordService/ExportResources") {
			break
		}
	}
	text := strings.Join(lines, "")
	for _, want := range []string{`"value":"two"`, `"value":"owner"`, "RecordService/GetCase", uid, "RecordService/SubmitCase"} {
		if !strings.Contains(text, want) {
			t.Errorf("who looked does not say %s", want)
		}
	}
	for _, never := range []string{"P-00", "MV-", "sites/bay", "island", "Observation"} {
		if strings.Contains(text, never) {
			t.Errorf("who looked says %s", never)
		}
	}
	if _, err := record.GetCase(s.as("two"), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: cases.GetCases()[0].GetName()}}); err != nil {
		t.Fatal(err)
	}
	var more []string
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline) && !strings.Contains(strings.Join(more, ""), "RecordService/GetCase"); time.Sleep(50 * time.Millisecond) {
		more, _, err = export("two", "sites/harbour", next, fhirmap.TypeAuditEvent)
		s.ok(err)
	}
	if len(more) == 0 || slices.ContainsFunc(more, func(line string) bool { return slices.Contains(lines, line) }) || strings.Count(strings.Join(more, ""), "RecordService/GetCase\"") != 1 {
		t.Errorf("what came since: %d lines", len(more))
	}
	both, _, err := export("two", "sites/-", "", fhirmap.TypeAuditEvent, "Procedure")
	s.ok(err)
	if text := strings.Join(both, ""); !strings.Contains(text, `"site":"bay"`) || !strings.Contains(text, `"site":"harbour"`) || !strings.Contains(text, `"resourceType":"Procedure"`) || strings.Contains(text, `"site":"island"`) {
		t.Error("over one's own sites it is of both, beside what else is asked for, and of no other")
	}
	if _, _, err := export("harbour-reader", "sites/harbour", "", fhirmap.TypeAuditEvent); status.Code(err) != codes.PermissionDenied {
		t.Errorf("a reader exports who looked: %v", err)
	}
	if _, _, err := export("harbour-reader", "", "", "Procedure", fhirmap.TypeAuditEvent); status.Code(err) != codes.PermissionDenied {
		t.Errorf("a reader exports who looked beside something else: %v", err)
	}
	// The same over HTTP.
	web := s.web("")
	ask := func(subject, path string) (int, string, http.Header) {
		req := s.request(http.MethodGet, path, s.token(subject, nil))
		req.Header.Set("Prefer", "respond-async")
		return s.do(web, req)
	}
	if code, body, _ := ask("harbour-reader", "harbour/$export?_type=Procedure,AuditEvent"); code != http.StatusForbidden || !strings.Contains(body, "OperationOutcome") {
		t.Errorf("a reader exports who looked over HTTP: %d %s", code, body)
	}
	code, body, header := ask("harbour-auditor", "harbour/$export?_type=AuditEvent")
	if code != http.StatusAccepted {
		t.Fatal(code, body)
	}
	_, place, _ := strings.Cut(header.Get("Content-Location"), "/fhir/")
	for deadline := time.Now().Add(10 * time.Second); code != http.StatusOK && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		code, body, _ = ask("harbour-auditor", place)
	}
	_, file, _ := strings.Cut(body, `"type":"AuditEvent","url":"`)
	file, _, _ = strings.Cut(file, `"`)
	_, file, _ = strings.Cut(file, "/fhir/")
	if code, body, _ := ask("harbour-auditor", file); code != http.StatusOK || !strings.Contains(body, "RecordService/GetCase") || strings.Contains(body, `"site":"bay"`) {
		t.Errorf("the file of who looked: %d, %d bytes", code, len(body))
	}
}

// The line of a file that is fetched says of how many cases its export told.
func TestFileOfAnExportSaysHowManyCases(t *testing.T) {
	s := threeSites(t)
	conn := s.conn("")
	s.put(trigonev1.NewRecordServiceClient(conn), 1, "harbour", "bay")
	web := s.web("")
	ask := func(path string) (int, string, http.Header) {
		req := s.request(http.MethodGet, path, s.token("harbour-auditor", nil))
		req.Header.Set("Prefer", "respond-async")
		return s.do(web, req)
	}
	code, body, header := ask("harbour/$export?_type=Procedure")
	if code != http.StatusAccepted {
		t.Fatal(code, body)
	}
	_, place, _ := strings.Cut(header.Get("Content-Location"), "/fhir/")
	for deadline := time.Now().Add(10 * time.Second); code != http.StatusOK && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		code, body, _ = ask(place)
	}
	_, file, _ := strings.Cut(body, `"type":"Procedure","url":"`)
	file, _, _ = strings.Cut(file, `"`)
	_, file, _ = strings.Cut(file, "/fhir/")
	if code, _, _ := ask(file); code != http.StatusOK {
		t.Fatal(code)
	}
	var told []string
	for deadline := time.Now().Add(10 * time.Second); len(told) == 0 && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		page, err := trigonev1.NewAuditServiceClient(conn).ListAccesses(s.as("harbour-auditor"), &trigonev1.ListAccessesRequest{Caller: "harbour-auditor"})
		s.ok(err)
		for _, a := range page.GetAccesses() {
			if strings.Contains(a.GetMethod(), "$export-file") {
				told = append(told, fmt.Sprint(a.GetCaseCount(), " ", a.GetOutcome()))
			}
		}
	}
	if !slices.Equal(told, []string{"3 OK"}) {
		t.Errorf("lines of the file: %v", told)
	}
}
