package server

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"
	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/deployment"
	"trigone/internal/identity"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server/fhirrest"
)

// door lets callers in: who it is, whether one may call at all, and about which site.
// Whoever is refused is refused before anything is looked for, and before the body of
// the request is taken in.
type door struct {
	houses houses
	keeper *identity.Keeper // nil: whoever reaches the port is local
	local  *deployment.Identity
	limits *limits
	now    func() time.Time
	log    *zap.Logger
	// registered are the RPCs that are served; what else is asked for is answered by
	// the transport.
	registered map[string]bool
	// refused is told of somebody who is signed in and was not let in.
	refused func(who, call, outcome string)
}

// localName is who asks where there are no identities: on loopback, without a
// deployment file.
const localName = "local"

func newDoor(h houses, keeper *identity.Keeper, log *zap.Logger) *door {
	d := &door{houses: h, keeper: keeper, limits: newLimits(), now: time.Now, log: log, registered: map[string]bool{}, refused: func(string, string, string) {}}
	if keeper == nil {
		d.local = &deployment.Identity{Name: localName}
		for _, site := range h.names() {
			d.local.Rights = append(d.local.Rights, &deployment.SiteRights{Site: site, Roles: deployment.Roles()})
		}
	}
	return d
}

type callerKey struct{}

// callerOf gives who calls, as the door found; nil: nobody who is signed in.
func callerOf(ctx context.Context) *deployment.Identity {
	who, _ := ctx.Value(callerKey{}).(*deployment.Identity)
	return who
}

// callerName is for the log.
func callerName(ctx context.Context) string {
	if who := callerOf(ctx); who != nil {
		return who.Name
	}
	return "nobody"
}

// signIn says who calls. Only what the caller proves on this connection counts: no
// header that something before the server could have been made to write.
func (d *door) signIn(shown []*x509.Certificate, authorization []string) (*deployment.Identity, error) {
	if d.local != nil {
		return d.local, nil
	}
	trust, now := d.keeper.Trust(), d.now()
	var byToken, byCertificate *deployment.Identity
	var err error
	switch len(authorization) {
	case 0:
	case 1:
		scheme, token, _ := strings.Cut(authorization[0], " ")
		if !strings.EqualFold(scheme, "Bearer") || token == "" {
			return nil, notSignedIn("authorization is given, and holds no bearer token")
		}
		if byToken, err = trust.ByToken(token, now); err != nil {
			return nil, notSignedIn(err.Error())
		}
	default:
		return nil, notSignedIn("authorization is given several times")
	}
	if len(shown) > 0 {
		byCertificate, err = trust.ByCertificate(shown, now)
		// A machine may carry the tokens of others: then its certificate names nobody.
		if err != nil && (byToken == nil || !errors.Is(err, identity.ErrNobody)) {
			return nil, notSignedIn(err.Error())
		}
	}
	switch {
	case byToken == nil && byCertificate == nil:
		return nil, notSignedIn("show a client certificate, or a bearer token")
	case byToken != nil && byCertificate != nil && byToken != byCertificate:
		return nil, notSignedIn("the certificate and the token name two identities; show one of them")
	case byToken != nil:
		return byToken, nil
	}
	return byCertificate, nil
}

func notSignedIn(reason string) error {
	return casebook.Refuse(casebook.Unauthenticated, casebook.ReasonNotSignedIn, "nobody is signed in: %s", reason)
}

func noRight() error {
	return casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight, "your roles do not include this call; the README of the service lists which do")
}

// mayAnywhere says whether somebody may call at some site.
func (d *door) mayAnywhere(who *deployment.Identity, r *right) bool {
	return slices.ContainsFunc(d.rightsOf(who), func(s *deployment.SiteRights) bool { return r.allows(s.Roles) })
}

// tap judges a call by its headers.
func (d *door) tap(ctx context.Context, info *tap.Info) (context.Context, error) {
	method := info.FullMethodName
	if !d.registered[method] {
		return ctx, nil
	}
	who, err := d.signIn(certificatesOf(ctx), info.Header.Get("authorization"))
	row := rightOf[method]
	switch {
	case row != nil && row.anybody:
		err = nil
	case err != nil:
	default:
		if err = d.limits.of(who).request(d.now()); err == nil && !d.mayAnywhere(who, row) {
			err = noRight()
		}
	}
	if who != nil {
		ctx = context.WithValue(ctx, callerKey{}, who)
	}
	if err != nil {
		err = mapped(d.log, method, err)
		d.log.Info("call", zap.String("method", method), zap.String("code", status.Code(err).String()), zap.String("caller", callerName(ctx)))
		if who != nil && onRecord(method) {
			d.refused(who.Name, shortMethod(method), status.Code(err).String())
		}
		return ctx, err
	}
	return ctx, nil
}

