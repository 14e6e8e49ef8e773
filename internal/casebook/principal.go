package casebook

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// Principal is who asks. Every method that answers from the record is told, reads
// too.
type Principal struct {
	Name string
	// Tied says that the pseudonyms of operators are tied to identities: then this one
	// operates and signs under Operators only.
	Tied      bool
	Operators []string
	// ByStaff says that this one may select, group and count by who operated.
	ByStaff bool
}

// Is says whether this one may act under a pseudonym.
func (p Principal) Is(pseudonym string) bool {
	return !p.Tied || slices.Contains(p.Operators, pseudonym)
}

// Sees says whether this one may be told figures of a pseudonym: of anybody who may group
// by staff, else of himself. That nobody ties pseudonyms to identities lets nobody see
// more.
func (p Principal) Sees(pseudonym string) bool {
	return p.ByStaff || pseudonym != "" && slices.Contains(p.Operators, pseudonym)
}

type principalKey struct{}

// WithPrincipal puts who asks into the context of a call.
func WithPrincipal(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// PrincipalOf gives who asks; the zero one where nobody was named.
func PrincipalOf(ctx context.Context) Principal {
	p, _ := ctx.Value(principalKey{}).(Principal)
	return p
}

// Admit lets a call in: somebody asks, and about this site. It gives the site. Every
// method that answers from the record begins with it; req is nil where a call has
// no message of the contract.
func (a *Archive) Admit(who Principal, req proto.Message) (site string, err error) {
	if who.Name == "" {
		return "", Refuse(Unauthenticated, ReasonNoPrincipal, "nobody is named as the one who asks; this is a fault of the server that was called")
	}
	own := a.Policy.Settings.Site
	for _, named := range sitesOf(req) {
		switch {
		case named.site == own, named.site == OwnSites && !named.byCase:
		case named.byCase:
			return "", a.noCaseName()
		default:
			return "", Refuse(NotFound, ReasonUnknownSite, "this server keeps sites/%s only; leave parent empty or give that name", own)
		}
	}
	return own, nil
}

// OwnSites stands for the sites at which who asks has rights, in a parent.
const OwnSites = "-"

// NamesSites says whether requests of this kind can name a site.
func NamesSites(req proto.Message) bool {
	if req == nil {
		return false
	}
	fields := req.ProtoReflect().Descriptor().Fields()
	for _, name := range []protoreflect.Name{fieldParent, fieldCase, fieldCaseName} {
		if fields.ByName(name) != nil {
			return true
		}
	}
	return false
}

// SiteOf gives the site that a request names, as a parent or by a case, in whichever
// field; OwnSites where it names no other; not that of one that leaves it to the server.
func SiteOf(req proto.Message) (site string, named bool) {
	list := sitesOf(req)
	for _, s := range list {
		if s.site != OwnSites {
			return s.site, true
		}
	}
	return OwnSites, len(list) > 0
}

type namedSite struct {
	site   string
	byCase bool
}

// Fields of requests that name a site or a case of one.
const (
	fieldParent   = "parent"
	fieldCase     = "case"
	fieldCaseName = "case_name"
	fieldIntoCase = "into_case"
)

// sitesOf gives every site that a request names.
func sitesOf(req proto.Message) []namedSite {
	if req == nil {
		return nil
	}
	var list []namedSite
	parent := func(s string) {
		if s != "" {
			site, ok := strings.CutPrefix(s, "sites/")
			if !ok {
				site = "" // no name of a site, so none of this server's
			}
			list = append(list, namedSite{site, false})
		}
	}
	name := func(s string) {
		// What is no name of a case is refused where the case is looked for.
		if rest, ok := strings.CutPrefix(s, "sites/"); ok {
			if site, _, ok := strings.Cut(rest, "/cases/"); ok {
				list = append(list, namedSite{site, true})
			}
		}
	}
	m := req.ProtoReflect()
	text := func(field protoreflect.Name) string {
		if fd := m.Descriptor().Fields().ByName(field); fd != nil && fd.Kind() == protoreflect.StringKind {
			return m.Get(fd).String()
		}
		return ""
	}
	parent(text(fieldParent))
	if fd := m.Descriptor().Fields().ByName(fieldCase); fd != nil && m.Has(fd) {
		if ref, ok := m.Get(fd).Message().Interface().(*trigonev1.CaseReference); ok {
			parent(ref.GetParent())
			name(ref.GetName())
		}
	}
	name(text(fieldCaseName))
	name(text(fieldIntoCase))
	return list
}
