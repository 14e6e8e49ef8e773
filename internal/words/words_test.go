package words_test

import (
	"testing"

	"trigone/internal/words"
)

func TestTexts(t *testing.T) {
	for _, row := range []struct{ got, want, why string }{
		{words.OfEnum("JET_DIRECTION_ANTERIOR", "JET_DIRECTION_UNSPECIFIED"), "anterior", "the prefix of the enum goes"},
		{words.OfEnum("SEMI_RIGID", "UNSPECIFIED"), "semi_rigid", "an enum without a prefix keeps its words"},
		{words.Spaced("after_leaflet_work"), "after leaflet work", "a word of the contract"},
		{words.Spaced("mean-gradient_high"), "mean gradient high", "an id"},
		{words.Spaced("ring_inner_antero_posterior_diameter"), "ring inner antero-posterior diameter", "a compound keeps its hyphen"},
		{words.Spaced("seam"), "suture line", "the trade has a word of its own"},
		{words.Capital("äquator"), "Äquator", "a letter of more than one byte"},
		{words.Capital(""), "", "nothing to begin"},
		{words.Sentence(" one ring"), "One ring.", "it is closed"},
		{words.Sentence("it said “one.”"), "It said “one.”", "a quotation that is closed already"},
		{words.Sentence("  "), "", "nothing is no sentence"},
		{words.And(nil), "", "none"},
		{words.And([]string{"a"}), "a", "one"},
		{words.And([]string{"a", "b", "c"}), "a, b and c", "three"},
	} {
		if row.got != row.want {
			t.Errorf("%s: %q, want %q", row.why, row.got, row.want)
		}
	}
	if text, ok := words.Spoken("RIGIDITY_SEMI_RIGID"); !ok || text != "semi-rigid" {
		t.Errorf("semi-rigid is said as %q, %v", text, ok)
	}
	if _, ok := words.Spoken("RIGIDITY_RIGID"); ok {
		t.Error("a value that is said as its word has a row")
	}
}
