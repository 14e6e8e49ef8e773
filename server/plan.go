package server

import (
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"net"
	"reflect"

	"go.uber.org/zap"
	"golang.org/x/net/netutil"

	"trigone/fhirmap"
	"trigone/internal/access"
	"trigone/internal/casebook"
	"trigone/internal/deployment"
	"trigone/internal/identity"
	"trigone/internal/policy"
)

// plan is how a server serves, from flags or from a deployment file.
type plan struct {
	listen, httpListen, httpBaseURL string
	operationsListen                string
	accessKeyFile                   string
	storePath                       string
	mustExist                       bool
	policies                        map[string]policy.Policy
	deIdentifiers                   map[string]*fhirmap.DeIdentifier
	withoutStaff                    map[string]bool // in exports, by site
	reflection                      bool
	// bySite says that the address of FHIR names the site.
	bySite bool
	keeper *identity.Keeper // nil: no deployment file
}

func planned(o Options) (*plan, error) {
	if o.Deployment != "" {
		return deployed(o)
	}
	for _, address := range []string{o.Listen, o.HTTPListen} {
		if address == "" && o.Listen != "" {
			continue
		}
		if err := checkLoopback(address); err != nil {
			return nil, err
		}
	}
	clinical, err := readPolicy(o.PolicyPath)
	if err != nil {
		return nil, err
	}
	deIdentifier, err := readDeIdentifier(o.DeIdentificationKeyFile)
	if err != nil {
		return nil, err
	}
	site := clinical.Settings.Site
	return &plan{
		listen: o.Listen, operationsListen: o.OperationsListen, accessKeyFile: o.AccessKeyFile, httpListen: o.HTTPListen, httpBaseURL: o.HTTPBaseURL, storePath: o.StorePath, mustExist: o.StoreMustExist,
		policies: map[string]policy.Policy{site: clinical}, deIdentifiers: map[string]*fhirmap.DeIdentifier{site: deIdentifier}, reflection: true,
	}, nil
}

func deployed(o Options) (*plan, error) {
	keeper, err := identity.Keep(o.Deployment, o.Log)
	if err != nil {
		return nil, err
	}
	d := keeper.Trust().Deployment
	policies, err := policies(d)
	if err != nil {
		return nil, err
	}
	p := &plan{
		listen: d.Listen.GRPC, operationsListen: d.Listen.Operations, accessKeyFile: d.AccessRecord.Key, httpListen: d.Listen.HTTP, httpBaseURL: d.Listen.HTTPBaseURL, storePath: d.Store.File, mustExist: d.Store.MustExist,
		policies: policies, deIdentifiers: map[string]*fhirmap.DeIdentifier{}, withoutStaff: map[string]bool{}, bySite: true, keeper: keeper,
		reflection: d.Reflection || deployment.Loopback(d.Listen.GRPC),
	}
	for _, s := range d.Sites {
		p.withoutStaff[s.Name] = !s.OperatorsInExports
	}
	if err := deIdentifiersOf(d, p.deIdentifiers); err != nil {
		return nil, err
	}
	for _, l := range d.Listeners() {
		// The file was checked; this holds whoever opens a port to it.
		if d.TLS == nil && *l.Address != "" && !deployment.Loopback(*l.Address) {
			return nil, ErrNotLoopback
		}
	}
	return p, nil
}

// keeps gives for how long is kept what is not kept for good, as the deployment file
// says when it is asked; without one all is kept.
func (p *plan) keeps(recorder *access.Recorder, key ed25519.PrivateKey) func() casebook.Keep {
	return func() (k casebook.Keep) {
		if p.keeper != nil {
			r := p.keeper.Trust().Deployment.Retention
			k.Quarantine, k.Requests, k.Accesses = r.Quarantine, r.Requests, r.Accesses
		}
		if key != nil {
			k.Sign, k.Key = recorder.SignCut, key.Public().(ed25519.PublicKey)
		}
		return k
	}
}

// tls gives the configuration of a listener; nil: none.
func (p *plan) tls(protocols ...string) *tls.Config {
	if p.keeper == nil {
		return nil
	}
	return p.keeper.TLS(protocols...)
}

// follow takes up what changes of identities while the server runs, and says of the
// rest that it needs a restart.
func (p *plan) follow(log *zap.Logger) {
	if p.keeper == nil {
		return
	}
	p.keeper.Follow(func(before, after *deployment.Deployment) {
		if needsRestart(before, after) {
			log.Warn("THE DEPLOYMENT FILE CHANGED WHERE A RESTART IS NEEDED: listeners, the store, sites with their policies, reflection, and whether there is TLS stay as they are until then")
		}
	})
}

func needsRestart(before, after *deployment.Deployment) bool {
	sites := func(d *deployment.Deployment) map[string]deployment.Site {
		list := map[string]deployment.Site{}
		for _, s := range d.Sites {
			list[s.Name] = *s
		}
		return list
	}
	return before.Listen != after.Listen || before.Store != after.Store || before.AccessRecord != after.AccessRecord || before.Reflection != after.Reflection ||
		(before.TLS == nil) != (after.TLS == nil) || !reflect.DeepEqual(sites(before), sites(after))
}

// listenOn opens a port that takes a bounded number of connections.
func listenOn(ctx context.Context, address string) (net.Listener, error) {
	var listen net.ListenConfig
	listener, err := listen.Listen(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return netutil.LimitListener(listener, mostConnections), nil
}
