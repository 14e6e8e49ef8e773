// Package columnar writes tables as files of Parquet, which statistics programs read with
// names and types. It knows no case.
package columnar

import (
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/snappy"
)

// Type is what the values of a column are.
type Type int

// The types. Any value may be absent.
const (
	Text Type = iota
	Number
	Whole
	Flag
	Time // to the millisecond, UTC
)

// Column is a column of a table.
type Column struct {
	Name string
	Type Type
}

// Pair is what a file says of itself beside its rows.
type Pair struct{ Key, Value string }

// Writer writes one table.
type Writer struct {
	columns []Column
	out     *parquet.GenericWriter[any]
	rows    []parquet.Row
}

// atOnce is how many rows are handed over at a time.
const atOnce = 256

// inOrder are columns in the order in which they were given: a group alone sorts them by
// name.
type inOrder struct {
	parquet.Group
	names []string
}

// Fields gives them in that order.
func (g inOrder) Fields() []parquet.Field {
	list := g.Group.Fields()
	slices.SortFunc(list, func(a, b parquet.Field) int {
		return slices.Index(g.names, a.Name()) - slices.Index(g.names, b.Name())
	})
	return list
}

// NewWriter begins a table.
func NewWriter(out io.Writer, table string, columns []Column, about ...Pair) (*Writer, error) {
	group := inOrder{Group: parquet.Group{}}
	for _, c := range columns {
		if group.Group[c.Name] != nil {
			return nil, fmt.Errorf("the table %s has two columns %s", table, c.Name)
		}
		group.Group[c.Name] = parquet.Optional(leaf(c.Type))
		group.names = append(group.names, c.Name)
	}
	options := []parquet.WriterOption{parquet.NewSchema(table, group), parquet.Compression(&snappy.Codec{})}
	for _, p := range about {
		options = append(options, parquet.KeyValueMetadata(p.Key, p.Value))
	}
	config, err := parquet.NewWriterConfig(options...)
	if err != nil {
		return nil, err
	}
	return &Writer{columns: columns, out: parquet.NewGenericWriter[any](out, config)}, nil
}

func leaf(t Type) parquet.Node {
	switch t {
	case Number:
		return parquet.Leaf(parquet.DoubleType)
	case Whole:
		return parquet.Int(64)
	case Flag:
		return parquet.Leaf(parquet.BooleanType)
	case Time:
		return parquet.Timestamp(parquet.Millisecond)
	}
	return parquet.String()
}

// Row writes a row: a string, float64, int64, bool or time.Time for each column, or nil.
func (w *Writer) Row(values []any) error {
	if len(values) != len(w.columns) {
		return fmt.Errorf("a row of %d values for %d columns", len(values), len(w.columns))
	}
	row := make(parquet.Row, len(values))
	for i, v := range values {
		if v == nil {
			row[i] = parquet.NullValue().Level(0, 0, i)
			continue
		}
		of, err := value(w.columns[i], v)
		if err != nil {
			return err
		}
		row[i] = of.Level(0, 1, i)
	}
	if w.rows = append(w.rows, row); len(w.rows) < atOnce {
		return nil
	}
	return w.flush()
}

func value(c Column, v any) (parquet.Value, error) {
	switch x := v.(type) {
	case string:
		if c.Type == Text {
			return parquet.ByteArrayValue([]byte(x)), nil
		}
	case float64:
		if c.Type == Number {
			return parquet.DoubleValue(x), nil
		}
	case int64:
		if c.Type == Whole {
			return parquet.Int64Value(x), nil
		}
	case bool:
		if c.Type == Flag {
			return parquet.BooleanValue(x), nil
		}
	case time.Time:
		if c.Type == Time {
			return parquet.Int64Value(x.UnixMilli()), nil
		}
	}
	return parquet.Value{}, fmt.Errorf("the column %s takes no value of type %T", c.Name, v)
}

func (w *Writer) flush() error {
	_, err := w.out.WriteRows(w.rows)
	w.rows = w.rows[:0]
	return err
}

// Close writes what is left, and the end of the file.
func (w *Writer) Close() error {
	if err := w.flush(); err != nil {
		return err
	}
	return w.out.Close()
}
