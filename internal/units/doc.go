// Package units holds the measured quantities of the service as distinct Go
// types, one per family and unit, with the named operations that the formulas
// need; the closed table of units with their UCUM codes; Maybe for a value that
// may be absent; and the one place where a number is rounded and printed.
//
// It holds no formula of the trade, no plausible ranges and no anatomy: those
// live in geometry, haemo and valve. It imports nothing of ours. Every pure
// package and the converters call it.
//
// A quantity is a float64 in the unit that its type names, so float64(q) is the
// number in that unit and nothing else. A product, a quotient or a change of
// unit is always a named method, never a bare factor at the place of use.
// Zero is a measured value; absence is Maybe's None.
package units
