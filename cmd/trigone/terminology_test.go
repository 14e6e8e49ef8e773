package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"trigone/fhirmap"
)

// index reads the list of files and finds every one of them, and no other.
func index(t *testing.T, folder string) []indexEntry {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder, indexName))
	if err != nil {
		t.Fatal(err)
	}
	var read packageIndex
	if err := json.Unmarshal(text, &read); err != nil || read.Version != 1 {
		t.Fatalf("index version %d, %v", read.Version, err)
	}
	list := read.Files
	names := []string{indexName, packageName, viewsName}
	for _, e := range list {
		names = append(names, e.Filename)
		text, err := os.ReadFile(filepath.Join(folder, e.Filename))
		if err != nil {
			t.Fatal(err)
		}
		var r struct{ ResourceType, ID, URL, Version, Kind, Type string }
		if err := json.Unmarshal(text, &r); err != nil {
			t.Fatal(err)
		}
		if r.ResourceType != e.ResourceType || r.ID != e.ID || r.URL != e.URL || r.Version != e.Version || r.Kind != e.Kind ||
			(r.ResourceType == fhirmap.TypeStructureDefinition && r.Type != e.Type) || e.URL != fhirmap.Base+"/"+e.ResourceType+"/"+e.ID || e.Version == "" {
			t.Errorf("%s holds %+v, the index says %+v", e.Filename, r, e)
		}
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !slices.Contains(names, f.Name()) {
			t.Errorf("%s is not in the index", f.Name())
		}
	}
	return list
}

func TestTerminology(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "plain")
	out := call(t, "terminology", "--out", plain).want(t, exitOK).stdout
	says(t, "the table", out, "CodeSystem", "ConceptMap", "SearchParameter", "StructureDefinition", "ValueSet", "have none that was verified", indexName)
	list := index(t, plain)
	if want, err := fhirmap.Terminology(fhirmap.Site{}); err != nil || len(list) != len(want)+1 {
		t.Errorf("%d files, want %d and the guide, %v", len(list), len(want), err)
	}

	// An invented code of an invented system, and one that the built-in policy shows.
	site := filepath.Join(t.TempDir(), "site")
	path := policyFile(t, policyHead+`codes:
  - {local_system: step, local_code: patch, system: "urn:oid:2.16.840.1.113883.3.9999", code: R-1, display: Patch, equivalence: equivalent, verified: invented}
  - {local_system: place, local_code: medial-commissure, system: "http://snomed.info/sct", code: "19198003", display: Mitral valve commissure, equivalence: wider, verified: invented}
`)
	says(t, "a policy with codes", call(t, "check-policy", path).want(t, exitOK).stdout, "codes.step.patch", "codes.place.medial-commissure")
	with := call(t, "terminology", "--out", site, "--policy", path).want(t, exitOK).stdout
	if with == strings.ReplaceAll(out, plain, site) {
		t.Error("the table does not show the codes of the site")
	}
	index(t, site)
	for _, tt := range []struct{ file, has string }{
		{"ConceptMap-public-codes.json", "\"code\": \"R-1\""},
		{"ConceptMap-public-codes.json", "\"code\": \"19198003\""},
		{"ValueSet-step.json", "\"code\": \"R-1\""},
	} {
		text, err := os.ReadFile(filepath.Join(site, tt.file))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), tt.has) {
			t.Errorf("%s does not hold %s", tt.file, tt.has)
		}
		if text, err := os.ReadFile(filepath.Join(plain, tt.file)); err != nil || strings.Contains(string(text), tt.has) {
			t.Errorf("%s holds %s without the policy, %v", tt.file, tt.has, err)
		}
	}
}

