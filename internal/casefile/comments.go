package casefile

import (
	"fmt"
	"regexp"
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// comment gives what the contract says of a message, a field, an enum or one of its
// values, as one line.
func comment(d protoreflect.Descriptor) string { return comments()[d.FullName()] }

// readBy is the sentence of a comment that says who reads a field.
var readBy = regexp.MustCompile(`\s*Read by [^.]*(?:\.[^ .][^.]*)*\.`)

// Meaning says what the contract says of a field, a message, an enum or one of its
// values, without who reads it.
func Meaning(d protoreflect.Descriptor) string { return meaning(d) }

// meaning is a comment without who reads it.
func meaning(d protoreflect.Descriptor) string {
	return strings.TrimSpace(readBy.ReplaceAllString(comment(d), ""))
}

var (
	scopeLine = regexp.MustCompile(`^(message|enum|oneof|service|extend) (\S+) \{(\})?$`)
	fieldLine = regexp.MustCompile(`^(?:optional |repeated )?[\w.]+ (\w+) = \d+`)
	valueLine = regexp.MustCompile(`^([A-Z][A-Z0-9_]*) = \d+`)
)

// comments reads them from the contract's files, which the generated code knows no
// comment of. The files are in the one form that the generator gives them: a comment
// stands on lines of its own above what it is about, and a brace ends a line.
var comments = sync.OnceValue(func() map[protoreflect.FullName]string {
	files, err := trigonev1.Sources.ReadDir(".")
	if err != nil {
		panic(fmt.Sprintf("casefile: the contract's files cannot be read: %v", err))
	}
	said := map[protoreflect.FullName]string{}
	pkg := trigonev1.File_trigone_v1_case_file_proto.Package()
	for _, f := range files {
		text, err := trigonev1.Sources.ReadFile(f.Name())
		if err != nil {
			panic(fmt.Sprintf("casefile: %v", err))
		}
		readComments(string(text), pkg, said)
	}
	return said
})

type scope struct {
	kind string // message, enum, ...; empty: braces of an option
	name protoreflect.FullName
}

func readComments(text string, pkg protoreflect.FullName, said map[protoreflect.FullName]string) {
	in := []scope{{"package", pkg}}
	var lines []string
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if c, is := strings.CutPrefix(line, "//"); is {
			lines = append(lines, strings.TrimSpace(c))
			continue
		}
		about := strings.Join(lines, " ")
		lines = nil
		now := in[len(in)-1]
		opens := strings.HasSuffix(line, "{")
		if m := scopeLine.FindStringSubmatch(line); m != nil {
			name := now.name
			if m[1] != "oneof" {
				name = name.Append(protoreflect.Name(m[2]))
				said[name] = about
			}
			if m[3] == "" {
				in = append(in, scope{m[1], name})
			}
			continue
		}
		if m := fieldLine.FindStringSubmatch(line); m != nil && (now.kind == "message" || now.kind == "oneof") {
			said[now.name.Append(protoreflect.Name(m[1]))] = about
		} else if m := valueLine.FindStringSubmatch(line); m != nil && now.kind == "enum" {
			said[now.name.Parent().Append(protoreflect.Name(m[1]))] = about // a value stands beside its enum
		}
		switch {
		case strings.HasPrefix(line, "}") && !opens && len(in) > 1:
			in = in[:len(in)-1]
		case opens && !strings.HasPrefix(line, "}"):
			in = append(in, scope{"", now.name})
		}
	}
}
