package server

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4/jwt"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectiongrpc "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"trigone/internal/deployment"
	"trigone/internal/policy"
	"trigone/internal/trial"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server/fhirrest"
	"trigone/testdata"
)

// trusted is a server with identities: two sites, one identity for each role at each,
// one at both, and people who sign in by certificate.
type trusted struct {
	testing.TB
	dir       string
	authority *trial.Authority
	signer    trial.Signer
	running   *Running
	logs      *observer.ObservedLogs
	cases     map[string]string // a case of each site
}

// twoSites are the sites of a trusted server.
var twoSites = []string{"bay", "harbour"}

// deploymentOf writes the file; change is made to its text before.
func (s *trusted) deploymentOf(change func(string) string) string {
	var b strings.Builder
	b.WriteString(`listen: {grpc: "127.0.0.1:0", http: "127.0.0.1:0"}
tls: {certificate: server.pem, key: server.key, client_authority: authority.pem}
tokens: {issuer: urn:example:sign-in, audience: trigone, keys: keys.json}
store: {file: s.db}
sites: {bay: {policy: bay.yaml}, harbour: {policy: harbour.yaml}}
limits: {requests_per_second: 10000, burst: 10000, concurrent_calls: 100, heavy_calls: 50}
identities:
  both: {token_subjects: [both], rights: {bay: {roles: [recorder, reader, auditor]}, harbour: {roles: [recorder, reader, auditor]}}}
  quay: {certificate_subjects: ["CN=quay"], token_subjects: [quay], rights: {harbour: {roles: [planner, recorder], operators: [op-3]}}}
  mixed: {token_subjects: [mixed], rights: {bay: {roles: [recorder]}, harbour: {roles: [auditor]}}}
  slow: {token_subjects: [slow], rights: {harbour: {roles: [reader]}}, limits: {requests_per_second: 0.5, burst: 3}}
  narrow: {token_subjects: [narrow], rights: {harbour: {roles: [reader, planner]}}, limits: {concurrent_calls: 2, heavy_calls: 1}}
`)
	for _, site := range twoSites {
		for _, role := range deployment.Roles() {
			fmt.Fprintf(&b, "  %s-%s: {token_subjects: [%s-%s], rights: {%s: {roles: [%s]}}}\n", site, role, site, role, site, role)
		}
	}
	text := b.String()
	if change != nil {
		text = change(text)
	}
	path := filepath.Join(s.dir, "deployment.yaml")
	s.ok(os.WriteFile(path, []byte(text), 0o600))
	return path
}

func (s *trusted) ok(err error) {
	s.Helper()
	if err != nil {
		s.Fatal(err)
	}
}

func (s *trusted) write(name string, content []byte) {
	s.Helper()
	s.ok(os.WriteFile(filepath.Join(s.dir, name), content, 0o600))
}

func trust(t testing.TB, change func(string) string) *trusted {
	t.Helper()
	return trustAt(t, nil, change)
}

