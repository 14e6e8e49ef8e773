package picture_test

import (
	"slices"
	"strings"
	"testing"

	"trigone/internal/picture"
)

// Pictures set below each other keep their texts and their breaks, and cut at the
// breaks they are what they were.
func TestStack(t *testing.T) {
	one := func(title string) picture.Picture {
		s := picture.NewSheet("one", title)
		s.Say("a line", picture.Ink)
		s.MayBreak()
		s.Add(picture.Group{Title: "inside", Shapes: []picture.Shape{picture.Circle{X: 50, Y: s.Y + 8, R: 5, Style: picture.Style{Fill: picture.Ink}}}})
		s.Y += 20
		return s.Done("what is seen in " + title)
	}
	a, b := one("First"), one("Second")
	all := picture.Stack("all", "Both", []picture.Picture{a, b})
	if !slices.Equal(all.Texts(), append(a.Texts(), b.Texts()...)) {
		t.Errorf("texts %q", all.Texts())
	}
	if all.Title != "Both" || !strings.Contains(all.Description, "what is seen in First") || !strings.Contains(all.Description, "Second") {
		t.Errorf("title %q, description %q", all.Title, all.Description)
	}
	all.Walk(func(s picture.Shape) {
		if r := s.Bounds(); r.Top < 0 || r.Bottom > all.Height {
			t.Errorf("%#v lies outside", s)
		}
	})
	parts := all.Parts()
	if len(parts) != 4 || !slices.Equal(parts[2].Texts(), b.Texts()) {
		t.Errorf("%d parts, the third with %q", len(parts), parts[2].Texts())
	}
	if alone := picture.Stack("all", "Both", []picture.Picture{a}); alone.Title != "First" {
		t.Errorf("one alone has the title %q", alone.Title)
	}
}
