package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	reflectiongrpc "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// start starts a server on a free loopback port and connects to it.
func start(t testing.TB) (*grpc.ClientConn, *observer.ObservedLogs) {
	t.Helper()
	conn, logs, _ := startWith(t, Options{})
	return conn, logs
}

func startWith(t testing.TB, o Options) (*grpc.ClientConn, *observer.ObservedLogs, *Running) {
	t.Helper()
	core, logs := observer.New(zapcore.DebugLevel)
	if o.StorePath == "" {
		o.StorePath = filepath.Join(t.TempDir(), "s.db")
	}
	o.Listen, o.Log = "127.0.0.1:0", zap.New(core)
	running, err := Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := running.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return conn, logs, running
}

// generic is a client that knows nothing but the address: it learns the contract
// through reflection, as an integration engine's own tools do.
type generic struct {
	*testing.T
	conn  *grpc.ClientConn
	files protoreflectFiles
}

type protoreflectFiles interface {
	FindDescriptorByName(protoreflect.FullName) (protoreflect.Descriptor, error)
}

func newGeneric(t *testing.T, conn *grpc.ClientConn) generic {
	t.Helper()
	stream, err := reflectiongrpc.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	ask := func(req *reflectiongrpc.ServerReflectionRequest) *reflectiongrpc.ServerReflectionResponse {
		if err := stream.Send(req); err != nil {
			t.Fatal(err)
		}
		resp, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	set := &descriptorpb.FileDescriptorSet{}
	seen := map[string]bool{}
	list := ask(&reflectiongrpc.ServerReflectionRequest{MessageRequest: &reflectiongrpc.ServerReflectionRequest_ListServices{}})
	for _, s := range list.GetListServicesResponse().GetService() {
		if !strings.HasPrefix(s.GetName(), "trigone.") {
			continue
		}
		resp := ask(&reflectiongrpc.ServerReflectionRequest{
			MessageRequest: &reflectiongrpc.ServerReflectionRequest_FileContainingSymbol{FileContainingSymbol: s.GetName()},
		})
		for _, raw := range resp.GetFileDescriptorResponse().GetFileDescriptorProto() {
			fd := &descriptorpb.FileDescriptorProto{}
			if err := proto.Unmarshal(raw, fd); err != nil {
				t.Fatal(err)
			}
			if !seen[fd.GetName()] {
				seen[fd.GetName()] = true
				set.File = append(set.File, fd)
			}
		}
	}
	files, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	return generic{T: t, conn: conn, files: files}
}

// call makes a call from JSON and gives the answer as JSON and as a message.
func (g generic) call(method, request string) (*dynamicpb.Message, error) {
	g.Helper()
	service, name, _ := strings.Cut(method, "/")
	d, err := g.files.FindDescriptorByName(protoreflect.FullName("trigone.v1." + service))
	if err != nil {
		g.Fatal(err)
	}
	m := d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(name))
	in, out := dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output())
	if err := protojson.Unmarshal([]byte(request), in); err != nil {
		g.Fatalf("%v in %s", err, request)
	}
	err = g.conn.Invoke(g.Context(), "/trigone.v1."+service+"/"+name, in, out)
	return out, err
}

func (g generic) must(method, request string) *dynamicpb.Message {
	g.Helper()
	out, err := g.call(method, request)
	if err != nil {
		g.Fatalf("%s: %v", method, err)
	}
	return out
}

// field walks to a field by its names.
func field(m protoreflect.Message, names ...string) protoreflect.Value {
	for _, n := range names[:len(names)-1] {
		m = m.Get(m.Descriptor().Fields().ByName(protoreflect.Name(n))).Message()
	}
	return m.Get(m.Descriptor().Fields().ByName(protoreflect.Name(names[len(names)-1])))
}