// trustAt is trust with a clock of the server's own.
func trustAt(t testing.TB, now func() time.Time, change func(string) string) *trusted {
	t.Helper()
	s := &trusted{TB: t, dir: t.TempDir(), cases: map[string]string{}}
	var err error
	s.authority, err = trial.NewAuthority("authority", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	s.ok(err)
	s.write("authority.pem", s.authority.PEM())
	s.certify()
	s.signer, err = trial.NewSigner("k")
	s.ok(err)
	set, err := trial.Set(s.signer)
	s.ok(err)
	s.write("keys.json", set)
	clinical, err := policy.BuiltIn()
	s.ok(err)
	s.write("harbour.yaml", []byte(clinical.Text))
	s.write("bay.yaml", []byte(strings.Replace(clinical.Text, "site: harbour", "site: bay", 1)))
	core, logs := observer.New(zapcore.DebugLevel)
	s.logs = logs
	s.running, err = Start(t.Context(), Options{Deployment: s.deploymentOf(change), Log: zap.New(core), Now: now})
	s.ok(err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := s.running.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return s
}

// certify gives the server a certificate.
func (s *trusted) certify() {
	certificate, key, err := s.authority.Issue(trial.Issued{
		Subject: pkix.Name{CommonName: "server"}, Hosts: []string{"127.0.0.1", "localhost"}, Server: true, From: time.Now().Add(-time.Hour), Until: time.Now().Add(time.Hour),
	})
	s.ok(err)
	s.write("server.key", key)
	s.write("server.pem", certificate)
}

// token signs one for somebody.
func (s *trusted) token(subject string, change func(*jwt.Claims)) string {
	s.Helper()
	c := jwt.Claims{Issuer: "urn:example:sign-in", Audience: jwt.Audience{"trigone"}, Subject: subject, Expiry: jwt.NewNumericDate(time.Now().Add(time.Hour))}
	if change != nil {
		change(&c)
	}
	token, err := s.signer.Token(c)
	s.ok(err)
	return token
}

// as gives a context in which somebody is signed in by token.
func (s *trusted) as(subject string) context.Context {
	s.Helper()
	return s.with(s.token(subject, nil))
}

func (s *trusted) with(token string) context.Context {
	return metadata.AppendToOutgoingContext(s.Context(), "authorization", "Bearer "+token)
}

// client gives the TLS of a client, with a certificate of this name; empty: none.
func (s *trusted) client(name string) *tls.Config {
	s.Helper()
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(s.authority.PEM())
	c := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	if name != "" {
		pair, err := s.authority.Pair(trial.Issued{Subject: pkix.Name{CommonName: name}, From: time.Now().Add(-time.Hour), Until: time.Now().Add(time.Hour)})
		s.ok(err)
		c.Certificates = []tls.Certificate{pair}
	}
	return c
}

func (s *trusted) dial(c credentials.TransportCredentials) *grpc.ClientConn {
	s.Helper()
	conn, err := grpc.NewClient(s.running.Addr(), grpc.WithTransportCredentials(c))
	s.ok(err)
	s.Cleanup(func() {
		if err := conn.Close(); err != nil {
			s.Error(err)
		}
	})
	return conn
}

func (s *trusted) conn(certificate string) *grpc.ClientConn {
	return s.dial(credentials.NewTLS(s.client(certificate)))
}

// fill puts one case on record at each site; both have the same case number.
func (s *trusted) fill(conn *grpc.ClientConn) {
	s.Helper()
	file, err := testdata.Read(testdata.Cases, "core-only")
	s.ok(err)
	for _, site := range twoSites {
		made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(s.as("both"), &trigonev1.SubmitCaseRequest{
			CaseFile: file, Parent: "sites/" + site,
		})
		s.ok(err)
		s.cases[site] = made.GetCaseName()
	}
}

// get asks FHIR over HTTP; who is empty for nobody.
func (s *trusted) request(method, path, token string) *http.Request {
	s.Helper()
	req, err := http.NewRequestWithContext(s.Context(), method, "https://"+s.running.RESTAddr()+"/fhir/"+path, nil)
	s.ok(err)
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	return req
}

func (s *trusted) do(c *http.Client, req *http.Request) (status int, body string, header http.Header) {
	s.Helper()
	resp, err := c.Do(req)
	s.ok(err)
	text, err := io.ReadAll(resp.Body)
	s.ok(errors.Join(err, resp.Body.Close()))
	return resp.StatusCode, string(text), resp.Header
}

func (s *trusted) web(certificate string) *http.Client {
	transport := &http.Transport{TLSClientConfig: s.client(certificate), ForceAttemptHTTP2: true}
	s.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport}
}

// states are the ways in which somebody comes, with what lets nobody in.
func (s *trusted) states(subject string) map[string]string {
	return map[string]string{
		"signed in":      s.token(subject, nil),
		"expired":        s.token(subject, func(c *jwt.Claims) { c.Expiry = jwt.NewNumericDate(time.Now().Add(-time.Hour)) }),
		"wrong audience": s.token(subject, func(c *jwt.Claims) { c.Audience = jwt.Audience{"elsewhere"} }),
		"none":           "",
	}
}

// naming gives requests of a method that name a site, each with what it says; for one
// that names none, the empty request.
func naming(method protoreflect.MethodDescriptor, site, caseName string) map[string]proto.Message {
	ways := asking(method, site)
	for way, m := range ways {
		if caseName == "" || strings.HasSuffix(way, "parent") {
			continue
		}
		field := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(strings.TrimSuffix(way, ".name")))
		if field.Message() == nil {
			m.ProtoReflect().Set(field, protoreflect.ValueOfString(caseName))
			continue
		}
		ref := m.ProtoReflect().Mutable(field).Message()
		ref.Set(ref.Descriptor().Fields().ByName("name"), protoreflect.ValueOfString(caseName))
	}
	if len(ways) == 0 {
		ways["nothing"] = dynamicpb.NewMessage(method.Input())
	}
	return ways
}

// Every RPC is walked with every role, about its own site and a foreign one, signed in
// and not: what the table says is what happens.
func TestTheTableOfRightsHoldsForEveryRPC(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	cells := 0
	for _, method := range declared() {
		call := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
		for _, role := range deployment.Roles() {
			for state, token := range s.states("harbour-" + string(role)) {
				ctx := s.Context()
				if token != "" {
					ctx = s.with(token)
				}
				for _, site := range twoSites {
					for way, req := range naming(method, site, s.cases[site]) {
						cells++
						got := status.Code(ask(ctx, conn, method, req))
						where := fmt.Sprintf("%s as %s, %s, about %s by %s", call, role, state, site, way)
						foreign := site != "harbour" && siteless[method.FullName()] == ""
						switch {
						case state != "signed in":
							if got != codes.Unauthenticated {
								t.Errorf("%s: %v", where, got)
							}
						case !rightOf[call].allows([]deployment.Role{role}):
							if got != codes.PermissionDenied {
								t.Errorf("%s: %v", where, got)
							}
						case foreign:
							if got != codes.NotFound {
								t.Errorf("%s: %v", where, got)
							}
						case slices.Contains([]codes.Code{codes.Unauthenticated, codes.PermissionDenied, codes.Internal, codes.Unimplemented, codes.Unknown, codes.NotFound}, got) && (got != codes.NotFound || way == "parent"):
							t.Errorf("%s: %v", where, got)
						}
					}
				}
			}
		}
	}
	t.Logf("%d cells of RPCs", cells)
}

// Roles count at their own site: who records at one and audits at another does neither
// where he does the other.
func TestRolesCountAtTheirSite(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	roles := map[string][]deployment.Role{"bay": may(recorder), "harbour": may(auditor)}
	for _, method := range declared() {
		if siteless[method.FullName()] != "" {
			continue
		}
		call := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
		for site, has := range roles {
			for way, req := range naming(method, site, s.cases[site]) {
				got := status.Code(ask(s.as("mixed"), conn, method, req)) != codes.PermissionDenied
				if want := rightOf[call].allows(has); got != want {
					t.Errorf("%s at %s by %s: allowed %v, want %v", call, site, way, got, want)
				}
			}
		}
	}
}

