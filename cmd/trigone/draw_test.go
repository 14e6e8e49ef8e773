package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trigone/testdata"
)

// A case file and the case on record give the same drawings, each to a file of its
// name; one alone goes to standard output too.
func TestDraw(t *testing.T) {
	path := file(t, read(t, testdata.Cases, "smaller-ring"))
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	call(t, with("submit", path)...).want(t, exitOK)
	alone, stored := filepath.Join(t.TempDir(), "of-file"), filepath.Join(t.TempDir(), "of-record")
	call(t, "draw", path, "--what", "all", "--out", alone).want(t, exitOK)
	call(t, with("draw", number, "--what", "all", "--out", stored)...).want(t, exitOK)
	for _, name := range drawingNames() {
		var content [2]string
		for i, folder := range []string{alone, stored} {
			raw, err := os.ReadFile(filepath.Join(folder, name+".svg"))
			if err != nil {
				t.Fatal(err)
			}
			if content[i] = string(raw); !strings.HasPrefix(content[i], "<svg ") || strings.Contains(content[i], "Not drawn, because") {
				t.Errorf("%s begins with %.20q, or is not drawn", name, content[i])
			}
		}
		// The record knows beside it when the plan was received.
		const late = " The plan was signed before incision and received after it."
		description := func(s string) string {
			_, s, _ = strings.Cut(s, "<desc")
			s, _, _ = strings.Cut(s, "</desc>")
			return s
		}
		if name == "strip" && description(content[1]) != description(content[0])+late {
			t.Errorf("the strips of the file and of the record differ:\n%s\n%s", description(content[0]), description(content[1]))
		}
	}
	one := call(t, "draw", path, "--what", "strip", "--out", "-").want(t, exitOK)
	says(t, "strip", one.stdout, "<svg ", "Posterior leaflet", "papillary muscles")
	says(t, "by the clock", call(t, "draw", path, "--what", "course", "--clock", "--out", "-").want(t, exitOK).stdout, "In theatre, by the clock")
	for _, test := range []struct {
		reason string
		args   []string
		says   string
	}{
		{"no name", []string{"draw", path, "--out", "-"}, "--what says which drawing"},
		{"another name", []string{"draw", path, "--what", "heart", "--out", "-"}, "there is no drawing \"heart\""},
		{"several to one place", []string{"draw", path, "--what", "all", "--out", "-"}, "the folder"},
		{"nowhere to", []string{"draw", path, "--what", "strip"}, "--out names the file"},
	} {
		says(t, test.reason, call(t, test.args...).want(t, exitUsage).stderr, test.says)
	}
}
