// Generate keeps what is derived from the contract in step with it: the Go code
// beside the .proto files, their formatting, and the baseline images that the
// contract must stay compatible with.
//
// What a check asks of the contract is not here: the lint and breaking rules
// stand in proto/buf.yaml, the plugins in proto/buf.gen.yaml, the versions of
// the tools in go.mod and internal/tools/tools.mod. Developers and .ci/run call
// it, from anywhere inside the repository:
//
//	go run ./internal/tools/generate                 format and generate
//	go run ./internal/tools/generate --check         fail if that would change a file
//	go run ./internal/tools/generate --breaking      compare with every baseline image
//	go run ./internal/tools/generate --add-baseline  write the next baseline image
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/types/descriptorpb"
)

// Paths inside the repository, with forward slashes.
const (
	protoDir     = "proto"
	vendoredDir  = "proto/buf"
	vendoredFile = "buf/validate/validate.proto" // as imported
	templateFile = "proto/buf.gen.yaml"
	baselineDir  = "testdata/contract"
)

func main() {
	check := flag.Bool("check", false, "change nothing; fail if formatting or generating would change a file")
	breaking := flag.Bool("breaking", false, "compare the contract with every image in "+baselineDir)
	addBaseline := flag.Bool("add-baseline", false, "write the contract as the next image in "+baselineDir)
	flag.Parse()
	if err := run(*check, *breaking, *addBaseline, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func run(check, breaking, addBaseline bool, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("unexpected argument %q: this command takes flags only", args[0])
	}
	chosen := 0
	for _, set := range []bool{check, breaking, addBaseline} {
		if set {
			chosen++
		}
	}
	if chosen > 1 {
		return errors.New("give one of --check, --breaking and --add-baseline")
	}
	root, err := findRoot(".")
	if err != nil {
		return err
	}
	switch {
	case check:
		return checkTree(root)
	case breaking:
		return checkBreaking(root)
	case addBaseline:
		return writeBaseline(root)
	default:
		return generateTree(root)
	}
}

// findRoot walks up from dir to the folder above proto/buf.yaml and returns its
// absolute path.
func findRoot(dir string) (string, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	for root := dir; ; {
		if _, err := os.Stat(filepath.Join(root, protoDir, "buf.yaml")); err == nil {
			return root, nil
		}
		parent := filepath.Dir(root)
		if parent == root {
			return "", fmt.Errorf("no proto/buf.yaml in %s or above it: run this inside the repository", dir)
		}
		root = parent
	}
}

// buf runs the pinned buf from root. Its plugins are `go tool` calls whose
// -modfile is relative to that folder.
func buf(root string, args ...string) error {
	cmd := exec.Command("go", append([]string{"tool", "-modfile=internal/tools/tools.mod", "buf"}, args...)...)
	cmd.Dir = root
	cmd.Stdout = os.Stdout
	cmd.Stderr = os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("buf %s: %w", strings.Join(args, " "), err)
	}
	return nil
}

// generateTree formats the contract, writes its Go code, removes the code of
// files that are gone, and prints each file it changed.
func generateTree(root string) error {
	if err := buf(root, "format", "--write", protoDir, "--exclude-path", vendoredDir); err != nil {
		return err
	}
	fmt.Println("format: the .proto files are in buf's format")
	generated, err := generate(root)
	if err != nil {
		return err
	}
	present, err := generatedFiles(filepath.Join(root, protoDir))
	if err != nil {
		return err
	}
	differences := compare(present, generated)
	for _, d := range differences {
		path := filepath.Join(root, protoDir, filepath.FromSlash(d.path))
		if d.kind == stale {
			err = os.Remove(path)
		} else {
			err = os.WriteFile(path, generated[d.path], 0o644)
		}
		if err != nil {
			return err
		}
		fmt.Printf("%s: %s/%s\n", d.kind.done(), protoDir, d.path)
	}
	fmt.Printf("generate: %d files, %d changed\n", len(generated), len(differences))
	return checkVendored(root)
}

