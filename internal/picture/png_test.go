package picture_test

import (
	"bytes"
	"errors"
	"image/color"
	"image/png"
	"testing"

	"trigone/internal/picture"
)

// A picture is filled where its shapes lie, at the size asked for.
func TestPNG(t *testing.T) {
	p := picture.Picture{Width: 390, Height: 100, Shapes: []picture.Shape{
		picture.Rectangle{X: 0, Y: 0, W: 100, H: 50, Style: picture.Style{Fill: picture.Blue}},
		picture.Group{Shapes: []picture.Shape{picture.Circle{X: 200, Y: 50, R: 20, Style: picture.Style{Line: picture.Ink, Width: 4, Fill: picture.Rust}}}},
		picture.Line(300, 20, 380, 20, picture.Style{Line: picture.Ink, Width: 4}),
		picture.Line(300, 60, 380, 60, picture.Style{Line: picture.Ink, Width: 4, Dash: picture.Dashed}),
		// A ring drawn both ways round stays filled, and so does a line that crosses itself.
		picture.Polyline(picture.Style{Line: picture.Ink, Width: 6}, picture.At(110, 80), picture.At(150, 80), picture.At(110, 80)),
		picture.Text{X: 10, Y: 90, Text: "MMMM", Size: 20, Anchor: picture.Start, Bold: true, Tone: picture.Ink},
	}}
	for _, width := range []int{390, 780, 1170} {
		out, err := picture.PNG(p, width)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(out))
		if err != nil {
			t.Fatal(err)
		}
		scale := float64(width) / 390
		if b := img.Bounds(); b.Dx() != width || b.Dy() != width*100/390 && b.Dy() != width*100/390+1 {
			t.Errorf("asked for %d wide: %v", width, b)
		}
		for _, test := range []struct {
			reason string
			x, y   float64
			want   picture.Tone
		}{
			{"inside the rectangle", 50, 25, picture.Blue},
			{"beside it", 50, 60, picture.White},
			{"inside the circle", 200, 50, picture.Rust},
			{"on its line", 200, 30, picture.Ink},
			{"outside it", 200, 20, picture.White},
			{"on a line", 340, 20, picture.Ink},
			{"in its first dash", 302.5, 60, picture.Ink},
			{"in the first gap, of 3 after 5", 306.5, 60, picture.White},
			{"where a line runs back over itself", 130, 80, picture.Ink},
		} {
			r, g, b := test.want.RGB()
			if got := color.RGBAModel.Convert(img.At(int(test.x*scale), int(test.y*scale))); got != (color.RGBA{R: r, G: g, B: b, A: 255}) {
				t.Errorf("%d wide, %s: %v, want tone %d", width, test.reason, got, test.want)
			}
		}
		dark := 0
		for x := 10; x < 80; x++ {
			if r, _, _, _ := img.At(int(float64(x)*scale), int(83*scale)).RGBA(); r < 0x4000 {
				dark++
			}
		}
		if dark < 8 {
			t.Errorf("%d wide: of the text %d places are dark", width, dark)
		}
		if again, _ := picture.PNG(p, width); !bytes.Equal(out, again) {
			t.Errorf("%d wide: other bytes the second time", width)
		}
	}
	for _, width := range []int{0, 199, 4001} {
		if _, err := picture.PNG(p, width); !errors.Is(err, picture.ErrSize) {
			t.Errorf("%d wide: %v", width, err)
		}
	}
}
