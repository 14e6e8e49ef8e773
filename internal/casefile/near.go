package casefile

import (
	"cmp"
	"slices"
	"strings"
	"unicode"
)

// Nearest gives the three names that are the least letters away from one.
func Nearest(name string, names []string) []string {
	sorted := slices.Clone(names)
	slices.SortStableFunc(sorted, byDistance(name))
	return sorted[:min(3, len(sorted))]
}

// byDistance orders by letters away; a name that holds the other, or begins like it,
// is nearer than its letters say.
func byDistance(name string) func(a, b string) int {
	away := func(s string) int {
		d := 2 * letters(name, s)
		if len(name) > 2 && (strings.Contains(s, name) || strings.Contains(name, s)) {
			d = min(d, 3)
		}
		return d
	}
	return func(a, b string) int { return cmp.Compare(away(a), away(b)) }
}

// letters counts how many letters are to be changed, put in, taken out or exchanged
// with their neighbour to make one text of another.
func letters(from, to string) int {
	a, b := []rune(from), []rune(to)
	if len(a) > 100 {
		a = a[:100]
	}
	rows := [3][]int{make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)}
	earlier, above, row := rows[0], rows[1], rows[2]
	for j := range above {
		above[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			row[j] = min(above[j]+1, row[j-1]+1, above[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], earlier[j-2]+1)
			}
		}
		earlier, above, row = above, row, earlier
	}
	return above[len(b)]
}

// snake writes heightCm as height_cm.
func snake(name string) string {
	var b strings.Builder
	for i, c := range name {
		if i > 0 && unicode.IsUpper(c) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(c))
	}
	return strings.NewReplacer("-", "_", " ", "_").Replace(b.String())
}

// orList joins names as a sentence does: a, b or c.
func orList(names []string) string {
	last := len(names) - 1
	if last < 1 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:last], ", ") + " or " + names[last]
}
