package note

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"trigone/internal/metric"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// The words and short names are of values that the contract and the catalogue have.
func TestWordsAreOfTheContract(t *testing.T) {
	known := map[string]bool{}
	protoregistry.GlobalFiles.RangeFilesByPackage("trigone.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Enums().Len() {
			values := f.Enums().Get(i).Values()
			for j := range values.Len() {
				known[string(values.Get(j).Name())] = true
			}
		}
		return true
	})
	for _, name := range words.SpokenNames() {
		if !known[name] {
			t.Errorf("%s is no enum value of the contract", name)
		}
	}
	for id := range shortNames {
		if _, ok := metric.LeafByID(id); !ok {
			t.Errorf("%s is no leaf", id)
		}
	}
	for _, id := range slices.Concat(severityValues, predictionShown) {
		if _, _, ok := metric.Describe(id); !ok {
			t.Errorf("%s is neither leaf nor metric", id)
		}
	}
	if got := say(trigonev1.Stage_STAGE_UNSPECIFIED); got != "" {
		t.Errorf("what is not recorded is spoken of as %q", got)
	}
}
