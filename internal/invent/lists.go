package invent

import (
	"cmp"
	"slices"
	"time"
)

// TheatreList is what the theatre counted in a month, whether or not it is on record.
type TheatreList struct {
	// Month begins on this day; Received is when the count was sent.
	Month, Received time.Time
	Rows            []TheatreRow
}

// TheatreRow is how many operations of a kind there were: words of the contract.
type TheatreRow struct {
	Aetiology, Procedure string
	Count                int
}

// How often the theatre does what is not on record: repairs that nobody entered, and
// replacements that were meant to be; common practice, no source.
const (
	unrecordedRepair    = 0.1 // a month
	intendedReplacement = 0.7
	listMissing         = 0.07
)

// theatreLists counts the months since the record began, each sent on the fifth of the
// next one.
func (d *Department) theatreLists() {
	first := time.Date(d.Served.Year(), d.Served.Month()+1, 1, 0, 0, 0, 0, time.UTC)
	for n, month := 1, first; ; n, month = n+1, month.AddDate(0, 1, 0) {
		next := month.AddDate(0, 1, 0)
		list := TheatreList{Month: month, Received: next.AddDate(0, 0, 4).Add(10 * time.Hour)}
		if list.Received.After(d.Settings.Until) {
			return
		}
		r := stream(d.Settings.Seed, n, partLists)
		counts := map[TheatreRow]int{}
		for i := range d.Cases {
			c := &d.Cases[i]
			if c.Incision.Before(month) || !c.Incision.Before(next) {
				continue
			}
			row := TheatreRow{Aetiology: c.Valve.Aetiology, Procedure: "repair"}
			if c.Theatre.Conversion != "" {
				row.Procedure = "replacement"
			}
			counts[row]++
		}
		if r.happens(unrecordedRepair) {
			counts[TheatreRow{Aetiology: "fibroelastic_deficiency", Procedure: "repair"}]++
		}
		for range 3 {
			aetiology := pick(r, share[string]{"rheumatic", 0.5}, share[string]{"endocarditis", 0.3}, share[string]{"degenerative_intermediate", 0.2})
			if r.happens(intendedReplacement / 3) {
				counts[TheatreRow{Aetiology: aetiology, Procedure: "replacement"}]++
			}
		}
		if r.happens(listMissing) {
			continue
		}
		for row, count := range counts {
			row.Count = count
			list.Rows = append(list.Rows, row)
		}
		slices.SortFunc(list.Rows, func(a, b TheatreRow) int {
			return cmp.Or(cmp.Compare(a.Aetiology, b.Aetiology), cmp.Compare(a.Procedure, b.Procedure))
		})
		d.Lists = append(d.Lists, list)
	}
}
