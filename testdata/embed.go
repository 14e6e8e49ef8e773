// Package testdata holds the invented cases that the demo submits and the tests
// of every room read: whole case files, and single submits that arrive beside
// them (a first version, a slip, another patient's echo). README.md says what
// each is for. Nothing here is a real person, hospital or product.
package testdata

import (
	"embed"
	"fmt"
	"path"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"

	trigonev1 "trigone/proto/trigone/v1"
)

//go:embed cases/*.json submits/*.json
var files embed.FS

// DemoPolicy is the clinical policy of the invented hospital of the demo.
//
//go:embed policies/harbour-demo.yaml
var DemoPolicy []byte

// DepartmentPolicy is that of the invented department.
//
//go:embed policies/harbour-department.yaml
var DepartmentPolicy []byte

// Folders of case files, below testdata.
const (
	Cases   = "cases"
	Submits = "submits"
)

// Names gives the case files of a folder by name, without ending, sorted.
func Names(folder string) []string {
	entries, err := files.ReadDir(folder)
	if err != nil {
		panic("testdata: no folder " + folder)
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".json"))
	}
	return names
}

// Raw gives a file's bytes.
func Raw(folder, name string) ([]byte, error) {
	return files.ReadFile(path.Join(folder, name+".json"))
}

// Read gives one case file, decoded; each call gives a message of its own.
func Read(folder, name string) (*trigonev1.CaseFile, error) {
	raw, err := Raw(folder, name)
	if err != nil {
		return nil, err
	}
	file := &trigonev1.CaseFile{}
	if err := protojson.Unmarshal(raw, file); err != nil {
		return nil, fmt.Errorf("%s/%s.json: %w", folder, name, err)
	}
	return file, nil
}
