package server

import (
	"context"
	"errors"
	"io"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
)

// siteless are the calls whose requests name no site, with the reason; they are
// answered to anybody.
var siteless = map[protoreflect.FullName]string{
	"trigone.v1.ReferenceService.ListMetrics": "the catalogue is the program's",
	"trigone.v1.ReferenceService.ListSources": "the sources are the program's",
}

// declared gives every RPC of the contract.
func declared() []protoreflect.MethodDescriptor {
	var list []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(string(file.Package()), "trigone.") {
			for i := range file.Services().Len() {
				methods := file.Services().Get(i).Methods()
				for j := range methods.Len() {
					list = append(list, methods.Get(j))
				}
			}
		}
		return true
	})
	return list
}

// namesSite are the fields of a request that, by their names, tell a site or a case.
var namesSite = regexp.MustCompile(`(^|_)(case|parent|site|name)$`)

// asking gives a request for every way in which it can name a site, in which it
// names this one.
func asking(method protoreflect.MethodDescriptor, site string) map[string]proto.Message {
	ways := map[string]proto.Message{}
	fields := method.Input().Fields()
	caseName := "sites/" + site + "/cases/00000000-0000-4000-8000-000000000000"
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !namesSite.MatchString(string(fd.Name())) {
			continue
		}
		text := caseName
		if fd.Name() == "parent" {
			text = "sites/" + site
		}
		if fd.Message() == nil {
			m := dynamicpb.NewMessage(method.Input())
			m.Set(fd, protoreflect.ValueOfString(text))
			ways[string(fd.Name())] = m
			continue
		}
		for part, value := range map[protoreflect.Name]string{"name": caseName, "parent": "sites/" + site} {
			m := dynamicpb.NewMessage(method.Input())
			ref := m.Mutable(fd).Message()
			ref.Set(ref.Descriptor().Fields().ByName(part), protoreflect.ValueOfString(value))
			ways[string(fd.Name())+"."+string(part)] = m
		}
	}
	return ways
}

// ask calls an RPC and reads its first answer.
func ask(ctx context.Context, conn *grpc.ClientConn, method protoreflect.MethodDescriptor, req proto.Message) error {
	path := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
	answer := dynamicpb.NewMessage(method.Output())
	if !method.IsStreamingServer() {
		return conn.Invoke(ctx, path, req, answer)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, path)
	if err != nil {
		return err
	}
	if err := errors.Join(s.SendMsg(req), s.CloseSend()); err != nil {
		return err
	}
	if err := s.RecvMsg(answer); !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

// Every RPC that the contract declares is answered, names its site in a way that
// the one function finds, and refuses another site; whoever adds one meets this
// test.
func TestEveryRPCIsAnsweredForItsSite(t *testing.T) {
	conn, _ := start(t)
	methods := declared()
	if len(methods) < 20 {
		t.Fatalf("only %d RPCs were found", len(methods))
	}
	for _, method := range methods {
		t.Run(string(method.Name()), func(t *testing.T) {
			err := ask(t.Context(), conn, method, dynamicpb.NewMessage(method.Input()))
			if slices.Contains([]codes.Code{codes.Unimplemented, codes.Unknown, codes.Internal, codes.Unauthenticated}, status.Code(err)) {
				t.Errorf("an empty request is answered with %v", err)
			}
			ways := asking(method, "elsewhere")
			if reason := siteless[method.FullName()]; (reason == "") != (len(ways) > 0) {
				t.Errorf("names a site in %d ways, and is listed as siteless because %q", len(ways), reason)
			}
			for way, req := range ways {
				typed := typed(t, req)
				if site, named := casebook.SiteOf(typed); !named || site != "elsewhere" {
					t.Errorf("%s: the site found is %q, %v", way, site, named)
				}
				if err := ask(t.Context(), conn, method, req); status.Code(err) != codes.NotFound {
					t.Errorf("%s: another site is answered with %v", way, err)
				}
			}
		})
	}
}

// typed gives a request as the server gets it.
func typed(t *testing.T, m proto.Message) proto.Message {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(m.ProtoReflect().Descriptor().FullName())
	if err != nil {
		t.Fatal(err)
	}
	content, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	out := kind.New().Interface()
	if err := proto.Unmarshal(content, out); err != nil {
		t.Fatal(err)
	}
	return out
}

// What an interceptor says of who asks reaches the room that answers: where it says
// nobody, every RPC that has to do with the record refuses, and where it says
// somebody, none refuses for that.
func TestEveryRPCIsToldWhoAsks(t *testing.T) {
	for _, who := range []string{"", "somebody"} {
		conn := serveAs(t, casebook.Principal{Name: who})
		for _, method := range declared() {
			err := ask(t.Context(), conn, method, dynamicpb.NewMessage(method.Input()))
			refused := status.Code(err) == codes.Unauthenticated
			if want := who == "" && siteless[method.FullName()] == ""; refused != want {
				t.Errorf("%s, asked by %q: %v", method.FullName(), who, err)
			}
		}
	}
}

// serveAs serves the rooms to a principal.
func serveAs(t *testing.T, who casebook.Principal) *grpc.ClientConn {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "store.db"), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	clinical, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	houses, err := buildHouses(t.Context(), housing{store: store, policies: map[string]policy.Policy{clinical.Settings.Site: clinical}})
	if err != nil {
		t.Fatal(err)
	}
	in := func(ctx context.Context) context.Context {
		return context.WithValue(casebook.WithPrincipal(ctx, who), reachKey{}, reach{houses.any()})
	}
	s := grpc.NewServer(
		grpc.ChainUnaryInterceptor(func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			return handler(in(ctx), req)
		}, mapErrors(zap.NewNop())),
		grpc.ChainStreamInterceptor(func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			return handler(srv, streamIn{stream, in(stream.Context())})
		}, mapErrorsStream(zap.NewNop())),
	)
	register(s, administrationService{keep: func() casebook.Keep { return casebook.Keep{} }})
	listener := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- s.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///bufconn", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		s.Stop()
		if err := errors.Join(<-served, store.Close()); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// What is written says who wrote it.
func TestTheRecordSaysWhoWrote(t *testing.T) {
	conn := serveAs(t, casebook.Principal{Name: "somebody"})
	record := trigonev1.NewRecordServiceClient(conn)
	made, err := record.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{
		PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-1"},
		Identity:          &trigonev1.Identity{Sex: trigonev1.Sex_SEX_FEMALE},
	}})
	if err != nil {
		t.Fatal(err)
	}
	list, err := record.ListRevisions(t.Context(), &trigonev1.ListRevisionsRequest{Case: &trigonev1.CaseReference{Name: made.GetCaseName()}})
	if err != nil || len(list.GetRevisions()) != 1 || list.GetRevisions()[0].GetCaller() != "somebody" {
		t.Errorf("%v, %v", list, err)
	}
}
