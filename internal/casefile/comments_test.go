package casefile

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Every field, message and word that a case file can hold is explained.
func TestEverythingHasItsComment(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(md protoreflect.MessageDescriptor)
	say := func(d protoreflect.Descriptor) {
		if !seen[d.FullName()] && comment(d) == "" {
			t.Errorf("%s has no comment", d.FullName())
		}
	}
	walk = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] || md.ParentFile().Package() != root().ParentFile().Package() {
			return
		}
		say(md)
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			say(fd)
			if fd.Enum() != nil {
				for j := range fd.Enum().Values().Len() {
					say(fd.Enum().Values().Get(j))
				}
			}
			if fd.Message() != nil {
				walk(fd.Message())
			}
		}
	}
	walk(root())
	if len(seen) < 80 {
		t.Errorf("only %d messages were walked", len(seen))
	}
	for name, want := range map[protoreflect.FullName]string{ // as the files say
		"trigone.v1.Identity.height_cm":   "Body height, cm.",
		"trigone.v1.SEX_FEMALE":           "Female.",
		"trigone.v1.Technique.plication":  "Plication of the annulus.",
		"trigone.v1.Length.absent_reason": "Why there is no value.",
	} {
		if got := comments()[name]; got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
}
