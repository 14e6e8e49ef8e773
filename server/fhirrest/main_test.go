package fhirrest

import (
	"fmt"
	"os"
	"testing"
	_ "time/tzdata" // the site's zone must be known on a machine without zone files
)

var sharedDir string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "fhirrest")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	sharedDir = dir
	code := m.Run()
	if shared.f != nil {
		if err := shared.f.close(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	if err := os.RemoveAll(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(code)
}
