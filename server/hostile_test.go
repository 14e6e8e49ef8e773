package server

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var (
	hostileRequests = flag.Int("hostile-requests", 2000, "how many random requests are sent")
	hostileSeed     = flag.Uint64("hostile-seed", 1, "what they are drawn from")
)

// secret is part of every hostile text: no refusal may repeat it.
const secret = "SECRET"

// Whatever is asked of a server that runs, of every RPC that the contract declares:
// it answers or refuses with a reason, nothing of it is a fault, no refusal repeats
// what was sent, and the record is whole in the end. Requests are drawn from the
// contract's own descriptors, so that a new RPC or field is asked for as well.
func TestHostileRequests(t *testing.T) {
	core, faults := observer.New(zapcore.ErrorLevel)
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db"), Log: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := running.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})

	total := *hostileRequests
	if testing.Short() {
		total /= 10
	}
	const attackers = 4
	known := &answered{texts: map[protoreflect.Name][]string{}}
	tally := &tally{codes: map[string]map[codes.Code]int{}}
	var all sync.WaitGroup
	for n := range attackers {
		a := &attacker{rng: rand.New(rand.NewPCG(*hostileSeed, uint64(n))), known: known}
		all.Go(func() {
			for range total / attackers {
				a.attack(t, conn, tally)
			}
		})
	}
	all.Wait()

	if list := faults.All(); len(list) > 0 {
		t.Errorf("%d faults of the program, the first: %v", len(list), list[0])
	}
	tally.judge(t)
	checkRecord(t, conn)
}

// tally counts what was answered.
type tally struct {
	mu    sync.Mutex
	codes map[string]map[codes.Code]int
}

func (y *tally) count(method protoreflect.MethodDescriptor, code codes.Code) {
	y.mu.Lock()
	defer y.mu.Unlock()
	name := string(method.Name())
	if y.codes[name] == nil {
		y.codes[name] = map[codes.Code]int{}
	}
	y.codes[name][code]++
}

// judge asks that every RPC was asked, and that the requests were not all nonsense:
// a fuzzer that is refused at the door finds nothing behind it.
// The few requests of a search for races (-short) need not reach everything.
func (y *tally) judge(t *testing.T) {
	answered := 0
	for _, m := range declared() {
		counts := y.codes[string(m.Name())]
		if len(counts) == 0 && !testing.Short() {
			t.Errorf("%s was never asked", m.Name())
		}
		if counts[codes.OK] > 0 {
			answered++
		}
		var parts []string
		for _, code := range slices.Sorted(maps.Keys(counts)) {
			parts = append(parts, fmt.Sprintf("%s %d", code, counts[code]))
		}
		t.Logf("%-24s %s", m.Name(), strings.Join(parts, ", "))
	}
	if least := len(declared()) * 2 / 3; answered < least && !testing.Short() {
		t.Errorf("only %d RPCs were ever answered, want %d: the requests do not reach what they ask for", answered, least)
	}
}

// checkRecord reads everything that there is.
func checkRecord(t *testing.T, conn *grpc.ClientConn) {
	t.Helper()
	record := trigonev1.NewRecordServiceClient(conn)
	cases, token := 0, ""
	for {
		page, err := record.ListCases(t.Context(), &trigonev1.ListCasesRequest{PageSize: 500, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range page.GetCases() {
			cases++
			if _, err := record.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: c.GetName()}}); err != nil {
				t.Errorf("a case can no longer be read: %v", err)
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if cases == 0 {
		t.Error("no case came onto the record")
	}
	last, cursor := int64(0), ""
	for {
		page, err := record.ListChanges(t.Context(), &trigonev1.ListChangesRequest{PageSize: 500, Cursor: cursor})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range page.GetChanges() {
			if c.GetNumber() != last+1 {
				t.Fatalf("change %d follows change %d", c.GetNumber(), last)
			}
			last = c.GetNumber()
		}
		if cursor = page.GetNextCursor(); !page.GetMore() {
			break
		}
	}
	t.Logf("%d cases, %d changes on record", cases, last)
}

// answered are texts that the server gave, by the name of the field that takes them
// in a request: names, etags, tokens, ids.
type answered struct {
	mu    sync.Mutex
	texts map[protoreflect.Name][]string
}

// takenAs says under which names an answered text is asked with.
var takenAs = map[protoreflect.Name][]protoreflect.Name{
	"case_name":       {"case_name", "name", "into_case"},
	"next_page_token": {"page_token"},
	"next_cursor":     {"cursor"},
	"next_since":      {"since"},
	"finding_id":      {"finding_id", "id"},
	"section":         {"section", "wrong_sections"},
	"quarantine_id":   {"quarantine_id"},
	"etag":            {"etag"},
}

func (k *answered) keep(m protoreflect.Message) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() != nil && fd.IsList():
			for i := range min(v.List().Len(), 3) {
				k.keep(v.List().Get(i).Message())
			}
		case fd.Message() != nil:
			k.keep(v.Message())
		case fd.Kind() == protoreflect.StringKind && !fd.IsList():
			for _, name := range takenAs[fd.Name()] {
				k.add(name, v.String())
			}
			if fd.FullName() == "trigone.v1.Finding.id" {
				k.add("finding_id", v.String())
			}
		}
		return true
	})
}

