package statistics

import (
	"maps"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Histogram counts values in whole steps of a grid: exact quantiles, shares and ends
// of any number of rows, whatever the order in which they came. The zero value is
// empty.
type Histogram struct {
	counts map[int64]int64
	n      int64
}

// Add counts a value.
func (h *Histogram) Add(steps int64) { h.add(steps, 1) }

// Retract takes a value out that was counted before.
func (h *Histogram) Retract(steps int64) { h.add(steps, -1) }

// Merge adds the values of another histogram.
func (h *Histogram) Merge(o Histogram) {
	for steps, count := range o.counts {
		h.add(steps, count)
	}
}

func (h *Histogram) add(steps, count int64) {
	if h.counts == nil {
		h.counts = map[int64]int64{}
	}
	h.counts[steps] += count
	h.n += count
	if h.counts[steps] == 0 {
		delete(h.counts, steps)
	}
}

// Equal tells whether both hold the same values.
func (h Histogram) Equal(o Histogram) bool { return maps.Equal(h.counts, o.counts) }

// N is how many values there are.
func (h Histogram) N() int { return int(h.n) }

// Bin is how often a value stands.
type Bin struct {
	Steps int64
	Count int64
}

// Bins are the values that stand at least once, in order.
func (h Histogram) Bins() []Bin {
	bins := make([]Bin, 0, len(h.counts))
	for _, steps := range slices.Sorted(maps.Keys(h.counts)) {
		bins = append(bins, Bin{steps, h.counts[steps]})
	}
	return bins
}

// Within is how many values lie between two ends, both included.
func (h Histogram) Within(low, high int64) Share {
	s := Share{Of: int(h.n)}
	for steps, count := range h.counts {
		if low <= steps && steps <= high {
			s.Count += int(count)
		}
	}
	return s
}

// Quantile is the value below which a share p of all lies, in steps, linear between
// the two neighbours in rank: definition 7 of Hyndman & Fan, which the spreadsheets use.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods 7.2.6.2 (example read in a
// secondary page).
func (h Histogram) Quantile(p float64) (float64, error) {
	if h.n == 0 {
		return 0, NoPairs
	}
	rank := clamp(p, 0, 1) * float64(h.n-1)
	below := int64(rank)
	left, right := h.at(below), h.at(min(below+1, h.n-1))
	return float64(left) + (rank-float64(below))*float64(right-left), nil
}

// at is the value of a rank, from 0 on.
func (h Histogram) at(rank int64) int64 {
	for _, bin := range h.Bins() {
		if rank -= bin.Count; rank < 0 {
			return bin.Steps
		}
	}
	panic("a rank beyond the last value")
}

// TooFewForMedian says that the interval of a median would reach past all values.
const TooFewForMedian Refusal = "fewer than six values: all of them together don't hold the median with 95 %"

// MedianInterval is where the median lies with at least 95 %, by ranks: it asks nothing
// of the distribution.
//
// Source: order statistics, common practice; of six values, from the least to the
// largest, it holds 1 - 2/2^6 = 0.969.
func (h Histogram) MedianInterval() (Interval, error) {
	b := distuv.Binomial{N: float64(h.n), P: 0.5}
	// The least rank, from 0, with no more than 2.5 % below it.
	rank := int64(-1)
	for rank+1 < h.n && b.CDF(float64(rank+1)) <= 0.025 {
		rank++
	}
	if h.n == 0 || rank < 0 {
		return Interval{}, TooFewForMedian
	}
	return Interval{float64(h.at(rank)), float64(h.at(h.n - 1 - rank))}, nil
}
