package render

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// The pages are well formed, say the caution, and whatever stands in a text is
// text: a limit's name or a formula is never markup.
func TestPages(t *testing.T) {
	const hostile = `a < b & "c" <script>alert(1)</script>`
	sources := []*trigonev1.Source{{Id: "s", Citation: hostile, Strength: trigonev1.SourceStrength_SOURCE_STRENGTH_MEMORY}, {Id: "uncited", Citation: "never cited"}}
	var rules, metrics bytes.Buffer
	if err := RulesPage(&rules, &trigonev1.ListRulesResponse{RuleSetVersion: "2", Rules: []*trigonev1.RuleDefinition{{
		Id: "some-rule", Summary: hostile, Severity: trigonev1.Severity_SEVERITY_CAUTION, Source: "s", Since: "1", Until: "2",
		Limits: []*trigonev1.AppliedLimit{{Threshold: "mean_gradient_high", Value: 5, Unit: "mm[Hg]", Owner: trigonev1.LimitOwner_LIMIT_OWNER_SITE}},
	}}}, sources); err != nil {
		t.Fatal(err)
	}
	if err := MetricsPage(&metrics, &trigonev1.ListMetricsResponse{CatalogueVersion: "2", Metrics: []*trigonev1.MetricDefinition{
		{Id: "some_metric", Name: "n", Unit: "mm", Formula: hostile, Source: "s"}, {Id: "some_leaf", Leaf: true, Tier: trigonev1.Tier_TIER_CORE},
	}}, sources); err != nil {
		t.Fatal(err)
	}
	for name, p := range map[string]string{"rules": rules.String(), "metrics": metrics.String()} {
		for _, want := range []string{"not a medical device", "a &lt; b &amp;", "memory"} {
			if !strings.Contains(p, want) {
				t.Errorf("%s does not say %q", name, want)
			}
		}
		for _, never := range []string{"<script", "never cited", "http://", "src="} {
			if strings.Contains(p, never) {
				t.Errorf("%s says %q", name, never)
			}
		}
		d := xml.NewDecoder(strings.NewReader(p))
		d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	}
	for _, want := range []string{"5 mmHg (mean gradient high, set by the site)", "set 1, not in set 2", "Caution: 1 rule", "Note: 0 rules"} {
		if !strings.Contains(rules.String(), want) {
			t.Errorf("rules do not say %q", want)
		}
	}
	for _, want := range []string{"Computed: 1 metric", "Measured: 1 value", "core"} {
		if !strings.Contains(metrics.String(), want) {
			t.Errorf("metrics do not say %q", want)
		}
	}
}
