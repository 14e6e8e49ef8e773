package main

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trigone/testdata"
)

// plotted are the commands whose answer may be drawn.
var plotted = [][]string{{"agreement"}, {"outcomes"}, {"monitor"}, {"freedom"}}

// What --plot writes is a picture of the form and width asked for, says that the cases
// are invented, and names no case and no patient.
func TestPlots(t *testing.T) {
	address := servedDemo(t)
	for _, command := range plotted {
		t.Run(strings.Join(command, " "), func(t *testing.T) {
			folder := t.TempDir()
			svg, image := filepath.Join(folder, "a.svg"), filepath.Join(folder, "a.png")
			if drawn := call(t, append(command, "--server", address, "--plot", svg)...).want(t, exitOK); drawn.stdout == "" {
				t.Error("with a plot the answer itself is not printed")
			}
			text, err := os.ReadFile(svg)
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range []string{"<svg", "INVENTED CASES", "<title"} {
				if !bytes.Contains(text, []byte(want)) {
					t.Errorf("the SVG has no %q", want)
				}
			}
			for _, name := range testdata.Names(testdata.Cases) {
				c := read(t, testdata.Cases, name)
				for _, id := range []string{c.GetExternalIdentifier().GetValue(), c.GetPatientIdentifier().GetValue()} {
					if id != "" && bytes.Contains(text, []byte(id)) {
						t.Errorf("the SVG names %s", id)
					}
				}
			}
			call(t, append(command, "--server", address, "--plot", image, "--plot-width", "400")...).want(t, exitOK)
			f, err := os.Open(image)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = f.Close() }()
			if config, err := png.DecodeConfig(f); err != nil || config.Width != 400 {
				t.Errorf("PNG %+v, %v", config, err)
			}
			for reason, flags := range map[string][]string{
				"neither SVG nor PNG": {"--plot", filepath.Join(folder, "a.pdf")},
				"too narrow":          {"--plot", image, "--plot-width", "20"},
				"a width of nothing":  {"--plot-width", "500"},
			} {
				says(t, reason, call(t, append(append(command, "--server", address), flags...)...).want(t, exitUsage).stderr, "--plot")
			}
		})
	}
}
