package casefile

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/metric"
)

// valueLines are lines to be filled in: no blank follows their #.
var valueLines = regexp.MustCompile(`(?m)^( *)#(\w)`)

// A skeleton says nothing, as it is given and with every line taken in.
func TestTemplateIsEmpty(t *testing.T) {
	for _, tier := range Tiers {
		for _, purposes := range [][]string{nil, {"assessment"}, {"plan"}, {"operation"}, {"result"}, {"follow_up"}} {
			text := Template(tier, purposes...)
			for _, given := range []string{text, valueLines.ReplaceAllString(text, "$1$2")} {
				if _, err := Read(Source{Name: "t.yaml"}, []byte(given)); !errors.Is(err, ErrNothingYet) {
					t.Fatalf("%s %v: %v", tier, purposes, err)
				}
			}
			for n, line := range strings.Split(text, "\n") {
				if len(line) > widthOfRow {
					t.Errorf("%s %v:%d has %d columns", tier, purposes, n+1, len(line))
				}
			}
		}
	}
}

// Each tier has all that the one before has, and the full one every field that a
// person can fill in.
func TestTiersOfTemplates(t *testing.T) {
	name := regexp.MustCompile(`(?m)^ *#?(\w+):`)
	var before map[string]bool
	for _, tier := range Tiers {
		has := map[string]bool{}
		for _, m := range name.FindAllStringSubmatch(Template(tier), -1) {
			has[m[1]] = true
		}
		for n := range before {
			if !has[n] {
				t.Errorf("%s is in the tier before %s and not in it", n, tier)
			}
		}
		for _, l := range metric.Leaves() {
			if id := string(l.ID); l.Tier == tier && !has[id] && id != "body_height" && id != "body_weight" {
				t.Errorf("%s is of tier %s and not in its template", id, tier)
			}
		}
		before = has
	}
	var walk func(md protoreflect.MessageDescriptor)
	walk = func(md protoreflect.MessageDescriptor) {
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			if fd.Name() == fieldAdvice {
				continue
			}
			if !before[string(fd.Name())] {
				t.Errorf("the full template has no %s", fd.FullName())
			}
			if fd.Message() != nil && !isTime(fd.Message()) && unitOf(fd.Message()) == "" {
				walk(fd.Message())
			}
		}
	}
	walk(root())
}

// The words of the tiers name fields of the contract.
func TestWordsOfTierExist(t *testing.T) {
	pkg := root().ParentFile().Package()
	known := map[protoreflect.FullName]bool{}
	for name := range comments() {
		known[name] = true
	}
	for tier, messages := range wordsOfTier {
		for message, fields := range messages {
			for _, f := range fields {
				if !known[pkg.Append(message).Append(f)] {
					t.Errorf("%s: the contract has no %s.%s", tier, message, f)
				}
			}
		}
	}
}

// Filled in as its comments say, a skeleton is read.
func TestTemplateFilledIn(t *testing.T) {
	text := Template(metric.Core, "plan")
	for _, fill := range []struct{ below, line, filled string }{
		{"  steps:\n", "      #id:", "      id: tri"},
		{"leaflet_resection:\n", "#segments: []", "segments: [p2]"},
		{"leaflet_resection:\n", "#resection_free_edge_width: {mm: }", "resection_free_edge_width: {mm: 9}"},
	} {
		above, rest, found := strings.Cut(text, fill.below)
		if !found || !strings.Contains(rest, fill.line) {
			t.Fatalf("there is no line %q below %q", fill.line, fill.below)
		}
		text = above + fill.below + strings.Replace(rest, fill.line, fill.filled, 1)
	}
	file, err := Read(Source{Name: "t.yaml"}, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	steps := file.GetPlan().GetSteps()
	if len(steps) != 1 || steps[0].GetTechnique().GetLeafletResection().GetResectionFreeEdgeWidth().GetMm() != 9 {
		t.Errorf("read as %v", file)
	}
}
