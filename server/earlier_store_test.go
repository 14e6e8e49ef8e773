package server

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/base64"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	trigonev1 "trigone/proto/trigone/v1"
)

// A store that the version of schema 2 wrote is read by this version, and what was
// answered from it then is answered now. testdata/README.md says how both files
// were made.
func TestEarlierStoreGivesItsAnswers(t *testing.T) {
	folder := filepath.Join("..", "testdata", "stores")
	dir := t.TempDir()
	store, policy := filepath.Join(dir, "demo.db"), filepath.Join(dir, "policy.yaml")
	policyThen, err := os.ReadFile(filepath.Join(folder, "schema2-demo.policy.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for path, content := range map[string][]byte{store: unpacked(t, filepath.Join(folder, "schema2-demo.db.zst")), policy: policyThen} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy})
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

	answers := bufio.NewScanner(bytes.NewReader(unpacked(t, filepath.Join(folder, "schema2-demo.answers.zst"))))
	answers.Buffer(nil, 16<<20)
	count := 0
	for answers.Scan() {
		count++
		parts := strings.Split(answers.Text(), " ")
		method := parts[0]
		req, want := messagesOf(t, method)
		decode(t, parts[1], req)
		decode(t, parts[2], want)
		if list, ok := req.(*trigonev1.ListDiscrepanciesRequest); ok {
			list.IncludeCounts = true // then they were always given
		}
		_, got := messagesOf(t, method)
		if err := conn.Invoke(t.Context(), "/trigone.v1."+method, req, got); err != nil {
			t.Errorf("%s %v: %v", method, req, err)
			continue
		}
		inOneOrder(want)
		inOneOrder(got)
		if !proto.Equal(got, want) {
			t.Errorf("%s %v: the answer differs: %s", method, req, firstDifference(got, want))
		}
	}
	if err := answers.Err(); err != nil || count < 70 {
		t.Fatalf("%d answers were read: %v", count, err)
	}
}

// inOneOrder puts a list whose order was changed since into one order, and leaves
// out the change that the start itself makes, the first under this mapping, and what was
// not told then: the basis, whether cases are invented, and of a case in one line the timing of its plan and the
// incision.
func inOneOrder(m proto.Message) {
	if list, ok := m.(*trigonev1.ListChangesResponse); ok {
		list.Changes = slices.DeleteFunc(list.Changes, func(c *trigonev1.Change) bool {
			return c.GetKind() == trigonev1.ChangeKind_CHANGE_KIND_MAPPING_CHANGED
		})
		list.NextCursor = ""
	}
	if list, ok := m.(*trigonev1.ListCasesResponse); ok {
		list.Invented = false
		for _, c := range list.GetCases() {
			c.PlanTiming, c.IncisionTime = 0, nil
		}
	}
	if list, ok := m.(*trigonev1.ListDiscrepanciesResponse); ok {
		list.Basis, list.Invented = trigonev1.Basis_BASIS_UNSPECIFIED, false
		slices.SortStableFunc(list.Discrepancies, func(a, b *trigonev1.CaseDiscrepancy) int { return cmp.Compare(a.CaseName, b.CaseName) })
	}
}

func unpacked(t *testing.T, path string) []byte {
	t.Helper()
	packed, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	reader, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	content, err := reader.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return content
}

func messagesOf(t *testing.T, method string) (req, resp proto.Message) {
	t.Helper()
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName("trigone.v1." + strings.ReplaceAll(method, "/", ".")))
	if err != nil {
		t.Fatal(err)
	}
	m := found.(protoreflect.MethodDescriptor)
	fresh := func(d protoreflect.MessageDescriptor) proto.Message {
		typ, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
		if err != nil {
			t.Fatal(err)
		}
		return typ.New().Interface()
	}
	return fresh(m.Input()), fresh(m.Output())
}

func decode(t *testing.T, text string, into proto.Message) {
	t.Helper()
	wire, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	if err := proto.Unmarshal(wire, into); err != nil {
		t.Fatal(err)
	}
}

func firstDifference(got, want proto.Message) string {
	lines := func(m proto.Message) []string {
		return strings.Split(prototext.MarshalOptions{Multiline: true}.Format(m), "\n")
	}
	g, w := lines(got), lines(want)
	for i := range min(len(g), len(w)) {
		if strings.Join(strings.Fields(g[i]), " ") != strings.Join(strings.Fields(w[i]), " ") {
			return "now " + g[i] + ", then " + w[i]
		}
	}
	return "one is longer"
}
