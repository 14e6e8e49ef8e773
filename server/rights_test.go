package server

import (
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"

	"trigone/internal/deployment"
	"trigone/server/fhirrest"
)

// An RPC or an address without a row in the table of rights could be called by nobody:
// whoever adds one says here who may.
func TestEveryCallHasARow(t *testing.T) {
	s := grpc.NewServer()
	register(s)
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
