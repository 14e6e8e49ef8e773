// Package casefile is for those who write case files by hand: it reads them as YAML
// or JSON, with the line and column of everything that is wrong, and writes examples,
// skeletons, a schema and explanations from the contract alone. No field of the
// contract is named here that could be read from it.
package casefile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/strictyaml"
	trigonev1 "trigone/proto/trigone/v1"
)

// MostBytes is how long a case file as YAML may be. One with surfaces of points is
// longer; a program writes it, as JSON.
const MostBytes = 1 << 20

// ErrNothingYet is the answer to a skeleton in which nothing is filled in.
var ErrNothingYet = errors.New("nothing to judge yet: start with assessments (id, kind and what was found in study) or with plan (steps and the heights aimed at); take away the # before a line and write its value behind the colon")

// Source says where a text comes from.
type Source struct {
	// Name is what faults call it, e.g. the path; its ending tells JSON and YAML, else
	// the text does.
	Name string
	// Zone is that of times without one; nil: every time must have its zone.
	Zone *time.Location
}

// Read reads a case file and checks it as by convert.CheckFile. Its error is
// ErrNothingYet or tells every fault, each on a line with the place where it stands; no
// text of the file is repeated in it.
func Read(from Source, text []byte) (*trigonev1.CaseFile, error) {
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	if !from.isJSON(text) {
		return from.read(text)
	}
	if err := from.syntax(text); err != nil {
		return nil, err
	}
	file := &trigonev1.CaseFile{}
	err := protojson.Unmarshal(text, file)
	switch {
	case err != nil && len(text) > MostBytes:
		return nil, from.foreign(err)
	case err != nil:
		// JSON is YAML: the pass over its nodes knows more of what is wrong.
		return from.read(text)
	}
	violations := convert.CheckFile(file)
	if len(violations) == 0 {
		return file, nil
	}
	r := from.reader()
	if len(text) <= MostBytes {
		if root, ok := r.Root(text); ok {
			r.message(root, (&trigonev1.CaseFile{}).ProtoReflect())
		}
		r.Forget() // it was read: only where everything stands is asked here
	}
	r.tell(violations)
	return nil, r.Err()
}

func (s Source) isJSON(text []byte) bool {
	switch strings.ToLower(filepath.Ext(s.Name)) {
	case ".json":
		return true
	case ".yaml", ".yml":
		return false
	}
	return json.Valid(text)
}

func (s Source) reader() *reader {
	return &reader{
		Reading: &strictyaml.Reading{Name: s.Name, Noun: "case file", Needed: "a plan or an assessment", Most: MostBytes},
		zone:    s.Zone, at: map[string]strictyaml.Field{},
	}
}

// read reads YAML.
func (s Source) read(text []byte) (*trigonev1.CaseFile, error) {
	r := s.reader()
	root, ok := r.Root(text)
	if !ok {
		return nil, r.Err()
	}
	file := &trigonev1.CaseFile{}
	r.message(root, file.ProtoReflect())
	if r.Count() == 0 {
		r.tell(convert.CheckFile(file))
	}
	if err := r.Err(); err != nil {
		return nil, err
	}
	if proto.Size(file) == 0 && len(r.Entries(root)) > 0 {
		return nil, ErrNothingYet
	}
	return file, nil
}

// syntax tells where a text is no JSON.
func (s Source) syntax(text []byte) error {
	var whole json.RawMessage
	err := json.Unmarshal(text, &whole)
	var at *json.SyntaxError
	if !errors.As(err, &at) {
		return err
	}
	before := text[:min(int(at.Offset), len(text))]
	line := 1 + bytes.Count(before, []byte("\n"))
	column := len(before) - (bytes.LastIndexByte(before, '\n') + 1)
	return fmt.Errorf("%s:%d:%d: the text is no JSON: %w", s.Name, line, max(column, 1), at)
}

var lineOfJSON = regexp.MustCompile(`\(line (\d+):(\d+)\)`)

// foreign gives the place of another reader's fault without its words, which repeat
// what is written.
func (s Source) foreign(err error) error {
	where := s.Name
	if at := lineOfJSON.FindStringSubmatch(err.Error()); at != nil {
		where += ":" + at[1] + ":" + at[2]
	}
	return fmt.Errorf("%s: this is no field of the contract or no value for it; see 'trigone schema'", where)
}

// Faults is how many faults an error of Read tells.
func Faults(err error) int {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return len(joined.Unwrap())
	}
	return 1
}

// shortNumber repeats a number that somebody wrote, if it is short enough to be a
// measured value.
func shortNumber(text string) (string, bool) {
	v, err := strconv.ParseFloat(text, 64)
	return strconv.FormatFloat(v, 'f', -1, 64), err == nil && len(text) <= 7
}
