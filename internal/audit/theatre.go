package audit

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"trigone/internal/units"
)

// TheatreRow is how many operations of one kind the list of the theatres has: words of
// the contract; an empty aetiology is not told.
type TheatreRow struct {
	Aetiology, Procedure string
	Count                int
}

// TheatreMonth is what the list of the theatres says of a month.
type TheatreMonth struct {
	Month string // as 2026-03
	Rows  []TheatreRow
}

// Total counts the operations of a month.
func (m TheatreMonth) Total() (n int) {
	for _, r := range m.Rows {
		n += r.Count
	}
	return n
}

// HeldMonth is a month of the list held against the record.
type HeldMonth struct {
	Month string
	// Listed is absent where no count was submitted.
	Listed   units.Maybe[int]
	Recorded int
	Sentence string
}

// Months counts operations on record by month, in any order.
type Months struct {
	zone     *time.Location
	recorded map[string]int
}

// NewMonths begins to count in a zone.
func NewMonths(zone *time.Location) *Months { return &Months{zone, map[string]int{}} }

// Add adds a case that was operated on.
func (m *Months) Add(c *Case) { m.recorded[MonthOf(c.Incision, m.zone)]++ }

// MonthOf gives the calendar month of an instant.
func MonthOf(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01") }

// Against holds the record against what the list of the theatres says, for every month
// that either knows.
func (m *Months) Against(list []TheatreMonth) []HeldMonth {
	months := map[string]*HeldMonth{}
	of := func(month string) *HeldMonth {
		if months[month] == nil {
			months[month] = &HeldMonth{Month: month}
		}
		return months[month]
	}
	for _, l := range list {
		of(l.Month).Listed = units.Some(l.Total())
	}
	for month, n := range m.recorded {
		of(month).Recorded = n
	}
	var out []HeldMonth
	for _, h := range months {
		h.Sentence = h.sentence()
		out = append(out, *h)
	}
	slices.SortFunc(out, func(a, b HeldMonth) int { return cmp.Compare(a.Month, b.Month) })
	return out
}

func (h *HeldMonth) sentence() string {
	n, ok := h.Listed.Get()
	missing := n - h.Recorded
	switch {
	case !ok:
		return fmt.Sprintf("%s: %s on record; the theatre list was not submitted, so that nobody can say whether that is all.", h.Month, operations(h.Recorded))
	case missing > 0:
		return fmt.Sprintf("%s: the theatre list has %s, the record %d; %d not seen.", h.Month, operations(n), h.Recorded, missing)
	case missing < 0:
		return fmt.Sprintf("%s: the record has %s, the theatre list %d; the list is short by %d, or an operation has the wrong day.", h.Month, operations(h.Recorded), n, -missing)
	}
	return fmt.Sprintf("%s: the theatre list and the record both have %s.", h.Month, operations(n))
}

func operations(n int) string {
	if n == 1 {
		return "1 operation"
	}
	return fmt.Sprintf("%d operations", n)
}
