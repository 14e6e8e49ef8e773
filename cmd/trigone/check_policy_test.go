package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func policyFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "harbour.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const policyHead = "site: harbour\nversion: \"2\"\nzone: UTC\n"

func TestCheckPolicy(t *testing.T) {
	plain := call(t, "check-policy", policyFile(t, policyHead)).want(t, exitOK)
	says(t, "a policy that sets nothing", plain.stdout, "ok: site harbour, version 2, zone UTC", "changes no built-in value")

	set := call(t, "check-policy", policyFile(t, policyHead+"thresholds: {mean_gradient_high: 6}\nring_table: [{family: invented, label: 28, kind: complete_ring}]\n")).want(t, exitOK)
	says(t, "a policy that sets values", set.stdout, "ok: ", "thresholds.mean_gradient_high", "6 mmHg", "5 mmHg", "ring_table.invented", "label 28")

	path := policyFile(t, "site: Harbour\nversion: \"2\"\nzone: UTC\nthresholds: {mean_gradient_high: 600, nonsense: 1}\n")
	wrong := call(t, "check-policy", path).want(t, exitRefused)
	says(t, "every fault with its place", wrong.stderr, path+":1:7: ", path+":4:34: ", path+":4:39: ", "mean_gradient_high is 600")
	if wrong.stdout != "" {
		t.Errorf("a policy with faults prints %q", wrong.stdout)
	}

	missing := call(t, "check-policy", path+".none").want(t, exitFailed)
	says(t, "a file that is not there", missing.stderr, "read the policy", path)
	call(t, "check-policy").want(t, exitUsage)
	call(t, "check-policy", path, "--format", "json").want(t, exitUsage)
}

func TestPolicySchema(t *testing.T) {
	out := call(t, "policy-schema").want(t, exitOK).stdout
	var schema struct {
		Schema     string `json:"$schema"`
		Properties map[string]any
	}
	if err := json.Unmarshal([]byte(out), &schema); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(schema.Schema, "2020-12") || schema.Properties["ring_table"] == nil {
		t.Errorf("schema %s with %d properties", schema.Schema, len(schema.Properties))
	}
}

// Of each rule of the site's own it is said how often it fires, over the invented cases
// and over those of a server, and what that does to a caution.
func TestCheckPolicyCountsSiteRules(t *testing.T) {
	rule := func(severity string) string {
		return policyHead + `rules:
  - id: site/any-gradient
    summary: Any mean gradient on leaving theatre.
    at: leaving_theatre
    reads: {gradient: {value: mean_gradient}}
    when: gradient >= 0
    message: The mean gradient is {gradient}.
    ` + severity + `
    tests: [{given: {gradient: 1}, is: fires}, {given: {gradient: -1}, is: silent}, {is: not_evaluable}]
`
	}
	caution := "severity: caution\n    source: an invented guideline\n    answers_for_it: an invented head\n    fires_percent: "
	common := call(t, "check-policy", policyFile(t, rule(caution+"3"))).want(t, exitOK)
	says(t, "a caution that fires often", common.stdout, "invented cases", "site/any-gradient", "caution", "write fires_percent as it is counted here")
	lowered := call(t, "check-policy", policyFile(t, rule(caution+"60"))).want(t, exitOK)
	says(t, "a caution that says so", lowered.stdout, "is written as a caution and loads as a note")
	nowhere := call(t, "check-policy", policyFile(t, strings.Replace(rule("severity: note"), "{value: mean_gradient}", "{value: mean_gradient, place: p2}", 1))).want(t, exitOK)
	says(t, "a rule that reads where nothing is", nowhere.stdout, "0 (0.0 %)", "look at what it reads")

	address := start(t)
	call(t, "submit", "../../testdata/cases/core-only.json", "--server", address).want(t, exitOK)
	recorded := call(t, "check-policy", policyFile(t, rule("severity: note")), "--recorded", "--server", address).want(t, exitOK)
	says(t, "over a server", recorded.stdout, "Rule, over 1 recorded case ", "note")
}

// What a site follows is told with the false alarms that it asks for.
func TestCheckPolicyTellsFalseAlarms(t *testing.T) {
	got := call(t, "check-policy", policyFile(t, policyHead+`
monitoring:
  cases_a_year: 120
  charts:
    - {outcome: conversion, acceptable_percent: 4, unacceptable_percent: 8, in_control_cases: 600}
    - {outcome: further_mitral_run, acceptable_percent: 5, unacceptable_percent: 10, in_control_cases: 1200}
`)).want(t, exitOK)
	says(t, "charts", got.stdout, "monitoring.conversion", "8 % against 4 %, one false alarm in 600 operations: 0.2 a year", "2 charts that can signal: with nothing amiss 0.3 false alarms a year")
}
