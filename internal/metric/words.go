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

func segmentName(s valve.Segment) string { return strings.ToUpper(string(s)) }

func itoa(n int) string { return strconv.Itoa(n) }