// What one may not call is refused by the headers of the call: before its body is read.
func TestRefusedBeforeTheBodyIsRead(t *testing.T) {
	s := trust(t, nil)
	d := newDoor(houses{"harbour": {}, "bay": {}}, s.running.keeper, zap.NewNop())
	submit := trigonev1.RecordService_SubmitCase_FullMethodName
	d.registered[submit] = true
	for subject, want := range map[string]codes.Code{"harbour-recorder": codes.OK, "harbour-reader": codes.PermissionDenied, "stranger": codes.Unauthenticated} {
		_, err := d.tap(t.Context(), &tap.Info{FullMethodName: submit, Header: metadata.Pairs("authorization", "Bearer "+s.token(subject, nil))})
		if status.Code(err) != want {
			t.Errorf("%s: %v, want %v", subject, err, want)
		}
	}
}

// The same of every address of FHIR over HTTP.
func TestTheTableOfRightsHoldsForEveryAddress(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	web := s.web("")
	id := s.procedure(web, "harbour")
	cells := 0
	for _, route := range fhirrest.Routes() {
		method, path := http.MethodGet, map[string]string{
			fhirrest.RouteMetadata: "metadata", fhirrest.RouteTerminology: "CodeSystem/step", fhirrest.RouteType: "Procedure", fhirrest.RouteSearch: "Procedure/_search",
			fhirrest.RouteRead: "Procedure/" + id, fhirrest.RouteVersion: "Procedure/" + id + "/_history/1",
			fhirrest.RouteByStaff: "Procedure?performer.identifier=op-3", fhirrest.RouteExport: "$export", fhirrest.RouteExportAccesses: "$export?_type=AuditEvent", fhirrest.RouteExportStatus: "$export-status/x", fhirrest.RouteExportFile: "$export-file/x/y",
		}[route]
		if path == "" {
			t.Errorf("%s is not walked; give an address of it here", route)
			continue
		}
		if route == fhirrest.RouteSearch {
			method = http.MethodPost
		}
		// What is asked of who may: there is no such version and no such export, and one is
		// begun by those only who do not wait for it.
		want, other := map[string]int{
			fhirrest.RouteVersion: http.StatusNotFound, fhirrest.RouteExport: http.StatusBadRequest, fhirrest.RouteExportAccesses: http.StatusBadRequest,
			fhirrest.RouteExportStatus: http.StatusNotFound, fhirrest.RouteExportFile: http.StatusNotFound,
		}[route]
		for _, role := range deployment.Roles() {
			for state, token := range s.states("harbour-" + string(role)) {
				for _, site := range append(slices.Clone(twoSites), "nowhere") {
					cells++
					got, body, header := s.do(web, s.request(method, site+"/"+path, token))
					where := fmt.Sprintf("%s as %s, %s, at %s: %d", path, role, state, site, got)
					allowed := rightOf[fhirRoute(route)].allows([]deployment.Role{role})
					switch {
					case state != "signed in":
						if got != http.StatusUnauthorized || header.Get("WWW-Authenticate") == "" {
							t.Error(where)
						}
					case site != "harbour":
						if got != http.StatusNotFound || strings.Contains(body, site) {
							t.Error(where)
						}
					case !allowed:
						if got != http.StatusForbidden {
							t.Error(where)
						}
					case got != http.StatusOK && (!other || got != want):
						t.Error(where)
					}
				}
			}
		}
	}
	t.Logf("%d cells of addresses", cells)
}

// procedure gives the id of a procedure on record at a site.
func (s *trusted) procedure(web *http.Client, site string) string {
	s.Helper()
	code, body, _ := s.do(web, s.request(http.MethodGet, site+"/Procedure?_count=1", s.token("both", nil)))
	var bundle struct {
		Entry []struct{ Resource struct{ ID string } }
	}
	if err := json.Unmarshal([]byte(body), &bundle); err != nil || code != http.StatusOK || len(bundle.Entry) == 0 {
		s.Fatalf("%d %v %s", code, err, body)
	}
	return bundle.Entry[0].Resource.ID
}

// A case at a site where one has no rights, and one that there is not, are answered in
// the same words: else one could ask which there are.
func TestAForeignCaseIsAsNone(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	for _, method := range declared() {
		call := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
		for _, role := range deployment.Roles() {
			ctx := s.as("harbour-" + string(role))
			foreign, none := naming(method, "bay", s.cases["bay"]), naming(method, "nowhere", "sites/nowhere/cases/00000000-0000-4000-8000-000000000000")
			for way := range foreign {
				a, b := status.Convert(ask(ctx, conn, method, foreign[way])), status.Convert(ask(ctx, conn, method, none[way]))
				if !proto.Equal(a.Proto(), b.Proto()) {
					t.Errorf("%s as %s by %s: %v, and of none %v", call, role, way, a, b)
				}
			}
		}
	}
	web := s.web("")
	id := s.procedure(web, "bay")
	_, foreign, _ := s.do(web, s.request(http.MethodGet, "bay/Procedure/"+id, s.token("harbour-reader", nil)))
	code, none, _ := s.do(web, s.request(http.MethodGet, "nowhere/Procedure/"+id, s.token("harbour-reader", nil)))
	_, here, _ := s.do(web, s.request(http.MethodGet, "harbour/Procedure/"+id, s.token("harbour-reader", nil)))
	if foreign != none || code != http.StatusNotFound || !strings.Contains(here, "not-found") {
		t.Errorf("%d %s, %s, %s", code, foreign, none, here)
	}
}

