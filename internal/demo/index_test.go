package demo

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// drawnAs stands in for the drawings, which are none of the demo's.
func drawnAs(context.Context, trigonev1.RecordServiceClient, *trigonev1.Case) ([]Picture, error) {
	return []Picture{{Name: "strip", Shows: "the valve laid flat", SVG: []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`)}}, nil
}

var (
	hrefs    = regexp.MustCompile(`(?:href|src)="([^"]*)"`)
	styles   = regexp.MustCompile(`(?s)<style>(.*?)</style>`)
	policies = regexp.MustCompile(`content="(default-src[^"]*)"`)
)

// checkIndex holds that the page opens all that the folder has to read, and nothing
// else; that it says it is invented; and that a browser which keeps to its policy shows
// it as it is.
func checkIndex(t *testing.T, dir string) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(dir, IndexName))
	if err != nil {
		t.Fatal(err)
	}
	page := string(raw)
	opened := map[string]bool{}
	for _, m := range hrefs.FindAllStringSubmatch(page, -1) {
		opened[m[1]] = true
		if _, err := os.Stat(filepath.Join(dir, filepath.FromSlash(m[1]))); err != nil {
			t.Errorf("the page opens %s: %v", m[1], err)
		}
	}
	notRead := []string{IndexName, StoreName, StoreName + "-wal", StoreName + "-shm", PolicyName}
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if name = filepath.ToSlash(name); !opened[name] && !slices.Contains(notRead, name) {
			t.Errorf("the page does not open %s", name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, says := range []string{"Invented: nothing here is a real person, hospital or product.", "not a medical device", "What to do next", "trigone template", "Retracted: it counts nowhere.", `name="viewport"`, `lang="en"`} {
		if !strings.Contains(page, says) {
			t.Errorf("the page does not say %q", says)
		}
	}
	for _, never := range []string{"<script", "http://www", "https://", "javascript:", " style=", "ZgotmplZ"} {
		if strings.Contains(page, never) {
			t.Errorf("the page has %q", never)
		}
	}
	style, policy := styles.FindStringSubmatch(page), policies.FindStringSubmatch(page)
	if style == nil || policy == nil {
		t.Fatal("the page has no style or no policy")
	}
	sum := sha256.Sum256([]byte(style[1]))
	said := strings.NewReplacer("&#43;", "+", "&#39;", "'").Replace(policy[1])
	if !strings.HasPrefix(said, "default-src 'none';") || !strings.Contains(said, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") {
		t.Errorf("the policy %q does not let the style of the page in, or lets in more", said)
	}
}

func TestShellWords(t *testing.T) {
	for in, want := range map[string]string{
		"/tmp/trigone-demo/demo.db": "/tmp/trigone-demo/demo.db", "/tmp/my demo": "'/tmp/my demo'", "it's": `'it'\''s'`, "$(id)": "'$(id)'", "": "''",
	} {
		if got := shellWord(in); got != want {
			t.Errorf("%q is written %s, want %s", in, got, want)
		}
	}
}
