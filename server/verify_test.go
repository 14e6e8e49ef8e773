package server

import (
	"context"
	"database/sql"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// damaging flips one bit of the first content there is.
func damaging(query, update string) func(*testing.T, *sql.DB) {
	return func(t *testing.T, db *sql.DB) {
		t.Helper()
		var content []byte
		if err := db.QueryRow(query).Scan(&content); err != nil {
			t.Fatal(err)
		}
		damaged := append([]byte{}, content...)
		damaged[len(damaged)/2] ^= 1
		if _, err := db.Exec(update, damaged, content); err != nil {
			t.Fatal(err)
		}
	}
}

func executing(statement string) func(*testing.T, *sql.DB) {
	return func(t *testing.T, db *sql.DB) {
		t.Helper()
		r, err := db.Exec(statement)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := r.RowsAffected(); n == 0 || err != nil {
			t.Fatalf("nothing was damaged: %v", err)
		}
	}
}

// One flipped bit or missing row: verify names it, and a call that reads it is answered
// by DATA_LOSS, never by another number.
func TestDamageIsFound(t *testing.T) {
	for _, test := range []struct {
		why    string
		damage func(*testing.T, *sql.DB)
		says   string
		read   bool // GetCase reads it
	}{
		{"nothing", func(*testing.T, *sql.DB) {}, "", false},
		{"a section", damaging(`SELECT content FROM revisions WHERE section = 'operation'`, `UPDATE revisions SET content = ? WHERE content = ?`), "of operation does not match", true},
		{"what identifies", damaging(`SELECT content FROM identifying_parts`, `UPDATE identifying_parts SET content = ? WHERE content = ?`), "what identifies", true},
		{"an answer", damaging(`SELECT frame FROM answers`, `UPDATE answers SET frame = ? WHERE frame = ?`), "answer 1", true},
		{"a policy", damaging(`SELECT CAST(text AS BLOB) FROM policies`, `UPDATE policies SET text = CAST(? AS TEXT) WHERE text = CAST(? AS TEXT)`), "policy", false},
		{"a revision is missing", executing(`DELETE FROM revisions WHERE section = 'operation' AND revision = 1`), "head of a section is missing", true},
		{"an answer is missing", executing(`DELETE FROM answers WHERE number = 1`), "its answer is missing", true},
		{"a change is missing", executing(`DELETE FROM changes WHERE number = 2`), "changes of site", false},
		{"texts of a list", executing(`UPDATE comparison_texts SET frame = substr(frame, 1, length(frame) / 2)`), "as listed cannot be read", false},
		{"facts of a list", executing(`UPDATE case_facts SET frame = substr(frame, 1, length(frame) / 2)`), "facts as listed", false},
	} {
		t.Run(test.why, func(t *testing.T) {
			store := filepath.Join(t.TempDir(), "s.db")
			running, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", StorePath: store})
			if err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := running.Stop(context.Background()); err != nil {
					t.Error(err)
				}
			}()
			conn, err := grpc.NewClient(running.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = conn.Close() }()
			file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
			if err != nil {
				t.Fatal(err)
			}
			records := trigonev1.NewRecordServiceClient(conn)
			_, err = records.SubmitCase(t.Context(), &trigonev1.SubmitCaseRequest{CaseFile: file})
			if err != nil {
				t.Fatal(err)
			}
			db, err := sql.Open("sqlite", store)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = db.Close() }()
			test.damage(t, db)

			var found []string
			v, err := Verify(t.Context(), store, func(where string) { found = append(found, where) })
			if err != nil || v.Cases != 1 || v.Damaged != len(found) {
				t.Fatalf("%+v, %v", v, err)
			}
			if got := strings.Join(found, "\n"); (test.says == "") != (got == "") || !strings.Contains(got, test.says) {
				t.Errorf("verify found %q, want %q in it", got, test.says)
			}
			_, err = records.GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{ExternalIdentifier: file.GetExternalIdentifier()}})
			if test.read && status.Code(err) != codes.DataLoss || test.why == "nothing" && err != nil {
				t.Errorf("a call that reads it: %v", err)
			}
		})
	}
}