func textbookCase(t *testing.T) string {
	t.Helper()
	text, err := testdata.Raw(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func quoted(s string) string {
	b, err := json.Marshal(s)
	if err != nil {
		panic(err)
	}
	return string(b)
}

func TestGenericClientThroughReflection(t *testing.T) {
	conn, logs := start(t)
	g := newGeneric(t, conn)
	file := textbookCase(t)

	first := g.must("RecordService/SubmitCase", `{"requestId":"r-1","caseFile":`+file+`}`)
	again := g.must("RecordService/SubmitCase", `{"requestId":"r-1","caseFile":`+file+`}`)
	if !proto.Equal(first, again) {
		t.Error("a repeated submit is answered otherwise")
	}
	var changed map[string]any
	if err := json.Unmarshal([]byte(file), &changed); err != nil {
		t.Fatal(err)
	}
	changed["identity"].(map[string]any)["ageYears"] = 99
	text, err := json.Marshal(changed)
	if err != nil {
		t.Fatal(err)
	}
	_, err = g.call("RecordService/SubmitCase", `{"requestId":"r-1","caseFile":`+string(text)+`}`)
	if status.Code(err) != codes.AlreadyExists {
		t.Errorf("other content under the same request id: %v", err)
	}

	name := quoted(field(first, "case_name").String())
	got := g.must("RecordService/GetCase", `{"case":{"name":`+name+`}}`)
	sent := dynamicpb.NewMessage(field(got, "case", "case_file").Message().Descriptor())
	if err := protojson.Unmarshal([]byte(file), sent); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(field(got, "case", "case_file").Message().Interface(), sent) {
		t.Error("the case file read back is not the one sent")
	}

	bundle := g.must("ElectronicRecordService/GetBundle", `{"case":{"name":`+name+`}}`)
	var tree struct {
		ResourceType, Type string
		Entry              []any
	}
	if err := json.Unmarshal([]byte(field(bundle, "bundle").String()), &tree); err != nil || tree.Type != "transaction" || len(tree.Entry) == 0 {
		t.Errorf("bundle %v, %v", tree, err)
	}

	if n := g.pages("AuditService/ListDiscrepancies", "discrepancies", "pageToken", "next_page_token", nil); n == 0 {
		t.Log("no discrepancy in this case")
	}
	if n := g.pages("RecordService/ListChanges", "changes", "cursor", "next_cursor", func(m protoreflect.Message) bool { return field(m, "more").Bool() }); n == 0 {
		t.Error("no change was listed")
	}

	if logs.FilterMessage("call").Len() < 5 {
		t.Error("calls are not logged")
	}
}

// pages walks a listing one row at a time and counts the rows.
func (g generic) pages(method, rows, tokenIn, tokenOut string, more func(protoreflect.Message) bool) int {
	g.Helper()
	n, token := 0, ""
	for range 1000 {
		out := g.must(method, `{"pageSize":1,`+quoted(tokenIn)+`:`+quoted(token)+`}`)
		n += field(out, rows).List().Len()
		token = field(out, tokenOut).String()
		if (more == nil && token == "") || (more != nil && !more(out)) {
			return n
		}
	}
	g.Fatal("the listing does not end")
	return 0
}

func TestRefusalsCarryReasonAndFields(t *testing.T) {
	conn, _ := start(t)
	g := newGeneric(t, conn)
	_, err := g.call("RecordService/SubmitCase", `{"caseFile":{"identity":{"heightCm":-3},"plan":{"rationale":"a secret of P-77\u0000"}}}`)
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument {
		t.Fatal(err)
	}
	var reason string
	var fields []string
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			reason = d.GetReason()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				fields = append(fields, v.GetField())
				if strings.Contains(v.GetDescription(), "secret") {
					t.Errorf("%s echoes text: %s", v.GetField(), v.GetDescription())
				}
			}
		}
	}
	if reason == "" || len(fields) < 3 {
		t.Errorf("reason %q, fields %v: want the patient identifier, the height and the rationale at once", reason, fields)
	}
	for _, call := range []struct {
		why, method, request string
		code                 codes.Code
	}{
		{"no such case", "RecordService/GetCase", `{"case":{"name":"sites/harbour/cases/none"}}`, codes.NotFound},
		{"a case is not named", "RecordService/GetCase", `{}`, codes.InvalidArgument},
		{"no such site", "RecordService/ListCases", `{"parent":"sites/none"}`, codes.NotFound},
		{"no such policy", "ReferenceService/GetPolicy", `{"hash":"none"}`, codes.NotFound},
		{"no such class of discrepancy", "AuditService/ListDiscrepancies", `{"classes":["nonsense"]}`, codes.InvalidArgument},
	} {
		if _, err := g.call(call.method, call.request); status.Code(err) != call.code {
			t.Errorf("%s: %v, want %s", call.why, err, call.code)
		}
	}
	for _, method := range []string{"ReferenceService/ListMetrics", "ReferenceService/ListRules", "ReferenceService/ListSources"} {
		out := g.must(method, `{}`)
		if out.Descriptor().Fields().Len() == 0 || field(out, string(out.Descriptor().Fields().Get(0).Name())).List().Len() == 0 {
			t.Errorf("%s lists nothing", method)
		}
	}
}

