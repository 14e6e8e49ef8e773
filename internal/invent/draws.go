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
	partLists
)

// draws are the random numbers of one part of one case. Each part has a stream of its
// own, so that a fault that is left out moves no other number.
type draws struct{ *rand.Rand }

// mostParts is room for further parts, so that one more moves no number of the others.
const mostParts = 16

// stream gives the random numbers of a part of a case. Neighbouring cases have seeds that
// differ in many bits: the first numbers of a PCG tell its seed.
func stream(seed uint64, number int, what part) *draws {
	return &draws{rand.New(rand.NewPCG(mixed(seed), mixed(uint64(number)*mostParts+uint64(what))))}
}

// mixed is the finalizer of SplitMix64 (Steele, Lea & Flood 2014; constants from memory).
func mixed(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
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
