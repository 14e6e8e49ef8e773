package server

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"

	"trigone/internal/deployment"
	"trigone/server/fhirrest"
	"trigone/server/pages"
)

// An RPC or an address without a row in the table of rights could be called by nobody:
// whoever adds one says here who may.
func TestEveryCallHasARow(t *testing.T) {
	s := grpc.NewServer()
	register(s, administrationService{})
	healthgrpc.RegisterHealthServer(s, health.NewServer())
	reflection.Register(s)
	d := &door{registered: map[string]bool{}}
	d.knows(s)
	calls := map[string]bool{}
	for method := range d.registered {
		calls[method] = true
	}
	for _, m := range declared() {
		calls["/"+string(m.Parent().FullName())+"/"+string(m.Name())] = true
	}
	for _, route := range fhirrest.Routes() {
		calls[fhirRoute(route)] = true
	}
	for _, route := range pages.Routes() {
		calls[pages.PageRight(route)] = true
	}
	for call := range calls {
		if rightOf[call] == nil {
			t.Errorf("%s has no row in the table of rights", call)
		}
	}
	seen := map[string]bool{}
	for _, r := range rights {
		switch {
		case !calls[r.call]:
			t.Errorf("%s has a row, and is no call", r.call)
		case seen[r.call]:
			t.Errorf("%s has two rows", r.call)
		case r.anybody == (len(r.roles) > 0):
			t.Errorf("%s is for anybody, or has roles: one of both", r.call)
		case r.about == "":
			t.Errorf("%s does not say what it is", r.call)
		}
		seen[r.call] = true
	}
}

// What has no row is denied, whoever asks.
func TestWithoutARowNobodyMay(t *testing.T) {
	if (*right)(nil).allows(deployment.Roles()) {
		t.Error("what has no row is allowed")
	}
}

var update = flag.Bool("update", false, "rewrite the table of rights in the README")

// What the README tells operators of rights is the table itself.
func TestTheReadmeShowsTheRights(t *testing.T) {
	path := filepath.Join("..", "README.md")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const begin, end = "<!-- rights -->\n", "<!-- /rights -->"
	before, rest, found := strings.Cut(string(text), begin)
	shown, after, closed := strings.Cut(rest, end)
	if !found || !closed {
		t.Fatal("the README has no place for the table")
	}
	if *update {
		if err := os.WriteFile(path, []byte(before+begin+RightsTable()+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if shown != RightsTable() {
		t.Error("the README shows other rights than the table; go test ./server -run Readme -update rewrites it")
	}
}