// A site's base is in every file of the package, and the built-in one in none.
func TestTerminologyUnderACanonicalBase(t *testing.T) {
	const base = "https://fhir.north.example/trigone"
	folder := filepath.Join(t.TempDir(), "package")
	path := policyFile(t, policyHead+"fhir: {canonical_base: \""+base+"\"}\n")
	says(t, "a policy with a base", call(t, "check-policy", path).want(t, exitOK).stdout, "fhir.canonical_base", base)
	call(t, "terminology", "--out", folder, "--policy", path).want(t, exitOK)
	n := 0
	if err := filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		n++
		text, err := os.ReadFile(path)
		if s := string(text); strings.Contains(s, fhirmap.Base) || !strings.Contains(s, `"url": "`+base) {
			t.Errorf("%s: the built-in base is in it %v", d.Name(), strings.Contains(s, fhirmap.Base))
		}
		return err
	}); err != nil || n < 70 {
		t.Errorf("%d files, %v", n, err)
	}
}

// What the FHIR specification of packages asks of a package's manifest (hl7.org, FHIR
// packages): name, version, description, author and the packages it depends on; and
// that an ImplementationGuide is in it that names the same package.
func TestTerminologyIsAPackage(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "package")
	call(t, "terminology", "--out", folder).want(t, exitOK)
	read := func(name string, into any) {
		t.Helper()
		text, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, into); err != nil {
			t.Fatal(err)
		}
	}
	var m packageManifest
	read(packageName, &m)
	if !regexp.MustCompile(`^[a-z0-9-]+(\.[a-z0-9-]+)+$`).MatchString(m.Name) || !regexp.MustCompile(`^\d+\.\d+\.\d+(-[a-z0-9.]+)?$`).MatchString(m.Version) {
		t.Errorf("name %q, version %q", m.Name, m.Version)
	}
	if m.Description == "" || m.Author == "" || m.Type == "" || m.Canonical != fhirmap.Base || m.Dependencies["hl7.fhir.r4.core"] != "4.0.1" || !slices.Equal(m.FHIRVersions, []string{"4.0.1"}) {
		t.Errorf("the manifest is not complete: %+v", m)
	}
	says(t, "that names are invented", m.Description, "invented", "reserved for examples")

	var guide struct {
		PackageID, Version string
		FHIRVersion        []string
		Definition         struct {
			Resource []struct{ Reference struct{ Reference string } }
		}
	}
	read("ImplementationGuide-trigone.json", &guide)
	if guide.PackageID != m.Name || guide.Version != m.Version || !slices.Equal(guide.FHIRVersion, m.FHIRVersions) {
		t.Errorf("the guide says %+v, the manifest %+v", guide, m)
	}
	var named, there []string
	for _, r := range guide.Definition.Resource {
		named = append(named, strings.Replace(r.Reference.Reference, "/", "-", 1)+".json")
	}
	for _, e := range index(t, folder) {
		if e.ResourceType != fhirmap.TypeImplementationGuide {
			there = append(there, e.Filename)
		}
	}
	if !slices.Equal(named, there) {
		t.Errorf("the guide names %v, in the folder are %v", named, there)
	}

	// The codes of a site make it another package.
	path := policyFile(t, policyHead+`codes:
  - {local_system: step, local_code: patch, system: "urn:oid:2.16.840.1.113883.3.9999", code: R-1, display: Patch, equivalence: equivalent, verified: invented}
`)
	call(t, "terminology", "--out", folder, "--policy", path).want(t, exitOK)
	var site packageManifest
	read(packageName, &site)
	if site.Name != m.Name || !strings.HasPrefix(site.Version, m.Version+"-site.") {
		t.Errorf("with codes of a site: %s %s", site.Name, site.Version)
	}
}

func TestTerminologyRefuses(t *testing.T) {
	call(t, "terminology").want(t, exitUsage)
	call(t, "terminology", "--out", t.TempDir(), "more").want(t, exitUsage)
	call(t, "terminology", "--out", t.TempDir(), "--format", "json").want(t, exitUsage)
	path := policyFile(t, policyHead+"codes: [{local_system: step}]\n")
	says(t, "a policy with a fault", call(t, "terminology", "--out", t.TempDir(), "--policy", path).want(t, exitFailed).stderr, "codes[0] has no local_code")
	file := policyFile(t, policyHead)
	says(t, "a file where a folder is needed", call(t, "terminology", "--out", file).want(t, exitFailed).stderr, "make the folder")
}
