package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"trigone/server"
)

// documents are those whose commands are run and whose paths are looked up.
var documents = []string{"README.md", "DEVELOPERS.md"}

// shown is a command of a console block with the output shown under it.
type shown struct {
	where   string
	command string
	output  []string
}

// consoleBlocks gives the commands of a document's console blocks. In the output
// shown, a line of three dots stands for lines left out, a line that ends in three
// dots for its beginning.
func consoleBlocks(t *testing.T, document string) []shown {
	t.Helper()
	text, err := os.ReadFile(document)
	if err != nil {
		t.Fatal(err)
	}
	var list []shown
	inside := false
	for line := range strings.Lines(string(text)) {
		line = strings.TrimRight(line, "\n")
		switch {
		case strings.HasPrefix(line, "```"):
			inside = line == "```console"
		case inside && strings.HasPrefix(line, "$ "):
			command, _, _ := strings.Cut(line[2:], " # ")
			list = append(list, shown{where: document, command: strings.TrimSpace(command)})
		case inside && len(list) > 0:
			last := &list[len(list)-1]
			last.output = append(last.output, line)
		}
	}
	return list
}

// words splits a command as a shell does, for single quotes only.
func words(command string) []string {
	var list []string
	for i, part := range strings.Split(command, "'") {
		if i%2 == 1 {
			list = append(list, part)
			continue
		}
		list = append(list, strings.Fields(part)...)
	}
	return list
}

// TestDocumentsCommandsRun runs every trigone command of the documents on the
// demo's store and looks for the lines shown under it, in their order.
func TestDocumentsCommandsRun(t *testing.T) {
	if testing.Short() {
		t.Skip("one command after the other")
	}
	t.Chdir("../..")
	folder := filepath.Join(t.TempDir(), "demo")
	call(t, "demo", "--out", folder).want(t, 0)
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", HTTPListen: "127.0.0.1:0", StorePath: filepath.Join(folder, "demo.db"), PolicyPath: filepath.Join(folder, "policy.yaml")})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	ran := 0
	exports := t.TempDir() // one folder for all commands: one may go on where another ended
	for _, document := range documents {
		for _, s := range consoleBlocks(t, document) {
			args := words(s.command)
			switch {
			case args[0] == "trigone":
				ran++
				args = args[1:]
				if args[0] != "explore" || slices.Contains(args, "--case") { // else the address would take it to the server
					args = append(args, "--server", running.Addr())
				}
				for _, flag := range []string{"--out", "--store"} {
					if i := slices.Index(args, flag); i >= 0 {
						args[i+1] = filepath.Join(exports, filepath.Base(args[i+1]))
					}
				}
				answer := call(t, args...).want(t, 0)
				seen(t, s, answer.stdout)
			case strings.HasPrefix(s.command, "go run ./cmd/trigone demo "):
				ran++ // was run first: the others ask its store
			case args[0] == "go" && args[1] == "run" && args[2] == "./cmd/trigone":
				ran++
				call(t, args[3:]...).want(t, 0)
			case args[0] == "go" && args[1] == "run":
				if _, err := os.Stat(args[2]); err != nil {
					t.Errorf("%s: %s: %v", s.where, s.command, err)
				}
			case args[0] == "bash":
				if _, err := os.Stat(args[1]); err != nil {
					t.Errorf("%s: %s: %v", s.where, s.command, err)
				}
			case args[0] == "go" && args[1] == "test":
			default:
				t.Errorf("%s: nobody checks the command %q", s.where, s.command)
			}
		}
	}
	askQuestions(t, running.RESTAddr())
	seePages(t, running.RESTAddr())
	if ran < 8 {
		t.Errorf("only %d commands were found; the test reads the documents wrongly", ran)
	}
}

// The part of a filled skeleton that the README shows stands in the file it evaluates.
func TestTheReadmeShowsTheFilledSkeleton(t *testing.T) {
	t.Chdir("../..")
	const file = "testdata/written/plan-to-try.yaml"
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, part, found := strings.Cut(string(readme), "`"+file+"` is such a skeleton")
	if !found {
		t.Fatal("the README shows no part of it")
	}
	_, part, _ = strings.Cut(part, "```yaml\n")
	part, _, _ = strings.Cut(part, "```")
	if strings.TrimSpace(part) == "" {
		t.Fatal("the part is empty")
	}
	for piece := range strings.SplitSeq(part, "...\n") {
		if !strings.Contains(string(whole), piece) {
			t.Errorf("the file no longer has\n%s", piece)
		}
	}
}

