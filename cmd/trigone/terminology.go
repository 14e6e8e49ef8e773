package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"trigone/fhirmap"
	"trigone/internal/private"
	"trigone/internal/render"
)

func (a *app) terminologyCommand() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "terminology --out DIR",
		Short: "Write what the codes of the FHIR output mean",
		Long: `terminology writes, one file for each resource, what a receiver needs to read the
FHIR output: the CodeSystems with every code of our own, the ValueSets, the
ConceptMap to public codes, the profiles of what is in a bundle, and the search
parameters for places and lot numbers. The folder is a FHIR package (npm pack DIR
makes the file to install): package.json, an ImplementationGuide, and
.index.json, which lists the resources. Its folder views has the ViewDefinitions
by which runners of the guide 'SQL on FHIR' make tables of an export. With --policy the public codes of
the site are in the ConceptMap and in the ValueSets, the profiles allow the
reference to the patient that the site has chosen, and all is named under its
canonical base.`,
		Example: `  trigone terminology --out /tmp/trigone-terminology
  trigone terminology --out /tmp/trigone-terminology --policy harbour.yaml`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable); err != nil {
				return err
			}
			if out == "" {
				return usagef("terminology needs --out DIR, the folder to write to")
			}
			p, err := a.settings()
			if err != nil {
				return err
			}
			site := fhirmap.Site{Codes: p.Codes, Patient: p.Patient, Base: p.CanonicalBase}
			list, err := fhirmap.Terminology(site)
			if err != nil {
				return err
			}
			guide, err := fhirmap.Guide(list, site)
			if err != nil {
				return err
			}
			list = append(list, guide)
			written, err := writeTerminology(out, list, site)
			if err != nil {
				return err
			}
			if err := writePackage(out, site); err != nil {
				return err
			}
			views, err := fhirmap.Views(site)
			if err != nil {
				return err
			}
			if _, err := writeResources(filepath.Join(out, viewsName), views); err != nil {
				return err
			}
			header := []any{"Type", "Files", "Codes"}
			var rows [][]any
			for _, row := range written {
				rows = append(rows, []any{row.typ, row.files, row.codes})
			}
			render.Table(cmd.OutOrStdout(), header, rows...)
			fmt.Fprintf(cmd.OutOrStdout(), "%d codes have a public one, %d more a narrower or a wider one; the others have none that was verified.\n",
				written.matched("equivalent"), written.matched("narrower", "wider"))
			fmt.Fprintf(cmd.OutOrStdout(), "%d resources are in %s, listed in %s; %d views are in %s.\n",
				len(list), out, filepath.Join(out, indexName), len(views), filepath.Join(out, viewsName))
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "folder to write to; it is made if it is not there")
	return c
}

// Names of the files that make a folder a FHIR package.
const (
	indexName   = ".index.json"
	packageName = "package.json"
	viewsName   = "views" // a folder, of which packages say nothing
)

// packageIndex lists the resources of a package, as the FHIR specification of
// packages says.
type packageIndex struct {
	Version int          `json:"index-version"`
	Files   []indexEntry `json:"files"`
}

// indexEntry is one resource in the list of files.
type indexEntry struct {
	Filename     string `json:"filename"`
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	URL          string `json:"url"`
	Version      string `json:"version"`
	Kind         string `json:"kind,omitempty"` // of a StructureDefinition
	Type         string `json:"type,omitempty"`
}

// packageManifest says what the package is.
type packageManifest struct {
	Name         string            `json:"name"`
	Version      string            `json:"version"`
	Title        string            `json:"title"`
	Description  string            `json:"description"`
	Author       string            `json:"author"`
	Canonical    string            `json:"canonical"`
	URL          string            `json:"url"`
	Type         string            `json:"type"`
	FHIRVersions []string          `json:"fhirVersions"`
	Dependencies map[string]string `json:"dependencies"`
}

