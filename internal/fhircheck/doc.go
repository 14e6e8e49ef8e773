// Package fhircheck holds tests only: it gives what fhirmap writes to a strict
// decoder of FHIR R4 that was written by others, and so checks our reading of the
// standard. The decoder knows elements, their types and number, required
// bindings, date and id syntax, and types of literal references; it knows no
// invariant, no unit and no terminology, for which there is fhirmap/fhirtest.
//
// It is a module of its own, because the decoder's module graph is large and old:
// the root's go.mod never sees it, and `go test ./...` at the root does not run
// it. Run it as
//
//	cd internal/fhircheck && go test ./...
//
// It reads ../../fhirmap/testdata (the golden bundles) and every bundle in the
// folder that TRIGONE_BUNDLES names, which .ci/run fills by the demo, and decodes
// bundles of random
// histories; and every resource that fhirmap.Terminology makes, with those in the
// folder that TRIGONE_RESOURCES names. After a change of the root's go.mod run `go mod tidy` here.
package fhircheck
