package metric

import (
	"math"
	"strconv"
	"strings"

	"trigone/internal/valve"
)

// nan is what an absent input gives.
var nan = math.NaN()

// Grids to which values are rounded before they are held against a limit; they
// are those of the leaves and metrics in these units.
const (
	areaGrid    = 0.01
	volumeGrid  = 0.1
	percentGrid = 0.1
	lengthGrid  = 0.1
	angleGrid   = 0.1
	ratioGrid   = 0.01
)

// inWords prints a word of the contract: after_leaflet_work as 'after leaflet
// work'.
func inWords(word string) string { return strings.ReplaceAll(word, "_", " ") }

func segmentName(s valve.Segment) string { return strings.ToUpper(string(s)) }

func itoa(n int) string { return strconv.Itoa(n) }

func join(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}