// Nothing of one site is listed, counted or followed from another.
func TestSitesAreApart(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	before := s.seenAt("harbour", record, audit)
	s.fill(conn)
	with := s.seenAt("harbour", record, audit)
	if before == with {
		t.Fatal("a case of the site itself is not seen, so that this test sees nothing")
	}
	for _, name := range []string{"functional-undersized", "triangular-complete-ring", "dies-in-theatre"} {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			continue // whichever there are
		}
		_, err = record.SubmitCase(s.as("both"), &trigonev1.SubmitCaseRequest{CaseFile: file, Parent: "sites/bay"})
		s.ok(err)
	}
	if after := s.seenAt("harbour", record, audit); after != with {
		t.Errorf("what is written at one site changes what is seen at another:\n%s\n%s", with, after)
	}
	if bay := s.seenAt("bay", record, audit); !strings.Contains(bay, s.cases["bay"]) || strings.Contains(bay, "sites/harbour") {
		t.Error("the other site sees of the first")
	}
	web := s.web("")
	id := s.procedure(web, "bay")
	if code, _, _ := s.do(web, s.request(http.MethodGet, "harbour/Procedure/"+id, s.token("both", nil))); code != http.StatusNotFound {
		t.Errorf("a resource of another site is read: %d", code)
	}
	code, body, _ := s.do(web, s.request(http.MethodGet, "harbour/Procedure?_id="+id+"&_total=accurate", s.token("both", nil)))
	if code != http.StatusOK || !strings.Contains(body, `"total":0`) {
		t.Errorf("a resource of another site is found: %d %s", code, body)
	}
}

// seenAt gives all that lists and searches say at a site.
func (s *trusted) seenAt(site string, record trigonev1.RecordServiceClient, audit trigonev1.AuditServiceClient) string {
	s.Helper()
	ctx, parent := s.as("both"), "sites/"+site
	var b strings.Builder
	keep := func(m proto.Message, err error) {
		s.Helper()
		s.ok(err)
		raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		s.ok(err)
		b.Write(raw)
	}
	cases, err := record.ListCases(ctx, &trigonev1.ListCasesRequest{Parent: parent})
	keep(cases, err)
	changes, err := record.ListChanges(ctx, &trigonev1.ListChangesRequest{Parent: parent})
	keep(changes, err)
	discrepancies, err := audit.ListDiscrepancies(ctx, &trigonev1.ListDiscrepanciesRequest{Parent: parent, IncludeCounts: true})
	keep(discrepancies, err)
	comparisons, err := audit.ListComparisons(ctx, &trigonev1.ListComparisonsRequest{Parent: parent, IncludeCounts: true})
	keep(comparisons, err)
	facts, err := audit.ListCaseFacts(ctx, &trigonev1.ListCaseFactsRequest{Parent: parent})
	keep(facts, err)
	_, body, _ := s.do(s.web(""), s.request(http.MethodGet, site+"/Observation?_summary=count", s.token("both", nil)))
	b.WriteString(body)
	return b.String()
}

// A page token, a cursor and a token of an export belong to the site that gave them.
func TestTokensOfPagesBelongToTheirSite(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	s.fill(conn)
	record := trigonev1.NewRecordServiceClient(conn)
	changes, err := record.ListChanges(s.as("both"), &trigonev1.ListChangesRequest{Parent: "sites/bay", PageSize: 1})
	s.ok(err)
	for site, want := range map[string]codes.Code{"bay": codes.OK, "harbour": codes.InvalidArgument} {
		if _, err := record.ListChanges(s.as("both"), &trigonev1.ListChangesRequest{Parent: "sites/" + site, Cursor: changes.GetNextCursor()}); status.Code(err) != want {
			t.Errorf("a cursor of bay at %s: %v", site, err)
		}
	}
}

// Who has rights at one site needs to name none; who has some at several says which.
func TestOnesOwnSite(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	record := trigonev1.NewRecordServiceClient(conn)
	for _, parent := range []string{"", "sites/-", "sites/bay"} {
		list, err := record.ListCases(s.as("bay-reader"), &trigonev1.ListCasesRequest{Parent: parent})
		if err != nil || len(list.GetCases()) != 1 || list.GetCases()[0].GetName() != s.cases["bay"] {
			t.Errorf("%q: %v, %v", parent, list, err)
		}
	}
	_, err := record.ListCases(s.as("both"), &trigonev1.ListCasesRequest{})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "sites/bay, sites/harbour") {
		t.Errorf("by one who has two: %v", err)
	}
	// One request that names two sites is of neither.
	_, err = record.FileQuarantined(s.as("harbour-reviewer"), &trigonev1.FileQuarantinedRequest{Parent: "sites/harbour", QuarantineId: "q", Decision: &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: s.cases["bay"]}})
	if status.Code(err) != codes.NotFound {
		t.Errorf("into a case of another site: %v", err)
	}
}

