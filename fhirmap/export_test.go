package fhirmap

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// naive encodes the bundle as the library means it: every resource by itself, then
// the bundle around them.
func naive(b bundle, resources []resource) ([]byte, error) {
	whole := fhir.Bundle{Meta: b.Meta, Type: b.Type, Timestamp: b.Timestamp}
	for i, r := range resources {
		var raw []byte
		var err error
		switch {
		case r.observation != nil:
			raw, err = json.Marshal(*r.observation)
		case r.procedure != nil:
			raw, err = json.Marshal(*r.procedure)
		case r.device != nil:
			raw, err = json.Marshal(*r.device)
		case r.issue != nil:
			raw, err = json.Marshal(*r.issue)
		case r.request != nil:
			raw, err = json.Marshal(*r.request)
		case r.ringRequest != nil:
			// The library's own type writes codeReference as an empty object.
			raw, err = json.Marshal(*r.ringRequest)
		case r.goal != nil:
			raw, err = json.Marshal(*r.goal)
		case r.report != nil:
			raw, err = json.Marshal(*r.report)
		case r.provenance != nil:
			raw, err = json.Marshal(*r.provenance)
		}
		if err != nil {
			return nil, err
		}
		whole.Entry = append(whole.Entry, fhir.BundleEntry{FullUrl: &b.Entry[i].FullURL, Resource: raw, Request: b.Entry[i].Request})
	}
	return json.Marshal(whole)
}

// SameTreeAsNaive compares the encoding of the present state in one pass, whole and
// resource by resource, with the library's own, for the tests outside this package.
func SameTreeAsNaive(h History) (same bool, err error) {
	a, err := assemble(h)
	if err != nil {
		return false, err
	}
	a.ended = nil
	b, err := envelope(h, fhir.BundleTypeTransaction, a.living, asPut)
	if err != nil {
		return false, err
	}
	want, err := naive(b, a.living)
	if err != nil {
		return false, err
	}
	got, err := a.encode(fhir.BundleTypeTransaction, asPut)
	if err != nil {
		return false, err
	}
	if same, err := sameTree(want, got); err != nil || !same {
		return same, err
	}
	alone, err := Resources(h)
	if err != nil {
		return false, err
	}
	var whole fhir.Bundle
	if err := json.Unmarshal(want, &whole); err != nil {
		return false, err
	}
	for i, e := range whole.Entry {
		if same, err := sameTree(e.Resource, alone[i].JSON); err != nil || !same {
			return same, err
		}
	}
	return true, nil
}

func asPut(typ, id string) (string, *fhir.BundleEntryRequest) { return urn(id), put(typ + "/" + id) }

func sameTree(a, b []byte) (bool, error) {
	trees := [2]any{}
	for i, text := range [][]byte{a, b} {
		d := json.NewDecoder(bytes.NewReader(text))
		d.UseNumber()
		if err := d.Decode(&trees[i]); err != nil {
			return false, err
		}
	}
	return reflect.DeepEqual(trees[0], trees[1]), nil
}

// Encoders gives both encodings of one history's resources, for the benchmark.
func Encoders(h History) (onePass, naiveWay func() ([]byte, error), err error) {
	a, err := assemble(h)
	if err != nil {
		return nil, nil, err
	}
	b, err := envelope(h, fhir.BundleTypeTransaction, a.living, asPut)
	if err != nil {
		return nil, nil, err
	}
	return func() ([]byte, error) { return a.encode(fhir.BundleTypeTransaction, asPut) },
		func() ([]byte, error) { return naive(b, a.living) }, nil
}

// Fastest gives the shortest times of n calls of two functions that take turns:
// what else the machine does lengthens some calls of both, and shortens none.
func Fastest(n int, f, g func()) (ofF, ofG time.Duration) {
	for range n {
		begin := time.Now()
		f()
		between := time.Now()
		g()
		end := time.Now()
		if ofF == 0 || between.Sub(begin) < ofF {
			ofF = between.Sub(begin)
		}
		if ofG == 0 || end.Sub(between) < ofG {
			ofG = end.Sub(between)
		}
	}
	return ofF, ofG
}

