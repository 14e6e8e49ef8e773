// Package statistics holds the statistics of the audit: agreement of what was
// planned or predicted with what was measured, proportions and their funnels,
// sequential monitoring, freedom from an event, calibration of predictions, and
// the exact sums that they stand on.
//
// It knows no case, no repair and no unit: it takes numbers, or whole steps of a
// grid, and gives numbers. Which pairs belong together, who is left out and why is
// the caller's question; the caller is package audit.
//
// What has no value says so: a function that can be asked too little returns a
// Refusal, a sentence that a person can read, and never 0, never NaN. Arguments
// that no data can bring about (a level outside 0 to 1, a negative count) are
// mistakes of the caller and panic.
//
// What is summed is summed in whole numbers, so that an answer does not depend on
// the order in which rows came, on how a store was split, or on what came and was
// retracted in between: equal rows, equal bits.
//
// Sources are marked 'read in' (the paper or page itself, mostly its abstract),
// 'read in a secondary page' (a page that reproduces the source) and 'from
// memory'.
package statistics

// Refusal is why a statistic has no value, as a sentence for whoever asked.
type Refusal string

// Error gives the sentence.
func (r Refusal) Error() string { return string(r) }

// Why a statistic has no value.
const (
	// NoPairs: nothing was counted.
	NoPairs Refusal = "no pairs: nothing is left to compare"
	// OnePair: a spread asks for two.
	OnePair Refusal = "one pair only: a spread takes two"
	// TooFewPairs: a line or a correlation asks for three.
	TooFewPairs Refusal = "fewer than three pairs: no line can be told from chance"
	// NoVariation: what is compared has one value throughout.
	NoVariation Refusal = "all values are equal: there is no variation to explain"
	// NoCases: a share of nothing.
	NoCases Refusal = "no cases: there is nothing to take a share of"
	// CertainRisk: a risk of 0 or 1 leaves nothing to weigh.
	CertainRisk Refusal = "an expected risk must lie between 0 and 1, both excluded: the case can't be weighed"
	// NothingExpected: an observed count stands against no expectation.
	NothingExpected Refusal = "too little is expected to compare with: below 5 expected events only counts are given"
	// NoLimits: a share that is 0 or 1 throughout has no funnel.
	NoLimits Refusal = "a target of 0 or 1 has no limits"
	// NoEvent: nothing happened yet.
	NoEvent Refusal = "no event so far: only the upper limit of its share is told"
	// NoInterval: a curve that stands at 1 or at 0 has no interval.
	NoInterval Refusal = "no interval: the estimate stands at 0 or 1"
)