func (k *answered) add(name protoreflect.Name, text string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if list := k.texts[name]; len(list) < 40 {
		k.texts[name] = append(list, text)
	} else {
		list[len(text)%len(list)] = text
	}
}

func (k *answered) pick(rng *rand.Rand, name protoreflect.Name) (string, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	list := k.texts[name]
	if len(list) == 0 {
		return "", false
	}
	return list[rng.IntN(len(list))], true
}

// attacker draws requests and sends them.
type attacker struct {
	rng   *rand.Rand
	known *answered
	// hostility is how many of the values of the request at hand fit nothing.
	hostility float64
}

func (a *attacker) chance(p float64) bool { return a.rng.Float64() < p }

func pick[T any](a *attacker, list ...T) T { return list[a.rng.IntN(len(list))] }

func (a *attacker) attack(t *testing.T, conn *grpc.ClientConn, tally *tally) {
	methods := declared()
	method := methods[a.rng.IntN(len(methods))]
	if a.chance(0.2) { // what is asked for must come from somewhere
		i := slices.IndexFunc(methods, func(m protoreflect.MethodDescriptor) bool { return m.Name() == "SubmitCase" })
		method = methods[i]
	}
	a.hostility = pick(a, 0, 0, 0.01, 0.2)
	kind, err := protoregistry.GlobalTypes.FindMessageByName(method.Input().FullName())
	if err != nil {
		t.Error(err)
		return
	}
	req := kind.New()
	a.fill(req, 0)
	content, err := proto.Marshal(req.Interface())
	if err != nil {
		return // text that is no UTF-8 does not leave a client
	}
	broken := a.chance(0.05) && len(content) > 0
	if broken {
		content = a.breakWire(content)
	}
	err = a.send(t.Context(), conn, method, content)
	code := status.Code(err)
	tally.count(method, code)
	switch {
	// The transport's own word for bytes that are no message.
	case broken && code == codes.Internal && strings.Contains(status.Convert(err).Message(), "failed to unmarshal the received message"):
	case slices.Contains([]codes.Code{codes.Internal, codes.Unknown, codes.Unimplemented, codes.DataLoss, codes.Unavailable, codes.DeadlineExceeded}, code):
		t.Errorf("%s: %v\nasked with seed %d: %s", method.Name(), err, *hostileSeed, prototext.MarshalOptions{}.Format(req.Interface()))
	case err != nil:
		said := status.Convert(err)
		if text := fmt.Sprint(said.Message(), said.Details()); strings.Contains(text, secret) {
			t.Errorf("%s: the refusal repeats what was sent: %s", method.Name(), text)
		}
	}
}

// send calls an RPC and keeps what can be asked with later.
func (a *attacker) send(ctx context.Context, conn *grpc.ClientConn, method protoreflect.MethodDescriptor, content []byte) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(method.Output().FullName())
	if err != nil {
		return err
	}
	path := "/" + string(method.Parent().FullName()) + "/" + string(method.Name())
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: method.IsStreamingServer()}, path, grpc.ForceCodec(asItIs{}))
	if err != nil {
		return err
	}
	if err := errors.Join(stream.SendMsg(content), stream.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	// A stream is left before its end now and then, as clients do.
	for range 30 {
		answer := kind.New()
		err := stream.RecvMsg(answer.Interface())
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		a.known.keep(answer)
		if !method.IsStreamingServer() {
			return nil
		}
	}
	return nil
}

// asItIs sends bytes as they are.
type asItIs struct{}

func (asItIs) Name() string                       { return "proto" }
func (asItIs) Marshal(v any) ([]byte, error)      { return v.([]byte), nil }
func (asItIs) Unmarshal(data []byte, v any) error { return proto.Unmarshal(data, v.(proto.Message)) }

