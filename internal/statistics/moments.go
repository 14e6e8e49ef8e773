package statistics

import (
	"math/big"
	"math/bits"
)

// sum128 is a signed sum of products of two int64, exact for any number of rows that
// a store can hold.
type sum128 struct {
	hi, lo uint64
}

func (s sum128) plus(o sum128) sum128 {
	lo, carry := bits.Add64(s.lo, o.lo, 0)
	hi, _ := bits.Add64(s.hi, o.hi, carry)
	return sum128{hi, lo}
}

func (s sum128) minus(o sum128) sum128 {
	lo, borrow := bits.Sub64(s.lo, o.lo, 0)
	hi, _ := bits.Sub64(s.hi, o.hi, borrow)
	return sum128{hi, lo}
}

func product(a, b int64) sum128 {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	// The product of two negative numbers read as unsigned is too large by each
	// other's 2^64.
	if a < 0 {
		hi -= uint64(b)
	}
	if b < 0 {
		hi -= uint64(a)
	}
	return sum128{hi, lo}
}

func (s sum128) big() *big.Int {
	v := new(big.Int).SetInt64(int64(s.hi))
	v.Lsh(v, 64)
	return v.Add(v, new(big.Int).SetUint64(s.lo))
}

// Pairs are the exact sums of pairs (x, y), both in whole steps of one grid: what a
// bias, a spread, a line and a concordance are made of. The zero value holds none.
// Two that hold the same pairs are equal, however they came together. A coordinate is
// at most 1e12 steps from 0, which units.ToGrid sees to.
type Pairs struct {
	n          int64
	x, y       int64
	xx, yy, xy sum128
	absolute   int64
}

// Add counts a pair.
func (p *Pairs) Add(x, y int64) {
	p.n++
	p.x += x
	p.y += y
	p.absolute += distance(x, y)
	p.xx = p.xx.plus(product(x, x))
	p.yy = p.yy.plus(product(y, y))
	p.xy = p.xy.plus(product(x, y))
}

// Retract takes a pair out that was counted before.
func (p *Pairs) Retract(x, y int64) {
	p.n--
	p.x -= x
	p.y -= y
	p.absolute -= distance(x, y)
	p.xx = p.xx.minus(product(x, x))
	p.yy = p.yy.minus(product(y, y))
	p.xy = p.xy.minus(product(x, y))
}

// Merge adds the pairs of another sum.
func (p *Pairs) Merge(o Pairs) {
	p.n += o.n
	p.x += o.x
	p.y += o.y
	p.absolute += o.absolute
	p.xx = p.xx.plus(o.xx)
	p.yy = p.yy.plus(o.yy)
	p.xy = p.xy.plus(o.xy)
}

// N is how many pairs there are.
func (p Pairs) N() int { return int(p.n) }

func distance(x, y int64) int64 { return max(y-x, x-y) }

// form is a linear form ax*x + ay*y of a pair.
type form struct{ ax, ay int64 }

var (
	planned    = form{1, 0}
	measured   = form{0, 1}
	difference = form{-1, 1}
	// total is twice the mean of both sides.
	total = form{1, 1}
)

func (p Pairs) sum(f form) *big.Int {
	s := new(big.Int).Mul(big.NewInt(f.ax), big.NewInt(p.x))
	return s.Add(s, new(big.Int).Mul(big.NewInt(f.ay), big.NewInt(p.y)))
}

func (p Pairs) products(f, g form) *big.Int {
	s := new(big.Int).Mul(big.NewInt(f.ax*g.ax), p.xx.big())
	s.Add(s, new(big.Int).Mul(big.NewInt(f.ay*g.ay), p.yy.big()))
	return s.Add(s, new(big.Int).Mul(big.NewInt(f.ax*g.ay+f.ay*g.ax), p.xy.big()))
}

// scatter is n times the sum of products about the means, a whole number.
func (p Pairs) scatter(f, g form) *big.Int {
	s := new(big.Int).Mul(big.NewInt(p.n), p.products(f, g))
	return s.Sub(s, new(big.Int).Mul(p.sum(f), p.sum(g)))
}

func (p Pairs) mean(f form) float64 { return ratio(p.sum(f), big.NewInt(p.n)) }

// covariance has the divisor n(n - less): less is 1 for what is estimated from a
// sample, 0 for the pairs as they are.
func (p Pairs) covariance(f, g form, less int64) float64 {
	return ratio(p.scatter(f, g), new(big.Int).Mul(big.NewInt(p.n), big.NewInt(p.n-less)))
}

// ratio rounds once.
func ratio(a, b *big.Int) float64 {
	v, _ := new(big.Rat).SetFrac(a, b).Float64()
	return v
}
