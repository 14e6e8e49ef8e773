package fhirmap

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// TypeImplementationGuide is the type of what lists the others in a package.
const TypeImplementationGuide = "ImplementationGuide"

// PackageName is the name of the FHIR package that holds the resources of
// Terminology: like the canonical base it lies under the name that is reserved for
// examples.
const PackageName = "org.example.trigone"

// PackageCaution is what a package of the site says of its name and its canonical base.
func (s Site) PackageCaution() string {
	what := "Name and canonical base are invented, under a name reserved for examples: nothing is served there."
	if ownBase(s.Base) != "" {
		what = "The name is invented, under a name reserved for examples; the canonical base is the site's."
	}
	return what + " No medical device; ranges of a model are no advice."
}

// PackageVersion is the version of the package: the number of the mapping, how many
// codes there are, and what a site has of its own.
func PackageVersion(site Site) string {
	codes := 0
	for _, list := range publishedConcepts() {
		codes += len(list)
	}
	version := fmt.Sprintf("%d.%d.0", Mapping, codes)
	base := ownBase(site.Base)
	if own := fmt.Appendf(nil, "%q", site.Codes); len(site.Codes) > 0 || !site.Patient.Logical() || base != "" {
		if !site.Patient.Logical() {
			own = fmt.Appendf(own, "%q", site.Patient)
		}
		own = append(own, base...)
		sum := sha256.Sum256(own)
		version += "-site." + hex.EncodeToString(sum[:4])
	}
	return version
}

type guideJSON struct {
	ResourceType string `json:"resourceType"`
	*fhir.OtherImplementationGuide
}

// Guide gives the ImplementationGuide that lists the resources of Terminology, as a
// package of them has to hold one.
func Guide(list []Resource, site Site) (Resource, error) {
	const id = "trigone"
	g := fhir.ImplementationGuide{
		Id: text(id), Url: canonical(TypeImplementationGuide, id), Version: text(PackageVersion(site)), Name: "TrigoneGuide",
		Title: text("Plans and outcomes of mitral valve repairs"), Status: fhir.PublicationStatusActive, Experimental: pointer(true),
		Publisher: text(publisher), Copyright: text(licences),
		Description: text("What the FHIR output means: code systems, value sets, the map to public codes, profiles and extensions. " + site.PackageCaution()),
		PackageId:   PackageName, FhirVersion: []fhir.FHIRVersion{fhir.FHIRVersion4_0_1},
		Definition: &fhir.ImplementationGuideDefinition{},
	}
	for _, r := range list {
		g.Definition.Resource = append(g.Definition.Resource, fhir.ImplementationGuideDefinitionResource{
			Reference: fhir.Reference{Reference: text(r.Type + "/" + r.ID)}, ExampleBoolean: pointer(false),
		})
	}
	r, err := encoded(TypeImplementationGuide, id, guideJSON{TypeImplementationGuide, (*fhir.OtherImplementationGuide)(&g)})
	r.JSON = site.Named(r.JSON)
	return r, err
}
