package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"trigone/testdata"
)

// A note comes from a file without a server and from a server, and says the same
// but for what only the record knows.
func TestNote(t *testing.T) {
	path := file(t, read(t, testdata.Cases, "smaller-ring"))
	alone := call(t, "note", path).want(t, exitOK)
	says(t, "note of a file", alone.stdout, "Operative note: mitral valve operation", "Draft for signature", "labelled size 28", "labelled size 32 to 34", "record not stored")
	if strings.Contains(alone.stdout, "not a medical device") {
		t.Error("a note for signature speaks of software")
	}
	says(t, "annex", call(t, "note", path, "--annex").want(t, exitOK).stdout, "not a medical device", "After leaving theatre", "not on record")
	narrow(t, "note", alone.stdout)
	if same := call(t, "note", path, "--format", "text").want(t, exitOK); same.stdout != alone.stdout {
		t.Error("text is not the default")
	}

	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	says(t, "stderr", call(t, with("note", number)...).want(t, exitRefused).stderr, "NOT_FOUND")
	call(t, with("submit", path)...).want(t, exitOK)
	stored := call(t, with("note", number)...).want(t, exitOK)
	says(t, "note of a case", stored.stdout, "labelled size 28", "labelled size 32 to 34", "record version 1", "sites/")
	says(t, "annex of a case", call(t, with("note", number, "--annex")...).want(t, exitOK).stdout, "history number 1001")
	says(t, "an earlier version", call(t, with("note", number, "--as-of", "1")...).want(t, exitOK).stdout, "record version 1")
	says(t, "no such version", call(t, with("note", number, "--as-of", "2")...).want(t, exitRefused).stderr, "NOT_FOUND", "no version 2; its newest is 1")
	body := func(s string) string {
		_, s, _ = strings.Cut(pageHead.ReplaceAllString(s, ""), "Procedure performed")
		return strings.Join(strings.Fields(s), " ") // pages break elsewhere
	}
	if body(stored.stdout) != body(alone.stdout) {
		t.Errorf("the note of the file and that of the record differ in what was done:\n%s\n%s", body(stored.stdout), body(alone.stdout))
	}

	folder := t.TempDir()
	for format, begins := range map[string]string{"html": "<!DOCTYPE html>", "pdf": "%PDF-", "text": "Patient P-0008"} {
		out := filepath.Join(folder, "note."+format)
		for _, of := range []string{path, number} {
			if got := call(t, with("note", of, "--format", format, "--out", out)...).want(t, exitOK); got.stdout != "" {
				t.Errorf("%s: something is printed beside the file: %s", format, got.stdout)
			}
			content, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.HasPrefix(content, []byte(begins)) {
				t.Errorf("%s begins with %.20q", format, content)
			}
		}
	}
}

// What was signed is given again byte for byte; the commands say what they need.
func TestSign(t *testing.T) {
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	call(t, with("submit", file(t, read(t, testdata.Cases, "smaller-ring")))...).want(t, exitOK)
	folder := t.TempDir()
	signed, again := filepath.Join(folder, "signed.pdf"), filepath.Join(folder, "again.pdf")
	says(t, "sign", call(t, with("sign", number, "--version", "1", "--signer", "surgeon-1", "--role", "surgeon", "--out", signed)...).want(t, exitOK).stdout,
		"Signed: note 1, of version 1 of the case, SHA-256 ", "The case is now at version 2.")
	says(t, "draft", strings.Join(strings.Fields(call(t, with("note", number)...).want(t, exitOK).stdout), " "), "Of version 1 the operative note was signed by surgeon-1", "has not changed since")
	call(t, with("note", number, "--signed", "1", "--out", again)...).want(t, exitOK)
	if a, b := content(t, signed), content(t, again); !bytes.Equal(a, b) || !bytes.HasPrefix(a, []byte("%PDF-")) {
		t.Errorf("%d bytes were signed, %d are given", len(a), len(b))
	}
	says(t, "addendum", call(t, with("sign", number, "--version", "2", "--signer", "surgeon-1", "--role", "surgeon", "--addendum", "more", "--format", "text", "--out", again)...).want(t, exitOK).stdout, "Signed: addendum 2, ")
	says(t, "text", string(content(t, again)), "Addendum to the operative note", "more")
	for _, tt := range []struct {
		why, says string
		args      []string
		code      int
	}{
		{"an older version", "the case is at version 3, not 1", with("sign", number, "--version", "1", "--signer", "surgeon-1", "--role", "surgeon", "--out", again), exitRefused},
		{"no role", "--role", with("sign", number, "--version", "3", "--signer", "surgeon-1", "--out", again), exitUsage},
		{"nowhere to write it", "--out FILE", with("sign", number, "--version", "3", "--signer", "surgeon-1", "--role", "surgeon"), exitUsage},
		{"what was signed is a file", "--out FILE", with("note", number, "--signed", "1"), exitUsage},
	} {
		if got := call(t, tt.args...).want(t, tt.code); !strings.Contains(got.stderr, tt.says) {
			t.Errorf("%s: stderr does not say %q: %s", tt.why, tt.says, got.stderr)
		}
	}
}

func content(t *testing.T, path string) []byte {
	t.Helper()
	out, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// pageHead is what stands on every page of a text.
var pageHead = regexp.MustCompile(`Patient P-.*\n.*page \d of \d\n-+\n`)

func TestNoteWrongUse(t *testing.T) {
	path := file(t, read(t, testdata.Cases, "core-only"))
	for _, tt := range []struct {
		why, says string
		args      []string
		code      int
	}{
		{"a PDF is nothing for a terminal", "--out FILE", []string{"note", path, "--format", "pdf"}, exitUsage},
		{"a form nobody writes", "use text, html or pdf", []string{"note", path, "--format", "json"}, exitUsage},
		{"nothing to write about", "CASE or FILE", []string{"note"}, exitUsage},
		{"no such file", "read the case file", []string{"note", filepath.Join(t.TempDir(), "none.json")}, exitFailed},
		{"no case file", "the text is no JSON", []string{"note", write(t, []byte("{"))}, exitRefused},
		{"a file has no versions", "--as-of", []string{"note", path, "--as-of", "1"}, exitUsage},
		{"a folder that is not there", "write the note", []string{"note", path, "--out", filepath.Join(t.TempDir(), "none", "x.txt")}, exitFailed},
	} {
		got := call(t, tt.args...).want(t, tt.code)
		if !strings.Contains(got.stderr, tt.says) {
			t.Errorf("%s: stderr does not say %q: %s", tt.why, tt.says, got.stderr)
		}
	}
}