// Median gives the median time of n calls of f.
func Median(n int, f func()) time.Duration {
	times := make([]time.Duration, n)
	for i := range times {
		start := time.Now()
		f()
		times[i] = time.Since(start)
	}
	for i := range times {
		for j := i; j > 0 && times[j] < times[j-1]; j-- {
			times[j], times[j-1] = times[j-1], times[j]
		}
	}
	return times[n/2]
}

func encodeAll(resources ...resource) ([]byte, error) {
	return assembly{living: resources}.encode(fhir.BundleTypeTransaction, asPut)
}

// The library's enums begin with a valid word and write an unknown number as one:
// both must be refused.
func TestStatusThatTheMappingDoesNotUseIsRefused(t *testing.T) {
	outside := fhir.FHIRDeviceStatus(99)
	draft := resource{typ: typeGoal, goal: &fhir.Goal{}, unsigned: true}
	if _, err := encodeAll(draft); err != nil {
		t.Errorf("a proposed Goal of a plan that nobody signed is meant: %v", err)
	}
	tests := []struct {
		name string // why this row
		r    resource
	}{
		{"a forgotten status of an Observation reads registered", resource{typ: typeObservation, observation: &fhir.Observation{}}},
		{"a forgotten status of a Procedure reads preparation", resource{typ: typeProcedure, procedure: &fhir.Procedure{}}},
		{"a number outside the enum is written as a word", resource{typ: typeProcedure, procedure: &fhir.Procedure{Status: 99}}},
		{"a Device without a status", resource{typ: typeDevice, device: &fhir.Device{}}},
		{"a Device of a status outside the enum", resource{typ: typeDevice, device: &fhir.Device{Status: &outside}}},
		{"a forgotten status of an issue", resource{typ: typeIssue, issue: &fhir.DetectedIssue{}}},
		{"a forgotten status of a request reads draft", resource{typ: typeRequest, request: &fhir.ServiceRequest{Intent: fhir.RequestIntentPlan}}},
		{"a forgotten intent of a request reads proposal", resource{typ: typeRequest, request: &fhir.ServiceRequest{Status: fhir.RequestStatusActive}}},
		{"the same of a ring", resource{typ: typeRingRequest, ringRequest: &deviceRequest{Intent: fhir.RequestIntentPlan}}},
		{"and its intent", resource{typ: typeRingRequest, ringRequest: &deviceRequest{Status: fhir.RequestStatusActive}}},
		{"a forgotten status of a Goal reads proposed", resource{typ: typeGoal, goal: &fhir.Goal{}}},
		{"a Goal on hold", resource{typ: typeGoal, goal: &fhir.Goal{LifecycleStatus: fhir.GoalLifecycleStatusOnHold}, unsigned: true}},
		{"a forgotten status of a report reads registered", resource{typ: typeReport, report: &fhir.DiagnosticReport{}}},
		{"a forgotten role of an entity reads derivation", resource{typ: typeProvenance, provenance: &fhir.Provenance{Entity: []fhir.ProvenanceEntity{{}}}}},
		{"no content", resource{typ: typeIssue}},
	}
	for _, tt := range tests {
		if _, err := encodeAll(tt.r); err == nil || !strings.Contains(err.Error(), tt.r.typ) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
}

// LimitSide is a row of the table of limits that bound one leaf, for the tests
// outside this package.
type LimitSide struct {
	Threshold, Leaf string
	Words           []string // one of which its summary must have
}

// LimitSides gives that table.
func LimitSides() []LimitSide {
	var list []LimitSide
	for threshold, s := range limitSides {
		words := []string{"below which"}
		if s.above {
			words = []string{"above which", "from which"}
		}
		list = append(list, LimitSide{threshold, string(s.leaf), words})
	}
	return list
}
