package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"trigone/server"
)

// servedDemo gives the address of a server of the demo's store, which is made anew: one
// command after the other, so that no race is looked for here.
func servedDemo(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("one command after the other")
	}
	folder := filepath.Join(t.TempDir(), "demo")
	call(t, "demo", "--out", folder).want(t, exitOK)
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(folder, "demo.db"), PolicyPath: filepath.Join(folder, "policy.yaml")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return running.Addr()
}

func readCSV(t *testing.T, path string) [][]string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(path, err)
	}
	return rows
}

// parquetAsText reads a file as the cells that the CSV beside it has.
func parquetAsText(t *testing.T, path string) [][]string {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	file, err := parquet.OpenFile(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(path, err)
	}
	fields := file.Schema().Fields()
	var names []string
	for _, field := range fields {
		names = append(names, field.Name())
	}
	table := [][]string{names}
	for _, group := range file.RowGroups() {
		rows := group.Rows()
		buffer := make([]parquet.Row, 64)
		for {
			n, err := rows.ReadRows(buffer)
			for _, row := range buffer[:n] {
				var cells []string
				for i, v := range row {
					cells = append(cells, parquetText(fields[i], v))
				}
				table = append(table, cells)
			}
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(path, err)
			}
		}
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return table
}

func parquetText(field parquet.Field, v parquet.Value) string {
	switch {
	case v.IsNull():
		return ""
	case v.Kind() == parquet.Boolean:
		return strconv.FormatBool(v.Boolean())
	case v.Kind() == parquet.Double:
		return strconv.FormatFloat(v.Double(), 'g', -1, 64)
	case v.Kind() == parquet.Int64 && strings.HasPrefix(field.Type().String(), "TIMESTAMP"):
		return time.UnixMilli(v.Int64()).UTC().Format(time.DateTime)
	case v.Kind() == parquet.Int64:
		return strconv.FormatInt(v.Int64(), 10)
	}
	return string(v.ByteArray())
}

// Both forms of a table say the same, the dictionary has a line for each column of each,
// and its first line says for whom the extract was made.
func TestTablesAreWritten(t *testing.T) {
	address := servedDemo(t)
	for _, r := range []struct {
		profile, says string
		args          []string
	}{
		{profileDepartment, "Profile department: true dates and pseudonyms, no case numbers.", nil},
		{profileDepartment, "Profile department: true dates and pseudonyms, and case numbers.", []string{"--with-case-numbers"}},
		{profileExternal, "Profile external: the operation as half-year or year", nil},
	} {
		folder := filepath.Join(t.TempDir(), "tables")
		args := append([]string{"table", "--server", address, "--out", folder, "--profile", r.profile}, r.args...)
		for range 2 { // a folder that it wrote is written anew
			answer := call(t, args...).want(t, exitOK)
			if r.profile == profileExternal && !strings.Contains(oneLine(answer.stdout), "The smallest cell that is left is held by ") {
				t.Errorf("%s", answer.stdout)
			}
		}
		dictionary := readCSV(t, filepath.Join(folder, dictionaryName))
		if !strings.Contains(dictionary[1][2], r.says) {
			t.Errorf("the first line of the dictionary: %s", dictionary[1])
		}
		described := map[string][]string{}
		for _, line := range dictionary[2:] {
			if !strings.HasPrefix(line[1], "metric=") {
				described[line[0]] = append(described[line[0]], line[1])
			}
			if line[2] == "" {
				t.Errorf("%s.%s has no meaning", line[0], line[1])
			}
		}
		for _, table := range extractTables {
			sheet := readCSV(t, filepath.Join(folder, table+".csv"))
			columns := parquetAsText(t, filepath.Join(folder, table+".parquet"))
			if !slices.Equal(sheet[0], described[table]) {
				t.Errorf("%s: columns %v, described %v", table, sheet[0], described[table])
			}
			if len(sheet) != len(columns) || len(sheet) < 2 {
				t.Fatalf("%s: %d lines, %d rows", table, len(sheet), len(columns))
			}
			for i := range sheet {
				for j := range sheet[i] {
					if text := strings.TrimPrefix(sheet[i][j], "'"); text != columns[i][j] {
						t.Fatalf("%s, row %d, %s: %q and %q", table, i, sheet[0][j], text, columns[i][j])
					}
				}
				if i > 0 && sheet[i][slices.Index(sheet[0], "profile")] != r.profile {
					t.Fatalf("%s, row %d does not say its profile", table, i)
				}
			}
		}
	}
}