// Who asks is what was proved on this connection: no header says it.
func TestNoHeaderSaysWhoAsks(t *testing.T) {
	s := trust(t, nil)
	conn, web := s.conn(""), s.web("")
	for _, header := range []string{
		"x-forwarded-client-cert", "ssl-client-cert", "x-ssl-client-s-dn", "x-client-cert", "x-forwarded-user", "x-remote-user", "remote-user", "x-forwarded-for", "client-cert", "x-amzn-mtls-clientcert-subject",
	} {
		ctx := metadata.AppendToOutgoingContext(t.Context(), header, "CN=quay")
		if _, err := trigonev1.NewRecordServiceClient(conn).ListCases(ctx, &trigonev1.ListCasesRequest{}); status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", header, err)
		}
		req := s.request(http.MethodGet, "harbour/Procedure", "")
		req.Header.Set(header, "CN=quay")
		if code, _, _ := s.do(web, req); code != http.StatusUnauthorized {
			t.Errorf("%s over HTTP: %d", header, code)
		}
	}
}

// By certificate or by token it is the same identity: a request that is repeated in the
// other way is answered as it was.
func TestOneIdentityInTwoWays(t *testing.T) {
	s := trust(t, nil)
	byToken, byCertificate := trigonev1.NewRecordServiceClient(s.conn("")), trigonev1.NewRecordServiceClient(s.conn("quay"))
	file, err := testdata.Read(testdata.Cases, "core-only")
	s.ok(err)
	req := &trigonev1.SubmitCaseRequest{CaseFile: file, RequestId: "r-1"}
	first, err := byCertificate.SubmitCase(t.Context(), req)
	s.ok(err)
	again, err := byToken.SubmitCase(s.as("quay"), req)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("%v, %v", again, err)
	}
	list, err := byCertificate.ListRevisions(t.Context(), &trigonev1.ListRevisionsRequest{Case: &trigonev1.CaseReference{Name: first.GetCaseName()}})
	if err != nil || list.GetRevisions()[0].GetCaller() != "quay" {
		t.Errorf("%v, %v", list, err)
	}
	other, err := byToken.SubmitCase(s.as("harbour-recorder"), req)
	if proto.Equal(first, other) {
		t.Errorf("another identity is answered what was answered to this one: %v", err)
	}
	for why, ctx := range map[string]context.Context{
		"another's token beside it": s.as("harbour-reader"),
		"a token that is nothing":   s.with("nothing"),
		"two tokens":                metadata.AppendToOutgoingContext(s.as("quay"), "authorization", "Bearer "+s.token("quay", nil)),
		"another scheme":            metadata.AppendToOutgoingContext(t.Context(), "authorization", "Basic cXVheTpx"),
	} {
		if _, err := byCertificate.ListCases(ctx, &trigonev1.ListCasesRequest{}); status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", why, err)
		}
	}
	// A machine that is nobody here carries the tokens of others.
	if _, err := trigonev1.NewRecordServiceClient(s.conn("gateway")).ListCases(s.as("quay"), &trigonev1.ListCasesRequest{}); err != nil {
		t.Error(err)
	}
	if code, _, _ := s.do(s.web("quay"), s.request(http.MethodGet, "harbour/Procedure", "")); code != http.StatusOK {
		t.Errorf("by certificate over HTTP: %d", code)
	}
}

// One signs under one's own pseudonyms only.
func TestOneSignsAsOneself(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	s.fill(conn)
	sign := func(subject, signer string) error {
		_, err := trigonev1.NewElectronicRecordServiceClient(conn).SignOperativeNote(s.as(subject), &trigonev1.SignOperativeNoteRequest{
			Case: &trigonev1.CaseReference{Name: s.cases["harbour"]}, CaseVersion: 1, Signer: signer, Role: trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON,
		})
		return err
	}
	if err := sign("quay", "op-3"); status.Code(err) == codes.PermissionDenied {
		t.Errorf("as oneself: %v", err)
	}
	for _, tt := range [][2]string{{"quay", "op-4"}, {"harbour-planner", "op-3"}} {
		if err := sign(tt[0], tt[1]); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s as %s: %v", tt[0], tt[1], err)
		}
	}
}

// TLS 1.3 is spoken, 1.2 only if asked for, and nothing without TLS.
func TestWhatIsSpoken(t *testing.T) {
	for _, tt := range []struct {
		change func(string) string
		most   uint16
		ok     bool
	}{
		{nil, tls.VersionTLS13, true},
		{nil, tls.VersionTLS12, false},
		{func(text string) string { return strings.Replace(text, "tls: {", "tls: {allow_tls_1_2: true, ", 1) }, tls.VersionTLS12, true},
	} {
		s := trust(t, tt.change)
		for _, address := range []string{s.running.Addr(), s.running.RESTAddr()} {
			c := s.client("")
			c.MaxVersion, c.NextProtos = tt.most, []string{"h2"}
			dialer := tls.Dialer{Config: c}
			conn, err := dialer.DialContext(t.Context(), "tcp", address)
			if (err == nil) != tt.ok {
				t.Errorf("%s at most: %v", tls.VersionName(tt.most), err)
			}
			if err == nil {
				s.ok(conn.Close())
			}
		}
		ctx, cancel := context.WithTimeout(s.as("quay"), 5*time.Second)
		_, err := trigonev1.NewRecordServiceClient(s.dial(insecure.NewCredentials())).ListCases(ctx, &trigonev1.ListCasesRequest{})
		cancel()
		if status.Code(err) != codes.Unavailable {
			t.Errorf("without TLS: %v", err)
		}
		req := s.request(http.MethodGet, "harbour/Procedure", s.token("quay", nil))
		req.URL.Scheme = "http"
		if resp, err := http.DefaultClient.Do(req); err == nil {
			if s.ok(resp.Body.Close()); resp.StatusCode == http.StatusOK {
				t.Error("FHIR is served without TLS")
			}
		}
	}
}

