package fhirrest

import (
	"encoding/json"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"trigone/internal/casebook"
)

var async = []string{"Prefer", "respond-async", "Accept", "application/fhir+json"}

// export kicks one off, and waits for its manifest. Source of the exchange: HL7 FHIR
// Bulk Data Access 2.0.0, 'Bulk Data Kick-off Request' to 'Bulk Data Complete Status'
// (from memory).
func (f *fixture) export(t *testing.T, query string) (status string, m manifest) {
	t.Helper()
	r := f.do(t, http.MethodGet, "/$export"+query, "", async...)
	status = r.header.Get("Content-Location")
	if r.status != http.StatusAccepted || len(r.body) != 0 || !strings.HasPrefix(status, f.base+"/$export-status/") {
		t.Fatalf("kick-off: %d, %q, %s", r.status, status, r.body)
	}
	for range 1000 {
		r = f.do(t, http.MethodGet, status, "")
		if r.status != http.StatusAccepted {
			break
		}
		if r.header.Get("Retry-After") == "" || !strings.HasSuffix(r.header.Get("X-Progress"), " cases") || r.header.Get("Cache-Control") != "no-store" {
			t.Errorf("on the way: %v", r.header)
		}
		time.Sleep(10 * time.Millisecond)
	}
	if r.status != http.StatusOK || r.header.Get("Content-Type") != "application/json" || r.header.Get("Expires") == "" || r.header.Get("Cache-Control") != "no-store" {
		t.Fatalf("complete: %d %v %s", r.status, r.header, r.body)
	}
	if err := json.Unmarshal(r.body, &m); err != nil {
		t.Fatal(err)
	}
	return status, m
}

// lines fetches every file of a manifest.
func (f *fixture) lines(t *testing.T, m manifest) (list []map[string]any) {
	t.Helper()
	for _, o := range m.Output {
		r := f.do(t, http.MethodGet, o.URL, "", "Accept", ndjson)
		if r.status != http.StatusOK || r.header.Get("Content-Type") != ndjson || r.header.Get("Cache-Control") != "no-store" {
			t.Fatalf("%s: %d %v", o.Type, r.status, r.header)
		}
		n := int64(0)
		for line := range strings.Lines(string(r.body)) {
			var x map[string]any
			if err := json.Unmarshal([]byte(line), &x); err != nil || x["resourceType"] != o.Type {
				t.Fatalf("%v in %.100s of %s", err, line, o.Type)
			}
			list = append(list, x)
			n++
		}
		if n != o.Count || n == 0 {
			t.Errorf("%d lines of %s, %d told", n, o.Type, o.Count)
		}
	}
	return list
}

