package private

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

func TestOnlyTheOwnerMayRead(t *testing.T) {
	dir := t.TempDir()
	wide := filepath.Join(dir, "wide.json")
	if err := os.WriteFile(wide, []byte("an earlier, longer content"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(wide, 0o644); err != nil { // whatever the umask is
		t.Fatal(err)
	}
	inner := filepath.Join(dir, "a", "b")
	if err := Folder(inner); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		why, path string
		mode      fs.FileMode
	}{
		{"a new file", filepath.Join(inner, "new.json"), 0o600},
		{"a file that others could read", wide, 0o600},
		{"a new folder", inner, fs.ModeDir | 0o700},
		{"the folder above it", filepath.Dir(inner), fs.ModeDir | 0o700},
	}
	for _, tt := range tests {
		if !tt.mode.IsDir() {
			if err := Write(tt.path, []byte("content")); err != nil {
				t.Errorf("%s: %v", tt.why, err)
				continue
			}
			if got, err := os.ReadFile(tt.path); err != nil || string(got) != "content" {
				t.Errorf("%s: holds %q, %v", tt.why, got, err)
			}
		}
		info, err := os.Stat(tt.path)
		if err != nil || info.Mode() != tt.mode {
			t.Errorf("%s: %v, error %v; want %v", tt.why, info.Mode(), err, tt.mode)
		}
	}
	if err := Write(os.DevNull, []byte("content")); err != nil {
		t.Errorf("what is no file: %v", err)
	}
}