// Certificates, keys and people change while the server runs.
func TestRenewedWhileItRuns(t *testing.T) {
	s := trust(t, nil)
	serial := func() string {
		dialer := tls.Dialer{Config: s.client("")}
		conn, err := dialer.DialContext(t.Context(), "tcp", s.running.RESTAddr())
		s.ok(err)
		defer func() { s.ok(conn.Close()) }()
		return conn.(*tls.Conn).ConnectionState().PeerCertificates[0].SerialNumber.String()
	}
	first := serial()
	byCertificate, byToken := trigonev1.NewRecordServiceClient(s.conn("quay")), trigonev1.NewRecordServiceClient(s.conn(""))
	asked := func() (certificate, token codes.Code) {
		_, a := byCertificate.ListCases(t.Context(), &trigonev1.ListCasesRequest{})
		_, b := byToken.ListCases(s.as("quay"), &trigonev1.ListCasesRequest{})
		return status.Code(a), status.Code(b)
	}
	if a, b := asked(); a != codes.OK || b != codes.OK {
		t.Fatal(a, b)
	}
	s.certify()
	s.running.keeper.Look(nil)
	if serial() == first {
		t.Error("the old certificate is shown")
	}
	next, err := trial.NewSigner("next")
	s.ok(err)
	set, err := trial.Set(next)
	s.ok(err)
	s.write("keys.json", set)
	s.running.keeper.Look(nil)
	if a, b := asked(); a != codes.OK || b != codes.Unauthenticated {
		t.Errorf("after the key of tokens was renewed: %v, %v", a, b)
	}
	s.signer = next
	// A connection that is open is of a person who is taken out meanwhile.
	s.deploymentOf(func(text string) string { return strings.Replace(text, `"CN=quay"`, `"CN=former"`, 1) })
	s.running.keeper.Look(nil)
	if a, b := asked(); a != codes.Unauthenticated || b != codes.OK {
		t.Errorf("after the certificate was taken out: %v, %v", a, b)
	}
	// A site that comes into the file is not served until the restart, and hurts nobody.
	s.deploymentOf(func(text string) string {
		return strings.Replace(strings.Replace(text, "sites: {", "sites: {cove: {policy: cove.yaml}, ", 1), "rights: {bay: {roles: [recorder", "rights: {cove: {roles: [reader]}, bay: {roles: [recorder", 1)
	})
	s.running.keeper.Look(nil)
	if _, err := byToken.ListCases(s.as("both"), &trigonev1.ListCasesRequest{Parent: "sites/cove"}); status.Code(err) != codes.NotFound {
		t.Errorf("a site that is not served yet: %v", err)
	}
	if _, err := byToken.ListCases(s.as("both"), &trigonev1.ListCasesRequest{Parent: "sites/bay"}); err != nil {
		t.Errorf("a site beside it: %v", err)
	}
}

func TestLimitsOfOneIdentity(t *testing.T) {
	s := trust(t, nil)
	conn := s.conn("")
	record := trigonev1.NewRecordServiceClient(conn)
	refused := func(err error) (delay time.Duration, ok bool) {
		st := status.Convert(err)
		for _, d := range st.Details() {
			if retry, is := d.(*errdetails.RetryInfo); is {
				delay = retry.GetRetryDelay().AsDuration()
			}
		}
		return delay, st.Code() == codes.ResourceExhausted
	}
	list := func(subject string) error {
		_, err := record.ListCases(s.as(subject), &trigonev1.ListCasesRequest{})
		return err
	}
	for range 3 {
		s.ok(list("slow"))
	}
	if delay, ok := refused(list("slow")); !ok || delay <= 0 || delay > 2*time.Second {
		t.Errorf("more than the limit: %v, again after %v", ok, delay)
	}
	code, _, header := s.do(s.web(""), s.request(http.MethodGet, "harbour/Procedure", s.token("slow", nil)))
	if code != http.StatusTooManyRequests || header.Get("Retry-After") == "" {
		t.Errorf("over HTTP: %d", code)
	}
	s.ok(list("harbour-reader")) // another's limit is his own
	// narrow may have two calls, one of them heavy.
	made := s.explored()
	explore := func() (context.CancelFunc, error) {
		ctx, cancel := context.WithCancel(s.as("narrow"))
		stream, err := trigonev1.NewPlanningServiceClient(conn).ExplorePlans(ctx, made)
		s.ok(err)
		_, err = stream.Recv()
		return cancel, err
	}
	first, err := explore()
	s.ok(err)
	if _, ok := refused(list("narrow")); ok {
		t.Error("a second call is refused")
	}
	second, err := explore()
	if _, ok := refused(err); !ok {
		t.Errorf("a second heavy call: %v", err)
	}
	second()
	first()
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		cancel, err := explore()
		cancel()
		if err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("what was ended stays taken: %v", err)
		}
	}
}

// explored gives an exploration that nobody reads to its end.
func (s *trusted) explored() *trigonev1.ExplorePlansRequest {
	s.Helper()
	wide := heights(s.TB, 0.001)
	wide.MaxVariants = 100000
	return wide
}

