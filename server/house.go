package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/deployment"
	"trigone/internal/handover"
	"trigone/internal/ledger"
	"trigone/internal/policy"
	"trigone/internal/storage"
)

// house is what answers for one site: its record, judged by its policy.
type house struct {
	site   string
	policy policy.Policy
	book   *casebook.Book
	desk   *handover.Desk
}

// houses are those of all sites of the server, by name.
type houses map[string]*house

// housing is what houses are built of.
type housing struct {
	store         storage.Store
	now           func() time.Time
	policies      map[string]policy.Policy
	deIdentifiers map[string]*fhirmap.DeIdentifier // nil: none are made there
	// withoutStaff are the sites whose exports leave out who operated.
	withoutStaff map[string]bool
}

func buildHouses(ctx context.Context, c housing) (houses, error) {
	list, turns := houses{}, casebook.NewTurns()
	for site, p := range c.policies {
		book, err := casebook.New(ctx, casebook.Config{
			Store: c.store, Policy: p, Software: Version(), Now: c.now, Projectors: projectors(), WriteNote: handover.WriteSigned(p), Turns: turns,
		})
		if err != nil {
			return nil, err
		}
		desk, err := handover.New(ctx, handover.Config{Archive: book.Archive, Now: c.now, DeIdentifier: c.deIdentifiers[site], ExportsWithoutStaff: c.withoutStaff[site]})
		if err != nil {
			return nil, err
		}
		list[site] = &house{site: site, policy: p, book: book, desk: desk}
	}
	return list, nil
}

// names gives the sites in alphabetical order.
func (h houses) names() []string {
	var list []string
	for site := range h {
		list = append(list, site)
	}
	slices.Sort(list)
	return list
}

// any gives the house of the first site: what belongs to no site is asked there.
func (h houses) any() *house { return h[h.names()[0]] }

// reach are the houses that a call is about, by name of the site: one, or several of
// the caller's own for a list that is read across them.
type reach []*house

type reachKey struct{}

// across gives the houses that a call is about, as permit found them.
func across(ctx context.Context) reach { return ctx.Value(reachKey{}).(reach) }

// of gives the house of a call that is about one.
func of(ctx context.Context) *house { return across(ctx)[0] }

func (r reach) archives() casebook.Archives {
	list := make(casebook.Archives, len(r))
	for i, h := range r {
		list[i] = h.book.Archive
	}
	return list
}

func (r reach) desks() handover.Desks {
	list := make(handover.Desks, len(r))
	for i, h := range r {
		list[i] = h.desk
	}
	return list
}

func (r reach) ledger() *ledger.Ledger { return ledger.New(r.archives()...) }

// sitesInWords names sites as a request names them.
func sitesInWords(list []string) string {
	named := make([]string, len(list))
	for i, s := range list {
		named[i] = "sites/" + s
	}
	return strings.Join(named, ", ")
}

// siteNeeded refuses a request that leaves open which of several sites it means.
func siteNeeded(row *right, open []*deployment.SiteRights) error {
	var own []string
	for _, at := range open {
		own = append(own, at.Site)
	}
	text := fmt.Sprintf("names no site, and you have rights at several; give one of %s", sitesInWords(own))
	switch {
	case row.across:
		text += ", or sites/- for all of them"
	case row.apart != "":
		text += ": " + row.apart
	}
	err := casebook.RefuseField("parent", text)
	var refusal *casebook.Error
	if errors.As(err, &refusal) {
		refusal.Reason = casebook.ReasonSiteNeeded
	}
	return err
}
