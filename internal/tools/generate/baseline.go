package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
)

// baselines returns the names of the images in dir: 0001.binpb, 0002.binpb and
// so on without a gap, since an image is only ever added. A folder that is not
// there holds none.
func baselines(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	var names []string
	for _, entry := range entries {
		if filepath.Ext(entry.Name()) == ".binpb" {
			names = append(names, entry.Name())
		}
	}
	slices.Sort(names)
	for i, name := range names {
		if want := baselineName(i + 1); name != want {
			return nil, fmt.Errorf("%s holds %s where %s belongs: images are numbered without a gap, never renamed and never removed", baselineDir, name, want)
		}
	}
	return names, nil
}

func baselineName(number int) string { return fmt.Sprintf("%04d.binpb", number) }

// checkBreaking compares the contract with every baseline image, so that a
// client built from any of them still understands the server. It reports on all
// of them before it fails.
func checkBreaking(root string) error {
	names, err := baselines(filepath.Join(root, filepath.FromSlash(baselineDir)))
	if err != nil {
		return err
	}
	if len(names) == 0 {
		fmt.Printf("breaking: no image in %s, nothing is promised yet\n", baselineDir)
		return nil
	}
	// A contract that does not compile must not be reported as a broken promise.
	if err := buf(root, "build", protoDir); err != nil {
		return err
	}
	var broken []string
	for _, name := range names {
		image := path.Join(baselineDir, name)
		if err := buf(root, "breaking", protoDir, "--against", image); err != nil {
			fmt.Fprintln(os.Stderr, err)
			broken = append(broken, image)
			continue
		}
		fmt.Printf("breaking: compatible with %s\n", image)
	}
	if len(broken) > 0 {
		return fmt.Errorf("the contract breaks what %v promised: restore it, or reserve the number and name of a removed field", broken)
	}
	return nil
}

// writeBaseline adds the contract as the next image. It refuses a contract that
// breaks an earlier image, and one that equals the newest.
func writeBaseline(root string) error {
	if err := checkBreaking(root); err != nil {
		return err
	}
	image, err := buildImage(root, protoDir)
	if err != nil {
		return err
	}
	name, err := addImage(filepath.Join(root, filepath.FromSlash(baselineDir)), image)
	if err != nil {
		return err
	}
	fmt.Printf("baseline: wrote %s/%s, %d bytes\n", baselineDir, name, len(image))
	return nil
}

// addImage writes image under the next number in dir and returns its name.
func addImage(dir string, image []byte) (string, error) {
	names, err := baselines(dir)
	if err != nil {
		return "", err
	}
	if len(names) > 0 {
		newest := names[len(names)-1]
		content, err := os.ReadFile(filepath.Join(dir, newest))
		if err != nil {
			return "", err
		}
		if bytes.Equal(content, image) {
			return "", fmt.Errorf("the contract equals %s/%s: there is nothing to add", baselineDir, newest)
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	name := baselineName(len(names) + 1)
	return name, writeNew(filepath.Join(dir, name), image)
}

// writeNew writes a file that must not exist yet.
func writeNew(path string, content []byte) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("a baseline image is never overwritten: %w", err)
	}
	_, err = file.Write(content)
	return errors.Join(err, file.Close())
}
