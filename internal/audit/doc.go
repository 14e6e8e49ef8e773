// Package audit answers what a department asks of its cases: did we get what we
// planned, and are we getting better? It takes cases and comparisons, in any order,
// and gives figures with their intervals, each with the sentence that it says.
//
// It decides which pairs belong together, who is left out and why, and when a figure
// is told at all; the formulas are those of package statistics. It reads no store and
// no clock. Nothing is compared across methods or formulas, one patient gives one
// pair, and every figure stands beside what it was drawn from.
package audit
