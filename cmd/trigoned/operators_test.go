package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// operatorsLines gives the commands of the README's chapter for operators.
func operatorsLines(t *testing.T) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, chapter, found := strings.Cut(string(text), "\n## For operators\n")
	chapter, _, _ = strings.Cut(chapter, "\n## ")
	if !found {
		t.Fatal("the README has no chapter for operators")
	}
	var list []string
	inside := false
	for line := range strings.Lines(chapter) {
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "```"):
			inside = line == "```sh"
		case inside && line != "":
			list = append(list, line)
		}
	}
	return list
}

// freeAddress gives an address that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	var listen net.ListenConfig
	l, err := listen.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}()
	return l.Addr().String()
}

// Every line of the README's chapter for operators does what stands there, in an empty
// folder, with the two programs on the path; only the ports are others.
func TestOperatorsLinesRun(t *testing.T) {
	if testing.Short() {
		t.Skip("one command after the other")
	}
	bin, work := t.TempDir(), t.TempDir()
	build := exec.CommandContext(t.Context(), "go", "build", "-o", bin, "./cmd/trigone", "./cmd/trigoned")
	build.Dir = filepath.Join("..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(root, "testdata"), filepath.Join(work, "testdata")); err != nil {
		t.Fatal(err)
	}
	grpc, http := freeAddress(t), freeAddress(t)
	_, grpcPort, _ := net.SplitHostPort(grpc)
	_, httpPort, _ := net.SplitHostPort(http)
	ran := 0
	for _, line := range operatorsLines(t) {
		command, comment, _ := strings.Cut(line, " # ")
		command, background := strings.CutSuffix(strings.TrimSpace(command), "&")
		command = strings.NewReplacer(":7430", ":"+grpcPort, ":7431", ":"+httpPort).Replace(command)
		words := strings.Fields(command)
		program := filepath.Join(bin, words[0])
		switch words[0] {
		case "curl":
			if program, err = exec.LookPath("curl"); err != nil {
				t.Logf("THERE IS NO curl HERE: %s is not run", line)
				continue
			}
		case "trigone", "trigoned":
		default:
			t.Errorf("nobody runs %q", line)
			continue
		}
		if words[1] == "init-deployment" {
			words = append(words, "--grpc", grpc, "--http", http)
		}
		ran++
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		c := exec.CommandContext(ctx, program, words[1:]...)
		c.Dir = work
		var out bytes.Buffer
		c.Stdout, c.Stderr = &out, &out
		if background {
			log := &lines{}
			c.Stdout, c.Stderr = log, log
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			defer func() {
				cancel()
				_ = c.Wait() // it was ended by force
			}()
			serving(t, log)
			continue
		}
		err := c.Run()
		cancel()
		if refused := strings.HasPrefix(comment, "refused"); (err != nil) != refused {
			t.Errorf("%s: %v: %s", line, err, out.String())
		} else if refused && !strings.Contains(out.String(), "PERMISSION_DENIED") && !strings.Contains(out.String(), "UNAUTHENTICATED") {
			t.Errorf("%s is refused for another reason: %s", line, out.String())
		}
	}
	if ran < 8 {
		t.Errorf("only %d lines were found", ran)
	}
}

func TestInitDeploymentWritesOverNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "trial")
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"init-deployment", "--out", dir}, &out, &errs); code != exitOK {
		t.Fatal(errs.String())
	}
	if code := run(t.Context(), []string{"check-config", filepath.Join(dir, "deployment.yaml")}, &out, &errs); code != exitOK {
		t.Error(errs.String())
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) < 8 {
		t.Fatal(entries, err)
	}
	for _, e := range entries {
		if info, err := e.Info(); err != nil || info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s can be read by others: %v %v", e.Name(), info.Mode(), err)
		}
	}
	errs.Reset()
	if code := run(t.Context(), []string{"init-deployment", "--out", dir}, &out, &errs); code != exitFailed || !strings.Contains(errs.String(), "holds a deployment already") {
		t.Errorf("a second time: %d %s", code, errs.String())
	}
	out.Reset()
	if code := run(t.Context(), []string{"show-certificate", filepath.Join(dir, "engine.pem")}, &out, &errs); code != exitOK || !strings.Contains(out.String(), `certificate_uris: ["urn:example:engine"]`) {
		t.Errorf("%d %s %s", code, out.String(), errs.String())
	}
}