// breakWire changes, cuts or doubles what is sent.
func (a *attacker) breakWire(content []byte) []byte {
	at := a.rng.IntN(len(content))
	switch a.rng.IntN(3) {
	case 0:
		content[at] ^= byte(1 << a.rng.IntN(8))
	case 1:
		return content[:at]
	default:
		return append(content, content[at:]...)
	}
	return content
}

// deepest bounds how far messages are drawn inside each other.
const deepest = 8

// fill gives a message values: often ones that fit, seldom ones that nobody sends.
func (a *attacker) fill(m protoreflect.Message, depth int) {
	switch m := m.Interface().(type) {
	case *timestamppb.Timestamp:
		a.fillTime(m)
		return
	case *trigonev1.CaseFile:
		if a.chance(0.8) {
			a.fillCase(m)
			return
		}
	case *trigonev1.CaseReference:
		if a.chance(0.85) {
			if m.Name = a.text("name", false); m.Name == "" {
				m.ExternalIdentifier = aNumber(a.rng.IntN(numbers))
			}
			return
		}
	case *trigonev1.SubmitCaseRequest:
		if a.chance(0.6) { // as an integration engine sends it
			m.CaseFile, m.RequestId, m.SourceTime = &trigonev1.CaseFile{}, a.text("request_id", false), &timestamppb.Timestamp{}
			a.fillCase(m.CaseFile)
			a.fillTime(m.SourceTime)
			m.ValidateOnly = a.chance(0.1)
			return
		}
	case *trigonev1.ExplorePlansRequest:
		if a.chance(0.6) {
			m.CaseFile, m.Axes = &trigonev1.CaseFile{}, []*trigonev1.ExploredAxis{{Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
				Segment: trigonev1.Segment_SEGMENT_P2, Range: &trigonev1.LengthGrid{MinMm: proto.Float64(10), MaxMm: proto.Float64(20), StepMm: proto.Float64(2)},
			}}}}
			a.fillCase(m.CaseFile)
			if a.chance(0.3) {
				a.set(m.ProtoReflect(), m.ProtoReflect().Descriptor().Fields().ByName("axes"), 1)
			}
			return
		}
	case *trigonev1.Identifier:
		if !a.chance(a.hostility) {
			proto.Merge(m, aNumber(a.rng.IntN(numbers)))
			return
		}
	}
	fields := m.Descriptor().Fields()
	often := 0.6
	if depth > 1 {
		often = 0.25
	}
	for i := range fields.Len() {
		fd := fields.Get(i)
		if a.chance(often) && depth < deepest {
			a.set(m, fd, depth)
		}
	}
}

// set gives one field of a message a value.
func (a *attacker) set(m protoreflect.Message, fd protoreflect.FieldDescriptor, depth int) {
	switch {
	case fd.IsList():
		list := m.Mutable(fd).List()
		entries := a.rng.IntN(3)
		if a.chance(a.hostility / 4) {
			entries = pick(a, 65, 600)
		}
		for range entries {
			if fd.Message() != nil {
				a.fill(list.AppendMutable().Message(), depth+1)
			} else {
				list.Append(a.value(fd))
			}
		}
	case fd.Message() != nil:
		a.fill(m.Mutable(fd).Message(), depth+1)
	default:
		m.Set(fd, a.value(fd))
	}
}

// numbers is how many case numbers are drawn from: few, so that cases meet many
// writes.
const numbers = 24

func aNumber(n int) *trigonev1.Identifier {
	return &trigonev1.Identifier{System: "urn:example:number", Value: fmt.Sprint("N-", n)}
}

// fillCase takes an invented case, leaves sections out, gives it one of a few
// numbers, and changes some of its fields.
func (a *attacker) fillCase(m *trigonev1.CaseFile) {
	names := testdata.Names(testdata.Cases)
	file, err := testdata.Read(testdata.Cases, pick(a, names...))
	if err != nil {
		panic(err)
	}
	proto.Merge(m, file)
	for i := range m.ProtoReflect().Descriptor().Fields().Len() {
		if fd := m.ProtoReflect().Descriptor().Fields().Get(i); a.chance(0.3) && fd.Name() != "identity" {
			m.ProtoReflect().Clear(fd)
		}
	}
	n := a.rng.IntN(numbers)
	m.ExternalIdentifier = aNumber(n)
	if a.chance(0.05) {
		n++ // another patient's
	}
	m.PatientIdentifier = &trigonev1.Identifier{System: "urn:example:patient", Value: fmt.Sprint("P-", n)}
	if a.chance(0.4) {
		return
	}
	var inside []protoreflect.Message
	var walk func(protoreflect.Message)
	walk = func(m protoreflect.Message) {
		inside = append(inside, m)
		m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			switch {
			case fd.Message() == nil:
			case fd.IsList():
				for i := range v.List().Len() {
					walk(v.List().Get(i).Message())
				}
			default:
				walk(v.Message())
			}
			return true
		})
	}
	walk(m.ProtoReflect())
	for range 1 + a.rng.IntN(3) {
		at := inside[a.rng.IntN(len(inside))]
		fields := at.Descriptor().Fields()
		if fields.Len() == 0 {
			continue
		}
		fd := fields.Get(a.rng.IntN(fields.Len()))
		if a.chance(0.3) {
			at.Clear(fd)
		} else {
			a.set(at, fd, deepest-2)
		}
	}
}