func writePackage(folder string, site fhirmap.Site) error {
	const r4 = "4.0.1"
	return writeJSON(filepath.Join(folder, packageName), packageManifest{
		Name: fhirmap.PackageName, Version: fhirmap.PackageVersion(site), Title: "Plans and outcomes of mitral valve repairs",
		Description: "What the FHIR output of trigone means. " + site.PackageCaution(), Author: "trigone",
		Canonical: site.CanonicalBase(), URL: site.CanonicalBase(), Type: "IG",
		FHIRVersions: []string{r4}, Dependencies: map[string]string{"hl7.fhir.r4.core": r4},
	})
}

func writeJSON(path string, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	if err := private.Write(path, append(text, '\n')); err != nil {
		return fmt.Errorf("write %s: %w", filepath.Base(path), err)
	}
	return nil
}

// writtenKind is what was written of one type, in the order of the list.
type writtenKind struct {
	typ          string
	files, codes int
	// equivalences counts the codes of ours by the best that a ConceptMap knows.
	equivalences map[string]int
}

type writtenKinds []writtenKind

func (w writtenKinds) matched(words ...string) int {
	n := 0
	for _, k := range w {
		for _, word := range words {
			n += k.equivalences[word]
		}
	}
	return n
}

// writeResources writes one file for each and gives their names.
func writeResources(folder string, list []fhirmap.Resource) (names []string, err error) {
	if err := private.Folder(folder); err != nil {
		return nil, fmt.Errorf("make the folder: %w", err)
	}
	for _, r := range list {
		var text bytes.Buffer
		if err := json.Indent(&text, r.JSON, "", "  "); err != nil {
			return nil, fmt.Errorf("%s %s: %w", r.Type, r.ID, err)
		}
		text.WriteByte('\n')
		name := r.Type + "-" + r.ID + ".json"
		if err := private.Write(filepath.Join(folder, name), text.Bytes()); err != nil {
			return nil, fmt.Errorf("write a resource: %w", err)
		}
		names = append(names, name)
	}
	return names, nil
}

// writeTerminology writes every resource and the index.
func writeTerminology(folder string, list []fhirmap.Resource, site fhirmap.Site) (writtenKinds, error) {
	names, err := writeResources(folder, list)
	if err != nil {
		return nil, err
	}
	var kinds writtenKinds
	var index []indexEntry
	for i, r := range list {
		var read terminologyCounts
		if err := json.Unmarshal(r.JSON, &read); err != nil {
			return nil, fmt.Errorf("%s %s: %w", r.Type, r.ID, err)
		}
		index = append(index, indexEntry{names[i], r.Type, r.ID, site.Canonical(r.Type, r.ID), read.Version, read.Kind, read.Type})
		if len(kinds) == 0 || kinds[len(kinds)-1].typ != r.Type {
			kinds = append(kinds, writtenKind{typ: r.Type, equivalences: map[string]int{}})
		}
		kinds[len(kinds)-1].add(read)
	}
	return kinds, writeJSON(filepath.Join(folder, indexName), packageIndex{1, index})
}

// terminologyCounts is what is counted of a resource, whatever its type.
type terminologyCounts struct {
	Version    string
	Kind, Type string
	Concept    []struct{ Code string }
	Compose    struct {
		Include []struct {
			System  string
			Concept []struct{ Code string }
		}
	}
	Group []struct {
		Source  string
		Element []struct {
			Code   string
			Target []struct{ Code, Equivalence string }
		}
	}
}

// add counts the codes that a resource names: concepts of a CodeSystem, those that
// a ValueSet lists one by one, codes of ours in a ConceptMap.
func (k *writtenKind) add(c terminologyCounts) {
	k.files++
	k.codes += len(c.Concept)
	for _, i := range c.Compose.Include {
		k.codes += len(i.Concept)
	}
	best := map[string]string{}
	rank := map[string]int{"unmatched": 1, "wider": 2, "narrower": 3, "equivalent": 4}
	for _, g := range c.Group {
		for _, e := range g.Element {
			own := g.Source + "|" + e.Code
			for _, t := range e.Target {
				if rank[t.Equivalence] > rank[best[own]] {
					best[own] = t.Equivalence
				}
			}
		}
	}
	k.codes += len(best)
	for _, word := range best {
		k.equivalences[word]++
	}
}