func TestPlacesAreGivenBack(t *testing.T) {
	l := newLimits()
	who := &deployment.Identity{Name: "x", Limits: deployment.Limits{RequestsPerSecond: 1, Burst: 2, ConcurrentCalls: 1, HeavyCalls: 1}}
	end, err := l.of(who).call()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.of(who).call(); err == nil {
		t.Error("more calls than the limit")
	}
	end()
	if _, err := l.of(who).call(); err != nil {
		t.Error(err)
	}
	now := time.Now()
	for i, want := range []bool{true, true, false} {
		if err := l.of(who).request(now); (err == nil) != want {
			t.Errorf("request %d: %v", i, err)
		}
	}
	if err := l.of(who).request(now.Add(time.Second)); err != nil {
		t.Error(err)
	}
	wider := &deployment.Identity{Name: "x", Limits: deployment.Limits{RequestsPerSecond: 1, Burst: 100, ConcurrentCalls: 5, HeavyCalls: 1}}
	for range 50 {
		if err := l.of(wider).request(now.Add(time.Minute)); err != nil {
			t.Fatal("a limit that was raised is not in force")
		}
	}
	for range 1000 { // local has none
		if _, err := l.of(&deployment.Identity{Name: localName}).call(); err != nil {
			t.Fatal(err)
		}
	}
}

// What the contract is is told outside loopback only where it is asked for, and never
// to strangers.
func TestReflection(t *testing.T) {
	ask := func(s *trusted, ctx context.Context) codes.Code {
		_, port, err := net.SplitHostPort(s.running.Addr())
		s.ok(err)
		conn, err := grpc.NewClient("127.0.0.1:"+port, grpc.WithTransportCredentials(credentials.NewTLS(s.client(""))))
		s.ok(err)
		defer func() { s.ok(conn.Close()) }()
		stream, err := reflectiongrpc.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
		s.ok(err)
		_ = stream.Send(&reflectiongrpc.ServerReflectionRequest{MessageRequest: &reflectiongrpc.ServerReflectionRequest_ListServices{}})
		_, err = stream.Recv()
		return status.Code(err)
	}
	open := func(more string) func(string) string {
		return func(text string) string {
			return strings.Replace(text, `listen: {grpc: "127.0.0.1:0", http: "127.0.0.1:0"}`, `listen: {grpc: "0.0.0.0:0"}`+more, 1)
		}
	}
	for _, tt := range []struct {
		why              string
		change           func(string) string
		known, strangers codes.Code
	}{
		{"loopback", nil, codes.OK, codes.Unauthenticated},
		{"outside loopback", open(""), codes.Unimplemented, codes.Unimplemented},
		{"outside loopback, asked for", open("\nreflection: true"), codes.OK, codes.Unauthenticated},
	} {
		s := trust(t, tt.change)
		if got := ask(s, s.as("quay")); got != tt.known {
			t.Errorf("%s: %v to who is signed in", tt.why, got)
		}
		if got := ask(s, t.Context()); got != tt.strangers {
			t.Errorf("%s: %v to strangers", tt.why, got)
		}
	}
}

// Health is told to anybody, and nothing else.
func TestHealthNeedsNoSignIn(t *testing.T) {
	s := trust(t, nil)
	resp, err := healthgrpc.NewHealthClient(s.conn("")).Check(t.Context(), &healthgrpc.HealthCheckRequest{})
	if err != nil || resp.GetStatus() != healthgrpc.HealthCheckResponse_SERVING {
		t.Errorf("%v, %v", resp, err)
	}
}

// No token and no case is in a log or an address, and what is of a patient is kept by
// nobody on the way.
func TestNothingSecretInLogsAndAddresses(t *testing.T) {
	s := trust(t, nil)
	conn, web := s.conn(""), s.web("")
	s.fill(conn)
	secrets := []string{s.token("harbour-reader", nil), "c2VjcmV0LXNpZ25hdHVyZQ", s.token("stranger", nil)}
	for _, secret := range secrets {
		_, _ = trigonev1.NewRecordServiceClient(conn).GetCase(s.with(secret), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: s.cases["harbour"]}})
		s.do(web, s.request(http.MethodGet, "harbour/Procedure", secret))
		code, body, _ := s.do(web, s.request(http.MethodGet, "harbour/Procedure?access_token="+secret, ""))
		if code != http.StatusUnauthorized || strings.Contains(body, secret) {
			t.Errorf("a token in an address: %d %s", code, body)
		}
		code, body, _ = s.do(web, s.request(http.MethodGet, "harbour/Procedure?access_token=x", s.token("harbour-reader", nil)))
		if code != http.StatusUnauthorized {
			t.Errorf("a token in an address beside another: %d %s", code, body)
		}
	}
	var said bytes.Buffer
	encoder := zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig())
	for _, e := range s.logs.All() {
		line, err := encoder.EncodeEntry(e.Entry, e.Context)
		s.ok(err)
		said.Write(line.Bytes())
	}
	for _, secret := range append(secrets, strings.Split(secrets[0], ".")[2], s.cases["harbour"]) {
		if strings.Contains(said.String(), secret) {
			t.Errorf("the log tells %.20s...", secret)
		}
	}
	if !strings.Contains(said.String(), `"caller":"harbour-reader"`) || !strings.Contains(said.String(), `"caller":"nobody"`) {
		t.Error("the log does not say who called")
	}
	for path, want := range map[string]string{"Procedure": "no-store", "Procedure/" + s.procedure(web, "harbour"): "no-store", "metadata": "private, no-cache"} {
		_, _, header := s.do(web, s.request(http.MethodGet, "harbour/"+path, s.token("harbour-reader", nil)))
		if header.Get("Cache-Control") != want {
			t.Errorf("%s: %q", path, header.Get("Cache-Control"))
		}
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Strict-Transport-Security": "max-age=31536000",
			"Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if header.Get(name) != want {
				t.Errorf("%s: %s is %q", path, name, header.Get(name))
			}
		}
	}
}