// certificatesOf gives those that the caller has proved to hold.
func certificatesOf(ctx context.Context) []*x509.Certificate {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	shown, ok := p.AuthInfo.(credentials.TLSInfo)
	if !ok {
		return nil
	}
	return shown.State.PeerCertificates
}

// permit lets a request in to the site that it is about, and says so to every room
// that it reaches.
func (d *door) permit(ctx context.Context, method string, req any) (context.Context, error) {
	row := rightOf[method]
	if row != nil && row.anybody {
		return ctx, nil
	}
	who := callerOf(ctx)
	if who == nil {
		return nil, notSignedIn("the call came past the door; this is a fault of the server")
	}
	message, _ := req.(proto.Message)
	at, err := d.sitesOf(who, row, message)
	if err != nil {
		return nil, err
	}
	return d.inside(ctx, who, at...), nil
}

// inside says who asks, and about which of the sites at which he has rights.
func (d *door) inside(ctx context.Context, who *deployment.Identity, at ...*deployment.SiteRights) context.Context {
	p := casebook.Principal{Name: who.Name, Tied: who.Name != localName}
	var about reach
	for i, one := range at {
		if i == 0 {
			casebook.AccessOf(ctx).Site(one.Site)
		}
		casebook.AccessOf(ctx).At(one.Site) // each site's record says that it was asked
		about = append(about, d.houses[one.Site])
		p.Operators = one.Operators
		p.ByStaff = rightOf[fhirRoute(fhirrest.RouteByStaff)].allows(one.Roles) && (i == 0 || p.ByStaff)
	}
	if len(at) > 1 {
		p.Operators = nil // nobody acts under a pseudonym at several sites
	}
	return context.WithValue(casebook.WithPrincipal(ctx, p), reachKey{}, about)
}

// sitesOf gives the sites that a request is about: one, or for a list that is asked over
// one's own all at which the caller may call. A site at which he has no rights is
// answered as one that does not exist.
func (d *door) sitesOf(who *deployment.Identity, row *right, req proto.Message) ([]*deployment.SiteRights, error) {
	site, named := casebook.SiteOf(req)
	if named && site != casebook.OwnSites {
		for _, at := range d.rightsOf(who) {
			if at.Site != site {
				continue
			}
			if !allowed(row, req, at.Roles) {
				return nil, noRight()
			}
			return []*deployment.SiteRights{at}, nil
		}
		if !d.mayAnywhere(who, row) {
			return nil, noRight()
		}
		return nil, casebook.Refuse(casebook.NotFound, casebook.ReasonUnknownSite,
			"there is no such site, or you have no rights there; yours are %s", sitesInWords(d.ownSites(who)))
	}
	var open []*deployment.SiteRights
	for _, at := range d.rightsOf(who) {
		if allowed(row, req, at.Roles) {
			open = append(open, at)
		}
	}
	slices.SortFunc(open, func(a, b *deployment.SiteRights) int { return strings.Compare(a.Site, b.Site) })
	switch {
	case len(open) == 0:
		return nil, noRight()
	case len(open) == 1 || !casebook.NamesSites(req):
		return open[:1], nil
	case named && row.across:
		return open, nil
	}
	return nil, siteNeeded(row, open)
}

// allowed says whether roles allow what is asked for: for the access record in an
// export more is needed than for the export, and for case numbers in an extract.
func allowed(row *right, req proto.Message, roles []deployment.Role) bool {
	if export, ok := req.(*trigonev1.ExportResourcesRequest); ok && slices.Contains(export.GetResourceTypes(), fhirmap.TypeAuditEvent) &&
		!rightOf[fhirRoute(fhirrest.RouteExportAccesses)].allows(roles) {
		return false
	}
	if x, ok := req.(*trigonev1.ExtractTableRequest); ok && x.GetWithCaseNumbers() && !slices.Contains(roles, reviewer) {
		return false
	}
	return row.allows(roles)
}

