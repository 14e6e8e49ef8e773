package server

import (
	"context"
	"net/http"
	"net/url"
	"slices"

	"go.uber.org/zap"
	"google.golang.org/grpc/status"

	"trigone/internal/casebook"
	"trigone/internal/deployment"
	"trigone/server/fhirrest"
	"trigone/server/pages"
)

// listenPages makes the pages, which are served on the port of the REST face.
func (f *restFace) openPages(o Options, door *door, heavy *heavy, rec *record) (err error) {
	base, err := url.Parse(f.base)
	if err != nil {
		return err
	}
	f.host = base.Hostname()
	c := pages.Config{
		Rooms: func(ctx context.Context) pages.Rooms {
			h := of(ctx)
			return pages.Rooms{Site: h.site, Policy: h.policy, Book: h.book, Desk: h.desk, Ledger: reach{h}.ledger()}
		},
		May: door.mayCall, Sites: func(ctx context.Context) []string { return door.ownSites(callerOf(ctx)) },
		Admit:    func(ctx context.Context, call string) (func(), error) { return heavy.enter(ctx, heavyMethods[call]) },
		OnRecord: rec.recorder.Admit, Version: Version(), Log: o.Log, Now: o.Now,
	}
	if door.local == nil {
		c.SignIn = func(_ context.Context, token string) (string, error) {
			who, err := door.signIn(nil, []string{"Bearer " + token})
			if err != nil {
				return "", err
			}
			if err := door.limits.of(who).request(door.now()); err != nil {
				return "", err
			}
			o.Log.Info("signed in", zap.String("caller", who.Name))
			return who.Name, nil
		}
	}
	f.pages, err = pages.New(c)
	return err
}

// mayCall says whether who asks may make a call of the table at the site that it is
// about.
func (d *door) mayCall(ctx context.Context, call string) bool {
	who, h := callerOf(ctx), of(ctx)
	return slices.ContainsFunc(d.rightsOf(who), func(at *deployment.SiteRights) bool {
		return at.Site == h.site && rightOf[call].allows(at.Roles)
	})
}

// ServeHTTP answers what comes to the port: a page, or FHIR.
func (f *restFace) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	route, _ := f.pages.Route(r)
	if route == "" && f.ofFHIR(r) {
		f.door.serveHTTP(w, r, f.faceOf)
		return
	}
	f.servePage(w, r)
}

// servePage lets a request in to its page: by what the caller shows on the connection,
// or by the session that stands for a token.
func (f *restFace) servePage(w http.ResponseWriter, r *http.Request) {
	secured(w, r)
	route, open := f.pages.Route(r)
	if !fhirrest.OwnHost(r.Host, f.host) {
		f.pages.Refuse(w, r, errOtherHost)
		return
	}
	if open {
		f.pages.ServeHTTP(w, r)
		return
	}
	who, at, end, err := f.admitPage(r, route)
	if err != nil {
		name := "nobody"
		if who != nil {
			name = who.Name
			f.door.refused(who.Name, "page", status.Code(mapped(f.log, "page", err)).String())
		}
		f.log.Info("request", zap.String("route", "refused"), zap.String("caller", name))
		f.pages.Refuse(w, r, err)
		return
	}
	defer end()
	f.pages.Turn(w, r)
	ctx := f.door.inside(context.WithValue(r.Context(), callerKey{}, who), who, at)
	f.record.http(f.pages).ServeHTTP(w, r.WithContext(ctx))
}

var errOtherHost = casebook.Refuse(casebook.NotFound, "", "the host that was asked for is not this one")

func (f *restFace) admitPage(r *http.Request, route string) (who *deployment.Identity, at *deployment.SiteRights, end func(), err error) {
	d := f.door
	if r.URL.Query().Has("access_token") {
		return nil, nil, nil, errTokenInAddress
	}
	shown := r.Header.Values("Authorization")
	if token := f.pages.Token(r); token != "" && len(shown) == 0 {
		if err := pages.FromSession(r); err != nil {
			return nil, nil, nil, err
		}
		shown = []string{"Bearer " + token}
	}
	if who, err = d.signIn(peerCertificates(r.TLS), shown); err != nil {
		return nil, nil, nil, err
	}
	if err := d.limits.of(who).request(d.now()); err != nil {
		return who, nil, nil, err
	}
	if at = d.siteOfPage(who, pages.SiteAsked(r), rightOf[pages.PageRight(route)]); at == nil {
		return who, nil, nil, casebook.Refuse(casebook.NotFound, casebook.ReasonUnknownSite, "there is no such site, or you have no rights there")
	}
	end, err = d.limits.of(who).call()
	return who, at, end, err
}

// siteOfPage gives the site that an address names, or the first at which who asks may
// see the page; nil: it is none of his.
func (d *door) siteOfPage(who *deployment.Identity, asked string, row *right) *deployment.SiteRights {
	own := d.rightsOf(who)
	for _, at := range own {
		if asked == at.Site || asked == "" && row.allows(at.Roles) {
			return at
		}
	}
	if asked == "" && len(own) > 0 {
		return own[0]
	}
	return nil
}