// An export holds what searches find, in files that only their owner may read.
func TestExport(t *testing.T) {
	f := newFixture(t, 0, "core-only", "commissural-conversion")
	status, m := f.export(t, "")
	var found []string
	for i := range served {
		found = append(found, names(f.pages(t, "/"+served[i].name+"?_count=1000", nil))...)
	}
	if got := names(f.lines(t, m)); !slices.Equal(sorted(got), sorted(found)) {
		t.Errorf("%d exported, %d found", len(got), len(found))
	}
	if at, err := time.Parse(time.RFC3339Nano, m.TransactionTime); err != nil || m.Request != f.base+"/$export" || m.RequiresAccessToken || m.Error == nil || at.IsZero() {
		t.Errorf("%+v, %v", m, err)
	}
	for i := 1; i < len(m.Output); i++ {
		if m.Output[i-1].Type > m.Output[i].Type {
			t.Errorf("%s behind %s", m.Output[i].Type, m.Output[i-1].Type)
		}
	}
	files := 0
	if err := filepath.WalkDir(f.exports, func(path string, d fs.DirEntry, err error) error {
		info, bad := os.Stat(path)
		if err != nil || bad != nil {
			return err
		}
		if want := map[bool]fs.FileMode{true: 0o700, false: 0o600}[d.IsDir()]; info.Mode().Perm() != want {
			t.Errorf("%s may be read by others: %v", path, info.Mode())
		}
		if !d.IsDir() {
			files++
		}
		return nil
	}); err != nil || files != len(m.Output) {
		t.Errorf("%d files, %d told, %v", files, len(m.Output), err)
	}
	// Another identity knows nothing of it.
	req, err := http.NewRequestWithContext(casebook.WithPrincipal(t.Context(), casebook.Principal{Name: "somebody else"}), http.MethodGet, status, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.face.exporting(req, status[strings.LastIndexByte(status, '/')+1:]); err == nil {
		t.Error("another identity reaches the export")
	}
	// Removed, nothing of it is left.
	if r := f.do(t, http.MethodDelete, status, ""); r.status != http.StatusAccepted {
		t.Errorf("removed: %d", r.status)
	}
	for _, address := range []string{status, m.Output[0].URL} {
		if r := f.do(t, http.MethodGet, address, ""); r.status != http.StatusNotFound {
			t.Errorf("after it was removed: %d", r.status)
		}
	}
	left, err := os.ReadDir(f.exports)
	if err != nil || len(left) > 0 {
		t.Errorf("%v, %v", left, err)
	}
}

// What is asked for by type and by time is all that comes, whatever is on record.
func TestExportIsNarrowed(t *testing.T) {
	f := newFixture(t, 0, "core-only", "commissural-conversion")
	status, m := f.export(t, "?_type=Procedure,Device&_outputFormat=ndjson")
	for _, o := range m.Output {
		if o.Type != "Procedure" && o.Type != "Device" {
			t.Errorf("a %s", o.Type)
		}
	}
	if got := len(f.lines(t, m)); got == 0 {
		t.Error("nothing")
	}
	f.do(t, http.MethodDelete, status, "")
	changed := f.cases(t)[1].ChangedTime
	status, m = f.export(t, "?_since="+url.QueryEscape(changed.Format(time.RFC3339Nano)))
	for _, x := range f.lines(t, m) {
		if x["resourceType"] != "Provenance" && x["resourceType"] != "Device" && !strings.Contains(mustText(t, x), "P-0003") {
			t.Fatalf("of the case before: %v", x["id"])
		}
	}
	if len(m.Output) == 0 {
		t.Error("nothing since the second case")
	}
	f.do(t, http.MethodDelete, status, "")
	if _, m = f.export(t, "?_since=2999-01-01T00:00:00Z"); len(m.Output) != 0 {
		t.Errorf("since the future: %v", m.Output)
	}
}

func mustText(t *testing.T, x any) string {
	t.Helper()
	text, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Exports are bounded in number, and one more is asked to come again.
func TestExportsAreBounded(t *testing.T) {
	f := newFixture(t, 0, "core-only")
	first, _ := f.export(t, "")
	f.export(t, "?_type=Goal,Procedure")
	if r := f.do(t, http.MethodGet, "/$export", "", async...); r.status != http.StatusTooManyRequests || r.header.Get("Retry-After") == "" {
		t.Errorf("one too many: %d %v", r.status, r.header)
	}
	f.do(t, http.MethodDelete, first, "")
	f.export(t, "")
	for why, test := range map[string]struct {
		path    string
		headers []string
		status  int
	}{
		"who waits":                {"/$export", []string{"Accept", "application/fhir+json"}, 400},
		"another form":             {"/$export?_outputFormat=text/csv", async, 400},
		"a type of no record":      {"/$export?_type=Patient", async, 400},
		"only types of no record":  {"/$export?_type=Patient", []string{"Prefer", "respond-async, handling=lenient"}, 400},
		"no time":                  {"/$export?_since=yesterday", async, 400},
		"a filter":                 {"/$export?_typeFilter=Observation%3Fcode%3Dx", async, 400},
		"patients":                 {"/$export?patient=x", async, 400},
		"what nobody knows":        {"/$export?ward=3", async, 400},
		"of a group":               {"/Group/x/$export", async, 404},
		"no export":                {"/$export-status/x", nil, 404},
		"no file":                  {"/$export-file/x/y", nil, 404},
		"a file out of the folder": {"/$export-file/x/..", nil, 404},
		"something that sounds so": {"/$exports", nil, 404},
	} {
		if r := f.do(t, http.MethodGet, test.path, "", test.headers...); r.status != test.status || !strings.Contains(string(r.body), "OperationOutcome") {
			t.Errorf("%s: %d %s", why, r.status, r.body)
		}
	}
	if r := f.do(t, http.MethodPost, "/$export", "{}", async...); r.status != http.StatusMethodNotAllowed {
		t.Errorf("by POST: %d", r.status)
	}
}

// What a service that was killed left is gone with the next start.
func TestLeftExportsAreRemoved(t *testing.T) {
	dir := t.TempDir()
	left := filepath.Join(dir, "exports", "x", "y")
	if err := os.MkdirAll(filepath.Dir(left), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(left, []byte("invented"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := open(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(left); !os.IsNotExist(err) {
		t.Errorf("it is still there: %v", err)
	}
	if err := f.close(); err != nil {
		t.Error(err)
	}
}
