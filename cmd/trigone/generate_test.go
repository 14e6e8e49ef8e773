package main

import (
	"path/filepath"
	"strings"
	"testing"

	"trigone/internal/private"
	"trigone/server"
	"trigone/testdata"
)

// A store of a hospital's own cases takes nothing of an invented department.
func TestGenerateRefusesARealStore(t *testing.T) {
	store := filepath.Join(t.TempDir(), "hospital.db")
	policy := write(t, testdata.DepartmentPolicy)
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy})
	if err != nil {
		t.Fatal(err)
	}
	content := read(t, testdata.Cases, "core-only")
	content.PatientIdentifier.System, content.ExternalIdentifier.System = "urn:oid:2.999.1", "urn:oid:2.999.2" // of no one: the arc of examples
	call(t, "submit", file(t, content), "--server", running.Addr()).want(t, exitOK)
	if err := running.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := call(t, "generate", "--cases", "2", "--store", store, "--policy", policy).want(t, exitRefused)
	says(t, "the refusal", got.stderr, "this store keeps real cases and takes no invented one")
	if running, err = server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: store, PolicyPath: policy}); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := running.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	if got := call(t, "cases", "--format", "csv", "--server", running.Addr()).want(t, exitOK); strings.Count(got.stdout, "\n") != 2 {
		t.Errorf("the store holds other cases than the one that was there:\n%s", got.stdout)
	}
}

func TestGenerate(t *testing.T) {
	folder := t.TempDir()
	store := filepath.Join(folder, "department.db")
	got := call(t, "generate", "--cases", "3", "--seed", "5", "--store", store, "--without", "ring,prediction").want(t, exitOK)
	says(t, "the table", got.stdout, "Seed 5: 3 operations", "deterioration", "left out", "trigoned --store "+store, filepath.Join(folder, "department.policy.yaml"))
	got = call(t, "generate", "--cases", "3", "--seed", "5", "--store", store).want(t, exitRefused)
	says(t, "the same seed a second time", got.stderr, "holds the cases of this seed already")
	besideAnother := filepath.Join(folder, "other.db")
	if err := private.Write(filepath.Join(folder, "other.policy.yaml"), testdata.DemoPolicy); err != nil {
		t.Fatal(err)
	}
	for _, r := range []struct {
		why, says string
		args      []string
	}{
		{"no store", "needs --store", []string{"generate"}},
		{"no cases", "--cases is a number from 1", []string{"generate", "--store", store, "--cases", "0"}},
		{"a fault that is none", "learning, deterioration, ring, prediction or all", []string{"generate", "--store", store, "--without", "luck"}},
		{"a form nobody prints", "use table", []string{"generate", "--store", store, "--format", "csv"}},
		{"another policy stands beside it", "is another policy than the department's", []string{"generate", "--store", besideAnother}},
	} {
		got := call(t, r.args...).want(t, exitUsage)
		says(t, r.why, got.stderr, r.says)
	}
}