func TestTablesThatAreNotWritten(t *testing.T) {
	address := start(t)
	folder := filepath.Join(t.TempDir(), "tables")
	for _, r := range []struct {
		reason string
		args   []string
		code   int
		says   string
	}{
		{"no folder", nil, exitUsage, "table needs --out DIR"},
		{"a profile that is none", []string{"--out", folder, "--profile", "public"}, exitUsage, "public"},
		{"a table that is none", []string{"--out", folder, "--tables", "patients"}, exitRefused, "tables[0]: is none of cases, runs"},
		{"case numbers for others", []string{"--out", folder, "--profile", "external", "--with-case-numbers"}, exitRefused, "with_case_numbers: is for the department alone"},
		{"any day for others", []string{"--out", folder, "--profile", "external", "--from", "2026-02-01"}, exitRefused, "is no begin of a half-year"},
		{"an empty store", []string{"--out", folder}, exitOK, "No case is in it: none is recorded that matches."},
		{"an empty store for others", []string{"--out", folder, "--profile", "external"}, exitOK, "No case is in it: none is recorded that matches."},
	} {
		answer := call(t, append([]string{"table", "--server", address}, r.args...)...).want(t, r.code)
		if !strings.Contains(oneLine(answer.stdout+answer.stderr), r.says) {
			t.Errorf("%s: %s%s", r.reason, answer.stdout, answer.stderr)
		}
	}
	call(t, "submit", caseFile("triangular-complete-ring"), "--server", address).want(t, exitOK)
	one := call(t, "table", "--server", address, "--out", folder, "--profile", "external").want(t, exitOK)
	if !strings.Contains(oneLine(one.stdout), "there is one case, and an extract for others needs at least 5 cases") {
		t.Errorf("of one case: %s", one.stdout)
	}
	other := t.TempDir()
	if err := os.WriteFile(filepath.Join(other, "notes.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if answer := call(t, "table", "--server", address, "--out", other).want(t, exitUsage); !strings.Contains(answer.stderr, "holds notes.txt, which table did not write") {
		t.Error(answer.stderr)
	}
}

// Lists as CSV carry the same choice: for others they are the table of the extract, and
// nothing else can be asked for.
func TestListsForOthers(t *testing.T) {
	address := servedDemo(t)
	rows := func(args ...string) [][]string {
		t.Helper()
		list, err := csv.NewReader(strings.NewReader(call(t, append(args, "--format", "csv", "--server", address)...).want(t, exitOK).stdout)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	for _, command := range []string{"discrepancies", "cases"} {
		dictionary := filepath.Join(t.TempDir(), "columns.csv")
		list := rows(command, "--profile", "external", "--dictionary", dictionary)
		if list[0][0] != "case" || slices.Contains(list[0], "case_name") || len(list) < 20 {
			t.Errorf("%s for others: %d lines, %v", command, len(list), list[0])
		}
		if said := readCSV(t, dictionary); !strings.HasPrefix(said[1][2], "Profile external: ") {
			t.Errorf("%s: %v", command, said[1])
		}
		if plain, named := rows(command)[0], rows(command, "--with-case-numbers")[0]; slices.Contains(plain, "case_number") || !slices.Contains(named, "case_number") {
			t.Errorf("%s: %v, with numbers %v", command, plain, named)
		}
		for _, wrong := range [][]string{{"--with-case-numbers", "--format", "csv"}, {}, {"--profile", "public", "--format", "csv"}} {
			call(t, append([]string{command, "--server", address, "--profile", "external"}, wrong...)...).want(t, exitUsage)
		}
	}
	if answer := call(t, "discrepancies", "--server", address, "--profile", "external", "--format", "csv", "--class", "ring_size").want(t, exitUsage); !strings.Contains(answer.stderr, "--class does not go with --profile external") {
		t.Error(answer.stderr)
	}
}

// Figures leave as one MeasureReport.
func TestAgreementAsFHIR(t *testing.T) {
	answer := call(t, "agreement", "--server", servedDemo(t), "--format", "fhir", "--by", "sex").want(t, exitOK)
	var report struct {
		ResourceType string
		Text         struct{ Div string }
		Group        []struct {
			MeasureScore struct{ Value float64 }
			Stratifier   []json.RawMessage
		}
	}
	if err := json.Unmarshal([]byte(answer.stdout), &report); err != nil {
		t.Fatal(err)
	}
	if report.ResourceType != "MeasureReport" || len(report.Group) < 5 || !strings.Contains(report.Text.Div, "Invented cases") {
		t.Errorf("%.600s", answer.stdout)
	}
}
