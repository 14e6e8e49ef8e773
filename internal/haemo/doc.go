// Package haemo holds the formulas of flow and pressure: quantification of
// mitral regurgitation (by flow convergence, by volumes, by vena contracta) and
// its grade bands, orifice area and gradient, pulmonary pressure, ejection
// fraction, body surface and indexed volumes.
//
// It knows no case, no repair and no absence: it takes quantities and gives
// quantities. Whether an input is there, plausible and taken in the right
// context is the caller's question; the caller is package metric. Each function
// states its formula, units, accepted range and source. Outside the accepted
// range a result means nothing and may be infinite or not a number; nothing is
// clamped, so that a wrong input shows.
//
// Sources are marked 'read in' (the paper or page itself, mostly its abstract),
// 'read in a secondary page' (a page that reproduces the source) and 'from
// memory'. The quantification of regurgitation follows Zoghbi et al., J Am Soc
// Echocardiogr 2017;30:303-371, called 'the 2017 recommendations' below.
package haemo
