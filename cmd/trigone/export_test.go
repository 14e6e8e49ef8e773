package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trigone/server"
	"trigone/testdata"
)

// exportServer serves an empty store and gives the flag that names it.
func exportServer(t *testing.T) (string, *server.Running) {
	t.Helper()
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "s.db")})
	if err != nil {
		t.Fatal(err)
	}
	return "--server=" + running.Addr(), running
}

func readManifest(t *testing.T, dir string) manifest {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, manifestName))
	if err != nil {
		t.Fatal(err)
	}
	var m manifest
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// linesOf reads every file that the manifest names, and finds no other.
func linesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	m := readManifest(t, dir)
	newest := map[string]string{}
	for _, f := range m.Output {
		text, err := os.ReadFile(filepath.Join(dir, f.URL))
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
		if int64(len(lines)) != f.Count {
			t.Errorf("%s has %d lines, the manifest counts %d", f.URL, len(lines), f.Count)
		}
		for _, line := range lines {
			var head struct{ ResourceType, ID string }
			if err := json.Unmarshal([]byte(line), &head); err != nil || head.ResourceType != f.Type {
				t.Fatalf("%s: %v in %.200s", f.URL, err, line)
			}
			newest[head.ID] = line
		}
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != len(m.Output)+1 {
		t.Errorf("%s holds %d files, the manifest names %d", dir, len(list), len(m.Output))
	}
	return newest
}

