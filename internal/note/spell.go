package note

import (
	"regexp"
	"strings"
)

// motion finds the words for systolic anterior motion, in full or short, and
// quotations, in which nothing is changed.
var motion = regexp.MustCompile(`“[^”]*”|\b([Ss]ystolic )?([Aa])nterior motion\b`)

// spellOut writes 'systolic anterior motion' in full where the note says it first,
// and short after that.
func (n *Note) spellOut() {
	said := false
	say := func(s string) string {
		return motion.ReplaceAllStringFunc(s, func(m string) string {
			if strings.HasPrefix(m, "“") {
				return m
			}
			capital := m[0] == 'S' || m[0] == 'A'
			long := !said
			said = true
			switch {
			case long && capital:
				return "Systolic anterior motion"
			case long:
				return "systolic anterior motion"
			case capital:
				return "Anterior motion"
			}
			return "anterior motion"
		})
	}
	for i := range n.Sections {
		for j := range n.Sections[i].Blocks {
			n.Sections[i].Blocks[j].Each(say)
		}
	}
}
