package casebook

import (
	"encoding/binary"
	"fmt"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// The values of an evaluation, packed so that the audit can read one metric of many
// cases without decoding their answers. Layout, version 2, every number a varint:
// the version; the spots, which are pairs of place and occasion (count, then length
// and bytes of both texts of each); the number of values; for each value the
// permanent number of its metric, the index of its spot, its kind, and its value in
// steps of its grid, zigzag. A kind is role + 8 if disputed + 16 method, with the
// numbers of the contract's enums. A value without a number is not packed: the
// evaluation as answered stands beside it.

const packVersion = 2

const (
	packedDisputed = 8
	packedMethod   = 16
)

type spot struct {
	place    valve.Place
	occasion valve.Occasion
}

// pack packs the values that have a number.
func pack(values []metric.Value) ([]byte, error) {
	index := map[spot]int{}
	var spots, body []byte
	count := 0
	for _, v := range values {
		if v.State != metric.HasValue && v.State != metric.Disputed {
			continue
		}
		id, known := metric.Number(v.Key.ID)
		_, grid, described := metric.Describe(v.Key.ID)
		if !known || !described {
			return nil, fmt.Errorf("metric %s is not in the catalogue", v.Key.ID)
		}
		steps, err := units.ToGrid(v.Value, grid)
		if err != nil {
			return nil, fmt.Errorf("metric %s: %w", v.Key, err)
		}
		at := spot{v.Key.Place, v.Key.Occasion}
		i, seen := index[at]
		if !seen {
			i = len(index)
			index[at] = i
			spots = appendText(appendText(spots, string(at.place)), string(at.occasion))
		}
		kind := uint64(convert.Enum[trigonev1.MetricRole](string(v.Key.Role)))
		kind += packedMethod * uint64(convert.Enum[trigonev1.Method](string(v.Method)))
		if v.State == metric.Disputed {
			kind += packedDisputed
		}
		body = binary.AppendUvarint(body, uint64(id))
		body = binary.AppendUvarint(body, uint64(i))
		body = binary.AppendUvarint(body, kind)
		body = binary.AppendVarint(body, steps)
		count++
	}
	out := binary.AppendUvarint(nil, packVersion)
	out = binary.AppendUvarint(out, uint64(len(index)))
	out = append(out, spots...)
	out = binary.AppendUvarint(out, uint64(count))
	return append(out, body...), nil
}

func appendText(out []byte, text string) []byte {
	return append(binary.AppendUvarint(out, uint64(len(text))), text...)
}
