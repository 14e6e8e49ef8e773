package casefile

import (
	"fmt"
	"strings"
	"time"
)

// formsOfTime are those without a zone.
var formsOfTime = []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05"}

// instant reads a time; wrong says what to write instead. One without a zone is
// taken in the given one.
func instant(text string, zone *time.Location) (at time.Time, wrong string) {
	text = strings.TrimSpace(text)
	for _, form := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00"} {
		if at, err := time.Parse(form, text); err == nil {
			return at, ""
		}
	}
	for _, form := range formsOfTime {
		wall, err := time.Parse(form, text)
		if err != nil {
			continue
		}
		if zone == nil {
			return time.Time{}, "has no zone, and the site's is not known here: write e.g. " + wall.Format("2006-01-02T15:04") + "+01:00, or Z for universal time"
		}
		return inZone(wall, zone)
	}
	return time.Time{}, "needs a time: write 2026-03-02T15:10 in the site's time, or with its zone 2026-03-02T15:10+01:00"
}

// inZone takes the figures of a clock in a zone: which instant they are is asked of
// the zone's offsets a day before and after.
func inZone(wall time.Time, zone *time.Location) (at time.Time, wrong string) {
	var found []time.Time
	for _, near := range []time.Time{wall.Add(-24 * time.Hour), wall.Add(24 * time.Hour)} {
		_, offset := near.In(zone).Zone()
		at := wall.Add(-time.Duration(offset) * time.Second).In(zone)
		if at.Format(time.DateTime) == wall.Format(time.DateTime) && (len(found) == 0 || !found[0].Equal(at)) {
			found = append(found, at)
		}
	}
	const form = "2006-01-02T15:04:05-07:00"
	switch len(found) {
	case 1:
		return found[0], ""
	case 2:
		return time.Time{}, fmt.Sprintf("is there twice on that day in %s, because clocks are put back: write %s for the first or %s for the second", zone, found[0].Format(form), found[1].Format(form))
	}
	return time.Time{}, fmt.Sprintf("is not there on that day in %s, because clocks are put forward: check it, or write it with its zone", zone)
}