// Without a deployment file whoever is on the machine is local, and every listener is
// on loopback.
func TestWithoutADeploymentFileOnlyLoopback(t *testing.T) {
	for _, o := range []Options{{Listen: "0.0.0.0:0"}, {Listen: "127.0.0.1:0", HTTPListen: "0.0.0.0:0"}, {Listen: "192.0.2.1:0"}} {
		o.StorePath = filepath.Join(t.TempDir(), "s.db")
		if running, err := Start(t.Context(), o); !errors.Is(err, ErrNotLoopback) {
			t.Errorf("%+v: %v", o, err)
			if err == nil {
				_ = running.Stop(t.Context())
			}
		}
	}
}

func TestFaultsOfADeploymentAreToldBeforeItServes(t *testing.T) {
	s := trust(t, nil)
	for why, change := range map[string]func(string) string{
		"policy of another site": func(text string) string { return strings.Replace(text, "policy: bay.yaml", "policy: harbour.yaml", 1) },
		"cannot be read":         func(text string) string { return strings.Replace(text, "keys: keys.json", "keys: none.json", 1) },
		"read the policy":        func(text string) string { return strings.Replace(text, "policy: bay.yaml", "policy: none.yaml", 1) },
		"can be reached from other": func(text string) string {
			return strings.Replace(strings.Replace(text, "tls: {", "#", 1), `grpc: "127.0.0.1:0"`, `grpc: "0.0.0.0:0"`, 1)
		},
	} {
		path := s.deploymentOf(change)
		_, checked := CheckDeployment(path)
		running, err := Start(t.Context(), Options{Deployment: path})
		if err == nil {
			_ = running.Stop(t.Context())
		}
		for _, err := range []error{checked, err} {
			if why == "policy of another site" {
				why = "that of site harbour, not of bay"
			}
			if err == nil || !strings.Contains(err.Error(), why) || !strings.Contains(err.Error(), "deployment.yaml:") {
				t.Errorf("%s: %v", why, err)
			}
		}
	}
}

// Whoever may read a case sees who operated in it. An export of many cases says it only
// where the site has consented, since it is all that is needed to count by operator.
func TestExportsSayWhoOperatedByConsentOnly(t *testing.T) {
	s := trust(t, func(text string) string {
		return strings.Replace(text, "harbour: {policy: harbour.yaml}", "harbour: {policy: harbour.yaml, operators_in_exports: true}", 1)
	})
	conn := s.conn("")
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	s.ok(err)
	file.Operation.Setting.Operators = []*trigonev1.Operator{{Pseudonym: "op-quay", Role: trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON}}
	file.Plan.Signer = "op-quay"
	for _, site := range twoSites {
		made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(s.as("both"), &trigonev1.SubmitCaseRequest{CaseFile: file, Parent: "sites/" + site})
		s.ok(err)
		said := map[string]string{}
		bundle, err := trigonev1.NewElectronicRecordServiceClient(conn).GetBundle(s.as("both"), &trigonev1.GetBundleRequest{Case: &trigonev1.CaseReference{Name: made.GetCaseName()}})
		s.ok(err)
		said["bundle"] = bundle.GetBundle()
		export, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(s.as("both"), &trigonev1.ExportResourcesRequest{Parent: "sites/" + site})
		s.ok(err)
		for {
			answer, err := export.Recv()
			if errors.Is(err, io.EOF) {
				break
			}
			s.ok(err)
			said["export"] += answer.GetChunk().GetNdjson()
		}
		_, said["search"], _ = s.do(s.web(""), s.request(http.MethodGet, site+"/Procedure", s.token("both", nil)))
		for what, text := range said {
			if want := what != "export" || site == "harbour"; strings.Contains(text, "op-quay") != want || len(text) < 1000 {
				t.Errorf("%s at %s says who operated: %v; %d bytes", what, site, !want, len(text))
			}
		}
	}
}

// Files of an export are those of who asked for it, and of no other who may export.
func TestExportsOfOthersAreNobodys(t *testing.T) {
	s := trust(t, nil)
	s.fill(s.conn(""))
	web := s.web("")
	ask := func(subject, path string) (int, string, http.Header) {
		req := s.request(http.MethodGet, path, s.token(subject, nil))
		req.Header.Set("Prefer", "respond-async")
		return s.do(web, req)
	}
	code, body, header := ask("harbour-reader", "harbour/$export")
	if code != http.StatusAccepted {
		t.Fatal(code, body)
	}
	_, place, _ := strings.Cut(header.Get("Content-Location"), "/fhir/")
	for subject, want := range map[string]int{"harbour-auditor": http.StatusNotFound, "both": http.StatusNotFound, "bay-reader": http.StatusNotFound, "harbour-planner": http.StatusForbidden} {
		if code, _, _ := ask(subject, place); code != want {
			t.Errorf("%s asks about the export of another: %d, want %d", subject, code, want)
		}
	}
	if code, _, _ := ask("harbour-reader", place); code != http.StatusOK && code != http.StatusAccepted {
		t.Errorf("one's own: %d", code)
	}
}
