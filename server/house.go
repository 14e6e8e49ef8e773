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
	ledger *ledger.Ledger
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
		list[site] = &house{site: site, policy: p, book: book, desk: desk, ledger: ledger.New(book.Archive)}
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

type houseKey struct{}

// of gives the house that a call is about, as permit found it.
func of(ctx context.Context) *house { return ctx.Value(houseKey{}).(*house) }

// sitesInWords names sites as a request names them.
func sitesInWords(list []string) string {
	named := make([]string, len(list))
	for i, s := range list {
		named[i] = "sites/" + s
	}
	return strings.Join(named, ", ")
}

// siteNeeded refuses a request that leaves open which of several sites it means.
func siteNeeded(own []string) error {
	err := casebook.RefuseField("parent", fmt.Sprintf("names no site, and you have rights at several; give one of %s", sitesInWords(own)))
	var refusal *casebook.Error
	if errors.As(err, &refusal) {
		refusal.Reason = casebook.ReasonSiteNeeded
	}
	return err
}
