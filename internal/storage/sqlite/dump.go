package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
)

// Dump gives every value of every table of a store as it was before it was packed: for
// whoever searches a store for what must not be in it. The file is read beside the
// service that has it open.
func Dump(ctx context.Context, path string, visit func(table, column string, value []byte) error) error {
	db, err := connect(path, usualBusy, 1, "ro")
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }() // nothing was written
	tables, err := texts(ctx, db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`)
	if err != nil {
		return err
	}
	slices.Sort(tables) // answers come before what is packed against them
	answers := map[[2]int64][]byte{}
	for _, table := range tables {
		if err := dumpTable(ctx, db, table, answers, visit); err != nil {
			return fmt.Errorf("table %s: %w", table, err)
		}
	}
	return nil
}

func texts(ctx context.Context, db *sql.DB, query string, args ...any) (list []string, err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	return list, rows.Err()
}

// packedColumns are those that a codec column speaks of.
var packedColumns = []string{"frame", "packed", "content"}

// dumpTable keeps the answers, by case and number.
func dumpTable(ctx context.Context, db *sql.DB, table string, answers map[[2]int64][]byte, visit func(table, column string, value []byte) error) error {
	columns, err := texts(ctx, db, `SELECT name FROM pragma_table_info(?)`, table)
	if err != nil {
		return err
	}
	selected := make([]string, len(columns))
	for i, c := range columns {
		selected[i] = fmt.Sprintf("CAST(%q AS BLOB)", c)
	}
	number := func(column string) string {
		if slices.Contains(columns, column) {
			return column
		}
		return "0"
	}
	order := ""
	if table == "answers" {
		order = " ORDER BY case_id, number"
	}
	rows, err := db.QueryContext(ctx, fmt.Sprintf(`SELECT %s, %s, %s, %s, %s FROM %q%s`,
		strings.Join(selected, ", "), number("codec"), number("base"), number("number"), number("case_id"), table, order))
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		values := make([]sql.RawBytes, len(columns))
		var codec int
		var base, nth, ofCase int64
		into := make([]any, 0, len(columns)+4)
		for i := range values {
			into = append(into, &values[i])
		}
		if err := rows.Scan(append(into, &codec, &base, &nth, &ofCase)...); err != nil {
			return err
		}
		for i, column := range columns {
			value := []byte(values[i])
			if codec != codecPlain && slices.Contains(packedColumns, column) {
				if value, err = decode(codec, slices.Clone(value), answers[[2]int64{ofCase, base}]); err != nil {
					return err
				}
			}
			if table == "answers" && column == "frame" {
				answers[[2]int64{ofCase, nth}] = slices.Clone(value)
			}
			if err := visit(table, column, value); err != nil {
				return err
			}
		}
	}
	return rows.Err()
}
