package document

import (
	"slices"
	"strings"
)

// ColumnWidths shares a width among the columns of a table: what a column needs
// for its longest cell, and where that is too much for all, the wide columns give,
// but not below their longest word while another can give.
func ColumnWidths[N int | float64](t *Table, width N, measure func(string) N) []N {
	needs, least := make([]N, len(t.Header)), make([]N, len(t.Header))
	var sum N
	for i := range t.Header {
		for _, cells := range append([][]string{t.Header}, t.Rows...) {
			needs[i] = max(needs[i], measure(cells[i]))
			for _, word := range strings.Fields(cells[i]) {
				least[i] = max(least[i], measure(word))
			}
		}
		sum += least[i]
	}
	if sum > width {
		return share(needs, width)
	}
	for i := range needs {
		needs[i] -= least[i]
	}
	for i, more := range share(needs, width-sum) {
		least[i] += more
	}
	return least
}

// share cuts the widest of a list of widths until their sum fits.
func share[N int | float64](needs []N, width N) []N {
	out := make([]N, len(needs))
	open := make([]int, len(needs))
	for i := range needs {
		open[i] = i
	}
	for len(open) > 0 {
		fair := width / N(len(open))
		still := slices.DeleteFunc(slices.Clone(open), func(i int) bool { return needs[i] <= fair })
		if len(still) == len(open) {
			for _, i := range open {
				out[i] = fair
			}
			break
		}
		for _, i := range open {
			if needs[i] <= fair {
				out[i] = needs[i]
				width -= needs[i]
			}
		}
		open = still
	}
	return out
}