func TestOnlyLoopbackIsServed(t *testing.T) {
	for address, ok := range map[string]bool{
		"127.0.0.1:0": true, "[::1]:0": true, "localhost:0": true,
		"0.0.0.0:0": false, ":7430": false, "192.0.2.1:7430": false, "example.org:7430": false, "127.0.0.1": false,
	} {
		if err := checkLoopback(address); (err == nil) != ok {
			t.Errorf("%s: %v", address, err)
		}
	}
	if _, err := Start(t.Context(), Options{Listen: "0.0.0.0:0", StorePath: filepath.Join(t.TempDir(), "s.db")}); !errors.Is(err, ErrNotLoopback) {
		t.Errorf("start on every address: %v", err)
	}
}

func TestHealthUntilStop(t *testing.T) {
	conn, _ := start(t)
	resp, err := healthgrpc.NewHealthClient(conn).Check(t.Context(), &healthgrpc.HealthCheckRequest{})
	if err != nil || resp.GetStatus() != healthgrpc.HealthCheckResponse_SERVING {
		t.Errorf("%v, %v", resp, err)
	}
}

// A running call ends before the store is closed; a new one is not taken.
func TestStopDrains(t *testing.T) {
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db")})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	g := newGeneric(t, conn)
	g.must("ReferenceService/ListRules", `{}`)
	// The reflection stream is still open: stopping waits, then cuts it off.
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	if err := running.Stop(ctx); err != nil {
		t.Error(err)
	}
	if _, err := g.call("ReferenceService/ListRules", `{}`); status.Code(err) != codes.Unavailable {
		t.Errorf("after the stop: %v", err)
	}
}