// question is a row of the README's table of questions that is a search: how many
// resources it finds, and words of them.
var question = regexp.MustCompile("(?m)^\\| ([^|]+) \\| `GET ([^`]+)` \\| (\\d+) ?([^|]*) \\|$")

// askQuestions asks the REST face the questions of the README.
func askQuestions(t *testing.T, address string) {
	t.Helper()
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := question.FindAllStringSubmatch(string(readme), -1)
	if len(rows) != 9 {
		t.Errorf("%d questions were found, want 9", len(rows))
	}
	for _, row := range rows {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+address+"/fhir/"+row[2]+"&_count=1000", nil)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(answer.Body)
		if err = errors.Join(err, answer.Body.Close()); err != nil {
			t.Fatal(err)
		}
		var found struct{ Entry []json.RawMessage }
		if err := json.Unmarshal(text, &found); err != nil || answer.StatusCode != http.StatusOK {
			t.Errorf("%s: status %d, %v", row[1], answer.StatusCode, err)
			continue
		}
		if strconv.Itoa(len(found.Entry)) != row[3] {
			t.Errorf("%s: %d are found, the README says %s", row[1], len(found.Entry), row[3])
		}
		for i, word := range strings.Split(row[4], "`") {
			if i%2 == 1 && !bytes.Contains(text, []byte(word)) {
				t.Errorf("%s: %s is not in the answer", row[1], word)
			}
		}
	}
}

// seen looks for the lines shown in the output, in order.
func seen(t *testing.T, s shown, output string) {
	t.Helper()
	lines := strings.Split(output, "\n")
	for _, want := range s.output {
		if want == "..." || want == "" {
			continue
		}
		start, isStart := strings.CutSuffix(want, "...")
		i := slices.IndexFunc(lines, func(line string) bool {
			return strings.TrimRight(line, " ") == want || (isStart && strings.HasPrefix(line, start)) || (strings.HasSuffix(want, ",") && strings.HasPrefix(line, want))
		})
		if i < 0 {
			t.Errorf("%s: %s no longer prints the line\n%s", s.where, s.command, want)
			return
		}
		lines = lines[i+1:]
	}
}

// pathLike finds what looks like a path of this repository in backticks.
// shownPage is a row of the README's table of pages: the address, and words of the page.
var shownPage = regexp.MustCompile("(?m)^\\| [^|]+ \\| `(/[^`]*)` \\| ([^|]+) \\|$")

// seePages asks for the pages of the README, and looks for what it says of them.
func seePages(t *testing.T, address string) {
	t.Helper()
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := shownPage.FindAllStringSubmatch(string(readme), -1)
	if len(rows) < 7 {
		t.Errorf("%d pages were found, want 7", len(rows))
	}
	for _, row := range rows {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+address+row[1], nil)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(answer.Body)
		if err = errors.Join(err, answer.Body.Close()); err != nil {
			t.Fatal(err)
		}
		if answer.StatusCode != http.StatusOK || !strings.Contains(string(text), row[2]) {
			t.Errorf("%s: status %d, and it does not say %q", row[1], answer.StatusCode, row[2])
		}
	}
}

var pathLike = regexp.MustCompile("`((?:\\./)?(?:cmd|server|fhirmap|internal|proto|testdata|\\.ci)(?:/[A-Za-z0-9_.-]+)*/?)`")

// TestDocumentsPathsExist looks up every path that the documents name.
func TestDocumentsPathsExist(t *testing.T) {
	t.Chdir("../..")
	found := 0
	for _, document := range documents {
		text, err := os.ReadFile(document)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range pathLike.FindAllSubmatch(text, -1) {
			found++
			if _, err := os.Stat(string(m[1])); err != nil {
				t.Errorf("%s names %s, which is not there", document, m[1])
			}
		}
	}
	if found < 20 {
		t.Errorf("only %d paths were found", found)
	}
}

// TestDependenciesHaveReasons holds go.mod's direct requirements against the
// table of reasons.
func TestDependenciesHaveReasons(t *testing.T) {
	t.Chdir("../..")
	mod, err := os.ReadFile("go.mod")
	if err != nil {
		t.Fatal(err)
	}
	reasons, err := os.ReadFile("DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	direct := regexp.MustCompile(`(?m)^(?:require)?\s+([a-z0-9.-]+\.[a-z]+/\S+|modernc\.org/\S+) v\S+$`)
	found := direct.FindAllSubmatch(mod, -1)
	if len(found) < 10 {
		t.Errorf("only %d direct requirements were found", len(found))
	}
	for _, m := range found {
		if !bytes.Contains(reasons, m[1]) {
			t.Errorf("DEVELOPERS.md gives no reason for %s", m[1])
		}
	}
}
