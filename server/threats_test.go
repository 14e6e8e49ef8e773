package server

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every row of the README's threat model names tests that exist.
func TestThreatsNameTheirTests(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, chapter, found := strings.Cut(string(text), "\n### Threat model\n")
	chapter, _, _ = strings.Cut(chapter, "\n### ")
	if !found {
		t.Fatal("the README has no threat model")
	}
	tests, err := exec.CommandContext(t.Context(), "grep", "-rhoE", "--include=*_test.go", `^func Test[A-Za-z0-9_]+`, "..").Output()
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	for line := range strings.Lines(string(tests)) {
		there[strings.TrimPrefix(strings.TrimSpace(line), "func ")] = true
	}
	rows := 0
	for line := range strings.Lines(chapter) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| threat ") {
			continue
		}
		rows++
		names := regexp.MustCompile("`(Test[A-Za-z0-9_]+)`").FindAllStringSubmatch(line, -1)
		if len(names) == 0 {
			t.Errorf("no test is named: %s", line)
		}
		for _, name := range names {
			if !there[name[1]] {
				t.Errorf("there is no %s", name[1])
			}
		}
	}
	if rows < 9 {
		t.Errorf("%d rows", rows)
	}
}
