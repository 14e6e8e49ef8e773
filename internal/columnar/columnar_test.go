package columnar

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"
)

var columns = []Column{{"zeta", Text}, {"alpha", Number}, {"whole", Whole}, {"flag", Flag}, {"at", Time}}

// What is written is read back, absent values as absent and columns in their order. The
// reader is of the same library; another one reads whole extracts in internal/fhircheck/node.
func TestWrittenIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 700).Draw(t, "rows")
		var want [][]any
		for i := range n {
			row := make([]any, len(columns))
			for j, v := range []any{fmt.Sprintf("word %d", i%7), float64(i) / 3, int64(i - 5), i%2 == 0, time.UnixMilli(int64(i) * 1e9).UTC()} {
				if (i*7+j*3)%5 != 0 {
					row[j] = v
				}
			}
			want = append(want, row)
		}
		var file bytes.Buffer
		w, err := NewWriter(&file, "cases", columns, Pair{"profile", "external"})
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range want {
			if err := w.Row(row); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(file.Bytes()), int64(file.Len()))
		if err != nil {
			t.Fatal(err)
		}
		if said, _ := f.Lookup("profile"); said != "external" || f.NumRows() != int64(n) {
			t.Fatalf("%d rows, profile %q", f.NumRows(), said)
		}
		for i, field := range f.Schema().Fields() {
			if field.Name() != columns[i].Name {
				t.Fatalf("column %d is %s, want %s", i, field.Name(), columns[i].Name)
			}
		}
		at := 0
		for _, group := range f.RowGroups() {
			rows := group.Rows()
			buffer := make([]parquet.Row, 50)
			for {
				n, err := rows.ReadRows(buffer)
				for _, row := range buffer[:n] {
					for j, v := range row {
						if got := plain(v, columns[j].Type); got != want[at][j] {
							t.Fatalf("row %d, %s: %v, want %v", at, columns[j].Name, got, want[at][j])
						}
					}
					at++
				}
				if err != nil {
					break
				}
			}
		}
		if at != n {
			t.Errorf("%d rows were read, want %d", at, n)
		}
	})
}

func plain(v parquet.Value, t Type) any {
	switch {
	case v.IsNull():
		return nil
	case t == Number:
		return v.Double()
	case t == Whole:
		return v.Int64()
	case t == Flag:
		return v.Boolean()
	case t == Time:
		return time.UnixMilli(v.Int64()).UTC()
	}
	return string(v.ByteArray())
}

func TestRowsThatAreNone(t *testing.T) {
	w, err := NewWriter(&bytes.Buffer{}, "cases", columns)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range [][]any{{"a"}, {1.5, nil, nil, nil, nil}, {"a", "b", nil, nil, nil}, {nil, nil, 1.5, nil, nil}, {nil, nil, nil, "no", nil}, {nil, nil, nil, nil, int64(1)}} {
		if w.Row(row) == nil {
			t.Errorf("%v was taken", row)
		}
	}
	if _, err := NewWriter(&bytes.Buffer{}, "cases", []Column{{"a", Text}, {"a", Whole}}); err == nil {
		t.Error("two columns of one name were taken")
	}
}
