package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/picture"
	"trigone/internal/private"
)

// plotFlags say where an answer is drawn to.
type plotFlags struct {
	file   string
	pixels int
}

// defaultPixels make texts of a PNG sharp on paper.
const defaultPixels = 1170

func (f *plotFlags) flags(c *cobra.Command) {
	c.Flags().StringVar(&f.file, "plot", "", "draw the answer to this file too: .svg, or .png for programs that take no SVG")
	c.Flags().IntVar(&f.pixels, "plot-width", defaultPixels, "width of a PNG in pixels")
}

// asked says whether the answer is to be drawn.
func (f plotFlags) asked() bool { return f.file != "" }

func (f plotFlags) check(cmd *cobra.Command) error {
	extension := strings.ToLower(filepath.Ext(f.file))
	switch {
	case !f.asked() && cmd.Flags().Changed("plot-width"):
		return usagef("--plot-width goes with --plot FILE.png")
	case f.asked() && extension != ".svg" && extension != ".png":
		return usagef("--plot names a file that ends in .svg or .png")
	case f.pixels < picture.LeastPixels || f.pixels > picture.MostPixels:
		return usagef("--plot-width is from %d to %d pixels", picture.LeastPixels, picture.MostPixels)
	}
	return nil
}

// write draws pictures into the file, one below another; name and title are those of
// the whole.
func (f plotFlags) write(name, title string, list []picture.Picture) error {
	if !f.asked() {
		return nil
	}
	all := picture.Stack(name, title, list)
	out := picture.SVG(all)
	if strings.EqualFold(filepath.Ext(f.file), ".png") {
		var err error
		if out, err = picture.PNG(all, f.pixels); err != nil {
			return usagef("draw to %s: %v; ask for fewer figures or a smaller --plot-width, or draw an SVG", f.file, err)
		}
	}
	if err := private.Write(f.file, out); err != nil {
		return fmt.Errorf("write the plot: %w", err)
	}
	return nil
}
