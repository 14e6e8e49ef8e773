// Package geometry holds the shapes of the repair: annulus and ring as ellipse
// or superellipse, the closure model of one antero-posterior slice with its
// planning window and first-order uncertainty, and the arithmetic of resections.
//
// It knows no case, no repair steps and no absence: it takes quantities and
// gives quantities. Whether an input is there, taken in the right context and
// inside the model's domain is the caller's question (CheckDomain helps); the
// caller is package metric. Each function states its formula, units, accepted
// range and source. 'Derived' means that the formula follows from the stated
// assumptions and has not been published; no study validates the absolute
// coaptation length that the closure model predicts after a repair.
package geometry
