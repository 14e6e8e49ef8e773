package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestCompare(t *testing.T) {
	tests := []struct {
		reason             string
		present, generated map[string][]byte
		want               []difference
	}{
		{
			"the same files: nothing to do",
			map[string][]byte{"a.pb.go": []byte("1")}, map[string][]byte{"a.pb.go": []byte("1")},
			nil,
		},
		{
			"a new .proto file has no code yet",
			nil, map[string][]byte{"a.pb.go": []byte("1")},
			[]difference{{"a.pb.go", missing}},
		},
		{
			"an edited .proto file or an edited .pb.go",
			map[string][]byte{"a.pb.go": []byte("1")}, map[string][]byte{"a.pb.go": []byte("2")},
			[]difference{{"a.pb.go", changed}},
		},
		{
			"a removed .proto file leaves code behind that still compiles",
			map[string][]byte{"a.pb.go": []byte("1"), "b.pb.go": []byte("1")}, map[string][]byte{"b.pb.go": []byte("1")},
			[]difference{{"a.pb.go", stale}},
		},
		{
			"an empty file is a file",
			map[string][]byte{"a.pb.go": {}}, map[string][]byte{},
			[]difference{{"a.pb.go", stale}},
		},
		{
			"all kinds at once, sorted by path",
			map[string][]byte{"c.pb.go": []byte("1"), "a.pb.go": []byte("1")}, map[string][]byte{"b.pb.go": []byte("1"), "a.pb.go": []byte("2")},
			[]difference{{"a.pb.go", changed}, {"b.pb.go", missing}, {"c.pb.go", stale}},
		},
	}
	for _, test := range tests {
		if got := compare(test.present, test.generated); !slices.Equal(got, test.want) {
			t.Errorf("%s: got %v, want %v", test.reason, got, test.want)
		}
	}
}

func TestGeneratedFilesReadsOnlyGeneratedGo(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"v1/a.pb.go", "v1/a_grpc.pb.go", "v1/a.proto", "v1/own.go"} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	files, err := generatedFiles(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != 2 || string(files["v1/a.pb.go"]) != "v1/a.pb.go" || string(files["v1/a_grpc.pb.go"]) != "v1/a_grpc.pb.go" {
		t.Errorf("got %d files, want v1/a.pb.go and v1/a_grpc.pb.go with their content", len(files))
	}
}

func TestBaselinesAreNumberedWithoutAGap(t *testing.T) {
	tests := []struct {
		reason string
		names  []string
		want   string // part of the error; empty if none
	}{
		{"no image yet", nil, ""},
		{"two in order", []string{"0001.binpb", "0002.binpb"}, ""},
		{"a README beside them is no image", []string{"0001.binpb", "README.md"}, ""},
		{"the first was removed", []string{"0002.binpb"}, "0001.binpb"},
		{"one in the middle was removed", []string{"0001.binpb", "0003.binpb"}, "0002.binpb"},
		{"a name that is no number would be compared in no known order", []string{"0001.binpb", "latest.binpb"}, "latest.binpb"},
	}
	for _, test := range tests {
		dir := t.TempDir()
		for _, name := range test.names {
			if err := os.WriteFile(filepath.Join(dir, name), nil, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		_, err := baselines(dir)
		switch {
		case test.want == "" && err != nil:
			t.Errorf("%s: %v", test.reason, err)
		case test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)):
			t.Errorf("%s: got error %v, want one that names %s", test.reason, err, test.want)
		}
	}
}

func TestAddImageOnlyAdds(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "contract")
	for i, image := range []string{"first", "second"} {
		name, err := addImage(dir, []byte(image))
		if err != nil {
			t.Fatal(err)
		}
		if want := baselineName(i + 1); name != want {
			t.Fatalf("wrote %s, want %s", name, want)
		}
	}
	if _, err := addImage(dir, []byte("second")); err == nil {
		t.Error("an image equal to the newest was added: it promises nothing new")
	}
	if err := writeNew(filepath.Join(dir, "0001.binpb"), []byte("other")); err == nil {
		t.Error("an image was overwritten")
	}
	for name, want := range map[string]string{"0001.binpb": "first", "0002.binpb": "second"} {
		if got, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(got) != want {
			t.Errorf("%s holds %q (%v), want %q", name, got, err, want)
		}
	}
	names, err := baselines(dir)
	if err != nil || len(names) != 2 {
		t.Errorf("got images %v (%v), want two", names, err)
	}
}

