// Package draw makes drawings of one case from its structs and its evaluation:
// pictures of lines, areas and words, which package picture writes. It is a pure room:
// the same case gives the same bytes. It computes nothing and judges nothing; every
// number in a drawing stands in the case's evaluation.
//
//	p := draw.Strip(draw.Subject{Case: c, Evaluation: e})
//	page.Write(picture.SVG(p))
//
// # What a drawing says
//
// Where something was not measured the drawing says so and draws nothing in its
// place; where a drawing does not hold at all, Picture.NotDrawn gives the reason,
// which stands in the picture too. Shades of grey and blue tell nothing alone: what
// is planned is hollow, what was done filled, what was taken down dotted.
//
// No drawing holds an identifier, a pseudonym, a date, an id that a client chose or
// a text that somebody typed: words come from the closed lists of the contract.
package draw

import (
	"time"

	"trigone/internal/evaluate"
	"trigone/internal/picture"
	"trigone/internal/repair"
)

// Subject is what is drawn of: a case, and what its evaluation says of it.
type Subject struct {
	Case       *repair.Case
	Evaluation evaluate.Evaluation
	// Zone is that of the site, in which its days begin; nil: UTC.
	Zone *time.Location
	// Clock asks for the clock's times in theatre, in place of minutes from incision.
	Clock bool
}

// Drawing is one of the drawings that a subject alone gives.
type Drawing struct {
	// Name is a stable word, for files and flags.
	Name string
	// Shows says in a line what is on it.
	Shows string
	// Predicts says that it shows what a model predicts, so that it is no part of
	// what is signed.
	Predicts bool
	Of       func(Subject) picture.Picture
}

// Drawings lists them in the order in which they are read.
func Drawings() []Drawing {
	return []Drawing{
		{Name: NameStrip, Shows: "the valve opened and laid flat: what was planned and what was done, at its place", Of: Strip},
		{Name: NameSlice, Shows: "the middle slice before and after, with the contact predicted and measured", Predicts: true, Of: Slice},
		{Name: NameAims, Shows: "aim, prediction and outcome: one row a quantity, each on its own axis", Predicts: true, Of: Aims},
		{Name: NameCourse, Shows: "the course: days before and after, minutes in theatre, regurgitation at each examination", Of: Course},
	}
}

// The names of the drawings.
const (
	NameStrip  = "strip"
	NameSlice  = "slice"
	NameAims   = "aims"
	NameCourse = "course"
)

// sheet is a picture in the making, with what drawings of a case write on it.
type sheet struct{ *picture.Sheet }

func newSheet(name, title string) *sheet { return &sheet{picture.NewSheet(name, title)} }
