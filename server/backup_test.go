package server

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert/converttest"
	trigonev1 "trigone/proto/trigone/v1"
)

// A backup is made while the server writes, encrypted for whoever holds the key, and
// restored it answers as the record did then; what was erased since is gone, whoever
// changed a byte of it is found out, and nothing is ever replaced.
func TestBackupAndRestore(t *testing.T) {
	if testing.Short() {
		t.Skip("one call after the other")
	}
	accessKey := keyFile(t)
	conn, _, running := startWith(t, Options{AccessKeyFile: accessKey})
	ctx := t.Context()
	record, administration := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAdministrationServiceClient(conn)
	var names []string
	for i, name := range []string{"saddle-annulus", "recurrence", "ring-exchanged"} {
		answer, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: marked(t, name, name), RequestId: name})
		if err != nil {
			t.Fatal(i, err)
		}
		names = append(names, answer.GetCaseName())
	}
	get := func(r trigonev1.RecordServiceClient, name string) *trigonev1.Case {
		t.Helper()
		got, err := r.GetCase(ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: name}})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetCase()
	}
	before := get(record, names[0])
	folder := t.TempDir()
	key, backup := filepath.Join(folder, "backup.key"), filepath.Join(folder, "monday.backup")
	if _, err := NewBackupKey(key); err != nil {
		t.Fatal(err)
	}

	// Another submit while it is made.
	busy := make(chan error, 1)
	go func() {
		_, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: marked(t, "core-only", "busy"), RequestId: "busy"})
		busy <- err
	}()
	done, err := Backup(ctx, BackupOptions{StorePath: running.storePath, Out: backup, RecipientFiles: []string{key + ".pub"}})
	if err != nil || done.Cases < 3 || !done.Encrypted || len(done.Hash) != 64 {
		t.Fatalf("%+v, %v", done, err)
	}
	if err := <-busy; err != nil {
		t.Error(err)
	}
	sealed, err := os.ReadFile(backup)
	if err != nil || bytes.Contains(bytes.ToUpper(sealed), []byte(converttest.Marker)) || bytes.Contains(sealed, []byte("SQLite")) {
		t.Errorf("the backup is not encrypted: %v", err)
	}
	for _, left := range []string{running.storePath + ".backup-part", backup + ".part"} {
		if _, err := os.Stat(left); err == nil {
			t.Errorf("%s was left", left)
		}
	}
	for _, made := range []string{backup, key} {
		if info, err := os.Stat(made); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", made, info.Mode(), err)
		}
	}
	if _, err := Backup(ctx, BackupOptions{StorePath: running.storePath, Out: backup}); err == nil {
		t.Error("a backup took the place of another")
	}

	// One identity and one case are erased after it.
	if _, err := administration.EraseIdentity(ctx, &trigonev1.EraseIdentityRequest{Case: &trigonev1.CaseReference{Name: names[1]}, CaseVersion: 1}); err != nil {
		t.Fatal(err)
	}
	if _, err := administration.EraseCase(ctx, &trigonev1.EraseCaseRequest{Case: &trigonev1.CaseReference{Name: names[2]}, CaseVersion: 1}); err != nil {
		t.Fatal(err)
	}
	list := ErasuresFile(running.storePath)
	if info, err := os.Stat(list); err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("the list of erasures: %v", err)
	}

	// What must not be restored.
	spoiled := filepath.Join(folder, "spoiled.backup")
	write := func(path string, content []byte) {
		t.Helper()
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	flipped := bytes.Clone(sealed)
	flipped[len(flipped)/2] ^= 1
	write(spoiled, flipped)
	foreign := filepath.Join(folder, "foreign.erasures")
	text, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	write(foreign, bytes.Replace(text, []byte(names[2][len(names[2])-12:]), []byte(names[0][len(names[0])-12:]), 1))
	otherKey := filepath.Join(folder, "other.key")
	if _, err := NewBackupKey(otherKey); err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]RestoreOptions{
		"a byte changed":               {From: spoiled, IdentityFile: key},
		"cut off":                      {From: spoiled + "2", IdentityFile: key},
		"another key":                  {From: backup, IdentityFile: otherKey},
		"no key":                       {From: backup},
		"another hash":                 {From: backup, IdentityFile: key, Hash: strings.Repeat("0", 64)},
		"a list that somebody made":    {From: backup, IdentityFile: key, ErasuresFile: foreign, AccessKeyFile: accessKey},
		"in place of a record":         {From: backup, IdentityFile: key, StorePath: running.storePath},
		"a list that is not there":     {From: backup, IdentityFile: key, ErasuresFile: "nowhere"},
		"a backup that is not there":   {From: "nowhere", IdentityFile: key},
		"a list of another access key": {From: backup, IdentityFile: key, ErasuresFile: list, AccessKeyFile: keyFile(t)},
	} {
		write(spoiled+"2", sealed[:len(sealed)-70000])
		if o.StorePath == "" {
			o.StorePath = filepath.Join(folder, "refused.db")
		}
		if got, err := Restore(ctx, o); err == nil {
			t.Errorf("%s: restored, %+v", name, got)
		}
		for _, left := range []string{"refused.db", "refused.db.restore-part", "refused.db.restore-part-wal"} {
			if _, err := os.Stat(filepath.Join(folder, left)); err == nil {
				t.Errorf("%s: %s was left", name, left)
			}
		}
	}

	restored := filepath.Join(folder, "restored.db")
	got, err := Restore(ctx, RestoreOptions{From: backup, IdentityFile: key, Hash: done.Hash, ErasuresFile: list, AccessKeyFile: accessKey, StorePath: restored})
	if err != nil || got.Erased != 2 {
		t.Fatalf("%+v, %v", got, err)
	}
	if n := markersOf(t, restored, "RECURRENCE") + markersOf(t, restored, "RING-EXCHANGED"); n != 0 {
		t.Errorf("%d texts of who was erased are back", n)
	}
	if markersOf(t, restored, "SADDLE-ANNULUS") == 0 {
		t.Error("who was not erased is gone")
	}
	if _, err := VerifyAccess(ctx, restored, AccessProof{KeyFile: accessKey}); err != nil {
		t.Error(err)
	}
	second, _, _ := startWith(t, Options{StorePath: restored})
	r := trigonev1.NewRecordServiceClient(second)
	if after := get(r, names[0]); !proto.Equal(before, after) {
		t.Error("a case is answered otherwise than before the backup")
	}
	if get(r, names[2]).GetErasedTime() == nil || get(r, names[1]).GetCaseFile().GetPatientIdentifier() != nil {
		t.Error("what was erased is back")
	}

	// Without encryption, and without a list.
	plain := filepath.Join(folder, "plain.db")
	if done, err := Backup(ctx, BackupOptions{StorePath: running.storePath, Out: plain}); err != nil || done.Encrypted {
		t.Errorf("%+v, %v", done, err)
	}
	if got, err := Restore(ctx, RestoreOptions{From: plain, StorePath: filepath.Join(folder, "again.db")}); err != nil || got.Erased != 0 {
		t.Errorf("%+v, %v", got, err)
	}
}

// markersOf counts the texts of one source in the files of a store.
func markersOf(t *testing.T, path, source string) int {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Count(bytes.ToUpper(content), []byte(converttest.Marker+" "+source))
}
