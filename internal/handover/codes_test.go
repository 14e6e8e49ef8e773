package handover

import (
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/policy"
	trigonev1 "trigone/proto/trigone/v1"
)

// The codes of a site's policy stand in its bundles. A bundle speaks with the codes
// of the policy in force, whichever was when the case came; what is stored stays as
// it is, and a policy that is in force no more is still read for judging.
func TestBundleHasTheCodesOfThePolicyInForce(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart))
	bundle := func(d *Desk) string {
		t.Helper()
		resp, err := d.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
		if err != nil {
			t.Fatal(err)
		}
		return resp.GetBundle()
	}
	before := bundle(f.desk)
	licensed, err := policy.Parse("licensed.yaml", []byte(`site: harbour
version: "2"
zone: Europe/London
codes:
  - {local_system: metric, local_code: peak-gradient, system: "urn:oid:2.16.840.1.113883.3.9999", code: G-2, display: Peak (invented), equivalence: equivalent, verified: invented}
`), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	under := fixtureOf(t, f.store, licensed)
	if strings.Contains(before, "G-2") || !strings.Contains(bundle(under.desk), `"code":"G-2","display":"Peak (invented)"},{"system":"https://example.org/fhir/trigone/CodeSystem/metric","code":"peak-gradient"`) {
		t.Errorf("before %v, with the policy\n%s", strings.Contains(before, "G-2"), bundle(under.desk))
	}
	under.mustSubmit(object(numberAndPatient, strings.Replace(resultPart, `"mmhg":7`, `"mmhg":8`, 1)), expect("result/exit", "1"))
	if now := bundle(f.desk); strings.Contains(now, "G-2") {
		t.Error("the code of a policy that is in force no more is sent")
	}
	again, err := f.book.EvaluateAgain(f.ctx, caller, &trigonev1.EvaluateAgainRequest{Case: ref(), PolicyHash: licensed.Hash})
	if err != nil || again.GetEvaluation().GetPolicyHash() != licensed.Hash {
		t.Errorf("evaluated by the hash %s, %v", again.GetEvaluation().GetPolicyHash(), err)
	}
}
