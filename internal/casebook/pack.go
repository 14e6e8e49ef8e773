package casebook

import (
	"encoding/binary"
	"errors"
	"fmt"

	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The metrics of an evaluation, packed for the audit: one row instead of one per
// value. Layout, version 1: the version byte; a table of words (count, then
// length and bytes of each); the number of values; for each value the table
// indices of metric, place, occasion, role, method, then its state, then the
// value in steps of its grid, zigzag. Every number is a varint. A value without a
// number is not packed: the evaluation as answered stands beside it.

const packVersion = 1

// pack packs the values that have a number.
func pack(values []metric.Value) ([]byte, error) {
	index := map[string]uint64{}
	var words []string
	word := func(s string) uint64 {
		i, ok := index[s]
		if !ok {
			i = uint64(len(words))
			index[s] = i
			words = append(words, s)
		}
		return i
	}
	var body []byte
	count := uint64(0)
	for _, v := range values {
		if v.State != metric.HasValue && v.State != metric.Disputed {
			continue
		}
		_, grid, ok := metric.Describe(v.Key.ID)
		if !ok {
			return nil, fmt.Errorf("metric %s is not in the catalogue", v.Key.ID)
		}
		steps, err := units.ToGrid(v.Value, grid)
		if err != nil {
			return nil, fmt.Errorf("metric %s: %w", v.Key, err)
		}
		for _, s := range []string{string(v.Key.ID), string(v.Key.Place), string(v.Key.Occasion), string(v.Key.Role), string(v.Method)} {
			body = binary.AppendUvarint(body, word(s))
		}
		body = binary.AppendUvarint(body, word(string(v.State)))
		body = binary.AppendVarint(body, steps)
		count++
	}
	out := binary.AppendUvarint(nil, packVersion)
	out = binary.AppendUvarint(out, uint64(len(words)))
	for _, w := range words {
		out = binary.AppendUvarint(out, uint64(len(w)))
		out = append(out, w...)
	}
	out = binary.AppendUvarint(out, count)
	return append(out, body...), nil
}

// packed is one value of a packed row.
type packed struct {
	Key    valve.Key
	Method valve.Method
	State  metric.State
	Steps  int64 // in steps of the metric's grid
}

var errPacked = errors.New("a packed row of metrics is damaged")

// unpack reads a packed row.
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
	if next() != packVersion {
		return nil, errPacked
	}
	words := make([]string, 0, 64)
	for n := next(); n > 0; n-- {
		size := next()
		if size > uint64(len(row)) {
			return nil, errPacked
		}
		words = append(words, string(row[:size]))
		row = row[size:]
	}
	var values []packed
	for n := next(); n > 0; n-- {
		var w [6]string
		for i := range w {
			at := next()
			if at >= uint64(len(words)) {
				return nil, errPacked
			}
			w[i] = words[at]
		}
		steps, size := binary.Varint(row)
		if size <= 0 {
			return nil, errPacked
		}
		row = row[size:]
		values = append(values, packed{
			Key:    valve.Key{ID: valve.ID(w[0]), Place: valve.Place(w[1]), Occasion: valve.Occasion(w[2]), Role: valve.Role(w[3])},
			Method: valve.Method(w[4]), State: metric.State(w[5]), Steps: steps,
		})
	}
	if damaged || len(row) != 0 {
		return nil, errPacked
	}
	return values, nil
}