// checkTree fails if generateTree would change anything.
func checkTree(root string) error {
	if err := buf(root, "format", "--diff", "--exit-code", protoDir, "--exclude-path", vendoredDir); err != nil {
		return fmt.Errorf("the .proto files are not in buf's format: run go run ./internal/tools/generate: %w", err)
	}
	fmt.Println("format: the .proto files are in buf's format")
	generated, err := generate(root)
	if err != nil {
		return err
	}
	present, err := generatedFiles(filepath.Join(root, protoDir))
	if err != nil {
		return err
	}
	if differences := compare(present, generated); len(differences) > 0 {
		var list strings.Builder
		for _, d := range differences {
			fmt.Fprintf(&list, "\n  %s: %s/%s", d.kind, protoDir, d.path)
		}
		return fmt.Errorf("the generated code is not the contract's: run go run ./internal/tools/generate and commit the result%s", list.String())
	}
	fmt.Printf("generate: %d files, all as the contract gives them\n", len(generated))
	return checkVendored(root)
}

// generate runs the plugins into a folder of its own and returns what they
// wrote, by path below proto.
func generate(root string) (map[string][]byte, error) {
	dir, err := os.MkdirTemp("", "generate")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	if err := buf(root, "generate", "--template", templateFile, "--output", dir); err != nil {
		return nil, err
	}
	files, err := generatedFiles(filepath.Join(dir, protoDir))
	if err != nil {
		return nil, err
	}
	if len(files) == 0 {
		return nil, errors.New("the plugins wrote no file: check the paths in " + templateFile)
	}
	return files, nil
}

// generatedFiles reads every .pb.go file below dir, by slash-separated path.
func generatedFiles(dir string) (map[string][]byte, error) {
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".pb.go") {
			return err
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		files[filepath.ToSlash(name)] = content
		return nil
	})
	return files, err
}

type differenceKind int

const (
	missing differenceKind = iota // generated, not in the tree
	changed                       // in both, with other content
	stale                         // in the tree, no longer generated
)

func (k differenceKind) String() string { return [...]string{"missing", "changed", "stale"}[k] }

// done says what generateTree does about the difference.
func (k differenceKind) done() string { return [...]string{"written", "rewritten", "removed"}[k] }

type difference struct {
	path string
	kind differenceKind
}

// compare lists the differences between the tree's generated files and freshly
// generated ones, sorted by path.
func compare(present, generated map[string][]byte) []difference {
	var differences []difference
	for path, content := range generated {
		old, ok := present[path]
		switch {
		case !ok:
			differences = append(differences, difference{path, missing})
		case !bytes.Equal(old, content):
			differences = append(differences, difference{path, changed})
		}
	}
	for path := range present {
		if _, ok := generated[path]; !ok {
			differences = append(differences, difference{path, stale})
		}
	}
	slices.SortFunc(differences, func(a, b difference) int { return strings.Compare(a.path, b.path) })
	return differences
}

// checkVendored fails unless the vendored validate.proto describes the same
// options as the Go module that interprets them.
func checkVendored(root string) error {
	image, err := buildImage(root, protoDir)
	if err != nil {
		return err
	}
	var set descriptorpb.FileDescriptorSet
	if err := proto.Unmarshal(image, &set); err != nil {
		return fmt.Errorf("reading buf's image: %w", err)
	}
	for _, file := range set.GetFile() {
		if file.GetName() != vendoredFile {
			continue
		}
		// buf's image adds fields of its own to each file.
		file.ProtoReflect().SetUnknown(nil)
		if !proto.Equal(file, protodesc.ToFileDescriptorProto(validate.File_buf_validate_validate_proto)) {
			return fmt.Errorf("%s/%s is not of the protovalidate version in go.mod: vendor the file of that release", protoDir, vendoredFile)
		}
		fmt.Printf("vendored: %s/%s agrees with the Go module\n", protoDir, vendoredFile)
		return nil
	}
	return fmt.Errorf("buf's image does not hold %s", vendoredFile)
}

// buildImage compiles a folder of .proto files into buf's image, without
// comments: they are no part of what a baseline promises.
func buildImage(root, input string) ([]byte, error) {
	dir, err := os.MkdirTemp("", "generate")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "image.binpb")
	if err := buf(root, "build", input, "--exclude-source-info", "--output", path); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
}
