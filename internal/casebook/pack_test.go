package casebook

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// packed is one value of a packed row.
type packed struct {
	Key    valve.Key
	Method valve.Method
	State  metric.State
	Steps  int64 // in steps of the metric's grid
}

var errPacked = errors.New("a packed row of metrics is damaged")

// unpack reads a packed row from its layout alone. It stands here until something
// of the program reads rows: the test is that nothing is lost.
func unpack(row []byte) ([]packed, error) {
	damaged := false
	next := func() uint64 {
		v, n := binary.Uvarint(row)
		if n <= 0 {
			damaged, row = true, nil
			return 0
		}
		row = row[n:]
		return v
	}
	text := func() string {
		size := next()
		if size > uint64(len(row)) {
			damaged = true
			return ""
		}
		s := string(row[:size])
		row = row[size:]
		return s
	}
	if next() != packVersion {
		return nil, errPacked
	}
	var spots []spot
	for n := next(); n > 0 && !damaged; n-- {
		spots = append(spots, spot{valve.Place(text()), valve.Occasion(text())})
	}
	var values []packed
	for n := next(); n > 0 && !damaged; n-- {
		id, known := metric.ByNumber(int(next()))
		at, kind := next(), next()
		steps, size := binary.Varint(row)
		if !known || at >= uint64(len(spots)) || size <= 0 {
			return nil, errPacked
		}
		row = row[size:]
		v := packed{
			Key:    valve.Key{ID: id, Place: spots[at].place, Occasion: spots[at].occasion, Role: valve.Role(convert.Word(trigonev1.MetricRole(kind % packedDisputed)))},
			Method: valve.Method(convert.Word(trigonev1.Method(kind / packedMethod))), State: metric.HasValue, Steps: steps,
		}
		if kind/packedDisputed%2 == 1 {
			v.State = metric.Disputed
		}
		values = append(values, v)
	}
	if damaged || len(row) != 0 {
		return nil, errPacked
	}
	return values, nil
}

// What is packed comes back on the grid, under its key, method and state, and a cut
// row is refused, never misread.
func TestPackRoundTrip(t *testing.T) {
	type row struct {
		id   valve.ID
		grid float64
	}
	var rows []row
	for _, l := range metric.Leaves() {
		rows = append(rows, row{l.ID, l.Grid})
	}
	for _, m := range metric.Metrics() {
		rows = append(rows, row{m.ID, m.Grid})
	}
	roles := wordsOf[valve.Role](trigonev1.MetricRole(0))
	methods := append(wordsOf[valve.Method](trigonev1.Method(0)), "")
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) metric.Value {
			of := rapid.SampledFrom(rows).Draw(t, "metric")
			return metric.Value{
				Key: valve.Key{
					ID: of.id, Place: rapid.SampledFrom([]valve.Place{"", "p2/seam", "step:x"}).Draw(t, "place"),
					Occasion: rapid.SampledFrom([]valve.Occasion{"plan", "result/exit"}).Draw(t, "occasion"),
					Role:     rapid.SampledFrom(roles).Draw(t, "role"),
				},
				Method: rapid.SampledFrom(methods).Draw(t, "method"),
				State:  rapid.SampledFrom([]metric.State{metric.HasValue, metric.Disputed}).Draw(t, "state"),
				Value:  units.Round(rapid.Float64Range(-2000, 2000).Draw(t, "value"), of.grid),
			}
		}), 0, 40).Draw(t, "values")
		row, err := pack(append(slices.Clone(values), metric.Value{Key: valve.Key{ID: rows[0].id}, State: metric.Absent}))
		if err != nil {
			t.Fatal(err)
		}
		got, err := unpack(row)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(values) {
			t.Fatalf("%d values came back of %d", len(got), len(values))
		}
		for i, v := range values {
			_, grid, _ := metric.Describe(v.Key.ID)
			if got[i].Key != v.Key || got[i].Method != v.Method || got[i].State != v.State || units.FromGrid(got[i].Steps, grid) != v.Value {
				t.Fatalf("%v came back as %v", v, got[i])
			}
		}
		cut := rapid.IntRange(0, len(row)-1).Draw(t, "cut")
		if _, err := unpack(row[:cut]); err == nil {
			t.Fatalf("a row cut at %d of %d was read", cut, len(row))
		}
	})
}

// A kind has room for every role: a ninth would run into the mark of a dispute.
func TestEveryRoleFitsIntoAKind(t *testing.T) {
	values := trigonev1.MetricRole(0).Descriptor().Values()
	for i := range values.Len() {
		if n := values.Get(i).Number(); n >= packedDisputed {
			t.Errorf("role %s has the number %d; raise packVersion with a wider kind", values.Get(i).Name(), n)
		}
	}
	if row, err := pack([]metric.Value{{Key: valve.Key{ID: "not_of_the_catalogue"}, State: metric.HasValue}}); err == nil {
		t.Errorf("a value of no metric was packed as %v", row)
	}
}

func wordsOf[T ~string](e protoreflect.Enum) []T {
	var list []T
	values := e.Descriptor().Values()
	for i := range values.Len() {
		if w := convert.Word(e.Type().New(values.Get(i).Number())); w != "" {
			list = append(list, T(w))
		}
	}
	return list
}

// valuesOfCases gives the values of every invented case.
func valuesOfCases(tb testing.TB) [][]metric.Value {
	var list [][]metric.Value
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			tb.Fatal(err)
		}
		c := convert.Case(convert.Record{
			Identity: file.GetIdentity(), Assessments: file.GetAssessments(), Plan: file.GetPlan(),
			Operation: file.GetOperation(), Results: file.GetResults(), FollowUps: file.GetFollowUps(),
		})
		list = append(list, evaluate.Evaluate(evaluate.Input{Case: c, Settings: settings.BuiltIn("harbour", "1", "UTC")}).Metrics)
	}
	return list
}

func BenchmarkPack(b *testing.B) {
	cases := valuesOfCases(b)
	size := 0
	for b.Loop() {
		size = 0
		for _, values := range cases {
			row, err := pack(values)
			if err != nil {
				b.Fatal(err)
			}
			size += len(row)
		}
	}
	b.ReportMetric(float64(size)/float64(len(cases)), "B/case")
}

func BenchmarkUnpack(b *testing.B) {
	var rows [][]byte
	for _, values := range valuesOfCases(b) {
		row, err := pack(values)
		if err != nil {
			b.Fatal(err)
		}
		rows = append(rows, row)
	}
	for b.Loop() {
		for _, row := range rows {
			if _, err := unpack(row); err != nil {
				b.Fatal(err)
			}
		}
	}
}