// Who watches health never leaves, and an export waits for ever for one who does not
// read it: both held a stop for all of its time.
func TestStreamsDoNotHoldAStop(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db"), Log: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	submitSome(t, conn, 0, 60) // more than a connection takes in before its reader reads
	export, err := trigonev1.NewElectronicRecordServiceClient(conn).ExportResources(t.Context(), &trigonev1.ExportResourcesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	watch, err := healthgrpc.NewHealthClient(conn).Watch(t.Context(), &healthgrpc.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, first := range []func() error{
		func() error { _, err := export.Recv(); return err },
		func() error { _, err := watch.Recv(); return err },
	} {
		if err := first(); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := running.Stop(ctx); err != nil {
		t.Error(err)
	}
	if logs.FilterMessage("streams were cut off: who reads them asks again").Len() != 1 || ctx.Err() != nil {
		t.Error("the streams were waited for until the end of the time to drain")
	}
	if last, err := watch.Recv(); err != nil || last.GetStatus() != healthgrpc.HealthCheckResponse_NOT_SERVING {
		t.Errorf("who watches health was not told: %v, %v", last, err)
	}
	for err == nil {
		_, err = export.Recv()
	}
	if status.Code(err) != codes.Unavailable {
		t.Errorf("the export ended with %v", err)
	}
	if faults := logs.FilterLevelExact(zapcore.ErrorLevel).All(); len(faults) > 0 {
		t.Errorf("a stop is no fault: %v", faults)
	}
}

func TestPanicIsInternalWithoutContent(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	handler := func(context.Context, any) (any, error) { panic("P-77 is in here") }
	_, err := recoverPanic(zap.New(core))(t.Context(), nil, &grpc.UnaryServerInfo{FullMethod: "/m"}, handler)
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "P-77") {
		t.Error(err)
	}
	for _, e := range logs.All() {
		for _, f := range e.Context {
			if strings.Contains(f.String, "P-77") {
				t.Error("what was thrown is in the log")
			}
		}
	}
}

// A file that is wrong everywhere is still refused with reasons: the details fit
// into what a client takes, and what is left out is counted.
func TestManyViolationsStillReachTheClient(t *testing.T) {
	conn, _ := start(t)
	g := newGeneric(t, conn)
	step := `{"id":"a b","technique":{"plication":{"plicationLength":{"mm":-1}}}}`
	_, err := g.call("RecordService/SubmitCase", `{"caseFile":{"plan":{"steps":[`+step+strings.Repeat(","+step, 59)+`]}}}`)
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument || !strings.Contains(st.Message(), "more are not listed") {
		t.Fatalf("%s: %s", st.Code(), st.Message())
	}
	for _, d := range st.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			if n := len(bad.GetFieldViolations()); n != mostViolations {
				t.Errorf("%d violations are listed, want %d", n, mostViolations)
			}
			return
		}
	}
	t.Error("no field is named")
}

// What is wrong with the store as a whole has a code of its own, and tells nothing
// of the case.
func TestFaultsOfTheStore(t *testing.T) {
	for _, tt := range []struct {
		reason string
		err    error
		want   codes.Code
	}{
		{"a hash that does not match", storage.ErrDamaged, codes.DataLoss},
		{"a commit that failed, whatever it failed by", fmt.Errorf("%w: %w", storage.ErrUnknownOutcome, storage.ErrAway), codes.Unavailable},
		{"a full disk", storage.ErrFull, codes.ResourceExhausted},
		{"a disk that can only be read", storage.ErrReadOnly, codes.Unavailable},
		{"a file that is gone", storage.ErrAway, codes.Unavailable},
		{"another program that writes", storage.ErrBusy, codes.Unavailable},
		{"a projection of another version", storage.ErrProjection, codes.FailedPrecondition},
		{"rows that were not built", storage.ErrNotProjected, codes.FailedPrecondition},
		{"a revision that was not split", storage.ErrWhole, codes.FailedPrecondition},
		{"anything else", errors.New("disk"), codes.Internal},
	} {
		err := mapped(zap.NewNop(), "method", fmt.Errorf("answer 3 of SECRET: %w", tt.err))
		if status.Code(err) != tt.want || strings.Contains(err.Error(), "SECRET") {
			t.Errorf("%s: %v, want %v", tt.reason, err, tt.want)
		}
		retry := slices.ContainsFunc(status.Convert(err).Details(), func(d any) bool { _, ok := d.(*errdetails.RetryInfo); return ok })
		if again := tt.want == codes.Unavailable || tt.want == codes.ResourceExhausted; retry != again {
			t.Errorf("%s: it says when to send it again: %t, want %t", tt.reason, retry, again)
		}
		// Only where the outcome is known may the sentence say that nothing was stored.
		known := !errors.Is(tt.err, storage.ErrUnknownOutcome) && tt.want != codes.Internal
		if strings.Contains(err.Error(), "not known") == known || strings.Contains(err.Error(), "nothing") != known {
			t.Errorf("%s: %v", tt.reason, err)
		}
	}
}
