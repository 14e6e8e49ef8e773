package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/columnar"
	"trigone/internal/private"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

const dictionaryName = "dictionary.csv"

// extractTables are the tables that a folder may hold.
var extractTables = append(slices.Clone(render.FactRows), "comparisons")

func (a *app) tableCommand() *cobra.Command {
	var filter caseFilter
	var x tableRun
	var profile, asOf string
	c := &cobra.Command{
		Use:   "table --out DIR",
		Short: "Write tables for statisticians, as CSV and Parquet",
		Long: `table writes the cases, what a case may have several of (runs, devices, echoes,
statuses, events, findings, queries) and the comparisons into DIR, each as CSV and as
Parquet, and dictionary.csv, which says what every column means.

Profile department has true dates and pseudonyms, and needs the right of an auditor;
--with-case-numbers adds the hospital's numbers for who is a reviewer too. Profile
external is made for others by the service itself: half-years, days since operation,
bands of age, no operator, no text that anybody wrote, no identity of an implant; what
fewer than 5 cases share is coarsened, and the smallest cell that is left is printed.`,
		Example: `  trigone table --out /srv/trigone-tables
  trigone table --out for-others --profile external
  trigone table --out numbers --with-case-numbers --tables cases,comparisons`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			var err error
			if x.request.Profile, err = profileOf(profile); err != nil {
				return err
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			x.request.IncisionFrom, x.request.IncisionBefore, x.request.Basis = cases.from, cases.before, cases.basis
			if x.request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			if err := x.open(); err != nil {
				return err
			}
			if err := a.stream(cmd, func(ctx context.Context, s services) error { return x.receive(ctx, s.audit) }); err != nil {
				return errors.Join(err, x.abandon())
			}
			if err := x.finish(); err != nil {
				return errors.Join(err, x.abandon())
			}
			if a.format == formatJSON {
				return printJSON(cmd.OutOrStdout(), x.end)
			}
			render.Extracted(cmd.OutOrStdout(), x.header, x.end)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&x.dir, "out", "", "folder to write to; empty, or one that table wrote")
	f.StringVar(&profile, "profile", profileDepartment, profileUsage)
	f.BoolVar(&x.request.WithCaseNumbers, "with-case-numbers", false, "with the hospital's numbers of cases, which name patients to whoever can look them up")
	f.StringSliceVar(&x.request.Tables, "tables", nil, "only these tables: "+strings.Join(extractTables, ", "))
	f.StringVar(&filter.from, "from", "", "only with incision at or after this date or time; for external the begin of a half-year")
	f.StringVar(&filter.before, "before", "", "only with incision before this date or time; for external the begin of a half-year")
	f.StringVar(&filter.basis, "basis", "stored", basisUsage)
	f.StringVar(&asOf, "as-of", "", "leave out cases operated on after this date or time; default: now")
	return c
}

const (
	profileDepartment = "department"
	profileExternal   = "external"
	profileUsage      = "department: true dates and pseudonyms; external: for others, coarsened by the service"
)

func profileOf(word string) (trigonev1.ExtractProfile, error) {
	n, err := enumValue("--profile", word, trigonev1.ExtractProfile(0).Descriptor(), "EXTRACT_PROFILE_")
	return trigonev1.ExtractProfile(n), err
}

// tableRun is one extract into a folder.
type tableRun struct {
	dir     string
	request trigonev1.ExtractTableRequest

	before []string // files of an extract before
	header *trigonev1.ExtractHeader
	tables map[string]*tableFiles
	end    *trigonev1.ExtractEnd
}

// tableFiles are the two files of a table.
type tableFiles struct {
	sheet    *os.File
	buffer   *bufio.Writer
	rows     *render.ExtractSheet
	parquet  *os.File
	columnar *columnar.Writer
	numbers  bool // with case numbers
}

func tableNames(table string) []string { return []string{table + ".csv", table + ".parquet"} }

// open looks at the folder before anything is asked of the server.
func (x *tableRun) open() error {
	if x.dir == "" {
		return usagef("table needs --out DIR")
	}
	if err := private.Folder(x.dir); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	list, err := os.ReadDir(x.dir)
	if err != nil {
		return fmt.Errorf("read the folder: %w", err)
	}
	ours := []string{dictionaryName}
	for _, t := range extractTables {
		ours = append(ours, tableNames(t)...)
	}
	for _, e := range list {
		if !slices.Contains(ours, strings.TrimSuffix(e.Name(), partialSuffix)) {
			return usagef("%s holds %s, which table did not write; name an empty folder", x.dir, e.Name())
		}
		x.before = append(x.before, e.Name())
	}
	x.tables = map[string]*tableFiles{}
	return nil
}

func (x *tableRun) receive(ctx context.Context, client trigonev1.AuditServiceClient) error {
	return extracted(ctx, client, &x.request, func(h *trigonev1.ExtractHeader) error {
		x.header = h
		for _, t := range h.GetTables() {
			if !slices.Contains(extractTables, t.GetTable()) {
				return errors.New("the server names a table that is none")
			}
			if err := x.begin(t); err != nil {
				return fmt.Errorf("write %s: %w", x.dir, err)
			}
		}
		return nil
	}, func(r *trigonev1.ExtractRows) error {
		files := x.tables[r.GetTable()]
		if files == nil {
			return errors.New("the server sends rows of a table that it did not name")
		}
		for _, row := range r.GetRows() {
			if err := files.row(row); err != nil {
				return fmt.Errorf("write %s: %w", x.dir, err)
			}
		}
		return nil
	}, func(e *trigonev1.ExtractEnd) { x.end = e })
}

// extracted receives an extract.
func extracted(ctx context.Context, client trigonev1.AuditServiceClient, request *trigonev1.ExtractTableRequest,
	header func(*trigonev1.ExtractHeader) error, rows func(*trigonev1.ExtractRows) error, end func(*trigonev1.ExtractEnd),
) error {
	answers, err := client.ExtractTable(ctx, request)
	if err != nil {
		return err
	}
	for {
		answer, err := answers.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return errors.New("the server ended the extract without its end; run the command again")
		case err != nil:
			return err
		case answer.GetHeader() != nil:
			err = header(answer.GetHeader())
		case answer.GetRows() != nil:
			err = rows(answer.GetRows())
		case answer.GetEnd() != nil:
			end(answer.GetEnd())
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// begin begins the files of a table.
func (x *tableRun) begin(t *trigonev1.ExtractTableColumns) error {
	files := &tableFiles{numbers: x.request.GetWithCaseNumbers() && t.GetTable() == render.FactRows[0]}
	x.tables[t.GetTable()] = files
	names := tableNames(t.GetTable())
	var err error
	if files.sheet, err = private.Create(x.partial(names[0])); err != nil {
		return err
	}
	files.buffer = bufio.NewWriterSize(files.sheet, 1<<16)
	if files.rows, err = render.NewExtractSheet(files.buffer, render.Sheet{CaseNumbers: files.numbers}, t.GetColumns()); err != nil {
		return err
	}
	if files.parquet, err = private.Create(x.partial(names[1])); err != nil {
		return err
	}
	var columns []columnar.Column
	for _, c := range t.GetColumns() {
		columns = append(columns, columnar.Column{Name: c.GetColumn(), Type: columnType(c.GetType())})
	}
	if files.numbers {
		for _, name := range render.ExtractNumberColumns() {
			columns = append(columns, columnar.Column{Name: name})
		}
	}
	files.columnar, err = columnar.NewWriter(files.parquet, t.GetTable(), columns,
		columnar.Pair{Key: "profile", Value: render.Word(x.header.GetProfile())}, columnar.Pair{Key: "about", Value: x.header.GetSummary()},
		columnar.Pair{Key: "last_change", Value: strconv.FormatInt(x.header.GetContext().GetLastChange(), 10)})
	return err
}

func (x *tableRun) partial(name string) string { return filepath.Join(x.dir, name+partialSuffix) }

func columnType(t trigonev1.ExtractType) columnar.Type {
	switch t {
	case trigonev1.ExtractType_EXTRACT_TYPE_NUMBER:
		return columnar.Number
	case trigonev1.ExtractType_EXTRACT_TYPE_WHOLE:
		return columnar.Whole
	case trigonev1.ExtractType_EXTRACT_TYPE_FLAG:
		return columnar.Flag
	case trigonev1.ExtractType_EXTRACT_TYPE_TIME:
		return columnar.Time
	}
	return columnar.Text
}

func (f *tableFiles) row(r *trigonev1.ExtractRow) error {
	if err := f.rows.Row(r); err != nil {
		return err
	}
	values := make([]any, len(r.GetValues()))
	for i, v := range r.GetValues() {
		switch x := v.GetValue().(type) {
		case *trigonev1.ExtractValue_Written:
			values[i] = x.Written
		case *trigonev1.ExtractValue_Number:
			values[i] = x.Number
		case *trigonev1.ExtractValue_Whole:
			values[i] = x.Whole
		case *trigonev1.ExtractValue_Flag:
			values[i] = x.Flag
		case *trigonev1.ExtractValue_Time:
			values[i] = x.Time.AsTime()
		}
	}
	if f.numbers {
		for _, text := range []string{r.GetExternalIdentifier().GetValue(), r.GetExternalIdentifier().GetSystem()} {
			if values = append(values, nil); text != "" {
				values[len(values)-1] = text
			}
		}
	}
	return f.columnar.Row(values)
}

// close ends the files of a table.
func (f *tableFiles) close() error {
	return errors.Join(f.rows.End(), f.buffer.Flush(), f.sheet.Close(), f.columnar.Close(), f.parquet.Close())
}

// finish gives the files their names, the dictionary last: a folder with one is whole.
func (x *tableRun) finish() error {
	var names []string
	for _, t := range x.header.GetTables() {
		if err := x.tables[t.GetTable()].close(); err != nil {
			return fmt.Errorf("write %s: %w", x.dir, err)
		}
		names = append(names, tableNames(t.GetTable())...)
	}
	var dictionary bytes.Buffer
	if err := render.ExtractDictionary(&dictionary, x.header, render.Sheet{CaseNumbers: x.request.GetWithCaseNumbers()}); err != nil {
		return err
	}
	for _, name := range x.before {
		if slices.Contains(names, strings.TrimSuffix(name, partialSuffix)) && strings.HasSuffix(name, partialSuffix) {
			continue // begun anew
		}
		if err := os.Remove(filepath.Join(x.dir, name)); err != nil {
			return fmt.Errorf("remove an earlier extract: %w", err)
		}
	}
	for _, name := range names {
		if err := os.Rename(x.partial(name), filepath.Join(x.dir, name)); err != nil {
			return fmt.Errorf("name a table: %w", err)
		}
	}
	return private.Write(filepath.Join(x.dir, dictionaryName), dictionary.Bytes())
}

// abandon closes and removes what was begun.
func (x *tableRun) abandon() error {
	for name, f := range x.tables {
		for _, file := range []*os.File{f.sheet, f.parquet} {
			if file != nil {
				_ = file.Close() // it is removed
			}
		}
		for _, n := range tableNames(name) {
			if err := os.Remove(x.partial(n)); err != nil && !errors.Is(err, os.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}