// rightsOf gives what somebody may do at the sites that are served: a site that came
// into the file since the start is not, yet.
func (d *door) rightsOf(who *deployment.Identity) []*deployment.SiteRights {
	return slices.DeleteFunc(slices.Clone(who.Rights), func(at *deployment.SiteRights) bool { return d.houses[at.Site] == nil })
}

func (d *door) ownSites(who *deployment.Identity) []string {
	var list []string
	for _, s := range d.rightsOf(who) {
		list = append(list, s.Site)
	}
	return list
}

func (d *door) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	ctx, err := d.permit(ctx, info.FullMethod, req)
	if err != nil {
		return nil, err
	}
	end, err := d.limits.of(callerOf(ctx)).call()
	if err != nil {
		return nil, err
	}
	defer end()
	return handler(ctx, req)
}

func (d *door) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	end, err := d.limits.of(callerOf(stream.Context())).call()
	if err != nil {
		return err
	}
	defer end()
	return handler(srv, &asked{ServerStream: stream, door: d, method: info.FullMethod, ctx: stream.Context()})
}

// asked is a stream whose first request says which site it is about.
type asked struct {
	grpc.ServerStream
	door   *door
	method string
	ctx    context.Context
	in     bool
}

// Context says who asks, once a request was taken.
func (s *asked) Context() context.Context { return s.ctx }

func (s *asked) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil || s.in || !strings.HasPrefix(s.method, ownServices) {
		return err
	}
	ctx, err := s.door.permit(s.ctx, s.method, m)
	if err != nil {
		return err
	}
	s.ctx, s.in = ctx, true
	return nil
}

// serveHTTP lets requests in to the faces of the sites.
func (d *door) serveHTTP(w http.ResponseWriter, r *http.Request, face func(r *http.Request) (http.Handler, string)) {
	h := w.Header()
	secured(w, r)
	who, at, next, end, err := d.admitHTTP(r, face)
	if err != nil {
		name := "nobody"
		if who != nil {
			name = who.Name
		}
		d.log.Info("request", zap.String("route", "refused"), zap.String("caller", name))
		if who != nil {
			d.refused(who.Name, "fhir", status.Code(mapped(d.log, "fhir", err)).String())
		} else {
			h.Set("WWW-Authenticate", "Bearer")
		}
		fhirrest.WriteRefusal(w, err, d.log)
		return
	}
	defer end()
	ctx := context.WithValue(r.Context(), callerKey{}, who)
	next.ServeHTTP(w, r.WithContext(d.inside(ctx, who, at)))
}

// secured sets the headers that every answer over HTTP has.
func secured(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Referrer-Policy", "no-referrer")
	if r.TLS != nil {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

var errTokenInAddress = notSignedIn("a token in an address is never taken, since addresses are written down everywhere; send it as Authorization: Bearer, and have this one withdrawn")

func (d *door) admitHTTP(r *http.Request, face func(r *http.Request) (http.Handler, string)) (who *deployment.Identity, at *deployment.SiteRights, next http.Handler, end func(), err error) {
	if r.URL.Query().Has("access_token") {
		return nil, nil, nil, nil, errTokenInAddress
	}
	who, err = d.signIn(peerCertificates(r.TLS), r.Header.Values("Authorization"))
	if err != nil {
		return nil, nil, nil, nil, err
	}
	if err := d.limits.of(who).request(d.now()); err != nil {
		return who, nil, nil, nil, err
	}
	next, site := face(r)
	for _, s := range d.rightsOf(who) {
		if next != nil && s.Site == site {
			at = s
		}
	}
	if at == nil {
		return who, nil, nil, nil, casebook.Refuse(casebook.NotFound, casebook.ReasonUnknownSite, "there is no such site, or you have no rights there")
	}
	end, err = d.limits.of(who).call()
	return who, at, next, end, err
}

func peerCertificates(state *tls.ConnectionState) []*x509.Certificate {
	if state == nil {
		return nil
	}
	return state.PeerCertificates
}

// mayRoute says whether who asks may take a route of FHIR over HTTP at the site whose
// face it is.
func (d *door) mayRoute(ctx context.Context, route string) error {
	if d.mayCall(ctx, fhirRoute(route)) {
		return nil
	}
	return noRight()
}

// knows takes the RPCs that a server answers: those the door judges.
func (d *door) knows(s *grpc.Server) {
	for service, info := range s.GetServiceInfo() {
		for _, m := range info.Methods {
			d.registered["/"+service+"/"+m.Name] = true
		}
	}
}