func TestExportIntoAFolder(t *testing.T) {
	at, running := exportServer(t)
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	dir := filepath.Join(t.TempDir(), "fhir")
	submit := func(name string) {
		call(t, "submit", file(t, read(t, testdata.Cases, name)), at).want(t, exitOK)
	}

	says(t, "an empty record", call(t, "export", "--out", dir, at).want(t, exitOK).stdout, "nothing to export")
	if m := readManifest(t, dir); len(m.Output) != 0 || m.Extension.NextSince == "" {
		t.Errorf("%+v", m)
	}
	submit("core-only")
	says(t, "one case", call(t, "export", "--out", dir, "--incremental", at).want(t, exitOK).stdout, "Observation", "manifest.json names")
	one := linesOf(t, dir)
	submit("triangular-complete-ring")
	call(t, "export", "--out", dir, "--incremental", at).want(t, exitOK)
	both := linesOf(t, dir)
	if len(one) == 0 || len(both) <= len(one) {
		t.Errorf("%d resources, then %d", len(one), len(both))
	}
	says(t, "nothing new", call(t, "export", "--out", dir, "--incremental", at).want(t, exitOK).stdout, "Nothing changed.")

	// Everything anew, beside what an export left that was cut off.
	for _, left := range []string{"Device-9.ndjson.partial", "manifest.json.partial"} {
		if err := os.WriteFile(filepath.Join(dir, left), []byte("{"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	printed := call(t, "export", "--out", dir, "--format", "json", at).want(t, exitOK)
	anew := linesOf(t, dir)
	if len(anew) != len(both) {
		t.Errorf("%d resources written anew, %d before", len(anew), len(both))
	}
	for id, line := range both {
		if anew[id] != line {
			t.Errorf("%s was\n%s\nand is\n%s", id, line, anew[id])
		}
	}
	if text, err := os.ReadFile(filepath.Join(dir, manifestName)); err != nil || string(text) != printed.stdout {
		t.Errorf("what --format json prints is not the manifest, %v", err)
	}
	if printed.stderr != "" {
		t.Errorf("progress where no terminal is: %q", printed.stderr)
	}

	// The members that the Bulk Data guide of HL7 asks of a manifest: from memory.
	var members map[string]any
	if err := json.Unmarshal([]byte(printed.stdout), &members); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"transactionTime", "request", "requiresAccessToken", "output", "error"} {
		if members[name] == nil {
			t.Errorf("the manifest lacks %s", name)
		}
	}

	some := filepath.Join(t.TempDir(), "some")
	call(t, "export", "--out", some, "--types", "Device,Procedure", at).want(t, exitOK)
	for _, f := range readManifest(t, some).Output {
		if f.Type != "Device" && f.Type != "Procedure" {
			t.Errorf("%s was not asked for", f.Type)
		}
	}
	submit("chord-rupture-sliding")
	before := len(linesOf(t, some))
	call(t, "export", "--out", some, "--incremental", at).want(t, exitOK)
	if after := len(linesOf(t, some)); after <= before {
		t.Errorf("%d resources of two types, then %d", before, after)
	}
	since := filepath.Join(t.TempDir(), "since")
	call(t, "export", "--out", since, "--since", readManifest(t, dir).Extension.NextSince, at).want(t, exitOK)
	if n := len(linesOf(t, since)); n == 0 || n >= len(anew) {
		t.Errorf("%d resources changed since, of %d", n, len(anew))
	}
}

func TestExportRefusesFoldersOfOthers(t *testing.T) {
	at, running := exportServer(t)
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	folder := func(names ...string) string {
		dir := t.TempDir()
		for _, name := range names {
			if err := os.WriteFile(filepath.Join(dir, name), []byte("mine"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return dir
	}
	tests := []struct {
		name string // why this row
		dir  string
		args []string
		code int
		want string
	}{
		{"no folder named", "", nil, exitUsage, "--out"},
		{"somebody's files", folder("notes.txt"), nil, exitUsage, "none that export wrote"},
		{"somebody's resources", folder("Observation.ndjson"), nil, exitUsage, "none that export wrote"},
		{"somebody's manifest", folder("manifest.json"), nil, exitUsage, "no manifest that export wrote"},
		{"nothing to continue", folder(), []string{"--incremental"}, exitUsage, "without --incremental"},
		{"two tokens", folder(), []string{"--incremental", "--since", "x"}, exitUsage, "leave --since out"},
		{"a type that nobody makes", folder(), []string{"--types", "Patient"}, exitRefused, "it makes"},
		{"a token of nowhere", folder(), []string{"--since", "x"}, exitRefused, "since"},
	}
	for _, tt := range tests {
		args := append([]string{"export", at, "--out", tt.dir}, tt.args...)
		says(t, tt.name, call(t, args...).want(t, tt.code).stderr, tt.want)
		if tt.dir == "" {
			continue
		}
		list, err := os.ReadDir(tt.dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if text, err := os.ReadFile(filepath.Join(tt.dir, e.Name())); err != nil || !bytes.Equal(text, []byte("mine")) {
				t.Errorf("%s: %s was touched", tt.name, e.Name())
			}
		}
	}
	// What a cut-off export left is no obstacle.
	dir := folder("Device.ndjson", "Observation.ndjson.partial", "manifest.json.partial")
	call(t, "export", at, "--out", dir).want(t, exitOK)
	linesOf(t, dir)
}

func TestBundleForms(t *testing.T) {
	at, running := exportServer(t)
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	core := read(t, testdata.Cases, "core-only")
	number := core.GetExternalIdentifier().GetSystem() + "|" + core.GetExternalIdentifier().GetValue()
	call(t, "submit", file(t, core), at).want(t, exitOK)
	says(t, "collection", call(t, "bundle", number, "--form", "collection", at).want(t, exitOK).stdout, `"type": "collection"`)
	says(t, "conditional", call(t, "bundle", number, "--form", "conditional-transaction", at).want(t, exitOK).stdout, `?identifier=`)
	says(t, "batch", call(t, "bundle", number, "--form", "batch", "--max-entries", "1000", at).want(t, exitOK).stdout, `"type":"batch"`)
	if lines := strings.Split(strings.TrimSpace(call(t, "bundle", number, "--max-entries", "8", at).want(t, exitOK).stdout), "\n"); len(lines) < 2 || strings.Count(lines[0], `"fullUrl"`) != 8 {
		t.Errorf("%d bundles of at most 8 entries, %d in the first", len(lines), strings.Count(lines[0], `"fullUrl"`))
	}
	says(t, "no key", call(t, "bundle", number, "--form", "de-identified", at).want(t, exitRefused).stderr, "--deidentification-key-file")
	says(t, "no form", call(t, "bundle", number, "--form", "searchset", at).want(t, exitUsage).stderr, "conditional_transaction")
}

func TestImplants(t *testing.T) {
	at, running := exportServer(t)
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	call(t, "submit", file(t, read(t, testdata.Cases, "ring-exchanged")), at).want(t, exitOK)
	says(t, "table", call(t, "implants", "--model", "invented ring a", at).want(t, exitOK).stdout, "LOT-260505-1", "LOT-260505-2", "2 implants in 1 cases", "look in the implant book")
	says(t, "nothing", call(t, "implants", "--lot", "none", at).want(t, exitOK).stdout, "0 implants in 0 cases")
	lines := strings.Split(strings.TrimSpace(call(t, "implants", "--serial", "SN-260505-2-32", "--format", "csv", at).want(t, exitOK).stdout), "\n")
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "case_number,") || !strings.Contains(lines[1], "in_place") {
		t.Errorf("CSV: %q", lines)
	}
	says(t, "json", call(t, "implants", "--lot", "LOT-260505-2", "--format", "json", at).want(t, exitOK).stdout, `"IMPLANT_PLACE_IN_PLACE"`)
	says(t, "nothing asked", call(t, "implants", at).want(t, exitUsage).stderr, "--lot")
}