// The rows are the changes that the contract's own buf.yaml must notice, and
// those that it must let through. What buf calls them: its documentation of
// breaking rules, categories WIRE_JSON and FIELD_SAME_CARDINALITY.
func TestBreakingRules(t *testing.T) {
	root, err := findRoot(".")
	if err != nil {
		t.Fatal(err)
	}
	const before = `syntax = "proto3";
package trigone.v1;
message Length {
  optional double mm = 1;
  optional double sd = 2;
}
enum Side {
  SIDE_UNSPECIFIED = 0;
  SIDE_LATERAL = 1;
}
`
	tests := []struct {
		reason   string
		old, new string
		breaks   bool
	}{
		{"nothing changed", "", "", false},
		{"a field is added", "double sd = 2;", "double sd = 2; optional double limit = 3;", false},
		{"a removed field keeps its number and name reserved", "optional double sd = 2;", `reserved 2; reserved "sd";`, false},
		{"a lost optional turns absent into 0", "optional double mm", "double mm", true},
		{"a removed number could be given to another field", "optional double sd = 2;", "", true},
		{"another name breaks JSON", "double mm", "double millimetres", true},
		{"another type reads other numbers", "double mm", "float mm", true},
		{"a removed enum value", "SIDE_LATERAL = 1;", "", true},
	}
	module := func(content string) string {
		dir := t.TempDir()
		config, err := os.ReadFile(filepath.Join(root, protoDir, "buf.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(filepath.Join(dir, "trigone", "v1"), 0o755); err != nil {
			t.Fatal(err)
		}
		for name, content := range map[string][]byte{"buf.yaml": config, "trigone/v1/length.proto": []byte(content)} {
			if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), content, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		return dir
	}
	run := func(args ...string) (string, error) {
		cmd := exec.Command("go", append([]string{"tool", "-modfile=internal/tools/tools.mod", "buf"}, args...)...)
		cmd.Dir = root
		output, err := cmd.CombinedOutput()
		return string(output), err
	}
	if output, err := run("--version"); err != nil {
		if os.Getenv("TRIGONE_REQUIRE") != "" {
			t.Fatalf("buf does not run: %v\n%s", err, output)
		}
		t.Skipf("buf does not run, its modules may not be downloaded: %v", err)
	}
	image := filepath.Join(t.TempDir(), "before.binpb")
	if output, err := run("build", module(before), "--output", image); err != nil {
		t.Fatalf("building the contract before the change: %v\n%s", err, output)
	}
	for _, test := range tests {
		after := strings.Replace(before, test.old, test.new, 1)
		if test.old != "" && after == before {
			t.Fatalf("%s: the row changes nothing", test.reason)
		}
		dir := module(after)
		// Without this a row that does not compile would count as noticed.
		if output, err := run("build", dir); err != nil {
			t.Fatalf("%s: the row does not compile: %v\n%s", test.reason, err, output)
		}
		output, err := run("breaking", dir, "--against", image)
		if broke := err != nil; broke != test.breaks {
			t.Errorf("%s: noticed as breaking = %v, want %v\n%s", test.reason, broke, test.breaks, output)
		}
	}
}

func TestRunRefusesUnclearCalls(t *testing.T) {
	tests := []struct {
		reason                       string
		check, breaking, addBaseline bool
		args                         []string
	}{
		{"a word is no flag: 'check' must not generate", false, false, false, []string{"check"}},
		{"two wishes", true, true, false, nil},
		{"comparing and adding", false, true, true, nil},
	}
	for _, test := range tests {
		if err := run(test.check, test.breaking, test.addBaseline, test.args); err == nil {
			t.Errorf("%s: no error", test.reason)
		}
	}
}
