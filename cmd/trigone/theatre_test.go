package main

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// What a surgeon asks between leaflet work and ring, on a real server: the answer
// is printed, and kept where it was asked to be.
func TestAdvise(t *testing.T) {
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	whole := read(t, testdata.Cases, "triangular-complete-ring")
	name := whole.GetExternalIdentifier().GetSystem() + "|" + whole.GetExternalIdentifier().GetValue()
	before := proto.CloneOf(whole)
	before.Operation, before.Results, before.FollowUps = nil, nil, nil
	call(t, with("submit", file(t, before), "--source-time", "2026-03-01T08:00:00Z")...).want(t, exitOK)

	soFar := &trigonev1.CaseFile{Operation: proto.CloneOf(whole.GetOperation())}
	soFar.Operation.Steps = soFar.Operation.Steps[:1]
	question := file(t, soFar)
	asked := []string{"advise", question, "--case", name, "--time", "2026-03-02T10:40:00Z", "--stage", "after_leaflet_work", "--run", "1"}
	page := call(t, with(asked...)...).want(t, exitOK).stdout
	says(t, "advise", page, "Answer while operating (ranges of an uncalibrated model, not advice)", "Range that meets what is asked", "the plan's aim t-coaptation",
		"Ring inner antero-posterior diameter", "Inputs of")
	narrow(t, "advise", page)
	if strings.Contains(page, "are kept as") {
		t.Error("an answer was kept that nobody asked to keep")
	}

	kept := call(t, with(append(asked, "--record", "--id", "before-ring")...)...).want(t, exitOK).stdout
	says(t, "advise --record", kept, "Question and answer are kept as section advice/before-ring.")
	stored := decode(t, call(t, with("get", name, "--format", "json")...).want(t, exitOK).stdout, &trigonev1.Case{})
	if got := stored.GetCaseFile().GetAdvice(); len(got) != 1 || got[0].GetId() != "before-ring" || got[0].GetFreedom() == nil {
		t.Errorf("the case holds the advice %v", got)
	}

	says(t, "stderr", call(t, with("advise", question, "--stage", "lunch")...).want(t, exitUsage).stderr, "--stage is one of", "after_leaflet_work")
	says(t, "stderr", call(t, with("advise", question, "--record")...).want(t, exitRefused).stderr, "case")
}

// A reviewer confirms a contradiction by the id that get prints, takes it back,
// and reads what an earlier rule set says.
func TestConfirmRevokeAgain(t *testing.T) {
	at := []string{"--server", start(t)}
	with := func(args ...string) []string { return append(args, at...) }
	disputed := read(t, testdata.Submits, "disputed-gradient-first")
	name := disputed.GetExternalIdentifier().GetSystem() + "|" + disputed.GetExternalIdentifier().GetValue()
	disputed.Identity = read(t, testdata.Cases, "disputed-corrected").GetIdentity()
	call(t, with("submit", file(t, disputed), "--source-time", "2026-05-01T08:00:00Z")...).want(t, exitOK)
	stored := decode(t, call(t, with("get", name, "--format", "json")...).want(t, exitOK).stdout, &trigonev1.Case{})
	var finding string
	for _, f := range stored.GetEvaluation().GetFindings() {
		if f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION && f.GetRoot() == "" {
			finding = f.GetId()
		}
	}
	says(t, "get", call(t, with("get", name)...).want(t, exitOK).stdout, "finding "+finding)

	says(t, "stderr", call(t, with("confirm", name, finding)...).want(t, exitUsage).stderr, "needs --reason")
	says(t, "confirm", call(t, with("confirm", name, finding, "--reason", "measured twice")...).want(t, exitOK).stdout, "standing", "case version 2")
	says(t, "get", call(t, with("get", name)...).want(t, exitOK).stdout, "confirmed by a reviewer")
	says(t, "revoke", call(t, with("revoke", name, finding, "--reason", "the caliper was wrong")...).want(t, exitOK).stdout, "revoked", "case version 3")
	says(t, "stderr", call(t, with("confirm", name, "none", "--reason", "r")...).want(t, exitRefused).stderr, "finding")

	says(t, "again", call(t, with("again", name)...).want(t, exitOK).stdout, "Exact", "Found now, not then: 0 findings")
	says(t, "again", call(t, with("again", name, "--rules", "1")...).want(t, exitOK).stdout, "Approximate", "rules 1")
	says(t, "stderr", call(t, with("again", name, "--rules", "9")...).want(t, exitRefused).stderr, "rule set")
}
