package invent

import (
	"math/rand/v2"

	"trigone/internal/units"
)

// part is a part of a case that has random numbers of its own.
type part uint64

const (
	partDays part = iota
	partPatient
	partValve
	partTeam
	partPlan
	partRisks
	partRepair
	partTheatre
	partStay
	partLater
	partReceipts
	parts
)

// draws are the random numbers of one part of one case. Each part has a stream of its
// own, so that a fault that is left out moves no other number.
type draws struct{ *rand.Rand }

func stream(seed uint64, number int, what part) *draws {
	return &draws{rand.New(rand.NewPCG(seed, uint64(number)*uint64(parts)+uint64(what)))}
}

// happens says whether something of this probability comes about. It takes one number
// whatever the probability: a fault that raises it adds to what happened, and takes nothing away.
func (r *draws) happens(p float64) bool { return r.Float64() < p }

// normal draws from a normal distribution that is cut at both ends.
func (r *draws) normal(mean, sd, low, high float64) float64 {
	for range 100 {
		if v := mean + sd*r.NormFloat64(); low <= v && v <= high {
			return v
		}
	}
	return min(max(mean, low), high)
}

// of draws from a normal distribution that nothing cuts.
func (r *draws) of(mean, sd float64) float64 { return mean + sd*r.NormFloat64() }

// share is one of several possibilities and how often it comes.
type share[T any] struct {
	of T
	p  float64
}

// pick draws one of several possibilities; what is left to 1 belongs to the last.
func pick[T any](r *draws, list ...share[T]) T {
	u := r.Float64()
	for _, s := range list {
		if u < s.p {
			return s.of
		}
		u -= s.p
	}
	return list[len(list)-1].of
}

// steps rounds to what an instrument shows.
func steps(v, step float64) float64 { return units.Round(v, step) }