func (a *attacker) fillTime(m *timestamppb.Timestamp) {
	if a.chance(a.hostility) {
		m.Seconds = pick[int64](a, 0, -1, math.MaxInt64, math.MinInt64, 253402300800, time.Now().AddDate(10, 0, 0).Unix())
		m.Nanos = pick[int32](a, 0, -1, math.MaxInt32, 1_000_000_000)
		return
	}
	m.Seconds = time.Now().Add(-time.Duration(a.rng.IntN(30*24)) * time.Hour).Unix()
}

func (a *attacker) value(fd protoreflect.FieldDescriptor) protoreflect.Value {
	hostile := a.chance(a.hostility)
	switch fd.Kind() {
	case protoreflect.EnumKind:
		if hostile {
			return protoreflect.ValueOfEnum(pick[protoreflect.EnumNumber](a, -1, 99, math.MaxInt32))
		}
		return protoreflect.ValueOfEnum(fd.Enum().Values().Get(a.rng.IntN(fd.Enum().Values().Len())).Number())
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(a.chance(0.5))
	case protoreflect.DoubleKind:
		if hostile {
			return protoreflect.ValueOfFloat64(pick(a, math.NaN(), math.Inf(1), math.Inf(-1), -1, math.Copysign(0, -1), math.MaxFloat64, math.SmallestNonzeroFloat64))
		}
		return protoreflect.ValueOfFloat64(pick(a, 0, 0.5, 1, 3, 12, 26, 34, 60, 120))
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(a.hostileText()))
	case protoreflect.Int32Kind:
		if hostile {
			return protoreflect.ValueOfInt32(pick[int32](a, -1, math.MaxInt32, math.MinInt32))
		}
		return protoreflect.ValueOfInt32(int32(a.rng.IntN(4)))
	case protoreflect.Int64Kind:
		if hostile {
			return protoreflect.ValueOfInt64(pick[int64](a, -1, math.MaxInt64, math.MinInt64))
		}
		return protoreflect.ValueOfInt64(int64(a.rng.IntN(4)))
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(a.text(fd.Name(), hostile))
	}
	return fd.Default()
}

func (a *attacker) text(name protoreflect.Name, hostile bool) string {
	if hostile {
		return a.hostileText()
	}
	if known, ok := a.known.pick(a.rng, name); ok && a.chance(0.9) {
		return known
	}
	switch {
	case name == "parent":
		return pick(a, "", "", "", "sites/harbour", "sites/elsewhere")
	case name == "request_id":
		return cmp.Or(pick(a, "", ""), fmt.Sprint("r-", a.rng.IntN(200)))
	case strings.Contains(string(name), "token"), name == "cursor", name == "since", name == "etag":
		return pick(a, "", "", "1", "2")
	case name == "metric", name == "metrics":
		return pick(a, "mean_gradient", "predicted_mean_contact", "leaflet_height")
	case strings.HasSuffix(string(name), "_on"), name == "date":
		return pick(a, "2026-03-01", "2026-02-30", "")
	}
	switch {
	case name == "id", strings.HasSuffix(string(name), "_id"), strings.HasSuffix(string(name), "_ids"):
		return pick(a, "p1", "s1", "exit")
	case strings.Contains(string(name), "section"):
		return pick(a, "plan", "operation", "identity")
	case name == "name", name == "case_name", name == "into_case":
		return ""
	}
	return pick(a, "", "a text of some words")
}

func (a *attacker) hostileText() string {
	return pick(a,
		secret+"\x00", secret+"\x1b[2J", secret+"\u202e", secret+"\r\nx: y", strings.Repeat(secret, 1000), "../../"+secret, "'; DROP TABLE cases; -- "+secret,
		"sites/harbour/cases/"+secret, "sites/"+secret, secret+"|"+secret, "{\"a\":\""+secret+"\"}", "💉"+secret, secret+"%s%d%n", strings.Repeat("/", 100)+secret,
	)
}
