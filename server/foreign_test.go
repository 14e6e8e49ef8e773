package server

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"trigone/fhirmap"
	"trigone/internal/deployment"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// counted is a store that notes what is looked up in it, by whatever a request can name.
type counted struct {
	storage.Store
	mu    sync.Mutex
	calls []string
}

func (c *counted) note(call string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.calls = append(c.calls, call)
}

func (c *counted) taken() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	calls := c.calls
	c.calls = nil
	return calls
}

func (c *counted) Case(ctx context.Context, site, uid string) (storage.Case, error) {
	c.note("Case " + site)
	return c.Store.Case(ctx, site, uid)
}

func (c *counted) CaseByExternalIdentifier(ctx context.Context, site string, id storage.Identifier) (storage.Case, error) {
	c.note("CaseByExternalIdentifier " + site)
	return c.Store.CaseByExternalIdentifier(ctx, site, id)
}

func (c *counted) Cases(ctx context.Context, sites []string, f storage.CaseFilter, after string, limit int) ([]storage.CaseRow, string, error) {
	c.note(fmt.Sprint("Cases ", sites))
	return c.Store.Cases(ctx, sites, f, after, limit)
}

func (c *counted) Comparisons(ctx context.Context, sites []string, f storage.ComparisonFilter, after string, limit int) ([]storage.CaseComparison, string, error) {
	c.note(fmt.Sprint("Comparisons ", sites))
	return c.Store.Comparisons(ctx, sites, f, after, limit)
}

func (c *counted) Facts(ctx context.Context, sites []string, f storage.FactsFilter, after string, limit int) ([]storage.CaseFacts, string, error) {
	c.note(fmt.Sprint("Facts ", sites))
	return c.Store.Facts(ctx, sites, f, after, limit)
}

func (c *counted) Accesses(ctx context.Context, sites []string, f storage.AccessFilter, after string, limit int) ([]storage.Access, string, error) {
	c.note(fmt.Sprint("Accesses ", sites))
	return c.Store.Accesses(ctx, sites, f, after, limit)
}

func (c *counted) Request(ctx context.Context, caller, site, method, id string) (storage.Request, error) {
	c.note("Request " + site)
	return c.Store.Request(ctx, caller, site, method, id)
}

func (c *counted) Quarantined(ctx context.Context, site, id string) (storage.Quarantined, error) {
	c.note("Quarantined " + site)
	return c.Store.Quarantined(ctx, site, id)
}

func (c *counted) Changes(ctx context.Context, site string, after int64, limit int) ([]storage.Change, error) {
	c.note("Changes " + site)
	return c.Store.Changes(ctx, site, after, limit)
}

// A case of a site where one has no rights, and one that there is not, take the same way:
// nothing is looked up. One's own site looks up the uid of a foreign case as it does one
// that there is not, and nothing of another site is ever asked for.
func TestAForeignCaseTakesTheWayOfNone(t *testing.T) {
	db, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "r.db"), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	clinical, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	bay, err := policy.Parse("bay.yaml", []byte(strings.Replace(clinical.Text, "site: harbour", "site: bay", 1)), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	store := &counted{Store: db}
	houses, err := buildHouses(t.Context(), housing{store: store, policies: map[string]policy.Policy{"harbour": clinical, "bay": bay}})
	if err != nil {
		t.Fatal(err)
	}
	door := newDoor(houses, nil, zap.NewNop())
	everywhere := door.local.Rights
	s := grpc.NewServer(grpc.InTapHandle(door.tap), grpc.ChainUnaryInterceptor(recoverPanic(zap.NewNop()), mapErrors(zap.NewNop()), door.unary), grpc.ChainStreamInterceptor(mapErrorsStream(zap.NewNop()), door.stream))
	register(s, administrationService{})
	door.knows(s)
	listener := bufconn.Listen(1 << 20)
	go func() { _ = s.Serve(listener) }()
	t.Cleanup(s.Stop)
	conn, err := grpc.NewClient("passthrough:///", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	file, err := testdata.Read(testdata.Cases, "core-only")
	if err != nil {
		t.Fatal(err)
	}
	made, err := trigonev1.NewRecordServiceClient(conn).SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file, Parent: "sites/bay"})
	if err != nil {
		t.Fatal(err)
	}
	door.local.Rights = slices.DeleteFunc(slices.Clone(everywhere), func(at *deployment.SiteRights) bool { return at.Site != "harbour" })
	uid := made.GetCaseName()[strings.LastIndexByte(made.GetCaseName(), '/')+1:]
	const none = "00000000-0000-4000-8000-000000000000"
	looked := 0
	for _, method := range declared() {
		way := func(site, uid string) map[string][]string {
			out := map[string][]string{}
			for how, req := range naming(method, site, "sites/"+site+"/cases/"+uid) {
				store.taken()
				code := status.Code(ask(t.Context(), conn, method, req))
				out[how] = append(store.taken(), code.String())
			}
			return out
		}
		foreign, missing, nowhere := way("bay", uid), way("bay", none), way("nowhere", none)
		here, mine := way("harbour", uid), way("harbour", none)
		for how, calls := range foreign {
			if siteless[method.FullName()] != "" {
				continue
			}
			if !slices.Equal(calls, missing[how]) || !slices.Equal(calls, nowhere[how]) || !slices.Equal(calls, []string{codes.NotFound.String()}) {
				t.Errorf("%s by %s: %v for a foreign case, %v for none, %v at no site", method.Name(), how, calls, missing[how], nowhere[how])
			}
			if !slices.Equal(here[how], mine[how]) || strings.Contains(strings.Join(here[how], " "), "bay") {
				t.Errorf("%s by %s at one's own site: %v for a foreign uid, %v for none", method.Name(), how, here[how], mine[how])
			}
			looked += len(here[how]) - 1
		}
	}
	if looked < 10 {
		t.Errorf("%d lookups tell nothing", looked)
	}
}
