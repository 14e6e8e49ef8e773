package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// The report of the demo's year is written as PDF and HTML, twice the same; what it
// can't be made of is refused before anything is asked.
func TestReport(t *testing.T) {
	address := servedDemo(t)
	folder := t.TempDir()
	actions := filepath.Join(folder, "actions.txt")
	if err := os.WriteFile(actions, []byte("# of 2025\nMeasure every discharge echo | done\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	written := func(name string) []byte {
		file := filepath.Join(folder, name)
		call(t, "report", "--server", address, "--year", "2026", "--as-of", "2026-10-01", "--actions", actions, "--out", file).want(t, exitOK)
		out, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	pdf, page := written("a.pdf"), written("a.html")
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) || !bytes.Equal(pdf, written("b.pdf")) {
		t.Error("no PDF, or another one the second time")
	}
	says(t, "the page", string(page), "INVENTED CASES", "report of the year 2026", "Measure every discharge echo", "SHA-256 of the content above")
	empty := filepath.Join(folder, "empty.txt")
	if err := os.WriteFile(empty, []byte("# nothing\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for reason, flags := range map[string][]string{
		"--year is the year": {"--out", filepath.Join(folder, "c.pdf")},
		"--out names a file": {"--year", "2026", "--out", filepath.Join(folder, "c.doc")},
		"has no line":        {"--year", "2026", "--out", filepath.Join(folder, "c.pdf"), "--actions", empty},
	} {
		says(t, reason, call(t, append([]string{"report", "--server", address}, flags...)...).want(t, exitUsage).stderr, reason)
	}
}
